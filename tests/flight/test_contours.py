from dataclasses import replace

import numpy as np
import pytest
import shapely
from flat_jobs import a_mission, a_scene

from planner.flight.headings import contours_rad
from planner.flight.settings import choose_flight
from planner.mission import FlightChoice

AREA = shapely.box(-280, -180, 280, 180)


def heading_deg(height, area=AREA):
    return np.degrees(contours_rad(a_scene(height).ground, area))


@pytest.mark.parametrize("strike_deg", [0.0, 17.0, 90.0, 145.0])
def test_contours_of_a_plane_run_along_its_strike(strike_deg):
    strike = np.radians(strike_deg)
    rise = 0.15 * np.array([np.cos(strike), -np.sin(strike)])  # square to the strike (C)
    found = heading_deg(lambda east, north: rise[0] * east + rise[1] * north)
    assert (found - strike_deg + 90) % 180 - 90 == pytest.approx(0, abs=1e-6)
    assert 0 <= found < 180


def test_contours_lie_where_the_mean_square_slope_is_least():
    def hills(east, north):
        return 12 * np.sin(east / 60 + north / 90) + 4 * np.cos(east / 45) + 0.05 * north

    ground = a_scene(hills).ground
    found = contours_rad(ground, AREA)
    east, north = (values.ravel() for values in np.meshgrid(np.arange(-279, 280, 2.0), np.arange(-179, 180, 2.0)))

    def mean_square(heading):
        step = 0.4 * np.array([np.sin(heading), np.cos(heading)])
        rise = ground.at(east + step[0], north + step[1]) - ground.at(east - step[0], north - step[1])
        return float(np.mean((rise / 0.8) ** 2))

    least = mean_square(found)
    assert all(least <= mean_square(found + turn) for turn in np.radians([-60, -20, -4, 4, 20, 60, 90]))


def test_a_valley_is_flown_along():
    assert heading_deg(lambda east, north: 0.7 * np.abs(north - 0.2 * east)) == pytest.approx(
        90 - np.degrees(np.arctan(0.2)), abs=0.5
    )


@pytest.mark.parametrize(
    "height",
    [
        lambda east, north: 0 * east,
        lambda east, north: 0.01 * east + 0 * north,
        lambda east, north: 0.3 * np.hypot(east, north),
    ],
)
def test_flat_ground_and_a_round_hill_have_no_contours_to_lead(height):
    assert contours_rad(a_scene(height).ground, shapely.Point(0, 0).buffer(180)) is None


def test_unknown_ground_and_ground_beyond_the_area_do_not_count():
    ground = a_scene(lambda east, north: 0.1 * north + np.where(east > 200, 3 * (east - 200), 0.0)).ground
    west = shapely.box(-280, -180, 198, 180)
    assert contours_rad(ground, west) == pytest.approx(np.pi / 2)
    known = ground.known & (ground.west_m + ground.spacing_m * np.arange(ground.known.shape[1]) <= 200)
    assert contours_rad(replace(ground, known=known), AREA) == pytest.approx(np.pi / 2)
    assert contours_rad(replace(ground, known=ground.known & False), AREA) is None


def test_where_no_contours_lead_the_long_side_is_flown_and_that_is_said():
    settings, _ = choose_flight(a_mission(flight=FlightChoice(heading_along="contours")), a_scene(), 1.0)
    assert settings.heading_deg % 180 == pytest.approx(90, abs=0.05)
    assert settings.bound_by["heading_deg"] == (
        "long side of the flown area: its ground is flat or slopes as much whichever way, so that no contours lead"
    )
