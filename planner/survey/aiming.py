"""A plan made anew for more than is asked, where its forecast falls short of what is asked.

Lives here: what a plan is aimed at in place of the requirement, and the words for what that changes. Must not know
patch lines, or files.
"""

from dataclasses import replace

from pydantic import ValidationError

from planner.assessment import Plan
from planner.errors import PlannerError
from planner.mission import Mission
from planner.survey.firing import fire
from planner.survey.jobs import make_plan
from planner.survey.mendstate import Aim, Job, State
from planner.survey.outlook import judge

TRIED = "confidence asked for, found by trial"
"""What bounds a setting that was tried until cells just have what is asked with that chance."""

_SETTINGS = (
    ("speed_mps", "{:.3g} m/s"),
    ("line_spacing_m", "lines {:.3g} m apart"),
    ("agl_m", "{:.3g} m up"),
    ("usable_half_angle_deg", "{:.3g} deg to either side"),
    ("heading_deg", "toward {:.0f} deg"),
)


def planned_for(job: Job, state: State, aim: Aim) -> State | None:
    """Return the state of a plan made for an aim, held against what is asked; None where there is none, or no other."""
    try:
        plan = make_plan(_aimed(job.mission, state, aim), job.scene)
    except (PlannerError, ValidationError):  # more is not to be had: what falls short is said
        return None
    if plan.settings is None or new_settings(state.plan, plan) is None:
        return None
    if aim.held is not None:
        own = vars(job.mission.flight)
        told = {
            name: TRIED for name in plan.settings.bound_by if own.get(name) is None and getattr(aim.held, name, None)
        }
        plan = replace(plan, settings=replace(plan.settings, bound_by={**plan.settings.bound_by, **told}))
    fired = fire(job.mission, job.scene, plan.lines, threads=job.threads)
    return State(plan, fired, judge(job.mission, job.scene, fired, threads=job.threads), aim)


def _aimed(mission: Mission, state: State, aim: Aim) -> Mission:
    """Return the mission as a planner is to see it."""
    asked, sensor, limits = mission.requirement, mission.sensor, mission.limits
    target = asked.target_rmse_m
    requirement = replace(
        asked,
        quality_level=None,
        density_per_m2=aim.denser * asked.target_per_m2,
        vertical_rmse_m=None if target is None else aim.sharper * target,
        cell_m=state.forecast.cells.cell_m,
    )
    ratings = tuple(replace(rating, range_m=aim.reach * rating.range_m) for rating in sensor.ratings)
    return replace(
        mission,
        requirement=requirement,
        sensor=sensor if aim.reach == 1 else replace(sensor, ratings=ratings),
        limits=replace(limits, ceiling_agl_m=aim.lower * limits.ceiling_agl_m),
        flight=aim.held or mission.flight,
    )


def new_settings(old: Plan, new: Plan) -> str | None:
    """Return in words what a new plan changes, None where it is the old one."""
    said = []
    for name, words in _SETTINGS:
        before, after = (words.format(getattr(plan.settings, name)) for plan in (old, new))
        said += [f"{after} in place of {before}"] if after != before else []
    said += [f"{len(new.lines)} lines in place of {len(old.lines)}"] if len(new.lines) != len(old.lines) else []
    rates = [(plan.settings.pulse_rate_hz, plan.settings.line_rate_hz) for plan in (old, new) if plan.settings]
    said += ["other rates"] if rates[0] != rates[-1] else []
    return ", ".join(said) or None
