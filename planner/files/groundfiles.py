"""Roads, buildings and people in, as far as the user gives them, and what of them a flight may fall on out.

Lives here: the files of what nothing should fall on, and figures of ground risk. Must not know paths or how buffers are
found.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import shapely

from planner.errors import Fault, InputError
from planner.files.hazardfields import Drafted, drafted
from planner.ground.geodesy import Frame
from planner.ground.surroundings import KINDS, GroundPlace, Kind
from planner.safety.groundrisk import GroundRisk

ROAD_WIDTH_M = 8.0
"""Width of a line that states none [m]: a country road with its verges, common practice, no source."""
POINT_RADIUS_M = 10.0
"""How far a point that states none reaches [m]: a house drawn as a point, common practice, no source."""


def read_beneath(named: Mapping[Kind, str | None], folder: Path, frame: Frame) -> dict[Kind, tuple[GroundPlace, ...]]:
    """Return what lies on the ground, by the kinds that the user gives.

    Points, lines and polygons count. Fields: `name` or `id`, `width_m` of lines, `radius_m` of points; features
    without a name are called by their number.

    Parameters
    ----------
    named : mapping of str to str or None
        File names by kind, as the mission's [rules] give them; None where the user gives none.
    folder : Path
        Where file names start from.
    frame : Frame
        The local frame.

    Raises
    ------
    InputError
        E01 outline that crosses itself, E02 no feature, E04 no CRS, E05 coordinates that cannot be, E33 width or
        radius below 0, E45 file missing or unreadable; all E01 and E33 of a file at once.
    """
    files = {kind: named[kind] for kind in KINDS if named.get(kind) is not None}
    return {kind: tuple(_read(folder / str(name), frame, f"rules.{kind}")) for kind, name in files.items()}


def _read(path: Path, frame: Frame, key: str) -> list[GroundPlace]:
    found: list[GroundPlace] = []
    faults: list[Fault] = []
    for feature in drafted(path, frame, key):
        try:
            found.append(_place(feature))
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(*faults)
    return found


def _place(feature: Drafted) -> GroundPlace:
    shape = shapely.force_2d(feature.shape)
    if not shape.is_valid:
        what = f"its outline cannot be used: {shapely.is_valid_reason(shape)}"
        raise feature.refusal("E01", what, "redraw it so that it does not meet itself there")
    if shape.geom_type == "Polygon":
        return GroundPlace(feature.name, shape)
    if shape.geom_type == "Point":
        return GroundPlace(feature.name, shape, feature.not_negative("radius_m", POINT_RADIUS_M))
    half_m = feature.not_negative("width_m", ROAD_WIDTH_M) / 2
    return GroundPlace(feature.name, shapely.LineString(shape.coords), half_m)


def ground_risk_figures(risk: GroundRisk) -> dict[str, Any]:
    """Return ground risk by the names of summary.json."""
    figures = ("widest_m", "model", "buffer_area_m2", "overshoot_area_m2", "unknown_share", "given")
    told = ("name", "kind", "over_m", "over_s", "inside_m2", "inside_m")
    crossings = [{name: getattr(one, name) for name in told} | {"passes": len(one.passes)} for one in risk.crossings]
    return {name: getattr(risk, name) for name in figures} | {"crossings": crossings}
