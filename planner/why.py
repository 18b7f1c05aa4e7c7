"""Why a cell of a finished job is as it is: the job read again, and the lines fired at that cell one by one.

Lives here: the way back from an output folder to its inputs, and the making of a cell's story. Must not know how the
story is told.
"""

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from planner import survey
from planner.errors import Fault, InputError
from planner.files.geofiles import input_files, read_scene
from planner.files.linefiles import read_lines
from planner.files.missionfile import read_mission
from planner.files.planfiles import grid_values
from planner.files.planfolder import mission_beside
from planner.flight.flightlines import FlightLine
from planner.forecast.density import cells_known, density_per_m2
from planner.forecast.gaps import CAUSES, NOT_JUDGED, decide_causes
from planner.forecast.parts import UNCLASSED, advice_for, cell_classes, water_cells
from planner.forecast.why import LOST, CellStory, LineStory
from planner.ground.surface import CellGrid, Scene, cells_on
from planner.mission import Mission
from planner.ranging.attitude import Leg
from planner.ranging.cases import light_for, reach_in
from planner.ranging.fates import RETURNS, SHADOWED, Light
from planner.ranging.palette import LOBE_STEPS
from planner.ranging.pulses import Tally
from planner.ranging.single import Aim, Spot, aim_at, fire_at, near_part, obstacle_before, pooled, spot_of
from planner.ranging.uncertainty import TERMS

Progress = Callable[[str, int, int], None]
_ADVICE = {"met": "nothing, the cell meets its density", "not judged": "nothing, the cell is not judged"}


@dataclass(frozen=True)
class _Job:
    """A cell of a job: row and column of it on the site, the cell alone, its face, and the code of its class."""

    mission: Mission
    scene: Scene
    cells: CellGrid
    place: tuple[int, int]
    cell: CellGrid
    spot: Spot
    code: int


@dataclass(frozen=True)
class _Look:
    """A line that comes near the cell, how it looks at it, what lights it, and what it brings there."""

    line: FlightLine
    aim: Aim
    light: Light
    tally: Tally


def explain(
    folder: Path, lon_deg: float, lat_deg: float, *, mission_file: Path | None = None, progress: Progress | None = None
) -> CellStory:
    """Return why the cell at a place is as the forecast in an output folder says.

    Parameters
    ----------
    folder : Path
        Output folder.
    lon_deg, lat_deg : float
        The place, WGS 84 [deg].
    mission_file : Path, optional
        The mission; looked for beside the folder, and above it, unless given.
    progress : callable, optional
        Called with what is being done, steps done and steps in all.

    Raises
    ------
    InputError
        E05, E33 the place is not in the area, E00 a file is missing, E45 is broken, E50 has changed since; and all
        that reading a mission and its files may raise.
    """
    tell = progress or (lambda _what, _done, _total: None)
    tell("reading the job", 0, 1)
    summary = _summary(folder)
    recorded = {str(each["path"]): str(each["sha256"]) for each in summary["inputs"]}
    mission_file = mission_file or mission_beside(folder, recorded)
    _refuse_stale({mission_file.name: mission_file}, recorded)
    mission = read_mission(mission_file)
    beside = {name: mission_file.parent / name for name in recorded}
    _refuse_stale({**beside, **dict(input_files(mission))}, recorded)
    tell("reading area and terrain", 0, 1)
    scene = read_scene(mission)
    _place_in(scene, lon_deg, lat_deg)
    lines = read_lines(folder / "plan.geojson", mission, scene)
    # The side is written to 9 digits: a little less asks for the same cells.
    cells = cells_on(scene.top, float(summary["density"]["cell_m"]) * (1 - 1e-6))
    story = tell_cell(mission, scene, lines, cells, (lon_deg, lat_deg), progress=tell)
    return _with_chance(_with_errors(story, folder, scene), folder, scene, mission)


