"""Flight lines: where the aircraft flies straight and keeps its data.

Lives here: the line itself and its layout over an area. Must not know the forecast.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from planner.flight.profile import FLOOR_STEP_M, Floor, flight_floor_m, lowest_profile_m
from planner.flight.steps import Relief, Steps, levels_m, parts_of

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
        Distance between neighbouring tracks [m], the most where they do not lie evenly.
    across_m : ndarray, shape (n,)
        Distance of each track to the right of the origin, growing [m].
    spans_m : ndarray, shape (n, 2)
        Where along the heading each track must have its data kept: start and end [m].
    even : bool
        Whether all neighbours are as far apart as one another.
    """

    heading_rad: float
    spacing_m: float
    across_m: Array
    spans_m: Array
    even: bool = True

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
        Where all lines keep one constant height, the least that it may be [m]; None follows the ground or flies in
        steps.
    steps : Steps or None
        Where lines keep constant heights in steps, what these keep to.
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
    steps: Steps | None = None


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
    first, last = outermost_m(planned, judged, heading_rad, rims_m)
    middle, span = (first + last) / 2, max(last - first, 0.0)
    count = int(np.ceil(span / spacing_m - 1e-9)) + 1
    spacing = spacing_m if hold_spacing or count == 1 else span / (count - 1)
    across = np.asarray(middle + (np.arange(count) - (count - 1) / 2) * spacing, dtype=np.float64)
    return Layout(heading_rad, float(spacing), *_spans_m(planned, heading_rad, across))


def lay_at(planned: shapely.MultiPolygon, heading_rad: float, across_m: Array, aside_m: float | None = None) -> Layout:
    """Return tracks at places of their own over an area; those with nothing to span are left out.

    Parameters
    ----------
    planned : shapely MultiPolygon
        The area that is flown, local coordinates [m].
    heading_rad : float
        Grid heading [rad].
    across_m : ndarray, shape (n,)
        Distance of each track to the right of the origin, growing [m]; at least two.
    aside_m : float or None
        Each spans the hull of what lies so near to it [m]; None of what lies nearer to it than to any other.
    """
    spans = _spans_m(planned, heading_rad, across_m, aside_m)
    return Layout(heading_rad, float(np.diff(across_m).max()), *spans, even=False)


def outermost_m(
    planned: shapely.MultiPolygon, judged: shapely.MultiPolygon, heading_rad: float, rims_m: tuple[float, float]
) -> tuple[float, float]:
    """Return where the outermost tracks may lie at most, to the right of the origin [m]; parameters as for `lay_out`.

    The first is beyond the second where one track will do.
    """
    _, planned_low, _, planned_high = turned(planned, heading_rad).bounds
    _, judged_low, _, judged_high = turned(judged, heading_rad).bounds
    first = min(planned_low + rims_m[0], judged_low + rims_m[1])
    return first, max(planned_high - rims_m[0], judged_high - rims_m[1])


def _spans_m(
    planned: shapely.MultiPolygon, heading_rad: float, across_m: Array, aside_m: float | None = None
) -> tuple[Array, Array]:
    """Return the tracks that have some of the area near them, (n,), and from where to where it goes, (n, 2) [m]."""
    area = turned(planned, heading_rad)
    start, low, end, high = area.bounds
    middles = (across_m[1:] + across_m[:-1]) / 2
    if aside_m is None:
        lows, highs = np.concatenate([[low - 1], middles]), np.concatenate([middles, [high + 1]])
    else:
        lows, highs = across_m - aside_m, across_m + aside_m
    parts = shapely.intersection(area, shapely.box(start - 1, lows, end + 1, highs))
    met = ~shapely.is_empty(parts)
    ends = shapely.bounds(parts[met])[:, [0, 2]]
    short = np.maximum(SHORTEST_M - np.diff(ends), 0.0) / 2
    return across_m[met], ends + short * np.array([-1.0, 1.0])


def level_clearance_m(clearance_m: float) -> float:
    """Return how far a level line keeps from a thing at its vertices so that it keeps a clearance [m] between them.

    Between two vertices that are R away the line is at least sqrt(R^2 - (d / 2)^2) away, d from one to the other.
    """
    return float(np.hypot(clearance_m, STATION_M / 2))


