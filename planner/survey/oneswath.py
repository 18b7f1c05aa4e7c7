"""Areas so narrow that one swath covers them.

Lives here: what the reader of such a plan is told. Must not know files.
"""

from collections.abc import Iterator

import numpy as np
import shapely

from planner.assessment import Plan
from planner.ground.surface import Scene
from planner.safety.cautions import Caution


def one_swath_caution(scene: Scene, plan: Plan) -> Iterator[Caution]:
    """Yield a note where the area is narrower than the narrowest swath of the plan; of a corridor, nothing."""
    swath = min((figures.swath_m for figures in plan.figures), default=np.nan)
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(scene.area))
    across = float(np.hypot(*np.diff(corners[:3], axis=0).T).min())
    if scene.centreline is not None or not across <= swath:
        return
    count = len(plan.lines)
    flown = (
        "no other shows an error of that pass" if count == 1 else f"the plan has {count}, calibration lines included"
    )
    yield Caution(
        "one swath",
        "note",
        f"The area is {across:.0f} m across and the narrowest swath {swath:.0f} m: a single line along its middle "
        f"would cover it; {flown}.",
    )
