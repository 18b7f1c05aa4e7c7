"""A plan's claim tested by the forecast and mended until it holds, or until nothing that may be changed helps.

Lives here: the rounds of mending, what is chosen in each, and the words for it. Must not know files.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from string import ascii_lowercase

import numpy as np
import numpy.typing as npt

from planner.assessment import Assessment, Forecast, MendStep, Plan
from planner.flight.patches import Pass, Patch, closable, lay_patches
from planner.forecast.gaps import CAUSES
from planner.ground.surface import Scene
from planner.mission import Mission
from planner.ranging.principles import refuse_sensor
from planner.survey.aiming import new_settings, planned_for
from planner.survey.closing import CLOSED_BY_LINES, RANGE_LOST, Shortfall, Way, pass_of, shortfall_of, ways_of
from planner.survey.excess import TOO_FEW, allowed_m2, area_m2, excess_m2, spare_lines, spread
from planner.survey.facing import face_walls
from planner.survey.firing import fire, fire_changed
from planner.survey.flying import flyer_of
from planner.survey.jobs import all_told, refuse_heights
from planner.survey.mendstate import Job, State, step
from planner.survey.outlook import judge
from planner.survey.patching import OVER_CEILING_M, patched_plan
from planner.survey.reaiming import assured, nearer
from planner.survey.sharpening import HELD, sharpened

Progress = Callable[[str, int, int], None]
Array = npt.NDArray[np.float64]

ROUNDS = 6
"""Changes to a plan at most."""
MOST_PATCHES = 8
"""Patch lines that one round adds at most."""
TRIES = 4
"""Times that patch lines are chosen anew in one round where some cannot be flown safely."""
WORTH_SHARE = 0.02
"""Of the area that the plan covers per second: a patch line that gains less is not flown unless all is met by it."""
SURPLUS = 1.1
"""So much more area is closed than the requirement asks: what closed forms promise is not quite kept."""
DENSER = 1.05, 2.0
"""Times the density that fell short which a new plan is made for, least and most."""


@dataclass(frozen=True)
class Mended:
    """A plan as it was mended.

    Attributes
    ----------
    plan : Plan
        The plan, the one given where nothing was changed.
    forecast : Forecast
        Its forecast.
    steps : tuple of MendStep
        What was done to it, in order.
    """

    plan: Plan
    forecast: Forecast
    steps: tuple[MendStep, ...]


def mend(
    mission: Mission, scene: Scene, plan: Plan, *, progress: Progress | None = None, threads: int = 2
) -> Assessment:
    """Forecast a plan, mend it where it falls short, and gather all there is to say about what comes of it.

    Parameters and errors are those of `mend_plan` and `planner.survey.jobs.assess`.
    """
    refuse_sensor(mission.sensor)
    refuse_heights(mission)
    mended = mend_plan(mission, scene, plan, progress=progress, threads=threads)
    found = all_told(mission, scene, mended.plan, mended.forecast, progress=progress, threads=threads)
    return replace(found, mending=mended.steps)


def mend_plan(
    mission: Mission, scene: Scene, plan: Plan, *, progress: Progress | None = None, threads: int = 2
) -> Mended:
    """Forecast a plan and mend it where it falls short of the density asked for.

    What lacks pulses all over is planned anew, slower or with closer lines; what falls short here and there is given
    patch lines; walls that the mission asks for are given lines that face them. Only what the mission leaves open is
    changed, and a change stays only if the forecast gains by it. A plan that meets the requirement at once is left as
    it is, and so are lines that somebody drew.

    Parameters
    ----------
    mission, scene : Mission, Scene
        The job.
    plan : Plan
        From `make_plan`.
    progress : callable, optional
        Called with what is being done, steps done and steps in all.
    threads : int
        Lines fired at the same time; the result does not depend on it.
    """
    fired = fire(mission, scene, plan.lines, progress=progress, threads=threads)
    state = State(plan, fired, judge(mission, scene, fired, threads=threads))
    steps: list[MendStep] = []
    if plan.settings is not None:
        job = Job(mission, scene, flyer_of(mission, scene, mission.flight.hold_speed), threads)
        state = _mended(job, state, steps, progress)
        faced = face_walls(mission, scene, state.plan, state.fired, state.forecast, job.flyer, threads=threads)
        return Mended(faced.plan, faced.forecast, (*steps, *faced.steps))
    return Mended(state.plan, state.forecast, tuple(steps))


def _mended(job: Job, state: State, steps: list[MendStep], progress: Progress | None) -> State:
    """Return the state after all rounds; what was done is added to `steps`.

    What a plan as a whole lacks comes first: heights, then a confidence; patch lines close what is left.
    """
    sure = job.mission.requirement.confidence is not None
    state = sharpened(job, state, steps)
    if sure:
        state = assured(job, state, steps)
    first, done = state, len(steps)
    changes = [_patched] if sure else [_patched, _planned_anew]
    if spread(state.forecast):
        changes.reverse()
    for number in range(ROUNDS if excess_m2(job.mission, job.scene, state.forecast) else 0):
        if progress:
            progress("mending the plan", number, ROUNDS)
        before = state
        while changes and state is before:
            state = changes[0](job, before, steps)
            if state is before:
                changes.pop(0)
        if state is before or not excess_m2(job.mission, job.scene, state.forecast):
            break
    if state.patches and not sure and area_m2(first.forecast, RANGE_LOST) > first.below_m2 / 2:
        lost = {cause: first.forecast.coverage.by_cause_m2[cause] for cause in RANGE_LOST}
        if instead := nearer(job, first, state, f"to close {_listed(lost)}"):
            state, steps[done:] = instead[0], [instead[1]]
    if excess_m2(job.mission, job.scene, state.forecast):
        steps.append(_left_over(job, state))
    return state


def _planned_anew(job: Job, state: State, steps: list[MendStep]) -> State:
    """Return the state after a plan for a higher density, or the same where that is not to be had or gains nothing."""
    mission, forecast = job.mission, state.forecast
    lacking_m2 = area_m2(forecast, TOO_FEW)
    if not lacking_m2 or state.patches:
        return state
    asked, judged = mission.requirement.target_per_m2, forecast.density.judged_per_m2
    denser = state.aim.denser * float(np.clip(asked / max(judged, 1e-9), *DENSER))
    new = planned_for(job, state, replace(state.aim, denser=denser))
    if new is None or new.below_m2 >= state.below_m2:
        return state
    share = 100 * lacking_m2 / forecast.coverage.area_m2
    said = f"planned anew: {new_settings(state.plan, new.plan)}"
    steps.append(step(said, f"{share:.1f} % of the area lacks pulses", (), state, new))
    return new


def _patched(job: Job, before: State, steps: list[MendStep]) -> State:
    """Return the state with patch lines, or the same where none is found or they gain nothing.

    What a held line spacing leaves thin all over is not filled up with lines in between.
    """
    if spread(before.forecast) and job.mission.flight.line_spacing_m is not None:
        return before
    state, short = before, shortfall_of(job.mission, job.scene, before.forecast)
    ways, sample = _ways(job, state, short), short.sample()
    passes = [pass_of(job.mission, job.scene, way, sample) for way in ways]
    for _ in range(TRIES):
        chosen = _chosen(job, state, sample, passes) if passes else ()
        names = [f"P{state.patches + number:02d}" for number in range(1, len(chosen) + 1)]
        laid = {
            name: (ways[patch.way].line(name, patch.track), ways[patch.way].profile)
            for name, patch in zip(names, chosen, strict=True)
        }
        found = patched_plan(job.mission, job.scene, state.plan, list(laid.values()), job.flyer)
        steps += [step(f"{name} is left out", why, (), before, before) for name, why in found.refused]
        refused = {name for name, _ in found.refused}
        barred = [patch.track for name, patch in zip(names, chosen, strict=True) if name in refused]
        state = replace(state, patches=state.patches + len(names), barred=(*state.barred, *barred))
        if not refused:
            break
    new = _fired(job, state, found.plan)
    numbers = {line.line_id: number for number, line in enumerate(new.plan.lines)}
    allowed = allowed_m2(job.mission, job.scene, new.forecast)
    if spare := spare_lines(new.forecast, before.forecast, numbers, found.added, allowed):
        kept = set(found.added) - set(spare)
        busy = [one for name, one in laid.items() if any(part.rstrip(ascii_lowercase) == name for part in kept)]
        found = patched_plan(job.mission, job.scene, state.plan, busy, job.flyer)
        new = _fired(job, state, found.plan)
    if new.below_m2 >= before.below_m2:
        return before
    why = f"to close {_by_cause(sample.at(np.concatenate([patch.cells for patch in chosen])))}"
    steps.append(step(_patch_words(new.plan, found.added), why, tuple(sorted(found.added)), before, new))
    return new


def _ways(job: Job, state: State, short: Shortfall) -> tuple[Way, ...]:
    settings = state.plan.settings
    causes = [CAUSES[code - 1] for code in np.unique(short.causes).tolist()]
    if settings is None or not causes:
        return ()
    over_m = max(figures.ceiling_over_m for figures in state.plan.figures)
    most_agl_m = job.mission.limits.ceiling_agl_m + max(over_m, OVER_CEILING_M)
    return ways_of(job.mission, job.scene, settings, job.flyer, causes, most_agl_m)


def _chosen(job: Job, state: State, cells: Shortfall, passes: Sequence[Pass]) -> tuple[Patch, ...]:
    """Return the patch lines to lay: all that is needed, or where that is not to be had those worth their flight.

    Where no cell may fall short, every line that closes any is worth it.
    """
    enough_m2 = SURPLUS * excess_m2(job.mission, job.scene, state.forecast)
    rim_m = max(cells.cell_m, float(np.sqrt(cells.areas_m2.max()))) / 2
    block = _block_rad(state.plan)
    patches = lay_patches(
        cells.places_m,
        cells.areas_m2,
        block,
        passes,
        enough_m2=enough_m2,
        rim_m=rim_m,
        most=MOST_PATCHES,
        barred=state.barred,
    )
    closed_m2 = sum(float(cells.areas_m2[patch.cells].sum()) for patch in patches)
    if closed_m2 >= enough_m2 / SURPLUS or not job.mission.requirement.percentile:
        return patches
    least_m2_per_s = WORTH_SHARE * state.forecast.coverage.area_m2 / state.time_s
    return tuple(patch for patch in patches if _pace_m2_per_s(patch, cells, passes) >= least_m2_per_s)


def _block_rad(plan: Plan) -> float:
    """Return the heading of the longest line [rad]."""
    return max(plan.lines, key=lambda line: round(line.kept_length_m, 3)).track_rad


def _pace_m2_per_s(patch: Patch, cells: Shortfall, passes: Sequence[Pass]) -> float:
    way = passes[patch.way]
    return float(cells.areas_m2[patch.cells].sum()) / (patch.track.length_m / way.speed_mps + way.fixed_s)


def _fired(job: Job, state: State, plan: Plan) -> State:
    """Return the state of a plan with lines added, for which only these are fired."""
    if plan is state.plan:
        return state
    fired = fire_changed(job.mission, job.scene, state.fired, plan.lines, threads=job.threads)
    forecast = judge(job.mission, job.scene, fired, before=state.forecast, threads=job.threads)
    return replace(state, plan=plan, fired=fired, forecast=forecast)


def _left_over(job: Job, state: State) -> MendStep:
    """Return the last step of a plan that is not met: what no line reaches, and what is not worth one."""
    forecast = state.forecast
    if spread(forecast):
        held = [name for name, value in vars(job.mission.flight).items() if value is not None and name in HELD]
        why = f"{100 * area_m2(forecast, TOO_FEW) / forecast.coverage.area_m2:.1f} % of the area lacks pulses"
        why += f", with {', '.join(held)} held by the mission" if held else ""
        return step("nothing more is changed", why, (), state, state)
    short = shortfall_of(job.mission, job.scene, forecast)
    sample = short.sample()
    passes = [pass_of(job.mission, job.scene, way, sample) for way in _ways(job, state, short)]
    reached = np.zeros(len(sample.flat), dtype=bool)
    if passes and len(reached):
        reached = closable(sample.places_m, _block_rad(state.plan), passes)
    out_of_reach = dict(_areas(sample.at(~reached)))
    for cause, area in forecast.coverage.by_cause_m2.items():
        if cause not in CLOSED_BY_LINES and area:
            out_of_reach[cause] = area
    said = [f"unreachable: {_listed(out_of_reach)}"] if out_of_reach else []
    if reached.any():
        said.append(f"left, for lines would gain too little: {_by_cause(sample.at(reached))}")
    return step("nothing more is changed", "; ".join(said), (), state, state)


def _areas(cells: Shortfall) -> Mapping[str, float]:
    """Return the area of cells by cause [m2], in the order of causes."""
    return {
        CAUSES[code - 1]: float(cells.areas_m2[cells.causes == code].sum()) for code in np.unique(cells.causes).tolist()
    }


def _by_cause(cells: Shortfall) -> str:
    return _listed(_areas(cells))


def _listed(areas_m2: Mapping[str, float]) -> str:
    return ", ".join(f"{area:.0f} m2 {cause}" for cause, area in areas_m2.items() if area)


def _patch_words(plan: Plan, added: Sequence[str]) -> str:
    """Return in words which lines were added and how they are flown."""
    figures = {each.line_id: each for each in plan.figures}
    said = [
        f"{line.line_id} ({line.kept_length_m:.0f} m toward {figures[line.line_id].heading_deg:.0f} deg, "
        f"{figures[line.line_id].agl_mean_m:.0f} m up at {line.speed_mps:.3g} m/s)"
        for line in sorted(plan.lines, key=lambda line: line.line_id)
        if line.line_id in added
    ]
    return f"{'patch line' if len(said) == 1 else 'patch lines'} {', '.join(said)}"
