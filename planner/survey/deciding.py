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


def tradeoffs_of(mission: Mission, scene: Scene, plan: Plan) -> Tradeoffs | None:
    """Return what a plan of ours trades for what over flat ground along its heading.

    None for lines that somebody drew, and where no settings keep what is asked over flat ground.
    """
    if plan.settings is None:
        return None
    requirement = mission.requirement
    cell_m = cells_on(scene.top, judging_cell_m(requirement, requirement.target_per_m2, 0.0)).cell_m
    try:
        return tradeoffs(mission, flat_task(mission, scene, plan.settings.heading_deg, cell_m))
    except InfeasibleError:
        return None
