"""Many pulses into one eye: each alone, all of them together, and the rule for trains.

Lives here: what light of a train falls within spans of time, and the rules that hold it against limits. Must not know
beams, distances or sensors.

Amounts are counted in pulses; of light without a break, in seconds of it. Within any span a periodic train has at most
the whole number of pulses next above rate times span: whole pulses count, which is stricter than a mean.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from planner.safety.exposurelimits import (
    AVERSION_S,
    SMALL_SOURCE_MRAD,
    Rules,
    eye_limit_j_m2,
    grouping_s,
    is_retinal,
    largest_source_mrad,
    t2_s,
)

Array = npt.NDArray[np.float64]
Rule = Literal["single", "average", "train"]

SPANS_S = (1e-3, 0.25, 0.3, 0.35, 10.0)
"""Spans within which all light is added up, beside the shortest and the longest: where limits or apertures bend. In
between the sum over the limit has no peak, because limits are powers of time below 1."""


@dataclass(frozen=True)
class Train:
    """What of a train meets one eye: row by row a span of time, and the light within it.

    Attributes
    ----------
    rules : tuple of str
        Rule of each row: ``"single"``, ``"average"`` or ``"train"``.
    spans_s : ndarray, shape (rows, n)
        Spans of time [s], for n places of the eye.
    pulses : ndarray, shape (rows, n)
        Most pulses within any such span; seconds of light where it has no breaks.
    groups : ndarray, shape (rows, n)
        For ``"train"``: how many such spans make up the exposure; else 1.
    exposure_s : float
        Longest that an eye is exposed [s].
    """

    rules: tuple[Rule, ...]
    spans_s: Array
    pulses: Array
    groups: Array
    exposure_s: float


@dataclass(frozen=True)
class PulseLimits:
    """Limits of radiant exposure for each pulse of a train [J/m2], rule by rule; inf where a rule says nothing."""

    single_j_m2: float
    average_j_m2: float
    train_j_m2: float

    @property
    def counted_j_m2(self) -> float:
        """The strictest of the three."""
        return min(self.single_j_m2, self.average_j_m2, self.train_j_m2)


def most_pulses(pulse_rate_hz: float | None, span_s: npt.ArrayLike) -> Array:
    """Return the most pulses that any span [s] holds, at least 1; seconds of light where there is no pulse rate."""
    span = np.asarray(span_s, dtype=np.float64)
    if pulse_rate_hz is None:
        return span
    return np.maximum(np.ceil(pulse_rate_hz * span * (1 - 1e-12)), 1.0)


def steady_train(
    pulse_rate_hz: float | None,
    pulse_s: float,
    exposure_s: float,
    wavelength_nm: float,
    rules: Rules,
    beams: npt.ArrayLike = 1.0,
) -> Train:
    """Return what an eye meets that looks into a beam at rest.

    Parameters
    ----------
    pulse_rate_hz : float or None
        Pulses per second of each beam; None for light without breaks.
    pulse_s : float
        Length of a pulse [s].
    exposure_s : float
        How long [s].
    wavelength_nm, rules : float, {"iec2014", "eu2006"}
        Laser wavelength [nm], and whose limits it will be held against.
    beams : array_like, shape (n,)
        Beams that enter an eye together, place by place; their pulses may fall close together.

    Returns
    -------
    Train
        Of n places.
    """
    many = np.atleast_1d(np.asarray(beams, dtype=np.float64))
    ones = np.ones_like(many)
    group_s = min(max(grouping_s(wavelength_nm, rules), pulse_s), exposure_s)
    spans = sorted({min(span, exposure_s) for span in (group_s, *SPANS_S, exposure_s)})
    rows: list[tuple[Rule, Array, Array, Array]] = [
        ("average", span * ones, most_pulses(pulse_rate_hz, span) * many, ones) for span in spans
    ]
    if pulse_rate_hz is not None:
        rows.append(("single", pulse_s * ones, ones, ones))
        together = most_pulses(pulse_rate_hz, group_s) * many
        groups = most_pulses(pulse_rate_hz, counted_s(exposure_s, rules)) * many / together
        rows.append(("train", np.where(together > 1, group_s, pulse_s), together, groups))
    names, *numbers = zip(*rows, strict=True)
    spans_s, pulses, groups_of = (np.array(values) for values in numbers)
    return Train(names, spans_s, pulses, groups_of, exposure_s)


def counted_s(exposure_s: float, rules: Rules, source_mrad: float = SMALL_SOURCE_MRAD) -> float:
    """Return the time in which the pulses of a train are counted [s].

    The whole exposure by the directive, not more than T2 by IEC 60825-1:2014 (from memory).
    """
    return exposure_s if rules == "eu2006" else min(exposure_s, t2_s(source_mrad))


def train_factor(
    count: npt.ArrayLike,
    span_s: npt.ArrayLike,
    exposure_s: float,
    wavelength_nm: float,
    rules: Rules,
    source_mrad: float = SMALL_SOURCE_MRAD,
) -> Array:
    """Return the factor that lowers the limit of one pulse for the train it is part of, 0 to 1.

    The directive: Cp = N^-0.25. IEC 60825-1:2014, 4.3 f (from memory), C5: pulses not longer than Ti keep 1 to 0.25 s
    and to 600 pulses, then 5 N^-0.25, at least 0.4. Longer ones keep 1 to 5 mrad; N^-0.25 to the largest angle, at
    least 0.4; above it at least 0.2, and 1 over 100 mrad. Past 1400 nm there is no such rule.

    Parameters
    ----------
    count : array_like
        Pulses of the train, those within one grouping time as one; see `counted_s`.
    span_s : array_like
        Length of such a pulse [s].
    exposure_s : float
        Longest that an eye is exposed [s].
    wavelength_nm, rules, source_mrad : float, {"iec2014", "eu2006"}, float
        Laser wavelength [nm], whose rule, and the angle under which the source is seen [mrad].
    """
    number, span = np.broadcast_arrays(np.maximum(np.asarray(count, dtype=np.float64), 1.0), span_s)
    if not is_retinal(wavelength_nm):
        return np.ones_like(number)
    falling = number**-0.25
    if rules == "eu2006":
        return np.asarray(falling)
    short = np.ones_like(number)
    if exposure_s > AVERSION_S:
        short = np.where(number <= 600, 1.0, np.clip(5 * falling, 0.4, 1.0))
    largest = float(largest_source_mrad(exposure_s))
    long = np.ones_like(number)
    if 5 < source_mrad <= 100:
        long = np.maximum(falling, 0.4 if source_mrad <= largest else 0.2)
    return np.asarray(np.where(span <= grouping_s(wavelength_nm, rules), short, long))


def loads(
    train: Train,
    one: Callable[[Array], Array],
    limit: Callable[[Array], Array],
    wavelength_nm: float,
    rules: Rules,
) -> Array:
    """Return how often each row of a train goes into its limit: over 1 is too much.

    Parameters
    ----------
    train : Train
        What meets the eye.
    one : callable
        What one pulse (one second) brings, for spans of shape (rows, n), because apertures go with time.
    limit : callable
        The limit for spans, in the same unit.
    wavelength_nm, rules : float, {"iec2014", "eu2006"}
        Laser wavelength [nm] and whose rule for trains.

    Returns
    -------
    ndarray, shape (rows, n)
        Light over limit.
    """
    factor = np.ones_like(train.pulses)
    for row, rule in enumerate(train.rules):
        if rule == "train":
            factor[row] = train_factor(train.groups[row], train.spans_s[row], train.exposure_s, wavelength_nm, rules)
    return np.asarray(train.pulses * one(train.spans_s) / (limit(train.spans_s) * factor))


def pulse_limits(
    pulse_rate_hz: float,
    pulse_s: float,
    exposure_s: float,
    wavelength_nm: float,
    rules: Rules,
    limit: Callable[[Array], Array] | None = None,
) -> PulseLimits:
    """Return what each pulse of a steady train may bring, rule by rule.

    Parameters
    ----------
    pulse_rate_hz, pulse_s, exposure_s : float
        Pulses per second, length of one [s], and how long an eye is exposed [s].
    wavelength_nm, rules : float, {"iec2014", "eu2006"}
        Laser wavelength [nm], and whose limits.
    limit : callable or None
        Limit for spans of time; None takes `eye_limit_j_m2`, a class limit makes the result energies [J].

    Returns
    -------
    PulseLimits
        The limits, for wide beams: apertures of any span are taken as evenly lit.
    """

    def eye(spans: Array) -> Array:
        return eye_limit_j_m2(wavelength_nm, spans, rules)

    train = steady_train(pulse_rate_hz, pulse_s, exposure_s, wavelength_nm, rules)
    per_pulse = 1 / loads(train, np.ones_like, limit or eye, wavelength_nm, rules)[:, 0]

    def least(rule: Rule) -> float:
        return min(float(value) for name, value in zip(train.rules, per_pulse, strict=True) if name == rule)

    single, average, trained = least("single"), least("average"), least("train")
    return PulseLimits(single, average, trained if is_retinal(wavelength_nm) else np.inf)
