"""What lies around and beneath a flight as the user drew it: airspace, and whom and what it passes over.

Lives here: plain nouns in the local frame. Must not know rules, files or how a flight meets them.
"""

import datetime as dt
from dataclasses import dataclass
from typing import Literal

import shapely

from planner.ruleprofiles import AirspaceKind

LevelReference = Literal["sfc", "agl", "amsl", "fl", "unl"]
Kind = Literal["people", "buildings", "built_up", "roads"]

KINDS: dict[Kind, str] = {
    "people": "people",
    "buildings": "buildings",
    "built_up": "built-up areas",
    "roads": "roads",
}
"""What may lie beneath a flight, as the mission's [rules] call it, in the order to be read; and in words."""


@dataclass(frozen=True)
class Level:
    """A floor or a ceiling.

    Attributes
    ----------
    reference : {"sfc", "agl", "amsl", "fl", "unl"}
        The surface, above ground beneath, above mean sea level, flight level, without end.
    value : float
        Height [m] above ground or sea level, or number of a flight level (hundreds of feet at 1013.25 hPa).
    """

    reference: LevelReference
    value: float = 0.0

    def __str__(self) -> str:
        """Return the level for people."""
        if self.reference in ("sfc", "unl"):
            return {"sfc": "the surface", "unl": "no upper end"}[self.reference]
        return f"FL {self.value:.0f}" if self.reference == "fl" else f"{self.value:.0f} m {self.reference.upper()}"


@dataclass(frozen=True)
class AirspaceVolume:
    """A volume of airspace.

    Attributes
    ----------
    name, kind : str
        What the user calls it, and its kind.
    outline : shapely Polygon or Point
        Local coordinates [m]; only aerodromes and heliports may be points.
    floor, ceiling : Level
        Its lower and upper end.
    dated : date
        Day of the data.
    """

    name: str
    kind: AirspaceKind
    outline: shapely.Polygon | shapely.Point
    floor: Level
    ceiling: Level
    dated: dt.date


@dataclass(frozen=True)
class GroundPlace:
    """People, a built-up area, a building or a road as drawn.

    Attributes
    ----------
    name : str
        What the user calls it.
    outline : shapely Point, LineString or Polygon
        Local coordinates [m].
    radius_m : float
        How far it reaches sideways from its outline [m].
    """

    name: str
    outline: shapely.Geometry
    radius_m: float = 0.0
