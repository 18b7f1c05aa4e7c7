"""A mission as its planner must see it where rules of survey work ask more of the plan than of what comes back.

Lives here: the density planned for, and the opening that keeps beams steep enough on the ground as it slopes. Must not
know lines, the forecast or files.
"""

from dataclasses import replace

import numpy as np

from planner.equipment import WHOLE_OPENING
from planner.flight.settings import Settings
from planner.ground.surface import Scene, cells_on
from planner.mission import Mission
from planner.ranging.looks import faces_of

NARROWEST_DEG = 20.0
"""Half an opening that is not narrowed further for steep ground: own choice. What such ground lacks is then told."""


def tightened(mission: Mission, scene: Scene, cell_m: float) -> Mission:
    """Return the mission that is planned for; the one given is what the forecast is held against.

    Points are planned closer by theta, and beams no flatter to the ground than the rules of survey work allow.

    Parameters
    ----------
    mission, scene : Mission, Scene
        The job.
    cell_m : float
        Side of the judging cells [m].
    """
    rules, asked = mission.survey_rules, mission.requirement
    if rules is None:
        return mission
    closer = replace(
        asked, quality_level=None, density_per_m2=mission.planned_per_m2, vertical_rmse_m=asked.target_rmse_m
    )
    sensor = mission.sensor
    if sensor.pattern not in WHOLE_OPENING:
        slope_deg = _slope_deg(mission, scene, cell_m)
        widest_deg = 2 * widest_half_angle_deg(rules.off_normal_deg, slope_deg, asked.sidelap_min)
        sensor = replace(sensor, usable_fov_deg=min(sensor.usable_fov_deg, widest_deg))
    return replace(mission, requirement=closer, sensor=sensor)


def with_rules_named(settings: Settings, mission: Mission, planned: Mission) -> Settings:
    """Return settings that name the rules of survey work where these fixed the opening, not the card.

    Parameters
    ----------
    settings : Settings
        As chosen for `planned`.
    mission, planned : Mission
        The job, and what `tightened` makes of it.
    """
    rules = mission.survey_rules
    narrowed_deg = planned.sensor.usable_fov_deg / 2
    held = narrowed_deg < mission.sensor.usable_fov_deg / 2 and settings.usable_half_angle_deg > narrowed_deg - 0.01
    if rules is None or not held:
        return settings
    words = f"beams at {90 - rules.off_normal_deg:g} deg or more to the ground ({rules.name})"
    return replace(settings, bound_by={**settings.bound_by, "usable_half_angle_deg": words})


def widest_half_angle_deg(off_normal_deg: float, slope_deg: float, sidelap: float) -> float:
    """Return the widest half opening [deg] with which every place of a slope is seen steeply enough from some line.

    Of a slope that falls along the lines a beam at angle a meets the normal at arccos(cos a cos slope). Of one that
    falls across them it does so at a + slope on the side that looks away, but only as far as no other swath reaches,
    out to (1 - 2 sidelap) of half a swath over flat ground: from there on the next line looks at it from the other
    side. Own derivation. Where that leaves less than `NARROWEST_DEG`, ground so steep is given up: what flat ground
    allows is returned.

    Parameters
    ----------
    off_normal_deg : float
        Greatest angle between beam and normal [deg].
    slope_deg : float
        Slope to plan for, any aspect [deg].
    sidelap : float
        Least share of a swath that its neighbour covers, 0-1.
    """
    off, slope, alone = np.radians(off_normal_deg), np.radians(slope_deg), 1 - 2 * sidelap
    if slope >= off:
        return off_normal_deg
    along = float(np.degrees(np.arccos(np.cos(off) / np.cos(slope))))
    across = 90.0 if alone <= 0 else float(np.degrees(np.arctan(np.tan(off - slope) / alone)))
    widest = min(along, across)
    return widest if widest >= NARROWEST_DEG else off_normal_deg


def _slope_deg(mission: Mission, scene: Scene, cell_m: float) -> float:
    """Return the slope that all but the share of judged cells which may fall short keep below [deg]."""
    cells = cells_on(scene.top, cell_m)
    judged = cells.inside(scene.area).ravel()
    slopes = faces_of(scene.layers, cells, judged.reshape(cells.rows, cells.cols)).slopes[judged]
    steepness = np.hypot(*slopes.T)
    known = steepness[np.isfinite(steepness)]
    share = 100 - mission.requirement.percentile
    return float(np.degrees(np.arctan(np.percentile(known, share)))) if known.size else 0.0
