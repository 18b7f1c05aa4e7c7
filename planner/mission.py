"""The frozen inputs of a job: what the user declares, checked once on construction.

Lives here: plain nouns with their units and limits. Must not know files, grids, flight lines or forecasts;
paths are kept as declared, relative to the mission's folder.
"""

import datetime as dt
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, AwareDatetime, Field, model_validator

from planner.aircraft import Aircraft
from planner.cover import Cover
from planner.doubts import Doubts
from planner.equipment import NotNegative, Positive, Sensor, frozen
from planner.facechoice import FaceChoice
from planner.hazards import Hazards
from planner.marks import Marks
from planner.navigation import Navigation
from planner.rates import Rates
from planner.requirement import Checkpoints, Requirement
from planner.rulechoice import RuleChoice
from planner.ruleprofiles import Profile
from planner.surveyrules import SurveyRules
from planner.window import Window

Following = Literal["terrain", "level", "stepped"]
HeadingAlong = Literal["long_side", "contours"]
Moment = Annotated[AwareDatetime, AfterValidator(lambda moment: moment.astimezone(dt.UTC))]


@frozen
class Site:
    """Where the job is.

    Attributes
    ----------
    area : str or None
        Vector file with the area of interest, relative to the mission file; None where a centreline is given instead.
    centreline : str or None
        Vector file with the line along the middle of a corridor, relative to the mission file.
    width_left_m, width_right_m : float or None
        How far the corridor reaches to the left and to the right of it, looking along the line as drawn [m].
    layer, features : str or None, tuple of str or None
        Layer to read where the file holds several; names of the features to keep, None keeps all.
    buffer_m : float
        Strip round the area that is flown but not judged [m].
    working_crs : str
        ``"auto"`` (transverse Mercator centred on the site, scale 1) or any projected CRS in metres.
    features_of_interest : str or None
        Vector file of named lines and polygons on which the forecast is reported apart, relative to the mission file.
    feature_width_m : float
        Width that lines among them are given [m].
    """

    area: str | None = None
    centreline: str | None = None
    width_left_m: Annotated[float, Field(gt=0, le=5000)] | None = None
    width_right_m: Annotated[float, Field(gt=0, le=5000)] | None = None
    layer: str | None = None
    features: tuple[str, ...] | None = None
    buffer_m: Annotated[float, Field(ge=0, le=5000)] = 0.0
    working_crs: str = "auto"
    features_of_interest: str | None = None
    feature_width_m: Annotated[float, Field(gt=0, le=1000)] = 4.0

    @model_validator(mode="after")
    def _area_or_corridor(self) -> Self:
        widths = {"width_left_m": self.width_left_m, "width_right_m": self.width_right_m}
        fix = "name polygons as `area`; or a line as `centreline`, with `width_left_m` and `width_right_m`"
        if self.area is None and self.centreline is None:
            raise ValueError(f"E18 `area` is missing, and there is no `centreline`\n{fix}")
        if self.area is not None and self.centreline is not None:
            raise ValueError(f"E34 `centreline` and `area` are both given: the site is one of the two\n{fix}")
        if self.centreline is None and (given := [name for name, width in widths.items() if width is not None]):
            raise ValueError(f"E34 `{given[0]}` is the width of a corridor, and there is no `centreline`\n{fix}")
        if self.centreline is not None and (silent := [name for name, width in widths.items() if width is None]):
            raise ValueError(f"E18 `{silent[0]}` is missing: a `centreline` needs a width to either side\n{fix}")
        return self


@frozen
class Terrain:
    """The height rasters and what their numbers mean.

    Attributes
    ----------
    ground, surface : str or None
        Bare-earth raster (DTM) and top-surface raster (DSM: roofs, crowns), path or URL.
    heights : {"orthometric", "ellipsoidal"}
        What the raster heights are measured from.
    geoid : str or None
        ``"egm96"``, a geoid grid file, or None where the vertical datum is unknown.
    vertical_unit : {"metre", "foot", "us_survey_foot"} or None
        Unit of the raster values; None reads it from the file, metre if the file is silent.
    vertical_sd_m : float
        One standard deviation of the terrain's own vertical error [m].
    surveyed : date or None
        Day the terrain was measured.
    holes : {"refuse", "unknown"}
        What to do where the flown ground has no data: refuse the job, or go on and leave it unknown.
    """

    ground: str | None = None
    surface: str | None = None
    heights: Literal["orthometric", "ellipsoidal"]
    geoid: str | None = None
    vertical_unit: Literal["metre", "foot", "us_survey_foot"] | None = None
    vertical_sd_m: NotNegative = 0.3
    surveyed: dt.date | None = None
    holes: Literal["refuse", "unknown"] = "refuse"

    @model_validator(mode="after")
    def _needs_a_raster(self) -> Self:
        if self.ground is None and self.surface is None:
            msg = "E14 no raster declared: name `ground` (bare earth) or `surface` (top surface)"
            raise ValueError(msg)
        return self


