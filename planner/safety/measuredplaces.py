"""Measures of the flight against what the user drew: people, built-up areas, airspace and aerodromes.

Lives here: functions of a rule and the facts that return a finding. Must not know profiles, nor that what was not drawn
is not there.
"""

import datetime as dt

import numpy as np
import numpy.typing as npt

from planner.ground.surroundings import AirspaceVolume, GroundPlace
from planner.ruleprofiles import Rule
from planner.safety.airspace import ROUNDING_M
from planner.safety.flightfacts import FlightFacts
from planner.safety.measured import Finding, cannot_tell
from planner.safety.volumes import distances_m, inside_volume

Mask = npt.NDArray[np.bool_]
Places = tuple[GroundPlace, ...] | None

NO_CONFLICT = "No conflict with the data given"
CYCLE_DAYS = 28
"""How often aeronautical data change: the AIRAC cycle (ICAO Annex 15, chapter 6)."""
_MOST_NAMED = 6


def people_distance(rule: Rule, facts: FlightFacts) -> Finding:
    """Measure the least horizontal distance to uninvolved people [m]."""
    value = rule.si(rule.slow_value) if rule.slow_value is not None and facts.low_speed_mode else rule.limit
    return _distance(rule, facts, facts.people, "people", value)


def built_up_distance(rule: Rule, facts: FlightFacts) -> Finding:
    """Measure the least horizontal distance to built-up areas [m]."""
    return _distance(rule, facts, facts.built_up, "built-up areas", rule.limit)


def over_people(rule: Rule, facts: FlightFacts) -> Finding:
    """Measure the metres flown over uninvolved people."""
    return _over(rule, facts, facts.people, "people")


def over_built_up(rule: Rule, facts: FlightFacts) -> Finding:
    """Measure the metres flown over built-up areas."""
    return _over(rule, facts, facts.built_up, "built-up areas")


def _distance(rule: Rule, facts: FlightFacts, drawn: Places, what: str, limit: float | None) -> Finding:
    unit = "m horizontally"
    if drawn is None:
        return cannot_tell(rule, f"no {what} given", unit)
    if not drawn:
        return Finding("within", f"{NO_CONFLICT}: they hold no {what}.", None, limit, unit)
    away, which = distances_m([one.outline for one in drawn], [one.radius_m for one in drawn], facts.places_m)
    nearest = int(np.argmin(away))
    found, name = float(away[nearest]), drawn[int(which[nearest])].name
    if found < (limit or 0.0) - ROUNDING_M:
        said = f"The flight comes within {found:.1f} m of {name}."
        return Finding("over", said, found, limit, unit, facts.where(nearest))
    said = f"{NO_CONFLICT}: the nearest is {name}, {found:.0f} m away."
    return Finding("within", said, found, limit, unit, facts.where(nearest))


def _over(rule: Rule, facts: FlightFacts, drawn: Places, what: str) -> Finding:
    unit = f"m flown over {what}"
    if drawn is None:
        return Finding("cannot tell", f"Cannot tell: no {what} given.", None, 0.0, unit)
    away, which = distances_m([one.outline for one in drawn], [one.radius_m for one in drawn], facts.places_m)
    above = away <= 0
    if not above.any():
        said = f"{NO_CONFLICT}: no line, turn or way passes over {what} drawn there."
        return Finding("within", said, 0.0, 0.0, unit)
    names = _named([drawn[number].name for number in np.unique(which[above]).tolist()])
    metres = facts.flown_m(above)
    said = f"The flight passes over {names}, for {metres:.0f} m."
    return Finding("over", said, metres, 0.0, unit, facts.where(int(np.argmax(above))))


def aerodrome_distance(rule: Rule, facts: FlightFacts) -> Finding:
    """Measure the least horizontal distance to aerodromes of the rule's kinds [m]."""
    kinds = rule.kinds or ("aerodrome",)
    what = " or ".join(kinds).replace("_", " ")
    if facts.airspace is None:
        return cannot_tell(rule, "no airspace given", "m horizontally")
    drawn = [volume for volume in facts.airspace if volume.kind in kinds]
    held = [volume for volume in drawn if volume.name in facts.permissions]
    places = tuple(GroundPlace(volume.name, volume.outline) for volume in drawn if volume not in held)
    found = _distance(rule, facts, places, f"{what}", rule.limit)
    said = f"{found.said} {_age(tuple(drawn), facts.date)}{_permitted(held)}".strip()
    return Finding(found.status, said, found.measured, found.limit, found.unit, found.where)


