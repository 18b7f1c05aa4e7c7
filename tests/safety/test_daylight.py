"""The day's light against the clock of a flight."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from pvlib.location import Location

from planner.ground.sun import sun_day
from planner.safety.daylight import daylight_caution

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
