"""Patch lines put into a plan: where in the order and which way they are flown, and whether that is safe.

Lives here: a plan with lines added, held against terrain, obstacles, areas and eyes. Must not know why lines are added.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.assessment import Plan
from planner.errors import InfeasibleError
from planner.flight.avoidance import Profile, keep_clear
from planner.flight.flightlines import FlightLine
from planner.flight.joining import joinable_line
from planner.flight.ordering import reversed_line
from planner.flight.paths import Flyer
from planner.flight.sorties import Sortie
from planner.ground.surface import Scene
from planner.mission import Mission
from planner.survey.clearing import closed_volumes
from planner.survey.flying import sorties_of, take_offs_m
from planner.survey.jobs import plan_of, unsafe_lines

Array = npt.NDArray[np.float64]
Laid = tuple[FlightLine, Profile]
"""A line, and what gives it its heights where it is flown the other way."""

OVER_CEILING_M = 0.5
"""A patch line may be over the ceiling by so much, or by as much as the plan is already [m]."""

PLACES = 3
"""Places in the order of lines that are tried for a patch line, those with the shortest way."""
HIGHER_M = 0.5
"""A patch line is not flown the other way where that takes it higher by more than this on the mean [m]."""


@dataclass(frozen=True)
class Patched:
    """A plan with lines added, and what became of those that are not in it.

    Attributes
    ----------
    plan : Plan
        Lines in the order flown.
    added : tuple of str
        Names of the lines that were added.
    refused : tuple of (str, str)
        Names of the lines that are not, and why.
    """

    plan: Plan
    added: tuple[str, ...]
    refused: tuple[tuple[str, str], ...] = ()


def patched_plan(mission: Mission, scene: Scene, plan: Plan, laid: Sequence[Laid], flyer: Flyer) -> Patched:
    """Return a plan with lines added where they make the shortest way, clear of keep-out areas.

    The lines that are there keep their order, directions and speeds. A line by which the flight would come too near to
    anything, or that no battery flies, is not added.
    """
    if not laid:
        return Patched(plan, ())
    both = _tried(mission, scene, plan, laid, flyer)
    if both.added or len(laid) == 1:
        return both
    refused: list[tuple[str, str]] = []
    best = Patched(plan, ())
    for one in laid:
        tried = _tried(mission, scene, best.plan, [one], flyer)
        refused += tried.refused
        best = Patched(tried.plan, (*best.added, *tried.added)) if tried.added else best
    return replace(best, refused=tuple(refused))


def _tried(mission: Mission, scene: Scene, plan: Plan, laid: Sequence[Laid], flyer: Flyer) -> Patched:
    """Return the plan with all of some lines, or as it is with the reason why not."""
    names = [line.line_id for line, _ in laid]
    try:
        new, changes, lost = _with_lines(mission, scene, plan, laid, flyer)
    except InfeasibleError as error:
        return Patched(plan, (), tuple((name, error.faults[0].what) for name in names))
    known = {line.line_id for line in plan.lines}
    added = tuple(line.line_id for line in new.lines if line.line_id not in known)
    words = [fault.what for fault in unsafe_lines(mission, new)]
    over = max((figures.ceiling_over_m for figures in plan.figures), default=0.0)
    words += [
        f"line {figures.line_id} would be {figures.ceiling_over_m:.0f} m over the ceiling"
        for figures in new.figures
        if figures.line_id in added and figures.ceiling_over_m > max(over, OVER_CEILING_M)
    ]
    if words:
        return Patched(plan, (), tuple((name, words[0]) for name in names))
    if not added:
        return Patched(plan, (), lost)
    return Patched(replace(new, changes=(*plan.changes, *changes)), added, lost)


def _with_lines(
    mission: Mission, scene: Scene, plan: Plan, laid: Sequence[Laid], flyer: Flyer
) -> tuple[Plan, list[str], tuple[tuple[str, str], ...]]:
    """Return the plan with lines, what keep-out areas did to them, and which of them they leave nothing of."""
    zones = closed_volumes(mission, scene)
    order, places = list(plan.lines), take_offs_m(mission, scene)
    changes, lost = [], []
    best = None
    for line, profile in laid:
        kept = keep_clear([line], zones, profile.relaid)
        changes += [change.text for change in kept.changes]
        if not kept.lines:
            lost.append((line.line_id, kept.changes[0].what))
        for part in kept.lines:
            other = profile.relaid(reversed_line(part))
            higher = float(other.points_m[:, 2].mean() - part.points_m[:, 2].mean())
            ways = [part] if higher > HIGHER_M or zones.free_of(other)[1] else [part, other]
            orders = _inserted(order, [joinable_line(flyer, way) for way in ways], places)
            tried = [sorties_of(mission, scene, lines, flyer, ordered=True) for lines in orders]
            best = min(tried, key=lambda each: _day_s(each[1]))
            order = list(best[0])
    flown, sorties = best or (plan.lines, plan.sorties)
    return plan_of(mission, scene, flown, plan.settings, sorties), changes, tuple(lost)


def _day_s(sorties: Sequence[Sortie]) -> float:
    """Return when the last sortie lands [s]; 0 without any."""
    return round(sorties[-1].starts_s + sorties[-1].path.duration_s, 3) if sorties else 0.0


def _inserted(
    order: Sequence[FlightLine], ways: Sequence[FlightLine], homes_m: Sequence[Array]
) -> list[list[FlightLine]]:
    """Return orders with another line where the straight way between ends grows least, flown either way."""
    starts = np.array([line.points_m[0] for line in order])
    ends = np.array([line.points_m[-1] for line in order])
    before = np.concatenate([[homes_m[0]] if len(homes_m) else starts[:1], ends])
    after = np.concatenate([starts, [homes_m[0]] if len(homes_m) else ends[-1:]])
    grown = [
        np.linalg.norm(way.points_m[0] - before, axis=1)
        + np.linalg.norm(after - way.points_m[-1], axis=1)
        - np.linalg.norm(after - before, axis=1)
        for way in ways
    ]
    if not len(homes_m):  # the day begins and ends on a line: nothing is flown before or after
        for way, grows in zip(ways, grown, strict=True):
            grows[0] = np.linalg.norm(starts[0] - way.points_m[-1])
            grows[-1] = np.linalg.norm(way.points_m[0] - ends[-1])
    best = np.argsort(np.round(grown, 6), axis=None, kind="stable")[: PLACES if len(homes_m) else 1]
    places = (divmod(int(number), len(order) + 1) for number in best)
    return [[*order[:at], ways[which], *order[at:]] for which, at in places]
