"""Pictures of the briefing: a sortie from above and its height along the clock, in millimetres of paper.

Lives here: what turns paths, ground and hazards into shapes that a page draws. Must not know the words of the page.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from planner.assessment import Assessment
from planner.files.reportplots import round_number
from planner.files.sortiefiles import between_lines, thinned
from planner.flight.sorties import Sortie
from planner.ground.obstacles import Obstacle
from planner.survey.encounters import Encounters, Spot

Array = npt.NDArray[np.float64]
Shown = dict[str, Any]
Box = tuple[float, float, float, float]

FOOT_M = 0.3048
"""The international foot, exact by its definition of 1959."""

LETTERS = ("A", "B", "C")
"""Least distance, farthest place and greatest height above ground: in both pictures and in the list of checks."""

PLAN_MM, WIDE_PLAN_MM, PROFILE_MM = (104.0, 73.0), (188.0, 50.0), (188.0, 39.0)
"""Width and height of the pictures; a sortie that is long from west to east has the wide one."""

_WIDE_RATIO, _MARGIN_MM, _LEAST_SPAN_M = 2.2, 9.0, 40.0
_TEXT_MM, _GLYPH_SHARE, _LONGEST_NAME = 2.5, 0.66, 12
_BADGE_MM, _ARROW_GAP_MM = 4.6, 14.0
_LEFT_MM, _RIGHT_MM, _TOP_MM, _BOTTOM_MM = 11.0, 11.0, 5.0, 5.5
_CEILING_FIT = 2.5  # a ceiling higher above take-off than so many times the path is not drawn
_MINUTES = (1, 2, 5, 10, 15, 30, 60, 120)
_MOST_TICKS = 13


@dataclass
class _Labels:
    """Places of words in a picture, first come first served: none lies over another or over the edge."""

    width_mm: float
    height_mm: float
    taken: list[Box] = field(default_factory=list)

    def put(self, words: str, x: float, y: float, size_mm: float = _TEXT_MM) -> bool:
        """Take the room of words centred at a place, and return whether it was free."""
        half = size_mm * (_GLYPH_SHARE * len(words) / 2 + 0.2)
        box = (x - half, y - 0.62 * size_mm, x + half, y + 0.62 * size_mm)
        if box[0] < 0 or box[1] < 0 or box[2] > self.width_mm or box[3] > self.height_mm:
            return False
        if any(box[0] < b[2] and b[0] < box[2] and box[1] < b[3] and b[1] < box[3] for b in self.taken):
            return False
        self.taken.append(box)
        return True

    def take(self, middle: tuple[float, float], half_width: float, half_height: float) -> None:
        """Take the room of something else than words."""
        x, y = middle
        self.taken.append((x - half_width, y - half_height, x + half_width, y + half_height))

    def placed(self, words: str, x: float, y: float, offs: Sequence[tuple[float, float]]) -> Shown | None:
        """Return words at the first free of several offsets from a place, None where all are taken."""
        shown = words if len(words) <= _LONGEST_NAME else words[: _LONGEST_NAME - 1] + "…"
        for off_x, off_y in offs:
            if self.put(shown, x + off_x, y + off_y):
                return {"words": shown, "x": round(x + off_x, 2), "y": round(y + off_y, 2)}
        return None


@dataclass(frozen=True)
class _Sheet:
    """A rectangle of the site on paper."""

    west_m: float
    north_m: float
    mm_per_m: float
    width_mm: float
    height_mm: float

    def places(self, points_m: npt.ArrayLike) -> Array:
        points = np.asarray(points_m, dtype=np.float64)
        flat = np.column_stack([points[:, 0] - self.west_m, self.north_m - points[:, 1]])
        return np.asarray(flat * self.mm_per_m)

    def place(self, point_m: npt.ArrayLike) -> tuple[float, float]:
        x, y = self.places(np.asarray(point_m)[np.newaxis])[0].tolist()
        return x, y

    def course(self, points_m: npt.ArrayLike) -> str:
        return svg_path(self.places(points_m))

    def area(self, shape: shapely.Geometry) -> str:
        """Return the rings of a polygon, or several, cut to somewhat more than the sheet."""
        east, south = self.west_m + self.width_mm / self.mm_per_m, self.north_m - self.height_mm / self.mm_per_m
        rim = 5 / self.mm_per_m
        seen = shapely.intersection(shape, shapely.box(self.west_m - rim, south - rim, east + rim, self.north_m + rim))
        polygons = [part for part in shapely.get_parts(seen) if part.geom_type == "Polygon"]
        rings = [ring for part in polygons for ring in (part.exterior, *part.interiors)]
        return "".join(svg_path(self.places(ring.coords), close=True) for ring in rings)


def svg_path(places_mm: Array, *, close: bool = False) -> str:
    """Return places on paper, shape (n, 2) [mm], as an SVG path without the points that do not show."""
    kept = shapely.get_coordinates(shapely.LineString(places_mm).simplify(0.04)) if len(places_mm) > 2 else places_mm
    return "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in kept.tolist()) + ("Z" if close else "")


def is_wide(sortie: Sortie) -> bool:
    """Return whether a sortie is so long from west to east that its picture takes the width of the page."""
    width, height = np.ptp(sortie.path.points_m[:, :2], axis=0)
    return bool(width > _WIDE_RATIO * height)


def plan_picture(assessment: Assessment, sortie: Sortie, met: Encounters) -> Shown:
    """Return a sortie from above: area, hazards, path, lines with names and arrows, and the places of the checks."""
    scene, plan = assessment.scene, assessment.plan
    sheet = _sheet(sortie)
    labels = _Labels(sheet.width_mm, sheet.height_mm)
    take_off = sheet.place(sortie.take_off_m)
    labels.put("MM", *take_off)
    corner = _free_corner(sheet.places(sortie.path.points_m), sheet)
    labels.take(corner, 4.0, 7.5)
    labels.take((17.0, sheet.height_mm - 3), 17.0, 2.6)
    spots = [(letter, sheet.place(spot.place_m)) for letter, spot in _spots(met)]
    badges = _badges(spots, labels)
    obstacles = [_obstacle(thing, sheet, labels, named=thing is met.tallest) for thing in scene.obstacles]
    keep_outs = [_named(area.name, area.polygon, sheet, labels) for area in scene.keep_outs]
    lines = [_line(line.line_id, line.kept_points_m(), sheet, labels) for line in sortie.lines]
    return {
        "width": sheet.width_mm,
        "height": sheet.height_mm,
        "area": sheet.area(scene.area),
        "keep_outs": keep_outs,
        "sensitive": [sheet.area(area.polygon) for area in scene.sensitive],
        "others": [sheet.course(line.kept_points_m()) for line in plan.lines if line.line_id not in sortie.line_ids],
        "ways": [sheet.course(piece) for piece in between_lines(thinned(sortie.path))],
        "arrows": list(_way_arrows(sortie, sheet)),
        "lines": lines,
        "obstacles": obstacles,
        "take_off": {"x": round(take_off[0], 2), "y": round(take_off[1], 2)},
        "spots": badges,
        "bar": _bar(sheet),
        # True north is as far left of the sheet's as grid convergence.
        "north": {"x": corner[0], "y": corner[1]},
        "turn": round(-float(np.degrees(scene.frame.convergence_rad(*sortie.take_off_m[:2]))), 1) + 0.0,
    }


def _sheet(sortie: Sortie) -> _Sheet:
    """Return the sheet that holds the whole path, in the middle."""
    width, height = WIDE_PLAN_MM if is_wide(sortie) else PLAN_MM
    low, high = sortie.path.points_m[:, :2].min(axis=0), sortie.path.points_m[:, :2].max(axis=0)
    span = np.maximum(high - low, _LEAST_SPAN_M)
    scale = float(min((width - 2 * _MARGIN_MM) / span[0], (height - 2 * _MARGIN_MM) / span[1]))
    middle = (low + high) / 2
    return _Sheet(float(middle[0]) - width / 2 / scale, float(middle[1]) + height / 2 / scale, scale, width, height)


def _free_corner(places_mm: Array, sheet: _Sheet) -> tuple[float, float]:
    """Return the middle of the north arrow, in the corner that the path leaves most free."""
    corners = [(x, y) for y in (8.0, sheet.height_mm - 9.0) for x in (sheet.width_mm - 5.0, 5.0)][:3]
    return min(corners, key=lambda corner: int((np.abs(places_mm - corner) < (8.0, 11.0)).all(axis=1).sum()))


def _spots(met: Encounters) -> list[tuple[str, Spot]]:
    """Return the places of the checks by their letters, those that are known."""
    found = zip(LETTERS, (met.nearest, met.farthest, met.highest), strict=True)
    return [(letter, spot) for letter, spot in found if spot is not None]


def _badges(spots: Sequence[tuple[str, tuple[float, float]]], labels: _Labels) -> list[Shown]:
    """Return a ring at each place on paper and its letter beside it, joined by a short line."""
    away = [(_BADGE_MM * np.sin(turn), -_BADGE_MM * np.cos(turn)) for turn in np.radians(np.arange(0, 360, 45))]
    shown = []
    for _, place in spots:
        labels.take(place, 1.3, 1.3)
    for letter, (x, y) in spots:
        free = labels.placed("MM", x, y, away) or {"x": round(x, 2), "y": round(y - _BADGE_MM, 2)}
        shown.append({"letter": letter, "at_x": round(x, 2), "at_y": round(y, 2), "x": free["x"], "y": free["y"]})
    return shown


def _line(name: str, points_m: Array, sheet: _Sheet, labels: _Labels) -> Shown:
    """Return the kept part of a line, its arrow, and its name behind its start or where else there is room."""
    places = sheet.places(points_m)
    start, end = places[0], places[-1]
    length = float(np.hypot(*(end - start)))
    ahead = (end - start) / length if length > 0 else np.array([0.0, -1.0])
    words = 1.2 + _TEXT_MM * _GLYPH_SHARE * min(len(name), _LONGEST_NAME) / 2 * abs(ahead[0]) + abs(ahead[1])
    side = np.array([-ahead[1], ahead[0]])
    beside = [turn * side * 2.6 + at * ahead for at in (4.0, 10.0, 0.5 * length) for turn in (1, -1)]
    offs = [-words * ahead, *beside[:2], (length + words) * ahead, *beside[2:]]
    return {
        "course": svg_path(places),
        "arrow": _arrow(start + 0.62 * (end - start), ahead),
        "name": labels.placed(name, float(start[0]), float(start[1]), [(float(x), float(y)) for x, y in offs]),
    }


def _arrow(place: Array, ahead: Array) -> Shown:
    """Return an arrow head on paper that points along a direction."""
    turn = float(np.degrees(np.arctan2(ahead[0], -ahead[1])))
    return {"x": round(float(place[0]), 2), "y": round(float(place[1]), 2), "turn": round(turn, 1) + 0.0}


def _way_arrows(sortie: Sortie, sheet: _Sheet) -> Iterator[Shown]:
    """Yield arrows along what is flown between the lines, some way apart."""
    for piece in between_lines(thinned(sortie.path)):
        course = shapely.LineString(sheet.places(piece))
        for at in np.arange(0.4 * _ARROW_GAP_MM, course.length - 2, _ARROW_GAP_MM):
            here, after = (np.array(course.interpolate(at + step).coords[0]) for step in (0.0, 0.5))
            if np.hypot(*(after - here)) > 0:
                yield _arrow(here, after - here)


def _named(name: str, shape: shapely.Geometry, sheet: _Sheet, labels: _Labels) -> Shown:
    """Return an area, and its name where that has room in it or beside it."""
    x, y = sheet.place(np.array(shape.representative_point().coords[0]))
    low = float(sheet.places(shapely.get_coordinates(shape))[:, 1].max())
    return {
        "course": sheet.area(shape),
        "name": labels.placed(name, x, y, [(0, low - y + 2.2), (0, 0), (0, -3), (0, 3)]),
    }


def _obstacle(thing: Obstacle, sheet: _Sheet, labels: _Labels, *, named: bool) -> Shown:
    """Return an obstacle: a course for a wire, rings for an area, a place for what stands upright."""
    x, y = sheet.place(np.array(thing.outline.representative_point().coords[0])[:2])
    course = {"wire": sheet.course, "area": sheet.area}.get(thing.kind)
    outline = shapely.get_coordinates(thing.outline) if thing.kind == "wire" else thing.outline
    return {
        "kind": thing.kind,
        "course": course(outline) if course else "",
        "x": round(x, 2),
        "y": round(y, 2),
        "name": labels.placed(thing.name, x, y, [(0, 3.4), (0, -3.4), (9, 0), (-9, 0)]) if named else None,
    }


def _bar(sheet: _Sheet) -> Shown:
    """Return a scale bar of a round length, no longer than 30 mm."""
    metres = round_number(30 / sheet.mm_per_m)
    return {"mm": round(metres * sheet.mm_per_m, 2), "metres": f"{metres:g}", "feet": f"{metres / FOOT_M:.0f}"}


@dataclass(frozen=True)
class _Graph:
    """Time and height above take-off on paper."""

    lasts_s: float
    low_m: float
    high_m: float

    @property
    def right_mm(self) -> float:
        return PROFILE_MM[0] - _RIGHT_MM

    @property
    def bottom_mm(self) -> float:
        return PROFILE_MM[1] - _BOTTOM_MM

    def x(self, time_s: npt.ArrayLike) -> Array:
        return np.asarray(_LEFT_MM + np.asarray(time_s) / self.lasts_s * (self.right_mm - _LEFT_MM))

    def y(self, ato_m: npt.ArrayLike) -> Array:
        share = (np.asarray(ato_m) - self.low_m) / (self.high_m - self.low_m)
        return np.asarray(self.bottom_mm - share * (self.bottom_mm - _TOP_MM))

    def places(self, times_s: Array, ato_m: Array) -> Array:
        return np.column_stack([self.x(times_s), self.y(ato_m)])

    def course(self, times_s: Array, ato_m: Array) -> str:
        """Return heights along time as a path that is broken where they are unknown."""
        places, known = self.places(times_s, ato_m), np.isfinite(ato_m)
        runs = [list(run) for is_known, run in groupby(range(len(ato_m)), lambda k: bool(known[k])) if is_known]
        return "".join(svg_path(places[run]) for run in runs if len(run) > 1)

    def filled(self, times_s: Array, ato_m: Array) -> str:
        """Return what lies beneath heights as an area, none where they are unknown."""
        known, areas = np.isfinite(ato_m), ""
        for is_known, run in groupby(range(len(ato_m)), lambda k: bool(known[k])):
            members = list(run)
            if is_known and len(members) > 1:
                top, ends = self.places(times_s[members], ato_m[members]), self.x(times_s[members])[[-1, 0]]
                floor = np.column_stack([ends, [self.bottom_mm, self.bottom_mm]])
                areas += svg_path(np.vstack([top, floor, top[:1]]), close=True)
        return areas


def profile_picture(assessment: Assessment, sortie: Sortie, met: Encounters) -> Shown:
    """Return the height of a sortie above take-off along the clock, over the ground beneath, under the ceiling."""
    scene, path, zero_m = assessment.scene, sortie.path, float(sortie.take_off_m[2])
    east, north, up = path.points_m.T
    ground, top = (grid.at(east, north) - zero_m for grid in (scene.ground, scene.top))
    flown = up - zero_m
    ceiling = ground + assessment.mission.limits.ceiling_agl_m
    highest = float(np.max(flown))
    drawn = bool(np.isfinite(ceiling).any() and np.nanmax(ceiling) <= _CEILING_FIT * highest)
    most = max(highest, float(np.nanmax(ceiling)) if drawn else 0.0)
    least = min(0.0, float(np.nanmin(ground)) if np.isfinite(ground).any() else 0.0)
    graph = _Graph(path.duration_s, least - 0.03 * (most - least), most + 0.03 * (most - least))
    spots = [(letter, (float(graph.x(s.time_s)), float(graph.y(s.place_m[2] - zero_m)))) for letter, s in _spots(met)]
    labels = _Labels(*PROFILE_MM)
    lines = [_stretch(name, span, graph, flown, sortie, labels) for name, span in line_spans(sortie)]
    return {
        "width": PROFILE_MM[0],
        "height": PROFILE_MM[1],
        "left": _LEFT_MM,
        "right": graph.right_mm,
        "top": _TOP_MM,
        "bottom": graph.bottom_mm,
        "ground": graph.filled(path.times_s, ground),
        "surface": "" if scene.top is scene.ground else graph.course(path.times_s, top),
        "ceiling": graph.course(path.times_s, ceiling) if drawn else "",
        "way": graph.course(path.times_s, flown),
        "lines": lines,
        "metres": [{"y": round(float(graph.y(at)), 2), "label": _signed(at)} for at in _ticks(graph, 1.0)],
        "feet": [{"y": round(float(graph.y(at * FOOT_M)), 2), "label": _signed(at)} for at in _ticks(graph, FOOT_M)],
        "minutes": [{"x": round(float(graph.x(60 * at)), 2), "label": f"{at:g}"} for at in _minutes(graph.lasts_s)],
        "spots": _badges(spots, labels),
    }


def line_spans(sortie: Sortie) -> list[tuple[str, slice]]:
    """Return for each line flown its name and the points of the path between which its data are kept."""
    path, spans = sortie.path, []
    segments = range(len(path.parts))
    for (part, name), run in groupby(segments, lambda k: (path.parts[k], path.line_ids[k])):
        members = list(run)
        if part == "line" and name is not None:
            spans.append((name, slice(members[0], members[-1] + 2)))
    return spans


def _stretch(name: str, span: slice, graph: _Graph, flown_m: Array, sortie: Sortie, labels: _Labels) -> Shown:
    """Return a line on the clock: the band behind it, its height, and its name above where there is room."""
    times = sortie.path.times_s[span]
    left, right = graph.x(times[[0, -1]]).tolist()
    return {
        "x": round(left, 2),
        "width": round(right - left, 2),
        "course": graph.course(times, flown_m[span]),
        "name": labels.placed(name, (left + right) / 2, _TOP_MM - 2.2, [(0, 0)]),
    }


def _ticks(graph: _Graph, unit_m: float) -> Array:
    """Return round heights on the axis, in units."""
    step = round_number((graph.high_m - graph.low_m) / unit_m / 4)
    return np.arange(np.ceil(graph.low_m / unit_m / step), np.floor(graph.high_m / unit_m / step) + 1) * step + 0.0


def _signed(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def _minutes(lasts_s: float) -> Array:
    """Return round minutes from take-off on."""
    step = next((step for step in _MINUTES if lasts_s / 60 / step < _MOST_TICKS), _MINUTES[-1])
    return np.arange(0, lasts_s / 60, step)
