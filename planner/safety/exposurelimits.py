"""How much laser light an eye or skin may meet, by two sets of rules.

Lives here: exposure limits, class 1 limits, correction factors, grouping times and apertures, 400 to 4000 nm. Must not
know sensors, trains of pulses or distances.

Two sets stand side by side, and the stricter counts. ``"iec2014"``: IEC 60825-1:2014 (edition 3), tables 2, 3, 9, 10,
A.1, with the guidelines of ICNIRP, Health Physics 105(3):271-295 (2013). None of its text was at hand: all of it rests
on memory. ``"eu2006"``: Directive 2006/25/EC, annex II, tables 2.2 to 2.6, with ICNIRP 1996 and 2000: read in the
law's text, but for the rows that are marked. What rests on memory says so in its row, see `from_memory`.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Rules = Literal["iec2014", "eu2006"]

RULES: tuple[Rules, Rules] = ("iec2014", "eu2006")
RULE_NAMES: dict[Rules, str] = {"iec2014": "IEC 60825-1:2014", "eu2006": "Directive 2006/25/EC"}

SMALL_SOURCE_MRAD = 1.5
"""What an eye sees smaller than this counts as a point; taken for every rangefinder, which is on the safe side."""
AVERSION_S, UNINTENDED_S, INTENDED_S = 0.25, 100.0, 3e4
"""Time bases: visible light one turns from, light nobody means to look into, light looked into on purpose (IEC
60825-1:2014, 4.3 e, from memory)."""
SHORTEST_S, LONGEST_S = 1e-11, INTENDED_S
SKIN_APERTURE_M = 3.5e-3


@dataclass(frozen=True)
class Row:
    """One row of a table of limits: coefficient * t^exponent * factors, in J/m2 or J.

    Attributes
    ----------
    from_nm, to_nm : float
        Wavelengths it holds for, the upper end left out [nm].
    from_s, to_s : float
        Durations it holds for, the lower end left out [s].
    coefficient, exponent : float
        Of the power law of time; exponent 1 where the table limits irradiance or power.
    factors : str
        Numbers of the correction factors C that multiply it, for example ``"47"``.
    from_memory : bool
        Whether it rests on memory of the text.
    """

    from_nm: float
    to_nm: float
    from_s: float
    to_s: float
    coefficient: float
    exponent: float = 0.0
    factors: str = ""
    from_memory: bool = True


# A nanosecond itself belongs to the row above it, as published examples take it; any other joint to the row below.
_BELOW_NS = math.nextafter(1e-9, 0.0)

_VISIBLE_LONG = (
    Row(400, 700, 10, 3e4, 10, 1),
    Row(400, 600, 10, 100, 100, 0, "3"),
    Row(400, 600, 100, 3e4, 1, 1, "3"),
)
_NEAR_LONG = (Row(700, 1400, 10, 3e4, 10, 1, "47"),)
_BEYOND_1400 = (
    Row(1400, 1500, 1e-11, _BELOW_NS, 1e12, 1, "", False),
    Row(1400, 1500, _BELOW_NS, 1e-3, 1e3, 0, "", False),
    Row(1400, 1500, 1e-3, 10, 5600, 0.25, "", False),
    Row(1500, 1800, 1e-11, _BELOW_NS, 1e13, 1, "", False),
    Row(1500, 1800, _BELOW_NS, 10, 1e4, 0, "", False),
    Row(1800, 2600, 1e-11, _BELOW_NS, 1e12, 1, "", False),
    Row(1800, 2600, _BELOW_NS, 1e-3, 1e3, 0, "", False),
    Row(1800, 2600, 1e-3, 10, 5600, 0.25, "", False),
    Row(2600, 4001, 1e-11, _BELOW_NS, 1e11, 1),
    Row(2600, 4001, _BELOW_NS, 1e-7, 100, 0, "", False),
    Row(2600, 4001, 1e-7, 10, 5600, 0.25, "", False),
    Row(1400, 4001, 10, 3e4, 1000, 1),
)

_EYE: dict[Rules, tuple[Row, ...]] = {
    "eu2006": (
        Row(400, 700, 1e-11, _BELOW_NS, 2.7e4, 0.75, "6"),
        Row(400, 700, _BELOW_NS, 1.8e-5, 5e-3, 0, "6", False),
        Row(400, 700, 1.8e-5, 10, 18, 0.75, "6", False),
        Row(700, 1050, 1e-11, _BELOW_NS, 2.7e4, 0.75, "46", False),
        Row(700, 1050, _BELOW_NS, 1.8e-5, 5e-3, 0, "46", False),
        Row(700, 1050, 1.8e-5, 10, 18, 0.75, "46", False),
        Row(1050, 1400, 1e-11, _BELOW_NS, 2.7e5, 0.75, "67", False),
        Row(1050, 1400, _BELOW_NS, 5e-5, 5e-2, 0, "67", False),
        Row(1050, 1400, 5e-5, 10, 90, 0.75, "67", False),
        *_VISIBLE_LONG,
        *_NEAR_LONG,
        *_BEYOND_1400,
    ),
    "iec2014": (
        Row(400, 700, 1e-11, 5e-6, 2e-3, 0, "6"),
        Row(400, 700, 5e-6, 10, 18, 0.75, "6"),
        Row(700, 1050, 1e-11, 5e-6, 2e-3, 0, "46"),
        Row(700, 1050, 5e-6, 10, 18, 0.75, "46"),
        Row(1050, 1400, 1e-11, 1.3e-5, 2e-2, 0, "67"),
        Row(1050, 1400, 1.3e-5, 10, 90, 0.75, "67"),
        *_VISIBLE_LONG,
        *_NEAR_LONG,
        *_BEYOND_1400,
    ),
}

_SKIN = (
    Row(400, 1400, 1e-11, _BELOW_NS, 2e11, 1, "4"),
    Row(400, 1400, _BELOW_NS, 1e-7, 200, 0, "4", False),
    Row(400, 1400, 1e-7, 10, 1.1e4, 0.25, "4", False),
    Row(400, 1400, 10, 3e4, 2e3, 1, "4", False),
    *_BEYOND_1400,
)

_CLASS_1 = (
    Row(400, 700, 1e-11, 5e-6, 7.7e-8),
    Row(400, 700, 5e-6, 10, 7e-4, 0.75),
    Row(400, 700, 10, 3e4, 3.9e-4, 1),
    Row(400, 600, 10, 100, 3.9e-3, 0, "3"),
    Row(400, 600, 100, 3e4, 3.9e-5, 1, "3"),
    Row(700, 1050, 1e-11, 5e-6, 7.7e-8, 0, "4"),
    Row(700, 1050, 5e-6, 10, 7e-4, 0.75, "4"),
    Row(1050, 1400, 1e-11, 1.3e-5, 7.7e-7, 0, "7"),
    Row(1050, 1400, 1.3e-5, 10, 3.5e-3, 0.75, "7"),
    Row(700, 1400, 10, 3e4, 3.9e-4, 1, "47"),
    *(
        row
        for low, high in ((1400, 1500), (1800, 2600))
        for row in (
            Row(low, high, 1e-11, _BELOW_NS, 8e5, 1),
            Row(low, high, _BELOW_NS, 1e-3, 8e-4),
            Row(low, high, 1e-3, 0.35, 4.4e-3, 0.25),
            Row(low, high, 0.35, 10, 1e-2, 1),
        )
    ),
    Row(1500, 1800, 1e-11, _BELOW_NS, 8e6, 1),
    Row(1500, 1800, _BELOW_NS, 0.35, 8e-3),
    Row(1500, 1800, 0.35, 10, 1.8e-2, 0.75),
    Row(2600, 4001, 1e-11, _BELOW_NS, 8e4, 1),
    Row(2600, 4001, _BELOW_NS, 1e-7, 8e-5),
    Row(2600, 4001, 1e-7, 0.35, 4.4e-3, 0.25),
    Row(2600, 4001, 0.35, 10, 1e-2, 1),
    Row(1400, 4001, 10, 3e4, 1e-2, 1),
)


def refuse_wavelength(wavelength_nm: float) -> None:
    """Refuse a wavelength no table here holds.

    Raises
    ------
    ValueError
        Outside 400 to 4000 nm.
    """
    if not 400 <= wavelength_nm <= 4000:
        msg = f"no exposure limit here for {wavelength_nm:g} nm: tables hold 400 to 4000 nm"
        raise ValueError(msg)


def is_retinal(wavelength_nm: float) -> bool:
    """Return whether light reaches the retina, focused: below 1400 nm."""
    return wavelength_nm < 1400


def c3(wavelength_nm: float) -> float:
    """Return C3 of light that bleaches: 1 to 450 nm, 10^(0.02 (wavelength - 450)) to 600 nm; from memory."""
    return 10 ** (0.02 * max(wavelength_nm - 450, 0.0))


def c4(wavelength_nm: float) -> float:
    """Return C4, CA in the directive: 1 to 700 nm, 10^(0.002 (wavelength - 700)) to 1050 nm, then 5."""
    return 5.0 if wavelength_nm >= 1050 else 10 ** (0.002 * max(wavelength_nm - 700, 0.0))


def c6(source_mrad: float, duration_s: npt.ArrayLike, rules: Rules) -> Array:
    """Return C6, CE in the directive, of a source that an eye sees under an angle [mrad] for some time [s].

    1 to 1.5 mrad, then a / 1.5. The directive goes on with a^2 / (1.5 * 100) over 100 mrad. IEC stops at the largest
    angle for the time: 5 mrad below 625 us, 200 sqrt(t) mrad to 0.25 s, then 100 mrad (from memory).
    """
    duration = np.asarray(duration_s, dtype=np.float64)
    if rules == "eu2006":
        factor = np.maximum(source_mrad, SMALL_SOURCE_MRAD) / SMALL_SOURCE_MRAD * max(source_mrad / 100, 1.0)
        return np.full_like(duration, factor)
    return np.asarray(
        np.minimum(max(source_mrad, SMALL_SOURCE_MRAD), largest_source_mrad(duration)) / SMALL_SOURCE_MRAD
    )


def largest_source_mrad(duration_s: npt.ArrayLike) -> Array:
    """Return the largest angle that counts for a time [s] by IEC 60825-1:2014 [mrad]; from memory."""
    return np.asarray(np.clip(200 * np.sqrt(np.asarray(duration_s, dtype=np.float64)), 5, 100))


def c7(wavelength_nm: float, rules: Rules) -> float:
    """Return C7, CC in the directive: 1 to 1150 nm, 10^(0.018 (wavelength - 1150)) to 1200 nm, then as the rules say.

    8 by the directive; 8 + 10^(0.04 (wavelength - 1250)) by IEC (from memory).
    """
    if wavelength_nm < 1200:
        return 10 ** (0.018 * max(wavelength_nm - 1150, 0.0))
    return 8.0 if rules == "eu2006" else 8 + 10 ** (0.04 * (wavelength_nm - 1250))


def t2_s(source_mrad: float = SMALL_SOURCE_MRAD) -> float:
    """Return T2, past which an eye's own motion shares light out [s]: 10 s for a point, 100 s from 100 mrad on."""
    return 10 * 10 ** ((min(max(source_mrad, SMALL_SOURCE_MRAD), 100.0) - SMALL_SOURCE_MRAD) / 98.5)


