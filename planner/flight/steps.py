"""Constant heights in steps: tracks cut where their relief is too large for one height, neighbours that share one.

Lives here: the fewest parts of a track, and the fewest blocks of neighbouring parts, that hold a band of heights above
ground. Must not know flight lines, missions or terrain grids.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]

BAND = 0.2
"""Height above ground stays within this share of the nominal one, above or below: common practice, no source."""
MOST_CUTS = 40
"""Stations of a track at which a cut is tried, evenly spread where there are more, and then all near those chosen."""
CEILING_WEIGHT = 4.0
"""Times that a metre flown over the ceiling weighs a metre kept from beyond the band."""

_ORDERED = 1e-3  # of a part: among equally many parts those with the least relief are taken


@dataclass(frozen=True)
class Steps:
    """What the parts of a track keep to.

    Attributes
    ----------
    nominal_agl_m : float
        Middle of the band of heights above ground [m].
    least_agl_m : float
        Least height above ground where data are kept, whatever the band says [m].
    ceiling_agl_m : float
        Greatest height above ground [m]; below the nominal one it is left out of account.
    overlap_m : float
        How far data are kept past a cut, on both sides of it [m].
    shortest_m : float
        Least distance between two cuts [m].
    run_out_m : float
        How far straight flight goes on past the lead beside a cut, and begins before it [m].
    """

    nominal_agl_m: float
    least_agl_m: float
    ceiling_agl_m: float
    overlap_m: float
    shortest_m: float
    run_out_m: float = 0.0

    @property
    def band_m(self) -> tuple[float, float]:
        """Least and greatest height above ground that parts keep to where they can [m]."""
        low, high = (1 - BAND) * self.nominal_agl_m, (1 + BAND) * self.nominal_agl_m
        return max(low, self.least_agl_m), max(min(high, self.ceiling_agl_m), self.nominal_agl_m)


@dataclass(frozen=True)
class Relief:
    """The ground under a track, and what it must stay above, interval by interval between stations.

    Attributes
    ----------
    along_m : ndarray, shape (n + 1,)
        Stations along the heading, growing [m]; the first and last end the leads.
    low_m, high_m : ndarray, shape (n,)
        Lowest and highest ground in each interval [m].
    floor_m : ndarray, shape (n,)
        Least height that keeps the clearance all over each interval [m].
    lead_m : float
        Straight flight before and after data are kept [m].
    """

    along_m: Array
    low_m: Array
    high_m: Array
    floor_m: Array
    lead_m: float


@dataclass(frozen=True)
class Part:
    """A part of a track that keeps one height.

    Attributes
    ----------
    core_m : (float, float)
        From cut to cut along the heading; data are kept past both by the overlap [m].
    least_m, most_m : float
        Heights that keep clearance and band [m]. Where none do, those that keep the clearance and hold the band above
        the highest ground, or the least that keeps the clearance.
    middle_m : float
        Height at which the highest and the lowest ground are as far from the middle of the band; the least where there
        is none that holds it [m].
    below_m : float
        Height that keeps the ceiling, leads included [m].
    """

    core_m: tuple[float, float]
    least_m: float
    most_m: float
    middle_m: float
    below_m: float


def parts_of(relief: Relief, steps: Steps) -> tuple[Part, ...]:
    """Return the fewest parts of a track that hold the band, those with the least relief among equally many.

    Where no parts hold it, the length that leaves it is weighed against cuts: one more must bring as much into the band
    as the shortest part is long. Length over the ceiling, leads included, weighs more than a cut in any case.
    """
    ends = np.array([relief.along_m[0] + relief.lead_m, relief.along_m[-1] - relief.lead_m])
    spans = _Spans.of(relief, steps, ends)
    if spans.fits[0, 1]:
        return (spans.part(0, 1),)
    inner = relief.along_m[(relief.along_m > ends[0]) & (relief.along_m < ends[1])]
    every = max(1, -(-inner.size // MOST_CUTS))
    spans = _Spans.of(relief, steps, np.concatenate([ends[:1], inner[::every], ends[1:]]))
    chain = _chain(spans)
    if every > 1 and len(chain) > 2:
        cut_m, apart_m = spans.cuts_m[chain[1:-1]], every * float(np.diff(inner).max())
        near = np.min(np.abs(inner[:, np.newaxis] - cut_m), axis=1) < apart_m
        spans = _Spans.of(relief, steps, np.concatenate([ends[:1], inner[near], ends[1:]]))
        chain = _chain(spans)
    return tuple(spans.part(first, last) for first, last in pairwise(chain))


def _chain(spans: "_Spans") -> list[int]:
    """Return the numbers of the cuts, ends included, of the parts that are taken."""
    cost = 1 + _ORDERED * np.minimum(spans.strain, 1.0) ** 2 + CEILING_WEIGHT * spans.over_m() / spans.steps.shortest_m
    chain = cheapest_chain(np.where(spans.fits, cost, np.inf))
    if chain is None:
        chain = cheapest_chain(np.where(spans.allowed, cost + spans.outside_m() / spans.steps.shortest_m, np.inf))
    return chain or [0, len(spans.cuts_m) - 1]


def levels_m(tracks: Sequence[Sequence[Part]]) -> tuple[tuple[float, ...], ...]:
    """Return a height for each part of tracks side by side [m], the same one all over a block of neighbours.

    A part joins the block of a neighbour that it lies beside longest, as long as one height does for all of it; with
    one part a track no fewer blocks would do. A block flies where its grounds are nearest to the middle of the band,
    and lower where that keeps the ceiling.
    """
    blocks: list[list[Part]] = []
    numbers: list[list[int]] = []
    for row, parts in enumerate(tracks):
        beside = list(zip(tracks[row - 1], numbers[row - 1], strict=True)) if row else []
        numbers.append([])
        for part in parts:
            joined = _block_beside(part, beside, blocks)
            if joined is None:
                joined = len(blocks)
                blocks.append([])
            blocks[joined].append(part)
            numbers[-1].append(joined)
    heights = [_level_m(block) for block in blocks]
    return tuple(tuple(heights[number] for number in row) for row in numbers)


def cheapest_chain(costs: Array) -> list[int] | None:
    """Return the numbers of places that lead from first to last at least cost; None where no steps do.

    Parameters
    ----------
    costs : ndarray, shape (n, n)
        Of the step from each place to each later one; inf where there is none.
    """
    count = len(costs)
    least, before = np.full(count, np.inf), np.zeros(count, dtype=np.int64)
    least[0] = 0.0
    for end in range(1, count):
        sums = least[:end] + costs[:end, end]
        before[end] = int(np.argmin(sums))
        least[end] = sums[before[end]]
    if not np.isfinite(least[-1]):
        return None
    chain = [count - 1]
    while chain[-1]:
        chain.append(int(before[chain[-1]]))
    return chain[::-1]


@dataclass(frozen=True)
class _Spans:
    """All stretches from one place to a later one as parts, by the numbers of both; arrays of shape (m, m)."""

    relief: Relief
    steps: Steps
    cuts_m: Array
    kept: tuple[Places, Places]
    flown: tuple[Places, Places]
    allowed: npt.NDArray[np.bool_]
    low_m: Array
    high_m: Array
    least_m: Array
    below_m: Array

    @classmethod
    def of(cls, relief: Relief, steps: Steps, cuts_m: Array) -> "_Spans":
        over = np.full(len(cuts_m), steps.overlap_m)
        over[[0, -1]] = 0.0
        kept = _window(relief.along_m, cuts_m - over, cuts_m + over)
        past = over + relief.lead_m + steps.run_out_m
        flown = _window(relief.along_m, cuts_m - past, cuts_m + past)
        lengths = cuts_m - cuts_m[:, np.newaxis]
        allowed = lengths >= steps.shortest_m - 1e-6
        allowed[0, -1] = True
        high = _most(relief.high_m, *kept)
        least = np.maximum(high + steps.band_m[0], _most(relief.floor_m, *flown))
        below = -_most(-relief.low_m, *flown) + steps.ceiling_agl_m
        return cls(relief, steps, cuts_m, kept, flown, allowed, -_most(-relief.low_m, *kept), high, least, below)

    @property
    def most_m(self) -> Array:
        """Greatest height that holds the band."""
        return np.asarray(self.low_m + self.steps.band_m[1])

    @property
    def fits(self) -> npt.NDArray[np.bool_]:
        """Whether a height keeps clearance and band."""
        return np.asarray(self.allowed & (self.least_m <= self.most_m))

    @property
    def strain(self) -> Array:
        """How much of the band the relief takes up; 0 where no part is allowed."""
        low, high = self.steps.band_m
        relief = np.where(self.allowed, self.high_m - self.low_m, 0.0)
        return np.asarray(relief / max(high - low, 1e-9))

    def outside_m(self) -> Array:
        """Return how much of what each stretch keeps lies deeper than the band at the least height allowed [m]."""
        return self._deeper_m(self.kept, self.steps.band_m[1])

    def over_m(self) -> Array:
        """Return how much of each stretch is flown over the ceiling at the least height allowed, leads included [m]."""
        over = self.allowed & (self.least_m > self.below_m)
        return self._deeper_m(self.flown, self.steps.ceiling_agl_m) if over.any() else np.zeros(over.shape)

    def _deeper_m(self, window: tuple[Places, Places], most_agl_m: float) -> Array:
        """Return for each stretch how much of a window lies more than a height under the least height allowed [m]."""
        lengths = np.diff(self.relief.along_m)
        deeper = np.zeros(self.allowed.shape)
        first, last = window
        for number, begin in enumerate(first):
            ends = np.flatnonzero(self.allowed[number])
            if not ends.size:
                continue
            deep = self.least_m[number, ends, np.newaxis] - self.relief.low_m[begin:] > most_agl_m + 1e-9
            sums = np.cumsum(deep * lengths[begin:], axis=1)
            deeper[number, ends] = sums[np.arange(ends.size), last[ends] - begin - 1]
        return deeper

    def part(self, first: int, last: int) -> Part:
        at = first, last
        least, most, high, low = (float(of[at]) for of in (self.least_m, self.most_m, self.high_m, self.low_m))
        held = least <= most
        return Part(
            core_m=(float(self.cuts_m[first]), float(self.cuts_m[last])),
            least_m=least,
            most_m=most if held else max(least, high + self.steps.band_m[1]),
            middle_m=(high + low) / 2 + self.steps.nominal_agl_m if held else least,
            below_m=float(self.below_m[at]),
        )


def _window(along_m: Array, starts_m: Array, ends_m: Array) -> tuple[Places, Places]:
    """Return the first interval of stretches that begin, and the one after the last of those that end, at places."""
    last = len(along_m) - 1
    first = np.clip(np.searchsorted(along_m, starts_m + 1e-6, side="right") - 1, 0, last - 1)
    return first, np.clip(np.searchsorted(along_m, ends_m - 1e-6, side="left"), 1, last)


def _most(values: Array, first: Places, last: Places) -> Array:
    """Return the most of values[first[i]:last[j]], shape (m, m); -inf where there are none."""
    later = np.where(np.arange(values.size) >= first[:, np.newaxis], values, -np.inf)
    return np.asarray(np.maximum.accumulate(later, axis=1)[:, last - 1])


def _block_beside(part: Part, beside: Sequence[tuple[Part, int]], blocks: Sequence[Sequence[Part]]) -> int | None:
    """Return the block of the neighbour that a part lies beside longest, of those that it shares a height with."""
    best, longest_m = None, 0.0
    for other, number in beside:
        shared = min(part.core_m[1], other.core_m[1]) - max(part.core_m[0], other.core_m[0])
        least = max(part.least_m, *(one.least_m for one in blocks[number]))
        most = min(part.most_m, *(one.most_m for one in blocks[number]))
        if shared > longest_m and least <= most:
            best, longest_m = number, shared
    return best


def _level_m(block: Sequence[Part]) -> float:
    least, most = max(part.least_m for part in block), min(part.most_m for part in block)
    middles = [part.middle_m for part in block]
    wanted = min((min(middles) + max(middles)) / 2, min(part.below_m for part in block))
    return float(np.clip(wanted, least, most))
