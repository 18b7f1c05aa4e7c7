"""A plan for rules of survey work that ask more of it than of what comes back.

Lives here: the density planned for, and the opening that keeps beams steep enough on the ground as it slopes. Must not
know the forecast or files.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import shapely

from planner.assessment import Plan
from planner.equipment import WHOLE_OPENING
from planner.errors import PlannerError
from planner.flight.flightlines import FlightLine
from planner.ground.surface import Scene, cells_on
from planner.mission import Mission
from planner.ranging.looks import Faces, faces_of

Array = npt.NDArray[np.float64]
Lay = Callable[[Mission, Scene], Plan]

NARROWEST_DEG = 20.0
"""Half an opening that is not narrowed further for steep ground: own choice. What such ground lacks is then told."""
ANGLE_STEP_DEG, ASPECTS = 0.25, 33
"""Steps in which a narrower opening, and the part of a slope that falls across lines, are looked for."""
SAMPLED = 20_000
"""Cells, evenly spread, that a plan is looked over in."""


def ruled_plan(mission: Mission, scene: Scene, cell_m: float, lay: Lay) -> Plan:
    """Return the plan of the mission as its rules of survey work make it, see `tightened`.

    Where the ground slopes so that too many cells are seen too flatly by every line, plans with narrower openings are
    tried, and the one that sees most cells steeply enough is kept. Where swaths that are cut short by rising ground do
    not fill the strip beyond the boundary, lines are laid farther out.

    Parameters
    ----------
    mission, scene : Mission, Scene
        The job.
    cell_m : float
        Side of the judging cells [m].
    lay : callable
        Makes a plan for a mission and a scene as they are planned for, or refuses them.
    """
    plan = lay(tightened(mission), scene)
    if mission.survey_rules is None or plan.settings is None:
        return plan
    plan, half_deg = _steep_enough(mission, scene, cell_m, lay, plan)
    return _with_rules_named(_far_enough(mission, scene, cell_m, lay, plan, half_deg), mission, half_deg)


def _steep_enough(mission: Mission, scene: Scene, cell_m: float, lay: Lay, plan: Plan) -> tuple[Plan, float]:
    """Return the plan that sees most cells steeply enough, and half the opening that it was held to [deg]."""
    rules, settings = mission.survey_rules, plan.settings
    if rules is None or settings is None or mission.sensor.pattern in WHOLE_OPENING:
        return plan, 90.0
    off_deg, faces, enough = rules.off_normal_deg, _faces(scene, cell_m, scene.area), _enough(mission)
    best, share, held_deg = plan, steep_share(plan.lines, faces, off_deg), off_deg
    for half_deg in _narrower(mission, off_deg, _slope_deg(mission, faces), settings.usable_half_angle_deg):
        if share >= enough:
            break
        try:
            plan = lay(tightened(mission, half_deg), scene)
        except PlannerError:  # narrower is not to be had: what is seen too flatly is told
            break
        reached = steep_share(plan.lines, faces, off_deg)
        if reached > share:
            best, share, held_deg = plan, reached, half_deg
    return best, held_deg


def _far_enough(mission: Mission, scene: Scene, cell_m: float, lay: Lay, plan: Plan, half_angle_deg: float) -> Plan:
    """Return the plan, or one with lines farther out where that fills more of the strip beyond the boundary."""
    rules, settings = mission.survey_rules, plan.settings
    extent = None if rules is None else rules.rule("extent")
    if extent is None or settings is None or not settings.usable_half_angle_deg or scene.centreline is not None:
        return plan
    beyond = _many(scene.area.buffer(extent.value or 0.0).difference(scene.area))
    strip = _faces(scene, cell_m, beyond)
    share = steep_share(plan.lines, strip, 90.0)
    if share >= _enough(mission):
        return plan
    tan_half, rise = np.tan(np.radians([settings.usable_half_angle_deg, _slope_deg(mission, strip)]))
    # Half a swath, h tan a over flat ground, is h tan a / (1 + tan a tan s) up a slope s.
    more_m = settings.agl_m * tan_half * (1 - 1 / (1 + tan_half * rise))
    wider = replace(scene, planned=_many(scene.area.buffer(mission.site.buffer_m + more_m)))
    try:
        farther = lay(tightened(mission, half_angle_deg), wider)
    except PlannerError:  # no room to fly there: what is not seen is told
        return plan
    return farther if steep_share(farther.lines, strip, 90.0) > share else plan


def tightened(mission: Mission, half_angle_deg: float = 90.0) -> Mission:
    """Return the mission that is planned for; the one given is what the forecast is held against.

    Points are planned closer by theta, and half the opening is no wider than flat ground or `half_angle_deg` allows.
    """
    rules, asked, sensor = mission.survey_rules, mission.requirement, mission.sensor
    if rules is None:
        return mission
    closer = replace(
        asked, quality_level=None, density_per_m2=mission.planned_per_m2, vertical_rmse_m=asked.target_rmse_m
    )
    if sensor.pattern not in WHOLE_OPENING:
        widest_deg = 2 * min(rules.off_normal_deg, half_angle_deg)
        sensor = replace(sensor, usable_fov_deg=min(sensor.usable_fov_deg, widest_deg))
    return replace(mission, requirement=closer, sensor=sensor)


def steep_share(lines: Sequence[FlightLine], faces: Faces, off_normal_deg: float) -> float:
    """Return the share of faces that some line sees at most so far off their normal [deg], 0-1; nothing hides any.

    The scan plane is taken to stand square to the line.
    """
    best = np.full(len(faces.centres_m), -1.0)
    upright = np.column_stack([-faces.slopes, np.ones(len(best))])
    upright /= np.linalg.norm(upright, axis=1, keepdims=True)
    for line in lines:
        cosine = _cosines(line, faces.centres_m, upright)
        best = np.fmax(best, cosine)
    return float(np.mean(best >= np.cos(np.radians(off_normal_deg)) - 1e-9)) if len(best) else 1.0


def _cosines(line: FlightLine, centres_m: Array, upright: Array) -> Array:
    """Return the cosine between normals and beams of a line, shape (n,); nan where the line does not see a place."""
    kept = line.kept_points_m()
    sin, cos = np.sin(line.track_rad), np.cos(line.track_rad)
    away = centres_m[:, :2] - kept[0, :2]
    along, aside = away @ np.array([sin, cos]), away @ np.array([cos, -sin])
    stations = (kept[:, :2] - kept[0, :2]) @ np.array([sin, cos])
    down = np.interp(along, stations, kept[:, 2]) - centres_m[:, 2]
    seen = (along >= stations[0]) & (along <= stations[-1]) & (down > 0)
    seen &= np.abs(aside) <= down * np.tan(line.usable_half_angle_rad)
    toward = np.column_stack([-aside * cos, aside * sin, down])
    cosine = np.einsum("ij,ij->i", toward, upright) / np.hypot(aside, down)
    return np.where(seen, cosine, np.nan)


def widest_half_angle_deg(off_normal_deg: float, slope_deg: float, sidelap: float) -> float:
    """Return the widest half opening [deg] with which every place between lines on a slope is seen steeply from one.

    Own derivation, for lines at one height h over a plane of slope s, spaced by the flat swath 2 h t less the sidelap
    q, with t the tangent of the half opening. A beam of length d meets the normal of its place at a cosine of
    h cos s / d, so the nearer line counts. Where the plane falls across the lines by a, both are as near at
    (1 - q) t - a / (1 + a^2) heights downhill from the upper line; but the lower one sees up to t / (1 + a t) only, and
    beyond that the upper one is alone, out to 2 (1 - q) t - t / (1 + a t).

    Parameters
    ----------
    off_normal_deg : float
        Greatest angle between beam and normal [deg].
    slope_deg : float
        Slope, any aspect [deg].
    sidelap : float
        Least share of a swath that its neighbour covers, 0-1.
    """
    half_deg = np.arange(off_normal_deg, 0.0, -ANGLE_STEP_DEG)
    tan = np.tan(np.radians(half_deg))[:, np.newaxis]
    fall = np.tan(np.radians(slope_deg)) * np.linspace(0.0, 1.0, ASPECTS)
    farthest = np.maximum((1 - sidelap) * tan - fall / (1 + fall**2), 2 * (1 - sidelap) * tan - tan / (1 + fall * tan))
    farthest = np.maximum(farthest, 0.0)
    distance2 = (1 + fall**2) * farthest**2 + 2 * fall * farthest + 1
    allowed2 = (np.cos(np.radians(slope_deg)) / np.cos(np.radians(off_normal_deg))) ** 2
    fits = (distance2 <= allowed2 * (1 + 1e-9)).all(axis=1)
    return float(half_deg[fits].max(initial=0.0))


def _narrower(mission: Mission, off_normal_deg: float, slope_deg: float, flown_deg: float) -> Iterator[float]:
    """Yield narrower half openings worth a try [deg]: for ground between two lines, then for that beside the last."""
    between = widest_half_angle_deg(off_normal_deg, slope_deg, mission.requirement.sidelap_min)
    for half_deg in (between, off_normal_deg - slope_deg):
        if NARROWEST_DEG <= half_deg < flown_deg - 0.01:
            yield half_deg


def _enough(mission: Mission) -> float:
    """Return the share of cells that must keep to an angle or be seen, 0-1."""
    return 1 - mission.requirement.percentile / 100


def _slope_deg(mission: Mission, faces: Faces) -> float:
    """Return the slope that all but the share of faces which may fall short keep below [deg]."""
    steepness = np.degrees(np.arctan(np.hypot(*faces.slopes.T)))
    return float(np.percentile(steepness, 100 * _enough(mission))) if steepness.size else 0.0


def _faces(scene: Scene, cell_m: float, within: shapely.MultiPolygon) -> Faces:
    """Return the faces of cells on known ground in an area, of very many an even sample."""
    cells = cells_on(scene.top, cell_m)
    inside = cells.inside(within)
    faces = faces_of(scene.layers, cells, inside)
    known = np.flatnonzero(inside.ravel() & np.isfinite(faces.centres_m[:, 2]) & np.isfinite(faces.slopes).all(axis=1))
    kept = known[:: max(1, len(known) // SAMPLED)]
    return Faces(faces.centres_m[kept], faces.slopes[kept])


def _many(area: shapely.Geometry) -> shapely.MultiPolygon:
    return area if isinstance(area, shapely.MultiPolygon) else shapely.MultiPolygon([area])


def _with_rules_named(plan: Plan, mission: Mission, half_angle_deg: float) -> Plan:
    """Return a plan whose settings name the rules where these fixed the opening, not the card."""
    rules, settings = mission.survey_rules, plan.settings
    narrowed = half_angle_deg < mission.sensor.usable_fov_deg / 2
    if rules is None or settings is None or not narrowed or settings.usable_half_angle_deg < half_angle_deg - 0.01:
        return plan
    words = f"beams at {90 - rules.off_normal_deg:g} deg or more to the ground ({rules.name})"
    return replace(plan, settings=replace(settings, bound_by={**settings.bound_by, "usable_half_angle_deg": words}))
