"""Which rules of the air a flight is held against, and what is known of the site for them: the mission's [rules].

Lives here: a plain noun of a profile's name, file names and declarations, checked once on construction. Must not know
files, profiles or what is measured.
"""

import datetime as dt
from typing import Annotated, Literal

from pydantic import Field

from planner.equipment import NotNegative, Positive, frozen

AircraftClass = Literal["C0", "C1", "C2", "C3", "C4", "none"]
Name = Annotated[str, Field(min_length=1, max_length=200)]


@frozen
class RuleChoice:
    """The profile, the user's own data, and what the user declares; nothing here is checked with an authority.

    Attributes
    ----------
    profile : str
        Bundled profile of rules by name, or a TOML file of the user's own, relative to the mission file.
    airspace : str or None
        Vector file of airspace and aerodromes with floors and ceilings, relative to the mission file.
    airspace_date : date or None
        Day of the airspace data, where its features do not say it themselves.
    people, built_up : str or None
        Vector files of uninvolved people (points, polygons) and of built-up areas (polygons).
    buildings, roads : str or None
        Vector files of buildings (points, polygons) and of roads (lines, polygons).
    aircraft_class : {"C0", "C1", "C2", "C3", "C4", "none"} or None
        Class label of the aircraft, ``"none"`` where it bears none; None where nobody says.
    low_speed_mode : bool
        Whether it flies in a mode that holds it to 3 m/s.
    anti_collision_light_m : float or None
        How far its light is seen by night [m]; 0 where it has none, None where nobody says.
    cloud_base_agl_m, cloud_distance_m : float or None
        Lowest cloud above the take-off place, and horizontal distance to the nearest cloud at flight height [m].
    owner_request : bool
        Whether the owner of a tall obstacle asked for the flight beside it.
    permissions : tuple of str
        Names of the volumes of airspace for which the user holds a permission.
    """

    profile: Name = "neutral"
    airspace: Name | None = None
    airspace_date: dt.date | None = None
    people: Name | None = None
    built_up: Name | None = None
    buildings: Name | None = None
    roads: Name | None = None
    aircraft_class: AircraftClass | None = None
    low_speed_mode: bool = False
    anti_collision_light_m: NotNegative | None = None
    cloud_base_agl_m: Positive | None = None
    cloud_distance_m: NotNegative | None = None
    owner_request: bool = False
    permissions: tuple[Name, ...] = ()
