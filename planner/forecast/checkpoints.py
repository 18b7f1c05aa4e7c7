"""Checkpoints: how many a test of heights takes, what they can prove, and where they may stand.

Lives here: the number by area, chances by the chi-square law, the rules of a site, and the layout.
Must not know how lines were planned, nor files.

Sources: [1] ASPRS Positional Accuracy Standards for Digital Geospatial Data, Edition 2 (2024): number by area, spread,
distance to breaks, survey error. [2] USGS Lidar Base Specification 2025 rev. A, checkpoints: slope, even ground, sky.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.ground.kernels import kernel
from planner.ground.surface import GROUND_TOLERANCE_M, CellGrid, Layers
from planner.mission import Checkpoints

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Codes = npt.NDArray[np.uint8]
Indices = npt.NDArray[np.int64]

LEAST_BY_STANDARD = 30
"""Checkpoints below which Edition 2 knows no statement of accuracy [1]."""
MOST_BY_STANDARD = 120
SPACING_SHARE = 0.1
"""Least distance of two checkpoints, as a share of the diagonal of the area's bounding box [1]."""
QUADRANT_SHARE = 0.2
"""Least share of the checkpoints in each quadrant of the area [1]."""
SIZEABLE_SHARE = 0.05
"""Share of the area from which a class of cover gets a checkpoint; common practice, no source."""
MOST_SLOPE_DEG = 10.0
"""Steepest ground of a checkpoint [2]."""
PREFERRED_SLOPE_DEG = 5.0
"""Slope up to which ground is preferred, within the grade of 10 % that is often asked; common practice, no source."""
LEAST_BREAK_M = 3.0
"""Least distance to a break of the ground, or to what stands on it [1]."""
BREAK_CHANGE = 0.15
"""Change of slope [rise per metre] over a base of 1 m that is a break; common practice, no source."""
MOST_SKYLINE_DEG = 15.0
"""Elevation above which nothing may hide the sky [2]."""
EVEN_SHARE = 1 / 3
"""Share of the required RMSE within which ground about a checkpoint departs from a plane [2]."""
CLEAR_OF_GAPS_CELLS = 3
PROOF = 0.95
"""Confidence with which a passed test is said to prove an accuracy."""

QUADRANTS = ("SW", "SE", "NW", "NE")
_BLOCKS_PER_SPACING = 16
_SWEEPS = 5
_BETTER_M = 1e7
"""Preferred ground is worth any distance."""
_MOVES = tuple(
    (down, right, math.hypot(down, right))
    for down, right in ((0, 1), (1, 0), (1, 1), (1, -1), (1, 2), (1, -2), (2, 1), (2, -1))
)
"""King's and knight's moves to the cells that are read later: rows, columns, length in cells."""
_LONGEST = 1 / math.cos(math.atan(0.5) / 2)
"""A way by such moves is at most this much longer than the straight one."""


@dataclass(frozen=True)
class Footing:
    """What the ground offers to a checkpoint, from heights alone; arrays of shape (rows, cols) over judging cells.

    Attributes
    ----------
    up_m : ndarray
        Height of the ground at the cell's centre [m]; nan where unknown.
    slope_deg : ndarray
        Slope of the plane through the ground of three by three cells [deg]; nan beside unknown ground.
    uneven_m : ndarray
        Most by which the mean height of one of these cells departs from that plane [m].
    break_m : ndarray
        Distance from the cell's centre to the nearest cell that holds a break, to its near side [m].
    clear : ndarray of bool
        Nothing stands on the cell: no roof, no crown.
    open_sky : ndarray of bool
        Nothing in the top surface rises above `MOST_SKYLINE_DEG` as seen from the cell.
    top_known : bool
        Whether top surface and ground are both known; else what stands on the ground cannot be told.
    """

    up_m: Array
    slope_deg: Array
    uneven_m: Array
    break_m: Array
    clear: Mask
    open_sky: Mask
    top_known: bool


@dataclass(frozen=True)
class Land:
    """What else is known of the judging cells; arrays of shape (rows, cols).

    Attributes
    ----------
    judged : ndarray of bool
        Cells inside the area of interest.
    causes : ndarray of uint8
        0 where the cell meets its density, else the code of what it lacks it for.
    classes : ndarray of uint8
        Class of cover; 0 where it is unknown.
    class_names : tuple of str
        Name of each class, that of code 1 first.
    water : ndarray of bool
        Declared open water.
    allowed : ndarray of bool or None
        Cells where checkpoints may stand; None where nobody limits them.
    """

    judged: Mask
    causes: Codes
    classes: Codes
    class_names: tuple[str, ...]
    water: Mask
    allowed: Mask | None = None


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
class Rule:
    """A rule of the layout, the number that was reached beside its limit, and whether it holds."""

    name: str
    value: str
    met: bool


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