def tell_cell(
    mission: Mission,
    scene: Scene,
    lines: Sequence[FlightLine],
    cells: CellGrid,
    place_deg: tuple[float, float],
    *,
    progress: Progress | None = None,
) -> CellStory:
    """Return the story of the judging cell at a longitude and latitude [deg].

    Each line that comes near is fired as in the forecast, so that its share is what it brings there.
    """
    job, wanted = _job_at(mission, scene, cells, place_deg), mission.requirement
    legs = [survey.leg_of(mission, scene, line) for line in lines]
    looks = _looks(job, lines, legs, progress or (lambda _what, _done, _total: None))
    whole = pooled([look.tally for look in looks], len(mission.compare))
    density = _density(job, whole)
    judged, water = (_alone(mask, job) for mask in (cells.inside(scene.area), water_cells(scene.cover, cells)))
    code = int(decide_causes(density, judged, water, whole, job.cell, scene.top, legs, wanted)[0, 0])
    cause = _cause_of(code)
    per_m2 = float(density[0, 0])
    by_case = _in_cases(job, whole, per_m2)
    lon, lat = scene.frame.to_lonlat(*job.spot.centre_m[:2])
    rating = survey.rating_of(mission, lines[0].pulse_rate_hz if lines else 0.0)
    return CellStory(
        lon_deg=float(lon),
        lat_deg=float(lat),
        cell_m=cells.cell_m,
        returns=wanted.returns,
        coverage=wanted.coverage,
        density_per_m2=per_m2,
        target_per_m2=wanted.target_per_m2,
        cause=cause,
        surface=scene.cover.names[job.code - 1] if scene.cover and job.code else UNCLASSED,
        reflectance=float(light_for(mission, scene, rating).factors[0, job.code]),
        wavelength_nm=mission.sensor.wavelength_nm,
        state=mission.conditions.surfaces,
        slopes_deg=(float(np.degrees(job.spot.slopes_rad[0])), float(np.degrees(job.spot.slopes_rad[1]))),
        case_per_m2=by_case,
        lines=_line_stories(job, looks),
        advice=_ADVICE.get(cause) or _advice(job, cause, per_m2, by_case),
    )


def _with_errors(story: CellStory, folder: Path, scene: Scene) -> CellStory:
    """Return the story with the errors that the rasters of its folder hold, where they are there."""
    paths = folder / "vertical_rmse.tif", folder / "dominant_term.tif"
    if not all(path.is_file() for path in paths):
        return story
    place_m = tuple(float(value) for value in scene.frame.from_lonlat(story.lon_deg, story.lat_deg))
    (combined, single, *_), (code,) = (grid_values(path, scene.frame, place_m) for path in paths)
    term = "" if np.isnan(code) else TERMS[int(code)]
    return replace(story, vertical_combined_m=combined, vertical_single_m=single, dominant_term=term)


def _with_chance(story: CellStory, folder: Path, scene: Scene, mission: Mission) -> CellStory:
    """Return the story with what the cell has by the confidence asked for, as the raster of causes holds it."""
    confidence, path = mission.requirement.confidence, folder / "cause.tif"
    if confidence is None or not path.is_file():
        return story
    place_m = tuple(float(value) for value in scene.frame.from_lonlat(story.lon_deg, story.lat_deg))
    (code,) = grid_values(path, scene.frame, place_m)
    cause = _cause_of(NOT_JUDGED if np.isnan(code) else int(code))
    advice = story.advice if cause in ("met", "not judged") else _sure_advice(cause)
    return replace(story, confidence=confidence, sure_cause=cause, advice=advice)


def _cause_of(code: int) -> str:
    return {0: "met", NOT_JUDGED: "not judged"}.get(code) or CAUSES[code - 1]


def _sure_advice(cause: str) -> str:
    return advice_for({cause: 1.0}, [1], ["as planned"])


def _summary(folder: Path) -> dict[str, Any]:
    path = folder / "summary.json"
    fix = "name a folder that `plan` or `review` wrote"
    if not (path.is_file() and (folder / "plan.geojson").is_file()):
        raise InputError(Fault("E00", "no output folder: it lacks summary.json or plan.geojson", str(folder), fix))
    try:
        summary: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        used = summary["inputs"][0]["sha256"], summary["density"]["cell_m"]
    except (ValueError, LookupError, TypeError) as error:
        raise InputError(Fault("E45", f"not a summary of a job: {error}", str(path), fix)) from error
    return summary if all(used) else {}


