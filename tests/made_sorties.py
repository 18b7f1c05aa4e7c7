"""Invented sorties and hazards for plans that tests make by hand.

Each line is flown by a sortie of its own: straight up, over to the line, along it and straight back down, so that every
figure can be told from the lines alone.
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely

from planner.assessment import Assessment
from planner.flight.flightlines import FlightLine
from planner.flight.paths import Path
from planner.flight.sorties import Sortie
from planner.ground.geodesy import Frame, geodesic_length_m
from planner.ground.obstacles import KeepOut, Obstacle, Sensitive
from planner.hazards import Hazards
from planner.safety.airspace import wires_caution

Array = npt.NDArray[np.float64]

START = dt.datetime(2027, 4, 12, 9, 30, tzinfo=dt.UTC)
SPEED_MPS, CLIMB_MPS, SWAP_S, STEP_M = 5.0, 2.5, 300.0, 5.0
NAMES = {"lines": "line", "lead": "lead", "turns": "turn", "climb": "climb", "ferry": "ferry", "align": "align"}
NAMES |= {"return": "return", "descent": "descent"}


def made_path(line: FlightLine, take_off_m: Array) -> Path:
    """Return the way to a line, along it and back, a point every 5 m, with a wait of 2 s over the take-off place."""
    high = np.array([*take_off_m[:2], line.points_m[0, 2]])
    low = np.array([*take_off_m[:2], line.points_m[-1, 2]])
    kept = line.kept_points_m()
    legs = [("climb", None, take_off_m, high), ("ferry", None, high, line.points_m[0])]
    legs += [("lead", line.line_id, line.points_m[0], kept[0])]
    legs += [("line", line.line_id, before, after) for before, after in pairwise(kept)]
    legs += [("lead", line.line_id, kept[-1], line.points_m[-1])]
    legs += [("return", None, line.points_m[-1], low), ("descent", None, low, take_off_m)]
    points, times, parts, ids = [np.asarray(take_off_m)], [0.0], [], []
    for part, line_id, start, end in legs:
        length = float(np.linalg.norm(end - start))
        count = max(int(np.ceil(length / STEP_M)), 1)
        speed = CLIMB_MPS if part in ("climb", "descent") else SPEED_MPS
        for share in np.arange(1, count + 1) / count:
            points.append(start + share * (end - start))
            times.append(times[-1] + length / count / speed)
            parts.append(part)
            ids.append(line_id)
    return Path(np.array(points), np.array(times), tuple(parts), tuple(ids))


def made_sorties(lines: Sequence[FlightLine], take_off_m: Array, frame: Frame) -> tuple[Sortie, ...]:
    """Return a sortie for each line, the next as soon as the battery is swapped."""
    sorties: list[Sortie] = []
    starts_s = 0.0
    for number, line in enumerate(lines, start=1):
        path = made_path(line, take_off_m)
        flown = path.parts_s()
        time_s = {name: float(flown.get(part, 0.0)) for name, part in NAMES.items()}
        distance_m = geodesic_length_m(frame, path.points_m[:, 0], path.points_m[:, 1])
        times = time_s | {"total": sum(time_s.values())}
        used = 0.30 + 0.05 * number
        sorties.append(
            Sortie(number, (line,), take_off_m, path, times, used, 0.95 - used - 0.07 * number, distance_m, starts_s)
        )
        starts_s += path.duration_s + SWAP_S
    return tuple(sorties)


def flown(assessment: Assessment, *, started: bool = True, word: str = "") -> Assessment:
    """Return a job whose lines are flown by sorties among hazards; `word` is put into every name."""
    scene, plan, mission = assessment.scene, assessment.plan, assessment.mission
    east, north = (float(value) for value in scene.frame.from_lonlat(*mission.take_off_deg[0]))
    take_off_m = np.array([east, north, float(scene.ground.at(east, north))])
    sorties = made_sorties(plan.lines, take_off_m, scene.frame)
    names, checked = sorties[0].time_s, f"by A. Walker on foot{word}"
    time_s = {name: sum(sortie.time_s[name] for sortie in sorties) for name in names}
    swap_s = SWAP_S * (len(sorties) - 1)
    flight = dict(plan.flight) | {"sorties": len(sorties), "batteries": len(sorties), "turns": 0}
    flight["time_s"] = time_s | {"swap": swap_s, "total": time_s["total"] + swap_s}
    return replace(
        assessment,
        mission=replace(
            mission,
            conditions=replace(mission.conditions, start=START if started else None),
            hazards=Hazards(keep_out_margin_m=15.0, wires_checked=checked),
        ),
        cautions=(*assessment.cautions, wires_caution(checked, 1)),
        scene=replace(scene, **made_hazards(scene.area, word)),
        plan=replace(plan, sorties=sorties, flight=flight),
    )


def made_hazards(area: shapely.Geometry, word: str = "") -> dict[str, tuple[object, ...]]:
    """Return a mast, a wire, a hall, a keep-out and a sensitive area round the middle of an area, scene heights."""
    x, y = area.centroid.x, area.centroid.y
    wire = shapely.LineString([(x - 60, y + 30, 70.0), (x + 60, y + 40, 74.0)])
    return {
        "obstacles": (
            Obstacle(f"radio mast{word}", "point", shapely.Point(x + 20, y + 20), 20.0, 55.0, 0.5, 1.5, 2.0),
            Obstacle(f"valley line{word}", "wire", wire, 60.0, 74.0, 0.0, 2.0, 3.0, 6.0),
            Obstacle(f"hall{word}", "area", shapely.box(x - 40, y - 30, x - 20, y - 10), 20.0, 32.0, 0.0, 1.0, 1.0),
        ),
        "keep_outs": (
            KeepOut(f"school{word}", shapely.box(x + 40, y - 60, x + 70, y - 40)),
            KeepOut(f"air lane{word}", shapely.box(x - 70, y - 70, x - 50, y - 50), 130.0, 400.0),
        ),
        "sensitive": (Sensitive(f"nesting cliff{word}", shapely.box(x - 20, y - 70, x + 20, y - 60), 3.0),),
    }
