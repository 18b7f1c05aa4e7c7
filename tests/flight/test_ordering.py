from dataclasses import replace
from itertools import pairwise, permutations, product

import numpy as np
import pytest
import shapely
from made_blocks import HEXACOPTER, WING, a_block, a_flyer, a_line
from numpy.testing import assert_array_equal

from planner.errors import InfeasibleError
from planner.flight.detours import Zones
from planner.flight.ordering import order_lines, reversed_line, ways_between
from planner.flight.paths import turn_between
from planner.flight.turns import turn_radius_m
from planner.flight.winds import CALM, Wind
from planner.ground.obstacles import KeepOut, Sensitive

TAKE_OFFS = np.array([[-50.0, -400.0, 0.0]])
FAST_WING = replace(WING, max_airspeed_mps=30)


def tour_s(flyer, lines, take_offs=TAKE_OFFS):
    """Return the time of a tour as the search weighs it."""
    both = [state for line in lines for state in (line, reversed_line(line))]
    return ways_between(flyer, both, [take_offs])[0].tour_s(np.arange(len(lines)) * 2)


def best_s(flyer, lines):
    """Return the best tour of all orders and directions."""
    both = [state for line in lines for state in (line, reversed_line(line))]
    (ways,) = ways_between(flyer, both, [TAKE_OFFS])
    return min(
        ways.tour_s(np.array([2 * line + way for line, way in zip(order, directions, strict=True)]))
        for order in permutations(range(len(lines)))
        for directions in product((0, 1), repeat=len(lines))
    )


def scattered(seed, count, speed_mps):
    generator = np.random.default_rng(seed)
    ends = generator.uniform(-400, 400, (count, 2, 2))
    return [a_line(f"L{k}", *end, speed_mps=speed_mps, lead=10.0) for k, end in enumerate(ends)]


@pytest.mark.parametrize(("aircraft", "speed_mps"), [(HEXACOPTER, 8.0), (FAST_WING, 15.0)], ids=["multirotor", "wing"])
@pytest.mark.parametrize("wind", [CALM, Wind(4.0, 2.0)], ids=["calm", "wind"])
@pytest.mark.parametrize("seed", range(4))
def test_small_tours_are_within_a_tenth_of_the_best(aircraft, speed_mps, wind, seed):
    flyer, lines = a_flyer(aircraft, wind=wind), scattered(seed, 5, speed_mps)
    found = tour_s(flyer, order_lines(flyer, lines, TAKE_OFFS))
    assert found <= 1.1 * best_s(flyer, lines)


@pytest.mark.parametrize("apart_m", [30.0, 50.0, 70.0])
def test_blocks_of_near_lines_are_within_a_tenth_of_the_best(apart_m):
    flyer, lines = a_flyer(FAST_WING), a_block(5, apart_m=apart_m, speed_mps=15.0)
    assert tour_s(flyer, order_lines(flyer, lines, TAKE_OFFS)) <= 1.1 * best_s(flyer, lines)


def test_a_wing_skips_neighbours_that_are_too_near_to_turn_to():
    flyer, lines = a_flyer(FAST_WING), a_block(12, apart_m=50.0, speed_mps=15.0)
    ordered = order_lines(flyer, lines, TAKE_OFFS)

    def turns_s(tour):
        return sum(turn_between(flyer, *pair).duration_s for pair in pairwise(tour))

    assert turns_s(ordered) < 0.75 * turns_s(lines)
    wide = 2 * float(turn_radius_m(15.0, FAST_WING.max_bank_deg))
    apart = [abs(b.points_m[0, 0] - a.points_m[0, 0]) for a, b in pairwise(ordered)]
    assert np.mean(np.array(apart) >= wide) > 0.5


def test_a_multirotor_keeps_the_serpentine_of_a_block():
    flyer, lines = a_flyer(), a_block(9)
    shuffled = [lines[k] for k in (3, 7, 0, 5, 8, 2, 1, 6, 4)]
    assert [line.line_id for line in order_lines(flyer, shuffled, TAKE_OFFS)] == [line.line_id for line in lines]


@pytest.mark.parametrize("count", [1, 2, 30])
def test_every_line_is_flown_once_and_the_same_way_every_time(count):
    flyer, lines = a_flyer(FAST_WING, wind=Wind(3.0, 0.5)), scattered(7, count, 15.0)
    first, again = order_lines(flyer, lines, TAKE_OFFS), order_lines(flyer, lines, TAKE_OFFS)
    assert sorted(line.line_id for line in first) == sorted(line.line_id for line in lines)
    assert tour_s(flyer, first) <= tour_s(flyer, lines) + 1e-6
    for one, other in zip(first, again, strict=True):
        assert one.line_id == other.line_id
        assert_array_equal(one.points_m, other.points_m)


