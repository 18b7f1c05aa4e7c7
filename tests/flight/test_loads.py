from dataclasses import replace
from itertools import combinations, pairwise, product

import numpy as np
import pytest
from flat_jobs import HEXACOPTER
from made_blocks import a_flyer, a_line

from planner.errors import InfeasibleError
from planner.flight.climbs import Path
from planner.flight.energy import battery_s, drawn_s, worst_return_s
from planner.flight.loads import Load, TourCosts, split_tour, start_times_s, unseen_pieces
from planner.flight.paths import along_line
from planner.flight.winds import CALM, Wind


def made_costs(seed, count, places=2, usable_s=900.0):
    generator = np.random.default_rng(seed)

    def pair(least, most, *shape):
        time = generator.uniform(least, most, shape)
        return np.stack([time, time * generator.uniform(0.9, 1.3, shape)])

    return TourCosts(
        lines=pair(60, 240, count),
        turns=pair(10, 40, count - 1),
        out=pair(40, 150, count, places),
        back=pair(40, 120, count, places),
        worst_back_s=generator.uniform(30, 220, (count, places)),
        worst_turn_back_s=generator.uniform(30, 240, (count - 1, places)),
        usable_s=usable_s,
        swap_s=300.0,
        unseen=np.zeros((count, places), dtype=np.int64),
    )


def tour_time_s(costs, loads):
    """Return the time of a split, inf where a battery does not last: straight from the definition."""
    total = costs.swap_s * (len(loads) - 1)
    for load in loads:
        lines, turns, last = slice(load.first, load.last), slice(load.first, load.last - 1), load.last - 1
        worst = max(
            costs.back[1, last, load.place],
            *costs.worst_back_s[lines, load.place],
            *costs.worst_turn_back_s[turns, load.place],
        )
        drawn = costs.out[1, load.first, load.place] + costs.lines[1, lines].sum() + costs.turns[1, turns].sum() + worst
        if drawn > costs.usable_s:
            return np.inf
        total += costs.out[0, load.first, load.place] + costs.lines[0, lines].sum() + costs.turns[0, turns].sum()
        total += costs.back[0, last, load.place]
    return total


def unseen_on(costs, loads):
    return sum(costs.unseen[load.first : load.last, load.place].sum() for load in loads)


def by_brute_force(costs):
    """Return the least of what is out of sight, and the least time with it [s]: over all splits and places."""
    count, places = costs.lines.shape[1], costs.out.shape[2]
    best = np.inf, np.inf
    for cuts in range(count):
        for chosen in combinations(range(1, count), cuts):
            bounds = list(pairwise([0, *chosen, count]))
            for taken in product(range(places), repeat=len(bounds)):
                loads = [Load(*ends, place) for ends, place in zip(bounds, taken, strict=True)]
                total = tour_time_s(costs, loads)
                if np.isfinite(total):
                    best = min(best, (int(unseen_on(costs, loads)), round(total, 6)))
    return best


@pytest.mark.parametrize("count", [1, 2, 5, 7])
@pytest.mark.parametrize("seed", range(15))
@pytest.mark.parametrize("often_unseen", [0.0, 0.4])
def test_the_split_is_the_best_of_all(seed, count, often_unseen):
    costs = made_costs(seed, count)
    generator = np.random.default_rng(seed)
    costs = replace(costs, unseen=3 * (generator.random((count, 2)) < often_unseen).astype(np.int64))
    loads = split_tour(costs)
    unseen, time_s = by_brute_force(costs)
    assert unseen_on(costs, loads) == unseen
    assert tour_time_s(costs, loads) == pytest.approx(time_s, abs=1e-4)
    assert [load.first for load in loads] == [0, *(load.last for load in loads[:-1])]
    assert loads[-1].last == count


def test_places_split_what_one_does_not_see():
    # of four lines each place sees two: two sorties, though one battery lasts for all and a swap costs five minutes
    unseen = np.array([[0, 1], [0, 1], [1, 0], [1, 0]])
    costs = replace(made_costs(2, 4, usable_s=1e6), unseen=unseen)
    assert split_tour(costs) == [Load(0, 2, 0), Load(2, 4, 1)]
    # what no place sees goes from the quickest
    blind = replace(costs, unseen=np.ones((4, 2), dtype=np.int64))
    assert split_tour(blind) == split_tour(replace(costs, unseen=np.zeros((4, 2), dtype=np.int64)))


def test_a_battery_that_does_not_last_goes_before_sight():
    costs = made_costs(4, 3)
    far = costs.out.copy()
    far[:, :, 0] = 1e5
    loads = split_tour(replace(costs, out=far, unseen=np.array([[0, 1]] * 3)))
    assert {load.place for load in loads} == {1}


def test_what_is_out_of_sight_of_lines_and_turns_counted_by_hand():
    # two places see what lies west of 10 m and east of 5 m
    def sight(points):
        return np.column_stack([points[:, 0] < 10, points[:, 0] > 5])

    def piece(*east):
        return np.column_stack([east, np.zeros((len(east), 2))])

    lines = [piece(0, 6), piece(6, 8), piece(7, 20, 8)]
    turns = [piece(6, 6), piece(8, 12, 9)]
    # place 1 loses the last line and the turn before it, place 2 the start of the first line
    assert unseen_pieces(sight, lines, turns).tolist() == [[0, 1], [1, 0], [2, 0]]
    assert unseen_pieces(sight, lines[:1], []).tolist() == [[0, 1]]


