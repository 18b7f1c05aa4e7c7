"""The hours of the day in which satellites stand well, the water is right, and it is light.

Lives here: spans of time and their intersection. Must not know flights, files, or how a sky or a tide is found.
"""

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.ground.satellites import Almanac, Lookout, dilution, in_view, positions_m, sky_over
from planner.ground.sun import sun_day
from planner.ground.tides import Tide

Array = npt.NDArray[np.float64]
Times = npt.NDArray[np.datetime64]

STEP_S = 60
"""Time between two looks at the sky: satellites move by half a degree."""

_SECOND = np.timedelta64(1, "s")


@dataclass(frozen=True)
class Span:
    """A span of time: `begins` and `ends` in UTC, datetime64[s], both in it; it ends after it begins."""

    begins: np.datetime64
    ends: np.datetime64

    @property
    def lasts_s(self) -> float:
        """How long it is [s]."""
        return float((self.ends - self.begins) / _SECOND)

    def holds(self, other: "Span") -> bool:
        """Return whether all of another span lies in this one."""
        return bool(self.begins <= other.begins and other.ends <= self.ends)


@dataclass(frozen=True)
class SkyWatch:
    """What satellites give over a day, at the worst of some places at each time; arrays of shape (times,).

    Attributes
    ----------
    utc : ndarray of datetime64[s]
        Times, `STEP_S` apart.
    satellites : ndarray of int64
        Fewest in view.
    pdop : ndarray
        Greatest dilution of precision in position; infinite where a place is not fixed.
    """

    utc: Times
    satellites: npt.NDArray[np.int64]
    pdop: Array


def day_at(date: dt.date, lon_deg: float) -> Span:
    """Return a day from midnight to midnight by the mean sun at a longitude [deg], to the minute."""
    noon = np.datetime64(date, "s") + np.timedelta64(12, "h") - round(lon_deg * 4) * np.timedelta64(1, "m")
    half = np.timedelta64(12 * 3600, "s")
    return Span(noon - half, noon + half)


def sunlit(date: dt.date, lon_deg: float, lat_deg: float) -> Span | None:
    """Return the span from sunrise to sunset at a place [deg]; None where one is lacking."""
    sun = sun_day(np.datetime64(date), lon_deg, lat_deg)
    rises, sets = np.datetime64(sun.sunrise.item(), "s"), np.datetime64(sun.sunset.item(), "s")
    return None if np.isnat(rises) or np.isnat(sets) else Span(rises, sets)


def watch_sky(almanac: Almanac, day: Span, lookouts: Sequence[Lookout], mask_deg: float) -> SkyWatch:
    """Return what satellites give over a day, at the worst of some places.

    Parameters
    ----------
    almanac : Almanac
        Orbits.
    day : Span
        From when to when.
    lookouts : sequence of Lookout
        Places that must all be served, at least one.
    mask_deg : float
        Least elevation [deg]; the horizon of a place counts where it is higher.
    """
    utc = day.begins + np.arange(0, int(day.lasts_s) + 1, STEP_S) * _SECOND
    positions = positions_m(almanac, utc)
    counts, pdops = [], []
    for lookout in lookouts:
        sky = sky_over(positions, lookout)
        used = in_view(sky, float(np.radians(mask_deg)), lookout.horizon)
        counts.append(used.sum(axis=1))
        pdops.append(dilution(sky, used).position)
    return SkyWatch(utc, np.min(counts, axis=0).astype(np.int64), np.max(pdops, axis=0))


def satellite_spans(watch: SkyWatch, satellites_least: int, pdop_most: float) -> tuple[Span, ...]:
    """Return when enough satellites are in view and PDOP is low enough.

    A span goes from the first good look to the last one in a row; what happens between two good looks is not looked at.
    """
    good = (watch.satellites >= satellites_least) & (watch.pdop <= pdop_most)
    edges = np.diff(np.concatenate([[False], good, [False]]).astype(np.int8))
    begins, ends = watch.utc[np.flatnonzero(edges == 1)], watch.utc[np.flatnonzero(edges == -1) - 1]
    return tuple(Span(first, last) for first, last in zip(begins, ends, strict=True) if first < last)


def tide_spans(tide: Tide, day: Span, least_m: float | None, most_m: float | None) -> tuple[Span, ...]:
    """Return when the water lies within limits on a day, to the second inward; none where the table says nothing.

    Parameters
    ----------
    tide : Tide
        Levels.
    day : Span
        From when to when.
    least_m, most_m : float or None
        Limits, above the datum of the table [m].
    """
    whole = [(math.ceil(first), math.floor(last)) for first, last in tide.within(least_m, most_m)]
    spans = [Span(tide.utc[0] + first * _SECOND, tide.utc[0] + last * _SECOND) for first, last in whole if first < last]
    return common_spans(spans, [day])


def common_spans(*windows: Sequence[Span]) -> tuple[Span, ...]:
    """Return the spans that lie in one of each of several windows, whose spans grow and are apart."""
    common = tuple(windows[0])
    for window in windows[1:]:
        pairs = [(max(a.begins, b.begins), min(a.ends, b.ends)) for a in common for b in window]
        common = tuple(Span(*pair) for pair in pairs if pair[0] < pair[1])
    return common


def holding_span(spans: Sequence[Span], start: np.datetime64, lasts_s: float) -> Span | None:
    """Return when a job could be flown whole: the first chance from a start on, else the first of all, else None.

    It begins on a whole minute.

    Parameters
    ----------
    spans : sequence of Span
        Windows, growing.
    start : datetime64
        Time from which on it is looked for first, UTC.
    lasts_s : float
        How long the job takes [s].
    """
    lasts, minute = math.ceil(lasts_s) * _SECOND, np.timedelta64(60, "s")
    for earliest in (start, *(span.begins for span in spans[:1])):
        for span in spans:
            begins = max(span.begins, earliest)
            begins += (np.datetime64(0, "s") - begins) % minute
            if begins + lasts <= span.ends:
                return Span(begins, begins + lasts)
    return None
