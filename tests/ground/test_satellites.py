"""Satellites in the sky, held to another library's numbers, to closed forms of orbits and geometries, and to laws."""

import datetime as dt
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.files.almanacs import read_almanac
from planner.ground.satellites import (
    EARTH_RATE_RAD_S,
    GRAVITATION_M3_PER_S2,
    LEAP_S,
    WEEK_S,
    Almanac,
    Horizon,
    Lookout,
    Sky,
    dilution,
    eccentric_anomaly,
    gps_seconds,
    in_view,
    place_m,
    positions_m,
    sky_over,
    utc_of,
)

REFERENCES = Path(__file__).parents[1] / "references"
ALMANAC = read_almanac(REFERENCES / "yuma_week_431.txt", dt.date(2007, 12, 3))
ZURICH = Lookout(8.5417, 47.3769, 500.0)
SIDEREAL_DAY_S = 2 * np.pi / EARTH_RATE_RAD_S


def table(name):
    return np.loadtxt(REFERENCES / name, delimiter=",")


def utc(week, seconds):
    """Return UTC at which our clock shows a GPS time."""
    start = np.datetime64("1980-01-06T00:00:00", "ms")
    return start + np.asarray(np.round((week * WEEK_S + seconds - LEAP_S) * 1000), "timedelta64[ms]")


def circular(axis_m, count=1, inclination_deg=55.0):
    """Return satellites spread evenly along one circular orbit whose node stands still in space."""
    zero = np.zeros(count)
    spread = np.arange(count) / count * 2 * np.pi
    week, number = np.full(count, 2465), np.arange(1, count + 1)
    return Almanac(
        number, week, zero, zero, zero + np.radians(inclination_deg), zero, zero + axis_m, zero + 0.3, zero, spread
    )


def of_angles(elevation_deg, azimuth_deg):
    """Return a sky of one time."""
    return Sky(np.radians([elevation_deg]), np.radians([azimuth_deg]))


def test_positions_are_those_of_an_independent_library():
    # RTKLIB alm2pos (R2), four times up to 18 days after the almanac; its Kepler solver stops at 1e-14
    numbers = {number: column for column, number in enumerate(ALMANAC.number.tolist())}
    for week, seconds, number, *position in table("almanac_positions.csv"):
        ours = positions_m(ALMANAC, [utc(week, seconds)])[0, numbers[int(number)]]
        assert np.abs(ours - position).max() < 1e-3, (week, seconds, number)


def test_sky_is_that_of_an_independent_library():
    # RTKLIB satazel (R2)
    numbers = {number: column for column, number in enumerate(ALMANAC.number.tolist())}
    for week, seconds, lon, lat, height, number, azimuth_deg, elevation_deg in table("almanac_sky.csv"):
        sky = sky_over(positions_m(ALMANAC, [utc(week, seconds)]), Lookout(lon, lat, height))
        column = numbers[int(number)]
        assert np.degrees(sky.azimuth_rad[0, column]) == pytest.approx(azimuth_deg, abs=1e-6)
        assert np.degrees(sky.elevation_rad[0, column]) == pytest.approx(elevation_deg, abs=1e-6)


def test_dilutions_are_those_of_an_independent_library():
    # RTKLIB dops (R2): GDOP, PDOP, HDOP, VDOP
    for week, seconds, lon, lat, height, mask_deg, count, *dops in table("almanac_dops.csv"):
        sky = sky_over(positions_m(ALMANAC, [utc(week, seconds)]), Lookout(lon, lat, height))
        used = in_view(sky, np.radians(mask_deg))
        found = dilution(sky, used)
        assert used.sum() == count
        ours = [found.geometric[0], found.position[0], found.horizontal[0], found.vertical[0]]
        assert ours == pytest.approx(dops, abs=2e-6)


