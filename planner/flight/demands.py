"""What is asked of height and angle beside density: accuracy, eyes, blind bands of range, dark ground.

Lives here: closed forms over flat ground that tell which settings break which demand, the darkest cover that counts,
and the words for each. Must not know lines or how settings are searched.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from planner.equipment import RangeRating
from planner.flight.swath import MOST_PASSES, farthest_cosine
from planner.ground.surface import GroundCover, Scene
from planner.mission import Mission
from planner.ranging.beams import ScanPattern
from planner.ranging.linkbudget import Reach
from planner.ranging.reflectance import covered, matt_reflectance
from planner.ranging.uncertainty import least_vertical_sd_m

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

PENALTY_S = {"eyes": 1e11, "accuracy": 1e10, "zones": 1e9, "dark": 1e8}
"""What breaking a demand counts for, as time: more than any flight lasts, and all lesser ones together."""

EYE_HEIGHT_M = 2.0
"""An eye is taken to be this high over the ground, tall or on a step: common practice, no source."""


@dataclass(frozen=True)
class DarkGround:
    """The darkest surface that a requirement counts.

    Attributes
    ----------
    name : str
        Its class of cover.
    reflectance : float
        Its matt reflectance at the sensor's wavelength, wet or frosted as on the day, 0-1.
    everywhere : bool
        Whether all but what may lie below the density has a class of cover, so that nothing else is darker.
    """

    name: str
    reflectance: float
    everywhere: bool = False


def darkest_counted(mission: Mission, scene: Scene) -> DarkGround | None:
    """Return the darkest surface that the requirement counts; None where no cover is known.

    What is darker makes up less of the judged area than the share that may lie below the density. Mirror lobes are left
    out, and open water, which is not judged.
    """
    if scene.cover is None:
        return None
    cover, day = scene.cover, mission.conditions
    counts = _judged_squares(scene, cover)
    met = [covered(one, mission.cover.frost) if day.frost else one for one in cover.surfaces]
    classes = sorted(
        (float(matt_reflectance(one, mission.sensor.wavelength_nm, wet=day.surfaces_wet)), name, count)
        for one, name, count in zip(met, cover.names, counts[1:].tolist(), strict=True)
        if one.kind != "water"
    )
    judged = int(counts[0]) + sum(count for *_, count in classes)
    darker = 0
    for reflectance, name, count in classes:
        darker += count
        if darker > judged * mission.requirement.percentile / 100:
            unknown = darker - count + int(counts[0])
            return DarkGround(name, reflectance, everywhere=unknown <= judged * mission.requirement.percentile / 100)
    return None


def _judged_squares(scene: Scene, cover: GroundCover) -> npt.NDArray[np.int64]:
    """Return how many lattice squares of the judged area have each code of cover, shape (classes + 1,)."""
    codes, grid = cover.codes, scene.ground
    rows, cols = codes.shape
    east = grid.west_m + (np.arange(cols) + 0.5) * grid.spacing_m
    north = grid.north_m - (np.arange(rows) + 0.5) * grid.spacing_m
    shapely.prepare(scene.area)
    inside = shapely.contains_xy(scene.area, *np.meshgrid(east, north))
    return np.bincount(codes[inside], minlength=len(cover.names) + 1)


def edge_rmse_m(mission: Mission, agl_m: Array, half_angle_rad: float, spacing_m: Array) -> Array:
    """Return the vertical RMSE between lines over flat ground, or at the swath edge if that is more [m], shape (h, s).

    Checkpoints are in it. One pass sees the ground out to where the next swath begins, two or more from there to the
    edge of the swath; these are taken to look as far aside as the edge. Where one pass must do, the nearest does, and
    half way between lines counts as the edge.

    Parameters
    ----------
    mission : Mission
        Its sensor, navigation, checkpoints and coverage.
    agl_m : ndarray, shape (h,)
        Heights above ground [m].
    half_angle_rad : float
        Usable half angle [rad]; 0 for a fixed beam.
    spacing_m : ndarray, shape (h, s)
        Line spacings [m].
    """
    height = np.broadcast_to(agl_m[:, np.newaxis], spacing_m.shape)
    edge_m = height * np.tan(half_angle_rad)
    if half_angle_rad <= 0 or mission.requirement.coverage == "single":
        found = _sd_m(mission, height, np.minimum(spacing_m / 2, edge_m), 1)
    else:
        covered = np.clip(np.floor(2 * edge_m / spacing_m + 1e-9), 1, MOST_PASSES)
        at_edge = np.zeros(spacing_m.shape)
        for passes in np.unique(covered).astype(int):
            here = covered == passes
            at_edge[here] = _sd_m(mission, height[here], edge_m[here], max(int(passes), 2))
        alone_m = np.clip(spacing_m - edge_m, 0.0, spacing_m / 2)
        near, middle, far = (_sd_m(mission, height, share * alone_m, 1) ** 2 for share in (0.0, 0.5, 1.0))
        alone = np.where(covered == 1, 2 * alone_m / spacing_m, 0.0)
        between = np.sqrt(alone * (near + 4 * middle + far) / 6 + (1 - alone) * at_edge**2)  # Simpson's rule
        found = np.maximum(at_edge, between)
    return np.asarray(np.hypot(found, mission.checkpoints.survey_sd_m))


def _sd_m(mission: Mission, height_m: Array, aside_m: Array, passes: int) -> Array:
    off_nadir = np.arctan2(aside_m, height_m)
    base = mission.base_distance_m
    return least_vertical_sd_m(mission.sensor, mission.navigation, height_m, off_nadir, base, passes)


def meets_blind_band(reach: Reach, nearest_m: npt.ArrayLike, farthest_m: npt.ArrayLike) -> Mask:
    """Return whether a span of slant ranges [m] meets a blind band, any shape; see `ranging.zones.Receiver`."""
    near, far = np.asarray(nearest_m), np.asarray(farthest_m)
    if not np.isfinite(reach.zone_m) or reach.blind_before_m + reach.blind_after_m <= 0:
        return np.zeros(np.broadcast(near, far).shape, dtype=bool)
    first = np.maximum(np.ceil((near - reach.blind_after_m) / reach.zone_m), 1)
    return np.asarray(np.floor((far + reach.blind_before_m) / reach.zone_m) >= first)


def least_eye_agl_m(mission: Mission, rating: RangeRating) -> float:
    """Return the height above ground [m] at which an eye is at the stated hazard distance; 0 where none is stated.

    Terrain doubt is added. Class 1 needs no distance.
    """
    if rating.hazard_distance_m is None or rating.laser_class == "1":
        return 0.0
    return rating.hazard_distance_m + EYE_HEIGHT_M + mission.terrain.vertical_sd_m


def broken_demands(
    mission: Mission,
    rating: RangeRating,
    pattern: ScanPattern,
    reach: Reach,
    agl_m: Array,
    deeper_m: float,
    on_dark_rad: Array | None,
    rmse_m: Array,
) -> dict[str, Mask]:
    """Return for each demand where settings break it, shapes (h, 1) or (h, s); demands that are not made are left out.

    Parameters
    ----------
    mission, rating, pattern, reach
        What is flown, with the usable half angle judged, and how far the light of the day goes.
    agl_m : ndarray, shape (h,)
        Heights above ground [m].
    deeper_m : float
        How far the ground lies below that [m].
    on_dark_rad : ndarray, shape (h,), or None
        Largest angle that reaches the darkest surface that counts [rad]; None where none does.
    rmse_m : ndarray, shape (h, s)
        As from `edge_rmse_m`.
    """
    found, height = {}, agl_m[:, np.newaxis]
    if (target := mission.requirement.target_rmse_m) is not None:
        found["accuracy"] = ~(rmse_m <= target * (1 + 1e-9))
    if eye_m := least_eye_agl_m(mission, rating):
        found["eyes"] = height < eye_m - 1e-9
    if reach.blind_before_m + reach.blind_after_m > 0 and np.isfinite(reach.zone_m):
        doubt = mission.terrain.vertical_sd_m
        farthest = (height + deeper_m + doubt) / farthest_cosine(pattern, pattern.usable_half_angle_rad)
        found["zones"] = meets_blind_band(reach, height - doubt, farthest)
    if on_dark_rad is not None:
        found["dark"] = ~(on_dark_rad >= pattern.usable_half_angle_rad - 1e-9)[:, np.newaxis]
    return found


def demand_words(mission: Mission, rating: RangeRating, dark: DarkGround | None, names: Sequence[str]) -> str:
    """Return demands by name in words, for `Settings.bound_by`."""
    said = {
        "accuracy": f"vertical RMSE of {100 * (mission.requirement.target_rmse_m or 0):.3g} cm out to the swath edge",
        "eyes": f"stated hazard distance of {rating.hazard_distance_m or 0:g} m",
        "zones": "ranges clear of blind bands",
        "dark": "" if dark is None else f"reach to {dark.name}, reflectance {dark.reflectance:.2g}",
    }
    return ", ".join(said[name] for name in PENALTY_S if name in names)
