"""Laser exposure of people beneath a flight: what the card states first, what follows from its figures beside it.

Lives here: stated and computed distances as cautions and faults. Must not know the forecast, the planner or files.
What is computed cross-checks the maker's documents; it is no classification and promises nothing.
"""

import math
from collections.abc import Sequence

from planner.equipment import RangeRating, Sensor
from planner.errors import Fault
from planner.ranging.air import haze_extinction_per_m
from planner.safety.cautions import Caution, Status
from planner.safety.exposurelimits import RULE_NAMES, RULES
from planner.safety.exposures import HazardDistances, Source, class_1_share, hazard_distances, source_of, stare_s
from planner.safety.scancrossings import Motion

DEFER = "Class and hazard distance are the maker's to state and the laser safety officer's to judge."
COMPUTED = "Computed from the card's figures: a cross-check, not a classification."
LIKELY_LONGER_M = 0.5
"""What a computed distance may be over the stated one before it is told: nearer to a drone in flight nobody comes."""
CLEAR_AIR_KM = 23.0
EYE_HEIGHT_M = 2.0
"""An eye is taken to be this high over the ground, tall or on a step: common practice, no source."""


def laser_caution(rating: RangeRating, lowest_agl_m: float) -> Caution:
    """Return how the stated hazard distance stands to the lowest height above ground flown [m].

    Parameters
    ----------
    rating : RangeRating
        What the card states at the pulse rate flown.
    lowest_agl_m : float
        Least height above ground of any line [m].
    """
    rate = _rate(rating)
    distance = rating.hazard_distance_m
    if rating.laser_class == "unknown" or distance is None:
        missing = "laser class unknown" if rating.laser_class == "unknown" else f"class {rating.laser_class} as stated"
        stated = "hazard distance unknown" if distance is None else f"hazard distance {distance:g} m as stated"
        return Caution(
            "laser", "cannot tell", f"At {rate}: {missing}, {stated}. Do not fly before the sheet is found. {DEFER}"
        )
    text = f"At {rate}: class {rating.laser_class} and hazard distance {distance:g} m as the card states. {DEFER}"
    if not math.isfinite(lowest_agl_m):
        return Caution("laser", "cannot tell", text, None, distance, "m above ground")
    status: Status = "within" if lowest_agl_m >= distance else "over"
    return Caution("laser", status, text, lowest_agl_m, distance, "m above ground, least")


def eye_fault(rating: RangeRating, nearest_m: float) -> Fault | None:
    """Return the fault (E36) of a flight nearer to people than the stated hazard distance, or None.

    Class 1 as stated is let pass. `nearest_m` is the shortest distance to an eye of whoever stands there [m].
    """
    distance = rating.hazard_distance_m
    if rating.laser_class == "1" or distance is None or not nearest_m < distance:
        return None
    return Fault(
        "E36",
        f"an eye on the ground or on what stands there comes within {nearest_m:.1f} m, under the stated hazard "
        f"distance {distance:g} m "
        f"(class {rating.laser_class}, {_rate(rating)})",
        "",
        "fly higher, or use a pulse rate with a shorter stated hazard distance",
    )


def computed_eye_fault(sensor: Sensor, rating: RangeRating, motion: Motion, nearest_m: float) -> Fault | None:
    """Return the fault (E36) of a flight nearer to people than the computed hazard distance to a naked eye, or None.

    Of the beam as it is flown, by the stricter set of rules. Class 1 as stated is let pass: there a difference is a
    caution, see `exposure_cautions`. So is a card without energy: there is nothing to compute.

    Parameters
    ----------
    sensor, rating, motion : Sensor, RangeRating, Motion
        The card, what of it holds at the pulse rate flown, and how beam and aircraft move.
    nearest_m : float
        Shortest slant range to an eye of a person on the ground [m].
    """
    source = source_of(sensor, rating, motion.line_rate_hz)
    if source is None or rating.laser_class == "1":
        return None
    far = hazard_distances(source, motion)
    if not nearest_m < far.counted_m:
        return None
    by = RULE_NAMES[RULES[far.naked_m.index(far.counted_m)]]
    return Fault(
        "E36",
        f"an eye on the ground comes within {nearest_m:.1f} m, under the computed hazard distance "
        f"{_metres(far.counted_m)} by {by} (class {rating.laser_class} as stated, {_rate(rating)})",
        "",
        "fly higher, use a pulse rate of less energy, or correct the card after the maker's documents",
    )


