"""How far the frame of marks lies from the frame of a plan, on the day that is flown.

Lives here: time-dependent transformations between geodetic frames, and how plates move. Must not know missions.
"""

import datetime as dt
import warnings
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
import pyproj
from pyproj.enums import TransformDirection
from pyproj.transformer import TransformerGroup

from planner.marks import Marks, frame_codes

Array = npt.NDArray[np.float64]

PLAIN_NAME = "WGS 84"
STANDS_FOR = {  # a name that covers several frames, the one that is taken for it, and how far others lie from that [m]
    "WGS 84": ("WGS 84 (G2139)", 0.0),  # the frame satellites broadcast
    "ETRS89": ("ETRF2000", 0.1),  # accuracy of the ensemble in the EPSG registry
    "NAD83": ("NAD83(2011)", 1.0),  # accuracy of the null transformation in the EPSG registry
    "NAD83(CSRS)": ("NAD83(CSRS)v7", 0.1),  # from memory, as are the next two
    "IGS14": ("ITRF2014", 0.01),
    "IGS20": ("ITRF2020", 0.01),
}
UNKNOWN_PLATE_M_A = 0.1
"""No plate moves faster [m a year]; the doubt where the table below knows none."""

# Rotation about the axes of the frame [milliarcseconds a year], and where the plate lies: west, south, east, north
# [deg]. Rotations: Altamimi et al. 2017, ITRF2014 plate motion model, doi 10.1093/gji/ggx136, table 1, as PROJ has
# them. Boxes are drawn coarsely here, the first that holds a place counts: near the edge of a plate they err by some
# centimetres a year.
PLATES = (
    ("Somalia", (-0.121, -0.794, 0.884), (36.0, -36.0, 52.0, 11.0)),
    ("Arabia", (1.154, -0.136, 1.444), (36.0, 12.0, 60.0, 35.0)),
    ("Nubia", (0.099, -0.614, 0.733), (-20.0, -36.0, 36.0, 35.0)),
    ("India", (1.154, -0.005, 1.454), (66.0, 5.0, 90.0, 28.0)),
    ("Eurasia", (-0.085, -0.531, 0.770), (-24.0, 35.0, 135.0, 82.0)),
    ("Australia", (1.510, 1.182, 1.215), (110.0, -50.0, 160.0, -10.0)),
    ("South America", (-0.270, -0.301, -0.140), (-70.0, -56.0, -34.0, 10.0)),
    ("Pacific", (-0.409, 1.047, -2.169), (-180.0, -25.0, -140.0, 30.0)),
    ("North America", (0.024, -0.694, -0.063), (-135.0, 20.0, -24.0, 84.0)),
)

_HUB = 7789  # ITRF2014 as geocentric coordinates: all known ways lead over it


@dataclass(frozen=True)
class FrameShift:
    """From where the marks' frame has a place to where the plan's frame has it on the day flown.

    Attributes
    ----------
    east_m, north_m, up_m : float
        Components [m].
    doubt_m : float
        How far they may be off [m].
    """

    east_m: float
    north_m: float
    up_m: float
    doubt_m: float = 0.0

    @property
    def horizontal_m(self) -> float:
        """Horizontal length [m]."""
        return float(np.hypot(self.east_m, self.north_m))

    @property
    def most_m(self) -> float:
        """The longest it may be in space, doubt included [m]."""
        return float(np.hypot(self.horizontal_m, self.up_m)) + self.doubt_m


def frame_name(crs: pyproj.CRS | None) -> str:
    """Return the name of the geodetic frame that a CRS counts in; WGS 84 for None, as satellites give it."""
    geodetic = crs.geodetic_crs if crs else None
    return geodetic.name if geodetic else PLAIN_NAME


def needs_epoch(frame: str) -> bool:
    """Return whether coordinates in a frame change while the ground they mark stands still on its plate."""
    code = frame_codes().get(STANDS_FOR.get(frame, (frame, 0.0))[0])
    datum = pyproj.CRS.from_epsg(code).datum if code else None
    return datum is not None and datum.type_name.startswith("Dynamic")


def decimal_year(date: dt.date) -> float:
    """Return a date in years."""
    first, last = dt.date(date.year, 1, 1), dt.date(date.year + 1, 1, 1)
    return date.year + (date - first).days / (last - first).days