def test_a_circular_orbit_of_half_a_sidereal_day_comes_back_over_the_same_place():
    # Kepler's third law (C): this axis has a period of half a sidereal day, 11 h 58 min 2 s
    axis_m = (GRAVITATION_M3_PER_S2 / (2 * EARTH_RATE_RAD_S) ** 2) ** (1 / 3)
    assert abs(SIDEREAL_DAY_S / 2 - (11 * 3600 + 58 * 60 + 2)) < 0.1
    seconds = np.arange(0, 40000, 1234.0)
    orbit = circular(axis_m)
    first, half, whole = (
        positions_m(orbit, utc(2465, seconds + later)) for later in (0.0, SIDEREAL_DAY_S / 2, SIDEREAL_DAY_S)
    )
    assert np.abs(np.linalg.norm(first, axis=-1) - axis_m).max() < 1e-6 * axis_m
    assert np.abs(whole - first).max() < 5.0  # a millisecond of the clock is 4 m of the orbit
    # half a day later the same point of the orbit stands over the other side of the earth
    assert np.abs(half * [-1, -1, 1] - first).max() < 5.0


def test_no_satellite_goes_farther_from_the_equator_than_its_plane():
    orbit = circular(2.656e7, count=24, inclination_deg=55.0)
    position = positions_m(orbit, utc(2465, np.arange(0, 43200, 60.0)))
    latitude_deg = np.degrees(np.arcsin(position[..., 2] / np.linalg.norm(position, axis=-1)))
    assert latitude_deg.max() == pytest.approx(55.0, abs=0.01)
    assert latitude_deg.min() == pytest.approx(-55.0, abs=0.01)


@given(mean=st.floats(-20, 20), e=st.floats(0, 0.3))
@settings(deadline=None)
def test_eccentric_anomaly_solves_keplers_equation(mean, e):
    found = float(eccentric_anomaly(mean, e))
    assert found - e * np.sin(found) == pytest.approx(mean, abs=1e-12)


def test_orbits_are_ellipses_about_the_earth():
    one = replace(
        circular(2.656e7), eccentricity=np.array([0.02]), perigee_rad=np.array([1.0]), anomaly_rad=np.array([0.0])
    )
    radius = np.linalg.norm(positions_m(one, utc(2465, np.array([0.0, SIDEREAL_DAY_S / 4])))[:, 0], axis=-1)
    assert radius[0] == pytest.approx(2.656e7 * 0.98, rel=1e-9)  # at perigee, a (1 - e)
    assert radius[1] == pytest.approx(2.656e7 * 1.02, rel=1e-5)  # half a period later, a (1 + e)


def test_gps_time_is_eighteen_seconds_ahead():
    # IERS Bulletin C (R2): 18 s since 2017-01-01; week 2238 began on 27 November 2022 (M)
    assert gps_seconds(np.datetime64("2022-11-27T00:00:00")) == 2238 * WEEK_S + 18
    assert utc_of(2238 * WEEK_S + 18) == np.datetime64("2022-11-27T00:00:00")


@pytest.mark.parametrize(("lon", "lat", "height"), [(8.5, 47.4, 500.0), (-70.9, -53.2, 20.0), (0.0, 90.0, 0.0)])
def test_a_place_is_where_proj_puts_it(lon, lat, height):
    # PROJ, EPSG:4979 to EPSG:4978 (R2)
    theirs = pyproj.Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True).transform(lon, lat, height)
    assert place_m(lon, lat, height) == pytest.approx(theirs, abs=1e-6)


def test_a_satellite_straight_above_stands_at_the_zenith():
    up = np.array([np.cos(np.radians(47.3769)) * np.cos(np.radians(8.5417)), 0, 0])
    up[1] = np.cos(np.radians(47.3769)) * np.sin(np.radians(8.5417))
    up[2] = np.sin(np.radians(47.3769))
    above = place_m(8.5417, 47.3769, 500.0) + 2e7 * up
    sky = sky_over(above[np.newaxis, np.newaxis], ZURICH)
    assert np.degrees(sky.elevation_rad[0, 0]) == pytest.approx(90.0, abs=1e-5)


