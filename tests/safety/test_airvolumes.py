"""Floors and ceilings of airspace by each reference, flight levels by the day's pressure, and distances to outlines."""

import datetime as dt

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from made_facts import DATE, flight, measure, rule

from planner.ground.surroundings import AirspaceVolume, Level
from planner.safety.volumes import (
    Barometer,
    above_level_m,
    distances_m,
    flight_level_ortho_m,
    inside_volume,
    level_span_m,
)

FOOT_M = 0.3048
STANDARD = Barometer(1013.25, 15.0, 0.0)
BOX = shapely.box(-10, -10, 500, 10)


def volume(floor, ceiling, name="Zone"):
    return AirspaceVolume(name, "restricted", BOX, floor, ceiling, DATE)


@pytest.mark.parametrize(("level", "hpa"), [(50, 843.07), (100, 696.82), (200, 465.63), (300, 300.90)])
def test_a_flight_level_is_the_pressure_of_the_standard_atmosphere(level, hpa):
    # Pressures of the standard atmosphere at 5000, 10 000, 20 000 and 30 000 ft (M: tables of ISO 2533, ICAO Doc 7488).
    # A barometer that reads that pressure at some height stands at that level, whatever the temperature.
    for temperature in (-20.0, 25.0):
        assert flight_level_ortho_m(level, Barometer(hpa, temperature, 321.0)) == pytest.approx(321, abs=0.3)


@pytest.mark.parametrize("level", [0, 10, 65, 195, 360])
def test_in_standard_air_a_level_lies_at_its_number(level):
    assert flight_level_ortho_m(level, STANDARD) == pytest.approx(level * 100 * FOOT_M, abs=1e-6)


def test_low_pressure_brings_levels_down_by_the_pilots_rule():
    # Some 27 to 30 ft for each hPa near sea level (common practice, no source).
    lower_m = flight_level_ortho_m(0, STANDARD) - flight_level_ortho_m(0, Barometer(1003.25, 15.0, 0.0))
    assert 27 * 10 * FOOT_M < lower_m < 30 * 10 * FOOT_M


def test_cold_air_brings_levels_down():
    # 10 K colder: 10 / 288 or some 3.5 % of the height above the barometer (C).
    warm, cold = (flight_level_ortho_m(50, Barometer(1013.25, t, 0.0)) for t in (15.0, 5.0))
    assert (warm - cold) / warm == pytest.approx(10 / 288.15, rel=1e-6)


@settings(deadline=None, max_examples=100)
@given(st.floats(950, 1050), st.floats(-40, 45), st.integers(0, 300))
def test_any_weather_lies_within_the_span_told_without_pressure(pressure, temperature, level):
    low, high = level_span_m(level, None)
    assert low - 1e-6 <= flight_level_ortho_m(level, Barometer(pressure, temperature, 0.0)) <= high + 1e-6


def test_a_pressure_narrows_the_span():
    wide, narrow = level_span_m(50, None), level_span_m(50, STANDARD)
    assert narrow[0] < 1524 < narrow[1]
    assert narrow[1] - narrow[0] < (wide[1] - wide[0]) / 4


# The line flies 100 m above ground at 600 m above sea level.
@pytest.mark.parametrize(
    ("floor", "ceiling", "status"),
    [
        (Level("sfc"), Level("unl"), "over"),
        (Level("sfc"), Level("agl", 120), "over"),
        (Level("sfc"), Level("agl", 90), "within"),
        (Level("agl", 90), Level("agl", 500), "over"),
        (Level("agl", 110), Level("agl", 500), "within"),
        (Level("amsl", 590), Level("amsl", 900), "over"),
        (Level("amsl", 610), Level("amsl", 900), "within"),
        (Level("sfc"), Level("amsl", 590), "within"),
        (Level("agl", 90), Level("amsl", 900), "over"),
        (Level("fl", 15), Level("unl"), "over"),  # 457 m in standard air
        (Level("fl", 25), Level("unl"), "within"),  # 762 m
        (Level("fl", 20), Level("unl"), "cannot tell"),  # 610 m, within the doubt of the day's air
        (Level("amsl", 601), Level("amsl", 900), "cannot tell"),  # within 2 m of doubt
        (Level("agl", 99), Level("agl", 500), "cannot tell"),
    ],
)
def test_floors_and_ceilings_by_each_reference(floor, ceiling, status):
    facts = flight(ortho_m=np.full(401, 600.0), vertical_doubt_m=2.0, air=STANDARD, airspace=(volume(floor, ceiling),))
    assert measure(rule("airspace"), facts).status == status


