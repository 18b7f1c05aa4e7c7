"""Laser exposure as far as the sensor's card states it.

Lives here: the stated class and hazard distance as caution and fault. Must not know the forecast, the planner or files.
"""

import math

from planner.equipment import RangeRating
from planner.errors import Fault
from planner.safety.cautions import Caution, Status

DEFER = "Class and hazard distance are the maker's to state and the laser safety officer's to judge."


def laser_caution(rating: RangeRating, lowest_agl_m: float) -> Caution:
    """Return how the stated hazard distance stands to the lowest height above ground flown [m].

    Parameters
    ----------
    rating : RangeRating
        What the card states at the pulse rate flown.
    lowest_agl_m : float
        Least height above ground of any line [m].
    """
    rate = f"{rating.pulse_rate_hz / 1000:g} kHz"
    distance = rating.hazard_distance_m
    if rating.laser_class == "unknown" or distance is None:
        missing = "laser class unknown" if rating.laser_class == "unknown" else f"class {rating.laser_class} as stated"
        stated = "hazard distance unknown" if distance is None else f"hazard distance {distance:g} m as stated"
        return Caution(
            "laser", "cannot tell", f"At {rate}: {missing}, {stated}. Do not fly before the sheet is found. {DEFER}"
        )
    text = f"At {rate}: class {rating.laser_class} and hazard distance {distance:g} m as the card states. {DEFER}"
    if not math.isfinite(lowest_agl_m):
        return Caution("laser", "cannot tell", text, None, distance, "m above ground")
    status: Status = "within" if lowest_agl_m >= distance else "over"
    return Caution("laser", status, text, lowest_agl_m, distance, "m above ground, least")


def eye_fault(rating: RangeRating, lowest_agl_m: float) -> Fault | None:
    """Return the fault of a flight lower than the stated hazard distance, or None; class 1 as stated is let pass."""
    distance = rating.hazard_distance_m
    if rating.laser_class == "1" or distance is None or not lowest_agl_m < distance:
        return None
    return Fault(
        "E36",
        f"lowest height above ground {lowest_agl_m:.1f} m is under the stated hazard distance {distance:g} m "
        f"(class {rating.laser_class}, {rating.pulse_rate_hz / 1000:g} kHz)",
        "",
        "fly higher, or use a pulse rate with a shorter stated hazard distance",
    )