def checkpoints_for_area(area_km2: float) -> int:
    """Return the number of checkpoints that ASPRS Edition 2 asks for by area [km2].

    30 up to 1000 km2, 10 more for each further 1000 km2 or part of it, 120 at most [1]; least and most as read, the
    steps between from memory of the table.
    """
    further = math.ceil(max(area_km2 - 1000.0, 0.0) / 1000.0)
    return min(LEAST_BY_STANDARD + 10 * further, MOST_BY_STANDARD)


def pass_chance(count: int, true_sd_m: float, limit_m: float, survey_sd_m: float = 0.0) -> float:
    """Return the chance, 0-1, that the RMSE at `count` checkpoints stays within the limit.

    Errors are taken as normal, without bias and independent from point to point: then count RMSE^2 / sd^2 follows the
    chi-square law with `count` degrees of freedom. The tested difference holds the error of the checkpoint as well:
    sd^2 = true^2 + survey^2 ([1], RMSEv).

    Parameters
    ----------
    count : int
        Number of checkpoints, 1 or more.
    true_sd_m, survey_sd_m : float
        Standard deviation of the delivered heights, and of the surveyed ones [m].
    limit_m : float
        RMSE that passes at most [m].
    """
    tested_m = math.hypot(true_sd_m, survey_sd_m)
    if tested_m == 0:
        return 1.0
    return chi_square_below(count * (limit_m / tested_m) ** 2, count)


def largest_sd_passing(count: int, limit_m: float, chance: float, survey_sd_m: float = 0.0) -> float:
    """Return the largest standard deviation [m] of delivered heights that passes with at least this chance.

    With chance 0.05 it is what a passed test proves: heights worse than that pass one time in twenty at most.
    0 where the error of the survey alone passes less often.
    """
    if not 0 < chance < 1:
        raise ValueError(f"chance {chance:g} is not between 0 and 1")
    low, high = 0.0, 1.0
    while chi_square_below(high, count) < chance:
        low, high = high, 2 * high
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if chi_square_below(middle, count) < chance else (low, middle)
    tested_m = limit_m * math.sqrt(count / high)
    return math.sqrt(max(tested_m**2 - survey_sd_m**2, 0.0))


