"""Ground risk: where an aircraft that comes down out of control may fall, and what lies there.

Lives here: the strip flown over, the buffer round it, and what of roads, buildings and people lies in either. Must not
know files, how paths are made, or who is on the ground on the day.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import shapely

from planner.ground.surroundings import KINDS, GroundPlace, Kind
from planner.safety.cautions import Caution
from planner.safety.falls import Fall, widths_m

Array = npt.NDArray[np.float64]
Polygons: TypeAlias = shapely.Polygon | shapely.MultiPolygon


THINNED_M = 0.5
"""Most that a buffer is drawn too wide for the sake of fewer corners [m]; never too narrow."""
STRIP_THINNED_M = 0.05
CORNERS = 64  # of the polygon drawn round each disc: at most 0.12 % too wide
_MOST_NAMED = 8


@dataclass(frozen=True)
class Flown:
    """What is flown without a break.

    Attributes
    ----------
    name : str
        What the reader calls it, for example ``"sortie 1"``.
    points_m : ndarray, shape (n, 2) or (n, 3)
        East, north [m], n at least 2; an up is not looked at.
    heights_agl_m : ndarray, shape (n,)
        Height above the ground that it would fall on [m]: that beneath, or the lowest nearby where ground falls away
        beside the path. nan where none is known; there the greatest width of the path counts.
    times_s : ndarray, shape (n,)
        Not falling [s].
    """

    name: str
    points_m: Array
    heights_agl_m: Array
    times_s: Array


@dataclass(frozen=True)
class Span:
    """One pass over something: whose path, and from when to when since its start [s]."""

    flown: str
    from_s: float
    to_s: float


@dataclass(frozen=True)
class Crossing:
    """A thing that lies under the flight or in the buffer round it.

    Attributes
    ----------
    name, kind : str
        What the user calls it, and one of `KINDS`; parts of one name and kind are told as one.
    over_m : float
        Way flown over it, all passes together [m]; 0 where it lies in the buffer alone.
    passes : tuple of Span
        When; a hover or climb above it counts.
    inside_m2, inside_m : float or None
        Its area and its length within the buffer [m2, m]; None where it has no polygon, or no line.
    """

    name: str
    kind: Kind
    over_m: float
    passes: tuple[Span, ...]
    inside_m2: float | None
    inside_m: float | None

    @property
    def over_s(self) -> float:
        """Time spent over it [s]."""
        return float(sum(one.to_s - one.from_s for one in self.passes))


@dataclass(frozen=True)
class GroundRisk:
    """Where things may fall, local coordinates and plane areas of the working frame.

    Attributes
    ----------
    footprint : shapely Polygon or MultiPolygon
        The strip flown over, as wide as the aircraft may stray.
    buffer : shapely Polygon or MultiPolygon
        The footprint and all that an aircraft may fall on beside it.
    overshoot : shapely Polygon or MultiPolygon
        The footprint outside the area of interest; may be empty.
    buffer_area_m2, overshoot_area_m2 : float
        Their areas [m2].
    widest_m : float
        Greatest width of the buffer beside the footprint [m].
    model : str
        What the width was found by.
    unknown_share : float
        Share of the places flown over ground of unknown height, 0 to 1.
    crossings : tuple of Crossing
        What lies under the flight, by kind and way flown over it; then what lies in the buffer alone.
    glide_untold : bool
        Whether wings may carry it farther, and nobody says how far.
    given : tuple of str
        Kinds that the user gave, even where nothing of them was met; of the others nothing can be told.
    """

    footprint: Polygons
    buffer: Polygons
    overshoot: Polygons
    buffer_area_m2: float
    overshoot_area_m2: float
    widest_m: float
    model: str
    unknown_share: float
    crossings: tuple[Crossing, ...]
    glide_untold: bool
    given: tuple[Kind, ...]


def ground_risk(
    flown: Sequence[Flown], fall: Fall, area: shapely.Geometry, beneath: Mapping[Kind, Sequence[GroundPlace]]
) -> GroundRisk:
    """Return where an aircraft may fall along all that is flown, and what lies there.

    The buffer is as wide at each place as `widths_m` says, grows and shrinks evenly in between, and is not cut where
    the area of interest or the terrain ends.

    Parameters
    ----------
    flown : sequence of Flown
        At least one.
    fall : Fall
        What its width is found by.
    area : shapely geometry
        Area of interest, local coordinates [m].
    beneath : mapping of str to sequence of GroundPlace
        What is known to lie on the ground, for each of `KINDS` that the user gives.
    """
    widths, unknown, places = [], 0, 0
    for one in flown:
        width = widths_m(fall, one.heights_agl_m, _speeds_mps(one))
        hidden = np.isnan(width)
        widths.append(np.where(hidden, np.max(width, where=~hidden, initial=0.0), width))
        unknown, places = unknown + int(hidden.sum()), places + len(width)
    tracks = [one.points_m[:, :2] for one in flown]
    footprint = _swept(tracks, [np.full(len(track), fall.beside_m) for track in tracks], STRIP_THINNED_M)
    buffer = _swept(tracks, [width + fall.beside_m for width in widths], THINNED_M)
    overshoot = shapely.difference(footprint, area)
    return GroundRisk(
        footprint,
        buffer,
        overshoot,
        float(buffer.area),
        float(overshoot.area),
        float(max(width.max() for width in widths)),
        fall.words,
        unknown / places,
        _crossings(flown, buffer, fall.beside_m, beneath),
        fall.glide_untold,
        tuple(kind for kind in KINDS if kind in beneath),
    )


def _speeds_mps(one: Flown) -> Array:
    """Return the ground speed at each place, the faster of the ways to it and from it."""
    lasts = np.diff(one.times_s)
    way = np.hypot(*np.diff(one.points_m[:, :2], axis=0).T)
    speed = np.divide(way, lasts, out=np.zeros(len(way)), where=lasts > 0)
    return np.asarray(np.maximum(np.append(speed, 0.0), np.append(0.0, speed)))


def _swept(tracks: Sequence[Array], radii: Sequence[Array], tolerance_m: float) -> Polygons:
    """Return all that discs sweep whose middles run along tracks while their radii change evenly [m]."""
    hulls = []
    angle = 2 * np.pi * np.arange(CORNERS) / CORNERS
    round_ = np.column_stack([np.cos(angle), np.sin(angle)]) / np.cos(np.pi / CORNERS)
    for track, radius in zip(tracks, radii, strict=True):
        kept, off_m = _thinned(np.column_stack([track, radius]), tolerance_m)
        rings = track[kept, np.newaxis] + (radius[kept] + off_m)[:, np.newaxis, np.newaxis] * round_
        # Two discs and all between them are their convex hull.
        corners = np.concatenate([rings[:-1], rings[1:]], axis=1)
        number = np.repeat(np.arange(len(corners)), 2 * CORNERS)
        hulls.append(shapely.convex_hull(shapely.multipoints(corners.reshape(-1, 2), indices=number)))
    return shapely.union_all(np.concatenate(hulls))


def _thinned(discs: Array, tolerance_m: float) -> tuple[list[int], float]:
    """Return which discs are enough, and by how much these must grow to cover the others [m].

    Douglas and Peucker 1973, with the distance by which a disc sticks out of those swept between its neighbours.
    """
    kept, waiting, worst_m = [0], [(0, len(discs) - 1)], 0.0
    while waiting:
        first, last = waiting.pop()
        chord, inner = discs[last] - discs[first], discs[first + 1 : last] - discs[first]
        square = float(chord[:2] @ chord[:2])
        share = np.clip(inner[:, :2] @ chord[:2] / square, 0, 1) if square > 0 else np.linspace(0, 1, len(inner))
        off = inner - share[:, np.newaxis] * chord
        out_m = np.hypot(off[:, 0], off[:, 1]) + np.abs(off[:, 2])
        if len(out_m) and out_m.max() > tolerance_m:
            middle = first + 1 + int(out_m.argmax())
            waiting += [(middle, last), (first, middle)]
        else:
            kept.append(last)
            worst_m = max(worst_m, float(out_m.max(initial=0.0)))
    return kept, worst_m


def _crossings(
    flown: Sequence[Flown], buffer: Polygons, beside_m: float, beneath: Mapping[Kind, Sequence[GroundPlace]]
) -> tuple[Crossing, ...]:
    """Return what lies in a buffer, what is flown over first."""
    shapely.prepare(buffer)
    named: dict[tuple[Kind, str], list[GroundPlace]] = {}
    for kind, places in beneath.items():
        near = shapely.dwithin(buffer, [one.outline for one in places], [one.radius_m for one in places])
        for number in np.flatnonzero(near).tolist():
            named.setdefault((kind, places[number].name), []).append(places[number])
    ways = _Ways(flown)
    reaches = {one.radius_m for places in named.values() for one in places}
    wider = {reach_m: buffer.buffer(reach_m) if reach_m else buffer for reach_m in reaches}
    found = []
    for (kind, name), parts in named.items():
        over_m, passes = ways.over(shapely.union_all([one.outline.buffer(one.radius_m + beside_m) for one in parts]))
        held = [shapely.intersection(one.outline, wider[one.radius_m]) for one in parts]
        areas = [shape.area for one, shape in zip(parts, held, strict=True) if one.outline.geom_type == "Polygon"]
        ways_m = [shape.length for one, shape in zip(parts, held, strict=True) if one.outline.geom_type == "LineString"]
        inside = sum(areas) if areas else None, sum(ways_m) if ways_m else None
        found.append(Crossing(name, kind, over_m, passes, *inside))
    order = list(KINDS)
    return tuple(sorted(found, key=lambda one: (not one.passes, order.index(one.kind), -one.over_m, one.name)))


class _Ways:
    """The segments of all that is flown, to be asked what runs over a shape."""

    def __init__(self, flown: Sequence[Flown]) -> None:
        ends = [np.stack([one.points_m[:-1, :2], one.points_m[1:, :2]], axis=1) for one in flown]
        self.names = [one.name for one in flown]
        self.whose = np.repeat(np.arange(len(flown)), [len(pair) for pair in ends])
        self.pieces = shapely.linestrings(np.concatenate(ends))
        self.starts_s = np.concatenate([one.times_s[:-1] for one in flown])
        self.lasts_s = np.concatenate([np.diff(one.times_s) for one in flown])
        self.still = shapely.length(self.pieces) == 0
        # On the spot a piece of a path is a point: lines of no length have no inside.
        self.shapes = np.where(self.still, shapely.get_point(self.pieces, 0), self.pieces)
        self.tree = shapely.STRtree(self.shapes)

    def over(self, shape: shapely.Geometry) -> tuple[float, tuple[Span, ...]]:
        """Return how far the flight runs over a shape [m], and when."""
        met = np.sort(self.tree.query(shape, predicate="intersects"))
        moving, still = met[~self.still[met]], met[self.still[met]]
        parts, which = shapely.get_parts(shapely.intersection(self.pieces[moving], shape), return_index=True)
        long = shapely.length(parts) > 0
        parts, segment = parts[long], moving[which[long]]
        ends = np.stack([shapely.get_point(parts, 0), shapely.get_point(parts, -1)])
        share = shapely.line_locate_point(self.pieces[segment], ends, normalized=True)
        times = self.starts_s[segment] + np.sort(share, axis=0) * self.lasts_s[segment]
        waits = np.stack([self.starts_s[still], self.starts_s[still] + self.lasts_s[still]])
        whose = np.concatenate([self.whose[segment], self.whose[still]])
        return float(shapely.length(parts).sum()), self._joined(whose, np.concatenate([times, waits], axis=1))

    def _joined(self, whose: npt.NDArray[np.int64], times_s: Array) -> tuple[Span, ...]:
        """Return passes in order, those that follow each other without a break as one."""
        passes: list[Span] = []
        for number in np.lexsort([times_s[0], whose]).tolist():
            name, begin, end = self.names[int(whose[number])], float(times_s[0, number]), float(times_s[1, number])
            if passes and passes[-1].flown == name and begin <= passes[-1].to_s + 1e-3:
                passes[-1] = Span(name, passes[-1].from_s, max(end, passes[-1].to_s))
            else:
                passes.append(Span(name, begin, end))
        return tuple(passes)


def ground_risk_cautions(risk: GroundRisk) -> tuple[Caution, ...]:
    """Return how wide the buffer is, and for each kind of thing given what of it lies under the flight or in it."""
    text = (
        f"An aircraft that comes down out of control may fall up to {risk.widest_m:.0f} m beside its way, taken "
        f"{risk.model}. The ground risk buffer holds {_area_text(risk.buffer_area_m2)}; the way itself leaves the "
        f"area of interest on {_area_text(risk.overshoot_area_m2)}. Who is on that ground is not known here: look at "
        "the population and at the people of the day."
    )
    missing = [words for kind, words in KINDS.items() if kind not in risk.given]
    if missing:
        text += f" Not given, so nothing can be told of them: {', '.join(missing)}."
    if risk.unknown_share > 0:
        text += f" Height above ground is unknown at {100 * risk.unknown_share:.1f} % of the places flown."
    if risk.glide_untold:
        text += " With its wings it may glide much farther: nobody says how far."
    unclear = missing or risk.unknown_share > 0 or risk.glide_untold
    first = Caution("ground risk", "cannot tell" if unclear else "note", text, risk.widest_m, None, "m, widest buffer")
    return first, *(_met_caution(risk, kind) for kind in risk.given)


def _met_caution(risk: GroundRisk, kind: Kind) -> Caution:
    """Return what of one kind lies under the flight and in the buffer."""
    met = [one for one in risk.crossings if one.kind == kind]
    over = [f"{one.name} ({_passes_text(one)})" for one in met if one.passes]
    beside = [one.name for one in met if not one.passes]
    under = f"flown over: {_list_text(over)}" if over else "none is flown over"
    text = f"Of the {KINDS[kind]} given, {under}; " + (
        f"in the buffer beside: {_list_text(beside)}." if beside else "none lies in the buffer beside."
    )
    flown_m = float(sum(one.over_m for one in met))
    return Caution("ground risk", "note", text, flown_m, None, f"m flown over {KINDS[kind]}")


def _passes_text(one: Crossing) -> str:
    """Return how far and how often a thing is flown over."""
    often = "once" if len(one.passes) == 1 else f"{len(one.passes)} times"
    return f"{often}, {one.over_m:.0f} m in all"


def _list_text(names: Sequence[str]) -> str:
    more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    return ", ".join(names[:_MOST_NAMED]) + more


def _area_text(area_m2: float) -> str:
    return f"{area_m2 / 1e4:.1f} ha" if area_m2 >= 1e4 else f"{area_m2:.0f} m2"
