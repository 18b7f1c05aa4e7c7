"""Flight lines from lines that anyone drew.

Lives here: the way from a drawn line to a `FlightLine`: heights typed, settings filled in, values checked.
Must not know file formats, nor how the planner lays lines.
"""

import math
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt
import shapely

from planner.errors import Fault, InputError
from planner.files.drawnlines import Drawn, read_drawn, refusal
from planner.flight.flightlines import FlightLine
from planner.ground.surface import Scene
from planner.mission import Mission

Array = npt.NDArray[np.float64]

DENSE_M = 5.0
"""Longest step of a line whose heights are above ground: it follows the ground between its drawn vertices."""
REPEATED_M = 0.001
"""Vertices nearer than this to the one before are the same vertex drawn twice."""
BEND_RAD = math.radians(5.0)
"""A track that turns farther is another leg."""
WIGGLE_M = 1.0
REFERENCES = ("ellipsoidal", "orthometric", "agl")


def read_lines(path: Path, mission: Mission, scene: Scene) -> tuple[FlightLine, ...]:
    """Return the flight lines of a file, in file order, in the scene's frame and heights; bent lines leg by leg.

    Settings are taken from a line's own properties (`speed_mps pulse_rate_hz line_rate_hz usable_half_angle_deg
    kept_from_m kept_to_m height_reference`), else from the mission's flight, else from the sensor card. A line
    without heights flies `flight.agl_m` above the ground.

    Raises
    ------
    InputError
        E02 no lines, E04 no CRS, E05 coordinates out of range, E08 off the terrain, E09 no ground below, E13 heights
        not linked to the scene's, E33 value out of range, E34 contradictory values, E43 rate not on the card,
        E45 malformed; the faults of all lines at once.
    """
    lines: list[FlightLine] = []
    faults: list[Fault] = []
    for drawn in read_drawn(path):
        try:
            for leg in _straight_legs(_flight_line(drawn, len(lines) + 1, mission, scene)):
                lines.append(replace(leg, line_id=_free_name(leg.line_id, lines)))
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(*faults)
    if not lines:
        raise refusal("E02", path.name, "no line in the file", "draw flight lines as LineString or MultiLineString")
    return tuple(lines)


def _free_name(name: str, lines: list[FlightLine]) -> str:
    """Return a name, with a number behind it where a line has it already."""
    taken = {line.line_id for line in lines}
    unique, number = name, 2
    while unique in taken:
        unique, number = f"{name}-{number}", number + 1
    return unique


def _straight_legs(line: FlightLine) -> list[FlightLine]:
    """Return a bent line as straight legs, those that keep data; a straight line comes back as it is.

    A leg ends where the track, wiggles of a metre smoothed away, has turned from its first heading by more than
    `BEND_RAD`: the forecast flies a leg at one heading.
    """
    numbered = np.column_stack([line.points_m[:, :2], np.arange(len(line.points_m))])
    smooth = shapely.simplify(shapely.LineString(numbered), WIGGLE_M, preserve_topology=False)
    corners = shapely.get_coordinates(smooth, include_z=True)
    headings = np.arctan2(*np.diff(corners[:, :2], axis=0).T)
    cuts, first = [0], headings[0]
    for heading, corner in zip(headings[1:], corners[1:-1, 2], strict=True):
        if abs((heading - first + np.pi) % (2 * np.pi) - np.pi) > BEND_RAD:
            cuts.append(int(corner))
            first = heading
    if len(cuts) == 1:
        return [line]
    along = line.along_m()
    legs = []
    for number, (start, end) in enumerate(pairwise([*cuts, len(along) - 1]), 1):
        kept = max(line.kept_m[0] - along[start], 0.0), min(line.kept_m[1], along[end]) - along[start]
        if kept[1] - kept[0] > REPEATED_M:
            points, kept_m = line.points_m[start : end + 1], (float(kept[0]), float(kept[1]))
            legs.append(replace(line, line_id=f"{line.line_id}.{number}", points_m=points, kept_m=kept_m))
    return legs


