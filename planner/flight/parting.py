"""Lines parted as far as the ground beneath each of them lets them be, where that is quicker than even ones.

Lives here: what many tracks across an area would reach, and how far apart and how fast the lines then are. Must not
know how height, angle and rates are chosen.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from planner.flight.candidates import fastest_mps, heights_met_m, rims_of
from planner.flight.corridors import Leg
from planner.flight.demands import edge_rmse_m
from planner.flight.flat import SPEED_STEP_MPS, speeds_mps
from planner.flight.flightlines import Layout, lay_at, lay_out, outermost_m
from planner.flight.headings import layout_time_s
from planner.flight.laying import (
    LEAST_SHRINK,
    Attempt,
    Flown,
    flown_over,
    going_of,
    lines_over,
    manner_of,
    settable_mps,
)
from planner.flight.marching import Pairs, march, pairs_of, reaches_m
from planner.flight.overlap import LocalSwaths, local_swaths
from planner.flight.swath import swath_width_m
from planner.ranging.beams import scan_tilt_rad

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

WORTH_PARTING = 0.01  # of the flight time: for less lines stay even
UNEVEN = 1.02  # widest shared swath over the narrowest, or over that of flat ground: with less all lie alike
PER_SPACING, MOST_LOOKED_AT = 6, 120  # tracks that are looked at
HEIGHTS, SPACINGS = 17, 41  # at which density and accuracy are looked up
SLOWER, FASTER = 0.7, 1.4  # of the speed of even lines: speeds that are tried
TRIES = 6  # of laying lines closer where the ground, once flown over, asks for it
MARGIN = 0.998  # of what the ground asks for then
MOST_EASED = 0.9  # to which distances are drawn in at once for the density
LOOKED_AT = 2  # numbers of lines that are laid


@dataclass(frozen=True)
class _Strip:
    """The area of a leg, and what tracks all over it have between them.

    `keeps` is by what the distance of each pair may grow as sidelap and accuracy go, `fastest_mps` the highest speed
    that keeps the density between them, both (m, s); `eased` is what the reach of each track is lowered by, (m,).
    """

    planned: shapely.MultiPolygon
    judged: shapely.MultiPolygon
    heading_rad: float
    pairs: Pairs
    keeps: Array
    fastest_mps: Array
    eased: Array

    def reach_m(self, speed_mps: float, least_m: float) -> Array:
        """Return how far off the next track may lie from each at a speed [m], shape (m,)."""
        ample = np.minimum(self.keeps, self.fastest_mps / speed_mps) - 1
        return self.eased * reaches_m(self.pairs, ample, least_m)


def part_lines(flown: Flown) -> Flown:
    """Return a flight with each line as far from the last as the ground between them lets it, where that is quicker.

    Distances keep the sidelap over the local swath along all of both lines, the accuracy out to its edge where it was
    kept, and the density at the speed flown, for heights from where the two swaths meet down to the deepest ground
    between. Of the speeds around that of even lines the one is taken at which fewest seconds are flown, lines, leads
    and turns. What is left over at the far edge is shared out among all gaps. There are never more lines than before.

    Parameters
    ----------
    flown : Flown
        As it is with even lines; returned as it is where nothing is gained.
    """
    if not _may_gain(flown):
        return flown
    strips = _strips(flown)
    even_s = sum(layout_time_s(leg.layout, flown.going) for leg in flown.legs)
    options = sorted(_options(flown, strips), key=lambda option: option[0])
    for time_s, speed, places in options[:LOOKED_AT]:
        if time_s >= even_s * (1 - WORTH_PARTING):
            break
        found = _held(flown, strips, places, speed)
        if found is not None:
            return found
    return flown


def _may_gain(flown: Flown) -> bool:
    """Return whether swaths differ so much that lines may be fewer, or faster, where they do not lie evenly."""
    mission, candidate, site = flown.attempt.site.mission, flown.candidate, flown.attempt.site
    held = mission.flight.line_spacing_m is not None or site.corridor is not None
    if held or not candidate.half_angle_rad or flown.short:
        return False
    shared = np.concatenate([leg.least_shared_m() for leg in flown.swaths.legs])
    known = shared[np.isfinite(shared)]
    flat_m = float(swath_width_m(candidate.agl_m, candidate.half_angle_rad))
    if not known.size or known.max() <= UNEVEN * min(known.min(), flat_m):
        return False
    low, high = speeds_mps(mission)
    return (low < high and flown.speed_mps < high) or any(
        _may_be_fewer(flown.attempt, leg) for leg in flown.swaths.legs
    )


def _may_be_fewer(attempt: Attempt, swaths: LocalSwaths) -> bool:
    """Return whether gaps as wide as each pair of swaths lets them be could span a leg with fewer lines."""
    allowed = (1 - attempt.site.mission.requirement.sidelap_min) * swaths.least_shared_m()
    gaps = float(np.sum(swaths.apart_m / allowed))
    return int(np.ceil(gaps - 0.1)) < swaths.apart_m.size


def _strips(flown: Flown) -> list[_Strip]:
    site = flown.attempt.site
    pieces = [(piece.planned, piece.judged) for piece in site.pieces] or [(site.scene.planned, site.scene.area)]
    return [_strip(flown, leg, *areas) for leg, areas in zip(flown.legs, pieces, strict=True)]


def _strip(flown: Flown, leg: Leg, planned: shapely.MultiPolygon, judged: shapely.MultiPolygon) -> _Strip:
    """Return what tracks over the area of a leg have between them, each flown as it would be by itself."""
    attempt, heading = flown.attempt, leg.layout.heading_rad
    low, high = outermost_m(planned, planned, heading, (0.0, 0.0))
    count = int(np.clip(np.ceil(PER_SPACING * (high - low) / leg.layout.spacing_m), 2, MOST_LOOKED_AT))
    across = np.linspace(low, high, count)
    looked_at = lay_at(planned, heading, across, leg.layout.spacing_m)
    found, rows = _seen(flown, looked_at), np.searchsorted(across, looked_at.across_m - 1e-9)
    halves, deepest = np.full((2, count, found.along_m.size), np.nan), np.full((2, count), -np.inf)
    halves[:, rows] = found.halves_m
    for side in range(2):
        seen = found.heights_m[side : side + 2]
        deepest[side, rows] = np.max(seen, axis=(0, 2), initial=-np.inf, where=np.isfinite(seen))
    between = np.linspace(low, high, 2 * count - 1)[:, np.newaxis]
    inside = shapely.contains_xy(planned, *looked_at.place_m(*np.broadcast_arrays(found.along_m, between)))
    share = 1 - attempt.site.mission.requirement.sidelap_min
    widest = share * float(np.nanmax(found.halves_m[0]) + np.nanmax(found.halves_m[1]))
    counted_m = flown.swaths.deepest_m(attempt.percent)
    pairs = pairs_of(across, halves, np.minimum(deepest, counted_m), inside, widest)
    met, bottom = heights_met_m(attempt.candidate, pairs.shared_m, pairs.deepest_m)
    alike = met / attempt.candidate.agl_m
    keeps = np.minimum(share * pairs.shared_m, alike * _accurate_m(attempt)) / pairs.apart_m
    fastest = _fastest_mps(flown, pairs, met, bottom)
    return _Strip(planned, judged, heading, pairs, keeps, fastest, np.ones(count))


def _seen(flown: Flown, layout: Layout) -> LocalSwaths:
    """Return what the swaths of tracks reach; level ones lie as high as those that were flown."""
    attempt, line = flown.attempt, flown.lines[0]
    if flown.going.manner.level_m is None:
        return lines_over(attempt, (Leg(layout),), flown.speed_mps)[1].legs[0]
    level_m, mission = float(line.points_m[0, 2]), attempt.site.mission
    ends = [
        layout.place_m(span, np.full(2, across)) for span, across in zip(layout.spans_m, layout.across_m, strict=True)
    ]
    lines = [replace(line, points_m=np.column_stack([*places, np.full(2, level_m)])) for places in ends]
    tilt_rad = scan_tilt_rad(mission.sensor, mission.aircraft, flown.speed_mps)
    return local_swaths(attempt.site.scene, layout, lines, tilt_rad)


def _accurate_m(attempt: Attempt) -> float:
    """Return the widest spacing at nominal height that keeps the accuracy asked for where the candidate does [m]."""
    mission, candidate = attempt.site.mission, attempt.candidate
    target = mission.requirement.target_rmse_m
    if target is None or "accuracy" in candidate.broken:
        return np.inf
    widest = max(float(swath_width_m(candidate.agl_m, candidate.half_angle_rad)), candidate.spacing_m)
    spacings = np.linspace(candidate.spacing_m, widest, SPACINGS)
    rmse = edge_rmse_m(mission, np.array([candidate.agl_m]), candidate.half_angle_rad, spacings[np.newaxis])[0]
    kept = np.logical_and.accumulate(rmse <= target * (1 + 1e-9))
    return float(spacings[max(int(kept.sum()) - 1, 0)])


def _fastest_mps(flown: Flown, pairs: Pairs, met_m: Array, bottom_m: Array) -> Array:
    """Return the highest speed that keeps the density between each pair, over all heights that it has, (m, s) [m/s].

    Heights at which even lines do not keep it do not count: that ground is short of it either way.
    """
    attempt = flown.attempt
    heights = np.linspace(attempt.candidate.agl_m, float(bottom_m.max()), HEIGHTS)
    spacings = np.append(pairs.apart_m, flown.spacing_m)
    table = fastest_mps(attempt.site.mission, attempt.task, attempt.candidate, heights, np.tile(spacings, (HEIGHTS, 1)))
    counts = table[:, -1] >= flown.speed_mps * (1 - 1e-9)
    step_m = max(float(heights[1] - heights[0]), 1e-9)
    first, last = np.floor((met_m - heights[0]) / step_m), np.ceil((bottom_m - heights[0]) / step_m)
    fastest = np.full(met_m.shape, np.inf)
    for row in range(HEIGHTS):
        here = (first <= row) & (row <= last) & counts[row]
        fastest = np.where(here, np.minimum(fastest, table[row, :-1]), fastest)
    return fastest


def _options(flown: Flown, strips: Sequence[_Strip]) -> Iterator[tuple[float, float, list[Array]]]:
    """Yield time [s], speed [m/s] and places of tracks for each number of lines that is not more, at its best speed."""
    attempt, mission = flown.attempt, flown.attempt.site.mission
    low, high = speeds_mps(mission)
    first, last = max(low, SLOWER * flown.speed_mps), min(high, FASTER * flown.speed_mps)
    steps = np.arange(np.ceil(first / SPEED_STEP_MPS), np.floor(last / SPEED_STEP_MPS + 1e-9) + 1) * SPEED_STEP_MPS
    speeds = sorted({flown.speed_mps, *np.round(steps, 6).tolist()}) if low < high else [flown.speed_mps]
    best: dict[int, tuple[float, list[Array]]] = {}
    for speed in speeds:
        places = [_places_m(attempt, strip, speed) for strip in strips]
        best[sum(track.size for track in places)] = speed, places
    tracks = sum(leg.layout.across_m.size for leg in flown.legs)
    for count, (speed, places) in best.items():
        if count <= tracks:
            going = going_of(attempt.site, manner_of(attempt, speed))
            legs = _legs(flown, strips, places, speed)
            yield sum(layout_time_s(leg.layout, going) for leg in legs), speed, places


def _places_m(attempt: Attempt, strip: _Strip, speed_mps: float) -> Array:
    """Return where tracks lie across a strip [m]: as few as will do at a speed."""
    candidate, mission = attempt.candidate, attempt.site.mission
    least = LEAST_SHRINK * candidate.spacing_m
    reach, across = strip.reach_m(speed_mps, least), strip.pairs.across_m
    side_by_side = strip.eased * reaches_m(strip.pairs, strip.keeps - 1, least) / candidate.spacing_m
    rims = rims_of(mission, attempt.task, attempt.lowest, candidate.spacing_m, speed_mps)
    shrunk = 1.0, 1.0
    for _ in range(3):  # rims shrink with the gap beside them, which lies where the rim puts it
        ends = [
            outermost_m(strip.planned, strip.judged, strip.heading_rad, (share * rims[0], share * rims[1]))[side]
            for side, share in enumerate(shrunk)
        ]
        before = np.flatnonzero(across + side_by_side * candidate.spacing_m <= ends[1])
        last = float(side_by_side[before[-1]]) if before.size else float(side_by_side[0])
        shrunk = min(float(np.interp(ends[0], across, side_by_side)), 1.0), min(last, 1.0)
    return march(across, reach, *ends)


def _legs(flown: Flown, strips: Sequence[_Strip], places: Sequence[Array], speed_mps: float) -> tuple[Leg, ...]:
    """Return the legs of a flight with tracks at places of their own; a lone one lies as it does among even ones."""
    attempt, candidate = flown.attempt, flown.candidate
    rims = rims_of(attempt.site.mission, attempt.task, attempt.lowest, candidate.spacing_m, speed_mps)
    return tuple(
        replace(
            leg,
            layout=lay_at(strip.planned, strip.heading_rad, across)
            if across.size > 1
            else lay_out(strip.planned, strip.judged, strip.heading_rad, candidate.spacing_m, rims),
        )
        for leg, strip, across in zip(flown.legs, strips, places, strict=True)
    )


def _held(flown: Flown, strips: Sequence[_Strip], places: list[Array], speed_mps: float) -> Flown | None:
    """Return the flight along tracks once it keeps what is asked as flown; None where it does not or gains nothing.

    Lines are laid closer where the ground, once it is flown over, asks for it. What the density then asks for comes off
    the speed where it is open.
    """
    attempt, mission = flown.attempt, flown.attempt.site.mission
    slower_mps = speed_mps
    for _ in range(TRIES):
        if sum(across.size for across in places) > sum(leg.layout.across_m.size for leg in flown.legs):
            return None
        legs = _legs(flown, strips, places, slower_mps)
        found = flown_over(attempt, legs, *lines_over(attempt, legs, slower_mps), flown.spacing_asked_m, flown.rims_m)
        if found.time_s >= flown.time_s * (1 - WORTH_PARTING):
            return None
        lacks = found.speed_wanted_mps / slower_mps
        wide = [_too_wide(mission.requirement.sidelap_min, swaths) for swaths in found.swaths.legs]
        if lacks >= 1 - 1e-9 and not any(gaps.any() for gaps, _ in wide):
            return found if found.faults <= flown.faults and _reach_edges(found, flown) else None
        if lacks < 1 - 1e-9 and mission.flight.speed_mps is None:
            slower_mps = settable_mps(mission, found.speed_wanted_mps)
        eased = max(lacks, MOST_EASED) if mission.flight.speed_mps else 1.0
        strips = [
            replace(strip, eased=min(eased, 1.0) * _eased(strip, leg, *own))
            for strip, leg, own in zip(strips, legs, wide, strict=True)
        ]
        places = [_places_m(attempt, strip, speed_mps) for strip in strips]
    return None


def _reach_edges(found: Flown, even: Flown) -> bool:
    """Return whether outermost swaths end within their legs no nearer to their lines than those of even lines may."""
    least_m = float(np.min(found.swaths.ending_m, initial=np.inf))
    asked_m = found.spacing_m / (1 - found.attempt.site.mission.requirement.sidelap_min)
    return least_m >= (1 - 1e-6) * min(asked_m, float(np.min(even.swaths.ending_m, initial=np.inf)))


def _too_wide(sidelap: float, swaths: LocalSwaths) -> tuple[Mask, Array]:
    """Return which gaps are wider than the sidelap allows, and the share of each that it does, (n - 1,)."""
    allowed = (1 - sidelap) * swaths.least_shared_m() / swaths.apart_m
    return allowed < 1 - 1e-6, allowed


def _eased(strip: _Strip, leg: Leg, wide: Mask, allowed: Array) -> Array:
    """Return what reaches are lowered by so that gaps are not too wide next time, less and less beyond their tracks."""
    eased, across, tracks = strip.eased, strip.pairs.across_m, leg.layout.across_m
    for number in np.flatnonzero(wide):
        first, second = tracks[number : number + 2]
        near = np.interp(across, [2 * first - second, first, second, 2 * second - first], [0.0, 1.0, 1.0, 0.0])
        eased = eased * (1 - near * (1 - MARGIN * float(allowed[number])))
    return eased