def frame_shift(marks: Marks, plan_frame: str, date: dt.date, lon_deg: float, lat_deg: float) -> FrameShift | None:
    """Return how far a place of the marks' frame at its epoch lies from itself in the plan's frame on a day.

    The place goes from its frame to ITRF2014 at its epoch, with its plate to the day, and on to the plan's frame: the
    14-parameter transformations of the EPSG registry at their times, the plate by a rotation.

    Parameters
    ----------
    marks : Marks
        Frame and epoch. The epoch of a frame that moves with its plate may be left out.
    plan_frame : str
        Name of the frame that terrain and area are in, see `frame_name`.
    date : date
        Day of the flight.
    lon_deg, lat_deg : float
        The site.

    Returns
    -------
    FrameShift or None
        None where nobody can tell: no frame, no epoch where it counts, or no way known between the two.
    """
    if marks.frame is None or (marks.epoch is None and needs_epoch(marks.frame)):
        return None
    day = decimal_year(date)
    epoch = day if marks.epoch is None else marks.epoch
    if marks.frame == plan_frame and not needs_epoch(plan_frame):
        return FrameShift(0.0, 0.0, 0.0)
    (ours, ours_m), (theirs, theirs_m) = (STANDS_FOR.get(name, (name, 0.0)) for name in (marks.frame, plan_frame))
    start = _geocentric_m(lon_deg, lat_deg)
    there, back = _way(ours), _way(theirs)
    if there is None or back is None:
        return None
    hub = _moved_m(there, start, epoch, TransformDirection.FORWARD)
    moved, moved_doubt_m = _with_plate(hub, lon_deg, lat_deg, day - epoch)
    end = _moved_m(back, moved, day, TransformDirection.INVERSE)
    east, north, up = _axes(lon_deg, lat_deg) @ (end - start)
    # The same name covers the same frames on both sides.
    spread_m = 0.0 if marks.frame == plan_frame else ours_m + theirs_m
    return FrameShift(float(east), float(north), float(up), spread_m + moved_doubt_m)


def plate_speed_m_a(lon_deg: float, lat_deg: float) -> float | None:
    """Return how fast the plate under a place moves in ITRF2014 [m a year]; None where the table knows none."""
    rotation = _rotation_rad_a(lon_deg, lat_deg)
    return None if rotation is None else float(np.linalg.norm(np.cross(rotation, _geocentric_m(lon_deg, lat_deg))))


@cache
def _way(frame: str) -> pyproj.Transformer | None:
    """Return the way from a frame to ITRF2014, None where only a guess is known."""
    code = frame_codes().get(frame)
    if code is None:
        return None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # of grids that are not at hand; what is left is judged below
        ways = TransformerGroup(code, _HUB, always_xy=True).transformers
    geocentric = pyproj.CRS.from_epsg(code).is_geocentric
    return ways[0] if ways and geocentric and 0 <= ways[0].accuracy < 0.1 else None


def _moved_m(way: pyproj.Transformer, place_m: Array, year: float, direction: TransformDirection) -> Array:
    """Return geocentric coordinates [m] in the other frame, at a time in years."""
    x, y, z = (float(value) for value in place_m)
    return np.array(way.transform(x, y, z, year, direction=direction)[:3])


def _with_plate(place_m: Array, lon_deg: float, lat_deg: float, years: float) -> tuple[Array, float]:
    """Return where a geocentric place [m] is so many years on, and the doubt of that [m]."""
    rotation = _rotation_rad_a(lon_deg, lat_deg)
    if rotation is None:
        return place_m, UNKNOWN_PLATE_M_A * abs(years)
    return place_m + years * np.cross(rotation, place_m), 0.0


def _rotation_rad_a(lon_deg: float, lat_deg: float) -> Array | None:
    for _, rotation_mas, (west, south, east, north) in PLATES:
        if west <= lon_deg <= east and south <= lat_deg <= north:
            return np.radians(np.array(rotation_mas) / 3.6e6)
    return None


def _geocentric_m(lon_deg: float, lat_deg: float) -> Array:
    """Return geocentric coordinates [m] of a place on the ellipsoid."""
    to_geocentric = pyproj.Transformer.from_crs(4979, 4978, always_xy=True)
    return np.array(to_geocentric.transform(lon_deg, lat_deg, 0.0))


def _axes(lon_deg: float, lat_deg: float) -> Array:
    """Return the unit vectors east, north and up of a place as rows, in geocentric coordinates."""
    (sin_lon, sin_lat), (cos_lon, cos_lat) = (f(np.radians([lon_deg, lat_deg])) for f in (np.sin, np.cos))
    return np.array(
        [
            [-sin_lon, cos_lon, 0.0],
            [-sin_lat * cos_lon, -sin_lat * sin_lon, cos_lat],
            [cos_lat * cos_lon, cos_lat * sin_lon, sin_lat],
        ]
    )