def exposure_cautions(sensor: Sensor, rating: RangeRating, motion: Motion, nearest_m: float) -> tuple[Caution, ...]:
    """Return what follows for eyes from a card's figures, beside what the card states (`laser_caution`).

    Parameters
    ----------
    sensor, rating, motion : Sensor, RangeRating, Motion
        The card, what of it holds at the pulse rate flown, and how beam and aircraft move.
    nearest_m : float
        Shortest slant range to an eye of a person on the ground [m]; nan where it is unknown.

    Returns
    -------
    tuple of Caution
        Naked eye, optical aids, the scanner that fails, and differences to what is stated; one that cannot tell where
        the card states neither energy nor power.
    """
    source = source_of(sensor, rating, motion.line_rate_hz)
    if source is None:
        text = (
            f"At {_rate(rating)} the card states neither pulse_energy_uj nor mean_power_mw: nothing can be computed, "
            f"and only the maker's class and hazard distance stand. {DEFER}"
        )
        return (Caution("laser computed", "cannot tell", text),)
    air = float(haze_extinction_per_m(source.wavelength_nm, CLEAR_AIR_KM))
    flown = hazard_distances(source, motion, air)
    return (
        _naked_caution(sensor, rating, source, flown, nearest_m),
        _aided_caution(rating, flown, nearest_m),
        *_stopped_cautions(rating, source, nearest_m),
        *_differences(rating, source, motion, flown),
    )


def laser_on_height_m(sensor: Sensor, rating: RangeRating, line_rate_hz: float) -> tuple[float, float] | None:
    """Return the least heights above take-off at which light may be on over people at the take-off place [m].

    The hazard distance in a hover, computed or stated, whichever is longer, above an eye 2 m high.

    Parameters
    ----------
    sensor, rating, line_rate_hz : Sensor, RangeRating, float
        The card, what of it holds at the pulse rate flown, and scan lines (turns) per second [Hz].

    Returns
    -------
    tuple of float or None
        For naked eyes, and for eyes behind 7x50 glasses [m]: 0 where the distance is; None where neither energy nor
        hazard distance is known.
    """
    source, stated = source_of(sensor, rating, line_rate_hz), rating.hazard_distance_m
    if source is None and stated is None:
        return None
    distances = (0.0, 0.0)
    if source is not None:
        far = hazard_distances(source, Motion(line_rate_hz, 0.0))
        distances = (far.counted_m, far.counted_aided_m)
    naked, aided = (max(distance, stated or 0.0) for distance in distances)
    return (naked + EYE_HEIGHT_M if naked > 0 else 0.0, aided + EYE_HEIGHT_M if aided > 0 else 0.0)


def switching_caution(sensor: Sensor, rating: RangeRating, line_rate_hz: float) -> Caution:
    """Return from which height above take-off on light may be on over people there; arguments as for its height."""
    heights = laser_on_height_m(sensor, rating, line_rate_hz)
    if heights is None:
        text = f"At {_rate(rating)} neither energy nor hazard distance is known: keep people away while light is on."
        return Caution("laser switching", "cannot tell", text)
    naked, aided = (_metres(height) for height in heights)
    text = (
        f"At {_rate(rating)}, with people at the take-off place: switch light on above {naked} over it and off below, "
        f"{aided} where somebody may look through glasses (hover, computed or stated hazard distance, an eye "
        f"{EYE_HEIGHT_M:g} m high). {COMPUTED}"
    )
    return Caution("laser switching", "note", text, heights[0], None, "m above take-off")


def _rate(rating: RangeRating) -> str:
    rate = rating.pulse_rate_hz
    return f"{rate / 1000:g} kHz" if rate >= 1000 else f"{rate:g} Hz"


def _metres(distance_m: float) -> str:
    """Return a computed distance, rounded up."""
    if not math.isfinite(distance_m):
        return "over 1000 km"
    if distance_m == 0:
        return "0 m"
    step = 0.1 if distance_m < 100 else 1.0
    return f"{math.ceil(distance_m / step - 1e-9) * step:.{1 if distance_m < 100 else 0}f} m"


def _by_rules(distances_m: Sequence[float]) -> str:
    return " and ".join(f"{_metres(far)} by {RULE_NAMES[rules]}" for far, rules in zip(distances_m, RULES, strict=True))


def _stands(distance_m: float, nearest_m: float) -> Status:
    if math.isnan(nearest_m):
        return "cannot tell"
    return "over" if nearest_m < distance_m else "within"


def _remembered(distances: HazardDistances) -> str:
    names = [RULE_NAMES[rules] for rules, one in zip(RULES, distances.from_memory, strict=True) if one]
    return f" The limits of {' and '.join(names)} that bind here rest on memory of the text." if names else ""


