"""The swath as it falls on real ground, and what neighbouring lines share.

Lives here: edge rays of flown lines and the sidelap they leave. Must not know missions or settings.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from planner.flight.flightlines import STATION_M, FlightLine, Layout
from planner.ground.raycast import first_hit
from planner.ground.surface import HeightGrid, Scene

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

STEEPEST_WALL = 1.0  # rise per metre: what stops an edge ray at 45 degrees or more is a wall, not ground that rises
PROBES = 2  # grid spacings on either side of a hit within which a wall counts


@dataclass(frozen=True)
class LocalSwaths:
    """What the swaths of a layout reach, station by station along the heading.

    Attributes
    ----------
    along_m : ndarray, shape (k,)
        Where the stations lie along the heading [m].
    apart_m : ndarray, shape (n - 1,)
        Distance from each track to the next [m].
    halves_m : ndarray, shape (2, n, k)
        Half swaths to the left and right of each track [m]; nan where it has no data, sees no ground, or a wall blocks.
    shared_m : ndarray, shape (n - 1, k)
        Facing half swaths of neighbouring tracks, added up [m]; nan as above and where nobody plans between them.
    heights_m : ndarray, shape (3, n, k)
        Heights above what is judged at the left edge, beneath the track and at the right edge [m]; nan elsewhere.
    """

    along_m: Array
    apart_m: Array
    halves_m: Array
    shared_m: Array
    heights_m: Array

    @property
    def outer_m(self) -> Array:
        """Half swaths to the left of the first track and to the right of the last [m], shape (2, k)."""
        return self.halves_m[[0, 1], [0, -1]]

    def least_shared_m(self) -> Array:
        """Return the least sum of facing half swaths of each track and the next [m], shape (n - 1,); inf for none."""
        return np.asarray(np.min(self.shared_m, axis=1, initial=np.inf, where=np.isfinite(self.shared_m)))


@dataclass(frozen=True)
class Swaths:
    """What the swaths of a flight reach.

    Attributes
    ----------
    legs : tuple of LocalSwaths
        Those of each leg.
    ending_m : ndarray, shape (j,)
        Twice the half swaths of outermost tracks that end within their leg, where a neighbour's would be shared [m].
    """

    legs: tuple[LocalSwaths, ...]
    ending_m: Array

    def least_shared_m(self) -> float:
        """Return the least sum of facing half swaths [m]; inf where no two lines are neighbours."""
        return float(
            np.min(np.concatenate([self.ending_m, *(leg.least_shared_m() for leg in self.legs)]), initial=np.inf)
        )

    def least_sidelap(self) -> float:
        """Return the least share of a local swath that its neighbour covers too; inf where no lines are neighbours.

        Negative where swaths do not meet.
        """
        shares = [1 - leg.apart_m[known] / least[known] for leg in self.legs for least, known in [_known(leg)]]
        return float(np.min(np.concatenate([[np.inf], *shares])))

    def deepest_m(self, percent: float) -> float:
        """Return the height [m] that a share [percent] of all heights stays below; 0 where none is known."""
        drops = np.concatenate([leg.heights_m[np.isfinite(leg.heights_m)] for leg in self.legs])
        return float(np.percentile(drops, percent)) if drops.size else 0.0


def local_swaths(scene: Scene, layout: Layout, lines: Sequence[FlightLine], tilt_rad: float) -> LocalSwaths:
    """Return the swaths of flown lines on the top surface.

    Parameters
    ----------
    scene : Scene
        The site.
    layout : Layout
        Where the lines run.
    lines : sequence of FlightLine
        One a track of `layout`, in its order.
    tilt_rad : float
        Tilt of the scan plane, positive forward [rad].
    """
    stations = np.arange(np.ceil(layout.spans_m[:, 0].min() / STATION_M), layout.spans_m[:, 1].max() // STATION_M + 1)
    along = stations * STATION_M
    within = (along >= layout.spans_m[:, :1]) & (along <= layout.spans_m[:, 1:])
    track, station = np.nonzero(within)
    east, north = layout.place_m(along[station], layout.across_m[track])
    flown = [_heights_at_m(line, layout, along[own]) for line, own in zip(lines, within, strict=True)]
    up = np.concatenate(flown)
    origins = np.column_stack([east, north, up])
    halves = np.full((2, *within.shape), np.nan)
    heights = np.full((3, *within.shape), np.nan)
    heights[1, within] = _above(scene, origins, scene.ground.at(east, north))
    half_rad = np.array([line.usable_half_angle_rad for line in lines])[track]
    forward_rad = np.where(track % 2, -tilt_rad, tilt_rad)
    for side, right in enumerate((-1.0, 1.0)):
        directions = _edge_rays(layout.heading_rad, right * half_rad, forward_rad)
        ranges = first_hit(scene.top, origins, directions)
        ranges[~(ranges > 0)] = np.nan  # a start under the ground has no swath
        hits = origins + ranges[:, np.newaxis] * directions
        reached = ranges * np.abs(np.sin(half_rad))
        halves[side, within] = np.where(_at_wall(scene.top, hits), np.nan, reached)
        heights[2 * side, within] = _above(scene, np.column_stack([hits[:, :2], up]), hits[:, 2])
    neighbours = np.diff(layout.across_m) < 1.5 * layout.spacing_m
    middles = layout.place_m(along[np.newaxis, :], ((layout.across_m[1:] + layout.across_m[:-1]) / 2)[:, np.newaxis])
    wanted = _inside(scene.planned, *np.broadcast_arrays(*middles)) & neighbours[:, np.newaxis]
    shared = np.where(wanted, halves[1, :-1] + halves[0, 1:], np.nan)
    return LocalSwaths(along, np.diff(layout.across_m), halves, shared, heights)


def _known(leg: LocalSwaths) -> tuple[Array, Mask]:
    """Return the least sums of facing half swaths [m], and which are known, shape (n - 1,)."""
    least = leg.least_shared_m()
    return least, np.isfinite(least)


def _above(scene: Scene, points_m: Array, ground_m: Array) -> Array:
    """Return the heights of points above ground [m], shape (n,); nan where nothing is judged."""
    inside = _inside(scene.area, points_m[:, 0], points_m[:, 1])
    return np.where(inside, points_m[:, 2] - ground_m, np.nan)


def _edge_rays(heading_rad: float, angle_rad: Array, tilt_rad: Array) -> Array:
    """Return the unit east, north, up of rays at angles to the right, in planes tilted along the heading, (n, 3)."""
    along, right, down = np.cos(angle_rad) * np.sin(tilt_rad), np.sin(angle_rad), np.cos(angle_rad) * np.cos(tilt_rad)
    sin, cos = np.sin(heading_rad), np.cos(heading_rad)
    return np.column_stack([along * sin + right * cos, along * cos - right * sin, -down])


def _heights_at_m(line: FlightLine, layout: Layout, along_m: Array) -> Array:
    """Return the heights of a line at distances along the heading [m]."""
    sin, cos = np.sin(layout.heading_rad), np.cos(layout.heading_rad)
    own = line.points_m[:, 0] * sin + line.points_m[:, 1] * cos
    order = np.argsort(own)
    return np.asarray(np.interp(along_m, own[order], line.points_m[order, 2]))


def _at_wall(top: HeightGrid, hits: Array) -> Mask:
    """Return which hits lie on or beside a wall, whichever way it runs, shape (n,)."""
    steps = np.arange(-PROBES, PROBES + 1)[:, np.newaxis] * top.spacing_m
    east, north = hits[:, 0], hits[:, 1]
    lines = top.at(east + steps, north + 0 * steps), top.at(east + 0 * steps, north + steps)
    rises = [np.abs(np.diff(heights, axis=0)) / top.spacing_m for heights in lines]
    return np.asarray(np.any(np.hypot(*rises) > STEEPEST_WALL, axis=0))


def _inside(geometry: shapely.Geometry, east: Array, north: Array) -> Mask:
    """Return which points lie inside a geometry, any shape."""
    return np.asarray(shapely.contains_xy(geometry, east, north))
