from dataclasses import replace
from itertools import combinations, pairwise

import numpy as np
import pytest
import shapely
from flat_jobs import a_mission, a_scene
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.flight.cuts import cut_at_steps
from planner.flight.flightlines import Manner, fly_lines, lay_out, level_clearance_m
from planner.flight.ordering import level_by_level
from planner.flight.profile import Floor, highest_nearby
from planner.flight.settings import choose_flight
from planner.flight.stepping import beyond_band
from planner.flight.steps import Part, Relief, Steps, cheapest_chain, levels_m, parts_of
from planner.ground.clearance import nearest_obstacle, stations
from planner.ground.nearest import nearest_surface
from planner.ground.obstacles import Obstacle
from planner.mission import FlightChoice, Limits

CELL_M = 1.0
LEAD_M, STATION_M = 30.0, 5.0
STEPS = Steps(nominal_agl_m=80.0, least_agl_m=30.0, ceiling_agl_m=120.0, overlap_m=10.0, shortest_m=40.0)
BAND_M = 64.0, 96.0  # a fifth of 80 to either side (C)


def a_relief(ground, length_m, clearance_m=30.0, lead_m=LEAD_M):
    """Return the relief of a straight track that keeps data from 0 to its length over ground along it."""
    along = np.arange(-lead_m, length_m + lead_m + 1e-9, STATION_M)
    fine = ground(along[:-1, np.newaxis] + np.arange(int(STATION_M) + 1))
    return Relief(along, fine.min(axis=1), fine.max(axis=1), fine.max(axis=1) + clearance_m, lead_m)


def kept_m(part, length_m):
    """Return where a part keeps data: past its cuts by the overlap."""
    return max(part.core_m[0] - STEPS.overlap_m, 0.0), min(part.core_m[1] + STEPS.overlap_m, length_m)


def heights_m(ground, part, level, length_m):
    """Return heights above ground where a part keeps data, every metre; and over all that it flies."""
    start, end = kept_m(part, length_m)
    flown = np.arange(start - LEAD_M, end + LEAD_M + 0.5)
    return level - ground(np.arange(start, end + 0.5)), level - ground(flown)


def test_flat_ground_is_flown_in_one_part_at_nominal_height():
    def ground(along):
        return 200.0 + 0 * along

    (part,) = parts_of(a_relief(ground, 600.0), STEPS)
    assert part.core_m == (0.0, 600.0)
    assert levels_m([[part]]) == ((pytest.approx(280.0),),)


@pytest.mark.parametrize("slope", [0.05, 0.2, 0.4])
def test_a_plane_slope_takes_as_many_parts_as_its_rise_asks_for(slope):
    # C: 1000 m that rise by slope; the band is 32 m high; a part keeps its core and 10 m past each cut
    def ground(along):
        return slope * along

    parts = parts_of(a_relief(ground, 1000.0), STEPS)
    most_kept = 32.0 / slope
    fewest = 1
    while 2 * (most_kept - 10) + (fewest - 2) * (most_kept - 20) < 1000.0 and 1000.0 * slope > 32.0:
        fewest += 1
    assert fewest <= len(parts) <= fewest + 1  # cuts lie on every station, 5 m apart
    for part, levels in zip(parts, levels_m([parts])[0], strict=True):
        kept, flown = heights_m(ground, part, levels, 1000.0)
        assert kept.min() >= BAND_M[0] - 1e-6
        assert kept.max() <= BAND_M[1] + 1e-6
        assert flown.min() >= 30.0 - 1e-6
    assert [part.core_m[1] for part in parts[:-1]] == [part.core_m[0] for part in parts[1:]]
    assert (parts[0].core_m[0], parts[-1].core_m[1]) == (0.0, 1000.0)


def fewest_parts(ground, length_m):
    """Return the fewest parts that hold the band by trying all cuts; None where none do."""
    stops = np.arange(0.0, length_m + 0.5, STATION_M)

    def holds(cuts):
        for start, end in pairwise(cuts):
            part = Part((start, end), 0.0, 0.0, 0.0, 0.0)
            if end - start < STEPS.shortest_m and len(cuts) > 2:
                return False
            kept, flown = heights_m(ground, part, 0.0, length_m)
            least = max(BAND_M[0] - kept.min(), 30.0 - flown.min())
            if least > BAND_M[1] - kept.max() + 1e-9:
                return False
        return True

    for count in range(4):
        if any(holds((0.0, *inner, length_m)) for inner in combinations(stops[1:-1], count)):
            return count + 1
    return None


