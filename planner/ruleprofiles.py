"""Profiles of aviation rules: dated limits in our own words, each with its citation and the name of its measure.

Lives here: the nouns of a rule and a profile, and exact units. Must not know files, flights or
how rules are measured.
"""

import datetime as dt
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from planner.equipment import NotNegative, Positive, frozen

Mark = Literal["R", "R2", "M", "own"]
Bound = Literal["most", "under", "least"]
AircraftLabel = Literal["C0", "C1", "C2", "C3", "C4"]
Edge = Literal["sunrise", "civil_twilight"]
AirspaceKind = Literal[
    "controlled", "aerodrome", "heliport", "flight_restriction_zone", "restricted", "prohibited", "danger", "other"
]
Words = Annotated[str, Field(min_length=3, max_length=600)]
Short = Annotated[str, Field(min_length=1, max_length=120)]

UNITS = {
    "": ("", 1.0),
    "m": ("m", 1.0),
    "km": ("m", 1000.0),
    "ft": ("m", 0.3048),
    "NM": ("m", 1852.0),
    "statute mi": ("m", 1609.344),
    "m/s": ("m/s", 1.0),
    "kn": ("m/s", 1852.0 / 3600.0),
    "mph": ("m/s", 0.44704),
    "kg": ("kg", 1.0),
    "g": ("kg", 0.001),
    "lb": ("kg", 0.45359237),
    "min": ("min", 1.0),
}
"""Units of a text: the one that is measured in, and its size in that; all exact (NIST SP 811, appendix B.8)."""
Unit = Literal["", "m", "km", "ft", "NM", "statute mi", "m/s", "kn", "mph", "kg", "g", "lb", "min"]

MARKS = {
    "R": "read in the text itself",
    "R2": "read in a second source that quotes the text",
    "M": "from memory, the text was not read again",
    "own": "not from a text",
}


@frozen
class Rule:
    """One rule of a profile; lengths of an exception are in the unit of the value.

    Attributes
    ----------
    rule_id : str
        Stable name, unique in its profile.
    text : str
        The rule in our own words.
    citation : str
        Where it stands.
    mark : {"R", "R2", "M", "own"}
        How its text was read, see `MARKS`.
    measure : str
        Name of the function that measures it.
    applies : str
        When it applies, in words.
    bound : {"most", "under", "least"} or None
        Whether the value is the most, a value to stay under, or the least; None where nothing is compared.
    value, unit : float or None, str
        The limit as the text has it.
    for_classes, classes : tuple of str
        Class labels that the rule is about (empty: all), and those that it lets take part.
    kinds : tuple of str
        Kinds of airspace that it is about; empty is all.
    tall_within, tall_above, tall_from, tall_asks_owner, tall_citation : float or None, float, float, bool, str
        Exception beside tall things: so far away horizontally, so far above their top, if they are taller than so
        much, whether only at their owner's request, and where that stands. None: no exception.
    slow_value : float or None
        The value in low-speed mode.
    window, window_minutes : {"sunrise", "civil_twilight"} or None, float
        The light in which flights may be: from sunrise to sunset or from civil dawn to dusk (sun 6 deg below the
        horizon), each end so many minutes wider.
    lit : bool
        Whether a light on the aircraft, seen as far as `value`, opens the rest of the day.
    """

    rule_id: Short
    text: Words
    citation: Words
    mark: Mark
    measure: Short
    applies: Short = "always"
    bound: Bound | None = None
    value: NotNegative | None = None
    unit: Unit = ""
    for_classes: tuple[AircraftLabel, ...] = ()
    classes: tuple[AircraftLabel, ...] = ()
    kinds: tuple[AirspaceKind, ...] = ()
    tall_within: Positive | None = None
    tall_above: NotNegative = 0.0
    tall_from: NotNegative = 0.0
    tall_asks_owner: bool = False
    tall_citation: str = ""
    slow_value: Positive | None = None
    window: Edge | None = None
    window_minutes: Annotated[float, Field(ge=0, le=180)] = 0.0
    lit: bool = False

    @model_validator(mode="after")
    def _compares_something(self) -> Self:
        if (self.bound is None) != (self.value is None):
            lacks, has = ("value", "bound") if self.value is None else ("bound", "value")
            raise ValueError(f"{has} without {lacks}: nothing can be compared\ngive {lacks} too, or leave {has} out")
        return self

    @property
    def limit(self) -> float | None:
        """The value in the unit that is measured in, None where there is none."""
        return None if self.value is None else self.si(self.value)

    def si(self, value: float) -> float:
        """Return a value of this rule's text in the unit that is measured in."""
        return value * UNITS[self.unit][1]

    @property
    def said(self) -> str:
        """The value for people, with what it is in the unit measured in; empty where there is none."""
        if self.value is None or self.limit is None:
            return ""
        unit = UNITS[self.unit][0]
        shown = f"{self.value:g} {self.unit}".strip()
        return shown if unit == self.unit else f"{shown} ({self.limit:.5g} {unit})"


@frozen
class Profile:
    """The rules of one place and kind of operation, as they were read on a day. No legal advice.

    Attributes
    ----------
    name, jurisdiction : str
        Short name, and where the rules hold.
    read_on : date
        Day on which the values were last looked at.
    source : str
        Which texts they come from.
    beyond : str
        What lies outside the profile, in words.
    rules : tuple of Rule
        The rules.
    """

    name: Short
    jurisdiction: Short
    read_on: dt.date
    source: Words
    beyond: Words
    rules: Annotated[tuple[Rule, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _rules_differ(self) -> Self:
        ids = [rule.rule_id for rule in self.rules]
        twice = sorted({one for one in ids if ids.count(one) > 1})
        if twice:
            raise ValueError(f"E34 two rules are called {twice[0]}\ngive each rule a rule_id of its own")
        return self
