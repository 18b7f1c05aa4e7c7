"""Measures of the flight itself: heights, speed, air, mass, sight and light, each held against one rule.

Lives here: functions of a rule and the facts that return a finding. Must not know profiles, people or airspace.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from planner.ground.obstacles import Obstacle
from planner.ruleprofiles import Rule
from planner.safety.airspace import ROUNDING_M
from planner.safety.cautions import Status
from planner.safety.daylight import SortieLight, sorties_in_light
from planner.safety.flightfacts import FlightFacts
from planner.safety.sightline import too_far

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

ROUNDING_MPS = 0.005
"""What a speed may be over by before it counts: the last bits of a plan that is exactly at the limit."""


@dataclass(frozen=True)
class Finding:
    """What a measure found.

    Attributes
    ----------
    status : {"within", "over", "cannot tell"}
        How it stands to the limit, with the data given.
    said : str
        What was found, in one or two sentences.
    measured, limit, unit : float or None, float or None, str
        Value found and value it was held against.
    where : str
        Where the value was found, for people.
    """

    status: Status
    said: str
    measured: float | None = None
    limit: float | None = None
    unit: str = ""
    where: str = ""


def cannot_tell(rule: Rule, why: str, unit: str = "") -> Finding:
    """Return the finding of a measure that lacks something."""
    return Finding("cannot tell", f"Cannot tell: {why}.", None, rule.limit, unit)


def height_above_ground(rule: Rule, facts: FlightFacts) -> Finding:
    """Measure the greatest height straight up from the ground beneath [m]."""
    return _height(rule, facts, facts.agl_m, "m above the ground beneath")


def distance_to_surface(rule: Rule, facts: FlightFacts) -> Finding:
    """Measure the greatest distance in space to the closest point of the ground [m].

    Over a plane of slope s a height z above the ground beneath is a distance of z cos(s).
    """
    return _height(rule, facts, facts.to_ground_m, "m from the closest ground")


def _height(rule: Rule, facts: FlightFacts, heights_m: Array, unit: str) -> Finding:
    limit = rule.limit or 0.0
    over = heights_m > limit + ROUNDING_M
    excused = _beside_tall(rule, facts, over)
    asks_owner = rule.tall_asks_owner and not facts.owner_request
    broken = over & ~excused
    if broken.any():
        worst = int(np.argmax(np.where(broken, heights_m, -np.inf)))
        said = f"The flight goes up to {heights_m[worst]:.1f} {unit}."
        return Finding("over", said, float(heights_m[worst]), limit, unit, facts.where(worst))
    if np.isnan(heights_m).any():
        said = f"Cannot tell: no terrain given under {int(np.isnan(heights_m).sum())} of {len(heights_m)} places."
        return Finding("cannot tell", said, None, limit, unit, facts.where(int(np.argmax(np.isnan(heights_m)))))
    worst = int(np.argmax(heights_m))
    found, where = float(heights_m[worst]), facts.where(worst)
    said = f"The greatest found is {found:.1f} {unit}."
    if not excused.any():
        return Finding("within", said, found, limit, unit, where)
    said += f" Above the limit it stays within the exception beside tall things ({rule.tall_citation})."
    if asks_owner:
        said = f"Cannot tell without the owner's request, which the mission does not state. {said}"
        return Finding("cannot tell", said, found, limit, unit, where)
    return Finding("within", said, found, limit, unit, where)


def _beside_tall(rule: Rule, facts: FlightFacts, among: Mask) -> Mask:
    """Return which of the places marked lie in the exception beside tall things, doubt of these taken off."""
    excused = np.zeros(len(among), dtype=bool)
    if rule.tall_within is None or not among.any():
        return excused
    places = facts.places_m[among]
    points = shapely.points(places[:, :2])
    within_m, above_m, from_m = (rule.si(value) for value in (rule.tall_within, rule.tall_above, rule.tall_from))
    for one in facts.structures:
        if one.top_m - one.base_m <= from_m:
            continue
        near = shapely.distance(shapely.force_2d(one.outline), points) <= within_m + _sure_reach_m(one)
        excused[among] |= near & (places[:, 2] <= one.top_m - one.doubt_m + above_m)
    return excused


def _sure_reach_m(obstacle: Obstacle) -> float:
    """Return how far it reaches sideways from its outline at least [m]."""
    return 2 * obstacle.radius_m - obstacle.reach_m


def ground_speed(rule: Rule, facts: FlightFacts) -> Finding:
    """Measure the greatest speed over ground [m/s]."""
    speeds = facts.speed_mps
    if not np.isfinite(speeds).any():
        return cannot_tell(rule, "no speed over ground given", "m/s")
    fastest = int(np.nanargmax(speeds))
    found, limit = float(speeds[fastest]), rule.limit or 0.0
    said = f"The fastest found is {found:.1f} m/s over ground."
    if found > limit + ROUNDING_MPS:
        return Finding("over", said, found, limit, "m/s", facts.where(fastest))
    status: Status = "cannot tell" if np.isnan(speeds).any() else "within"
    return Finding(status, said, found, limit, "m/s", facts.where(fastest))


def visibility(rule: Rule, facts: FlightFacts) -> Finding:
    """Measure the flight visibility [m]."""
    if facts.visibility_m is None:
        return cannot_tell(rule, "no visibility given", "m")
    said = f"The mission states {facts.visibility_m / 1000:.3g} km; look again on the day."
    return _at_least(rule, facts.visibility_m, "m", said)


def below_cloud(rule: Rule, facts: FlightFacts) -> Finding:
    """Measure the least vertical distance to the cloud above [m]."""
    unit = "m below cloud"
    if facts.cloud_base_m is None:
        return cannot_tell(rule, "no cloud base given", unit)
    highest = int(np.argmax(facts.places_m[:, 2]))
    found = facts.cloud_base_m - float(facts.places_m[highest, 2])
    return _at_least(rule, found, unit, f"The least found is {found:.1f} {unit}.", facts.where(highest))


def beside_cloud(rule: Rule, facts: FlightFacts) -> Finding:
    """Measure the horizontal distance to the nearest cloud at flight height [m]."""
    if facts.cloud_beside_m is None:
        return cannot_tell(rule, "no distance to the nearest cloud given", "m from cloud")
    said = f"The mission states {facts.cloud_beside_m:.0f} m; look again on the day."
    return _at_least(rule, facts.cloud_beside_m, "m from cloud", said)


def _at_least(rule: Rule, found: float, unit: str, said: str, where: str = "") -> Finding:
    limit = rule.limit or 0.0
    return Finding("within" if found >= limit - ROUNDING_M else "over", said, found, limit, unit, where)


def mass(rule: Rule, facts: FlightFacts) -> Finding:
    """Measure the mass at take-off [kg]."""
    if facts.mass_kg is None:
        return cannot_tell(rule, "no mass given on the aircraft's card", "kg")
    limit = rule.limit or 0.0
    held = facts.mass_kg < limit if rule.bound == "under" else facts.mass_kg <= limit
    said = f"The aircraft's card states {facts.mass_kg:g} kg."
    return Finding("within" if held else "over", said, facts.mass_kg, limit, "kg")


def aircraft_class(rule: Rule, facts: FlightFacts) -> Finding:
    """Tell whether the aircraft's class is one of the rule's, or its mass [kg] under the rule's value."""
    label, limit, unit = facts.aircraft_class, rule.limit, "" if rule.limit is None else "kg"
    if limit is not None and facts.mass_kg is not None and facts.mass_kg < limit:
        return Finding("within", f"The aircraft's card states {facts.mass_kg:g} kg.", facts.mass_kg, limit, unit)
    if label is None:
        return cannot_tell(rule, "no class of the aircraft given", unit)
    said = "The mission states no class label." if label == "none" else f"The mission states class {label}."
    if label in rule.classes:
        return Finding("within", said, None, limit, unit)
    if limit is not None and facts.mass_kg is None:
        return cannot_tell(rule, "no mass given on the aircraft's card", unit)
    return Finding("over", said, None if limit is None else facts.mass_kg, limit, unit)


