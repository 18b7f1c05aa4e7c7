"""What a plan's decisions trade for what: the front of its settings, and the price of each clause.

Lives here: what weighing settings needs of a plan. Must not know files or the forecast.
"""

from planner.assessment import Plan
from planner.errors import InfeasibleError
from planner.flight.settings import flat_task
from planner.flight.tradeoffs import Tradeoffs, tradeoffs
from planner.forecast.density import judging_cell_m
from planner.ground.surface import Scene, cells_on
from planner.mission import Mission


def planned_cell_m(mission: Mission, scene: Scene) -> float:
    """Return the side of the cell that counts the density before scan lines are known [m]."""
    requirement = mission.requirement
    return cells_on(scene.top, judging_cell_m(requirement, requirement.target_per_m2, 0.0)).cell_m


def tradeoffs_of(mission: Mission, scene: Scene, plan: Plan) -> Tradeoffs | None:
    """Return what a plan of ours trades for what over flat ground along its heading.

    None for lines that somebody drew, and where no settings keep what is asked over flat ground.
    """
    if plan.settings is None:
        return None
    task = flat_task(mission, scene, plan.settings.heading_deg, planned_cell_m(mission, scene))
    try:
        return tradeoffs(mission, task)
    except InfeasibleError:
        return None