@pytest.mark.parametrize(
    ("level", "changes", "why"),
    [
        (Level("amsl", 550), {"ortho_m": None}, "no heights above sea level are known"),
        (Level("fl", 20), {"air": None}, "no air pressure given"),
        (Level("fl", 20), {}, "within the doubt of its ends"),
    ],
)
def test_what_is_missing_for_a_floor_is_said(level, changes, why):
    known = {"ortho_m": np.full(401, 600.0), "air": STANDARD, "vertical_doubt_m": 2.0}
    one = measure(rule("airspace"), flight(airspace=(volume(level, Level("unl")),), **(known | changes)))
    assert one.status == "cannot tell"
    assert f"Cannot tell whether the flight enters Zone (restricted, {level} to no upper end): " in one.text
    assert why in one.text


def test_a_level_far_above_any_weather_needs_no_pressure():
    facts = flight(ortho_m=np.full(401, 600.0), airspace=(volume(Level("fl", 95), Level("unl")),))
    assert measure(rule("airspace"), facts).status == "within"


def test_unknown_ground_leaves_a_floor_above_ground_open():
    agl = np.full(401, 100.0)
    agl[200] = np.nan
    facts = flight(agl, airspace=(volume(Level("agl", 150), Level("unl")),))
    assert measure(rule("airspace"), facts).status == "cannot tell"


def test_what_is_entered_and_what_may_be_are_both_told():
    both = (volume(Level("sfc"), Level("unl"), "Sure"), volume(Level("fl", 20), Level("unl"), "Perhaps"))
    one = measure(rule("airspace"), flight(ortho_m=np.full(401, 600.0), airspace=both))
    assert one.status == "over"
    assert "enters Sure" in one.text
    assert "It may also enter Perhaps" in one.text


@settings(deadline=None, max_examples=60)
@given(st.floats(0, 300), st.floats(0, 300), st.floats(0, 20))
def test_certain_and_perhaps_never_overlap_and_doubt_only_takes_from_certain(floor, thick, doubt):
    facts = flight(np.linspace(0, 400, 401))
    one = volume(Level("agl", floor), Level("agl", floor + thick))
    ortho = np.full(401, np.nan)
    sure, perhaps = inside_volume(one, facts.places_m, facts.agl_m, ortho, None, doubt)
    exact, _ = inside_volume(one, facts.places_m, facts.agl_m, ortho, None, 0.0)
    assert not (sure & perhaps).any()
    assert not (sure & ~exact).any()
    assert not (exact & ~sure & ~perhaps).any()


def test_no_floor_lies_above_the_surface_and_none_below():
    agl = np.array([-5.0, 0.0, 50.0])
    assert (above_level_m(Level("sfc"), agl, agl, None, 3.0)[0] > 0).all()
    assert (above_level_m(Level("unl"), agl, agl, None, 3.0)[1] < 0).all()


def test_distances_are_to_the_nearest_outline():
    places = np.array([[0.0, 0, 9], [50, 0, 9], [100, 0, 9]])
    away, which = distances_m([shapely.Point(0, 30), shapely.box(90, -5, 110, 5)], [10.0, 0.0], places)
    assert away == pytest.approx([20, 40, 0])
    assert which.tolist() == [0, 1, 1]
    away, which = distances_m([], [], places)
    assert np.isinf(away).all()
    assert (which == -1).all()


def test_levels_are_said_with_their_reference():
    said = [
        str(level) for level in (Level("sfc"), Level("unl"), Level("fl", 65), Level("agl", 120), Level("amsl", 762))
    ]
    assert said == ["the surface", "no upper end", "FL 65", "120 m AGL", "762 m AMSL"]
    assert volume(Level("sfc"), Level("unl")).dated == dt.date(2027, 4, 12)


@settings(deadline=None, max_examples=40)
@given(
    st.lists(
        st.tuples(st.floats(-90, 90), st.floats(-90, 90), st.sampled_from([0.0, 1.0, 7.5])), min_size=1, max_size=9
    )
)
def test_distances_are_those_of_looking_at_every_outline(drawn):
    places = np.column_stack([np.linspace(-50, 50, 21), np.linspace(20, -20, 21), np.zeros(21)])
    outlines = [shapely.Point(east, north).buffer(3) for east, north, _ in drawn]
    reaches = [reach for _, _, reach in drawn]
    points = shapely.points(places[:, :2])
    every = np.array([shapely.distance(one, points) - reach for one, reach in zip(outlines, reaches, strict=True)])
    away, which = distances_m(outlines, reaches, places)
    assert away == pytest.approx(np.maximum(every.min(axis=0), 0), abs=1e-9)
    assert np.maximum(every[which, np.arange(21)], 0) == pytest.approx(away, abs=1e-9)
