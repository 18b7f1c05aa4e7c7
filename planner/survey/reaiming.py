"""Plans made anew until cells have what is asked with the confidence asked for, or until heights are exact enough.

Lives here: which aim is tried next, which plan is kept, and what limits heights that stay inexact. Must not know patch
lines, or files.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from planner.assessment import Forecast, MendStep
from planner.forecast.gaps import code_of
from planner.mission import Mission
from planner.ranging.uncertainty import gnss_floor_m
from planner.survey.aiming import new_settings, planned_for
from planner.survey.closing import RANGE_LOST
from planner.survey.excess import TOO_FEW, allowed_m2, area_m2
from planner.survey.mendstate import Aim, Job, State, step

TRIES = 7
"""Plans that are made anew for a confidence at most."""
NEAR = 0.01
"""A plan that has this share more than it needs is not made any thinner."""
LEFT_SHARE = 0.01
"""Of the judged area: what may be left to patch lines where no cell, or hardly one, may fall short."""
NEARER = 0.93
"""Times the reach of the sensor that is counted on, each time that too much lies beyond it."""
SHARPER = 0.9
"""Times the height error that is planned for, each time that too many cells are not exact enough."""
MOST_DENSER = 1.6
"""Times the density planned for, from one plan to the next at most."""

INEXACT = ("height error",)
"""Cause of cells that are dense enough, and not exact enough with the confidence asked for."""
SHARPENED = 4
"""Plans that are made anew for heights at most, for a smaller error and under a lower ceiling each."""

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


def assured(job: Job, first: State, steps: list[MendStep]) -> State:
    """Return the quickest plan found whose cells have what is asked with the confidence asked for.

    The density planned for is raised, or lowered where there is more than enough, until the share of cells that may
    fall short just does; where cells lie out of reach in too many draws, less of the sensor's reach is counted on, and
    where heights are not exact in too many of them, a smaller error is planned for. The first plan, made for the flight
    as it is forecast, is kept where none does better; what the other one costs over it is a step.
    """
    bounds = 0.0, np.inf
    tried = [first]
    for _ in range(TRIES):
        state = tried[-1]
        options, bounds = _next_aims(job, state, bounds)
        new = next((one for aim in options if (one := planned_for(job, state, aim)) is not None), None)
        if new is None:
            break
        if new.aim.reach != state.aim.reach or new.aim.sharper != state.aim.sharper:
            bounds = 0.0, np.inf
        tried.append(new)
    settled = [one for one in tried if _settled(job, one.forecast)]
    best = min(settled, key=lambda one: one.time_s) if settled else min(tried, key=lambda one: one.below_m2)
    said = None if best is first else new_settings(first.plan, best.plan)
    if said is None:
        return first
    steps.append(step(f"planned anew: {said}", _cost_words(job, first), (), first, best))
    return best


def _settled(job: Job, forecast: Forecast) -> bool:
    """Return whether what a plan as a whole can close is closed; the rest is left to patch lines."""
    closable = [cause for causes in (RANGE_LOST, INEXACT, TOO_FEW) for cause in causes]
    return area_m2(forecast, closable) <= _left_m2(job, forecast, closable)


def _left_m2(job: Job, forecast: Forecast, closable: Sequence[str]) -> float:
    """Return the area that may fall short for some causes, beside all that falls short for others [m2]."""
    others_m2 = forecast.coverage.below_m2 - area_m2(forecast, closable)
    allowed = allowed_m2(job.mission, job.scene, forecast) - others_m2
    return max(allowed, LEFT_SHARE * forecast.coverage.area_m2)


def _next_aims(job: Job, state: State, bounds: tuple[float, float]) -> tuple[list[Aim], tuple[float, float]]:
    """Return what to plan for next, the likeliest first, and the densities between which the right one lies."""
    aim, settled = state.aim, _settled(job, state.forecast)
    low, high = (bounds[0], min(bounds[1], aim.denser)) if settled else (max(bounds[0], aim.denser), bounds[1])
    wanted = aim.denser * float(np.clip(_lacking(job, state), 1 / MOST_DENSER, MOST_DENSER))
    options = [] if settled else _other_aims(job, state)
    if high > low * (1 + NEAR) and not (settled and wanted > aim.denser * (1 - NEAR)):
        within = low * (1 + NEAR / 2) < wanted < high * (1 - NEAR / 2)
        denser = replace(aim, denser=wanted if within else _between(low, high))
        pulses_lack = area_m2(state.forecast, TOO_FEW) > area_m2(state.forecast, (*RANGE_LOST, *INEXACT))
        options.insert(0 if pulses_lack and aim.reach < 1 else len(options), denser)
    return options, (low, high)


def _other_aims(job: Job, state: State) -> list[Aim]:
    """Return aims for what a higher density does not close, where that is much of what may fall short."""
    forecast, aim = state.forecast, state.aim
    much_m2 = _left_m2(job, forecast, (*RANGE_LOST, *INEXACT, *TOO_FEW)) / 2
    nearer = area_m2(forecast, RANGE_LOST) > much_m2
    sharper = area_m2(forecast, INEXACT) > much_m2
    return [
        *([replace(aim, reach=NEARER * aim.reach)] if nearer else []),
        *([replace(aim, sharper=SHARPER * aim.sharper)] if sharper else []),
    ]


def _between(low: float, high: float) -> float:
    return float(np.sqrt(low * high)) if low and np.isfinite(high) else (1 + 3 * NEAR) * low or high / (1 + 3 * NEAR)


def _lacking(job: Job, state: State) -> float:
    """Return how many times the density those cells need that must not fall short, of all that pulses would close."""
    forecast, sure = state.forecast, state.forecast.sure
    density = forecast.density_per_m2 if sure is None else sure.density_per_m2
    codes = [0, *(code_of(cause) for cause in TOO_FEW)]
    values = np.sort(np.nan_to_num(density[np.isin(forecast.cause, codes) & forecast.judged]))
    if not values.size:
        return 1.0
    place = int(_left_m2(job, forecast, TOO_FEW) / forecast.cells.cell_m**2)
    return forecast.density.target_per_m2 / max(float(values[min(place, len(values) - 1)]), 1e-9)


def _cost_words(job: Job, first: State) -> str:
    """Return why a plan is made for more than the flight as it is forecast, in words."""
    forecast, asked = first.forecast, job.mission.requirement
    area = max(forecast.coverage.area_m2, 1e-9)
    dense = forecast.judged & (forecast.density_per_m2 >= forecast.density.target_per_m2)
    return (
        f"confidence {asked.confidence:g}: of the first plan {100 * dense.sum() * forecast.cells.cell_m**2 / area:.1f} "
        f"% of the area has its density as forecast, {100 * (1 - first.below_m2 / area):.1f} % with that chance"
    )


def nearer(job: Job, first: State, patched: State, why: str) -> tuple[State, MendStep] | None:
    """Return a plan that counts on less of the sensor's reach, and the step to it, where it is met and quicker.

    The search of settings then keeps the edges of swaths nearer, by a lower height or a narrower opening.

    Parameters
    ----------
    job : Job
        What is asked.
    first, patched : State
        A plan of which much lies out of reach, and the same with patch lines.
    why : str
        What falls short of the first.
    """
    for many in (1, 2):
        new = planned_for(job, first, replace(first.aim, reach=NEARER**many * first.aim.reach))
        if new is not None and new.forecast.met:
            if patched.forecast.met and new.time_s >= patched.time_s:
                return None
            said = new_settings(first.plan, new.plan)
            return new, step(f"planned anew: {said}", f"{why}, sooner than by patch lines", (), first, new)
    return None


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
