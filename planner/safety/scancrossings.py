"""A moving beam and one eye: how long a crossing lasts, how many follow, and the train of pulses they make.

Lives here: the longest stay of every pattern's beam on one place, and what of it meets an eye in a flight. Must not
know limits, widths of beams or cards.

A crossing lasts while aperture and beam overlap: (D + w) / (angular speed * range) where the speed is constant. An eye
is taken to be where the beam stays longest: where a mirror turns back, and for a rosette both at its edge, where it is
slow, and in its middle, where it comes back most often. Curved ways count as pi / 2 times the window.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from planner.equipment import CLOSES_TURNS, SOON_TURNS
from planner.ranging.beams import ScanPattern
from planner.safety.exposurelimits import LONGEST_S, Rules, grouping_s
from planner.safety.pulsetrains import SPANS_S, Rule, Train, counted_s, most_pulses

Array = npt.NDArray[np.float64]
Place = Literal["edge", "middle"]

UNSCANNED = ("profiling", "matrix")
"""Patterns whose beam rests: no credit is given for the flight that carries it."""


@dataclass(frozen=True)
class Motion:
    """How beam and aircraft move.

    Attributes
    ----------
    line_rate_hz : float
        Scan lines (turns) per second [Hz], as on the card.
    speed_mps : float
        Ground speed [m/s]; 0 is a hover, in which crossings follow each other as long as an eye is exposed.
    passes : int
        Flights over one place, taken to follow one another at once.
    """

    line_rate_hz: float
    speed_mps: float
    passes: int = 1


@dataclass(frozen=True)
class Crossings:
    """How a moving beam meets one eye at ranges, arrays of shape (n,).

    Attributes
    ----------
    stay_s : ndarray
        Longest that aperture and beam overlap in one crossing [s].
    pulses : ndarray
        Most pulses of one crossing, each taken as centred on the eye; seconds of light without breaks.
    count : ndarray
        Crossings by the same beams, one after another.
    every_hz : ndarray
        How fast they follow [Hz].
    rounds, apart_s : ndarray
        How often such a row of crossings comes, by other beams of a head, and the time between first and last [s].
    """

    stay_s: Array
    pulses: Array
    count: Array
    every_hz: Array
    rounds: Array
    apart_s: Array

    @property
    def row_s(self) -> Array:
        """Time of one row of crossings, from the first light to the last [s]."""
        return np.asarray(np.maximum(self.count - 1, 0) / self.every_hz + self.stay_s)


def worst_places(pattern: ScanPattern) -> tuple[Place, ...]:
    """Return where in a pattern an eye meets most light: at its edge, for a rosette in its middle too."""
    return ("edge", "middle") if pattern.kind == "rosette" else ("edge",)


def crossings_hz(pattern: ScanPattern, window_rad: npt.ArrayLike, place: Place = "edge") -> Array:
    """Return how often a beam comes back to a window at most [Hz], windows [rad] of any shape.

    Once a line or turn; once a swing to and fro where an eye is at the turn. The wedges of a rosette cancel 1 + wedge
    ratio times a turn, each time in its middle, and add up as often, each time elsewhere on its rim: the card refuses
    a rosette that comes within a hundredth of a turn again so soon, which bounds how many fall within a window.
    """
    window, rate = np.asarray(window_rad, dtype=np.float64), pattern.line_rate_hz
    if pattern.kind != "rosette":
        return np.full_like(window, rate / 2 if pattern.swings else rate)
    petals = 1 + pattern.wedge_ratio
    if place == "middle":
        return np.full_like(window, petals * rate)
    apart_rad = 2 * np.pi * CLOSES_TURNS / petals * pattern.optical_half_angle_rad
    return np.asarray(rate * np.minimum((1 + window / apart_rad) / SOON_TURNS, petals))


def longest_stay_s(pattern: ScanPattern, window_rad: npt.ArrayLike, place: Place = "edge") -> Array:
    """Return the longest that a beam stays within a window in one crossing [s].

    Parameters
    ----------
    pattern : ScanPattern
        At one setting of its rates, not one of `UNSCANNED`.
    window_rad : array_like
        Diameter of the window as seen from the scanner [rad]: (aperture + width of the beam) / range.
    place : {"edge", "middle"}
        Where in the pattern, see `worst_places`.
    """
    window, rate, half = np.asarray(window_rad, dtype=np.float64), pattern.line_rate_hz, pattern.optical_half_angle_rad
    whole_s = (2 if pattern.swings else 1) / rate
    if pattern.kind == "oscillating_sine":
        # half cos(pi f t) is within the window of its end for as long as cos is above 1 - window / half
        return np.asarray(2 * np.arccos(1 - np.minimum(window / half, 2.0)) / (np.pi * rate))
    if pattern.kind == "conical":
        stay = np.pi / 2 * window / (2 * np.pi * rate * np.sin(half))
    elif pattern.kind == "rosette":
        each = half / 2 * 2 * np.pi * rate  # angular speed that one wedge gives the beam; the two add up or cancel
        whole_s /= 1 + pattern.wedge_ratio
        fast, slow = each * (1 + pattern.wedge_ratio), each * abs(1 - pattern.wedge_ratio)
        stay = window / fast if place == "middle" else np.pi / 2 * window / slow
    else:
        there_and_back = 2 if pattern.swings else 1
        stay = there_and_back * window / (2 * half * rate)
    return np.asarray(np.minimum(stay, whole_s))


def beams_within(pattern: ScanPattern, window_rad: npt.ArrayLike) -> Array:
    """Return how many beams of a head, at most, lie within a window [rad] along the flight."""
    angles = np.sort(pattern.beam_elevations_rad)
    tightest = [float((angles[many:] - angles[: angles.size - many]).min()) for many in range(angles.size)]
    return np.searchsorted(tightest, np.asarray(window_rad, dtype=np.float64), side="right").astype(np.float64)


def crossings(
    pattern: ScanPattern,
    pulse_rate_hz: float | None,
    motion: Motion,
    range_m: Array,
    aperture_m: float,
    width_m: Array,
    share: Array,
    exposure_s: float,
    place: Place = "edge",
) -> Crossings:
    """Return how a scanned beam meets one eye at ranges [m].

    Pulses of a crossing are bounded twice, and the smaller bound is taken: every pulse whose beam touches the aperture
    counts as centred; or, because a beam is a bundle of rays of which none stays on the aperture longer than a beam
    without width does, one pulse more than the light of those stays.

    Parameters
    ----------
    pattern, pulse_rate_hz, motion : ScanPattern, float or None, Motion
        How the beam goes round, pulses of a second by all beams (None: light without breaks), and the flight.
    range_m, width_m, share : ndarray, shape (n,)
        Range [m], width of the beam there [m], and the share of a centred pulse that goes through the aperture.
    aperture_m : float
        Diameter of the eye's aperture, or of what stands before it [m].
    exposure_s : float
        Longest that an eye is exposed, in a hover [s].
    place : {"edge", "middle"}
        Where in the pattern the eye is, see `worst_places`.
    """
    touched_m = aperture_m + width_m
    window, beams = touched_m / range_m, len(pattern.beam_elevations_rad)
    together, stay = beams_within(pattern, window), longest_stay_s(pattern, window, place)
    pencil = longest_stay_s(pattern, aperture_m / range_m, place) / share
    if pulse_rate_hz is None:
        pulses = np.minimum(stay, pencil)
    else:
        each_hz = pulse_rate_hz / beams
        pulses = together * np.minimum(most_pulses(each_hz, stay), 1 + each_hz * pencil)
    rate, fan = crossings_hz(pattern, window, place), np.zeros_like(range_m)
    count = exposure_s * rate
    if motion.speed_mps > 0:
        passing_s = _passing_m(pattern, range_m, touched_m) / motion.speed_mps
        count = np.minimum(1 + passing_s * rate, count) * motion.passes
        fan = range_m * np.ptp(pattern.beam_elevations_rad) / motion.speed_mps
    rounds = np.where(fan > 0, beams / together, 1.0)
    return Crossings(stay, pulses, np.maximum(count, 1.0), rate, rounds, fan)


def _passing_m(pattern: ScanPattern, range_m: Array, touched_m: Array) -> Array:
    """Return how far a scan that is carried over an eye flies while it goes on touching it [m].

    A ring touches longest beside the track, where it runs along: a chord of 2 sqrt(2 r (D + w)).
    """
    if pattern.kind != "conical":
        return touched_m
    ring_m = range_m * np.sin(pattern.optical_half_angle_rad)
    return np.asarray(2 * np.maximum(touched_m, np.sqrt(2 * ring_m * touched_m)))


def scanned_train(
    met: Crossings, pulse_rate_hz: float | None, pulse_s: float, exposure_s: float, wavelength_nm: float, rules: Rules
) -> Train:
    """Return what an eye meets of a scanned beam, as a train of pulses in crossings.

    For the train rule pulses within the grouping time are one, and so, apart from that, are those of one crossing.

    Parameters
    ----------
    met : Crossings
        At n ranges.
    pulse_rate_hz, pulse_s, exposure_s : float or None, float, float
        Pulses of a second by all beams (None: light without breaks), length of one [s], longest exposure [s].
    wavelength_nm, rules : float, {"iec2014", "eu2006"}
        Laser wavelength [nm], and whose limits it will be held against.
    """
    group_s = max(grouping_s(wavelength_nm, rules), pulse_s)
    ones = np.ones_like(met.stay_s)

    def within(span_s: Array) -> Array:
        """Return the most light within spans: of so many crossings, and no more than is sent."""
        follow = np.minimum(met.count, 1 + np.floor(span_s * met.every_hz))
        return np.asarray(np.minimum(met.pulses * follow, most_pulses(pulse_rate_hz, span_s)))

    row_s, lasts_s = np.minimum(met.row_s, LONGEST_S), np.minimum(met.row_s + met.apart_s, LONGEST_S)
    row, total = met.pulses * met.count, met.pulses * met.count * met.rounds
    grouped = np.minimum(within(group_s * ones), met.pulses)
    follow = met.count * met.rounds
    if rules == "iec2014":  # no longer than T2 is counted, which may hold one row whole and few others
        shorter, longer = (np.minimum(counted_s(exposure_s, rules) / span, 1.0) for span in (row_s, lasts_s))
        follow = np.maximum(met.count * shorter, follow * longer)
    rows: list[tuple[Rule, Array, Array, Array]] = [
        ("average", group_s * ones, within(group_s * ones), ones),
        ("average", met.stay_s, np.minimum(met.pulses, most_pulses(pulse_rate_hz, met.stay_s)), ones),
        *(("average", span * ones, within(span * ones), ones) for span in SPANS_S),
        ("average", row_s, row, ones),
        ("average", lasts_s, total, ones),
        ("train", np.maximum(met.stay_s, group_s), met.pulses, follow),
    ]
    if pulse_rate_hz is not None:
        rows.append(("single", pulse_s * ones, ones, ones))
        span = np.where(grouped > 1, group_s, pulse_s)
        rows.append(("train", span, grouped, follow * met.pulses / grouped))
    names, *numbers = zip(*rows, strict=True)
    spans_s, pulses, groups = (np.array(values) for values in numbers)
    return Train(names, spans_s, pulses, groups, exposure_s)
