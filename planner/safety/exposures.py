"""The light of a sensor at an eye, over what the limits allow.

Lives here: a card's light made into trains at ranges, hazard distances, class 1 limits. Must not know cautions, files,
or where people are.

Where a card is silent the strictest is taken: a beam that leaves in a point, whichever profile is worse, pulses of
1 ns, a source of no size. Flashes fill the ellipse in their frame. No credit is given for air, for the flight that
carries a fixed beam, or for a person who moves or looks away. Of a head of several beams those that fit into an
aperture together count as one; near the head these are several, far away one.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt

from planner.equipment import RangeRating, Sensor
from planner.ranging.beams import ScanPattern, scan_pattern
from planner.safety.exposurelimits import (
    RULES,
    UNINTENDED_S,
    Rules,
    class_1_limit_j,
    eye_limit_j_m2,
    from_memory,
    is_retinal,
    limiting_aperture_m,
)
from planner.safety.hazarddistance import (
    NEAREST_M,
    Beam,
    Growth,
    OpticalAid,
    Pair,
    aid_transmission,
    farthest_over_m,
)
from planner.safety.pulsetrains import Train, loads, steady_train
from planner.safety.scancrossings import UNSCANNED, Motion, beams_within, crossings, scanned_train, worst_places

Array = npt.NDArray[np.float64]
Case = Literal["flown", "stopped"]

SHORTEST_PULSE_S = 1e-9
AID = OpticalAid()
TELESCOPE_M, TELESCOPE_AWAY_M, TELESCOPE_TIMES = 0.05, 2.0, 7.0
"""Condition 1 of IEC 60825-1:2014 table 10 (from memory): 50 mm at 2 m below 1400 nm, above 7 times condition 3."""
_STEP = 1.01


@dataclass(frozen=True)
class Source:
    """The light of a sensor at one pulse rate and line rate.

    Attributes
    ----------
    wavelength_nm : float
        Laser wavelength [nm].
    amount : float
        Energy of one pulse [J], or power of light without breaks [W].
    pulse_rate_hz, pulse_s : float or None, float
        Pulses of a second by all beams (None: light without breaks), and length of one [s].
    beam : Beam
        As the card states it.
    pattern : ScanPattern
        How it goes round.
    safeguard_s : float or None
        Longest that light leaves once the scanner fails [s].
    """

    wavelength_nm: float
    amount: float
    pulse_rate_hz: float | None
    pulse_s: float
    beam: Beam
    pattern: ScanPattern
    safeguard_s: float | None

    @property
    def mean_power_w(self) -> float:
        """Mean power of all light [W]."""
        return self.amount * (self.pulse_rate_hz or 1.0)

    @property
    def scans(self) -> bool:
        """Whether the beam moves over an eye."""
        return self.pattern.kind not in UNSCANNED


@dataclass(frozen=True)
class HazardDistances:
    """Computed distances from which on exposure is within its limit [m], by both sets of rules in the order of `RULES`.

    Attributes
    ----------
    naked_m, aided_m : tuple of float
        To a naked eye and to one behind 7x50 glasses; a waist at the exit, the stricter growth.
    naked_linear_m, aided_linear_m : tuple of float
        The same for a beam that grows linearly.
    naked_in_air_m : tuple of float
        `naked_m` with credit for the extinction of air that was given.
    from_memory : tuple of bool
        Whether the limit that sets `naked_m` rests on memory of the text.
    """

    naked_m: Pair
    aided_m: Pair
    naked_linear_m: Pair
    aided_linear_m: Pair
    naked_in_air_m: Pair
    from_memory: tuple[bool, bool]

    @property
    def counted_m(self) -> float:
        """The strictest to a naked eye [m]."""
        return max(self.naked_m)

    @property
    def counted_aided_m(self) -> float:
        """The strictest to an eye behind glasses [m]."""
        return max(self.aided_m)


@dataclass(frozen=True)
class GroundExposure:
    """Exposure over limit, over 1 is too much: shape (2, ...), both sets of rules in the order of `RULES`, then places.

    Attributes
    ----------
    flown_naked, flown_aided : ndarray
        Of the beam as it is flown, to a naked eye and to one behind 7x50 glasses.
    stopped_naked, stopped_aided : ndarray
        Of a beam that a failed scanner leaves at rest on the eye.
    """

    flown_naked: Array
    flown_aided: Array
    stopped_naked: Array
    stopped_aided: Array


def source_of(sensor: Sensor, rating: RangeRating, line_rate_hz: float) -> Source | None:
    """Return the light of a sensor, None where its card states neither energy nor power.

    Parameters
    ----------
    sensor, rating : Sensor, RangeRating
        The card, and what of it holds at the pulse rate flown.
    line_rate_hz : float
        Scan lines (turns) per second [Hz]; no matter where the beam rests.
    """
    rate = rating.pulse_rate_hz
    same = (one.mean_power_mw for one in sensor.ratings if one.pulse_rate_hz == rate and one.mean_power_mw)
    power_w = (rating.mean_power_mw or next(same, 0.0)) * 1e-3
    unbroken = sensor.principle in ("phase_shift", "triangulation") and rating.pulse_energy_uj is None
    energy_j = rating.pulse_energy_uj * 1e-6 if rating.pulse_energy_uj else power_w / rate
    if not energy_j:
        return None
    return Source(
        wavelength_nm=sensor.wavelength_nm,
        amount=power_w if unbroken else energy_j,
        pulse_rate_hz=None if unbroken else rate,
        pulse_s=sensor.pulse_length_ns * 1e-9 if sensor.pulse_length_ns else SHORTEST_PULSE_S,
        beam=beam_of(sensor),
        pattern=scan_pattern(sensor, rate, line_rate_hz),
        safeguard_s=sensor.scan_safeguard_s,
    )


def beam_of(sensor: Sensor) -> Beam:
    """Return the beam that leaves a sensor: one pulse, or the flash that lights a whole frame."""
    across, along = sensor.exit_beam_mm or (0.0, 0.0)
    exit_m = (across * 1e-3, along * 1e-3)
    if sensor.pattern == "matrix":
        views = np.radians([sensor.optical_fov_deg / 2, (sensor.frame_along_fov_deg or 0.0) / 2])
        aside, ahead = (2 * np.tan(views)).tolist()
        return Beam((aside, ahead), exit_m, profile="top_hat")
    other = sensor.divergence_across_mrad or sensor.divergence_mrad
    spread = (sensor.divergence_mrad * 1e-3, other * 1e-3)
    return Beam(spread, exit_m, sensor.divergence_width, sensor.beam_profile)


def stare_s(source: Source) -> float:
    """Return how long an eye meets a beam at rest [s]: until the safeguard shuts it off, else 100 s."""
    return UNINTENDED_S if source.safeguard_s is None else max(source.safeguard_s, source.pulse_s)


def _trains(
    source: Source, rules: Rules, range_m: Array, motion: Motion | None, collecting_m: Array, growth: Growth
) -> list[Train]:
    """Return what meets an eye at ranges: of a moving beam at its worst places, or of one at rest without a motion."""
    rate, nm, width = source.pulse_rate_hz, source.wavelength_nm, source.beam.widest_m(range_m)
    if motion is None or not source.scans:
        exposure_s, beams = stare_s(source) if source.scans else UNINTENDED_S, len(source.pattern.beam_elevations_rad)
        if rate is None or beams == 1:
            return [steady_train(rate, source.pulse_s, exposure_s, nm, rules)]
        together = beams_within(source.pattern, (collecting_m + width) / range_m)
        return [steady_train(rate / beams, source.pulse_s, exposure_s, nm, rules, together)]
    share = source.beam.share(collecting_m, range_m, growth)
    aperture_m = float(collecting_m)
    met = [
        crossings(source.pattern, rate, motion, range_m, aperture_m, width, share, UNINTENDED_S, place)
        for place in worst_places(source.pattern)
    ]
    return [scanned_train(one, rate, source.pulse_s, UNINTENDED_S, nm, rules) for one in met]


def _eye_loads(
    source: Source, rules: Rules, range_m: Array, motion: Motion | None, aid: OpticalAid | None, growth: Growth
) -> tuple[Array, Array]:
    """Return spans of time, and how often the light within them goes into its limit, both of shape (rows, n)."""
    nm = source.wavelength_nm
    passed = 1.0 if aid is None else aid_transmission(nm)

    def collecting_m(aperture_m: Array) -> Array:
        return aperture_m if aid is None else aid.collecting_m(aperture_m)

    def one(spans_s: Array) -> Array:
        aperture_m = limiting_aperture_m(nm, spans_s, rules)
        share = source.beam.share(collecting_m(aperture_m), range_m, growth)
        return np.asarray(source.amount * passed * share / (np.pi / 4 * aperture_m**2))

    widest_m = collecting_m(limiting_aperture_m(nm, UNINTENDED_S, rules))
    trains = _trains(source, rules, range_m, motion, widest_m, growth)
    over = [loads(train, one, lambda spans_s: eye_limit_j_m2(nm, spans_s, rules), nm, rules) for train in trains]
    spans = [np.broadcast_to(train.spans_s, found.shape) for train, found in zip(trains, over, strict=True)]
    return np.concatenate(spans), np.concatenate(over)


def exposure_over_limit(
    source: Source,
    rules: Rules,
    range_m: npt.ArrayLike,
    motion: Motion | None,
    aid: OpticalAid | None = None,
    growth: Growth = "quadratic",
) -> Array:
    """Return how often the exposure of an eye goes into its limit: over 1 is too much.

    Parameters
    ----------
    source, rules : Source, {"iec2014", "eu2006"}
        The light, and whose limits.
    range_m : array_like, shape (n,)
        From the scanner to the eye [m]; nearer than 0.1 m counts as 0.1 m.
    motion : Motion or None
        How the beam moves; None is a scanner that has stopped.
    aid : OpticalAid or None
        What is before the eye; the naked eye counts where that is worse.
    growth : {"linear", "quadratic"}
        How the beam widens.

    Returns
    -------
    ndarray, shape (n,)
        Exposure over limit, the worst of all rules.
    """
    ranges = np.maximum(np.atleast_1d(np.asarray(range_m, dtype=np.float64)), NEAREST_M)
    aids = (None,) if aid is None else (None, aid)
    worst = [_eye_loads(source, rules, ranges, motion, one, growth)[1].max(axis=0) for one in aids]
    return np.asarray(np.broadcast_to(np.max(worst, axis=0), ranges.shape))


@lru_cache(maxsize=64)
def hazard_distances(source: Source, motion: Motion | None, extinction_per_m: float = 0.0) -> HazardDistances:
    """Return from how far on exposure is within its limit.

    Parameters
    ----------
    source, motion : Source, Motion or None
        The light, and how it moves; None is a scanner that has stopped.
    extinction_per_m : float
        Of the air, for the figure beside [1/m].
    """

    def pair(aid: OpticalAid | None, growth: Growth, extinction: float = 0.0) -> Pair:
        def distance_m(rules: Rules) -> float:
            return farthest_over_m(
                lambda at: exposure_over_limit(source, rules, at, motion, aid, growth) * np.exp(-extinction * at)
            )

        return distance_m(RULES[0]), distance_m(RULES[1])

    naked = pair(None, "quadratic")
    remembered = [_binds_from_memory(source, rules, at, motion) for rules, at in zip(RULES, naked, strict=True)]
    return HazardDistances(
        naked_m=naked,
        aided_m=pair(AID, "quadratic"),
        naked_linear_m=pair(None, "linear"),
        aided_linear_m=pair(AID, "linear"),
        naked_in_air_m=pair(None, "quadratic", extinction_per_m) if extinction_per_m else naked,
        from_memory=(remembered[0], remembered[1]),
    )


def _binds_from_memory(source: Source, rules: Rules, range_m: float, motion: Motion | None) -> bool:
    """Return whether the limit that binds at a range rests on memory of the text."""
    at = np.array([max(range_m, NEAREST_M) if math.isfinite(range_m) else NEAREST_M])
    spans_s, over = _eye_loads(source, rules, at, motion, None, "quadratic")
    return from_memory(source.wavelength_nm, float(spans_s[int(over[:, 0].argmax()), 0]), rules)


def ground_exposure(source: Source, motion: Motion, range_m: npt.ArrayLike) -> GroundExposure:
    """Return exposure over limit at places, from the nearest that the scanner comes to an eye there.

    Ranges are looked up in steps of 1 %, at whichever end of the step is worse.

    Parameters
    ----------
    source, motion : Source, Motion
        The light, and how it is flown.
    range_m : array_like, any shape
        Nearest slant range to an eye at each place [m]; nan where none is known.

    Returns
    -------
    GroundExposure
        Of shape (2, ...); nan where the range is.
    """
    ranges = np.asarray(range_m, dtype=np.float64)
    known = np.isfinite(ranges)
    steps = np.floor(np.log(np.maximum(ranges[known], NEAREST_M)) / np.log(_STEP)).astype(np.int64)
    found, back = np.unique(steps, return_inverse=True)

    def over(moved: Motion | None, aid: OpticalAid | None) -> Array:
        out = np.full((len(RULES), *ranges.shape), np.nan)
        for row, rules in enumerate(RULES):
            near, far = (exposure_over_limit(source, rules, _STEP ** (found + end), moved, aid) for end in (0.0, 1.0))
            out[row][known] = np.maximum(near, far)[back]
        return out

    return GroundExposure(over(motion, None), over(motion, AID), over(None, None), over(None, AID))


def class_1_share(source: Source, motion: Motion | None) -> Pair:
    """Return how often a sensor's emission goes into the limit of class 1, for a naked eye and for a telescope.

    IEC 60825-1:2014 tables 3 and 10, conditions 3 and 1, from memory, over 100 s or as long as `stare_s`; a cross-check
    of what the maker states, and no classification. A naked eye is 0.1 m from a moving beam, and from a beam at rest
    below 1400 nm, else at the exit; a telescope 2 m away.

    Parameters
    ----------
    source, motion : Source, Motion or None
        The light, and how the scanner moves it: speed 0, a class is stated for a sensor on a stand; None is a scanner
        that has stopped.
    """
    nm = source.wavelength_nm
    contact = not is_retinal(nm) and (motion is None or not source.scans)

    def share(away_m: float, collecting_m: float | None, times: float) -> float:
        at = np.array([away_m])

        def collects(spans_s: npt.ArrayLike) -> Array:
            aperture_m = times * limiting_aperture_m(nm, spans_s, "iec2014")
            return aperture_m if collecting_m is None else np.full_like(aperture_m, collecting_m)

        def one(spans_s: Array) -> Array:
            return np.asarray(source.amount * source.beam.share(collects(spans_s), at))

        def limit(spans_s: Array) -> Array:
            return class_1_limit_j(nm, spans_s)

        trains = _trains(source, "iec2014", at, motion, collects(UNINTENDED_S), "quadratic")
        return max(float(loads(train, one, limit, nm, "iec2014").max()) for train in trains)

    naked = share(1e-6 if contact else NEAREST_M, None, 1.0)
    if is_retinal(nm):
        return naked, share(TELESCOPE_AWAY_M, TELESCOPE_M, 1.0)
    return naked, share(TELESCOPE_AWAY_M, None, TELESCOPE_TIMES)