@settings(deadline=None, max_examples=30)
@given(st.lists(st.floats(-25, 25), min_size=8, max_size=8))
def test_no_fewer_parts_hold_the_band(rises):
    # ground of straight pieces with corners at stations, 20 m apart
    corners = np.arange(-40.0, 280.1, 40.0)
    heights = np.concatenate([[0.0], np.cumsum(rises)])

    def ground(along):
        return np.interp(along, corners, heights)

    fewest = fewest_parts(ground, 200.0)
    parts = parts_of(a_relief(ground, 200.0), STEPS)
    if fewest is not None:
        assert len(parts) == fewest
    for part, level in zip(parts, levels_m([parts])[0], strict=True):
        kept, flown = heights_m(ground, part, level, 200.0)
        assert flown.min() >= 30.0 - 1e-6
        assert kept.min() >= BAND_M[0] - 1e-6
        if fewest is not None:
            assert kept.max() <= BAND_M[1] + 1e-6


def test_a_wall_lets_the_band_go_near_it_and_nowhere_else():
    # a pit of 140 m between walls of 72 degrees (C: 45 m wide each), its floor 400 m long
    def ground(along):
        return 140.0 - np.clip((np.minimum(along - 300, 800 - along)) * np.tan(np.radians(72)), 0.0, 140.0)

    parts = parts_of(a_relief(ground, 1100.0), STEPS)
    levels = levels_m([parts])[0]
    assert len(parts) == 3
    for part, level in zip(parts, levels, strict=True):
        kept, flown = heights_m(ground, part, level, 1100.0)
        assert flown.min() >= 30.0 - 1e-6
        assert kept.min() >= BAND_M[0] - 1e-6
    # as much of the floor as can be: from 93.1 m above it a lead ends at 325 m, 30 m above the wall there (C); from the
    # top of the band, 96 m, it would end no station nearer to the wall
    assert parts[1].core_m == (325.0 + LEAD_M + 10.0, 1100.0 - 325.0 - LEAD_M - 10.0)
    assert levels[1] == pytest.approx(140.0 - 25.0 * np.tan(np.radians(72)) + 30.0)


def test_a_wall_over_ground_too_short_for_a_part_is_not_cut():
    def ground(along):
        return np.where(np.abs(along - 250) < 25, -60.0, 0.0)  # 50 m of trench: less than leads leave room for

    parts = parts_of(a_relief(ground, 500.0), STEPS)
    assert len(parts) == 1
    assert levels_m([parts])[0][0] == pytest.approx(64.0), "as low as the band allows over the rest"


def test_the_ceiling_is_kept_within_the_band():
    def ground(along):
        return 0.05 * along

    low = Steps(nominal_agl_m=80.0, least_agl_m=30.0, ceiling_agl_m=85.0, overlap_m=10.0, shortest_m=40.0)
    parts = parts_of(a_relief(ground, 1000.0), low)
    for part, level in zip(parts, levels_m([parts])[0], strict=True):
        kept, _ = heights_m(ground, part, level, 1000.0)
        assert kept.max() <= 85.0 + 1e-6
    assert len(parts) > len(parts_of(a_relief(ground, 1000.0), STEPS))


def a_part(least_m, most_m):
    return Part((0.0, 100.0), least_m, max(least_m, most_m), (least_m + most_m) / 2, np.inf)


@settings(deadline=None, max_examples=100)
@given(st.lists(st.tuples(st.floats(0, 50), st.floats(0, 30)), min_size=1, max_size=8))
def test_no_fewer_blocks_of_neighbours_share_levels(limits):
    tracks = [[a_part(low, low + room)] for low, room in limits]
    levels = [row[0] for row in levels_m(tracks)]
    for (part,), level in zip(tracks, levels, strict=True):
        assert part.least_m - 1e-9 <= level <= part.most_m + 1e-9
    fewest = len(limits)
    for count in range(len(limits)):
        for cuts in combinations(range(1, len(limits)), count):
            groups = [tracks[a:b] for a, b in pairwise((0, *cuts, len(limits)))]
            shared = (max(p.least_m for (p,) in group) <= min(p.most_m for (p,) in group) for group in groups)
            fewest = min(fewest, count + 1) if all(shared) else fewest
    assert 1 + sum(one != other for one, other in pairwise(levels)) <= fewest


def test_parts_side_by_side_share_the_level_of_what_they_lie_along():
    # a valley that runs across the tracks, its floor deeper by more than the band
    rim, floor = Part((0, 400), 300, 320, 310, np.inf), Part((400, 700), 200, 220, 210, np.inf)
    other = Part((700, 1000), 302, 322, 312, np.inf)
    levels = levels_m([(rim, floor, other)] * 3)
    assert levels == ((310.0, 210.0, 312.0),) * 3


