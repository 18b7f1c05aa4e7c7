"""The faces of a site, and what one line brings to them in closed form.

Lives here: faces as places with normals, how many returns per square metre of face a pass leaves, and what hides them.
Must not know how lines are chosen, or files.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.assessment import Forecast
from planner.flight.flightlines import FlightLine
from planner.flight.patches import Track
from planner.flight.swath import single_pass_density_per_m2
from planner.forecast.faces import face_cells
from planner.forecast.parts import cell_classes
from planner.ground.raycast import first_hit
from planner.ground.surface import HeightGrid, Scene
from planner.mission import Mission
from planner.ranging.beams import ScanPattern
from planner.ranging.looks import forward_leans
from planner.survey.closing import Way, chance_of_return

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Numbers = npt.NDArray[np.int64]

MOST_FACES = 2000
"""Cells of faces that lines are chosen by; of more, an even sample."""

VERTICAL_DEG = 78.0
"""A face steeper than this counts as vertical where lines are chosen [deg].

In a raster a wall is a ramp one square wide: what falls on the plan of it lands on roof and floor in truth.
"""

_SEED = 1
_LEAST_DROP_M = 1.0  # a face is looked at from above by so much at least


@dataclass(frozen=True)
class Walls:
    """The faces of a site, or an even sample that stands for all.

    Attributes
    ----------
    places_m : ndarray, shape (n, 3)
        East, north, up of the middle of each cell [m].
    slopes : ndarray, shape (n, 2)
        Rise per metre toward east and north.
    areas_m2 : ndarray, shape (n,)
        Area of face that each stands for [m2].
    tilts : ndarray, shape (n,)
        Area of face over that of plan.
    codes : ndarray of uint8, shape (n,)
        Class of surface.
    wall : ndarray of int64, shape (n,)
        Number of its wall.
    flat : ndarray of int64, shape (n,)
        Flat number of the cell.
    names : tuple of str
        What walls are called.
    cell_m : float
        Side of a cell [m].
    """

    places_m: Array
    slopes: Array
    areas_m2: Array
    tilts: Array
    codes: npt.NDArray[np.uint8]
    wall: npt.NDArray[np.int64]
    flat: npt.NDArray[np.int64]
    names: tuple[str, ...]
    cell_m: float

    def at(self, which: Mask | npt.NDArray[np.int64]) -> "Walls":
        """Return some of the faces."""
        return Walls(
            places_m=self.places_m[which],
            slopes=self.slopes[which],
            areas_m2=self.areas_m2[which],
            tilts=self.tilts[which],
            codes=self.codes[which],
            wall=self.wall[which],
            flat=self.flat[which],
            names=self.names,
            cell_m=self.cell_m,
        )

    @property
    def outward_rad(self) -> Array:
        """The way each faces, clockwise from grid north [rad]."""
        return np.asarray(np.arctan2(-self.slopes[:, 0], -self.slopes[:, 1]))

    def sample(self) -> "Walls":
        """Return an even sample of at most `MOST_FACES` that stands for all."""
        count = len(self.flat)
        if count <= MOST_FACES:
            return self
        few = self.at(np.sort(np.random.default_rng(_SEED).choice(count, MOST_FACES, replace=False)))
        return replace(few, areas_m2=few.areas_m2 * (self.areas_m2.sum() / few.areas_m2.sum()))


def walls_of(mission: Mission, scene: Scene, forecast: Forecast) -> Walls:
    """Return the faces that a forecast judges."""
    cells, seen = forecast.cells, forecast.seen.faces
    known = forecast.judged & ~np.isnan(forecast.first_per_m2)
    faces = face_cells(known, cells, scene.layers, mission.faces, scene.walls)
    return Walls(
        places_m=seen.centres_m[faces.flat],
        slopes=seen.slopes[faces.flat],
        areas_m2=faces.areas_m2,
        tilts=faces.areas_m2 / cells.cell_m**2,
        codes=cell_classes(scene.cover, cells).ravel()[faces.flat],
        wall=faces.wall,
        flat=faces.flat,
        names=faces.names,
        cell_m=cells.cell_m,
    )


@dataclass(frozen=True)
class Sight:
    """How a line sees faces: one look at each, or one ahead and one behind of a pattern that spreads along the flight.

    Attributes
    ----------
    origins_m : ndarray, shape (n, 3)
        From where each is seen [m]; nan where that is outside the kept data.
    per_m2 : ndarray, shape (n,)
        First returns that the look brings, per square metre of face, were nothing in the way [1/m2].
    """

    origins_m: Array
    per_m2: Array


def sights(way: Way, line: FlightLine, track: Track, walls: Walls) -> tuple[Sight, ...]:
    """Return how a line along a track sees faces.

    A pass leaves D(y) = rate(t) cos^2 t / (v h) beams per square metre of a level plane through the face, t the angle
    off straight down (Baltsavias 1999, ISPRS J. 54:199-214). A face of slope vector s takes 1 + s . (sight in plan) / h
    of it for each square metre of its own plan, and 1 / sqrt(1 + s^2) of that for each square metre of face. For a
    vertical wall at stand-off d this becomes rate(t) sin t / (v R), R the range: the beams of one turn lie R dt apart
    across the sight, R dt / sin t apart up the wall. Derived here.

    Parameters
    ----------
    way : Way
        How it is flown.
    line : FlightLine
        With its heights.
    track : Track
        Where its data are kept.
    walls : Walls
        What is looked at.
    """
    along, aside = track.seen_m(walls.places_m)
    stations = track.seen_m(line.points_m)[0]
    up = line.points_m[:, 2]
    ahead = 1.0 if stations[-1] > stations[0] else -1.0
    if ahead < 0:
        stations, up = stations[::-1], up[::-1]
    kept = track.span_m[0] - way.extend_m, track.span_m[1] + way.extend_m
    leans = forward_leans(way.pattern)
    found = []
    for lean in leans.tolist():
        at, drop = along, np.interp(along, stations, up) - walls.places_m[:, 2]
        for _ in range(2):  # the height where the face is seen from is not that abeam of it
            at = along - ahead * _ahead_m(way.pattern, lean, aside, np.maximum(drop, 0.0))
            drop = np.interp(at, stations, up) - walls.places_m[:, 2]
        origins = np.column_stack([track.places_m(at), walls.places_m[:, 2] + drop])
        origins[(at < kept[0]) | (at > kept[1])] = np.nan
        found.append(Sight(origins, _per_m2(way, origins, aside, walls) / len(leans)))
    return tuple(found)


def _per_m2(way: Way, origins_m: Array, aside_m: Array, walls: Walls) -> Array:
    sight = walls.places_m - origins_m
    drop, distance = -sight[:, 2], np.linalg.norm(sight, axis=1)
    seen = (drop > _LEAST_DROP_M) & (np.arctan2(np.abs(aside_m), drop) < way.pattern.usable_half_angle_rad)
    drop, distance = np.where(seen, drop, 1.0), np.where(seen, distance, 1.0)
    upright = np.sqrt(1 + (walls.slopes**2).sum(axis=1))
    beneath = np.where(upright * np.cos(np.radians(VERTICAL_DEG)) > 1, 0.0, drop)
    toward = np.where(seen, beneath + (walls.slopes * sight[:, :2]).sum(axis=1), 0.0)
    level = single_pass_density_per_m2(way.pattern, np.where(seen, aside_m, 0.0), drop, way.speed_mps)
    chance = chance_of_return(way.light, walls.codes, distance, np.maximum(toward / (distance * upright), 0.0))
    return np.asarray(level * np.maximum(toward / drop, 0.0) * chance / walls.tilts)


def _ahead_m(pattern: ScanPattern, lean: float, aside_m: Array, drop_m: Array) -> Array:
    """Return how far behind a place the sensor is that sees it with a lean, its tilt included [m]."""
    tilted = drop_m * np.tan(pattern.forward_tilt_rad)
    if pattern.kind in ("conical", "rosette"):
        ring = (np.tan(pattern.optical_half_angle_rad) * drop_m) ** 2 - aside_m**2
        return np.asarray(tilted + lean * np.sqrt(np.maximum(ring, 0.0)))
    if pattern.kind == "matrix":
        return np.asarray(tilted + lean * drop_m)
    return np.asarray(tilted + lean * np.hypot(aside_m, drop_m))


def open_to(sight: Sight, walls: Walls, surface: HeightGrid) -> Mask:
    """Return which faces nothing hides from where they are seen, shape (n,)."""
    found = np.zeros(len(walls.flat), dtype=bool)
    which = np.flatnonzero(sight.per_m2 > 0)
    if which.size:
        away = walls.places_m[which] - sight.origins_m[which]
        distance = np.linalg.norm(away, axis=1)
        met = first_hit(surface, sight.origins_m[which], away / distance[:, np.newaxis])
        # What is met within a cell's side of its middle is the cell itself.
        found[which] = met >= distance - walls.cell_m
    return found
