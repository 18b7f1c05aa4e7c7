"""Where the checkpoints of a survey stand: spread over quadrants and classes, as far apart as can be.

Lives here: the choice of places, and the layout. Must not know how lines were planned, nor files.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.forecast.footing import MOST_SKYLINE_DEG, Footing, distance_m
from planner.forecast.layoutrules import (
    EVEN_SHARE,
    QUADRANTS,
    SIZEABLE_SHARE,
    SPACING_SHARE,
    Land,
    Rule,
    Spots,
    bound_by,
    class_areas,
    least_per_quadrant,
    neighbours_m,
    rule_of_standard,
    rules_of_accuracy,
    rules_of_site,
    rules_of_spread,
    site_rules,
)
from planner.forecast.passing import PROOF, checkpoints_for_area, largest_sd_passing, pass_chance
from planner.ground.surface import CellGrid
from planner.requirement import Checkpoints

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.int64]

PREFERRED_SLOPE_DEG = 5.0
"""Slope up to which ground is preferred, within the grade of 10 % that is often asked; common practice, no source."""
CLEAR_OF_GAPS_CELLS = 3
_BLOCKS_PER_SPACING = 16
_SWEEPS = 5
_BETTER_M = 1e7
"""Preferred ground is worth any distance."""


@dataclass(frozen=True)
class Checkpoint:
    """A place at which the delivered heights are to be tested.

    Attributes
    ----------
    point_id : str
        ``"CP01"`` onwards, from north to south.
    east_m, north_m, up_m : float
        Local place and height of the ground there [m].
    slope_deg : float
        Slope of the ground [deg].
    cover : str or None
        Class of cover; None where it is unknown.
    quadrant : str
        One of `QUADRANTS`, about the centre of mass of the area.
    setting : str or None
        ``"open"`` where nothing stands on the ground; None where that cannot be told from one surface alone.
    reason : str
        Why this place, in words.
    """

    point_id: str
    east_m: float
    north_m: float
    up_m: float
    slope_deg: float
    cover: str | None
    quadrant: str
    setting: str | None
    reason: str


@dataclass(frozen=True)
class Layout:
    """Where the checkpoints stand, and how far that keeps to the rules.

    Attributes
    ----------
    points : tuple of Checkpoint
        From north to south; none breaks a rule of its site, so that there may be fewer than wanted.
    wanted : int
        Number that was asked for.
    wanted_by : str
        Who asked for it.
    rules : tuple of Rule
        One for each rule, in words.
    bound_by : str
        What left no room for more, in words; empty where all are placed.
    pass_chance : float or None
        Chance that heights as forecast pass the test, 0-1; None where no RMSE is required or forecast.
    proved_m : float or None
        Standard deviation of the heights that a passed test shows to be kept, with confidence `PROOF` [m]; None where
        no RMSE is required, or nothing is placed.
    """

    points: tuple[Checkpoint, ...]
    wanted: int
    wanted_by: str
    rules: tuple[Rule, ...]
    bound_by: str
    pass_chance: float | None
    proved_m: float | None


def place_checkpoints(
    cells: CellGrid,
    footing: Footing,
    land: Land,
    asked: Checkpoints,
    limit_m: float | None = None,
    expected_m: float | None = None,
) -> Layout:
    """Return where checkpoints stand: as many as asked for, or as many as keep to the rules.

    Every point keeps to the rules of its site and to the spacing. Where that leaves fewer than are wanted, places with
    a narrow sky are taken too, which satellites do not reach: these need a total station. The next point goes to the
    quadrant and the class that lack most, as far from the others as it can; then each moves where it is farther off.
    Ground up to 5 degrees, even, three cells clear of gaps and of the edge of the area comes first.

    Parameters
    ----------
    cells : CellGrid
        The judging cells.
    footing, land
        What is known of them.
    asked : Checkpoints
        The user's number, or None for that of ASPRS Edition 2 by area; and the error of the surveyed heights.
    limit_m, expected_m : float or None
        RMSE that is required, and RMSE of the heights that is forecast [m].
    """
    wanted = asked.count or checkpoints_for_area(int(land.judged.sum()) * cells.cell_m**2 / 1e6)
    spacing_m = SPACING_SHARE * _diagonal_m(land.judged, cells.cell_m)
    site = site_rules(footing, land)
    fit = land.judged & np.logical_and.reduce(list(site.values()))
    spots = _spots(cells, footing, land, fit, limit_m, spacing_m)
    chosen = _choose(spots, land, wanted, spacing_m)
    if len(chosen) < wanted:  # a total station needs no sky
        site = {name: held for name, held in site.items() if name != "sky"}
        wider = land.judged & np.logical_and.reduce(list(site.values()))
        others = _spots(cells, footing, land, wider, limit_m, spacing_m)
        more = _choose(others, land, wanted, spacing_m)
        if len(more) > len(chosen):
            fit, spots, chosen = wider, others, more
    picked = chosen[np.lexsort((spots.places_m[chosen, 0], -spots.places_m[chosen, 1]))]
    at = spots.cell[picked]
    rules = [Rule("number", f"{len(at)} of {wanted} wanted", len(at) == wanted), rule_of_standard(len(at))]
    if len(at):
        rules += [*rules_of_spread(picked, spots, land, spacing_m), *rules_of_site(at, footing, land)]
    chance = proved_m = None
    if len(at) and limit_m is not None:
        rules += rules_of_accuracy(footing.uneven_m.flat[at], 3 * cells.cell_m, limit_m, asked.survey_sd_m)
        proved_m = largest_sd_passing(len(at), limit_m, 1 - PROOF, asked.survey_sd_m)
        chance = None if expected_m is None else pass_chance(len(at), expected_m, limit_m, asked.survey_sd_m)
    return Layout(
        points=_points(picked, spots, footing, land),
        wanted=wanted,
        wanted_by="ASPRS Edition 2, by area" if asked.count is None else "the user's number",
        rules=tuple(rules),
        bound_by="" if len(at) == wanted else bound_by(site, land.judged, fit),
        pass_chance=chance,
        proved_m=proved_m,
    )


def _diagonal_m(judged: Mask, cell_m: float) -> float:
    """Return the diagonal of the bounding box of the judged cells [m]."""
    sides = [np.ptp(np.flatnonzero(judged.any(axis=axis))) + 1 if judged.any() else 0 for axis in (0, 1)]
    return math.hypot(*sides) * cell_m


def _quadrants(judged: Mask) -> Indices:
    """Return the place in `QUADRANTS` of each cell, about the centre of mass of the judged ones."""
    rows, cols = (np.arange(n) for n in judged.shape)
    row, col = np.array([judged.sum(axis=1) @ rows, judged.sum(axis=0) @ cols]) / max(int(judged.sum()), 1)
    return np.asarray(2 * (rows <= row)[:, None] + (cols >= col)[None, :], dtype=np.int64)


def _spots(cells: CellGrid, footing: Footing, land: Land, fit: Mask, limit_m: float | None, spacing_m: float) -> Spots:
    """Return the flattest preferred cell of each block and class; blocks are a sixteenth of the spacing wide."""
    flat = np.flatnonzero(fit)
    slope = footing.slope_deg.flat[flat]
    off_gaps = distance_m(~(land.judged & (land.causes == 0)), cells.cell_m) > CLEAR_OF_GAPS_CELLS * cells.cell_m
    preferred = (slope <= PREFERRED_SLOPE_DEG) & off_gaps.flat[flat] & footing.open_sky.flat[flat]
    if limit_m is not None:
        preferred &= footing.uneven_m.flat[flat] <= EVEN_SHARE * limit_m
    rows, cols = np.divmod(flat, cells.cols)
    side = max(1, int(spacing_m / cells.cell_m / _BLOCKS_PER_SPACING))
    group = land.classes.flat[flat].astype(np.int64)
    block = (rows // side * (cells.cols // side + 1) + cols // side) * (len(land.class_names) + 1) + group
    fault = ~preferred + slope / 100
    least = np.full(int(block.max(initial=0)) + 1, np.inf)
    np.minimum.at(least, block, fault)
    at = np.flatnonzero(fault == least[block])
    keep = at[np.unique(block[at], return_index=True)[1]]
    east_m, north_m = cells.centres_m()
    places = np.column_stack([east_m[cols[keep]], north_m[rows[keep]]])
    return Spots(flat[keep], places, _quadrants(land.judged).ravel()[flat[keep]], group[keep], preferred[keep])


def _choose(spots: Spots, land: Land, wanted: int, spacing_m: float) -> Indices:
    """Return which spots are taken: spread freely, or over spots packed closely where that brings more; moved apart."""
    quadrants = np.bincount(_quadrants(land.judged)[land.judged & ~land.water], minlength=4)
    classes = class_areas(land)
    quotas = (
        _quotas(quadrants, spots.quadrant, wanted, np.full(4, least_per_quadrant(wanted))),
        _quotas(classes, spots.group, wanted, 1 * (classes >= SIZEABLE_SHARE * classes.sum())),
    )
    everywhere = np.ones(len(spots.cell), dtype=bool)
    packed = np.isin(np.arange(len(everywhere)), _spread(spots, everywhere, (), len(everywhere), spacing_m))
    plans = [_spread(spots, among, quotas, wanted, spacing_m) for among in (everywhere, packed)]
    held = [np.bincount(spots.quadrant[np.array(plan, dtype=np.int64)], minlength=4).min() for plan in plans]
    best = max((0, 1), key=lambda n: (len(plans[n]), min(held[n], least_per_quadrant(len(plans[n])))))
    return _move_apart(np.array(plans[best], dtype=np.int64), spots, spacing_m)


def _quotas(areas: Indices, labels: Indices, wanted: int, least: Indices) -> Indices:
    """Return how points fall to parts that hold a spot: by area, largest remainder, each with its least number."""
    held = np.bincount(labels, minlength=len(areas)) > 0
    ideal, floor = wanted * areas * held / max(int((areas * held).sum()), 1), least * held
    quotas = np.maximum(ideal.astype(np.int64), floor)
    while held.any() and quotas.sum() < wanted:
        quotas[np.argmax(ideal - quotas)] += 1
    while quotas.sum() > wanted and (quotas > floor).any():
        quotas[np.argmax(np.where(quotas > floor, quotas - ideal, -np.inf))] -= 1
    return quotas


def _spread(spots: Spots, among: Mask, quotas: tuple[Indices, ...], wanted: int, spacing_m: float) -> list[int]:
    """Return spots one after another: in the part that lacks most, there as far from the others as can be.

    Without quotas: as close to the others as the spacing lets them, outward from one end of the area.
    """
    from_centre = np.hypot(*(spots.places_m - spots.places_m.sum(axis=0) / max(len(spots.cell), 1)).T)
    nearest, chosen = np.full(len(spots.cell), np.inf), list[int]()
    while len(chosen) < wanted and (free := among & (nearest >= spacing_m)).any():
        for labels, quota in zip((spots.quadrant, spots.group), quotas, strict=False):
            free &= labels == _neediest(labels, free, chosen, quota)
        better = free & spots.preferred
        pool = np.flatnonzero(better if quotas and better.any() else free)
        merit = (nearest if quotas else -nearest) if chosen else from_centre
        chosen.append(int(pool[np.argmax(merit[pool])]))
        nearest = np.minimum(nearest, np.hypot(*(spots.places_m - spots.places_m[chosen[-1]]).T))
    return chosen


def _neediest(labels: Indices, free: Mask, chosen: list[int], quota: Indices) -> int:
    """Return the label that has the least of its quota, the rarer one first, among those with a free spot."""
    taken = np.bincount(labels[chosen], minlength=len(quota))
    filled = np.where(quota > 0, taken / np.maximum(quota, 1), 1e3 * (taken + 1))
    return min((float(filled[label]), int(quota[label]), int(label)) for label in np.unique(labels[free]))[2]


def _move_apart(chosen: Indices, spots: Spots, spacing_m: float) -> Indices:
    """Return the spots after each has moved, within its quadrant and class, to better ground or farther off."""
    for _ in range(_SWEEPS if len(chosen) > 1 else 0):
        before = chosen.copy()
        for slot, spot in enumerate(before):
            pool = np.flatnonzero((spots.quadrant == spots.quadrant[spot]) & (spots.group == spots.group[spot]))
            others = spots.places_m[np.delete(chosen, slot)]
            apart = spots.places_m[pool][:, None, :] - others[None, :, :]
            off_m = np.hypot(apart[..., 0], apart[..., 1]).min(axis=1)
            merit = off_m + _BETTER_M * (spots.preferred[pool] & (off_m >= spacing_m))
            if merit.max() > merit[pool == spot][0]:
                chosen[slot] = pool[np.argmax(merit)]
        if np.array_equal(before, chosen):
            break
    return chosen


def _points(picked: Indices, spots: Spots, footing: Footing, land: Land) -> tuple[Checkpoint, ...]:
    names = (None, *land.class_names)
    places_m, at, digits = spots.places_m[picked], spots.cell[picked], max(2, len(str(len(picked))))
    up_m, slope_deg, break_m = (values.flat[at] for values in (footing.up_m, footing.slope_deg, footing.break_m))
    next_m, sky = neighbours_m(places_m), footing.open_sky.flat[at]
    return tuple(
        Checkpoint(
            point_id=f"CP{n + 1:0{digits}d}",
            east_m=float(places_m[n, 0]),
            north_m=float(places_m[n, 1]),
            up_m=float(up_m[n]),
            slope_deg=float(slope_deg[n]),
            cover=names[spots.group[spot]],
            quadrant=QUADRANTS[spots.quadrant[spot]],
            setting="open" if footing.top_known else None,
            reason=_reason(names[spots.group[spot]], slope_deg[n], break_m[n], next_m[n], sky[n]),
        )
        for n, spot in enumerate(picked)
    )


def _reason(cover: str | None, slope_deg: float, break_m: float, next_m: float, open_sky: bool) -> str:
    breaks = f"breaks {break_m:.0f} m off" if math.isfinite(break_m) else "no break known"
    others = f"next checkpoint {next_m:.0f} m off" if math.isfinite(next_m) else "the only checkpoint"
    ground = cover or "ground of unknown cover"
    above = f"above {MOST_SKYLINE_DEG:g} deg"
    sky = f"nothing known {above}" if open_sky else f"something {above}: survey it by total station"
    return f"{ground} at {slope_deg:.1f} deg; {breaks}; {sky}; {others}"
