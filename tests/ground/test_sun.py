"""The sun, against the published algorithm it shortens and against the whole of that algorithm.

SPA: Reda and Andreas, Solar Energy 76(5):577-589 (2004), NREL/TP-560-34302 rev. 2008; its example is table A5.1, read
in test files of public libraries (R2). pvlib holds an independent implementation of the whole of it.
"""

import datetime as dt

import numpy as np
import pytest
from pvlib import spa

from planner.ground.sun import CIVIL_DEG, RISEN_DEG, refraction_deg, standard_air, sun_day, sun_position

EXAMPLE_UTC = np.datetime64("2003-10-17T19:30:30")
EXAMPLE_LON, EXAMPLE_LAT, EXAMPLE_HEIGHT_M = -105.1786, 39.742476, 1830.14


def seconds(times):
    return times.astype("datetime64[s]").astype(np.float64)


def lead_s(utc):
    """Return terrestrial less universal time [s] as pvlib estimates it."""
    months = utc.astype("datetime64[M]").astype(int)
    return spa.calculate_deltat(1970 + months // 12, months % 12 + 1)


def whole_algorithm(utc, lon, lat):
    """Return apparent and true elevation and azimuth [deg] by the whole of SPA, at sea level."""
    pressure, temperature = standard_air(0.0)
    found = spa.solar_position_numpy(
        seconds(utc), lat, lon, 0.0, float(pressure), float(temperature), lead_s(utc), 0.5667, 1
    )
    return found[2], found[3], found[4]


def test_the_published_example():
    sun = sun_position(EXAMPLE_UTC, EXAMPLE_LON, EXAMPLE_LAT, EXAMPLE_HEIGHT_M)
    assert 90 - sun.elevation_deg == pytest.approx(50.127954, abs=0.001)  # C: pvlib 0.16.1, inputs of table A5.1
    assert sun.azimuth_deg == pytest.approx(194.340241, abs=0.001)  # R2
    assert sun.distance_au == pytest.approx(0.996542, abs=2e-5)  # C: pvlib 0.16.1
    # R2: the example's own pressure and temperature
    zenith = 90 - sun.elevation_deg - refraction_deg(sun.elevation_deg, 820.0, 11.0)
    assert zenith == pytest.approx(50.111622, abs=0.001)
    assert 90 - sun.apparent_elevation_deg == pytest.approx(50.111622, abs=0.001)


def test_the_published_example_on_a_tilted_plane():
    # R2: incidence 25.187 deg on a plane tilted 30 deg that faces 10 deg east of south, refracted sun
    sun = sun_position(EXAMPLE_UTC, EXAMPLE_LON, EXAMPLE_LAT, EXAMPLE_HEIGHT_M)
    up, tilt, turn = np.radians([sun.apparent_elevation_deg, 30.0, sun.azimuth_deg - 170.0])
    cos_incidence = np.sin(up) * np.cos(tilt) + np.cos(up) * np.sin(tilt) * np.cos(turn)
    assert np.degrees(np.arccos(cos_incidence)) == pytest.approx(25.187, abs=0.002)


# C: pvlib 0.16.1 SPA at its own 1013.25 hPa and 12 C, refraction a hundredth stronger than at 15 C
@pytest.mark.parametrize(
    ("lat", "lon", "utc", "elevation", "apparent", "azimuth"),
    [
        (51.4779, 0, "2024-03-20T12:00", 38.6435, 38.6645, 177.6603),
        (0, 0, "2024-06-20T12:00", 66.5576, 66.5649, 0.9834),
        (47.3769, 8.5417, "2024-06-21T11:30", 66.0548, 66.0623, 181.2715),
        (32.2, -111, "2014-06-10T18:00", 69.4157, 69.4220, 111.1742),
    ],
)
def test_known_places(lat, lon, utc, elevation, apparent, azimuth):
    sun = sun_position(np.datetime64(utc), lon, lat)
    assert sun.elevation_deg == pytest.approx(elevation, abs=0.001)
    assert sun.apparent_elevation_deg == pytest.approx(apparent, abs=0.001)
    assert sun.azimuth_deg == pytest.approx(azimuth, abs=0.004)  # near the zenith an azimuth degree is a short way


def test_a_century_of_times_and_places_everywhere():
    random = np.random.default_rng(4)
    many = 5000
    utc = np.datetime64("1950-01-01", "s") + random.integers(0, 101 * 365 * 86_400, many)
    lon, lat = random.uniform(-180, 180, many), random.uniform(-90, 90, many)
    sun = sun_position(utc, lon, lat)
    apparent, elevation, azimuth = whole_algorithm(utc, lon, lat)
    np.testing.assert_allclose(sun.elevation_deg, elevation, atol=0.002)
    np.testing.assert_allclose(sun.apparent_elevation_deg, apparent, atol=0.002)
    turn = np.mod(sun.azimuth_deg - azimuth + 180, 360) - 180
    np.testing.assert_allclose(turn * np.cos(np.radians(elevation)), 0, atol=0.002)


def test_shapes_broadcast_and_unknown_times_stay_unknown():
    utc = np.array(["2024-06-21T11:30", "NaT"], dtype="datetime64[s]")
    sun = sun_position(utc[:, None], [8.5417, 0.0, -111.0], 47.3769)
    assert sun.azimuth_deg.shape == sun.distance_au.shape == (2, 3)
    assert np.isnan(sun.elevation_deg[1]).all()
    assert np.isfinite(sun.elevation_deg[0]).all()
    assert sun_position(dt.datetime(2024, 6, 21, 11, 30), 8.5417, 47.3769).elevation_deg == sun.elevation_deg[0, 0]


def test_height_thins_the_air_and_nothing_else():
    low, high = (sun_position(EXAMPLE_UTC, EXAMPLE_LON, EXAMPLE_LAT, height) for height in (0.0, 5500.0))
    assert low.elevation_deg == high.elevation_deg
    lift = (high.apparent_elevation_deg - high.elevation_deg) / (low.apparent_elevation_deg - low.elevation_deg)
    # ISA table at 5500 m: 505.1 hPa, -20.75 C (from memory)
    assert lift == pytest.approx(505.1 / 1013.25 * 288.0 / 252.25, rel=1e-3)


def test_no_refraction_lifts_a_sun_that_has_set():
    assert refraction_deg([-0.9, -6.0, -90.0], 1013.25, 15.0) == pytest.approx(0.0)
    assert refraction_deg(0.0, 1010.0, 10.0) == pytest.approx(29 / 60, abs=0.01)  # Saemundsson at the horizon: 28.98'


def test_the_day_of_the_published_example():
    # R2: 6.212067 h, 11.768 h local (UTC-7)
    day = sun_day("2003-10-17", EXAMPLE_LON, EXAMPLE_LAT)
    local_h = {name: seconds(getattr(day, name)) / 3600 % 24 - 7 for name in ("sunrise", "noon")}
    assert local_h["sunrise"] == pytest.approx(6.212067, abs=10 / 3600)
    assert local_h["noon"] == pytest.approx(11.768, abs=10 / 3600)
    # R2: the table has sunset at 17.3387 h, which is that of UTC date 17 October, 00:20, the evening of the 16th there.
    # On the local 17th the sun sets at 17.314 h (R2, as another library lists it).
    sunset = {name: sun_day(name, EXAMPLE_LON, EXAMPLE_LAT).sunset for name in ("2003-10-16", "2003-10-17")}
    assert seconds(sunset["2003-10-16"]) / 3600 % 24 + 17 == pytest.approx(17.3387, abs=10 / 3600)
    assert seconds(sunset["2003-10-17"]) / 3600 % 24 + 17 == pytest.approx(17.314, abs=10 / 3600)


def random_days(many, widest_lat):
    random = np.random.default_rng(7)
    day = np.datetime64("1950-01-01") + random.integers(0, 36_890, many)
    return day, random.uniform(-180, 180, many), random.uniform(-widest_lat, widest_lat, many)


def test_rise_and_set_are_within_seconds_of_the_whole_algorithm():
    # Near Greenwich only: an event on another date in UTC than noon's is a day old in pvlib (see the example's sunset).
    day, lon, lat = random_days(60, 60)
    lon = lon / 6
    found = sun_day(day, lon, lat)
    theirs = [
        spa.transit_sunrise_sunset(seconds(day[i : i + 1]), lat[i], lon[i], lead_s(day[i : i + 1]), 1)
        for i in range(day.size)
    ]
    ours = np.column_stack([seconds(times) for times in (found.noon, found.sunrise, found.sunset)])
    np.testing.assert_allclose(ours, np.array(theirs)[:, :, 0], atol=5)


def test_events_stand_at_their_elevation_by_the_whole_algorithm():
    day, lon, lat = random_days(2000, 60)
    found = sun_day(day, lon, lat)
    wanted = {"dawn": CIVIL_DEG, "sunrise": RISEN_DEG, "sunset": RISEN_DEG, "dusk": CIVIL_DEG}
    for name, elevation in wanted.items():
        times = getattr(found, name)
        seen = ~np.isnat(times)
        assert seen.mean() > 0.9
        _, theirs, _ = whole_algorithm(times[seen], lon[seen], lat[seen])
        np.testing.assert_allclose(theirs, elevation, atol=0.006)


def test_the_day_is_that_of_the_place():
    # East of Greenwich the morning, and west of it the evening, may bear another date in UTC.
    for lon in (-179.0, 0.0, 179.0):
        found = sun_day("2024-03-20", lon, 40.0)
        local = [getattr(found, name) + np.timedelta64(round(lon * 240), "s") for name in ("sunrise", "noon", "sunset")]
        assert {str(when.astype("datetime64[D]")) for when in local} == {"2024-03-20"}


def test_events_come_in_order():
    day, lon, lat = random_days(500, 50)
    found = sun_day(day, lon, lat)
    order = np.array([seconds(getattr(found, name)) for name in ("dawn", "sunrise", "noon", "sunset", "dusk")])
    assert (np.diff(order, axis=0) > 0).all()
    assert (found.noon_elevation_deg > found.midnight_elevation_deg).all()


def test_polar_day_and_polar_night():
    up, down = sun_day("2024-06-21", 25.0, 70.0), sun_day("2024-12-21", 25.0, 70.0)
    for found in (up, down):
        assert np.isnat(found.sunrise)
        assert np.isnat(found.sunset)
        assert not np.isnat(found.noon)
    assert up.midnight_elevation_deg > RISEN_DEG  # 70 + 23.44 - 90 = 3.44 deg, whatever the hour
    assert up.midnight_elevation_deg == pytest.approx(3.44, abs=0.02)
    assert np.isnat(up.dawn)
    assert down.noon_elevation_deg < RISEN_DEG
    assert down.noon_elevation_deg == pytest.approx(-3.44, abs=0.02)
    assert not np.isnat(down.dawn)  # twilight at midday
    assert not np.isnat(down.dusk)


def test_unknown_days_have_no_events():
    found = sun_day(np.array(["2024-06-21", "NaT"], dtype="datetime64[D]"), 8.5, 47.4)
    assert np.isnat(found.noon).tolist() == [False, True]
    assert np.isnat(found.sunset).tolist() == [False, True]