def grouping_s(wavelength_nm: float, rules: Rules) -> float:
    """Return the time within which pulses count as one [s]: Ti (IEC, from memory), Tmin (directive, table 2.6).

    Raises
    ------
    ValueError
        Outside 400 to 4000 nm.
    """
    refuse_wavelength(wavelength_nm)
    if wavelength_nm < 1050:
        return 1.8e-5 if rules == "eu2006" else 5e-6
    if wavelength_nm < 1400:
        return 5e-5 if rules == "eu2006" else 1.3e-5
    if 1500 <= wavelength_nm < 1800:
        return 10.0
    return 1e-3 if wavelength_nm < 2600 else 1e-7


def limiting_aperture_m(wavelength_nm: float, duration_s: npt.ArrayLike, rules: Rules) -> Array:
    """Return the diameter over which exposure of an eye is averaged [m].

    7 mm below 1400 nm. Above, 1 mm to 0.3 s (directive) or 0.35 s (IEC, from memory), 1.5 t^0.375 mm to 10 s, then
    3.5 mm (from memory).

    Raises
    ------
    ValueError
        Outside 400 to 4000 nm.
    """
    refuse_wavelength(wavelength_nm)
    duration = np.asarray(duration_s, dtype=np.float64)
    if is_retinal(wavelength_nm):
        return np.full_like(duration, 7e-3)
    short = 0.3 if rules == "eu2006" else 0.35
    return np.select([duration <= short, duration < 10], [1e-3, 1.5e-3 * duration**0.375], 3.5e-3)


