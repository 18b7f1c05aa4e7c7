"""The rules of a checkpoint's site and of a layout, and how far a layout keeps to them.

Lives here: limits with their sources, and each rule in words. Must not know how places are chosen.

Sources: [1] ASPRS Positional Accuracy Standards for Digital Geospatial Data, Edition 2 (2024): number by area, spread,
distance to breaks, survey error. [2] USGS Lidar Base Specification 2025 rev. A, checkpoints: slope, even ground, sky.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.forecast.footing import MOST_SKYLINE_DEG, Footing
from planner.forecast.passing import LEAST_BY_STANDARD

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Codes = npt.NDArray[np.uint8]
Indices = npt.NDArray[np.int64]

SPACING_SHARE = 0.1
"""Least distance of two checkpoints, as a share of the diagonal of the area's bounding box [1]."""
QUADRANT_SHARE = 0.2
"""Least share of the checkpoints in each quadrant of the area [1]."""
SIZEABLE_SHARE = 0.05
"""Share of the area from which a class of cover gets a checkpoint; common practice, no source."""
MOST_SLOPE_DEG = 10.0
"""Steepest ground of a checkpoint [2]."""
LEAST_BREAK_M = 3.0
"""Least distance to a break of the ground, or to what stands on it [1]."""
EVEN_SHARE = 1 / 3
"""Share of the required RMSE within which ground about a checkpoint departs from a plane [2]."""
QUADRANTS = ("SW", "SE", "NW", "NE")


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
class Rule:
    """A rule of the layout, the number that was reached beside its limit, and whether it holds."""

    name: str
    value: str
    met: bool


@dataclass(frozen=True)
class Spots:
    """Places that may be taken, the best of each block and class: arrays of shape (n,), places (n, 2)."""

    cell: Indices
    places_m: Array
    quadrant: Indices
    group: Indices
    preferred: Mask


def least_per_quadrant(count: int) -> int:
    """Return a fifth, rounded up; an even split where four times that would be more than all."""
    return min(math.ceil(QUADRANT_SHARE * count - 1e-9), count // 4)


def class_areas(land: Land) -> Indices:
    """Return the judged dry cells of each class, those of unknown class first."""
    return np.bincount(land.classes[land.judged & ~land.water], minlength=len(land.class_names) + 1)


def neighbours_m(places_m: Array) -> Array:
    """Return the distance from each place to the nearest other one [m]; infinite for a lone one."""
    apart = np.hypot(*(places_m[:, None, :] - places_m[None, :, :]).transpose(2, 0, 1))
    np.fill_diagonal(apart, np.inf)
    return np.asarray(apart.min(axis=1, initial=np.inf))


def site_rules(footing: Footing, land: Land) -> dict[str, Mask]:
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


def bound_by(site: dict[str, Mask], judged: Mask, fit: Mask) -> str:
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


def rule_of_standard(count: int) -> Rule:
    """Return whether the number allows a statement by ASPRS Edition 2."""
    short = "" if count >= LEAST_BY_STANDARD else f"; fewer than {LEAST_BY_STANDARD}: no ASPRS Edition 2 statement"
    return Rule("standard", f"{count} checkpoints{short}", count >= LEAST_BY_STANDARD)


def rules_of_spread(picked: Indices, spots: Spots, land: Land, spacing_m: float) -> Iterator[Rule]:
    """Yield the rules of spacing, quadrants and classes of cover."""
    count, nearest_m = len(picked), neighbours_m(spots.places_m[picked]).min()
    tenth = f"at least {spacing_m:.1f} m, {100 * SPACING_SHARE:g} % of the diagonal"
    yield Rule("spacing", f"{nearest_m:.1f} m; {tenth}" if count > 1 else "a lone point", bool(nearest_m >= spacing_m))
    least, held = least_per_quadrant(count), np.bincount(spots.quadrant[picked], minlength=4)
    shares = ", ".join(f"{QUADRANTS[place]} {held[place]}" for place in (3, 1, 0, 2))
    fifth = f"{100 * QUADRANT_SHARE:g} %" if least >= QUADRANT_SHARE * count else "an even split"
    yield Rule("quadrants", f"{shares}; at least {least} each, {fifth}", bool((held >= least).all()))
    if land.class_names:
        yield _rule_of_cover(spots.group[picked], spots.group, land)


def _rule_of_cover(taken: Indices, fit: Indices, land: Land) -> Rule:
    names, areas = ("no class", *land.class_names), class_areas(land)
    sizeable = areas >= max(SIZEABLE_SHARE * areas.sum(), 1)
    held, places = (np.bincount(labels, minlength=len(names)) for labels in (taken, fit))
    told = np.flatnonzero(sizeable | (held > 0))
    said = [f"{names[code]} {held[code]}{'' if places[code] else ' (no fit place)'}" for code in told]
    return Rule("cover", ", ".join(said), not (sizeable & (places > 0) & (held == 0)).any())


def rules_of_site(at: Indices, footing: Footing, land: Land) -> Iterator[Rule]:
    """Yield the rules of the site, held against the worst of the cells `at`."""
    steepest, near = float(footing.slope_deg.flat[at].max()), float(footing.break_m.flat[at].min())
    off = f"{near:.1f} m off" if math.isfinite(near) else "none known"
    unknown = "cannot be told from one surface alone: look on site"
    yield Rule("slope", f"{steepest:.1f} deg; at most {MOST_SLOPE_DEG:g} deg", steepest <= MOST_SLOPE_DEG)
    yield Rule("breaks", f"{off}; at least {LEAST_BREAK_M:g} m", near >= LEAST_BREAK_M)
    yield Rule("open ground", "nothing stands on it" if footing.top_known else unknown, footing.top_known)
    open_sky = footing.open_sky.flat[at]
    sky, free = f"nothing above {MOST_SKYLINE_DEG:g} deg", int(open_sky.sum())
    if free < len(at):
        sky += f" at {free} of {len(at)}; satellites are hidden from the others: survey them by total station"
    yield Rule("sky", sky if footing.top_known else unknown, footing.top_known and free == len(at))
    yield Rule("gaps", "the density is met at each", bool((land.causes.flat[at] == 0).all()))
    if land.allowed is not None:
        yield Rule("access", "each stands where it may", bool(land.allowed.flat[at].all()))


def rules_of_accuracy(uneven_m: Array, over_m: float, limit_m: float, survey_sd_m: float) -> Iterator[Rule]:
    """Yield the rules that follow from the RMSE that is required [m]."""
    most_m, half_m, even = EVEN_SHARE * limit_m, limit_m / 2, int((uneven_m <= EVEN_SHARE * limit_m).sum())
    plane = f"within {100 * most_m:.1f} cm of a plane over {over_m:g} m, by the terrain given"
    yield Rule("even ground", f"{even} of {len(uneven_m)} {plane}", even == len(uneven_m))
    survey = f"{100 * survey_sd_m:.1f} cm; at most {100 * half_m:.1f} cm, half of the limit"
    yield Rule("checkpoint survey", survey, survey_sd_m <= half_m)
