"""Tracks that face walls: where they run, and which are taken."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.flight.facing import CLOSING, Aim, Faces, FacingTrack, Option, choose_facing, facing_tracks
from planner.flight.patches import SHORTEST_M, Track

HALF_WIDTH_M = 40.0


def a_wall(outward_deg, length_m=100.0, count=51):
    """Return faces along a straight wall through the origin that looks one way."""
    outward = np.radians(outward_deg)
    at = np.linspace(-length_m / 2, length_m / 2, count)
    along = np.array([np.cos(outward), -np.sin(outward)])  # to the right of the way it looks
    places = np.column_stack([at[:, np.newaxis] * along, np.zeros(count)])
    return places, np.full(count, outward)


def turn_deg(track, outward_deg):
    return (np.degrees(track.heading_rad) - outward_deg) % 360


@pytest.mark.parametrize("outward_deg", [0, 30, 90, 137, 250, 355])
def test_tracks_run_along_toward_and_aslant_to_a_wall(outward_deg):
    tracks = facing_tracks(*a_wall(outward_deg), HALF_WIDTH_M)
    turns = {"along": {270}, "toward": {180}, "aslant": {135, 225}}
    for manner, wanted in turns.items():
        found = {round(turn_deg(one.track, outward_deg)) for one in tracks if one.manner == manner}
        assert found == wanted


@pytest.mark.parametrize("outward_deg", [0, 137, 250])
def test_tracks_along_a_wall_span_it_and_stand_off_on_the_side_it_looks_to(outward_deg):
    places, outward = a_wall(outward_deg)
    tracks = [one.track for one in facing_tracks(places, outward, HALF_WIDTH_M) if one.manner == "along"]
    look = np.array([np.sin(outward[0]), np.cos(outward[0])])
    off = sorted(float(track.places_m([0.0])[0] @ look) for track in tracks)
    assert off[0] > -HALF_WIDTH_M / 2
    assert HALF_WIDTH_M < off[-1] < 2 * HALF_WIDTH_M
    assert max(np.diff(off)) <= HALF_WIDTH_M / 2 + 1e-9
    for track in tracks:
        assert np.ptp(track.seen_m(places)[0]) == pytest.approx(track.length_m)


def test_two_walls_apart_have_tracks_of_their_own_and_near_ones_share_them():
    places, outward = a_wall(0)
    spans = {}
    for apart_m in (500.0, 130.0):
        both = np.concatenate([places, places + np.array([apart_m, 0, 0])])
        tracks = facing_tracks(both, np.concatenate([outward, outward]), HALF_WIDTH_M)
        spans[apart_m] = max(one.track.length_m for one in tracks if one.manner == "along")
    assert spans[500.0] == pytest.approx(100)
    assert spans[130.0] == pytest.approx(230)  # 30 m between them are less than half a swath


def test_no_faces_have_no_tracks():
    assert facing_tracks(np.zeros((0, 3)), np.zeros(0), HALF_WIDTH_M) == ()


def an_option(cells, brings, start_m=0.0, end_m=100.0, *, fixed_s=20.0, looked=True):
    cells = np.array(cells, dtype=np.int64)
    track = Track(np.pi / 2, 0.0, (start_m, end_m))  # eastward
    return Option(FacingTrack(track, "along"), 0, 5.0, fixed_s, cells, np.broadcast_to(brings, cells.shape), looked)


def faces_in_a_row(count=11, *, pooled=True):
    """Return faces of 10 m2 every 10 m toward east."""
    places = np.column_stack([10.0 * np.arange(count), np.zeros(count), np.zeros(count)])
    return Faces(places, np.full(count, 10.0), 1.0, pooled)


def chosen(options, have, faces=None, look=lambda option: None, **aim):
    asked = {"enough_m2": 1e9, "budget_s": 1e9, "least_m2": 0.0, "most": 8} | aim
    return choose_facing(options, faces or faces_in_a_row(len(have)), have, look, Aim(**asked))


def test_a_track_is_no_longer_than_what_it_adds_asks_for():
    (one,) = chosen([an_option([3, 4, 5, 6, 7], 1.0)], np.where(np.arange(11) == 7, 1.0, 0.0))
    assert one.facing.track.span_m == pytest.approx((29.0, 61.0))  # faces 3 to 6 lack pulses, 1 m of rim
    assert one.seconds == pytest.approx(32 / 5 + 20)
    (one,) = chosen([an_option([5], 1.0)], np.zeros(11))
    assert one.facing.track.length_m == pytest.approx(SHORTEST_M)


def test_passes_that_pool_close_what_neither_does_alone():
    options = [an_option(range(11), 0.6), an_option(range(11), 0.6)]
    assert len(chosen(options, np.zeros(11))) == 2
    alone = chosen(options, np.zeros(11), faces_in_a_row(pooled=False))
    assert len(alone) == 1  # the second adds nothing to the best one pass
    assert alone[0].adds_m2 == pytest.approx(10 * 0.6**CLOSING)


def test_enough_is_enough_and_least_is_least():
    options = [an_option(range(4), 1.0), an_option(range(4, 8), 1.0), an_option([8], 1.0)]
    assert len(chosen(options, np.zeros(11), enough_m2=40.0)) == 1
    assert len(chosen(options, np.zeros(11), enough_m2=80.0)) == 2
    assert len(chosen(options, np.zeros(11))) == 3
    assert len(chosen(options, np.zeros(11), least_m2=20.0)) == 2
    assert len(chosen(options, np.zeros(11), most=1)) == 1
    assert chosen([], np.zeros(11)) == ()


def test_a_long_line_is_taken_where_the_short_one_leaves_no_time_for_a_second():
    """20 m for 6 faces in 24 s gain more per second than 100 m for all 11 in 40 s; of 45 s only one can be flown."""
    crowded = Faces(np.column_stack([np.r_[np.linspace(0, 18, 6), 40, 60, 80, 90, 98], np.zeros((11, 2))]),
                    np.full(11, 10.0), 1.0, True)  # fmt: skip
    short, long = an_option(range(6), 1.0), an_option(range(11), 1.0)
    (one,) = chosen([short, long], np.zeros(11), crowded, budget_s=45.0)
    assert one.option is long
    (one,) = chosen([short, long], np.zeros(11), crowded, budget_s=30.0)
    assert one.option is short


def test_what_is_hidden_is_looked_at_before_a_track_is_taken():
    seen = []

    def look(option):
        seen.append(option)
        option.looked, option.brings = True, np.where(np.arange(len(option.cells)) < 2, option.brings, 0.0)

    behind, open_ = an_option(range(11), 1.0, looked=False), an_option(range(5), 1.0)
    first, *_ = chosen([behind, open_], np.zeros(11), look=look)
    assert first.option is open_
    assert seen == [behind]


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**31), st.floats(10, 200))
def test_tracks_keep_to_the_time_and_what_each_adds_is_what_all_come_to(seed, budget_s):
    rng = np.random.default_rng(seed)
    options = [
        an_option(np.sort(rng.choice(11, rng.integers(1, 8), replace=False)), share, fixed_s=fixed_s)
        for share, fixed_s in rng.uniform((0.2, 5), (1.5, 40), (6, 2))
    ]
    have = rng.uniform(0, 1.1, 11)
    found = chosen(options, have, budget_s=budget_s, least_m2=2.0)
    assert sum(one.seconds for one in found) <= budget_s + 1e-9
    assert all(one.adds_m2.sum() >= 2 for one in found)
    after = have.copy()
    for one in found:
        after[one.option.cells] += one.option.brings
    progress = [float((10 * np.minimum(share, 1) ** CLOSING).sum()) for share in (have, after)]
    assert sum(float(one.adds_m2.sum()) for one in found) == pytest.approx(progress[1] - progress[0])


def covered_m2(faces, options):
    have = np.zeros(len(faces.areas_m2))
    for option in options:
        have[option.cells] += option.brings
    return float(faces.areas_m2[have >= 1].sum())


def test_the_choice_is_the_best_pair_where_two_fit():
    """Against all pairs of ten random options that cost the same (C)."""
    rng = np.random.default_rng(3)
    options = [an_option(np.sort(rng.choice(11, 4, replace=False)), 1.0, fixed_s=1000.0) for _ in range(10)]
    faces = faces_in_a_row()
    found = covered_m2(faces, [one.option for one in chosen(options, np.zeros(11), most=2)])
    best = max(covered_m2(faces, pair) for pair in itertools.combinations(options, 2))
    assert found >= (1 - 1 / np.e) * best  # the bound of greedy cover, Nemhauser, Wolsey and Fisher 1978 [M]
