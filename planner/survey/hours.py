"""The clock of a flight: its sorties as spans of the day, and the windows that they lie in.

Lives here: what the windows of satellites, water and light need of a mission. Must not know files or the forecast.
"""

import datetime as dt
from collections.abc import Sequence

import numpy as np

from planner.flight.flightlines import FlightLine
from planner.flight.sorties import Sortie
from planner.ground.clearance import upper_surface
from planner.ground.horizon import horizon_from
from planner.ground.satellites import Lookout
from planner.ground.surface import Scene
from planner.mission import Mission
from planner.safety.windowcautions import DayWindows, Job, day_windows
from planner.safety.windows import Span, day_at, sunlit

ANTENNA_M = np.array([0.0, 0.0, 2.0])
"""The base station's antenna over the ground [m]; common practice, no source."""


def sortie_spans(mission: Mission, sorties: Sequence[Sortie]) -> tuple[Span, ...]:
    """Return when each sortie flies, in UTC; none where the mission gives no start."""
    start = mission.conditions.start
    if start is None:
        return ()
    first = np.datetime64(start.astimezone(dt.UTC).replace(tzinfo=None), "s")
    spans = []
    for sortie in sorties:
        begins = first + np.timedelta64(round(sortie.starts_s), "s")
        spans.append(Span(begins, begins + np.timedelta64(round(sortie.path.duration_s), "s")))
    return tuple(spans)


def windows_of(
    mission: Mission, scene: Scene, lines: Sequence[FlightLine], sorties: Sequence[Sortie], lasts_s: float
) -> DayWindows | None:
    """Return the windows of the mission's day and how a flight of so many seconds lies in them, or None.

    None where neither satellites nor water are asked for.
    """
    if scene.almanac is None and scene.tide is None:
        return None
    centre = scene.area.centroid
    lon, lat = (float(value) for value in scene.frame.to_lonlat(centre.x, centre.y))
    return day_windows(
        mission.window,
        day_at(mission.date, lon),
        Job(sortie_spans(mission, sorties), lasts_s),
        almanac=scene.almanac,
        lookouts=_lookouts(scene, lines, sorties) if scene.almanac is not None else (),
        tide=scene.tide,
        daylight=None if mission.conditions.night else sunlit(mission.date, lon, lat),
    )


def _lookouts(scene: Scene, lines: Sequence[FlightLine], sorties: Sequence[Sortie]) -> list[Lookout]:
    """Return the places that satellites must be seen from.

    They are the first take-off place, where the base stands, and the lowest place of the lines, most in the shade.
    """
    eyes = [sorties[0].take_off_m + ANTENNA_M] if sorties else []
    if lines:
        points = np.vstack([line.kept_points_m() for line in lines])
        eyes.append(points[int(np.argmin(points[:, 2]))])
    top, frame, found = upper_surface(scene), scene.frame, []
    for eye in eyes:
        lon, lat = (float(value) for value in frame.to_lonlat(eye[0], eye[1]))
        horizon = horizon_from(top, eye, frame.convergence_rad(float(eye[0]), float(eye[1])))
        found.append(Lookout(lon, lat, float(eye[2]), horizon))
    return found
