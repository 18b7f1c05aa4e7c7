"""Access areas in: where the aircraft may take off, as polygons in the local frame.

Lives here: reading them and refusing what is no area. Must not know where in them to take off.
"""

from pathlib import Path

import shapely

from planner.errors import InputError
from planner.files.areafiles import read_area
from planner.files.hazardfields import drafted
from planner.ground.geodesy import Frame

KEY = "aircraft.take_off_area"


def read_access(path: Path, frame: Frame) -> tuple[shapely.Polygon, ...]:
    """Return the polygons within which the aircraft may take off, in local coordinates [m].

    Parts that overlap are one; holes are kept.

    Parameters
    ----------
    path : Path
        GeoJSON, GeoPackage, KML, KMZ or Shapefile.
    frame : Frame
        The local frame.

    Raises
    ------
    InputError
        E01-E05, E45, E46, E49 as for an area; E02 points or lines, all of a file at once.
    """
    features = list(drafted(path, frame, KEY))
    fix = "draw the ground from which the aircraft may take off as a polygon, or give points in aircraft.take_off"
    wrong = [
        one.refusal("E02", f"a {one.shape.geom_type} is no area", fix)
        for one in features
        if one.shape.geom_type != "Polygon"
    ]
    if wrong:
        raise InputError(*(fault for error in wrong for fault in error.faults))
    read_area(path)
    whole = shapely.union_all([shapely.force_2d(one.shape) for one in features])
    return tuple(shapely.get_parts(whole).tolist())
