"""Settings tried in turn until a flight with them can be flown: as chosen, then slower.

Lives here: what is tried, and which of the plans is taken. Must not know how a plan is made of lines, or files.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace

from planner.assessment import Plan
from planner.errors import InfeasibleError, SafetyError
from planner.flight.flightlines import FlightLine
from planner.flight.laying import CEILING_EASE_M
from planner.flight.settings import Settings, choose_flight
from planner.ground.surface import Scene
from planner.mission import Mission

Laid = tuple[Settings, tuple[FlightLine, ...]]
Flyable = Callable[[Settings, tuple[FlightLine, ...]], Plan]

SLOWER = 0.75, 0.55, 0.4
"""Times the speed first chosen that are tried where it cannot be flown: slower lines need shorter leads, less room to
stop and flatter climbs."""

CURABLE = frozenset({"E23", "E27", "E28"})
"""Refusals that flying slower may cure: clearance, keep-out areas and the edge of the terrain, batteries."""


def first_flyable(mission: Mission, scene: Scene, cell_m: float, flyable: Flyable) -> Plan:
    """Return the plan of the quickest settings that can be flown below the ceiling, else the one least above it.

    Parameters
    ----------
    mission, scene : Mission, Scene
        The job, as it is planned for.
    cell_m : float
        Side of the cell that counts the density [m].
    flyable : callable
        Makes a plan of lines as laid, or refuses it.

    Raises
    ------
    InfeasibleError, SafetyError, InputError
        The first refusal, where slower flight does not cure it; and as `choose_flight`.
    """
    plans: list[Plan] = []
    refusals: list[InfeasibleError | SafetyError] = []
    why = ""
    for settings, lines in _tried(mission, scene, cell_m):
        told = {**settings.bound_by, "speed_mps": why} if why else settings.bound_by
        try:
            plan = flyable(replace(settings, bound_by=told), lines)
        except (InfeasibleError, SafetyError) as refusal:
            if not CURABLE.issuperset(fault.code for fault in refusal.faults):
                raise
            refusals.append(refusal)
            why = why or f"at {settings.speed_mps:g} m/s {refusal.faults[0].what}"
            continue
        plans.append(plan)
        over_m = _over_m(plan)
        if not over_m or settings.following == "level":
            break
        why = why or f"at {settings.speed_mps:g} m/s lines are lifted {over_m:.0f} m over the ceiling"
    if not plans:
        raise refusals[0]
    return min(plans, key=_over_m)


def _over_m(plan: Plan) -> int:
    """Return by how much lines exceed the ceiling at most, in whole metres; what is little counts as nothing."""
    over_m = max((figures.ceiling_over_m for figures in plan.figures), default=0.0)
    return round(over_m) if over_m > CEILING_EASE_M else 0


def _tried(mission: Mission, scene: Scene, cell_m: float) -> Iterator[Laid]:
    """Yield settings and lines: as chosen, then for an aircraft that flies no faster than shares of that speed."""
    settings, lines = choose_flight(mission, scene, cell_m)
    yield settings, lines
    slowest = mission.aircraft.min_speed_mps
    for share in () if mission.flight.speed_mps else SLOWER:
        most = share * settings.speed_mps
        if most < slowest:
            return
        slower = replace(mission, aircraft=replace(mission.aircraft, max_speed_mps=most))
        try:
            yield choose_flight(slower, scene, cell_m)
        except InfeasibleError:
            return
