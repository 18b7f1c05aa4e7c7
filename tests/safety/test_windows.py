"""The windows of a day: spans and their laws, a valley that hides the sky, water that comes and goes, and the words."""

import datetime as dt
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.files.almanacs import read_almanac
from planner.ground.horizon import horizon_from
from planner.ground.satellites import Horizon, Lookout
from planner.ground.surface import HeightGrid
from planner.ground.tides import Tide
from planner.safety.windowcautions import Job, day_windows
from planner.safety.windows import (
    SkyWatch,
    Span,
    common_spans,
    day_at,
    holding_span,
    satellite_spans,
    sunlit,
    tide_spans,
    watch_sky,
)
from planner.window import Window

DATE = dt.date(2007, 12, 3)
LON, LAT = 9.3, 47.2
ALMANAC = read_almanac(Path(__file__).parents[1] / "references" / "yuma_week_431.txt", DATE)
DAY = day_at(DATE, LON)
SECOND = np.timedelta64(1, "s")
OPEN = Lookout(LON, LAT, 500.0)


def at(clock):
    return np.datetime64(f"2007-12-03T{clock}:00", "s")


def span(begins, ends):
    return Span(at(begins), at(ends))


def job(*sorties):
    parts = tuple(span(*sortie) for sortie in sorties)
    return Job(parts, float((parts[-1].ends - parts[0].begins) / SECOND))


def valley(side_deg=35.0):
    """Return a lookout on the floor of a valley that runs north, its sides of one slope."""
    axis = np.arange(-150, 151.0)
    heights = np.tile(np.abs(axis) * np.tan(np.radians(side_deg)), (301, 1))
    grid = HeightGrid(heights, np.ones(heights.shape, dtype=bool), -150.0, 150.0, 1.0)
    return Lookout(LON, LAT, 500.0, horizon_from(grid, np.array([0.0, 0.0, 2.0])))


def tide(*rows):
    return Tide(np.array([at(clock) for clock, _ in rows]), np.array([level for _, level in rows]), True, "chart datum")


TIDE = tide(("00:10", 4.8), ("06:20", 0.6), ("12:30", 5.0), ("18:45", 0.4))


def test_a_day_is_that_of_the_sun_at_its_longitude():
    # C: 15 deg an hour, 4 min a degree; 9.3 deg east is 37 min ahead of UTC
    assert Span(at("00:00") - 37 * 60 * SECOND, at("00:00") + (86400 - 37 * 60) * SECOND) == DAY
    assert DAY.lasts_s == 86400
    west = day_at(DATE, -120.0)
    assert west.begins == np.datetime64("2007-12-03T08:00:00")


def test_light_is_from_sunrise_to_sunset():
    light = sunlit(DATE, LON, LAT)
    assert DAY.holds(light)
    assert 8.3 * 3600 < light.lasts_s < 8.8 * 3600  # early December at 47 deg north
    assert sunlit(dt.date(2007, 12, 21), 20.0, 75.0) is None


def test_a_valley_raises_dilution_and_narrows_the_windows():
    free, deep = watch_sky(ALMANAC, DAY, [OPEN], 10.0), watch_sky(ALMANAC, DAY, [valley()], 10.0)
    assert (deep.pdop >= free.pdop * (1 - 1e-9)).all()
    assert (deep.satellites <= free.satellites).all()
    assert np.median(deep.pdop) > 1.5 * np.median(free.pdop)
    wide, narrow = (satellite_spans(watch, 6, 3.0) for watch in (free, deep))
    assert sum(part.lasts_s for part in narrow) < 0.5 * sum(part.lasts_s for part in wide)
    assert all(any(outer.holds(inner) for outer in wide) for inner in narrow)


def test_several_places_are_all_served():
    free, deep = watch_sky(ALMANAC, DAY, [OPEN], 10.0), watch_sky(ALMANAC, DAY, [valley()], 10.0)
    both = watch_sky(ALMANAC, DAY, [OPEN, valley()], 10.0)
    assert (both.pdop == np.maximum(free.pdop, deep.pdop)).all()
    assert (both.satellites == np.minimum(free.satellites, deep.satellites)).all()


