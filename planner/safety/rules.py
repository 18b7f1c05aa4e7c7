"""A flight held against a profile of aviation rules: what was measured, and what a crew must weigh.

Lives here: the table of measures, results and the cautions they make. Must not know files or how facts were found; says
"no conflict with the data given", never more, and is no legal advice.
"""

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from planner.ruleprofiles import MARKS, Bound, Mark, Profile, Rule
from planner.safety import measured, measuredplaces
from planner.safety.cautions import Caution, Status
from planner.safety.flightfacts import FlightFacts
from planner.safety.measured import Finding

Measure = Callable[[Rule, FlightFacts], Finding]

MEASURES: Mapping[str, Measure] = MappingProxyType(
    {
        measure.__name__: measure
        for measure in (
            measured.height_above_ground,
            measured.distance_to_surface,
            measured.ground_speed,
            measured.visibility,
            measured.below_cloud,
            measured.beside_cloud,
            measured.mass,
            measured.aircraft_class,
            measured.sight_line,
            measured.daylight,
            measured.crew_shows,
            measuredplaces.people_distance,
            measuredplaces.over_people,
            measuredplaces.built_up_distance,
            measuredplaces.over_built_up,
            measuredplaces.aerodrome_distance,
            measuredplaces.airspace,
        )
    }
)
"""Every measure by the name under which a profile asks for it."""

COMPARING: Mapping[str, tuple[Bound, ...]] = MappingProxyType(
    {
        "height_above_ground": ("most",),
        "distance_to_surface": ("most",),
        "ground_speed": ("most",),
        "visibility": ("least",),
        "below_cloud": ("least",),
        "beside_cloud": ("least",),
        "mass": ("most", "under"),
        "people_distance": ("least",),
        "built_up_distance": ("least",),
        "aerodrome_distance": ("least",),
    }
)
"""Measures that hold what they find against a value of the rule, and what that value may be to them."""

STALE_DAYS = 365
"""Age from which a profile is told to be old [days]: common practice, no source."""


@dataclass(frozen=True)
class RuleResult:
    """How a flight stands to one rule; never a clearance.

    Attributes
    ----------
    rule_id, text, citation : str
        The rule's name, its text in our own words with what was found, and where it stands.
    date_read : date
        Day on which the profile's values were last looked at.
    mark : {"R", "R2", "M", "own"}
        How the text was read.
    measured, limit : float or None
        Value found and value it was held against, in `unit`.
    unit : str
        Unit of both.
    status : {"within", "over", "cannot tell"}
        How the one stands to the other with the data given.
    where, applies : str
        Where the value was found, and when the rule applies.
    """

    rule_id: str
    text: str
    citation: str
    date_read: dt.date
    mark: Mark
    measured: float | None
    limit: float | None
    unit: str
    status: Status
    where: str
    applies: str


def measure_rules(profile: Profile, facts: FlightFacts) -> tuple[RuleResult, ...]:
    """Return how a flight stands to every rule of a profile, in its order.

    Rules about class labels that the aircraft does not bear are left out.

    Parameters
    ----------
    profile : Profile
        The rules.
    facts : FlightFacts
        What is known of the flight.
    """
    label = facts.aircraft_class
    asked = [rule for rule in profile.rules if not rule.for_classes or label is None or label in rule.for_classes]
    return tuple(_result(rule, MEASURES[rule.measure](rule, facts), profile, label) for rule in asked)


def _result(rule: Rule, found: Finding, profile: Profile, label: str | None) -> RuleResult:
    status, said = found.status, found.said
    if rule.for_classes and label is None and status == "over":
        status, said = "cannot tell", f"{said} Cannot tell: no class of the aircraft given."
    return RuleResult(
        rule.rule_id,
        f"{rule.text} {said}",
        rule.citation,
        profile.read_on,
        rule.mark,
        found.measured,
        found.limit,
        found.unit,
        status,
        found.where,
        rule.applies,
    )


def rule_cautions(results: tuple[RuleResult, ...]) -> tuple[Caution, ...]:
    """Return one caution for each result, over before what cannot be told before what is within."""
    order = {"over": 0, "cannot tell": 1, "within": 2}
    return tuple(
        Caution(
            one.rule_id,
            one.status,
            one.text,
            one.measured,
            one.limit,
            one.unit,
            citation=f"{one.citation} ({MARKS[one.mark]})",
            read_on=one.date_read,
            where=one.where,
        )
        for one in sorted(results, key=lambda one: order[one.status])
    )


def profile_cautions(profile: Profile, date: dt.date) -> tuple[Caution, ...]:
    """Return what the reader must be told of a profile itself, on the day of a flight."""
    days = (date - profile.read_on).days
    about = (
        f"Rules of {profile.jurisdiction}, profile {profile.name}, as looked at on {profile.read_on}. Their texts are "
        "put in our own words and may have changed: the texts in force count, and this is no legal advice. "
        f"{profile.beyond}"
    )
    told = [Caution("rules profile", "note", about, read_on=profile.read_on, citation=profile.source)]
    if days > STALE_DAYS:
        text = (
            f"The profile {profile.name} was looked at on {profile.read_on}, {days} days before the flight: rules may "
            "have changed since. Read the texts in force, and bring the profile up to date."
        )
        told.append(
            Caution("rules age", "cannot tell", text, float(days), float(STALE_DAYS), "days", read_on=profile.read_on)
        )
    return tuple(told)