def fly_lines(layout: Layout, floor: Floor, manner: Manner) -> tuple[FlightLine, ...]:
    """Return the flight lines of a layout in serpentine order, with heights on the lowest path allowed.

    Parameters
    ----------
    layout : Layout
        Where the tracks run.
    floor : Floor
        What to stay above; level lines keep at least the highest floor met anywhere. Lines in steps may lie lower than
        its height above ground, as far as these let them.
    manner : Manner
        How they are flown. A line in steps has two vertices over the place of each, see `planner.flight.cuts`.
    """
    places = []
    for number, (start, end) in enumerate(layout.spans_m):
        kept = start - manner.extend_m, end + manner.extend_m
        along = _stations_m(kept[0] - manner.lead_m, *kept, kept[1] + manner.lead_m)
        places.append(along[::-1] if number % 2 else along)
    if manner.steps is None:
        profiles = _profiles(layout, places, floor, manner)
    else:
        profiles = _stepped(layout, places, floor, manner.lead_m, manner.steps)
    digits = max(2, len(str(len(profiles))))
    lines = []
    for number, (across, (along, up)) in enumerate(zip(layout.across_m, profiles, strict=True), start=1):
        east, north = layout.place_m(along, np.full(along.shape, across))
        lines.append(
            FlightLine(
                line_id=f"L{number:0{digits}d}",
                points_m=np.column_stack([east, north, up]),
                kept_m=(manner.lead_m, abs(float(along[-1] - along[0])) - manner.lead_m),
                speed_mps=manner.speed_mps,
                pulse_rate_hz=manner.pulse_rate_hz,
                line_rate_hz=manner.line_rate_hz,
                usable_half_angle_rad=manner.usable_half_angle_rad,
            )
        )
    return tuple(lines)


def _profiles(layout: Layout, places_m: Sequence[Array], floor: Floor, manner: Manner) -> list[tuple[Array, Array]]:
    """Return stations of tracks in the order flown, with the lowest heights that the manner allows [m]."""
    distances = [np.abs(along - along[0]) for along in places_m]
    floors = [
        flight_floor_m(floor, distance, *layout.place_m(along, np.full(along.shape, across)))
        for along, distance, across in zip(places_m, distances, layout.across_m, strict=True)
    ]
    if manner.level_m is not None:
        level = max(manner.level_m, *(float(heights.max()) for heights in floors))
        return [(along, np.full(along.shape, level)) for along in places_m]
    return [
        (along, lowest_profile_m(distance, heights, manner.climb_slope, manner.descent_slope))
        for along, distance, heights in zip(places_m, distances, floors, strict=True)
    ]


def _stepped(
    layout: Layout, places_m: Sequence[Array], floor: Floor, lead_m: float, steps: Steps
) -> list[tuple[Array, Array]]:
    """Return stations of tracks in the order flown, with constant heights in steps [m], two over the place of each."""
    lowest = replace(floor, agl_m=steps.least_agl_m, clearance_m=level_clearance_m(floor.clearance_m))
    tracks = [
        parts_of(_relief(layout, np.sort(along), float(across), lowest, lead_m), steps)
        for along, across in zip(places_m, layout.across_m, strict=True)
    ]
    profiles = []
    for along, parts, levels in zip(places_m, tracks, levels_m(tracks), strict=True):
        stations: Array = np.sort(along)
        up: Array = np.full(along.shape, levels[0])
        for part, below, above in zip(parts[1:], levels, levels[1:], strict=False):
            at = int(np.searchsorted(stations, part.core_m[0] - 1e-6))
            up[at:] = above
            if below != above:
                stations, up = np.insert(stations, at, stations[at]), np.insert(up, at, below)
        forward = along[-1] > along[0]
        profiles.append((stations, up) if forward else (stations[::-1], up[::-1]))
    return profiles


def _relief(layout: Layout, along_m: Array, across_m: float, floor: Floor, lead_m: float) -> Relief:
    """Return the ground under a track between its stations, and the floor that level flight keeps over it."""
    parts = max(1, int(np.ceil(float(np.diff(along_m).max()) / FLOOR_STEP_M)))
    fine = along_m[:-1, np.newaxis] + np.diff(along_m)[:, np.newaxis] * np.arange(parts + 1) / parts
    ground = floor.ground_m(*layout.place_m(fine, np.full(fine.shape, across_m)))
    least = floor.at(*layout.place_m(along_m, np.full(along_m.shape, across_m)))
    return Relief(along_m, ground.min(axis=1), ground.max(axis=1), np.maximum(least[:-1], least[1:]), lead_m)


def _stations_m(*ends_m: float) -> Array:
    """Return whole multiples of the station distance between the first and last end, and all ends [m], growing."""
    first, last = ends_m[0], ends_m[-1]
    whole = np.arange(np.ceil(first / STATION_M), np.floor(last / STATION_M) + 1) * STATION_M
    near = np.min(np.abs(whole[:, np.newaxis] - np.array(ends_m)), axis=1) < STATION_M / 10
    return np.unique(np.concatenate([whole[~near], ends_m]))