def chi_square_below(value: float, degrees: int) -> float:
    """Return the chance that chi-square with so many degrees of freedom is at most `value`.

    One less the upper tail, which is a finite sum for whole degrees of freedom: Abramowitz and Stegun, Handbook of
    Mathematical Functions, 26.4.4 (odd) and 26.4.5 (even). To 1e-12 absolute.
    """
    if degrees < 1:
        raise ValueError(f"{degrees} degrees of freedom: a test takes one checkpoint at least")
    if value <= 0:
        return 0.0
    half, odd = value / 2, degrees % 2
    powers = [step + odd / 2 for step in range(degrees // 2)]
    tail = math.fsum(math.exp(power * math.log(half) - half - math.lgamma(power + 1)) for power in powers)
    return max(1.0 - tail - (math.erfc(math.sqrt(half)) if odd else 0.0), 0.0)


def read_footing(cells: CellGrid, layers: Layers) -> Footing:
    """Return what the ground offers to checkpoints, on the judging cells of a scene."""
    stride = max(1, round(1 / layers.ground.spacing_m))
    bend_m = BREAK_CHANGE * stride * layers.ground.spacing_m
    ground, top, known = layers.ground.heights_m, layers.top.heights_m, layers.ground.known & layers.top.known
    means, tops, off, breaks = out = np.empty((4, cells.rows, cells.cols))
    _read_cells(ground, top, known, cells.factor, stride, bend_m, out)
    clear = off <= GROUND_TOLERANCE_M
    if layers.foliage is not None:
        crowns = layers.foliage[: cells.rows * cells.factor, : cells.cols * cells.factor] > 0
        clear &= ~crowns.reshape(cells.rows, cells.factor, cells.cols, cells.factor).any(axis=(1, 3))
    slope_deg, uneven_m = _planes(means, cells.cell_m)
    up_m = np.where(np.isnan(means), np.nan, _centre_heights_m(ground, cells))
    skyline_m = _arriving(tops, math.tan(math.radians(MOST_SKYLINE_DEG)), cells.cell_m)
    return Footing(
        up_m=up_m,
        slope_deg=slope_deg,
        uneven_m=uneven_m,
        break_m=np.maximum(_distance_m((breaks > 0) | ~clear, cells.cell_m) - cells.cell_m / 2, 0.0),
        clear=clear,
        # What is no higher than grass hides nothing.
        open_sky=skyline_m <= up_m + GROUND_TOLERANCE_M,
        top_known=layers.top is not layers.ground,
    )


def _centre_heights_m(z: Array, cells: CellGrid) -> Array:
    """Return the height of the triangulated surface at the centre of each cell: a vertex, or amid a diagonal."""
    first, last = cells.factor // 2, (cells.factor + 1) // 2
    corners = (z[at :: cells.factor, at :: cells.factor][: cells.rows, : cells.cols] for at in (first, last))
    return np.asarray(sum(corners) / 2)


@kernel
def _square_m(z: Array, row: int, col: int) -> float:
    """Return the mean height of a lattice square."""
    return float(z[row, col] + z[row, col + 1] + z[row + 1, col] + z[row + 1, col + 1]) / 4


@kernel
def _is_break(z: Array, row: int, col: int, stride: int, bend_m: float) -> bool:
    """Return whether the slope changes at a lattice square, along either axis or either diagonal."""
    rows, cols = z.shape[0] - 1, z.shape[1] - 1
    for down, right in ((0, 1), (1, 0), (1, 1), (1, -1)):
        r, c = down * stride, right * stride
        if min(row - r, col - abs(c)) < 0 or row + r >= rows or col + abs(c) >= cols:
            continue
        bend = abs(_square_m(z, row - r, col - c) - 2 * _square_m(z, row, col) + _square_m(z, row + r, col + c))
        if bend > bend_m * math.sqrt(down * down + right * right):
            return True
    return False


@kernel
def _read_cells(ground: Array, top: Array, known: Mask, factor: int, stride: int, bend_m: float, out: Array) -> None:
    """Fill, for each cell: mean ground height, highest top, most by which the top is off the ground, breaks or not."""
    means, tops, offs, breaks = out[0], out[1], out[2], out[3]
    rows, cols = means.shape
    for row in range(rows):
        for col in range(cols):
            total, highest, off, bent, seen = 0.0, -math.inf, -math.inf, False, True
            for r in range(row * factor, (row + 1) * factor):
                for c in range(col * factor, (col + 1) * factor):
                    total += _square_m(ground, r, c)
                    bent = bent or _is_break(ground, r, c, stride, bend_m)
                    for i, j in ((r, c), (r, c + 1), (r + 1, c), (r + 1, c + 1)):
                        seen = seen and known[i, j]
                        if known[i, j]:
                            highest, off = max(highest, top[i, j]), max(off, top[i, j] - ground[i, j])
            means[row, col] = total / factor**2 if seen else math.nan
            tops[row, col] = highest
            offs[row, col] = off
            breaks[row, col] = bent or not seen


def _planes(means: Array, cell_m: float) -> tuple[Array, Array]:
    """Return slope [deg] and largest residual [m] of the least-squares plane through three by three cell means."""
    z = np.pad(means, 1, constant_values=np.nan)
    across, down = z[:, :-2] + z[:, 1:-1] + z[:, 2:], z[:-2] + z[1:-1] + z[2:]
    per_row, per_col = (across[2:] - across[:-2]) / 6, (down[:, 2:] - down[:, :-2]) / 6
    mean, residual = (across[:-2] + across[1:-1] + across[2:]) / 9, np.zeros(means.shape)
    for i, j in np.ndindex(3, 3):
        plane = mean + (i - 1) * per_row + (j - 1) * per_col
        np.maximum(residual, np.abs(z[i : i + len(mean), j : j + mean.shape[1]] - plane), out=residual)
    return np.degrees(np.arctan(np.hypot(per_row, per_col) / cell_m)), residual


@kernel
def _pass_on(own: Array, arrives: Array, drop_m: float, way: int) -> None:
    """Pass heights on from cell to cell in one direction of reading, less what they lose on the way."""
    rows, cols = own.shape
    for step in range(rows * cols):
        place = step if way > 0 else rows * cols - 1 - step
        row, col = place // cols, place % cols
        best = arrives[row, col]
        for down, right, length in _MOVES:
            r, c = row - way * down, col - way * right
            if 0 <= r < rows and 0 <= c < cols:
                best = max(best, max(own[r, c], arrives[r, c]) - drop_m * length)
        arrives[row, col] = best


def _arriving(heights_m: Array, fall_per_m: float, cell_m: float) -> Array:
    """Return the highest of all cones that stand on the other cells and fall outward, shape (rows, cols) [m].

    Two readings of the grid, whatever the reach; ways go by king's and knight's moves, shortened so that they are
    never longer than the straight one, and up to 2.7 % shorter.
    """
    arrives = np.full(heights_m.shape, -np.inf)
    for way in (1, -1):
        _pass_on(heights_m, arrives, fall_per_m * cell_m / _LONGEST, way)
    return arrives


def _distance_m(wanted: Mask, cell_m: float) -> Array:
    """Return the distance [m] between the centre of each cell and that of the nearest wanted one, up to 2.7 % less."""
    here = np.where(wanted, 0.0, -np.inf)
    return np.asarray(-np.maximum(here, _arriving(here, 1.0, cell_m)))


@dataclass(frozen=True)
class _Spots:
    """Places that may be taken, the best of each block and class: arrays of shape (n,), places (n, 2)."""

    cell: Indices
    places_m: Array
    quadrant: Indices
    group: Indices
    preferred: Mask


def place_checkpoints(
    cells: CellGrid,
    footing: Footing,
    land: Land,
    asked: Checkpoints,
    limit_m: float | None = None,
    expected_m: float | None = None,
) -> Layout:
    """Return where checkpoints stand: as many as asked for, or as many as keep to the rules.

    Every point keeps to the rules of its site and to the spacing. The next point goes to the quadrant and the class
    that lack most, as far from the others as it can; then each moves where it is farther off. Ground up to 5 degrees,
    even, three cells clear of gaps and of the edge of the area comes first.

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
    site = _site_rules(footing, land)
    fit = land.judged & np.logical_and.reduce(list(site.values()))
    spots = _spots(cells, footing, land, fit, limit_m, spacing_m)
    chosen = _choose(spots, land, wanted, spacing_m)
    picked = chosen[np.lexsort((spots.places_m[chosen, 0], -spots.places_m[chosen, 1]))]
    at = spots.cell[picked]
    rules = [Rule("number", f"{len(at)} of {wanted} wanted", len(at) == wanted), _rule_of_standard(len(at))]
    if len(at):
        rules += [*_rules_of_spread(picked, spots, land, spacing_m), *_rules_of_site(at, footing, land)]
    chance = proved_m = None
    if len(at) and limit_m is not None:
        rules += _rules_of_accuracy(footing.uneven_m.flat[at], 3 * cells.cell_m, limit_m, asked.survey_sd_m)
        proved_m = largest_sd_passing(len(at), limit_m, 1 - PROOF, asked.survey_sd_m)
        chance = None if expected_m is None else pass_chance(len(at), expected_m, limit_m, asked.survey_sd_m)
    return Layout(
        points=_points(picked, spots, footing, land),
        wanted=wanted,
        wanted_by="ASPRS Edition 2, by area" if asked.count is None else "the user's number",
        rules=tuple(rules),
        bound_by="" if len(at) == wanted else _bound_by(site, land.judged, fit),
        pass_chance=chance,
        proved_m=proved_m,
    )


def _site_rules(footing: Footing, land: Land) -> dict[str, Mask]:
    """Return what each cell must hold to be fit for a checkpoint, by the name of the rule."""
    rules = {
        "known ground": ~np.isnan(footing.slope_deg),
        "gaps": land.causes == 0,
        "water": ~land.water,
        "slope": footing.slope_deg <= MOST_SLOPE_DEG,
        "breaks": footing.break_m >= LEAST_BREAK_M,
        "open ground": footing.clear,
        "sky": footing.open_sky,
    }
    return rules if land.allowed is None else rules | {"access": land.allowed}


def _bound_by(site: dict[str, Mask], judged: Mask, fit: Mask) -> str:
    """Return in words what left no room: the spacing, or the rule that alone rules out most."""
    area = max(int(judged.sum()), 1)
    share = 100 * int(fit.sum()) / area
    if share >= 50:
        return f"spacing; {share:.0f} % of the area is fit"
    failures = np.sum([~held for held in site.values()], axis=0)
    lost = {name: judged & ~held for name, held in site.items()}
    worst = max(lost, key=lambda name: (int((lost[name] & (failures == 1)).sum()), int(lost[name].sum())))
    ruled_out = 100 * int(lost[worst].sum()) / area
    return f"{worst}, which rules out {ruled_out:.0f} % of the area; the {share:.1f} % that is fit takes no more"


def _diagonal_m(judged: Mask, cell_m: float) -> float:
    """Return the diagonal of the bounding box of the judged cells [m]."""
    sides = [np.ptp(np.flatnonzero(judged.any(axis=axis))) + 1 if judged.any() else 0 for axis in (0, 1)]
    return math.hypot(*sides) * cell_m


def _quadrants(judged: Mask) -> Indices:
    """Return the place in `QUADRANTS` of each cell, about the centre of mass of the judged ones."""
    rows, cols = (np.arange(n) for n in judged.shape)
    row, col = np.array([judged.sum(axis=1) @ rows, judged.sum(axis=0) @ cols]) / max(int(judged.sum()), 1)
    return np.asarray(2 * (rows <= row)[:, None] + (cols >= col)[None, :], dtype=np.int64)


def _spots(cells: CellGrid, footing: Footing, land: Land, fit: Mask, limit_m: float | None, spacing_m: float) -> _Spots:
    """Return the flattest preferred cell of each block and class; blocks are a sixteenth of the spacing wide."""
    flat = np.flatnonzero(fit)
    slope = footing.slope_deg.flat[flat]
    off_gaps = _distance_m(~(land.judged & (land.causes == 0)), cells.cell_m) > CLEAR_OF_GAPS_CELLS * cells.cell_m
    preferred = (slope <= PREFERRED_SLOPE_DEG) & off_gaps.flat[flat]
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
    return _Spots(flat[keep], places, _quadrants(land.judged).ravel()[flat[keep]], group[keep], preferred[keep])


def _choose(spots: _Spots, land: Land, wanted: int, spacing_m: float) -> Indices:
    """Return which spots are taken: spread freely, or over spots packed closely where that brings more; moved apart."""
    quadrants = np.bincount(_quadrants(land.judged)[land.judged & ~land.water], minlength=4)
    classes = _class_areas(land)
    quotas = (
        _quotas(quadrants, spots.quadrant, wanted, np.full(4, _least_per_quadrant(wanted))),
        _quotas(classes, spots.group, wanted, 1 * (classes >= SIZEABLE_SHARE * classes.sum())),
    )
    everywhere = np.ones(len(spots.cell), dtype=bool)
    packed = np.isin(np.arange(len(everywhere)), _spread(spots, everywhere, (), len(everywhere), spacing_m))
    plans = [_spread(spots, among, quotas, wanted, spacing_m) for among in (everywhere, packed)]
    held = [np.bincount(spots.quadrant[np.array(plan, dtype=np.int64)], minlength=4).min() for plan in plans]
    best = max((0, 1), key=lambda n: (len(plans[n]), min(held[n], _least_per_quadrant(len(plans[n])))))
    return _move_apart(np.array(plans[best], dtype=np.int64), spots, spacing_m)


def _least_per_quadrant(count: int) -> int:
    """Return a fifth, rounded up; an even split where four times that would be more than all."""
    return min(math.ceil(QUADRANT_SHARE * count - 1e-9), count // 4)


def _class_areas(land: Land) -> Indices:
    """Return the judged dry cells of each class, those of unknown class first."""
    return np.bincount(land.classes[land.judged & ~land.water], minlength=len(land.class_names) + 1)


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


def _spread(spots: _Spots, among: Mask, quotas: tuple[Indices, ...], wanted: int, spacing_m: float) -> list[int]:
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


def _move_apart(chosen: Indices, spots: _Spots, spacing_m: float) -> Indices:
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


def _neighbours_m(places_m: Array) -> Array:
    """Return the distance from each place to the nearest other one [m]; infinite for a lone one."""
    apart = np.hypot(*(places_m[:, None, :] - places_m[None, :, :]).transpose(2, 0, 1))
    np.fill_diagonal(apart, np.inf)
    return np.asarray(apart.min(axis=1, initial=np.inf))


def _points(picked: Indices, spots: _Spots, footing: Footing, land: Land) -> tuple[Checkpoint, ...]:
    names = (None, *land.class_names)
    places_m, at, digits = spots.places_m[picked], spots.cell[picked], max(2, len(str(len(picked))))
    up_m, slope_deg, break_m = (values.flat[at] for values in (footing.up_m, footing.slope_deg, footing.break_m))
    next_m = _neighbours_m(places_m)
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
            reason=_reason(names[spots.group[spot]], slope_deg[n], break_m[n], next_m[n]),
        )
        for n, spot in enumerate(picked)
    )


def _reason(cover: str | None, slope_deg: float, break_m: float, next_m: float) -> str:
    breaks = f"breaks {break_m:.0f} m off" if math.isfinite(break_m) else "no break known"
    others = f"next checkpoint {next_m:.0f} m off" if math.isfinite(next_m) else "the only checkpoint"
    ground = cover or "ground of unknown cover"
    return f"{ground} at {slope_deg:.1f} deg; {breaks}; nothing known above {MOST_SKYLINE_DEG:g} deg; {others}"


def _rule_of_standard(count: int) -> Rule:
    short = "" if count >= LEAST_BY_STANDARD else f"; fewer than {LEAST_BY_STANDARD}: no ASPRS Edition 2 statement"
    return Rule("standard", f"{count} checkpoints{short}", count >= LEAST_BY_STANDARD)


def _rules_of_spread(picked: Indices, spots: _Spots, land: Land, spacing_m: float) -> Iterator[Rule]:
    count, nearest_m = len(picked), _neighbours_m(spots.places_m[picked]).min()
    tenth = f"at least {spacing_m:.1f} m, {100 * SPACING_SHARE:g} % of the diagonal"
    yield Rule("spacing", f"{nearest_m:.1f} m; {tenth}" if count > 1 else "a lone point", bool(nearest_m >= spacing_m))
    least, held = _least_per_quadrant(count), np.bincount(spots.quadrant[picked], minlength=4)
    shares = ", ".join(f"{QUADRANTS[place]} {held[place]}" for place in (3, 1, 0, 2))
    fifth = f"{100 * QUADRANT_SHARE:g} %" if least >= QUADRANT_SHARE * count else "an even split"
    yield Rule("quadrants", f"{shares}; at least {least} each, {fifth}", bool((held >= least).all()))
    if land.class_names:
        yield _rule_of_cover(spots.group[picked], spots.group, land)


def _rule_of_cover(taken: Indices, fit: Indices, land: Land) -> Rule:
    names, areas = ("no class", *land.class_names), _class_areas(land)
    sizeable = areas >= max(SIZEABLE_SHARE * areas.sum(), 1)
    held, places = (np.bincount(labels, minlength=len(names)) for labels in (taken, fit))
    told = np.flatnonzero(sizeable | (held > 0))
    said = [f"{names[code]} {held[code]}{'' if places[code] else ' (no fit place)'}" for code in told]
    return Rule("cover", ", ".join(said), not (sizeable & (places > 0) & (held == 0)).any())


def _rules_of_site(at: Indices, footing: Footing, land: Land) -> Iterator[Rule]:
    steepest, near = float(footing.slope_deg.flat[at].max()), float(footing.break_m.flat[at].min())
    off = f"{near:.1f} m off" if math.isfinite(near) else "none known"
    unknown = "cannot be told from one surface alone: look on site"
    yield Rule("slope", f"{steepest:.1f} deg; at most {MOST_SLOPE_DEG:g} deg", steepest <= MOST_SLOPE_DEG)
    yield Rule("breaks", f"{off}; at least {LEAST_BREAK_M:g} m", near >= LEAST_BREAK_M)
    for name, said in (("open ground", "nothing stands on it"), ("sky", f"nothing above {MOST_SKYLINE_DEG:g} deg")):
        yield Rule(name, said if footing.top_known else unknown, footing.top_known)
    yield Rule("gaps", "the density is met at each", bool((land.causes.flat[at] == 0).all()))
    if land.allowed is not None:
        yield Rule("access", "each stands where it may", bool(land.allowed.flat[at].all()))


def _rules_of_accuracy(uneven_m: Array, over_m: float, limit_m: float, survey_sd_m: float) -> Iterator[Rule]:
    most_m, half_m, even = EVEN_SHARE * limit_m, limit_m / 2, int((uneven_m <= EVEN_SHARE * limit_m).sum())
    plane = f"within {100 * most_m:.1f} cm of a plane over {over_m:g} m, by the terrain given"
    yield Rule("even ground", f"{even} of {len(uneven_m)} {plane}", even == len(uneven_m))
    survey = f"{100 * survey_sd_m:.1f} cm; at most {100 * half_m:.1f} cm, half of the limit"
    yield Rule("checkpoint survey", survey, survey_sd_m <= half_m)