def airspace(rule: Rule, facts: FlightFacts) -> Finding:
    """Measure the metres flown in airspace of the rule's kinds (none named: all)."""
    unit = "m flown inside"
    if facts.airspace is None:
        return Finding("cannot tell", "Cannot tell: no airspace given.", None, 0.0, unit)
    drawn = tuple(volume for volume in facts.airspace if not rule.kinds or volume.kind in rule.kinds)
    held = [volume for volume in drawn if volume.name in facts.permissions]
    entered, perhaps = [], []
    certain, untold = np.zeros((2, len(facts.places_m)), dtype=bool)
    for volume in (one for one in drawn if one not in held):
        inside, maybe = _inside(volume, facts)
        certain, untold = certain | inside, untold | maybe
        entered += [volume] if inside.any() else []
        perhaps += [volume] if maybe.any() and not inside.any() else []
    age = f"{_age(drawn, facts.date)}{_permitted(held)}"
    if entered:
        metres = facts.flown_m(certain)
        said = f"The flight enters {_volumes(entered)}, for {metres:.0f} m.{_perhaps(perhaps)} {age}"
        return Finding("over", said.strip(), metres, 0.0, unit, facts.where(int(np.argmax(certain))))
    if perhaps:
        said = f"Cannot tell whether the flight enters {_volumes(perhaps)}: {_why(perhaps, facts)}. {age}"
        return Finding("cannot tell", said.strip(), None, 0.0, unit, facts.where(int(np.argmax(untold))))
    looked = f"{len(drawn)} {'volume' if len(drawn) == 1 else 'volumes'} looked at"
    return Finding("within", f"{NO_CONFLICT}: {looked}. {age}".strip(), 0.0, 0.0, unit)


def _inside(volume: AirspaceVolume, facts: FlightFacts) -> tuple[Mask, Mask]:
    ortho_m = np.full(len(facts.places_m), np.nan) if facts.ortho_m is None else facts.ortho_m
    return inside_volume(volume, facts.places_m, facts.agl_m, ortho_m, facts.air, facts.vertical_doubt_m)


def _why(volumes: list[AirspaceVolume], facts: FlightFacts) -> str:
    """Return what is missing or in doubt."""
    references = {level.reference for volume in volumes for level in (volume.floor, volume.ceiling)}
    if references & {"amsl", "fl"} and facts.ortho_m is None:
        return "no heights above sea level are known here, the terrain has no geoid"
    if "fl" in references and facts.air is None:
        return "no air pressure given, and its flight levels move with the weather"
    return "heights on the way lie within the doubt of its ends, or are unknown"


def _perhaps(volumes: list[AirspaceVolume]) -> str:
    return f" It may also enter {_volumes(volumes)}." if volumes else ""


def _volumes(volumes: list[AirspaceVolume]) -> str:
    kind = "{0.name} ({1}, {0.floor} to {0.ceiling})"
    return _named([kind.format(volume, volume.kind.replace("_", " ")) for volume in volumes])


def _named(names: list[str]) -> str:
    return ", ".join(names[:_MOST_NAMED]) + (
        f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    )


def _permitted(volumes: list[AirspaceVolume]) -> str:
    if not volumes:
        return ""
    return f" The mission states a permission for {_named([one.name for one in volumes])}, which was not checked."


def _age(volumes: tuple[AirspaceVolume, ...], date: dt.date) -> str:
    """Return how old the oldest of the data are on the day of the flight."""
    if not volumes:
        return ""
    oldest = min(volume.dated for volume in volumes)
    days = (date - oldest).days
    if days <= CYCLE_DAYS:
        return f"Data of {oldest}."
    changes = f"aeronautical data change every {CYCLE_DAYS} days, look again"
    return f"Data of {oldest}, {days} days before the flight: {changes}."