def test_spans_go_from_the_first_to_the_last_good_look():
    utc = at("10:00") + np.arange(7) * 60 * SECOND
    watch = SkyWatch(utc, np.array([6, 6, 5, 6, 6, 6, 6]), np.array([2.0, 2.9, 2.0, 3.1, 3.0, 2.0, np.inf]))
    assert satellite_spans(watch, 6, 3.0) == (span("10:00", "10:01"), span("10:04", "10:05"))
    assert satellite_spans(watch, 7, 3.0) == ()


edges = st.lists(st.integers(0, 86400), unique=True, max_size=12).map(sorted)


def spans_of(seconds):
    pairs = zip(seconds[::2], seconds[1::2], strict=False)
    return tuple(Span(DAY.begins + first * SECOND, DAY.begins + last * SECOND) for first, last in pairs)


def are_spans(spans):
    return all(part.begins < part.ends for part in spans) and all(
        one.ends < other.begins for one, other in pairwise(spans)
    )


@given(one=edges, other=edges, third=edges)
@settings(deadline=None)
def test_intersection_commutes_and_keeps_spans_apart(one, other, third):
    one, other, third = spans_of(one), spans_of(other), spans_of(third)
    both = common_spans(one, other)
    assert both == common_spans(other, one)
    assert common_spans(both, third) == common_spans(one, common_spans(other, third))
    assert common_spans(one, one) == one
    assert common_spans(one, [DAY]) == one
    assert are_spans(both)
    assert all(any(part.holds(inner) for part in one) and any(part.holds(inner) for part in other) for inner in both)


@given(levels=st.lists(st.floats(0.2, 2.0), min_size=4, max_size=6), most=st.floats(-2, 2))
@settings(deadline=None)
def test_water_is_at_its_limit_at_the_edges(levels, most):
    # high and low waters in turn, 6 h apart, at the levels drawn above and below 0
    utc = DAY.begins + (np.arange(len(levels)) - 1) * 6 * 3600 * SECOND
    water = Tide(utc, np.array(levels) * np.where(np.arange(len(levels)) % 2, -1, 1), True)
    spans = tide_spans(water, DAY, None, most)
    assert are_spans(spans)
    assert all(DAY.holds(part) for part in spans)
    for part in spans:
        assert water.at(part.begins) <= most + 1e-9
        assert water.at(part.ends) <= most + 1e-9
        for edge in (part.begins, part.ends):
            # to 1 mm: at most 4 m in 6 h, which is 0.3 mm a second
            inner = edge not in (DAY.begins, DAY.ends, utc[0], utc[-1])
            assert not inner or abs(float(water.at(edge)) - most) < 1e-3


def test_a_job_is_put_where_it_fits_whole():
    windows = (span("06:10", "07:00"), span("09:00", "12:00"))
    assert holding_span(windows, at("05:00"), 2400) == span("06:10", "06:50")
    assert holding_span(windows, at("06:15"), 2400) == span("06:15", "06:55")
    assert holding_span(windows, at("06:30"), 2400) == span("09:00", "09:40")
    assert holding_span(windows, at("06:30"), 10800) == span("09:00", "12:00")
    assert holding_span(windows, at("13:00"), 2400) == span("06:10", "06:50")  # too late that day: earlier
    assert holding_span(windows, at("05:00"), 10801) is None
    assert holding_span((), at("05:00"), 60) is None
    assert holding_span((Span(at("06:10") + SECOND, at("07:00")),), at("05:00"), 60) == span("06:11", "06:12")


LIMITS = Window(almanac="sky.alm", tide="tide.csv", tide_most_m=1.0, mask_deg=10.0)


def told(work, lookout=OPEN, water=TIDE, limits=LIMITS, **more):
    found = day_windows(limits, DAY, work, almanac=ALMANAC, lookouts=[lookout], tide=water, **more)
    return {caution.caution_id: caution for caution in found.cautions}, found


def test_sorties_inside_all_windows_are_within():
    cautions, found = told(job(("05:40", "06:00"), ("06:10", "06:30")))
    assert [caution.status for caution in cautions.values()] == ["within"] * 3
    assert found.common == common_spans(found.satellites, found.tide)
    assert cautions["satellites"].measured == pytest.approx(
        found.watch.pdop[(found.watch.utc >= at("05:40")) & (found.watch.utc <= at("06:30"))].max(), abs=0.2
    )
    assert cautions["satellites"].limit == 3.0
    assert "All sorties lie inside" in cautions["windows"].text
    # C: the level is highest at the ends of the job; at 05:40 it is 40 min before low water
    assert cautions["tide"].measured == pytest.approx(0.6 + 4.2 * (1 - np.cos(np.pi * 40 / 370)) / 2)
    assert (cautions["tide"].limit, cautions["tide"].unit) == (1.0, "m above chart datum")