def _flight_line(drawn: Drawn, place: int, mission: Mission, scene: Scene) -> FlightLine:
    """Return a line under its own name, or one by its place in the file."""
    _check_positions(drawn, scene)
    points = _points_m(drawn, mission, scene)
    length_m = float(_along_m(points)[-1])
    kept_from, kept_to = drawn.number("kept_from_m"), drawn.number("kept_to_m")
    kept = (kept_from or 0.0, length_m if kept_to is None else kept_to)
    if not 0 <= kept[0] < kept[1] <= length_m + 0.01:
        what = f"kept from {kept[0]:g} m to {kept[1]:g} m on a line of {length_m:.2f} m"
        raise refusal("E34", drawn.where, what, "keep 0 <= kept_from_m < kept_to_m <= length, or leave both out")
    name = str(drawn.get("id") or drawn.get("name") or f"L{place:02d}")
    return FlightLine(name, points, kept, *_settings(drawn, mission))


def _settings(drawn: Drawn, mission: Mission) -> tuple[float, float, float, float]:
    """Return speed [m/s], pulse and line rate [Hz] and usable half angle [rad]."""
    flight, sensor = mission.flight, mission.sensor
    speed = drawn.number("speed_mps")
    speed = flight.speed_mps if speed is None else speed
    if speed is None or speed <= 0:
        what = "no speed" if speed is None else f"speed_mps is {speed:g}, at or below 0"
        raise refusal("E33", drawn.where, what, "give the line `speed_mps`, or the mission `flight.speed_mps`")
    pulse_rate = _rate(drawn, "pulse_rate_hz", flight.pulse_rate_hz, sensor.pulse_rates_hz)
    line_rate = _rate(drawn, "line_rate_hz", flight.line_rate_hz, sensor.line_rates_hz or (0.0,))
    widest = sensor.optical_fov_deg / 2
    half_angle = drawn.number("usable_half_angle_deg")
    half_angle = sensor.usable_fov_deg / 2 if half_angle is None else half_angle
    # The tolerance lets the planner's own angles through, which went from degrees to radians and back.
    if not (0 < half_angle <= widest + 1e-9 and half_angle < 90) and sensor.pattern != "profiling":
        what = f"usable_half_angle_deg is {half_angle:g}, the sensor opens {widest:g} to each side"
        raise refusal("E33", drawn.where, what, f"give an angle above 0, below 90 and up to {widest:g}")
    return speed, pulse_rate, line_rate, math.radians(half_angle)


def _rate(drawn: Drawn, name: str, chosen: float | None, allowed: tuple[float, ...]) -> float:
    """Return a rate that the card has: the line's own, the mission's or the card's first."""
    given = drawn.number(name)
    rate = chosen if given is None else given
    if rate is None:
        return allowed[0]
    for known in allowed:
        if math.isclose(rate, known, rel_tol=1e-6):
            return known
    choice = ", ".join(f"{known:g}" for known in allowed)
    raise refusal("E43", drawn.where, f"{name} {rate:g} is not one the sensor card has", f"choose one of {choice}")


def _check_positions(drawn: Drawn, scene: Scene) -> None:
    positions = drawn.positions
    if positions.ndim != 2 or len(positions) < 2 or positions.shape[1] not in (2, 3):
        what = "a line needs at least two positions, all with two or all with three numbers"
        raise refusal("E45", drawn.where, what, "draw it again")
    if not np.isfinite(positions).all():
        raise refusal("E45", drawn.where, "a coordinate is not a finite number", "draw the line again")
    lon, lat = positions[:, 0], positions[:, 1]
    if (np.abs(lat) > 90).any() or (np.abs(lon) > 180).any():
        what = f"longitude {lon[0]:g}, latitude {lat[0]:g} is not on Earth; the other way round {lat[0]:g}, {lon[0]:g}"
        raise refusal("E05", drawn.where, what, "write longitude first, and name the CRS the numbers are in")
    east, north = scene.frame.from_lonlat(lon, lat)
    ground = scene.ground
    beside = east.max() < ground.west_m or east.min() > ground.east_m
    if beside or north.max() < ground.south_m or north.min() > ground.north_m or not np.isfinite([east, north]).all():
        corners = scene.frame.to_lonlat([ground.west_m, ground.east_m], [ground.south_m, ground.north_m])
        (west_deg, east_deg), (south_deg, north_deg) = corners
        what = (
            f"the line (longitude {lon.min():.5f} to {lon.max():.5f}, latitude {lat.min():.5f} to {lat.max():.5f}) "
            f"lies off the terrain ({west_deg:.5f} to {east_deg:.5f}, {south_deg:.5f} to {north_deg:.5f})"
        )
        raise refusal("E08", drawn.where, what, "check the order of longitude and latitude, and the CRS of the file")


