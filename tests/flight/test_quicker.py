import numpy as np
import pytest
from flat_jobs import HEXACOPTER
from hypothesis import given, settings
from hypothesis import strategies as st
from test_loads import made_costs

from planner.flight.loads import split_tour
from planner.flight.quicker import effort


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 9), st.floats(0, 1), st.floats(0, 1))
def test_quicker_lines_never_make_the_day_longer_nor_take_more_energy_than_there_is(seed, count, share, other):
    costs = made_costs(seed, count)
    low, high = sorted((share, other))
    slow, quick = (effort(costs, HEXACOPTER, 1200.0, np.full(count, each)) for each in (high, low))
    assert quick.day_s <= slow.day_s + 1e-6
    assert quick.day_s >= quick.air_s + (quick.sorties - 1) * costs.swap_s - 1e-6
    assert 1 <= quick.sorties <= count


@pytest.mark.parametrize("seed", range(5))
def test_a_tour_as_it_is_takes_what_its_own_split_takes(seed):
    costs = made_costs(seed, 8)
    found, loads = effort(costs, HEXACOPTER, 1200.0), split_tour(costs)
    assert found.sorties == len(loads)
    flown = costs.lines[0].sum() + sum(costs.turns[0, load.first : load.last - 1].sum() for load in loads)
    ways = sum(costs.out[0, load.first, load.place] + costs.back[0, load.last - 1, load.place] for load in loads)
    assert found.air_s == pytest.approx(flown + ways)
    assert found.day_s == pytest.approx(found.air_s + (len(loads) - 1) * costs.swap_s)


def test_a_sortie_falls_away_when_its_lines_fit_into_the_others():
    costs = made_costs(3, 6)
    full = effort(costs, HEXACOPTER, 1200.0)
    none = effort(costs, HEXACOPTER, 1200.0, np.zeros(6))
    assert none.sorties == 1 < full.sorties
    assert none.air_s == pytest.approx((costs.out[0, 0] + costs.back[0, 5]).min(), rel=0.5)


def test_a_line_that_is_not_quicker_keeps_the_turns_beside_it():
    costs = made_costs(3, 4, usable_s=9e9)
    shares = np.array([0.5, 1.0, 0.5, 0.5])
    saved = effort(costs, HEXACOPTER, 9e9).air_s - effort(costs, HEXACOPTER, 9e9, shares).air_s
    assert saved == pytest.approx(0.5 * (costs.lines[0, [0, 2, 3]].sum() + costs.turns[0, 2]))