def test_a_line_too_steep_to_be_flown_back_keeps_its_direction():
    lines = a_block(4)
    slope = 3.5 / 8.0  # climbs 3.5 m/s at 8 m/s; back it would sink faster than 2.5
    climbing = [
        replace(line, points_m=line.points_m + np.outer(line.along_m() * slope, [0.0, 0.0, 1.0])) for line in lines
    ]
    for one in order_lines(a_flyer(), climbing, TAKE_OFFS):
        assert one.points_m[-1, 2] > one.points_m[0, 2]


def test_lines_weigh_what_the_wind_makes_of_them_each_way():
    # 7 m/s from north and at most 10 through the air: 600 m at 3 m/s up-wind, at 8 m/s down-wind
    line = a_line("L1", (0, -300), (0, 300), speed_mps=8.0)
    (ways,) = ways_between(a_flyer(wind=Wind(7.0, 0.0)), [line, reversed_line(line)], [TAKE_OFFS])
    assert ways.along_s[:2] == pytest.approx([200, 75])


def test_a_single_line_is_turned_round_where_that_is_quicker():
    # at most 10 m/s through the air against 4 from south: southward the line itself falls to 6 m/s
    line, flyer = a_line("L1", (0, 1000), (0, -300)), a_flyer(wind=Wind(4.0, np.pi))
    (found,) = order_lines(flyer, [line], TAKE_OFFS)
    assert tour_s(flyer, [found]) == pytest.approx(min(tour_s(flyer, [line]), tour_s(flyer, [reversed_line(line)])))
    assert tour_s(flyer, [line]) != pytest.approx(tour_s(flyer, [reversed_line(line)]), abs=1.0)


def test_wind_that_allows_neither_direction_is_refused():
    lines = [a_line(f"L{k}", (0, 50 * k), (300, 50 * k)) for k in range(2)]
    with pytest.raises(InfeasibleError, match="E32 wind of 11 m/s from 0 deg"):
        order_lines(a_flyer(wind=Wind(11.0, 0.0)), lines, TAKE_OFFS)


def test_a_line_reversed_twice_is_itself():
    line = replace(a_line("L01", (0, 0), (100, 300)), kept_m=(20.0, 250.0))
    back = reversed_line(line)
    assert back.kept_points_m() == pytest.approx(line.kept_points_m()[::-1])
    assert reversed_line(back).kept_m == pytest.approx(line.kept_m)


def between_ends(flyer, lines):
    both = [state for line in lines for state in (line, reversed_line(line))]
    return ways_between(flyer, both, [TAKE_OFFS])[0].between_s


def test_what_lies_between_lines_makes_turns_longer_or_bars_them():
    lines = a_block(4)
    free = between_ends(a_flyer(), lines)
    wall = KeepOut("wall", shapely.box(70, -260, 80, 420))
    longer = between_ends(replace(a_flyer(), zones=Zones((wall,), (), 5.0)), lines)
    assert longer[2, 3] == free[2, 3]
    assert longer[0, 2] == pytest.approx(free[0, 2])  # on one side of it
    assert longer[0, 5] > free[0, 5] + 8  # across it, at the end that it stands before
    # a ring round the last two lines: the aircraft must land and take off again, which no tour wants
    ring = shapely.box(-300, -540, 75, 480).boundary.buffer(4)
    barred = replace(a_flyer(), zones=Zones((KeepOut("ring", ring),), (), 1.0))
    ways = between_ends(barred, lines)
    assert ways[0, 4] == pytest.approx(ways[0, -1] + barred.aircraft.swap_s + ways[-1, 4])
    assert ways[-1, 4] >= 1e9 > ways[-1, 0]


def test_many_lines_are_weighed_by_the_way_round_in_plan():
    lines = a_block(14)
    wall = Zones(
        (KeepOut("wall", shapely.box(70, -260, 80, 420)),),
        (Sensitive("nest", shapely.box(320, -400, 330, 400), 4.0),),
        5.0,
    )
    free, longer = between_ends(a_flyer(), lines), between_ends(replace(a_flyer(), zones=wall), lines)
    assert longer[0, 2] == free[0, 2]
    # C: 100 m from (0, 340) to (100, 340): round the wall by (75, 426) instead
    extra = (np.hypot(70, 87) + np.hypot(18, 87) + 10 - 100) / 8
    assert longer[0, 5] - free[0, 5] == pytest.approx(extra, abs=0.6)
    # C: 50 m of which 10 cost five times as much
    assert longer[12, 14] - free[12, 14] == pytest.approx(40 / 8, abs=1e-6)
