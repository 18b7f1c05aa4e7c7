"""Flight lines: where the aircraft flies straight and keeps its data.

Lives here: the line itself and its layout over an area. Must not know the forecast.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from planner.flight.profile import Floor, flight_floor_m, lowest_profile_m

Array = npt.NDArray[np.float64]

STATION_M = 5.0  # distance between vertices of a line
SHORTEST_M = 5.0  # kept length of a line that clips a corner


@dataclass(frozen=True)
class FlightLine:
    """One straight leg with its lead-in and lead-out.

    Attributes
    ----------
    line_id : str
        Name of the line, unique in a plan, for example ``"L01"``.
    points_m : ndarray, shape (k, 3)
        East, north, up in the order flown, lead-in and lead-out included; local frame, scene heights [m].
    kept_m : (float, float)
        Horizontal distance along `points_m` at which data begin and cease to be kept [m].
    speed_mps : float
        Horizontal ground speed [m/s].
    pulse_rate_hz, line_rate_hz : float
        Pulses and scan lines per second [Hz]; `line_rate_hz` is 0 for a fixed beam.
    usable_half_angle_rad : float
        Largest accepted angle from the middle of the scan [rad].
    """

    line_id: str
    points_m: Array
    kept_m: tuple[float, float]
    speed_mps: float
    pulse_rate_hz: float
    line_rate_hz: float
    usable_half_angle_rad: float

    def along_m(self) -> Array:
        """Return the horizontal distance of each point from the first [m], shape (k,)."""
        steps = np.hypot(*np.diff(self.points_m[:, :2], axis=0).T)
        return np.concatenate([[0.0], np.cumsum(steps)])

    def kept_points_m(self) -> Array:
        """Return the kept part as east, north, up [m], shape (j, 3), its ends interpolated."""
        along = self.along_m()
        start, end = self.kept_m
        stations = np.concatenate([[start], along[(along > start) & (along < end)], [end]])
        return np.column_stack([np.interp(stations, along, self.points_m[:, axis]) for axis in range(3)])

    @property
    def kept_length_m(self) -> float:
        """Horizontal length of the kept part [m]."""
        return self.kept_m[1] - self.kept_m[0]

    @property
    def track_rad(self) -> float:
        """Direction flown from first to last point, clockwise from grid north [rad]."""
        east, north = self.points_m[-1, :2] - self.points_m[0, :2]
        return float(np.arctan2(east, north))


@dataclass(frozen=True)
class Layout:
    """Parallel tracks over an area, in a frame turned to their heading.

    Attributes
    ----------
    heading_rad : float
        Direction of the first line, clockwise from grid north [rad].
    spacing_m : float
        Distance between neighbouring tracks [m].
    across_m : ndarray, shape (n,)
        Distance of each track to the right of the origin, growing [m].
    spans_m : ndarray, shape (n, 2)
        Where along the heading each track must have its data kept: start and end [m].
    """

    heading_rad: float
    spacing_m: float
    across_m: Array
    spans_m: Array

    def place_m(self, along_m: npt.ArrayLike, across_m: npt.ArrayLike) -> tuple[Array, Array]:
        """Return local east and north [m] of distances along and across, any shape."""
        along, across = np.asarray(along_m, dtype=np.float64), np.asarray(across_m, dtype=np.float64)
        sin, cos = np.sin(self.heading_rad), np.cos(self.heading_rad)
        return np.asarray(along * sin + across * cos), np.asarray(along * cos - across * sin)


@dataclass(frozen=True)
class Manner:
    """How the lines of a layout are flown.

    Attributes
    ----------
    speed_mps, pulse_rate_hz, line_rate_hz, usable_half_angle_rad : float
        As in `FlightLine`.
    lead_m : float
        Straight flight before and after the kept part [m].
    extend_m : float
        How much farther data are kept at both ends, for a scan plane that is tilted forward or back [m].
    climb_slope, descent_slope : float
        Most rise and fall per metre flown.
    level_m : float or None
        Where all lines keep one constant height, the least that it may be [m]; None follows the ground.
    """

    speed_mps: float
    pulse_rate_hz: float
    line_rate_hz: float
    usable_half_angle_rad: float
    lead_m: float
    extend_m: float
    climb_slope: float
    descent_slope: float
    level_m: float | None


def turned(geometry: shapely.Geometry, heading_rad: float) -> shapely.Geometry:
    """Return a geometry with its x along a heading [rad] and its y to the right of it."""
    sin, cos = np.sin(heading_rad), np.cos(heading_rad)
    return shapely.transform(geometry, lambda en: en @ np.array([[sin, cos], [cos, -sin]]))


def long_side_rad(geometry: shapely.Geometry) -> float:
    """Return the grid heading of the long side of the least rectangle round a geometry [rad], from 0 to below pi."""
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(geometry))
    sides = np.diff(corners[:3], axis=0)
    east, north = sides[np.argmax(np.hypot(*sides.T))]
    heading = float(np.arctan2(east, north)) % np.pi
    return 0.0 if np.pi - heading < 1e-9 else heading


def lay_out(
    planned: shapely.MultiPolygon,
    judged: shapely.MultiPolygon,
    heading_rad: float,
    spacing_m: float,
    rims_m: tuple[float, float],
    hold_spacing: bool = False,
) -> Layout:
    """Return parallel tracks over an area.

    Each track spans the hull of what lies within half a spacing of it; the outermost two span all that lies outside
    them. Wide gaps are flown across: turning round in them would cost more.

    Parameters
    ----------
    planned, judged : shapely MultiPolygon
        The area that is flown, and the part of it that is judged; local coordinates [m].
    heading_rad : float
        Grid heading [rad].
    spacing_m : float
        Most distance between neighbours [m].
    rims_m : (float, float)
        Most distance from an outermost track to the edge of `planned` and of `judged` [m].
    hold_spacing : bool
        Keep the spacing and let the outermost tracks move out, rather than spread the tracks evenly.
    """
    area = turned(planned, heading_rad)
    _, planned_low, _, planned_high = area.bounds
    _, judged_low, _, judged_high = turned(judged, heading_rad).bounds
    first = min(planned_low + rims_m[0], judged_low + rims_m[1])
    last = max(planned_high - rims_m[0], judged_high - rims_m[1])
    middle, span = (first + last) / 2, max(last - first, 0.0)
    count = int(np.ceil(span / spacing_m - 1e-9)) + 1
    spacing = spacing_m if hold_spacing or count == 1 else span / (count - 1)
    across = middle + (np.arange(count) - (count - 1) / 2) * spacing
    low, high = across - spacing / 2, across + spacing / 2
    low[0], high[-1] = planned_low - 1, planned_high + 1
    parts = shapely.intersection(area, shapely.box(area.bounds[0] - 1, low, area.bounds[2] + 1, high))
    met = ~shapely.is_empty(parts)
    ends = shapely.bounds(parts[met])[:, [0, 2]]
    short = np.maximum(SHORTEST_M - np.diff(ends), 0.0) / 2
    return Layout(heading_rad, float(spacing), across[met], ends + short * np.array([-1.0, 1.0]))


def fly_lines(layout: Layout, floor: Floor, manner: Manner) -> tuple[FlightLine, ...]:
    """Return the flight lines of a layout in serpentine order, with heights on the lowest path allowed.

    Parameters
    ----------
    layout : Layout
        Where the tracks run.
    floor : Floor
        What to stay above; level lines keep at least the highest floor met anywhere.
    manner : Manner
        How they are flown.
    """
    flown = []
    for number, (across, (start, end)) in enumerate(zip(layout.across_m, layout.spans_m, strict=True)):
        kept = start - manner.extend_m, end + manner.extend_m
        along = _stations_m(kept[0] - manner.lead_m, *kept, kept[1] + manner.lead_m)
        if number % 2:
            along = along[::-1]
        east, north = layout.place_m(along, np.full(along.shape, across))
        distance = np.abs(along - along[0])
        flown.append((distance, east, north, flight_floor_m(floor, distance, east, north)))
    level = max(float(heights.max()) for *_, heights in flown)
    digits = max(2, len(str(len(flown))))
    lines = []
    for number, (distance, east, north, heights) in enumerate(flown, start=1):
        if manner.level_m is not None:
            up = np.full(heights.shape, max(level, manner.level_m))
        else:
            up = lowest_profile_m(distance, heights, manner.climb_slope, manner.descent_slope)
        lines.append(
            FlightLine(
                line_id=f"L{number:0{digits}d}",
                points_m=np.column_stack([east, north, up]),
                kept_m=(manner.lead_m, float(distance[-1]) - manner.lead_m),
                speed_mps=manner.speed_mps,
                pulse_rate_hz=manner.pulse_rate_hz,
                line_rate_hz=manner.line_rate_hz,
                usable_half_angle_rad=manner.usable_half_angle_rad,
            )
        )
    return tuple(lines)


def _stations_m(*ends_m: float) -> Array:
    """Return whole multiples of the station distance between the first and last end, and all ends [m], growing."""
    first, last = ends_m[0], ends_m[-1]
    whole = np.arange(np.ceil(first / STATION_M), np.floor(last / STATION_M) + 1) * STATION_M
    near = np.min(np.abs(whole[:, np.newaxis] - np.array(ends_m)), axis=1) < STATION_M / 10
    return np.unique(np.concatenate([whole[~near], ends_m]))
