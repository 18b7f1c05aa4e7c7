"""What lines bring to the ground as it is, by closed forms at places spread over it.

Lives here: the places, and the density that passes leave on sloping ground. Must not know missions or how lines were
laid.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from planner.flight.flightlines import FlightLine
from planner.ground.surface import HeightGrid
from planner.ranging.beams import ScanPattern, angular_pulse_rate
from planner.ranging.linkbudget import Reach

Array = npt.NDArray[np.float64]

PLACES = 1500
"""Places at most: the 5th percentile of so many is known to half a percent of them, one standard deviation."""


@dataclass(frozen=True)
class Places:
    """Places spread evenly over a surface.

    Attributes
    ----------
    points_m : ndarray, shape (n, 3)
        East, north, up [m].
    rises : ndarray, shape (n, 2)
        Rise per metre toward east and toward north.
    """

    points_m: Array
    rises: Array


def places_on(surface: HeightGrid, solid: HeightGrid, area: shapely.MultiPolygon, cell_m: float) -> Places:
    """Return places on a square lattice over an area where the surface is known.

    Parameters
    ----------
    surface : HeightGrid
        What is to be seen.
    solid : HeightGrid
        The same without crowns, which are porous: whose rise counts.
    area : shapely MultiPolygon
        Local coordinates [m].
    cell_m : float
        Over how much the rise is taken [m].
    """
    west, south, east, north = area.bounds
    step = max(float(np.sqrt(area.area / PLACES)), 2 * surface.spacing_m)
    lattice = np.meshgrid(np.arange(west + step / 2, east, step), np.arange(south + step / 2, north, step))
    within = shapely.contains_xy(area, *lattice)
    x, y = (axis[within] for axis in lattice)
    reach = max(cell_m / 2, solid.spacing_m)
    rises = [
        (solid.at(x + ahead, y + aside) - solid.at(x - ahead, y - aside)) / (2 * reach)
        for ahead, aside in ((reach, 0.0), (0.0, reach))
    ]
    points, slopes = np.column_stack([x, y, surface.at(x, y)]), np.column_stack(rises)
    known = np.isfinite(points[:, 2]) & np.isfinite(slopes).all(axis=1)
    return Places(points[known], slopes[known])


def brought_per_m_s(
    places: Places, lines: Sequence[FlightLine], pattern: ScanPattern, reach: Reach, *, pooled: bool
) -> Array:
    """Return the density that lines bring to places per square metre of plan, flown at 1 m/s [1/(m s)], shape (n,).

    A pass whose scan plane stands upright sees a place y beside its track and h below it at the angle t = atan(y / h);
    where ground rises outward by s per metre, dt/dy = (h + y s) / (h^2 + y^2), so that rate(t) (h + y s) /
    (v (h^2 + y^2)) pulses fall on a square metre of plan. On flat ground this is rate(t) cos^2 t / (v h). Derived
    here. Nothing comes back from beyond reach at the angle at which the ground is met, nor from nearer than the least
    range; what hides a place from a line is left to the forecast.

    Parameters
    ----------
    places : Places
        On the ground.
    lines : sequence of FlightLine
        Straight lines; those with a usable angle of their own.
    pattern : ScanPattern
        What scans; a tilt of its plane lengthens the way down.
    reach : Reach
        Longest ranges.
    pooled : bool
        All passes added, or the best of them.
    """
    total = np.zeros(len(places.points_m))
    steep = np.hypot(1.0, np.hypot(*places.rises.T))
    for line in lines:
        track, first = line.track_rad, line.points_m[0]
        forward, right = np.array([np.sin(track), np.cos(track)]), np.array([np.cos(track), -np.sin(track)])
        away = places.points_m[:, :2] - first[:2]
        along, aside, outward = away @ forward, away @ right, places.rises @ right
        drop = np.interp(along, line.along_m(), line.points_m[:, 2]) - places.points_m[:, 2]
        drop = drop / np.cos(pattern.forward_tilt_rad)
        square = drop**2 + aside**2
        distance = np.sqrt(square)
        facing = drop + aside * outward
        angle = np.arctan2(aside, drop)
        cosine = np.clip(facing / (distance * steep), 0.0, 1.0)
        seen = (along >= line.kept_m[0]) & (along <= line.kept_m[1]) & (drop > 0) & (facing > 0)
        seen &= (np.abs(angle) <= line.usable_half_angle_rad * (1 + 1e-9)) & (distance >= reach.min_range_m)
        seen &= distance <= reach.longest_m(cosine)
        one = np.zeros(len(total))
        one[seen] = angular_pulse_rate(pattern, angle[seen]) * facing[seen] / square[seen]
        total = total + one if pooled else np.maximum(total, one)
    return total