@frozen
class Limits:
    """What the flight must keep to.

    Attributes
    ----------
    ceiling_agl_m : float
        Greatest height above the ground beneath [m].
    clearance_m : float
        Least distance to ground and top surface, terrain doubt included [m].
    climb_mps, descent_mps : float or None
        Tighter climb and descent than the aircraft's own [m/s].
    """

    ceiling_agl_m: Positive = 120.0
    clearance_m: Positive = 30.0
    climb_mps: Positive | None = None
    descent_mps: Positive | None = None

    @model_validator(mode="after")
    def _room_to_fly(self) -> Self:
        if self.clearance_m >= self.ceiling_agl_m:
            msg = f"E25 clearance_m {self.clearance_m:g} leaves no height below ceiling_agl_m {self.ceiling_agl_m:g}"
            raise ValueError(msg)
        return self


@frozen
class FlightChoice:
    """Settings that the user holds fixed; None leaves the choice to the planner.

    Attributes
    ----------
    agl_m : float or None
        Nominal height above ground [m].
    speed_mps : float or None
        Ground speed on lines [m/s].
    heading_deg : float or None
        Heading of the lines, clockwise from true north [deg].
    heading_along : {"long_side", "contours"} or None
        Lines run along the long side of the flown area, or the way in which its ground slopes least; not beside a
        `heading_deg`.
    pulse_rate_hz, line_rate_hz : float or None
        Pulses and scan lines per second, each one of the card's [Hz].
    line_spacing_m : float or None
        Distance between neighbouring lines [m].
    following : {"terrain", "level", "stepped"} or None
        Height follows the ground; stays the same on all lines; or stays constant on each line or part of one, such that
        the height above ground keeps within a fifth of the nominal one wherever that can be.
    hold_speed : {"ground", "air"}
        Ground speed is the same on all lines; or airspeed is, and the lines flown with the wind go at the speed asked.
    split_overlap_m : float or None
        Lines that are too long for a battery or for the inertial unit are cut into parts that share so much [m]; None
        refuses what no battery can fly, and leaves the rest whole.
    """

    agl_m: Positive | None = None
    speed_mps: Positive | None = None
    heading_deg: Annotated[float, Field(ge=-360, le=360)] | None = None
    heading_along: HeadingAlong | None = None
    pulse_rate_hz: Positive | None = None
    line_rate_hz: Positive | None = None
    line_spacing_m: Positive | None = None
    following: Following | None = None
    hold_speed: Literal["ground", "air"] = "ground"
    split_overlap_m: Annotated[float, Field(ge=0, le=1000)] | None = None

    @model_validator(mode="after")
    def _one_heading(self) -> Self:
        if self.heading_deg is not None and self.heading_along is not None:
            what = f"E18 `heading_deg` {self.heading_deg:g} and `heading_along` {self.heading_along} are both given"
            raise ValueError(f"{what}\ngive one of the two, or leave both out")
        return self


@frozen
class Conditions:
    """Air, light and wetness on the day.

    Attributes
    ----------
    visibility_km : float
        Visibility by 2 % contrast [km], of the air between drops and flakes.
    wind_mps, wind_from_deg : float
        Steady wind [m/s] and where it comes from, clockwise from true north [deg].
    seed : int
        Seed of the attitude motion of the aircraft; the same seed gives the same motion.
    wet : bool
        Whether rain or dew lies on all surfaces; see `surfaces_wet`.
    frost : bool
        Whether hoar frost lies on all surfaces but open water, instead.
    rain_mm_h, snow_mm_h : float
        Rain and snow falling during the flight, as depth of water [mm/h].
    temperature_c, pressure_hpa : float
        Air at the ground [degrees Celsius, hPa].
    start : datetime or None
        When the flight begins, in UTC; tells where the sun stands. None: light as each rating of the card states.
    noon, night : bool
        The sun is at its highest of the day, or down, whatever `start` says.
    """

    visibility_km: Positive = 23.0
    wind_mps: NotNegative = 0.0
    wind_from_deg: Annotated[float, Field(ge=-360, le=360)] = 0.0
    seed: Annotated[int, Field(ge=0, le=2**63)] = 1
    wet: bool = False
    frost: bool = False
    rain_mm_h: Annotated[float, Field(ge=0, le=200)] = 0.0
    snow_mm_h: Annotated[float, Field(ge=0, le=50)] = 0.0
    temperature_c: Annotated[float, Field(ge=-60, le=60)] = 15.0
    pressure_hpa: Annotated[float, Field(ge=300, le=1100)] = 1013.25
    start: Moment | None = None
    noon: bool = False
    night: bool = False

    @model_validator(mode="after")
    def _one_sun(self) -> Self:
        if self.noon and self.night:
            msg = "give either noon or night, one of the two"
            raise ValueError(msg)
        return self

    @model_validator(mode="after")
    def _frost_is_dry(self) -> Self:
        if self.frost and self.surfaces_wet:
            wetted_by = "wet" if self.wet else "rain_mm_h"
            fix = "leave one of them out; a case that inherits it says false, or 0"
            raise ValueError(f"frost and {wetted_by} together: surfaces lie under one of the two\n{fix}")
        return self

    @property
    def surfaces_wet(self) -> bool:
        """Whether surfaces are wet: said so, or rained on."""
        return self.wet or self.rain_mm_h > 0

    @property
    def surfaces(self) -> Literal["dry", "wet", "frosted"]:
        """What lies on surfaces, in a word."""
        return "frosted" if self.frost else "wet" if self.surfaces_wet else "dry"