def eye_limit_j_m2(
    wavelength_nm: float, duration_s: npt.ArrayLike, rules: Rules, source_mrad: float = SMALL_SOURCE_MRAD
) -> Array:
    """Return the most radiant exposure that an eye may meet within a time, averaged over `limiting_aperture_m` [J/m2].

    The front of the eye may meet no more than skin may, which binds where C7 is large (1310 to 1400 nm, IEC). Of two
    limits the smaller holds.

    Parameters
    ----------
    wavelength_nm : float
        Laser wavelength [nm], 400 to 4000.
    duration_s : array_like
        Duration of a pulse, or of an exposure whose light adds up [s], 1e-11 to 3e4.
    rules : {"iec2014", "eu2006"}
        Whose limits.
    source_mrad : float
        Angle under which the source is seen [mrad]; past 10 s a point is taken whatever it is.

    Returns
    -------
    ndarray
        The limit [J/m2]: irradiance limits times the duration.

    Raises
    ------
    ValueError
        Where wavelength or duration lie outside the tables.
    """
    factors = _factors(wavelength_nm, rules)
    size = c6(source_mrad, duration_s, rules)
    retinal = _limit(_EYE[rules], wavelength_nm, duration_s, factors, size)
    return np.minimum(retinal, skin_limit_j_m2(wavelength_nm, duration_s))


