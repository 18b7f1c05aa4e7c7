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
class Swaths:
    """What swaths reach.

    Attributes
    ----------
    shared_m : ndarray, any shape
        Facing half swaths of neighbouring lines, added up [m]; nan where nobody plans, sees ground or a wall blocks.
    drops_m : ndarray, shape (j,)
        Heights above what is judged, beneath the track and at the edge of the swath [m].
    """

    shared_m: Array
    drops_m: Array

    def least_shared_m(self) -> float:
        """Return the least sum of facing half swaths [m]; inf where no two lines are neighbours."""
        return float(np.min(self.shared_m, initial=np.inf, where=np.isfinite(self.shared_m)))

    def deepest_m(self, percent: float) -> float:
        """Return the height [m] that a share [percent] of all heights stays below; 0 where none is known."""
        return float(np.percentile(self.drops_m, percent)) if self.drops_m.size else 0.0


@dataclass(frozen=True)
class LocalSwaths(Swaths):
    """What the swaths of a layout reach, station by station along the heading.

    Attributes
    ----------
    shared_m, drops_m : ndarray, shapes (n - 1, k), (j,)
        As for `Swaths`.
    along_m : ndarray, shape (k,)
        Where the stations lie along the heading [m].
    outer_m : ndarray, shape (2, k)
        Half swaths to the left of the first track and to the right of the last [m]; nan as above.
    """

    along_m: Array
    outer_m: Array


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
    halves = np.full((2, len(lines), along.size), np.nan)
    drops = []
    for number, (line, across, span) in enumerate(zip(lines, layout.across_m, layout.spans_m, strict=True)):
        within = (along >= span[0]) & (along <= span[1])
        east, north = layout.place_m(along[within], np.full(int(within.sum()), across))
        if not east.size:
            continue
        up = _heights_at_m(line, layout, along[within])
        flown_forward = 1.0 if number % 2 == 0 else -1.0
        for side, right in enumerate((-1.0, 1.0)):
            direction = _edge_ray(layout.heading_rad, right * line.usable_half_angle_rad, flown_forward * tilt_rad)
            origins = np.column_stack([east, north, up])
            ranges = first_hit(scene.top, origins, np.tile(direction, (east.size, 1)))
            ranges[~(ranges > 0)] = np.nan  # a start under the ground has no swath
            hits = origins + ranges[:, np.newaxis] * direction
            reached = ranges * abs(np.sin(line.usable_half_angle_rad))
            halves[side, number, within] = np.where(_at_wall(scene.top, hits), np.nan, reached)
            drops.append((up - hits[:, 2])[_inside(scene.area, hits[:, 0], hits[:, 1])])
        drops.append((up - scene.ground.at(east, north))[_inside(scene.area, east, north)])
    neighbours = np.diff(layout.across_m) < 1.5 * layout.spacing_m
    middles = layout.place_m(along[np.newaxis, :], ((layout.across_m[1:] + layout.across_m[:-1]) / 2)[:, np.newaxis])
    wanted = _inside(scene.planned, *np.broadcast_arrays(*middles)) & neighbours[:, np.newaxis]
    shared = np.where(wanted, halves[1, :-1] + halves[0, 1:], np.nan)
    every = np.concatenate(drops) if drops else np.zeros(0)
    return LocalSwaths(shared, every[np.isfinite(every)], along, np.array([halves[0, 0], halves[1, -1]]))


def _edge_ray(heading_rad: float, angle_rad: float, tilt_rad: float) -> Array:
    """Return the unit east, north, up of a ray at an angle to the right, in a plane tilted along the heading."""
    along, right, down = np.cos(angle_rad) * np.sin(tilt_rad), np.sin(angle_rad), np.cos(angle_rad) * np.cos(tilt_rad)
    sin, cos = np.sin(heading_rad), np.cos(heading_rad)
    return np.array([along * sin + right * cos, along * cos - right * sin, -down])


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
