"""Heights and distances of the flight against what the mission allows.

Lives here: ceiling and clearance as cautions and faults, and the standing cautions of any flight.
Must not know the forecast, the planner or files.
"""

import numpy as np

from planner.errors import Fault
from planner.safety.cautions import Caution


def standing_cautions() -> tuple[Caution, ...]:
    """Return what holds for every flight, whatever was measured."""
    return (
        Caution(
            "not a clearance",
            "note",
            "This plan is a calculation from the data given. It grants no clearance and replaces neither local rules "
            "nor the sensor's own documents nor the judgement of a licensed pilot, laser safety officer and surveyor.",
        ),
        Caution(
            "unlisted obstacles",
            "note",
            "Only the terrain rasters given were looked at. Wires, masts, cranes and trees newer than them are not "
            "known here: walk the site and look up.",
        ),
        Caution(
            "airspace",
            "note",
            "Airspace, aerodromes, people on the ground and sight line were not checked. Check them for the place and "
            "the day with the authority in charge.",
        ),
    )


def ceiling_caution(highest_agl_m: float, ceiling_agl_m: float, lines_over: int) -> Caution:
    """Return how the highest point above the ground beneath stands to the ceiling [m above ground]."""
    if not np.isfinite(highest_agl_m):
        return Caution(
            "ceiling", "cannot tell", "Height above ground is unknown.", None, ceiling_agl_m, "m above ground"
        )
    if highest_agl_m <= ceiling_agl_m + 0.005:
        text = (
            "Greatest height above the ground beneath, over every point of every line, stays under the ceiling given."
        )
        return Caution("ceiling", "within", text, highest_agl_m, ceiling_agl_m, "m above ground")
    text = (
        f"Lines over the ceiling given: {lines_over}, "
        f"by up to {highest_agl_m - ceiling_agl_m:.1f} m. Fly lower, or hold a permission that allows it."
    )
    return Caution("ceiling", "over", text, highest_agl_m, ceiling_agl_m, "m above ground")


def clearance_fault(line_id: str, distance_m: float, clearance_m: float, where: str) -> Fault | None:
    """Return the fault of a line that comes nearer to the top surface than the clearance, or None.

    Parameters
    ----------
    line_id : str
        Name of the line.
    distance_m : float
        Height of its lowest point above the top surface beneath, terrain doubt taken off [m].
    clearance_m : float
        Least distance asked for [m].
    where : str
        Place of that point, for people.
    """
    if not distance_m < clearance_m - 0.005:
        return None
    return Fault(
        "E23",
        f"line {line_id} comes within {distance_m:.1f} m of the top surface, clearance_m asks for {clearance_m:g} m",
        where,
        "raise agl_m, or lower limits.clearance_m if the site allows it",
    )
