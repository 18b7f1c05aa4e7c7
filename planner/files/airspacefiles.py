"""Airspace and aerodromes in: what the user drew, for the rules of the air.

Lives here: kinds, floors, ceilings and dates of volumes, and what is refused. Must not know rules or flights.
"""

import datetime as dt
import difflib
import re
from pathlib import Path
from typing import cast, get_args

import numpy as np
import shapely

from planner.errors import Fault, InputError
from planner.files.hazardfields import FOOT_M, Drafted, drafted
from planner.ground.geodesy import Frame
from planner.ground.surroundings import AirspaceVolume, Level, LevelReference
from planner.ruleprofiles import AirspaceKind

KINDS: tuple[str, ...] = get_args(AirspaceKind)
POINTS_TOO = ("aerodrome", "heliport")
"""Kinds that may be points, and that reach from the surface up without end where no floor and ceiling are given."""
REFERENCES: dict[str, LevelReference] = {
    "sfc": "sfc",
    "gnd": "sfc",
    "agl": "agl",
    "asfc": "agl",
    "amsl": "amsl",
    "msl": "amsl",
    "fl": "fl",
    "unl": "unl",
}
UNITS = {"m": 1.0, "ft": FOOT_M}
HIGHEST_M, HIGHEST_FL, LOWEST_M = 30_000.0, 660.0, -500.0
_LEVEL = re.compile(
    r"fl\s*(?P<fl>\d+)|(?P<number>-?\d+(?:\.\d+)?)\s*(?P<unit>[a-z]+)\s*(?P<above>[a-z]+)|(?P<end>[a-z]+)",
)


def read_airspace(path: Path, frame: Frame, dated: dt.date | None = None) -> tuple[AirspaceVolume, ...]:
    """Return the volumes of a vector file, those without finite coordinates in the local frame left out.

    Fields: `name`, `kind` (controlled, aerodrome, heliport, flight_restriction_zone, restricted, prohibited, danger,
    other), `date`, and `floor` and `ceiling`: as text that says all (`2500 ft AMSL`, `120 m AGL`, `FL 65`, `SFC`,
    `UNL`), or as a number with `floor_unit` (m, ft) and `floor_reference` (agl, amsl, fl, sfc, unl), and so for the
    ceiling. Aerodromes and heliports may be points, and may leave floor and ceiling out.

    Parameters
    ----------
    path : Path
        GeoJSON, GeoPackage, KML, KMZ or Shapefile.
    frame : Frame
        The local frame.
    dated : date or None
        Day of the data, for features that do not say it.

    Raises
    ------
    InputError
        E01, E02, E04, E05, E07, E45 of the file; E18 unknown kind or no date, E33 value out of range, E34 ceiling not
        above floor, E40 floor or ceiling without reference or unit; all faults of a file at once.
    """
    found: list[AirspaceVolume] = []
    faults: list[Fault] = []
    for feature in drafted(path, frame, "rules.airspace"):
        if not np.isfinite(shapely.get_coordinates(feature.shape)).all():
            continue
        try:
            found.append(_volume(feature, dated))
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(*dict.fromkeys(faults))  # parts of one feature have the same
    return tuple(found)


def _checked_outline(feature: Drafted, kinds: tuple[str, ...]) -> shapely.Geometry:
    """Return the outline without heights. E01: it crosses itself, E02: it is of another kind."""
    kind = feature.shape.geom_type
    if kind not in kinds:
        wanted = " or ".join(kinds)
        raise feature.refusal("E02", f"a {kind} cannot be used here", f"draw it as a {wanted}, or take it out")
    if not feature.shape.is_valid:
        reason = shapely.is_valid_reason(feature.shape).partition("[")[0].lower()
        raise feature.refusal("E01", f"its outline cannot be trusted: {reason}", "redraw it so that it does not cross")
    return shapely.force_2d(feature.shape)


