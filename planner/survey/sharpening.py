"""Plans made anew until heights and places are as exact as asked, or until it is told what keeps them from it.

Lives here: smaller errors and lower ceilings that are planned for, and what limits heights that stay inexact. Must not
know patch lines, or files.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from planner.assessment import Forecast, MendStep
from planner.mission import Mission
from planner.ranging.uncertainty import gnss_floor_m
from planner.survey.aiming import new_settings, planned_for
from planner.survey.mendstate import Aim, Job, State, step

SHARPENED = 4
"""Plans that are made anew for heights at most, for a smaller error and under a lower ceiling each."""
NEAR = 0.01
"""Errors are planned for this share smaller than would just do."""

HELD = ("agl_m", "speed_mps", "line_spacing_m", "pulse_rate_hz", "line_rate_hz")
"""Settings of a mission that bind what a new plan may change."""

LIMITS = {
    "position": "positions of the navigation card and the distance from the base, which fewer metres of height do not "
    "better and more passes only in part",
    "roll and pitch": "attitude of the navigation card over the height flown, most of it at the edge of the swath",
    "heading": "heading of the navigation card, at the edge of the swath",
    "boresight": "boresight of the navigation card, which all passes share: calibrate it, or fly lower",
    "lever arm": "lever arm of the navigation card, which all passes share: measure it again",
    "scan angle": "scan angle of the sensor over the height flown",
    "range": "range noise of the sensor",
    "timing": "timing of the navigation card at this speed",
    "footprint": "footprint of the beam, seen at a slant",
}
"""What limits heights whose error has this term for the largest."""


def sharpened(job: Job, first: State, steps: list[MendStep]) -> State:
    """Return the quickest plan found whose heights and places are as exact as asked, else the one given.

    A smaller error is planned for, which the search of settings meets by the quickest of a lower height, a narrower
    opening and more passes. Where that does not do, or places are what is not exact, the ceiling is brought down.
    """
    ratio = _too_inexact(job.mission, first.forecast)
    if ratio is None:
        return first
    best = _sharper(job, first, ratio) if _vertical(job.mission, first.forecast) > 1 else None
    if best is None and job.mission.flight.agl_m is None:
        best = _lower(job, first, ratio)
    why = _inexact_words(job.mission, first.forecast)
    if best is None:
        steps.append(step("heights stay as they are", f"{why}; {_limit_words(job.mission, first)}", (), first, first))
        return first
    steps.append(step(f"planned anew: {new_settings(first.plan, best.plan)}", why, (), first, best))
    return best


def _sharper(job: Job, first: State, ratio: float) -> State | None:
    """Return the quickest plan found for a smaller vertical error; None where none is exact enough."""
    return _eased(job, first, ratio * (1 - NEAR), lambda share: replace(first.aim, sharper=share * first.aim.sharper))


def _lower(job: Job, first: State, ratio: float) -> State | None:
    """Return the quickest plan found under a lower ceiling; None where none is exact enough."""
    ceiling_m = first.aim.lower * job.mission.limits.ceiling_agl_m
    flown_m = first.plan.settings.agl_m if first.plan.settings else ceiling_m
    top = min(flown_m / ceiling_m, 1.0) * first.aim.lower
    return _eased(job, first, ratio, lambda share: replace(first.aim, lower=share * top))


def _eased(job: Job, first: State, share: float, aim_of: Callable[[float], Aim]) -> State | None:
    """Return the quickest plan that is exact enough, over shares of what is planned for, from too much to too little.

    A share that is not to be had is taken for too small.
    """
    best, too_much, least = None, 1.0, 0.0
    for _ in range(SHARPENED):
        new = planned_for(job, first, aim_of(share))
        ratio = None if new is None else _too_inexact(job.mission, new.forecast)
        if new is not None and ratio is not None:
            too_much = share
        else:
            least = share
            best = new if best is None or (new is not None and new.time_s < best.time_s) else best
        if too_much < least * (1 + 3 * NEAR):
            break
        share = float(np.sqrt(least * too_much)) if least else share * (ratio or 1.0) * (1 - NEAR)
    return best


def _vertical(mission: Mission, forecast: Forecast) -> float:
    """Return how many times the vertical RMSE asked for is expected; 0 where none is asked for."""
    target, found = mission.requirement.target_rmse_m, forecast.accuracy.tested_rmse_m
    return found / target if target and found else 0.0


def _horizontal(mission: Mission, forecast: Forecast) -> float:
    target, found = mission.requirement.horizontal_rmse_m, forecast.accuracy.horizontal_rmse_m
    return found / target if target and found else 0.0


def _too_inexact(mission: Mission, forecast: Forecast) -> float | None:
    """Return by what errors must be multiplied to keep to what is asked; None where they do."""
    worst = max(_vertical(mission, forecast), _horizontal(mission, forecast))
    return 1 / worst if worst > 1 + 1e-9 else None


def _inexact_words(mission: Mission, forecast: Forecast) -> str:
    """Return which errors are larger than asked, and what makes most of them."""
    accuracy, asked = forecast.accuracy, mission.requirement
    said = []
    if _vertical(mission, forecast) > 1 and accuracy.tested_rmse_m and asked.target_rmse_m:
        said.append(
            f"vertical RMSE {100 * accuracy.tested_rmse_m:.3g} cm of {100 * asked.target_rmse_m:.3g}, "
            f"{accuracy.dominant_share_pct or 0:.0f} % of its square by {accuracy.dominant_term}"
        )
    if _horizontal(mission, forecast) > 1 and accuracy.horizontal_rmse_m and asked.horizontal_rmse_m:
        said.append(f"horizontal RMSE {100 * accuracy.horizontal_rmse_m:.3g} cm of {100 * asked.horizontal_rmse_m:.3g}")
    return "; ".join(said)


def _limit_words(mission: Mission, state: State) -> str:
    """Return what keeps errors larger than asked, and what the mission holds."""
    said, term = [], state.forecast.accuracy.dominant_term
    if term is not None:
        said.append(f"limited by {LIMITS[term]}")
    if term == "position":
        floor = gnss_floor_m(mission.navigation, mission.base_distance_m)
        said.append(f"one pass has {100 * floor:.3g} cm of height by positions alone")
    if held := [name for name in HELD if getattr(mission.flight, name) is not None]:
        said.append(f"held by the mission: {', '.join(held)}")
    return "; ".join(said)