def test_no_chain_where_a_step_is_missing():
    costs = np.full((3, 3), np.inf)
    costs[0, 1] = 1.0
    assert cheapest_chain(costs) is None
    costs[1, 2] = 1.0
    assert cheapest_chain(costs) == [0, 1, 2]
    costs[0, 2] = 1.5
    assert cheapest_chain(costs) == [0, 2]


def stepped_lines(scene, steps=STEPS, spacing_m=60.0):
    """Return tracks 60 m apart and their lines flown in steps with leads of 40 m, cut at these."""
    layout = lay_out(scene.planned, scene.area, float(np.pi / 2), spacing_m, (30.0, 30.0))
    floor = Floor(
        scene.ground,
        highest_nearby(scene.ground, 30.0, known_only=True),
        highest_nearby(scene.top, level_clearance_m(30.0)),
        steps.nominal_agl_m,
        30.0,
        scene.obstacles,
    )
    manner = Manner(8.0, 300e3, 100.0, 0.6, 40.0, 5.0, 0.5, 0.5, None, steps)
    return layout, cut_at_steps(fly_lines(layout, floor, manner), steps.overlap_m)


def test_lines_in_steps_are_level_and_cover_what_whole_lines_cover():
    scene = a_scene(lambda east, north: 0.25 * east + 0.05 * north)
    layout, lines = stepped_lines(scene)
    assert len(lines) > layout.across_m.size
    for number, (across, span) in enumerate(zip(layout.across_m, layout.spans_m, strict=True), start=1):
        own = [line for line in lines if line.line_id.startswith(f"L{number:02d}")]
        kept = sorted(tuple(sorted(line.kept_points_m()[[0, -1], 0])) for line in own)
        assert kept[0][0] == pytest.approx(span[0] - 5.0)
        assert kept[-1][1] == pytest.approx(span[1] + 5.0)
        assert [one[1] - other[0] for one, other in pairwise(kept)] == pytest.approx([20.0] * (len(kept) - 1))
        for line in own:
            assert np.ptp(line.points_m[:, 2]) == 0
            assert line.points_m[:, 1] == pytest.approx(-across)
            assert line.kept_m[0] == pytest.approx(40.0)
            assert line.along_m()[-1] - line.kept_m[1] == pytest.approx(40.0)
    above = np.concatenate(
        [line.kept_points_m()[:, 2] - scene.ground.at(*line.kept_points_m().T[:2]) for line in lines]
    )
    assert BAND_M[0] - 1e-6 <= above.min() <= above.max() <= BAND_M[1] + 1e-6


def test_lines_in_steps_clear_walls_and_masts():
    def pit(east, north):
        return -np.clip((250 - np.maximum(np.abs(east), np.abs(north) * 1.5)) * 3.0, 0.0, 90.0)

    mast = Obstacle("mast", "point", shapely.Point(-20, 10), -90.0, -20.0, 1.0, 0.0, 0.0)
    scene = a_scene(pit)
    _, lines = stepped_lines(scene)
    flown = np.concatenate([stations(line.points_m, 0.5)[0] for line in lines])
    assert nearest_surface(scene.top, flown).distance_m.min() >= 30.0 - 1e-6
    assert len({float(line.points_m[0, 2]) for line in lines}) > 1
    over = np.concatenate(
        [stations(line.points_m, 0.5)[0] for line in stepped_lines(replace(scene, obstacles=(mast,)))[1]]
    )
    assert nearest_obstacle((mast,), flown).distance_m.min() < 30.0 - 1e-6
    assert nearest_obstacle((mast,), over).distance_m.min() >= 30.0 - 1e-6


def test_steps_along_the_contours_of_a_plane_are_level_lines_at_constant_height():
    # strike of a plane that rises by (0.2, 0.1): 90 degrees from the bearing of its slope (C)
    scene = a_scene(lambda east, north: 0.2 * east + 0.1 * north)
    choice = FlightChoice(agl_m=80.0, following="stepped", heading_along="contours")
    chosen, lines = choose_flight(a_mission(flight=choice), scene, CELL_M)
    strike = np.degrees(np.arctan2(0.2, 0.1)) + 90.0
    assert (chosen.heading_deg - strike + 90) % 180 - 90 == pytest.approx(0, abs=0.1)
    assert chosen.bound_by["heading_deg"] == "along contours, held by the mission"
    assert chosen.following == "stepped"
    assert chosen.bound_by["following"] == f"held by the mission; {len({one.points_m[0, 2] for one in lines})} levels"
    for line in lines:
        kept = line.kept_points_m()
        above = kept[:, 2] - scene.ground.at(kept[:, 0], kept[:, 1])
        assert np.ptp(kept[:, 2]) == 0
        assert np.ptp(above) == pytest.approx(0, abs=0.02)
        assert BAND_M[0] <= above[0] <= BAND_M[1]
    levels = [float(line.points_m[0, 2]) for line in lines]
    assert len(set(levels)) < len(levels), "neighbours share levels"