def test_one_more_battery_is_not_used_where_it_saves_nothing():
    costs = replace(made_costs(3, 6, usable_s=1e6), swap_s=0.0, out=np.zeros((2, 6, 2)), back=np.zeros((2, 6, 2)))
    assert split_tour(replace(costs, turns=np.zeros((2, 5)))) == [Load(0, 6, 0)]


def test_the_worst_return_of_any_line_or_turn_counts():
    costs = made_costs(1, 3, places=1)
    alone = split_tour(replace(costs, usable_s=1e6))
    assert alone == [Load(0, 3, 0)]
    # the same tour, but from the middle line the way back takes nearly all of a battery
    far = costs.worst_back_s.copy()
    far[1] = 1e4
    used = costs.out[1, 1, 0] + costs.lines[1, 1] + 1e4
    loads = split_tour(replace(costs, worst_back_s=far, usable_s=used + 1))
    assert Load(1, 2, 0) in loads
    turned = costs.worst_turn_back_s.copy()
    turned[0] = 1e4
    loads = split_tour(replace(costs, worst_turn_back_s=turned, usable_s=1e4))
    assert loads[0] == Load(0, 1, 0)


def test_a_line_that_no_battery_lasts_for_is_refused():
    costs = made_costs(0, 4)
    lines = costs.lines.copy()
    lines[1, 2] = 2000.0
    with pytest.raises(InfeasibleError, match=r"E28 line 3 of the tour needs \d\d\.\d min .* gives 15\.0 min"):
        split_tour(replace(costs, lines=lines))


def test_the_clock_with_batteries_and_a_charger_worked_by_hand():
    two = replace(HEXACOPTER, batteries=2, chargers=1, charge_s=3600.0, swap_s=300.0)
    # the first lands at 1000 and charges half a battery until 2800; the second flies 1300 to 2300 and charges until
    # 4600; the third takes off at 2800, the fourth at 4600
    assert start_times_s(two, [1000.0] * 4, [0.5] * 4) == [0, 1300, 2800, 4600]
    # two chargers: the second set is full at 2300 + 1800
    assert start_times_s(replace(two, chargers=2), [1000.0] * 4, [0.5] * 4) == [0, 1300, 2800, 4100]
    # one set: landing, charging, take-off
    assert start_times_s(replace(two, batteries=1), [1000.0] * 2, [0.5] * 2) == [0, 2800]
    # enough sets: only the swaps count
    assert start_times_s(replace(two, batteries=None), [1000.0] * 3, [0.9] * 3) == [0, 1300, 2600]


def test_batteries_that_run_out_without_a_charger_are_refused():
    bare = replace(HEXACOPTER, batteries=2, chargers=0)
    assert len(start_times_s(bare, [900.0] * 2, [0.5] * 2)) == 2
    with pytest.raises(InfeasibleError, match=r"E28 3 sorties need as many batteries, 2 at hand and no charger"):
        start_times_s(bare, [900.0] * 3, [0.5] * 3)


def test_derating_worked_by_hand_and_monotone():
    # common practice, no source: 1 % per degree below 15 deg C, 10 % per km; C: 1500 s x 0.75 x 0.8 = 900 s
    assert battery_s(HEXACOPTER, -10.0, 2000.0) == pytest.approx(900)
    assert battery_s(HEXACOPTER, 30.0, -50.0) == 1500
    cold = [battery_s(HEXACOPTER, celsius, 0.0) for celsius in range(-40, 31)]
    high = [battery_s(HEXACOPTER, 15.0, metres) for metres in range(0, 5000, 100)]
    assert np.all(np.diff(cold) >= 0)
    assert np.all(np.diff(high) < 0)
    assert battery_s(replace(HEXACOPTER, cold_loss_per_deg_c=0.05), -40.0) == 0


def test_what_a_path_draws_worked_by_hand():
    priced = replace(HEXACOPTER, mass_kg=10, power_w=980.665, hover_power_w=1078.7315)  # 0.2 s per metre, hover 1.1
    points = np.array([[0.0, 0, 0], [0, 0, 4], [4, 0, 4], [4, 0, 4.001], [4, 0, 0.0]])
    path = Path(points, np.array([0.0, 1, 2, 12, 14]), ("climb", "line", "hover", "descent"), (None,) * 4)
    # 1 + 1 + 10 x 1.1 + 2 s, and 4.001 m at 0.2 s
    assert drawn_s(priced, path) == pytest.approx(15 + 0.8, abs=1e-3)
    level = along_line(a_flyer(), a_line("L01", (0, 0), (0, 800)))
    assert drawn_s(HEXACOPTER, level) == pytest.approx(100)


def test_worst_return_worked_by_hand():
    # 600 m against 4 m/s at 10 m/s through the air, and 50 m down at 2.5 m/s: 100 + 20 s
    assert worst_return_s(HEXACOPTER, Wind(4.0, 1.0), 600.0, 50.0) == pytest.approx(120)
    # 20 m up at 4 m/s, with 0.15 s a metre on top
    assert worst_return_s(HEXACOPTER, CALM, 0.0, -20.0) == pytest.approx(5 + 3)
    with pytest.raises(InfeasibleError, match="E32 wind of 12 m/s"):
        worst_return_s(HEXACOPTER, Wind(12.0, 1.0), 600.0, 50.0)
