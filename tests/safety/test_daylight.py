"""The day's light against the clock of a flight."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from pvlib.location import Location

from planner.ground.sun import sun_day
from planner.safety.daylight import daylight_caution, light_window, sorties_in_light

ZURICH = (8.5417, 47.3769)
DAY = dt.date(2027, 4, 12)


def at(hour, minute=0):
    return dt.datetime(2027, 4, 12, hour, minute, tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("start", "hours", "status"),
    [
        (at(9), 2, "within"),
        (at(3), 2, "over"),  # before sunrise, 04:41 UTC
        (at(17), 2, "over"),  # past sunset, 18:10 UTC
        (None, 2, "cannot tell"),
    ],
)
def test_flights_in_and_out_of_the_day(start, hours, status):
    caution = daylight_caution(DAY, *ZURICH, start, hours * 3600.0)
    assert caution.status == status


def test_times_are_those_of_the_published_algorithm():
    # NREL solar position algorithm, by pvlib (R2), to a minute.
    said = daylight_caution(DAY, *ZURICH, None, 0.0).text
    place = Location(ZURICH[1], ZURICH[0])
    noon = pd.DatetimeIndex([pd.Timestamp(DAY, tz="UTC") + pd.Timedelta(hours=12)])
    times = place.get_sun_rise_set_transit(noon, method="spa")
    ours = sun_day(np.datetime64(DAY), *ZURICH)
    for mine, theirs in ((ours.sunrise, times["sunrise"].iloc[0]), (ours.sunset, times["sunset"].iloc[0])):
        moment = pd.Timestamp(mine.item(), tz="UTC")
        assert abs((moment - theirs).total_seconds()) < 60
        assert moment.strftime("%H:%M") in said


def test_a_zone_is_no_matter():
    zone = dt.timezone(dt.timedelta(hours=2))
    here, there = at(17), at(17).astimezone(zone)
    assert daylight_caution(DAY, *ZURICH, here, 60.0) == daylight_caution(DAY, *ZURICH, there, 60.0)


def test_a_flight_by_night_is_no_fault_when_it_is_declared():
    assert daylight_caution(DAY, *ZURICH, at(22), 600.0, night=True).status == "note"


@pytest.mark.parametrize(
    ("date", "words", "status"),
    [(dt.date(2027, 6, 21), "does not set", "note"), (dt.date(2027, 12, 21), "below the horizon all day", "over")],
)
def test_beyond_the_polar_circle(date, words, status):
    caution = daylight_caution(date, 20.0, 78.0, None, 600.0)
    assert words in caution.text
    assert caution.status == status


def test_no_promise_is_made():
    for start in (at(9), None):
        assert "Some rules count minutes" in daylight_caution(DAY, *ZURICH, start, 600.0).text


PLACES = (ZURICH, (-111.0, 32.2), (0.0, 51.4779), (174.8, -41.3), (36.8, -1.3))
DAYS = (
    dt.date(2027, 1, 5),
    dt.date(2027, 3, 20),
    dt.date(2027, 6, 21),
    dt.date(2027, 9, 14),
    dt.date(2027, 12, 21),
)


@pytest.mark.parametrize(("edge", "limit_deg"), [("sunrise", -0.8333), ("civil_twilight", -6.0)])
def test_windows_open_and_close_within_a_minute_of_the_published_algorithm(edge, limit_deg):
    # NREL SPA by pvlib (R2): a minute outside a window the sun is lower than the limit, a minute inside it is higher.
    minute = np.timedelta64(60, "s")
    for lon, lat in PLACES:
        windows = [light_window(day, lon, lat, edge) for day in DAYS]
        outside = [moment for one in windows for moment in (one.opens - minute, one.closes + minute)]
        inside = [moment for one in windows for moment in (one.opens + minute, one.closes - minute)]
        times = pd.DatetimeIndex([*outside, *inside]).tz_localize("UTC")
        sun = Location(lat, lon).get_solarposition(times, method="nrel_numpy")["elevation"].to_numpy()
        assert (sun[: len(outside)] < limit_deg).all()
        assert (sun[len(outside) :] > limit_deg).all()


def test_minutes_widen_a_window_at_both_ends():
    sun, wider = (light_window(DAY, *ZURICH, "sunrise", minutes) for minutes in (0, 30))
    assert sun.opens - wider.opens == wider.closes - sun.closes == np.timedelta64(1800, "s")


def test_minutes_and_degrees_are_two_things():
    # Civil twilight lasts some 22 min on the equator at equinox and over an hour at 60 deg in June (C): 30 min of a
    # text is neither.
    def minutes(day, lon, lat):
        sun, civil = (light_window(day, lon, lat, edge) for edge in ("sunrise", "civil_twilight"))
        return (sun.opens - civil.opens) / np.timedelta64(60, "s")

    assert minutes(dt.date(2027, 3, 20), 0.0, 0.0) < 23
    assert minutes(dt.date(2027, 6, 21), 0.0, 60.0) > 60


@pytest.mark.parametrize(
    ("day", "edge", "always"),
    [
        (dt.date(2027, 6, 21), "sunrise", True),
        (dt.date(2027, 12, 21), "sunrise", False),
        (dt.date(2027, 12, 21), "civil_twilight", False),
        (dt.date(2027, 6, 21), "civil_twilight", True),
    ],
)
def test_days_without_opening(day, edge, always):
    window = light_window(day, 20.0, 78.0, edge)
    assert np.isnat(window.opens)
    assert window.always == always
    flown = np.array([[f"{day}T10:00", f"{day}T10:30"]], dtype="datetime64[s]")
    [one] = sorties_in_light(flown, 20.0, 78.0, edge)
    assert one.outside_min == (0 if always else 30)


def test_white_nights_have_light_all_day_though_the_sun_sets():
    day = dt.date(2027, 6, 21)
    assert light_window(day, 25.0, 63.0, "civil_twilight").always
    assert not np.isnat(light_window(day, 25.0, 63.0, "sunrise").opens)


def test_each_sortie_has_its_own_time_outside():
    window = light_window(DAY, *ZURICH, "sunrise")
    minute = np.timedelta64(60, "s")
    ends = [
        (window.opens - 10 * minute, window.opens + 5 * minute),
        (window.opens, window.closes),
        (window.closes - 3 * minute, window.closes + 12 * minute),
        (window.closes + 20 * minute, window.closes + 45 * minute),
    ]
    found = sorties_in_light(np.array(ends), *ZURICH, "sunrise")
    assert [one.number for one in found] == [1, 2, 3, 4]
    assert [one.outside_min for one in found] == pytest.approx([10, 0, 12, 25])


def test_the_day_of_a_sortie_is_that_of_the_place():
    # Wellington, 174.8 E: 20:30 UTC on the 11th is the morning of the 12th there.
    flown = np.array([["2027-04-11T20:30", "2027-04-11T20:50"]], dtype="datetime64[s]")
    [one] = sorties_in_light(flown, 174.8, -41.3, "sunrise")
    assert one.outside_min == 0
    assert one.window.opens < flown[0, 0] < one.window.closes
