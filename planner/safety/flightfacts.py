"""What is known of a flight and its site when rules are measured.

Lives here: one noun of plain arrays and numbers, filled by whoever knows the flight. Must not know rules.
"""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.ground.obstacles import Obstacle
from planner.ground.surroundings import AirspaceVolume, GroundPlace
from planner.safety.volumes import Barometer

Array = npt.NDArray[np.float64]
Times = npt.NDArray[np.datetime64]


@dataclass(frozen=True)
class FlightFacts:
    """Facts of one flight; n places in the order flown, close together. None is not known, or not given.

    Attributes
    ----------
    date : date
        Planned day.
    lon_deg, lat_deg : float
        The site on WGS 84 [deg].
    places_m : ndarray, shape (n, 3)
        East, north, up [m], scene heights.
    lonlat_deg : ndarray, shape (n, 2)
        Longitude and latitude of each place on WGS 84 [deg].
    legs, leg : tuple of str, ndarray of int64, shape (n,)
        What the legs are called, and the number of the leg of each place.
    agl_m : ndarray, shape (n,)
        Height straight up from the ground beneath [m]; nan unknown.
    to_ground_m : ndarray, shape (n,)
        Distance in space to the nearest ground [m]; nan unknown.
    ortho_m : ndarray, shape (n,), or None
        Height above mean sea level [m]; nan unknown.
    speed_mps : ndarray, shape (n,)
        Speed over ground [m/s]; nan unknown.
    vertical_doubt_m : float
        How far heights may be off [m]; held against floors and ceilings of airspace, not against ceilings of rules.
    seconds_s, pilot_m, seen : ndarray, shape (n,), or None
        Time spent on the way to each place [s], straight distance to its pilot [m], and whether the pilot sees it
        over the terrain: 1 seen, 0 hidden, -1 cannot tell.
    sight_limit_m : float or None
        Distance up to which the aircraft is made out [m].
    visibility_m : float or None
        Flight visibility [m].
    cloud_base_m, cloud_beside_m : float or None
        Lowest cloud, scene height [m], and horizontal distance to the nearest cloud [m].
    air : Barometer or None
        Pressure of the day, for flight levels.
    sorties : ndarray of datetime64, shape (m, 2), or None
        Take-off and landing of each sortie, UTC.
    anti_collision_light_m : float or None
        How far the light of the aircraft is seen by night [m]; 0 has none.
    mass_kg, aircraft_class, low_speed_mode : float or None, str or None, bool
        Mass at take-off [kg], class label (``"none"`` bears none), and whether a mode holds it to 3 m/s.
    structures : tuple of Obstacle
        What stands on the site beside the terrain.
    owner_request : bool
        Whether the owner of a tall obstacle asked for the flight beside it.
    airspace : tuple of AirspaceVolume or None
        Airspace given by the user.
    permissions : tuple of str
        Names of volumes for which the user holds a permission.
    people, built_up : tuple of GroundPlace or None
        Given by the user; an empty tuple where the data given hold none.
    """

    date: dt.date
    lon_deg: float
    lat_deg: float
    places_m: Array
    lonlat_deg: Array
    legs: tuple[str, ...]
    leg: npt.NDArray[np.int64]
    agl_m: Array
    to_ground_m: Array
    speed_mps: Array
    ortho_m: Array | None = None
    vertical_doubt_m: float = 0.0
    seconds_s: Array | None = None
    pilot_m: Array | None = None
    seen: npt.NDArray[np.int8] | None = None
    sight_limit_m: float | None = None
    visibility_m: float | None = None
    cloud_base_m: float | None = None
    cloud_beside_m: float | None = None
    air: Barometer | None = None
    sorties: Times | None = None
    anti_collision_light_m: float | None = None
    mass_kg: float | None = None
    aircraft_class: str | None = None
    low_speed_mode: bool = False
    structures: tuple[Obstacle, ...] = ()
    owner_request: bool = False
    airspace: tuple[AirspaceVolume, ...] | None = None
    permissions: tuple[str, ...] = ()
    people: tuple[GroundPlace, ...] | None = None
    built_up: tuple[GroundPlace, ...] | None = None

    def where(self, number: int) -> str:
        """Return a place of the flight for people."""
        lon, lat = self.lonlat_deg[number].tolist()
        return f"{self.legs[int(self.leg[number])]}, lon {lon:.6f} lat {lat:.6f}"

    def flown_m(self, among: npt.NDArray[np.bool_]) -> float:
        """Return the metres flown horizontally on the way to the places marked, within legs."""
        steps = np.hypot(*np.diff(self.places_m[:, :2], axis=0).T)
        joined = np.concatenate([[0.0], np.where(np.diff(self.leg) == 0, steps, 0.0)])
        return float(joined[among].sum())