def _taken(sensor: Sensor, source: Source) -> str:
    """Return what was taken where the card is silent."""
    silent = [
        "a beam that leaves in a point" if source.beam.exit_m == (0.0, 0.0) else "",
        "whichever profile is worse" if source.beam.profile is None else "",
        "pulses of 1 ns" if sensor.pulse_length_ns is None and source.pulse_rate_hz else "",
    ]
    said = ", ".join(one for one in silent if one)
    return f" Where the card is silent, this is taken: {said}." if said else ""


def _naked_caution(
    sensor: Sensor, rating: RangeRating, source: Source, flown: HazardDistances, nearest_m: float
) -> Caution:
    beam = "as it is scanned and flown" if source.scans else "at rest on the eye"
    beside = (
        f" (of a beam that grows linearly {_metres(max(flown.naked_linear_m))}, with credit for clear air "
        f"{_metres(max(flown.naked_in_air_m))})"
    )
    text = (
        f"At {_rate(rating)}, beam {beam}: hazard distance to a naked eye {_by_rules(flown.naked_m)}"
        f"{beside if flown.counted_m else ''}. The longest counts. {COMPUTED}"
        f"{_taken(sensor, source)}{_remembered(flown)}"
    )
    return _measured("laser computed", _stands(flown.counted_m, nearest_m), text, nearest_m, flown.counted_m)


def _aided_caution(rating: RangeRating, flown: HazardDistances, nearest_m: float) -> Caution:
    status = _stands(flown.counted_aided_m, nearest_m)
    text = f"At {_rate(rating)}, through 7x50 glasses: hazard distance {_by_rules(flown.aided_m)}. {COMPUTED}"
    if status == "over":
        text += " Nobody beneath may look up through binoculars, a telescope or a theodolite: warn observers and crew."
    return _measured("laser through optics", status, text, nearest_m, flown.counted_aided_m)


def _stopped_cautions(rating: RangeRating, source: Source, nearest_m: float) -> tuple[Caution, ...]:
    """Return what a failed scanner leaves on an eye; nothing of a beam that rests anyway."""
    if not source.scans:
        return ()
    stopped = hazard_distances(source, None)
    shut = "nothing is known to shut it off" if source.safeguard_s is None else "until its safeguard shuts it off"
    text = (
        f"At {_rate(rating)}, should the scanner stop with the beam on an eye for {stare_s(source):g} s ({shut}): "
        f"hazard distance {_by_rules(stopped.naked_m)}, through 7x50 glasses {_by_rules(stopped.aided_m)}. {COMPUTED}"
    )
    if source.safeguard_s is None:
        text += " Ask the maker for scan_safeguard_s."
    status = _stands(stopped.counted_m, nearest_m)
    return (_measured("laser with stopped scanner", status, text, nearest_m, stopped.counted_m),)


def _differences(rating: RangeRating, source: Source, motion: Motion, flown: HazardDistances) -> tuple[Caution, ...]:
    """Return where the card's figures contradict what it states."""
    ask = f"One of the figures is wrong, or the maker counts otherwise: ask the maker. {COMPUTED}"
    found, stated = [], rating.hazard_distance_m
    if stated is not None and flown.counted_m > stated + LIKELY_LONGER_M:
        text = (
            f"At {_rate(rating)} the card states a hazard distance of {stated:g} m, and its energy and divergence make "
            f"{_by_rules(flown.naked_m)}. Keep to the longer. {ask}"
        )
        found.append(Caution("laser figures differ", "over", text, flown.counted_m, stated, "m"))
    if rating.laser_class not in ("1", "1M"):
        return tuple(found)
    cases = {"scanned": Motion(motion.line_rate_hz, 0.0), "with its scanner stopped": None}
    for case, moved in cases.items() if source.scans else [("at rest", None)]:
        naked, telescope = class_1_share(source, moved)
        share = max(naked, telescope) if rating.laser_class == "1" else naked
        if share > 1:
            text = (
                f"At {_rate(rating)} the card states class {rating.laser_class}, and its figures make {naked:.3g} "
                "times the emission that IEC 60825-1:2014 (from memory) allows class 1 to a naked eye, "
                f"{telescope:.3g} times through a telescope, {case}. {ask}"
            )
            found.append(Caution("laser figures differ", "over", text, share, 1.0, "times the limit of class 1"))
    return tuple(found)


def _measured(caution_id: str, status: Status, text: str, nearest_m: float, distance_m: float) -> Caution:
    measured = None if math.isnan(nearest_m) else nearest_m
    limit = distance_m if math.isfinite(distance_m) else None
    return Caution(caution_id, status, text, measured, limit, "m to the nearest eye")
