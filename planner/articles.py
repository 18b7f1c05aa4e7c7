"""How a plan stands to published rules of survey work, as the writers of outputs receive it.

Lives here: the nouns of an article that was judged, and of places where courses are to be compared. Must not know how
any of it was found, nor files.
"""

from dataclasses import dataclass
from typing import Literal

from planner.surveyrules import Measure, SurveyRule, SurveyRules

ArticleStatus = Literal["satisfied", "not satisfied", "declare"]
"""Declare: a plan cannot show it, or lacks what would tell; the surveyor in charge shows it."""


@dataclass(frozen=True)
class Article:
    """How a plan stands to one rule of an article, as far as a plan and its forecast can tell.

    Attributes
    ----------
    rule : SurveyRule
        The rule.
    asked, found : str
        What it asks of this job, and what plan, forecast or declared facts show.
    status : {"satisfied", "not satisfied", "declare"}
        How one stands to the other.
    note : str
        How it was judged.
    """

    rule: SurveyRule
    asked: str
    found: str
    status: ArticleStatus
    note: str = ""

    @property
    def measure(self) -> Measure:
        """What is judged."""
        return self.rule.measure


@dataclass(frozen=True)
class CheckArea:
    """A place at which heights of two neighbouring courses are to be compared.

    Attributes
    ----------
    area_id : str
        ``"CA01"`` onwards, in the order of courses.
    courses : (str, str)
        Names of both lines.
    east_m, north_m, up_m : float
        Local place of its middle and height of the ground there [m].
    side_m : float
        Side of the square, or diameter of the circle [m].
    slope_deg : float
        Slope of the ground [deg].
    """

    area_id: str
    courses: tuple[str, str]
    east_m: float
    north_m: float
    up_m: float
    side_m: float
    slope_deg: float


@dataclass(frozen=True)
class CheckAreas:
    """Proposed places of check areas.

    Attributes
    ----------
    areas : tuple of CheckArea
        In the order of courses.
    overlaps : tuple of (str, str)
        Neighbouring courses that see the same ground.
    lacking : tuple of (str, str)
        Those of them in which open, gentle ground leaves fewer places than are asked for.
    """

    areas: tuple[CheckArea, ...]
    overlaps: tuple[tuple[str, str], ...]
    lacking: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Articles:
    """A plan held against rules of survey work; no acceptance: the surveyor in charge decides.

    Attributes
    ----------
    rules : SurveyRules
        The document.
    theta : float
        What the point spacing was divided by.
    required_per_m2, planned_per_m2 : float
        Density that the forecast is judged by, and the one that was planned for [1/m2].
    articles : tuple of Article
        In the order of the document.
    check_areas : CheckAreas
        Where courses are to be compared.
    """

    rules: SurveyRules
    theta: float
    required_per_m2: float
    planned_per_m2: float
    articles: tuple[Article, ...]
    check_areas: CheckAreas
