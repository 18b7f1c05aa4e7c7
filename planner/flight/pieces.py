"""Pieces of an area that are quicker to fly each on its own, with the heading of each.

Lives here: what lines over a piece cost, and the choice of pieces. Must not know how settings are chosen.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from planner.flight.corridors import blocks_of
from planner.flight.flat import Task
from planner.flight.flightlines import FlightLine, Layout, lay_out, turned
from planner.flight.headings import Going, blocks_time_s, layout_time_s
from planner.flight.laying import Flown, SiteFlown
from planner.flight.sorties import turn_time_s
from planner.flight.splitting import Piece, grown, many, partitions, simple_outline, worth_cutting
from planner.ground.surface import Scene

Array = npt.NDArray[np.float64]
Lay = Callable[[shapely.MultiPolygon, shapely.MultiPolygon, float], Layout]

DETAIL = 0.05, 0.4  # of the spacing of lines: cuts are sought in an outline without finer vertices, or bays
ALONG_SEAM = 0.5  # sine of the angle between headings below which lines of two pieces may both lie along their seam
MOST_EDGES = 3  # of the hull of a piece, the narrowest ways across first, that are weighed as headings
ALIKE_RAD = np.radians(1.0)  # headings that differ by less are one
WORTH_A_PIECE = 0.01  # of the time of the whole: what each further piece must save
MOST_TIMED = 2  # headings of a piece that are timed
MOST_OVER = 1.05  # times the cost of lines over the whole: pieces whose lines cost more are not timed
MOST_PARTITIONS = 3  # that are laid and timed


@dataclass(frozen=True)
class Spread:
    """How lines lie over any piece.

    Attributes
    ----------
    lay : callable
        Lays tracks over what is flown and what is judged of a piece, at a grid heading [rad].
    spacing_m : float
        Most distance between neighbours [m].
    half_swath_m, reach_m : float
        How far a swath reaches from its line, and how far an outermost line may lie from the edge of a piece [m].
    overlap_m : float
        How far lines are laid over a seam [m].
    line_cost_m : float
        What a line costs beside its own length: leads and a turn [m].
    """

    lay: Lay
    spacing_m: float
    half_swath_m: float
    reach_m: float
    overlap_m: float
    line_cost_m: float


def in_pieces(site: SiteFlown, whole: Flown) -> SiteFlown:
    """Return a site in the pieces that are quickest to fly in the manner in which the whole was found to be flown.

    Without pieces where it is quickest as a whole.
    """
    mission, scene, manner = site.mission, site.scene, whole.going.manner
    held_spacing, choice = mission.flight.line_spacing_m is not None, mission.flight
    spacing, rims = whole.spacing_asked_m, whole.rims_m

    def lay(planned: shapely.MultiPolygon, judged: shapely.MultiPolygon, heading_rad: float) -> Layout:
        return lay_out(planned, judged, heading_rad, spacing, rims, held_spacing)

    turn_m = manner.speed_mps * float(turn_time_s(mission.aircraft, manner.speed_mps, spacing))
    spread = Spread(
        lay,
        spacing_m=spacing,
        half_swath_m=rims[0],
        reach_m=min(rims[0], rims[1] + mission.site.buffer_m),
        overlap_m=mission.requirement.sidelap_min * rims[0],
        line_cost_m=2 * (manner.lead_m + manner.extend_m) + turn_m,
    )
    turns = choice.heading_deg is None and choice.heading_along is None
    pieces, _ = quickest_pieces(scene.planned, scene.area, spread, whole.going, site.heading_rad, turns=turns)
    return replace(site, pieces=pieces)


def split_words(heading_words: str, whole: Flown, split: Flown) -> str:
    """Return what fixed the heading of a flight in pieces, and what it has over one of the whole, in words."""
    saved_min = (whole.time_s - split.time_s) / 60
    gain = f"{saved_min:.1f} min less than one set of lines" if saved_min > 0 else "one set of lines keeps less"
    return f"{heading_words}; split in {len(split.legs)} pieces: {gain}"


def task_in_pieces(task: Task, pieces: Sequence[Piece]) -> Task:
    """Return what a search is asked for pieces: lines across the widest of them, as long as those of all together."""
    sides = np.array(
        [[*_extent_m(one.planned, one.heading_rad), *_extent_m(one.judged, one.heading_rad)] for one in pieces]
    )
    length, across, _, judged = sides.T
    widest = int(np.argmax(across))
    together = float(length @ across / across[widest])
    return replace(task, length_m=together, across_m=float(across[widest]), judged_across_m=float(judged[widest]))


def task_over(task: Task, scene: Scene, lines: Sequence[FlightLine], spacing_m: float, half_swath_m: float) -> Task:
    """Return what a search is asked for an area that lines cover in blocks; the task as it is where there is one block.

    Parameters
    ----------
    task : Task
        For the area as a whole.
    scene : Scene
        The site.
    lines : sequence of FlightLine
        That cover it.
    spacing_m, half_swath_m : float
        Most distance between neighbouring lines, and how far beside a block the area is taken to be its own [m].
    """
    blocks = blocks_of(lines, spacing_m)
    pieces = [piece for piece in (_covered(scene, block, half_swath_m) for block in blocks) if piece.judged.area > 0]
    return task_in_pieces(task, pieces) if len(blocks) > 1 and pieces else task


def _covered(scene: Scene, block: Sequence[FlightLine], half_swath_m: float) -> Piece:
    """Return the part of an area that lies between the lines of a block, or within a half swath beside them."""
    course = block[0].track_rad
    ends = turned(shapely.MultiPoint(np.concatenate([line.kept_points_m()[[0, -1], :2] for line in block])), course)
    start, low, end, high = ends.bounds
    own = turned(shapely.box(start, low - half_swath_m, end, high + half_swath_m), course)
    planned, judged = (many(shapely.intersection(area, own)) for area in (scene.planned, scene.area))
    return Piece(planned, judged, course, many(shapely.Polygon()))


def _extent_m(shape: shapely.MultiPolygon, heading_rad: float) -> tuple[float, float]:
    """Return how far a shape reaches along and across a heading [m]."""
    start, low, end, high = turned(shape, heading_rad).bounds
    return end - start, high - low


def quickest_pieces(
    planned: shapely.MultiPolygon,
    judged: shapely.MultiPolygon,
    spread: Spread,
    going: Going,
    heading_rad: float,
    *,
    turns: bool,
) -> tuple[tuple[Piece, ...], float]:
    """Return the pieces that are quickest to fly one after the other, and their time [s]; the whole as one among them.

    Each piece more must save one hundredth of the time of the whole.

    Parameters
    ----------
    planned, judged : shapely MultiPolygon
        The area that is flown, and the part of it that is judged; local coordinates [m].
    spread : Spread
        How lines lie.
    going : Going
        How they are flown.
    heading_rad : float
        Grid heading of lines over the whole [rad].
    turns : bool
        Whether pieces may have headings of their own.

    Returns
    -------
    (tuple of Piece, float)
        No pieces where the whole is quickest as one.
    """
    whole_s = layout_time_s(spread.lay(planned, judged, heading_rad), going)
    best: tuple[tuple[Piece, ...], float] = (), whole_s
    if not worth_cutting(planned):
        return best
    outline, off_m = simple_outline(planned, *(share * spread.spacing_m for share in DETAIL))

    def lines_m(part: shapely.MultiPolygon) -> float:
        return _ranked_rad(part, spread, heading_rad, turns=turns)[0][0]

    a_piece_m = WORTH_A_PIECE * lines_m(outline)
    ways = heading_rad, heading_rad + np.pi / 2
    found = partitions(outline, lambda part: lines_m(part) + a_piece_m, spread.line_cost_m, ways)
    most_m = MOST_OVER * lines_m(outline)
    least_s = whole_s
    for parts in [parts for parts in found if len(parts) > 1 and sum(map(lines_m, parts)) < most_m][:MOST_PARTITIONS]:
        flown = [(grown(part, planned, off_m), grown(part, judged, off_m)) for part in parts]
        headings = [_heading_rad(*part, spread, going, heading_rad, turns=turns) for part in flown]
        pieces = _joined(planned, flown, headings, spread)
        time_s = blocks_time_s([spread.lay(one.planned, one.judged, one.heading_rad) for one in pieces], going)
        with_worth_s = time_s + WORTH_A_PIECE * whole_s * (len(pieces) - 1)
        if with_worth_s < least_s:
            best, least_s = (pieces, time_s), with_worth_s
    return best


def _heading_rad(
    planned: shapely.MultiPolygon,
    judged: shapely.MultiPolygon,
    spread: Spread,
    going: Going,
    first_rad: float,
    *,
    turns: bool,
) -> float:
    """Return the heading with which a piece is quickest to fly [rad], of those that cost least in metres."""
    ranked = _ranked_rad(planned, spread, first_rad, turns=turns)
    if len(ranked) == 1:
        return ranked[0][1]
    timed = [
        (round(layout_time_s(spread.lay(planned, judged, heading), going), 6), heading)
        for _, heading in ranked[:MOST_TIMED]
    ]
    return min(timed, key=lambda one: one[0])[1]


def _joined(
    planned: shapely.MultiPolygon,
    flown: Sequence[tuple[shapely.MultiPolygon, shapely.MultiPolygon]],
    headings_rad: Sequence[float],
    spread: Spread,
) -> tuple[Piece, ...]:
    """Return pieces whose lines reach over their seams.

    Lines that end at a seam go on over it. Where lines on both sides run much the same way they may both lie along it:
    there swaths reach over it too.
    """
    reached = []
    for number, ((own, _), heading) in enumerate(zip(flown, headings_rad, strict=True)):
        east, north = spread.overlap_m * np.sin(heading), spread.overlap_m * np.cos(heading)
        ahead = [shapely.transform(own, lambda en, way=way: en + way) for way in ([east, north], [-east, -north])]
        aside = [
            shapely.intersection(shapely.buffer(own, spread.overlap_m), other)
            for k, (other, _) in enumerate(flown)
            if k != number and abs(np.sin(headings_rad[k] - heading)) < ALONG_SEAM
        ]
        reached.append(many(shapely.intersection(shapely.union_all([own, *ahead, *aside]), planned)))
    pieces = []
    for number, ((own, judged), heading) in enumerate(zip(flown, headings_rad, strict=True)):
        rest = shapely.union_all([other for other, _ in (*flown[:number], *flown[number + 1 :])])
        others = shapely.union_all(reached[:number] + reached[number + 1 :])
        beside = shapely.intersection(own, shapely.buffer(rest, spread.half_swath_m / 2))
        pieces.append(Piece(reached[number], judged, heading, many(shapely.difference(beside, others))))
    return tuple(pieces)


def _ranked_rad(
    shape: shapely.MultiPolygon, spread: Spread, first_rad: float, *, turns: bool
) -> list[tuple[float, float]]:
    """Return what lines over a shape cost [m] and their heading [rad], the least first, not all that cost more.

    Tried are a heading and those along the edges of the hull from which it is narrowest across.
    """
    hull, sides = np.asarray(shapely.get_coordinates(shapely.convex_hull(shape))), _sides_m(shape)
    headings = np.array([*(_edges_rad(hull, first_rad) if turns else []), first_rad])
    across = hull @ np.array([np.cos(headings), -np.sin(headings)])
    counts = _counts(np.ptp(across, axis=0), spread)
    at_least = counts * spread.line_cost_m + shape.area / max(spread.spacing_m, 2 * spread.reach_m)
    found: list[tuple[float, float]] = []
    for heading, least in zip(headings.tolist(), at_least.tolist(), strict=True):
        if not found or least < min(found)[0]:
            found.append((_lines_m(sides, heading, spread), heading))
    return sorted(found, key=lambda one: round(one[0], 6))


def _edges_rad(hull_m: Array, first_rad: float) -> list[float]:
    """Return headings along the edges of a hull (n, 2) from which it is narrowest across [rad], but for a given one."""
    headings = np.arctan2(*np.diff(hull_m, axis=0).T) % np.pi
    across = hull_m @ np.array([np.cos(headings), -np.sin(headings)])
    widths = np.round(np.ptp(across, axis=0), 3)
    found = [first_rad]
    for edge in np.lexsort((headings, widths)).tolist():
        if all(abs(np.sin(headings[edge] - one)) > ALIKE_RAD for one in found):
            found.append(float(headings[edge]))
        if len(found) > MOST_EDGES:
            break
    return found[1:]


def _counts(across_m: Array, spread: Spread) -> Array:
    """Return how many lines lie over widths [m], any shape."""
    span = np.maximum(across_m - 2 * spread.reach_m, 0.0)
    return np.asarray(np.ceil(span / spread.spacing_m - 1e-9) + 1)


def _sides_m(shape: shapely.MultiPolygon) -> Array:
    """Return the sides of all rings of a shape, from and to, shape (n, 2, 2) [m]."""
    rings = shapely.get_rings(shapely.get_parts(shape))
    points, of = shapely.get_coordinates(rings, return_index=True)
    within = of[1:] == of[:-1]
    return np.stack([points[:-1][within], points[1:][within]], axis=1)


def _lines_m(sides_m: Array, heading_rad: float, spread: Spread) -> float:
    """Return what evenly spread lines over a shape, given its sides, cost at a heading, each with leads and a turn [m].

    As `lay_out` has it: each spans the hull of what lies within half a spacing of it.
    """
    sin, cos = np.sin(heading_rad), np.cos(heading_rad)
    along, across = sides_m @ np.array([sin, cos]), sides_m @ np.array([cos, -sin])
    low, high = float(across.min()), float(across.max())
    span = max(high - low - 2 * spread.reach_m, 0.0)
    count = int(_counts(np.array(high - low), spread))
    edges = (low + high) / 2 + (np.arange(count + 1) - count / 2) * (span / max(count - 1, 1))
    edges[[0, -1]] = low, high
    rise = across[:, 1] - across[:, 0]
    flat = rise == 0
    met = np.clip(edges, across.min(axis=1)[:, np.newaxis], across.max(axis=1)[:, np.newaxis])
    share = (met - across[:, :1]) / np.where(flat, 1.0, rise)[:, np.newaxis]
    at = along[:, :1] + share * (along[:, 1:] - along[:, :1])
    ends = np.stack([at[:, :-1], at[:, 1:], np.where(flat[:, np.newaxis], along[:, 1:], at[:, 1:])])
    meets = (across.min(axis=1)[:, np.newaxis] <= edges[1:]) & (across.max(axis=1)[:, np.newaxis] >= edges[:-1])
    most, least = np.where(meets, ends, -np.inf).max(axis=(0, 1)), np.where(meets, ends, np.inf).min(axis=(0, 1))
    lengths = (most - least)[most >= least]
    return float(lengths.sum() + lengths.size * spread.line_cost_m)