def test_sorties_outside_are_named_and_the_next_window_too():
    cautions, found = told(job(("06:10", "06:30"), ("08:00", "08:20"), ("08:30", "08:50")))
    assert cautions["tide"].status == "over"
    assert "Outside: sortie 2, 3 of 3." in cautions["tide"].text
    assert cautions["windows"].status == "over"
    assert "NO WINDOW holds the whole job of 160 min" in cautions["windows"].text
    short, found = told(job(("08:00", "08:20")))
    fits = holding_span(found.common, at("08:00"), 1200)
    assert any(part.holds(fits) for part in found.common)
    assert f"The whole job of 20 min fits from 2007-12-03 {str(fits.begins)[11:16]}" in short["windows"].text


def test_without_a_start_the_windows_are_told():
    cautions, _ = told(Job((), 1200.0))
    assert [caution.status for caution in cautions.values()] == ["cannot tell"] * 3
    assert "No start is given" in cautions["satellites"].text
    assert cautions["satellites"].measured is None
    assert "The whole job of 20 min fits from" in cautions["windows"].text


def test_no_window_is_said_loudly():
    walled = Lookout(LON, LAT, 500.0, Horizon(np.full(360, np.radians(70.0)), np.full(360, 500.0)))
    cautions, found = told(job(("05:40", "06:00")), lookout=walled)
    assert found.satellites == found.common == ()
    assert cautions["satellites"].status == cautions["windows"].status == "over"
    assert "NO WINDOW from 2007-12-02 23:23 to 2007-12-03 23:23 UTC" in cautions["satellites"].text
    assert "no position at times" in cautions["satellites"].text
    assert cautions["satellites"].measured is None
    assert "NO WINDOW holds the whole job of 20 min" in cautions["windows"].text


def test_what_no_table_covers_cannot_be_told():
    part = tide(("00:10", 4.8), ("06:20", 0.6))
    cautions, _ = told(job(("05:40", "06:00"), ("06:10", "06:30")), water=part)
    assert cautions["tide"].status == cautions["windows"].status == "cannot tell"
    assert "The table covers 2007-12-03 00:10 to 06:20 UTC" in cautions["tide"].text
    old = Tide(TIDE.utc - np.timedelta64(9 * 86400, "s"), TIDE.level_m, True)
    cautions, _ = told(job(("05:40", "06:00")), water=old)
    assert cautions["tide"].status == "cannot tell"
    assert "covers no part of the day" in cautions["tide"].text
    assert "a datum that the table does not name" in cautions["tide"].text
    late, _ = told(job(("23:10", "23:40")))
    assert late["satellites"].status == "cannot tell"
    assert "Not on the day looked at: sortie 1." in late["satellites"].text


def test_the_level_is_held_against_the_limit_it_breaks():
    limits = Window(tide="tide.csv", tide_least_m=1.0, tide_most_m=3.0)
    low, high = (
        day_windows(limits, DAY, job((clock, ends)), tide=TIDE).cautions[0]
        for clock, ends in (("06:10", "06:30"), ("12:20", "12:40"))
    )
    assert (low.measured, low.limit, low.status) == (0.6, 1.0, "over")
    assert (high.measured, high.limit, high.status) == (5.0, 3.0, "over")
    assert "Water at least 1 m and at most 3 m above chart datum" in low.text


def test_daylight_narrows_what_is_proposed():
    light = sunlit(DATE, LON, LAT)
    cautions, found = told(job(("05:40", "06:00")), daylight=light)
    assert cautions["satellites"].status == cautions["tide"].status == "within"
    assert cautions["windows"].status == "over"  # before sunrise
    assert "in daylight" in cautions["windows"].text
    assert all(light.holds(part) for part in found.common)


def test_what_is_not_asked_for_is_not_looked_at():
    assert day_windows(Window(), DAY, job(("05:40", "06:00"))) is None
    alone = day_windows(LIMITS, DAY, job(("05:40", "06:00")), almanac=ALMANAC, lookouts=[OPEN])
    assert alone.tide is None
    assert [caution.caution_id for caution in alone.cautions] == ["satellites", "windows"]
    assert alone.common == alone.satellites
