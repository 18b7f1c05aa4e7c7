"""Walls in: named lines along the foot or the crest of faces, with the height of each.

Lives here: what such a file must say. Must not know which cells are faces, or what is reported on them.
"""

import shapely

from planner.files.areafiles import NAME_FIELDS
from planner.files.featurefiles import missed_cautions
from planner.files.hazardfields import Drafted, drafted
from planner.ground.geodesy import Frame
from planner.ground.surface import Wall
from planner.mission import Mission

MOST_HEIGHT_M = 2000.0


def read_walls(mission: Mission, frame: Frame, area: shapely.MultiPolygon) -> tuple[tuple[Wall, ...], list[str]]:
    """Return the walls that a mission marks, and what the reader must be told.

    Lines of one name are one wall. Those that miss the area are left out, with a caution.

    Parameters
    ----------
    mission : Mission
        Its `faces` name the file; the path starts from its folder.
    frame : Frame
        The local frame.
    area : shapely MultiPolygon
        Area of interest, local coordinates [m].

    Raises
    ------
    InputError
        E02 no feature, or one that is no line, E04 no CRS, E05 coordinates that cannot be, E18 no name or no height,
        E33 a height that cannot be, E45 file missing or unreadable.
    """
    if mission.faces.walls is None:
        return (), []
    path = mission.file.parent / mission.faces.walls
    found: dict[str, list[tuple[shapely.LineString, float]]] = {}
    for one in drafted(path, frame, "faces.walls"):
        found.setdefault(one.name, []).append((_line(one), _height_m(one, mission.faces.height_m)))
    walls = [
        Wall(name, shapely.MultiLineString([line for line, _ in parts]), max(height for _, height in parts))
        for name, parts in found.items()
    ]
    within = tuple(wall for wall in walls if wall.line.intersects(area))
    missed = [wall.name for wall in walls if wall not in within]
    return within, missed_cautions(path, "walls", missed, all_missed=not within)


def _line(drawn: Drafted) -> shapely.LineString:
    if drawn.shape.geom_type not in ("LineString", "LinearRing"):
        what = f"is a {drawn.shape.geom_type}: a wall is drawn as a line along its foot or its crest"
        raise drawn.refusal("E02", what, "draw it as a line")
    if not any(drawn.get(field) for field in NAME_FIELDS):
        raise drawn.refusal("E18", "a wall without a name", "put it in a field `name`: it is what reports call it")
    return shapely.LineString(shapely.force_2d(drawn.shape))


def _height_m(drawn: Drafted, default_m: float | None) -> float:
    given = drawn.numbers("height_m")
    if given is None:
        if default_m is None:
            fix = "give each wall a `height_m`, or one for all as height_m in [faces]"
            raise drawn.refusal("E18", "no `height_m`: how high is the wall?", fix)
        return default_m
    if given.size != 1 or not 0 < given[0] <= MOST_HEIGHT_M:
        said = ", ".join(f"{value:g}" for value in given)
        raise drawn.refusal("E33", f"height_m is {said}", f"give one height over 0 and up to {MOST_HEIGHT_M:g} m")
    return float(given[0])
