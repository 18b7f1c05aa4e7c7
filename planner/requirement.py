"""What the client asks for, and the marks it is tested against: checked once on construction.

Lives here: plain nouns of density, accuracy and checkpoints with their limits. Must not know sensors, files or how a
figure is judged.
"""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from planner.equipment import Positive, frozen
from planner.wording import QUALITY_LEVEL_RMSE_M

QUALITY_LEVEL_DENSITY_PER_M2 = {"QL0": 8.0, "QL1": 8.0, "QL2": 2.0, "QL3": 0.5}
"""Least aggregate density of first returns [1/m2]: USGS Lidar Base Specification 2025 rev. A, T&M 11-B4, table 1."""


@frozen
class Requirement:
    """What the client asks for.

    Attributes
    ----------
    density_per_m2 : float or None
        Least density [1/m2], judged as the other fields say.
    quality_level : {"QL0", "QL1", "QL2", "QL3"} or None
        Quality level of the USGS Lidar Base Specification, instead of a density.
    vertical_rmse_m : float or None
        Greatest root mean square height error against checkpoints [m]; None takes that of the quality level or the
        class, or asks none.
    vertical_class_cm : float or None
        Vertical accuracy class [cm]: ASPRS Positional Accuracy Standards, Edition 2 (2023), sec. 7.
    horizontal_rmse_m : float or None
        Greatest root mean square radial horizontal error [m]; None asks none.
    text : str or None
        The client's own words, where the other fields were read from them.
    returns : {"first", "ground"}
        Which returns count: the first of each pulse, or those from bare ground, through crowns or beside them.
    coverage : {"aggregate", "single"}
        All passes pooled, or the best one pass.
    cell_m : float or None
        Side of the judging cell [m]; None chooses it from density and scan-line spacing.
    percentile : float
        The share of cells [percent] that may lie below the density.
    face_density_per_m2 : float or None
        Least density of first returns per square metre of face, not of plan, on walls and steep ground [1/m2]; None
        asks none.
    face_percentile : float or None
        The share of the area of faces [percent] that may lie below that density; None takes `percentile`.
    sidelap_min : float
        Least share of a swath that its neighbour must also cover, 0-0.9.
    confidence : float or None
        Chance with which a cell must have its density, and its height error where one is asked for, to count as met,
        0.5-0.99, over flights drawn from the doubts; None judges the flight as planned.
    survey_rules : str or None
        Published rules of survey work that the plan must keep to: bundled ones by name, or a TOML file of the user's
        own, relative to the mission file; None names none.
    theta : float or None
        What those rules divide the point spacing by in planning; None takes their least.
    """

    density_per_m2: Positive | None = None
    quality_level: Literal["QL0", "QL1", "QL2", "QL3"] | None = None
    vertical_rmse_m: Annotated[float, Field(gt=0, le=10)] | None = None
    vertical_class_cm: Annotated[float, Field(gt=0, le=1000)] | None = None
    horizontal_rmse_m: Annotated[float, Field(gt=0, le=100)] | None = None
    text: Annotated[str, Field(min_length=1, max_length=2000)] | None = None
    returns: Literal["first", "ground"] = "first"
    coverage: Literal["aggregate", "single"] = "aggregate"
    cell_m: Positive | None = None
    percentile: Annotated[float, Field(ge=0, le=50)] = 5.0
    face_density_per_m2: Positive | None = None
    face_percentile: Annotated[float, Field(ge=0, le=50)] | None = None
    sidelap_min: Annotated[float, Field(ge=0, lt=0.9)] = 0.2
    confidence: Annotated[float, Field(ge=0.5, le=0.99)] | None = None
    survey_rules: Annotated[str, Field(min_length=1, max_length=200)] | None = None
    theta: Annotated[float, Field(ge=1, le=3)] | None = None

    @model_validator(mode="after")
    def _one_target(self) -> Self:
        if (self.density_per_m2 is None) == (self.quality_level is None):
            msg = "give either density_per_m2 or quality_level, one of the two"
            raise ValueError(msg)
        return self

    @model_validator(mode="after")
    def _share_of_a_target(self) -> Self:
        if self.face_percentile is not None and self.face_density_per_m2 is None:
            msg = f"face_percentile {self.face_percentile:g} of no face_density_per_m2\ngive that too, or leave it out"
            raise ValueError(msg)
        return self

    @model_validator(mode="after")
    def _theta_of_rules(self) -> Self:
        if self.theta is not None and self.survey_rules is None:
            msg = f"theta {self.theta:g} belongs to survey_rules, and none are named\nname them, or leave theta out"
            raise ValueError(msg)
        return self

    @property
    def target_per_m2(self) -> float:
        """Density asked for, given or by its quality level [1/m2]."""
        if self.quality_level is not None:
            return QUALITY_LEVEL_DENSITY_PER_M2[self.quality_level]
        return float(self.density_per_m2 or 0.0)

    @property
    def face_target_per_m2(self) -> float:
        """Density that faces are held against [1/m2]: theirs, else that of the plan, per square metre of face."""
        return self.target_per_m2 if self.face_density_per_m2 is None else self.face_density_per_m2

    @property
    def face_share_pct(self) -> float:
        """Share of the area of faces that may lie below [percent]."""
        return self.percentile if self.face_percentile is None else self.face_percentile

    @property
    def target_rmse_m(self) -> float | None:
        """Vertical RMSE asked for: the least of what is given and what level and class bring [m]; None for none."""
        level = QUALITY_LEVEL_RMSE_M.get(self.quality_level or "")
        of_class = None if self.vertical_class_cm is None else self.vertical_class_cm / 100
        asked = [limit for limit in (self.vertical_rmse_m, level, of_class) if limit is not None]
        return min(asked, default=None)


@frozen
class Checkpoints:
    """The marks that the survey is to be tested against.

    Attributes
    ----------
    count : int or None
        How many; None takes what ASPRS asks for the area, or as many as fit.
    within : str or None
        Vector file of the ground where they may stand, relative to the mission file; None allows all of the area.
    survey_sd_m : float
        One standard deviation of their own surveyed height [m].
    """

    count: Annotated[int, Field(ge=3, le=1000)] | None = None
    within: str | None = None
    survey_sd_m: Annotated[float, Field(ge=0, le=1)] = 0.01
