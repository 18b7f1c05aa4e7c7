"""Heights along a line: the lowest path that keeps its distance and its climb and descent limits.

Lives here: the floor under a track and the profile above it. Must not know areas, settings or sensors.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.ground.obstacles import Obstacle
from planner.ground.raycast import ceilings_of
from planner.ground.standoff import resting_on_ground_m, resting_on_obstacles_m
from planner.ground.surface import HeightGrid

Array = npt.NDArray[np.float64]

FLOOR_STEP_M = 1.0
"""The floor is looked at along a track at least this often."""
BLOCKS_PER_RADIUS = 6  # coarser blocks look farther than asked, finer ones cost more


@dataclass(frozen=True)
class HighestNearby:
    """The highest vertex round every place, on square blocks; never less than the true highest within the radius.

    Attributes
    ----------
    heights_m : ndarray, shape (rows, cols)
        Highest within the radius of anywhere in the block [m], row 0 north.
    west_m, north_m : float
        Local position of the first vertex [m].
    block_m : float
        Side of a block [m].
    radius_m : float
        The radius [m].
    grid : HeightGrid
        What it was looked for on.
    ceilings_m : ndarray
        Highest vertex of each block of `grid` [m], as from `ceilings_of`.
    """

    heights_m: Array
    west_m: float
    north_m: float
    block_m: float
    radius_m: float
    grid: HeightGrid
    ceilings_m: Array

    def at(self, east: npt.ArrayLike, north: npt.ArrayLike) -> Array:
        """Return the highest nearby [m] at local points, any shape; beyond the grid the nearest block answers."""
        rows, cols = self.heights_m.shape
        col = np.floor((np.asarray(east) - self.west_m) / self.block_m).astype(int)
        row = np.floor((self.north_m - np.asarray(north)) / self.block_m).astype(int)
        return np.asarray(self.heights_m[np.clip(row, 0, rows - 1), np.clip(col, 0, cols - 1)])


def highest_nearby(grid: HeightGrid, radius_m: float, known_only: bool = False) -> HighestNearby:
    """Return the highest vertex within a radius [m] of every place of a grid.

    With `known_only`, vertices without data do not count and places far from data take the highest of the grid;
    otherwise the bridge over a hole counts as ground.
    """
    factor = max(1, int(radius_m / BLOCKS_PER_RADIUS / grid.spacing_m))
    heights = np.where(grid.known | (not known_only), grid.heights_m, -np.inf)
    rows, cols = (-(-n // factor) for n in heights.shape)
    padded = np.full((rows * factor, cols * factor), -np.inf)
    padded[: heights.shape[0], : heights.shape[1]] = heights
    blocks = padded.reshape(rows, factor, cols, factor).max(axis=(1, 3))
    block_m = factor * grid.spacing_m
    far = radius_m + 1.5 * grid.spacing_m  # a triangle within the radius may have its vertices just beyond
    reach = int(np.ceil(far / block_m)) + 1
    around = np.pad(blocks, reach, constant_values=-np.inf)
    highest = np.full(blocks.shape, -np.inf)
    for down in range(-reach, reach + 1):
        for right in range(-reach, reach + 1):
            if np.hypot(max(abs(down) - 1, 0), max(abs(right) - 1, 0)) * block_m <= far:
                top, left = reach + down, reach + right
                np.maximum(highest, around[top : top + rows, left : left + cols], out=highest)
    highest = np.where(np.isfinite(highest), highest, heights.max())
    ceilings = ceilings_of(grid.heights_m)
    return HighestNearby(highest, grid.west_m, grid.north_m, block_m, radius_m, grid, ceilings)


@dataclass(frozen=True)
class Floor:
    """What a flight must stay above, anywhere on a site.

    Attributes
    ----------
    ground : HeightGrid
        The ground that `agl_m` is measured from.
    ground_nearby : HighestNearby
        Stands in where the ground is unknown.
    top_nearby : HighestNearby
        The highest top surface within the clearance or more.
    agl_m : float
        Wanted height above ground [m].
    clearance_m : float
        Least distance in space to top surface and obstacles, terrain doubt included [m].
    obstacles : tuple of Obstacle
        What stands there beside the top surface.
    """

    ground: HeightGrid
    ground_nearby: HighestNearby
    top_nearby: HighestNearby
    agl_m: float
    clearance_m: float
    obstacles: tuple[Obstacle, ...] = ()

    def __post_init__(self) -> None:
        """Refuse a top surface that was looked at less far round than the clearance."""
        if self.top_nearby.radius_m < self.clearance_m:
            msg = f"top_nearby reaches {self.top_nearby.radius_m:g} m round, clearance_m is {self.clearance_m:g}"
            raise ValueError(msg)

    def at(self, east: npt.ArrayLike, north: npt.ArrayLike) -> Array:
        """Return the least height [m] at local points, any shape.

        That is the least with which the ground is `agl_m` below and no part of top surface and obstacles nearer than
        the clearance, beside or below. Beyond the lattice the highest nearby stands in for the top surface.
        """
        east, north = np.broadcast_arrays(np.asarray(east, np.float64), np.asarray(north, np.float64))
        least = np.asarray(self.ground_m(east, north) + self.agl_m)
        # A ball on the top surface lies no higher than one on the highest point within its radius.
        at_most = self.top_nearby.at(east, north) + self.clearance_m
        grid = self.top_nearby.grid
        within = (grid.west_m <= east) & (east <= grid.east_m) & (grid.south_m <= north) & (north <= grid.north_m)
        least = np.where(within, least, np.maximum(least, at_most))
        near = within & (at_most > least)
        least[near] = resting_on_ground_m(
            grid, self.top_nearby.ceilings_m, self.clearance_m, east[near], north[near], least[near]
        )
        raised = resting_on_obstacles_m(self.obstacles, self.clearance_m, east.ravel(), north.ravel(), least.ravel())
        return raised.reshape(least.shape)

    def ground_m(self, east: npt.ArrayLike, north: npt.ArrayLike) -> Array:
        """Return the ground [m] at local points, any shape; where unknown the highest known ground nearby."""
        ground = self.ground.at(east, north)
        return np.where(np.isnan(ground), self.ground_nearby.at(east, north), ground)


def flight_floor_m(floor: Floor, along_m: Array, east_m: Array, north_m: Array) -> Array:
    """Return heights [m] at the vertices of a track, shape (k,), such that straight legs between them clear the floor.

    Where the floor between two vertices rises above their chord, both are lifted by the most it does, or to the
    highest floor between them where the ground is steep: a cliff must not lift what already lies above it.

    Parameters
    ----------
    floor : Floor
        What to stay above.
    along_m, east_m, north_m : ndarray, shape (k,)
        Distance along the track and local position of its vertices [m].
    """
    at_vertices = floor.at(east_m, north_m)
    step_m = min(FLOOR_STEP_M, floor.ground.spacing_m)
    parts = max(1, int(np.ceil(np.max(np.diff(along_m), initial=0.0) / step_m)))
    share = np.arange(1, parts) / parts
    between = [(v[:-1, np.newaxis] + np.diff(v)[:, np.newaxis] * share) for v in (east_m, north_m, at_vertices)]
    met = floor.at(between[0], between[1])
    lift = np.max(met - between[2], axis=1, initial=0.0)
    highest = np.max(met, axis=1, initial=-np.inf)
    to_highest = np.maximum(highest[:, np.newaxis] - np.column_stack([at_vertices[:-1], at_vertices[1:]]), 0.0)
    steep = to_highest.sum(axis=1) < 4 * lift
    first, second = (np.where(steep, to_highest[:, end], lift) for end in (0, 1))
    return np.asarray(at_vertices + np.maximum(np.append(first, 0.0), np.append(0.0, second)))


def lowest_profile_m(along_m: Array, floor_m: Array, climb_slope: float, descent_slope: float) -> Array:
    """Return the lowest heights [m] at or above a floor that obey a climb and a descent slope, shape (k,).

    Each point of the floor stands under a tent: it must be climbed to from behind and can be left only so fast. The
    highest tent at each place is feasible, and every feasible profile lies on or above it.

    Parameters
    ----------
    along_m : ndarray, shape (k,)
        Distance flown [m], growing.
    floor_m : ndarray, shape (k,)
        Least height [m].
    climb_slope, descent_slope : float
        Most rise and most fall per metre flown, both positive.
    """
    behind = np.maximum.accumulate(floor_m + descent_slope * along_m) - descent_slope * along_m
    ahead = np.maximum.accumulate((floor_m - climb_slope * along_m)[::-1])[::-1] + climb_slope * along_m
    return np.asarray(np.maximum(floor_m, np.maximum(behind, ahead)))