@pytest.mark.parametrize("count", [3, 4, 5, 8])
def test_one_at_the_zenith_and_a_ring_at_the_horizon(count):
    # C: with n at the horizon in a ring and one above, G'G splits: east and north n/2 each; up and clock
    # [[1, 1], [1, n + 1]], whose inverse is [[n + 1, -1], [-1, 1]] / n
    sky = of_angles([90.0] + [0.0] * count, [0.0, *(np.arange(count) * 360 / count)])
    found = dilution(sky, np.ones((1, count + 1), dtype=bool))
    assert found.horizontal[0] == pytest.approx(np.sqrt(4 / count))
    assert found.vertical[0] == pytest.approx(np.sqrt((count + 1) / count))
    assert found.time[0] == pytest.approx(np.sqrt(1 / count))
    assert found.position[0] == pytest.approx(np.sqrt((count + 5) / count))
    assert found.geometric[0] == pytest.approx(np.sqrt((count + 6) / count))


def test_the_best_four_stand_at_the_corners_of_a_tetrahedron():
    # C: unit vectors u with sum 0 and sum u u' = 4/3 I: PDOP = 3/2, TDOP = 1/2, GDOP = sqrt(10)/2
    low = -np.degrees(np.arcsin(1 / 3))
    found = dilution(of_angles([90.0, low, low, low], [0.0, 0.0, 120.0, 240.0]), np.ones((1, 4), dtype=bool))
    assert found.position[0] == pytest.approx(1.5)
    assert found.time[0] == pytest.approx(0.5)
    assert found.geometric[0] == pytest.approx(np.sqrt(10) / 2)


@pytest.mark.parametrize(
    ("elevation_deg", "azimuth_deg"),
    [
        ([30.0, 40.0, 50.0], [0.0, 120.0, 240.0]),  # three
        ([45.0] * 6, [0.0, 60.0, 120.0, 180.0, 240.0, 300.0]),  # a cone: height and clock cannot be told apart
    ],
)
def test_what_fixes_no_place_has_no_dilution(elevation_deg, azimuth_deg):
    found = dilution(of_angles(elevation_deg, azimuth_deg), np.ones((1, len(elevation_deg)), dtype=bool))
    assert np.isinf(found.position[0])
    assert np.isinf(found.geometric[0])


angles = st.lists(
    st.tuples(st.floats(5, 90), st.floats(0, 360, exclude_max=True)),
    min_size=5,
    max_size=12,
    unique_by=lambda at: at[1],
)


@given(at=angles)
@settings(deadline=None)
def test_another_satellite_never_makes_it_worse(at):
    sky = of_angles(*zip(*at, strict=True))
    used = np.ones((1, len(at)), dtype=bool)
    fewer = used.copy()
    fewer[0, -1] = False
    more, less = dilution(sky, used), dilution(sky, fewer)
    for name in ("geometric", "position", "horizontal", "vertical", "time"):
        with_it, without = getattr(more, name)[0], getattr(less, name)[0]
        assert with_it <= without * (1 + 1e-4) or np.isinf(without)


def test_a_higher_mask_never_lowers_the_dilution():
    times = np.datetime64("2007-12-03T00:00:00") + np.arange(0, 86400, 600).astype("timedelta64[s]")
    sky = sky_over(positions_m(ALMANAC, times), ZURICH)
    pdops = [dilution(sky, in_view(sky, np.radians(mask))).position for mask in (0, 5, 10, 15, 20, 30, 40)]
    for low, high in pairwise(pdops):
        assert (high >= low * (1 - 1e-9)).all()
    assert np.isfinite(pdops[2]).all()
    assert np.isinf(pdops[-1]).any()


def test_a_horizon_counts_where_it_is_above_the_mask():
    # hills of 30 deg in the north half, none in the south
    azimuth = np.arange(360)
    north = (azimuth <= 90) | (azimuth >= 270)
    horizon = Horizon(np.radians(np.where(north, 30.0, -5.0)), np.full(360, 500.0))
    sky = of_angles([20.0, 40.0, 20.0, 5.0], [10.0, 350.0, 180.0, 170.0])
    assert in_view(sky, np.radians(10.0), horizon).tolist() == [[False, True, True, False]]
    assert in_view(sky, np.radians(10.0)).tolist() == [[True, True, True, False]]
