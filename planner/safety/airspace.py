"""Heights and distances of the flight against what the mission allows.

Lives here: ceiling, clearance and keep-out areas as cautions and faults, and the standing cautions of any flight.
Must not know the forecast, the planner or files.
"""

import datetime as dt
from collections.abc import Callable, Iterator, Sequence

import numpy as np
import numpy.typing as npt

from planner.errors import Fault
from planner.safety.cautions import Caution

Array = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.int64]

ROUNDING_M = 0.005
"""What a distance may fall short by before it counts: the last bits of a plan that is exactly at the limit."""
TOUCH_M = 0.05


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
            "Only the terrain and the obstacles given were looked at. Wires, masts, cranes and trees newer than them "
            "are not known here: walk the site and look up.",
        ),
        Caution(
            "airspace",
            "note",
            "Airspace, aerodromes and people on the ground are known only as far as files give them, and rules only as "
            "the profile holds them. Check them for the place and the day with the authority in charge.",
        ),
    )


def ceiling_caution(highest_agl_m: float, ceiling_agl_m: float, lines_over: int) -> Caution:
    """Return how the highest point above the ground beneath stands to the ceiling [m above ground]."""
    if not np.isfinite(highest_agl_m):
        return Caution(
            "ceiling", "cannot tell", "Height above ground is unknown.", None, ceiling_agl_m, "m above ground"
        )
    if highest_agl_m <= ceiling_agl_m + ROUNDING_M:
        text = "Greatest height above the ground beneath, over all that is flown, stays under the ceiling given."
        return Caution("ceiling", "within", text, highest_agl_m, ceiling_agl_m, "m above ground")
    where = f"Lines over the ceiling given: {lines_over}" if lines_over else "Turns or ferries over the ceiling given"
    text = f"{where}, by up to {highest_agl_m - ceiling_agl_m:.1f} m. Fly lower, or hold a permission that allows it."
    return Caution("ceiling", "over", text, highest_agl_m, ceiling_agl_m, "m above ground")


def _closest(legs: Sequence[str], leg: Numbers, distance_m: Array, limit_m: float) -> Iterator[tuple[str, int]]:
    """Yield name and nearest place of each leg that comes nearer than a limit, leg by leg."""
    broken = distance_m < limit_m - ROUNDING_M
    for number in np.unique(leg[broken]).tolist():
        places = np.flatnonzero(broken & (leg == number))
        yield legs[number], int(places[np.argmin(distance_m[places])])


def clearance_faults(
    legs: Sequence[str],
    leg: Numbers,
    distance_m: Array,
    things: Sequence[str],
    clearance_m: float,
    where: Callable[[int], str],
) -> tuple[Fault, ...]:
    """Return one fault (E23) for each leg of a path that comes nearer to anything than the clearance.

    Parameters
    ----------
    legs : sequence of str
        What the legs are called, for example ``"line L03"`` or ``"turn after line L03"``.
    leg : ndarray of int, shape (n,)
        Number of the leg of each place along the path.
    distance_m : ndarray, shape (n,)
        Distance in space from each place to what is nearest, all doubt taken off [m]; nan where it cannot be told.
    things : sequence of str
        What is nearest to each place.
    clearance_m : float
        Least distance asked for [m].
    where : callable
        Gives the place of a number along the path, for people.
    """
    fix = "move or raise that leg, or lower limits.clearance_m if the site allows it"
    faults = []
    for name, place in _closest(legs, leg, distance_m, clearance_m):
        found, thing = float(distance_m[place]), things[place]
        came = f"comes within {found:.1f} m of" if found > TOUCH_M else "may touch"
        what = f"{name} {came} {thing}, doubt taken off; clearance_m asks for {clearance_m:g} m"
        faults.append(Fault("E23", what, where(place), fix))
    return tuple(faults)