def test_steps_are_taken_where_neither_following_nor_level_lines_keep_the_ceiling():
    # two steps of 30 m, 15 m long: at 1 m/s of climb and 6 m/s of speed a line lies over the first long before it
    def stairs(east, north):
        return 30.0 * np.clip((east + 100) / 15, 0, 1) + 30.0 * np.clip((east - 100) / 15, 0, 1) + 0 * north

    scene, limits = a_scene(stairs), Limits(ceiling_agl_m=100.0, climb_mps=1.0, descent_mps=1.0)
    choice = FlightChoice(agl_m=80.0, heading_deg=90.0, speed_mps=6.0)
    chosen, lines = choose_flight(a_mission(limits=limits, density_per_m2=40, flight=choice), scene, CELL_M)
    assert chosen.following == "stepped"
    assert chosen.bound_by["following"].startswith("keeps the ceiling, terrain exceeds it by ")
    places = np.concatenate([line.points_m for line in lines])
    assert (places[:, 2] - scene.ground.at(places[:, 0], places[:, 1])).max() <= 100.0
    assert beyond_band(scene.ground, lines, 80.0).line_ids == ()


def test_a_steep_slope_is_flown_along_its_contours_where_climbing_it_takes_longer():
    # rises by 0.3 along the long side: 1 m/s of climb leaves 3.3 m/s of speed (C)
    limits = Limits(ceiling_agl_m=100.0, climb_mps=1.0, descent_mps=1.0)
    scene = a_scene(lambda east, north: 0.3 * (north + 500) + 0 * east, area=shapely.box(-100, -300, 100, 300))
    mission = a_mission(limits=limits, density_per_m2=40)
    free, lines = choose_flight(mission, scene, CELL_M)
    assert free.heading_deg % 180 == pytest.approx(90, abs=0.1)
    assert "along the long side" in free.bound_by["heading_deg"]
    for line in lines:
        assert np.ptp(line.points_m[:, 2] - scene.ground.at(*line.points_m.T[:2])) == pytest.approx(0, abs=0.05)
    held = replace(mission, flight=FlightChoice(heading_along="long_side"))
    along, _ = choose_flight(held, scene, CELL_M)
    assert along.heading_deg % 180 == pytest.approx(0, abs=1e-6)
    assert along.bound_by["heading_deg"] == "long side of the flown area, held by the mission"


def test_what_leaves_the_band_is_told():
    scene = a_scene(lambda east, north: np.where(np.abs(east) < 4, -50.0, 0.0) + 0 * north)
    _, lines = stepped_lines(scene)
    beyond = beyond_band(scene.ground, lines, STEPS.nominal_agl_m)
    assert beyond.line_ids == tuple(line.line_id for line in lines)
    # a ditch of 50 m, 4 m wide at its foot, its sides leaning 2 m: deeper than 32.5 m over 5.4 m (C)
    assert beyond.length_m / len(lines) == pytest.approx(5.4, abs=1.0)
    assert beyond.most_agl_m - beyond.least_agl_m == pytest.approx(50.0)
    flat = stepped_lines(a_scene())[1]
    assert beyond_band(scene.ground, flat[:0], 80.0).line_ids == ()
    assert beyond_band(a_scene().ground, flat, 80.0).line_ids == ()


def test_levels_are_flown_one_after_the_other_back_and_forth():
    _, lines = stepped_lines(a_scene(lambda east, north: 0.25 * east + 0.05 * north))
    ordered = level_by_level(lines)
    assert sorted(line.line_id for line in ordered) == sorted(line.line_id for line in lines)
    heights = [float(line.points_m[0, 2]) for line in ordered]
    assert sum(one != other for one, other in pairwise(heights)) == len(set(heights)) - 1
    for one, other in pairwise(ordered):
        ends = np.hypot(*(other.points_m[[0, -1], :2] - one.points_m[-1, :2]).T)
        assert ends[0] <= ends[1] + 1e-6
    courses = {line.line_id: line.kept_length_m for line in lines}
    assert {line.line_id: line.kept_length_m for line in ordered} == pytest.approx(courses)
