"""Published rules of survey work: what a document asks of a plan, article by article, in our own words.

Lives here: the nouns of a rule and of a set of rules, and the numbers that planning takes from them. Must not know
missions, files or how a rule is judged.
"""

import datetime as dt
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from planner.equipment import Positive, frozen
from planner.ruleprofiles import Mark, Short, Words

Measure = Literal[
    "gnss_logging",
    "test_age",
    "point_spacing",
    "incidence",
    "distance",
    "sidelap",
    "extent",
    "course",
    "check_areas",
    "inspection",
]

UNIT_OF: dict[Measure, str] = {
    "gnss_logging": "Hz",
    "test_age": "months",
    "incidence": "deg",
    "distance": "%",
    "sidelap": "%",
    "extent": "m",
    "check_areas": "areas",
    "inspection": "%",
}
"""Unit of the value of each measure that has one."""

_BESIDE: dict[Measure, str] = {"point_spacing": "theta", "extent": "swath_pct", "check_areas": "spacings"}


@frozen
class SurveyRule:
    """One rule of an article.

    Attributes
    ----------
    article : str
        Number of the article.
    measure : str
        What is judged: ``gnss_logging`` (least rate, two frequencies), ``test_age`` (most months since the sensor was
        tested), ``point_spacing`` (asked spacing over theta is planned), ``incidence`` (least angle between beam and
        surface), ``distance`` (most share of the longest range), ``sidelap`` (least), ``extent`` (how far beyond the
        area), ``course`` (straight, one height, one speed), ``check_areas`` (least in each overlap of two courses),
        ``inspection`` (least share of the area).
    text : str
        The rule in our own words.
    citation : str
        Where it stands.
    mark : {"R", "R2", "M", "own"}
        How its text was read, see `planner.ruleprofiles.MARKS`.
    value, unit : float or None, str
        The limit, and its unit as in `UNIT_OF`.
    theta : (float, float) or None
        For ``point_spacing``: least and greatest divisor.
    swath_pct : float or None
        For ``extent``: the share of a swath [percent] that will do in place of the value.
    spacings : float or None
        For ``check_areas``: side of an area, in point spacings.
    """

    article: Short
    measure: Measure
    text: Words
    citation: Words
    mark: Mark
    value: Positive | None = None
    unit: str = ""
    theta: tuple[Annotated[float, Field(ge=1, le=3)], Annotated[float, Field(ge=1, le=3)]] | None = None
    swath_pct: Annotated[float, Field(gt=0, le=100)] | None = None
    spacings: Positive | None = None

    @model_validator(mode="after")
    def _says_what_is_judged(self) -> Self:
        unit, beside = UNIT_OF.get(self.measure, ""), _BESIDE.get(self.measure)
        if (self.value is None) != (unit == ""):
            need = f"needs a value in {unit}" if unit else "compares nothing: leave value out"
            raise ValueError(f"E34 measure {self.measure} {need}")
        if self.unit != unit:
            raise ValueError(f'E34 measure {self.measure} takes its value in "{unit}", unit says "{self.unit}"')
        if beside is not None and getattr(self, beside) is None:
            raise ValueError(f"E34 measure {self.measure} needs {beside}")
        if self.theta is not None and self.theta[0] > self.theta[1]:
            raise ValueError("E34 theta: the first is above the second")
        return self


@frozen
class SurveyRules:
    """The rules of one document, as they were read on a day; whether work keeps to it its surveyor decides.

    Attributes
    ----------
    name : str
        Short name.
    document, part : str
        The document, and the part of it.
    read_on : date
        Day on which the values were last looked at.
    beyond : str
        What of the document lies outside, and how unclear words were read.
    rules : tuple of SurveyRule
        In the order of articles, each measure once.
    """

    name: Short
    document: Words
    part: Words
    read_on: dt.date
    beyond: Words
    rules: Annotated[tuple[SurveyRule, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _measures_differ(self) -> Self:
        measures = [rule.measure for rule in self.rules]
        twice = sorted({one for one in measures if measures.count(one) > 1})
        if twice:
            raise ValueError(f"E34 two rules have the measure {twice[0]}\njoin them, with the stricter value")
        return self

    def rule(self, measure: Measure) -> SurveyRule | None:
        """Return the rule of a measure, None where the document has none."""
        return next((rule for rule in self.rules if rule.measure == measure), None)

    def value(self, measure: Measure) -> float | None:
        """Return the limit of a measure in its unit, None where the document has none."""
        rule = self.rule(measure)
        return None if rule is None else rule.value

    @property
    def theta(self) -> tuple[float, float]:
        """Least and greatest divisor of the point spacing; 1 where the document has none."""
        rule = self.rule("point_spacing")
        return (1.0, 1.0) if rule is None or rule.theta is None else rule.theta

    @property
    def range_share(self) -> float:
        """Share of the card's longest range that may be used, 0-1."""
        return (self.value("distance") or 100.0) / 100

    @property
    def least_sidelap(self) -> float:
        """Least share of a swath that its neighbour must also cover, 0-1."""
        return (self.value("sidelap") or 0.0) / 100

    @property
    def off_normal_deg(self) -> float:
        """Greatest angle between a beam and the normal of the surface [deg]."""
        return 90.0 - (self.value("incidence") or 0.0)