@frozen
class Case:
    """Other conditions under which the same flight is forecast, for comparison.

    Attributes
    ----------
    name : str
        What tables and map layers call it.
    conditions : Conditions
        All of them, those that stay as planned included.
    """

    name: Annotated[str, Field(min_length=1, max_length=40)]
    conditions: Conditions


HAZE_KM = 5.0
"""Visibility [km] of the haze that is compared where a mission names no cases of its own."""


def usual_cases(planned: Conditions) -> tuple[Case, ...]:
    """Return the cases that are compared where a mission names none: dry, wet, haze, noon and night.

    Each changes one thing about the planned conditions; one that would change nothing, or clear the air, is left out.
    """
    cases = {
        "dry": replace(planned, wet=False, frost=False, rain_mm_h=0.0, snow_mm_h=0.0),
        "wet": planned if planned.surfaces_wet else replace(planned, wet=True, frost=False),
        f"haze {HAZE_KM:g} km": replace(planned, visibility_km=min(planned.visibility_km, HAZE_KM)),
        "noon": replace(planned, noon=True, night=False),
        "night": replace(planned, noon=False, night=True),
    }
    return tuple(Case(name=name, conditions=case) for name, case in cases.items() if case != planned)


@frozen
class Mission:
    """A whole job as declared.

    Attributes
    ----------
    name : str
        Name of the job; names the output folder.
    date : date
        Planned day; no clock is ever read.
    file : Path
        The mission file; the paths it names start from its folder.
    assumptions : tuple of str
        One line for every value that the mission left out and a default filled.
    take_off_deg : tuple of (float, float)
        Take-off points, longitude and latitude on WGS 84 [deg]; heights above take-off refer to the first.
    take_off_area : str or None
        Vector file of polygons in which to choose more of them, relative to the mission file.
    base_distance_m : float
        Farthest distance of the flight from the base station that its positions hang on [m].
    rule_profile : Profile or None
        Rules of the air that the flight is held against; None holds it against none.
    survey_rules : SurveyRules or None
        Published rules of survey work that the plan must keep to; None asks for none.
    sensor_tested_on : date or None
        Day on which accuracy and boresight of the sensor were last tested; None where nobody says.
    compare : tuple of Case
        Other conditions to forecast the same flight under; names differ.
    site, terrain, cover, sensor, navigation, aircraft, requirement, checkpoints, faces, limits, flight, hazards,
    marks, conditions, window, rules, rates, doubts
        The parts, each described by its own class.
    """

    name: Annotated[str, Field(min_length=1, max_length=120)]
    date: dt.date
    file: Path
    assumptions: tuple[str, ...] = ()
    take_off_deg: tuple[tuple[float, float], ...] = ()
    take_off_area: str | None = None
    site: Site
    terrain: Terrain
    cover: Cover = Cover()
    sensor: Sensor
    navigation: Navigation
    base_distance_m: NotNegative = 1000.0
    aircraft: Aircraft
    requirement: Requirement
    checkpoints: Checkpoints = Checkpoints()
    faces: FaceChoice = FaceChoice()
    limits: Limits = Limits()
    flight: FlightChoice = FlightChoice()
    hazards: Hazards = Hazards()
    conditions: Conditions = Conditions()
    compare: tuple[Case, ...] = ()
    marks: Marks = Marks()
    window: Window = Window()
    rules: RuleChoice = RuleChoice()
    rule_profile: Profile | None = None
    survey_rules: SurveyRules | None = None
    sensor_tested_on: dt.date | None = None
    rates: Rates = Rates()
    doubts: Doubts = Doubts()

    @property
    def theta(self) -> float:
        """What the point spacing is divided by in planning; 1 where no rules of survey work ask for more.

        Where the mission names none it is the least of the rules: it stands for what maps do not show, and the
        forecast, which fires every pulse at the terrain, shows most of that by itself.
        """
        least = 1.0 if self.survey_rules is None else self.survey_rules.theta[0]
        return least if self.requirement.theta is None else self.requirement.theta

    @property
    def planned_per_m2(self) -> float:
        """Density that the plan aims at: the one asked for, at a point spacing smaller by theta [1/m2]."""
        return self.requirement.target_per_m2 * self.theta**2