def _refuse_stale(files: Mapping[str, Path], recorded: Mapping[str, str]) -> None:
    """Raise E50 where a file that was recorded is another now."""
    faults = []
    for name, path in files.items():
        if not path.is_file() or name not in recorded:
            continue
        with path.open("rb") as stream:
            if hashlib.file_digest(stream, "sha256").hexdigest() != recorded[name]:
                what = f"{name} has changed since this forecast was made from it"
                faults.append(Fault("E50", what, str(path), "run the plan or review again with --replace"))
    if faults:
        raise InputError(*faults)


def _job_at(mission: Mission, scene: Scene, cells: CellGrid, place_deg: tuple[float, float]) -> _Job:
    """Return the cell at a place; one outside the area is refused."""
    east, north = _place_in(scene, *place_deg)
    col = min(int((east - cells.west_m) / cells.cell_m), cells.cols - 1)
    row = min(int((cells.north_m - north) / cells.cell_m), cells.rows - 1)
    cell = replace(
        cells, rows=1, cols=1, west_m=cells.west_m + col * cells.cell_m, north_m=cells.north_m - row * cells.cell_m
    )
    spot, code = spot_of(scene.layers, cells, (row, col)), int(cell_classes(scene.cover, cells)[row, col])
    return _Job(mission, scene, cells, (row, col), cell, spot, code)


def _place_in(scene: Scene, lon_deg: float, lat_deg: float) -> tuple[float, float]:
    """Return the local place [m] of a point in the area.

    Raises
    ------
    InputError
        E05 no position on earth, or longitude and latitude swapped; E33 outside the area.
    """
    where, fix = f"lon {lon_deg:g} lat {lat_deg:g}", "give longitude, then latitude, of a place in the area"
    if not (abs(lon_deg) <= 180 and abs(lat_deg) <= 90):
        raise InputError(Fault("E05", "no longitude and latitude in degrees", where, fix))
    east, north = (float(value) for value in scene.frame.from_lonlat(lon_deg, lat_deg))
    away = shapely.distance(scene.area, shapely.Point(east, north)) if np.isfinite([east, north]).all() else np.inf
    if away == 0:
        return east, north
    other = shapely.Point(*scene.frame.from_lonlat(lat_deg, lon_deg)) if abs(lon_deg) <= 90 else None
    if other is not None and scene.area.intersects(other):
        raise InputError(Fault("E05", "outside the area as given, inside it with the two swapped", where, fix))
    far = f"{away:.1f} m" if away < 10_000 else f"{away / 1000:.0f} km"
    raise InputError(Fault("E33", f"{far} outside the area of interest", where, fix))


def _looks(job: _Job, lines: Sequence[FlightLine], legs: Sequence[Leg], progress: Progress) -> list[_Look]:
    """Fire the lines that come near the cell, one by one."""
    mission, scene = job.mission, job.scene
    codes = scene.cover.codes if scene.cover else None
    looks = []
    lit = zip(lines, legs, survey.lights_of(mission, scene, lines), strict=True)
    for done, (line, leg, light) in enumerate(lit):
        progress("firing pulses", done, len(lines))
        if (aim := aim_at(leg, job.spot)) is not None:
            tally = fire_at(scene.layers, job.cells, near_part(leg, aim), light, job.place, codes)
            looks.append(_Look(line, aim, light, tally))
    return looks


def _alone(values: npt.NDArray[Any], job: _Job) -> npt.NDArray[Any]:
    """Return the value of the cell out of those of the site, shape (1, 1)."""
    return values[job.place[0] : job.place[0] + 1, job.place[1] : job.place[1] + 1]


