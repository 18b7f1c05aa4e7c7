"""The tables of a mission file: which keys each has, and what is taken for those left out.

Lives here: plain nouns and names. Must not know how a file is read.
"""

import datetime as dt
from typing import Annotated, Any

from pydantic import Field

from planner.cover import Cover
from planner.doubts import Doubts
from planner.equipment import Arm, Positive, Slant, SmallAngle, frozen
from planner.facechoice import FaceChoice
from planner.files.cards import field_names
from planner.hazards import Hazards
from planner.marks import Marks
from planner.mission import Conditions, FlightChoice, Limits, Site, Terrain
from planner.rates import Rates
from planner.requirement import Checkpoints, Requirement
from planner.rulechoice import RuleChoice
from planner.window import Window


@frozen
class Heading:
    """What stands above the first table."""

    name: Annotated[str, Field(min_length=1, max_length=120)]
    date: dt.date


@frozen
class SensorTable:
    """A card, how it is set, what the mount changes, and the day of its last test of accuracy and boresight.

    None leaves the card's or the planner's value, or says nothing of a test.
    """

    card: str
    pulse_rate_hz: Positive | None = None
    line_rate_hz: Positive | None = None
    forward_tilt_deg: Slant | None = None
    sideways_tilt_deg: Slant | None = None
    turned_deg: Annotated[float, Field(ge=-180, le=180)] | None = None
    boresight_deg: tuple[SmallAngle, SmallAngle, SmallAngle] | None = None
    lever_arm_m: tuple[Arm, Arm, Arm] | None = None
    tilts_with_aircraft: bool | None = None
    tested_on: dt.date | None = None


@frozen
class NavigationTable:
    """A card, and how far from the base station the flight goes [m]."""

    card: str = "survey"
    base_distance_m: Annotated[float, Field(ge=0, le=1e6)] = 1000.0


@frozen
class AircraftTable:
    """A card, the take-off points as longitude and latitude [deg], and the area where more may be chosen."""

    card: str
    take_off: tuple[tuple[float, float], ...] = ()
    take_off_area: str | None = None


@frozen
class CaseName:
    """What stands in a table of `compare` beside the conditions it changes."""

    name: Annotated[str, Field(min_length=1, max_length=40)]


TABLES: dict[str, type[Any]] = {
    "site": Site,
    "terrain": Terrain,
    "cover": Cover,
    "sensor": SensorTable,
    "navigation": NavigationTable,
    "aircraft": AircraftTable,
    "requirement": Requirement,
    "checkpoints": Checkpoints,
    "faces": FaceChoice,
    "limits": Limits,
    "flight": FlightChoice,
    "hazards": Hazards,
    "conditions": Conditions,
    "marks": Marks,
    "window": Window,
    "rules": RuleChoice,
    "rates": Rates,
    "doubts": Doubts,
}
COMPARE = "compare"
RATES = ("pulse_rate_hz", "line_rate_hz")
MOUNT = tuple(key for key in field_names(SensorTable) if key not in ("card", "tested_on", *RATES))
KEYS = {
    name: tuple(key for key in field_names(kind) if name == "sensor" or key not in RATES)
    for name, kind in TABLES.items()
}
HOMES = {key: name for name, keys in KEYS.items() for key in keys if key != "card"}

# What is taken where a value that has no number or word as its default is left out. Values missing here are
# the planner's to choose ([flight], rates), the card's, or one of a pair of which the other is given.
TAKEN = {
    "site.features": "all features of the area file",
    "site.features_of_interest": "none",
    "terrain.geoid": "none, so orthometric and ellipsoidal heights are not linked",
    "terrain.vertical_unit": "the raster's own, metre where it is silent",
    "terrain.surveyed": "unknown day",
    "cover.polygons": "none",
    "cover.raster": "none",
    "cover.reflectance": "none",
    "cover.default": "no class, so that the card's rated reflectance holds and whatever stands on the ground is opaque",
    "hazards.obstacles": "none known",
    "hazards.keep_out": "none known",
    "hazards.sensitive": "none known",
    "conditions.start": "none, so that the light is what each rating of the card states",
    "aircraft.take_off": "no point",
    "aircraft.take_off_area": "none",
    "marks.frame": "not known",
    "rules.airspace": "none given",
    "rules.people": "none given",
    "rules.built_up": "none given",
    "rules.buildings": "none given",
    "rules.roads": "none given",
    "rules.aircraft_class": "not known",
    "rules.anti_collision_light_m": "not known",
    "rules.cloud_base_agl_m": "not known",
    "rules.cloud_distance_m": "not known",
    "rules.permissions": "none",
    "rates.currency": "none, so that nothing has a price",
    "window.almanac": "none, so that satellites are not looked at",
    "window.tide": "none",
    "requirement.vertical_rmse_m": "the quality level's or the class's, none where neither is asked for",
    "checkpoints.count": "as ASPRS asks for the area, or as many as fit",
    "checkpoints.within": "anywhere in the area",
    "requirement.cell_m": "chosen from density and scan-line spacing",
    "limits.climb_mps": "the aircraft's own",
    "limits.descent_mps": "the aircraft's own",
}