def sight_line(rule: Rule, facts: FlightFacts) -> Finding:
    """Measure the share of the time in which the aircraft is hidden from its pilot or too far to be made out [%]."""
    unit = "% of the time out of sight"
    if facts.pilot_m is None or facts.seen is None or facts.seconds_s is None:
        return Finding("cannot tell", "Cannot tell: no place of the pilot given.", None, 0.0, unit)
    lost = too_far(facts.pilot_m, facts.sight_limit_m) | (facts.seen == 0)
    share = 100 * float(facts.seconds_s[lost].sum()) / max(float(facts.seconds_s.sum()), 1e-9)
    if lost.any():
        said = "Part of the flight is too far from its pilot or hidden by terrain."
        farthest = int(np.argmax(np.where(lost, facts.pilot_m, -1.0)))
        return Finding("over", said, share, 0.0, unit, facts.where(farthest))
    if facts.sight_limit_m is None:
        return Finding("cannot tell", "Cannot tell: no size given on the aircraft's card.", None, 0.0, unit)
    if (facts.seen < 0).any():
        said = "Cannot tell: no terrain given on part of the line of sight."
        return Finding("cannot tell", said, None, 0.0, unit, facts.where(int(np.argmax(facts.seen < 0))))
    said = f"The pilot makes out the aircraft over the terrain given, up to {facts.pilot_m.max():.0f} m away."
    return Finding("within", said, share, 0.0, unit)


def daylight(rule: Rule, facts: FlightFacts) -> Finding:
    """Measure by how much a sortie lies outside the light that the rule asks for [min], the worst of all."""
    unit = "min outside the window"
    if facts.sorties is None or rule.window is None:
        return Finding("cannot tell", "Cannot tell: no start time given.", None, 0.0, unit)
    lights = sorties_in_light(facts.sorties, facts.lon_deg, facts.lat_deg, rule.window, rule.window_minutes)
    worst = max(lights, key=lambda light: light.outside_min)
    said = f"{worst.window.said}."
    if worst.outside_min == 0:
        return Finding("within", f"{said} All sorties lie within.", 0.0, 0.0, unit)
    said += f" Outside: {_outside(lights)}."
    where = f"sortie {worst.number}"
    if not rule.lit:
        return Finding("over", said, worst.outside_min, 0.0, unit, where)
    light_m, wanted_m = facts.anti_collision_light_m, rule.limit or 0.0
    if light_m is None:
        said = f"{said} Cannot tell: no light on the aircraft given."
        return Finding("cannot tell", said, worst.outside_min, 0.0, unit, where)
    lit = light_m > 0 and light_m >= wanted_m
    said += f" The mission states a light seen from {light_m / 1000:.3g} km."
    return Finding("within" if lit else "over", said, light_m, wanted_m, "m that the light is seen", where)


def _outside(lights: tuple[SortieLight, ...]) -> str:
    out = [light for light in lights if light.outside_min > 0]
    named = ", ".join(f"sortie {light.number} by {light.outside_min:.0f} min" for light in out[:6])
    return named + (f" and {len(out) - 6} more" if len(out) > 6 else "")


def crew_shows(rule: Rule, facts: FlightFacts) -> Finding:
    """Tell that nothing here can be measured: the crew has to show it."""
    del facts
    return cannot_tell(rule, "no calculation shows it; the crew does")
