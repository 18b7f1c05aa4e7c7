import numpy as np
import pytest

from planner.safety.sightline import ROUNDING_M, sight_caution, sight_limit_m


def told(distance_m, seen, seconds, limit_m=412.4):
    legs = [f"line L{k:02d}" for k in range(1, len(seen) + 1)]
    arrays = np.array(distance_m, dtype=float), np.array(seen, dtype=np.int8), np.array(seconds, dtype=float)
    return sight_caution(*arrays, limit_m, lambda k: f"place {k}", legs)


def test_the_limit_by_size_and_visibility_worked_by_hand():
    # EASA, Guidelines for UAS operations in the open and specific category, attitude line of sight (M):
    # 327 x 1.2 + 20 and 490 x 2.6 + 30; detection line of sight (M): 0.3 x 1 km
    assert sight_limit_m(1.2, rotors=True, visibility_km=23.0) == pytest.approx(412.4)
    assert sight_limit_m(2.6, rotors=False, visibility_km=23.0) == pytest.approx(1304.0)
    assert sight_limit_m(1.2, rotors=True, visibility_km=1.0) == pytest.approx(300.0)
    assert sight_limit_m(None, rotors=True, visibility_km=23.0) is None


def test_a_flight_in_sight_is_within():
    caution = told([100, 412.4 + ROUNDING_M], [1, 1], [10, 10])
    assert (caution.status, caution.measured, caution.limit) == ("within", 412.4 + ROUNDING_M, 412.4)
    assert "it is farther for 0.0 % of the time" in caution.text
    assert "Out of sight" not in caution.text


def test_shares_and_places_worked_by_hand():
    # 100 s in all: 20 s hidden in two runs of 5 and 15 s, 10 s too far, of which the terrain hides half
    caution = told([50, 60, 70, 80, 90, 500, 500, 50], [1, 0, 1, 0, 0, 1, 0, 1], [30, 5, 30, 7, 8, 5, 5, 10])
    assert caution.status == "over"
    assert "hide it for 20.0 % of the time" in caution.text
    assert "farther for 10.0 % of the time" in caution.text
    assert "the longest at place 4" in caution.text
    assert "on line L02, line L04, line L05, line L06, line L07." in caution.text


def test_what_the_terrain_does_not_tell_is_not_within():
    caution = told([50, 60], [1, -1], [30, 10])
    assert caution.status == "cannot tell"
    assert "for 25.0 % the terrain given does not tell" in caution.text
    assert told([50, 60], [0, -1], [30, 10]).status == "over"


def test_an_aircraft_of_unknown_size_cannot_be_told_but_what_is_hidden_is():
    caution = told([50, 6000], [1, 1], [30, 10], None)
    assert caution.status == "cannot tell"
    assert "gives no max_dimension_m" in caution.text
    assert told([50, 6000], [1, 0], [30, 10], None).status == "over"


def test_a_moment_is_not_told_as_nothing_and_many_legs_are_not_all_named():
    caution = told([50, 60], [1, 0], [100_000, 1])
    assert "hide it for less than 0.1 % of the time" in caution.text
    many = told([50] * 20, [0] * 20, [1] * 20)
    assert "line L08 and 12 more legs" in many.text