def _points_m(drawn: Drawn, mission: Mission, scene: Scene) -> Array:
    """Return a line's points in the local frame, scene heights [m], shape (k, 3)."""
    east, north = scene.frame.from_lonlat(drawn.positions[:, 0], drawn.positions[:, 1])
    heights, reference = _typed_heights(drawn)
    if heights is None:
        if mission.flight.agl_m is None:
            fix = "draw the line with heights, or give the mission `flight.agl_m`"
            raise refusal("E13", drawn.where, "the line has no heights", fix)
        heights, reference = np.full(len(east), mission.flight.agl_m), "agl"
    points: Array = np.column_stack([east, north, heights])
    points = points[np.concatenate([[True], np.diff(_along_m(points)) > REPEATED_M])]
    if len(points) < 2:
        raise refusal("E02", drawn.where, "a line without length", "remove it or draw it longer")
    if reference == "agl":
        return _above_ground(points, drawn, scene)
    if reference != scene.heights:
        lonlat = scene.frame.to_lonlat(points[:, 0], points[:, 1])
        separation = scene.geoid.at(*lonlat) if scene.geoid else np.array(np.nan)
        if np.isnan(separation).any():
            what = f"line heights are {reference}, terrain heights are {scene.heights}, and no geoid links them here"
            raise refusal("E13", drawn.where, what, "name a geoid in the mission's [terrain], or redraw the heights")
        points[:, 2] += separation if reference == "orthometric" else -separation
    return points


def _typed_heights(drawn: Drawn) -> tuple[Array | None, str | None]:
    """Return a line's heights [m], shape (k,), and what they are above; None and None where it has none."""
    declared = drawn.get("height_reference")
    if declared is not None and declared not in REFERENCES:
        what = f"height_reference is {declared!r}"
        raise refusal("E13", drawn.where, what, f"give one of {', '.join(REFERENCES)}")
    if drawn.positions.shape[1] == 3:
        reference = declared or drawn.reference
        if reference is None:
            fix = "add the property height_reference (ellipsoidal, orthometric or agl), or a KML altitudeMode"
            raise refusal("E13", drawn.where, "the file does not say what its heights are above", fix)
        return drawn.positions[:, 2], reference
    for name, reference in (("heights_ortho_m", "orthometric"), ("heights_ellip_m", "ellipsoidal")):
        values = drawn.get(name)
        if values is not None:
            try:
                heights = np.array(values, dtype=np.float64)
            except (TypeError, ValueError):
                heights = np.array([])
            if heights.shape != (len(drawn.positions),) or not np.isfinite(heights).all():
                what = f"{name} does not hold one number for each of {len(drawn.positions)} positions"
                raise refusal("E45", drawn.where, what, "write one height a position, or leave the array out")
            return heights, reference
    return None, None


def _above_ground(points: Array, drawn: Drawn, scene: Scene) -> Array:
    """Return points (k, 3), whose third column is above ground, as scene heights, a point every `DENSE_M`."""
    dense = shapely.get_coordinates(shapely.segmentize(shapely.LineString(points[:, :2]), DENSE_M))
    ground = scene.ground.at(dense[:, 0], dense[:, 1])
    if np.isnan(ground).any():
        lon, lat = scene.frame.to_lonlat(*dense[int(np.argmax(np.isnan(ground)))])
        what = f"heights are above ground, and the ground is not known at {float(lon):.6f}, {float(lat):.6f}"
        raise refusal("E09", drawn.where, what, "give terrain under the whole line, or heights above a datum")
    return np.column_stack([dense, ground + np.interp(_along_m(dense), _along_m(points), points[:, 2])])


def _along_m(points: Array) -> Array:
    """Return the horizontal distance of each point (k, 2 or 3) from the first [m], shape (k,)."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points[:, :2], axis=0).T))])
