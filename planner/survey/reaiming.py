"""Plans made anew until cells have what is asked with the confidence asked for, or within less reach.

Lives here: which aim is tried next, and which plan is kept. Must not know patch lines, or files.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from planner.assessment import Forecast, MendStep
from planner.flight.flat import SPEED_STEP_MPS
from planner.forecast.gaps import code_of
from planner.mission import FlightChoice
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
FEW_PULSES = 10
"""Where so many times the area that lacks pulses falls short for other causes, a higher density is not tried."""
MOST_DENSER = 1.6
"""Times the density planned for, from one plan to the next at most."""

FEW_LINES = 6
"""Where so many lines or fewer are flown, a wider or closer spacing is tried too: a line more or less counts there."""
SPACINGS = (0.8, 1.25, 1.6)
"""Times the spacing found that are tried."""
POLISHED = 2
"""Speeds that are tried at a spacing."""

INEXACT = ("height error",)
"""Cause of cells that are dense enough, and not exact enough with the confidence asked for."""


def assured(job: Job, first: State, steps: list[MendStep]) -> State:
    """Return the quickest plan found whose cells have what is asked with the confidence asked for.

    The density planned for is raised, or lowered where there is more than enough, until the share of cells that may
    fall short just does; where cells lie out of reach in too many draws, less of the sensor's reach is counted on, and
    where heights are not exact in too many of them, a smaller error is planned for. The first plan, made for the flight
    as it is forecast, is kept where none does better; what the other one costs over it is a step.
    """
    bounds = 0.0, np.inf
    tried, refused = [first], set[tuple[float, float]]()
    for _ in range(TRIES):
        state, new = tried[-1], None
        options, bounds = _next_aims(job, state, bounds)
        for aim in options:
            other = aim.reach, aim.sharper
            new = None if other in refused else planned_for(job, state, aim)
            if new is not None:
                break
            refused.add(other)
        if new is None:
            break
        if (new.aim.reach, new.aim.sharper) != (state.aim.reach, state.aim.sharper):
            bounds = 0.0, np.inf
        tried.append(new)
    settled = [one for one in tried if _settled(job, one.forecast)]
    best = min(settled, key=lambda one: one.time_s) if settled else min(tried, key=lambda one: one.below_m2)
    if settled:
        best = _polished(job, best)
    said = None if best is first else new_settings(first.plan, best.plan)
    if said is None:
        return first
    steps.append(step(f"planned anew: {said}", _cost_words(job, first), (), first, best))
    return best


def _polished(job: Job, best: State) -> State:
    """Return a plan as fast as its own lines, or few lines a little closer or farther apart, let it be."""
    flight, settings = job.mission.flight, best.plan.settings
    if flight.speed_mps is not None or settings is None or not settings.line_spacing_m:
        return best
    few = len(best.plan.lines) <= FEW_LINES and flight.line_spacing_m is None
    found = _faster(job, best, best)
    for share in SPACINGS if few else ():
        held = replace(flight, line_spacing_m=share * settings.line_spacing_m)
        state = planned_for(job, best, replace(best.aim, held=held))
        if state is not None and _overlaps(job, state):
            found = _faster(job, state, found)
    return found


def _faster(job: Job, state: State, found: State) -> State:
    """Return the quickest that has what is asked of a plan, the same at the speed that it allows, and another one."""
    for _ in range(POLISHED):
        if _settled(job, state.forecast) and _overlaps(job, state) and state.time_s < found.time_s:
            found = state
        held = _at_speed(job, state)
        new = None if held is None else planned_for(job, state, _held_aim(state, held))
        if new is None:
            break
        state = new
    done = _settled(job, state.forecast) and _overlaps(job, state) and state.time_s < found.time_s
    return state if done else found


def _held_aim(state: State, held: FlightChoice) -> Aim:
    """Return an aim for settings held at another speed, which the same opening brings as much less density."""
    settings = state.plan.settings
    slower = settings.speed_mps / held.speed_mps if settings and held.speed_mps else 1.0
    return replace(state.aim, held=held, denser=state.aim.denser * slower)


def _overlaps(job: Job, state: State) -> bool:
    """Return whether swaths overlap as asked."""
    sidelap = None if state.plan.settings is None else state.plan.settings.sidelap
    return sidelap is None or len(state.plan.lines) < 2 or sidelap >= job.mission.requirement.sidelap_min - 1e-9


def _at_speed(job: Job, state: State) -> FlightChoice | None:
    """Return the settings flown with the speed at which cells just have what is asked; None where that is flown."""
    settings, aircraft = state.plan.settings, job.mission.aircraft
    if settings is None:
        return None
    wanted = float(np.clip(settings.speed_mps / _lacking(job, state), aircraft.min_speed_mps, aircraft.max_speed_mps))
    steps = np.floor(wanted / SPEED_STEP_MPS + 1e-6)
    speed = round(max(float(steps) * SPEED_STEP_MPS, aircraft.min_speed_mps), 6)
    if abs(speed - settings.speed_mps) < SPEED_STEP_MPS / 2:
        return None
    return replace(
        job.mission.flight,
        agl_m=settings.agl_m,
        speed_mps=speed,
        line_spacing_m=settings.line_spacing_m,
        pulse_rate_hz=settings.pulse_rate_hz,
        line_rate_hz=settings.line_rate_hz if settings.line_rate_hz in job.mission.sensor.line_rates_hz else None,
    )


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
    others = area_m2(state.forecast, (*RANGE_LOST, *INEXACT))
    pulses = area_m2(state.forecast, TOO_FEW)
    options = [] if settled else _other_aims(job, state)
    helps = wanted <= aim.denser * (1 - NEAR) if settled else pulses > others / FEW_PULSES
    if helps and high > low * (1 + NEAR):
        within = low * (1 + NEAR / 2) < wanted < high * (1 - NEAR / 2)
        denser = replace(aim, denser=wanted if within else _between(low, high))
        options.insert(0 if pulses > others and aim.reach < 1 else len(options), denser)
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
        if new is None or new.below_m2 > first.below_m2 / 2:
            return None
        if new.forecast.met:
            if patched.forecast.met and new.time_s >= patched.time_s:
                return None
            said = new_settings(first.plan, new.plan)
            return new, step(f"planned anew: {said}", f"{why}, sooner than by patch lines", (), first, new)
    return None
