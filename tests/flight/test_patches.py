"""Patch lines: laws of covering, on cells that a swath of one width closes or does not."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.flight.flightlines import Layout
from planner.flight.patches import SHORTEST_M, Pass, Track, closable, lay_patches

CELL_M = 2.0


def cells_in(*boxes):
    """Return the middles of the cells in boxes of west, south, east, north [m]."""
    found = []
    for west, south, east, north in boxes:
        e = np.arange(west + CELL_M / 2, east, CELL_M)
        n = np.arange(south + CELL_M / 2, north, CELL_M)
        found.append(np.column_stack([values.ravel() for values in np.meshgrid(e, n)]))
    places = np.concatenate(found)
    return np.column_stack([places, np.zeros(len(places))])


def a_pass(places, half_m=20.0, sees=None, speed_mps=5.0, fixed_s=30.0):
    """Return a pass over level ground that closes what lies within its half width."""

    def closes(track, which):
        return np.abs(track.seen_m(places[which])[1]) <= half_m

    return Pass(half_m, speed_mps, fixed_s, closes, sees or (lambda track, which: np.ones(len(which), dtype=bool)))


def laid(places, *passes, enough_m2=np.inf, most=20, block_rad=0.0, barred=()):
    areas = np.full(len(places), CELL_M**2)
    return lay_patches(
        places, areas, block_rad, passes, enough_m2=enough_m2, rim_m=CELL_M / 2, most=most, barred=barred
    )


def closed(patches):
    return set(np.concatenate([patch.cells for patch in patches]).tolist())


def apart_deg(one_rad, other_rad):
    return abs((np.degrees(one_rad - other_rad) + 90) % 180 - 90)


@pytest.mark.parametrize("heading_deg", [0, 17, 45, 90, 141])
def test_a_strip_is_closed_by_one_line_along_it_no_longer_than_it_is(heading_deg):
    turn = np.radians(heading_deg)
    strip = cells_in((-10, -100, 10, 100))[:, :2]
    east, north = strip.T
    places = np.column_stack(
        [east * np.cos(turn) + north * np.sin(turn), north * np.cos(turn) - east * np.sin(turn), 0 * east]
    )
    (patch,) = laid(places, a_pass(places))
    assert closed([patch]) == set(range(len(places)))
    assert apart_deg(patch.track.heading_rad, turn) < 1
    assert patch.track.length_m == pytest.approx(200, abs=2)  # 198 m between the outermost middles, 1 m beyond each (C)


@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_strips_farther_apart_than_a_swath_take_one_line_each(count):
    places = cells_in(*((k * 60, 0, k * 60 + 10, 150) for k in range(count)))
    patches = laid(places, a_pass(places))
    assert len(patches) == count
    assert closed(patches) == set(range(len(places)))


def test_strips_that_one_swath_joins_take_one_line():
    places = cells_in((0, 0, 4, 150), (30, 0, 34, 150))  # 34 m from edge to edge, the swath is 40 m wide (C)
    (patch,) = laid(places, a_pass(places))
    assert closed([patch]) == set(range(len(places)))


def test_two_arms_at_right_angles_take_two_lines_of_their_headings():
    places = cells_in((0, 0, 12, 200), (12, 0, 212, 12))
    patches = laid(places, a_pass(places), block_rad=np.radians(30))
    assert closed(patches) == set(range(len(places)))
    assert len(patches) == 2


def test_no_more_is_flown_than_is_enough():
    places = cells_in((0, 0, 10, 150), (100, 0, 110, 40), (200, 0, 210, 150))
    one_m2, two_m2 = 1500.0, 3000.0
    assert len(laid(places, a_pass(places), enough_m2=one_m2)) == 1
    both = laid(places, a_pass(places), enough_m2=two_m2)
    assert len(both) == 2
    assert {round(patch.track.length_m, -1) for patch in both} == {150}  # the small one in between is left out
    assert laid(places, a_pass(places), enough_m2=0.0) == ()
    assert len(laid(places, a_pass(places), most=1)) == 1


def test_a_line_that_is_better_than_its_cells_ask_for_is_still_long_enough_to_fly():
    places = cells_in((0, 0, 4, 4))
    (patch,) = laid(places, a_pass(places))
    assert patch.track.length_m == pytest.approx(SHORTEST_M)


def test_what_a_wall_hides_from_one_side_is_seen_from_the_other():
    places = cells_in((0, 0, 6, 120))

    def from_the_east(track, which):
        return track.seen_m(places[which])[1] * np.cos(track.heading_rad) < -8

    (patch,) = laid(places, a_pass(places, sees=from_the_east))
    assert closed([patch]) == set(range(len(places)))
    assert patch.track.places_m([0.0])[0, 0] > 8 + 5  # 8 m east of the farthest middle, at 5 m (C)


def test_cells_that_no_pass_closes_are_told_and_stay():
    places = cells_in((0, 0, 10, 100), (300, 0, 310, 20))
    shaft = places[:, 0] > 200
    one = a_pass(places, sees=lambda track, which: ~shaft[which])
    assert (closable(places, 0.0, [one]) == ~shaft).all()
    patches = laid(places, one)
    assert closed(patches) == set(np.flatnonzero(~shaft).tolist())


def test_the_pass_that_closes_more_per_second_is_flown():
    places = cells_in((0, 0, 10, 150))
    slow, fast = a_pass(places, speed_mps=3.0), a_pass(places, speed_mps=6.0)
    assert [patch.way for patch in laid(places, slow, fast)] == [1]
    blind = a_pass(places, speed_mps=6.0, sees=lambda track, which: np.zeros(len(which), dtype=bool))
    assert [patch.way for patch in laid(places, slow, blind)] == [0]


def test_a_barred_track_is_not_flown_nor_one_beside_it():
    places = cells_in((-5, 0, 5, 150))
    (first,) = laid(places, a_pass(places))
    others = laid(places, a_pass(places), barred=[first.track])
    assert closed(others) == set(range(len(places)))
    for patch in others:
        beside = abs(patch.track.across_m - first.track.across_m) >= 5
        assert beside or apart_deg(patch.track.heading_rad, first.track.heading_rad) > 3


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 2**32 - 1))
def test_any_scatter_of_blobs_is_closed_whole(seed):
    rng = np.random.default_rng(seed)
    corners = rng.uniform(-200, 200, (rng.integers(1, 6), 2))
    sizes = rng.uniform(4, 60, (len(corners), 2))
    places = np.unique(cells_in(*((e, n, e + w, n + h) for (e, n), (w, h) in zip(corners, sizes, strict=True))), axis=0)
    patches = laid(places, a_pass(places), block_rad=float(rng.uniform(0, np.pi)))
    assert closed(patches) == set(range(len(places)))
    for patch in patches:
        along, aside = patch.track.seen_m(places[patch.cells])
        assert np.abs(aside).max() <= 20
        assert along.min() >= patch.track.span_m[0]
        assert along.max() <= patch.track.span_m[1]


def test_tracks_lie_as_those_of_a_layout():
    layout = Layout(0.7, 10.0, np.array([25.0]), np.array([[3.0, 90.0]]))
    track = Track(0.7, 25.0, (3.0, 90.0))
    assert np.allclose(np.stack(layout.place_m([3.0, 90.0], 25.0), axis=-1), track.places_m([3.0, 90.0]))
    along, aside = track.seen_m(np.column_stack(layout.place_m([40.0, 50.0], [25.0, 32.0])))
    assert along == pytest.approx([40, 50])
    assert aside == pytest.approx([0, 7])
