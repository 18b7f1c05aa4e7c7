"""The level of the water by time, from a table of readings or of high and low waters.

Lives here: the curve between what a table says, and when it lies within limits. Must not know files, flights or datums.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Times = npt.NDArray[np.datetime64]


@dataclass(frozen=True)
class Tide:
    """Levels of the water, as a curve.

    Attributes
    ----------
    utc : ndarray of datetime64[s], shape (n,)
        Times of the table, growing; n at least 2.
    level_m : ndarray, shape (n,)
        Levels then, above `datum` [m].
    extremes : bool
        True where these are high and low waters in turn: between two of them the level follows half a cosine (common
        practice, no source). False where they are readings: between two of them it follows a straight line.
    datum : str or None
        What the levels are above, as the table names it.
    cautions : tuple of str
        What the reader of the table must be told.
    """

    utc: Times
    level_m: Array
    extremes: bool
    datum: str | None = None
    cautions: tuple[str, ...] = ()

    def at(self, utc: npt.ArrayLike) -> Array:
        """Return the level [m] at times in UTC, any shape; nan outside the table."""
        return self._at_s(_seconds(np.asarray(utc, dtype="datetime64[ms]"), self.utc[0]))

    def within(self, least_m: float | None, most_m: float | None) -> Array:
        """Return when the level is within limits: begins and ends [s] after the first time of the table.

        Parameters
        ----------
        least_m, most_m : float or None
            Limits, themselves allowed [m]; None sets none.

        Returns
        -------
        ndarray, shape (spans, 2)
            Growing and apart. A level that only touches a limit for a moment makes no span.
        """
        known = _seconds(self.utc, self.utc[0])
        crossings = [self._crossings_s(limit) for limit in (least_m, most_m) if limit is not None]
        cuts = np.unique(np.concatenate([known, *crossings]))
        middle = self._at_s((cuts[:-1] + cuts[1:]) / 2)
        low, high = -np.inf if least_m is None else least_m, np.inf if most_m is None else most_m
        inside = np.concatenate([[False], (middle >= low) & (middle <= high), [False]])
        begins = cuts[np.flatnonzero(~inside[:-1] & inside[1:])]
        ends = cuts[np.flatnonzero(inside[:-1] & ~inside[1:])]
        return np.column_stack([begins, ends])

    def _at_s(self, seconds: Array) -> Array:
        known = _seconds(self.utc, self.utc[0])
        piece = np.clip(np.searchsorted(known, seconds, side="right") - 1, 0, len(known) - 2)
        share = (seconds - known[piece]) / (known[piece + 1] - known[piece])
        rise = (1 - np.cos(np.pi * share)) / 2 if self.extremes else share
        level = self.level_m[piece] + rise * (self.level_m[piece + 1] - self.level_m[piece])
        return np.asarray(np.where((seconds >= 0) & (seconds <= known[-1]), level, np.nan))

    def _crossings_s(self, limit_m: float) -> Array:
        """Return when the level is at a limit [s], at most once a piece: each rises or falls all the way."""
        known = _seconds(self.utc, self.utc[0])
        first, last = self.level_m[:-1], self.level_m[1:]
        crosses = (first - limit_m) * (last - limit_m) < 0
        rise = (limit_m - first[crosses]) / (last - first)[crosses]
        share = np.arccos(1 - 2 * rise) / np.pi if self.extremes else rise
        return np.asarray(known[:-1][crosses] + share * np.diff(known)[crosses])


def _seconds(utc: Times, start: np.datetime64) -> Array:
    return np.asarray((utc - start) / np.timedelta64(1, "s"))