def _volume(feature: Drafted, dated: dt.date | None) -> AirspaceVolume:
    kind = _kind(feature)
    outline = _checked_outline(feature, ("Polygon", "Point") if kind in POINTS_TOO else ("Polygon",))
    floor, ceiling = (_level(feature, end) for end in ("floor", "ceiling"))
    if floor is None or ceiling is None:
        if kind not in POINTS_TOO or floor is not None or ceiling is not None:
            missing = "floor" if floor is None else "ceiling"
            fix = f"give {missing} with its reference, such as 2500 ft AMSL, 120 m AGL, FL 65, SFC or UNL"
            raise feature.refusal("E40", f"it has no {missing}", fix)
        floor, ceiling = Level("sfc"), Level("unl")
    if _upside_down(floor, ceiling):
        what = f"its ceiling {ceiling} is not above its floor {floor}"
        raise feature.refusal("E34", what, "correct one of them")
    return AirspaceVolume(feature.name, cast("AirspaceKind", kind), outline, floor, ceiling, _date(feature, dated))


def _upside_down(floor: Level, ceiling: Level) -> bool:
    same = floor.reference == ceiling.reference and floor.value >= ceiling.value
    return same or floor.reference == "unl" or ceiling.reference == "sfc"


def _kind(feature: Drafted) -> str:
    given = str(feature.get("kind") or "").strip().lower().replace(" ", "_")
    if given in KINDS:
        return given
    near = difflib.get_close_matches(given, KINDS, 1)
    fix = f"did you mean {near[0]}?" if near else f"give one of {', '.join(KINDS)}"
    raise feature.refusal("E18", f'its kind is "{given}", which is none known' if given else "it has no kind", fix)


def _date(feature: Drafted, dated: dt.date | None) -> dt.date:
    given = feature.get("date")
    given = given if given == given else None  # a column of days holds NaT where a feature has none
    if given is None and dated is not None:
        return dated
    try:
        return dt.date.fromisoformat(str(given).strip()[:10])
    except ValueError as error:
        fix = "give the day of the data as date, such as 2027-03-18, or for all of them as rules.airspace_date"
        what = "it has no date" if given is None else f'its date is "{given}"'
        raise feature.refusal("E18", f"{what}: nothing says how old it is", fix) from error


def _level(feature: Drafted, end: str) -> Level | None:
    """Return the floor or the ceiling that a feature states, None where it states none."""
    given, reference = feature.get(end), feature.get(f"{end}_reference")
    if given is None and str(reference).strip().lower() not in ("sfc", "gnd", "unl"):
        return None
    whole = " ".join(str(one) for one in (given, feature.get(f"{end}_unit"), reference) if one is not None)
    flat = whole.strip().lower()
    if reference is not None and REFERENCES.get(str(reference).strip().lower()) in ("sfc", "unl"):
        flat = str(reference).strip().lower()
    if reference is not None and str(reference).strip().lower() == "fl":
        flat = f"fl {str(given).strip().removesuffix('.0')}"
    found = _LEVEL.fullmatch(flat)
    level = None if found is None else _read_level(found)
    if level is None:
        what = f'its {end} is "{whole}", which does not say in which unit and above what it counts'
        fix = f"say it whole, such as 2500 ft AMSL, 120 m AGL, FL 65, SFC or UNL, or add {end}_unit and {end}_reference"
        raise feature.refusal("E40", what, fix)
    most = HIGHEST_FL if level.reference == "fl" else HIGHEST_M
    least = LOWEST_M if level.reference == "amsl" else 0.0
    if not least <= level.value <= most:
        raise feature.refusal("E33", f"its {end} is {level}, from {least:g} to {most:g} can be", f"correct {end}")
    return level


def _read_level(found: re.Match[str]) -> Level | None:
    """Return the level that a text says, None where its unit or reference is not known."""
    if found["fl"]:
        return Level("fl", float(found["fl"]))
    if found["end"]:
        end = REFERENCES.get(found["end"])
        return Level(end) if end in ("sfc", "unl") else None
    reference, unit_m = REFERENCES.get(found["above"]), UNITS.get(found["unit"])
    if reference not in ("agl", "amsl") or unit_m is None:
        return None
    return Level(reference, float(found["number"]) * unit_m)