def keep_out_faults(
    legs: Sequence[str],
    leg: Numbers,
    distance_m: Array,
    areas: Sequence[str],
    margin_m: float,
    where: Callable[[int], str],
) -> tuple[Fault, ...]:
    """Return one fault (E27) for each leg of a path that enters a keep-out area or comes within its margin.

    Parameters
    ----------
    legs, leg, distance_m, where : sequence of str, ndarray, ndarray, callable
        As for `clearance_faults`; distances are to the nearest keep-out area [m], 0 inside.
    areas : sequence of str
        The nearest keep-out area to each place.
    margin_m : float
        Least distance asked for [m].
    """
    fix = "move that leg, turn on the other side, or hold a permission and take the area out of hazards.keep_out"
    faults = []
    # An area without margin is still not to be entered: 0 is nearer than the least that counts.
    for name, place in _closest(legs, leg, distance_m, max(margin_m, 2 * ROUNDING_M)):
        found, area = float(distance_m[place]), areas[place]
        came = f"enters keep-out area {area}"
        if found > ROUNDING_M:
            came = f"comes within {found:.1f} m of keep-out area {area}, keep_out_margin_m asks for {margin_m:g} m"
        faults.append(Fault("E27", f"{name} {came}", where(place), fix))
    return tuple(faults)


def off_terrain_faults(
    legs: Sequence[str], leg: Numbers, distance_m: Array, where: Callable[[int], str]
) -> tuple[Fault, ...]:
    """Return one fault (E27) for each leg with places whose distance is nan: no terrain is known there."""
    fix = "give terrain that reaches farther, or turn, take off and land within it"
    faults = []
    for number in np.unique(leg[np.isnan(distance_m)]).tolist():
        place = int(np.flatnonzero(np.isnan(distance_m) & (leg == number))[0])
        what = f"{legs[number]} leaves the terrain given: nothing is known of the ground there"
        faults.append(Fault("E27", what, where(place), fix))
    return tuple(faults)


def take_off_fault(distance_m: float, to_keep_out_m: float, area: str, margin_m: float, where: str) -> Fault | None:
    """Return the fault (E30) of a take-off place off the terrain or too near a keep-out area, or None.

    Parameters
    ----------
    distance_m : float
        Distance of the place to terrain, nan where none is known.
    to_keep_out_m, area : float, str
        Distance to the nearest keep-out area [m], inf where there is none, and its name.
    margin_m : float
        Least distance to it [m].
    where : str
        The place, for people.
    """
    if np.isnan(distance_m):
        what = "the take-off place lies beside the terrain given"
        return Fault("E30", what, where, "give terrain that reaches there, or take off elsewhere")
    if to_keep_out_m == 0 or to_keep_out_m < margin_m - ROUNDING_M:
        lies = "in" if to_keep_out_m == 0 else f"{to_keep_out_m:.1f} m from"
        what = f"the take-off place lies {lies} keep-out area {area}, keep_out_margin_m asks for {margin_m:g} m"
        return Fault("E30", what, where, "take off elsewhere")
    return None


def wires_caution(wires_checked: bool | str, wires: int) -> Caution:
    """Return what is known of wires; that none is listed never means that there is none.

    Parameters
    ----------
    wires_checked : bool or str
        Whether someone looked for wires, or who did, when and how.
    wires : int
        How many are listed.
    """
    listed = f"{wires} listed" if wires else "none listed"
    if wires_checked is False:
        text = (
            f"Wires: {listed}, and nobody says that the site was searched for them. No wires known is not the same as "
            "no wires. Walk the site, ask the owner of the lines, then say so with hazards.wires_checked."
        )
        return Caution("wires", "cannot tell", text)
    by = "" if wires_checked is True else f" ({wires_checked})"
    return Caution("wires", "note", f"Wires: {listed}, and the site was searched for them as declared{by}. Look again.")


def terrain_age_caution(surveyed: dt.date | None, flown: dt.date) -> Caution:
    """Return how old the terrain is on the day of the flight: pits, stockpiles and cranes move."""
    since = "What was dug, heaped up, built or grown since is not in it, and clearances do not count it."
    if surveyed is None:
        text = f"Nobody says when the terrain was measured. {since}"
        return Caution("terrain age", "cannot tell", text)
    days = (flown - surveyed).days
    text = f"The terrain was measured on {surveyed}, {days} days before the flight. {since}"
    if days < 0:
        text = f"The terrain is said to be measured on {surveyed}, after the flight on {flown}: one date is wrong."
        return Caution("terrain age", "cannot tell", text)
    return Caution("terrain age", "note", text, float(days), None, "days")


def sensitive_cautions(areas: Sequence[str], crossed_m: Array) -> tuple[Caution, ...]:
    """Return a caution for each sensitive area that a flight crosses, with the metres flown over it."""
    return tuple(
        Caution("sensitive area", "note", f"The flight crosses {area} for {metres:.0f} m.", float(metres), None, "m")
        for area, metres in zip(areas, crossed_m, strict=True)
        if metres > 0
    )