def _density(job: _Job, tally: Tally) -> npt.NDArray[np.float64]:
    """Return the density that the requirement counts, shape (1, 1); nan on unknown terrain [1/m2]."""
    wanted, known = job.mission.requirement, _alone(cells_known(job.scene.top, job.cells), job)
    return density_per_m2(tally, job.cell, known, wanted.coverage, wanted.returns)


def _in_cases(job: _Job, whole: Tally, planned_per_m2: float) -> dict[str, float]:
    """Return the density in each case that is compared: the planned one times what else returns from the surface."""
    wanted, area = job.mission.requirement, job.cells.cell_m**2
    together = wanted.coverage == "aggregate"
    counts = (whole.cases if together else whole.most_cases)[0, 0]
    returns = float((whole.aggregate if together else whole.best)[0, 0, RETURNS])
    if wanted.returns == "first" and job.scene.foliage is None and planned_per_m2 == planned_per_m2:
        found = counts / area
    else:
        found = planned_per_m2 * (counts / returns if returns > 0 else np.ones(len(counts)))
    return {case.name: float(value) for case, value in zip(job.mission.compare, found, strict=True)}


def _advice(job: _Job, cause: str, per_m2: float, by_case: Mapping[str, float]) -> str:
    target, area = job.mission.requirement.target_per_m2, job.cells.cell_m**2
    below = [int(not value >= target) for value in (per_m2, *by_case.values())]
    return advice_for({cause: area}, below, ["as planned", *by_case])


def _line_stories(job: _Job, looks: Sequence[_Look]) -> tuple[LineStory, ...]:
    """Return the stories of the lines that send pulses there or would, in the order flown."""
    brings = [float(_density(job, look.tally)[0, 0]) for look in looks]
    shares = brings
    if job.mission.requirement.coverage == "single" and brings:
        best = int(np.argmax(brings))
        shares = [value if place == best else 0.0 * value for place, value in enumerate(brings)]
    stories = (_line_story(job, *each) for each in zip(looks, brings, shares, strict=True))
    return tuple(story for story in stories if story is not None)


def _line_story(job: _Job, look: _Look, returns_per_m2: float, share_per_m2: float) -> LineStory | None:
    """Return the story of a line; None where it sends nothing there, nor would."""
    aim, area, counts = look.aim, job.cells.cell_m**2, look.tally.aggregate[0, 0]
    met = float(counts.sum() - counts[SHADOWED])
    if aim.aimed == 0 and counts.sum() == 0 and not returns_per_m2 > 0:
        return None
    obstacle = obstacle_before(job.scene.top, job.cells, job.place, aim)
    lost = {cause: float(counts[channel]) / area for cause, channel in LOST.items()}
    if obstacle is not None and lost["shadow"] == 0:  # pulses fired ray by ray are not counted where they do not land
        lost["shadow"] = max(aim.aimed - met, 0.0) / area
    return LineStory(
        line_id=look.line.line_id,
        slant_range_m=aim.range_m,
        scan_angle_deg=float(np.degrees(aim.scan_angle_rad)),
        incidence_deg=np.nan if job.spot.leafy else float(np.degrees(np.arccos(aim.cos_incidence))),
        longest_range_m=_longest_m(job, look),
        mean_chance=float(counts[RETURNS]) / met if met > 0 else np.nan,
        sent_per_m2=met / area,
        shadowed_per_m2=lost["shadow"],
        obstacle=obstacle,
        lost_per_m2=lost,
        returns_per_m2=returns_per_m2,
        share_per_m2=share_per_m2,
    )


def _longest_m(job: _Job, look: _Look) -> float:
    """Return the longest range to the surface of the cell at the incidence of a line, as planned [m]."""
    mission, cos = job.mission, look.aim.cos_incidence
    reach = reach_in(mission, job.scene, survey.rating_of(mission, look.line.pulse_rate_hz), mission.conditions)
    lobe = np.interp(np.sqrt(1 - cos), np.linspace(0.0, 1.0, LOBE_STEPS), look.light.lobes[0, job.code])
    bright = float(look.light.factors[0, job.code] + lobe)
    return float(replace(reach, reflectance=bright).longest_m(cos))