def skin_limit_j_m2(wavelength_nm: float, duration_s: npt.ArrayLike) -> Array:
    """Return the most radiant exposure of skin within a time, averaged over 3.5 mm [J/m2]; both sets of rules.

    Raises
    ------
    ValueError
        Where wavelength or duration lie outside the tables.
    """
    return _limit(_SKIN, wavelength_nm, duration_s, _factors(wavelength_nm, "eu2006"), 1.0)


def class_1_limit_j(wavelength_nm: float, duration_s: npt.ArrayLike) -> Array:
    """Return the accessible emission limit of class 1 within a time [J], IEC 60825-1:2014 table 3, from memory.

    A point source. Where C7 is large (1310 to 1400 nm) no more than skin may meet over 3.5 mm is let pass, which is
    stricter than the standard's own bound there.

    Raises
    ------
    ValueError
        Where wavelength or duration lie outside the tables.
    """
    limit = _limit(_CLASS_1, wavelength_nm, duration_s, _factors(wavelength_nm, "iec2014"), 1.0)
    if not 1250 <= wavelength_nm < 1400:
        return limit
    return np.minimum(limit, skin_limit_j_m2(wavelength_nm, duration_s) * np.pi / 4 * SKIN_APERTURE_M**2)


def from_memory(wavelength_nm: float, duration_s: float, rules: Rules) -> bool:
    """Return whether an eye limit rests on memory of the text, and not on the text as read.

    All of IEC 60825-1:2014 does; of the directive, what holds past 10 s and a few rows beside.

    Raises
    ------
    ValueError
        Where wavelength or duration lie outside the tables.
    """
    _refuse(wavelength_nm, np.asarray(duration_s))
    rows = [row for row in _EYE[rules] if row.from_nm <= wavelength_nm < row.to_nm]
    holds = [row.from_memory for row in rows if _holds(row, np.asarray(duration_s))]
    return rules == "iec2014" or any(holds)


def _factors(wavelength_nm: float, rules: Rules) -> dict[str, float]:
    return {"3": c3(wavelength_nm), "4": c4(wavelength_nm), "7": c7(wavelength_nm, rules)}


def _holds(row: Row, duration_s: Array) -> npt.NDArray[np.bool_]:
    """Return where a row holds; the shortest duration of all belongs to the first."""
    at_most = duration_s <= row.to_s
    return np.asarray(at_most & ((duration_s > row.from_s) | (row.from_s <= SHORTEST_S)))


def _limit(
    rows: tuple[Row, ...],
    wavelength_nm: float,
    duration_s: npt.ArrayLike,
    factors: dict[str, float],
    size: Array | float,
) -> Array:
    """Return the least of all rows that hold; `size` stands for C6."""
    duration = np.asarray(duration_s, dtype=np.float64)
    _refuse(wavelength_nm, duration)
    least = np.full(duration.shape, np.inf)
    for row in rows:
        if row.from_nm <= wavelength_nm < row.to_nm:
            factor = math.prod(factors[name] for name in row.factors if name != "6")
            limit = row.coefficient * duration**row.exponent * factor * (size if "6" in row.factors else 1.0)
            least = np.where(_holds(row, duration), np.minimum(least, limit), least)
    return least


def _refuse(wavelength_nm: float, duration_s: Array) -> None:
    refuse_wavelength(wavelength_nm)
    if not ((duration_s >= SHORTEST_S * (1 - 1e-9)) & (duration_s <= LONGEST_S * (1 + 1e-9))).all():
        msg = f"no exposure limit here for {np.ravel(duration_s)[0]:g} s and the like: tables hold 1e-11 to 3e4 s"
        raise ValueError(msg)
