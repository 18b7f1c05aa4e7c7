"""What lies beneath a flight: heights to fall from on slopes, and a mission's paths as ground risk takes them."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from made_site import write_site

from planner.files.cards import load_aircraft
from planner.files.missionfile import read_mission
from planner.flight.flightlines import FlightLine
from planner.ground.geodesy import site_frame
from planner.ground.surface import HeightGrid, Scene
from planner.ground.surroundings import GroundPlace
from planner.safety.falls import widths_m
from planner.survey.beneath import fall_of, falling_heights_m, ground_risk_of


def hill(rise=0.0, bearing_rad=0.0):
    """Return ground that falls toward a bearing by so much per metre."""
    east, north = np.meshgrid(np.arange(-600.0, 601, 4), np.arange(600.0, -601, -4))
    z = 500 - rise * (east * math.sin(bearing_rad) + north * math.cos(bearing_rad))
    return HeightGrid(z, np.ones(z.shape, bool), -600.0, 600.0, 4.0)


def line(north_m=300.0, up_m=560.0):
    points = np.array([[0.0, -north_m, up_m], [0.0, north_m, up_m]])
    return FlightLine("L01", points, (0.0, 2 * north_m), 8.0, 200e3, 100.0, 0.6)


@pytest.mark.parametrize("rise", [0.0, 0.1, 0.3, 0.6])
@pytest.mark.parametrize("bearing_deg", [0, 90, 247.5])
def test_a_fall_down_an_even_slope_goes_as_far_as_plane_geometry_says(rise, bearing_deg):
    # 1:1 down from a height h meets ground that falls by t per metre at h / (1 - t) [C]
    places = np.array([[0.0, 0.0, 560.0], [20.0, -40.0, 590.0]])
    ground = hill(rise, math.radians(bearing_deg))
    heights = places[:, 2] - ground.at(places[:, 0], places[:, 1])
    assert falling_heights_m(ground, places) == pytest.approx(heights / (1 - rise), rel=1e-6)


def test_a_pit_beside_the_path_counts_as_far_as_a_fall_reaches_it():
    east, _ = np.meshgrid(np.arange(-600.0, 601, 4), np.arange(600.0, -601, -4))
    pit = HeightGrid(np.where(east > 40, 460.0, 500.0), np.ones(east.shape, bool), -600.0, 600.0, 4.0)
    # 60 m over the rim, 100 m over the floor, which 1:1 reaches 100 m away
    assert falling_heights_m(pit, np.array([[0.0, 0.0, 560.0]])) == pytest.approx([100.0], rel=0.01)
    # a pit farther away than the fall goes changes nothing
    assert falling_heights_m(pit, np.array([[-80.0, 0.0, 560.0]])) == pytest.approx([60.0])


def test_unknown_ground_beneath_stays_unknown_and_beside_adds_nothing():
    flat = hill()
    known = flat.known.copy()
    known[:, 160:] = False  # from east 40
    holed = HeightGrid(flat.heights_m, known, flat.west_m, flat.north_m, flat.spacing_m)
    found = falling_heights_m(holed, np.array([[0.0, 0.0, 560.0], [100.0, 0.0, 560.0], [0.0, 0.0, 499.0]]))
    assert found[0] == pytest.approx(60.0)
    assert np.isnan(found[1])
    assert found[2] == 0


def test_lines_without_sorties_have_a_buffer_too(tmp_path):
    mission, ground = read_mission(write_site(tmp_path)), hill()
    area = shapely.MultiPolygon([shapely.box(-50, -250, 50, 250)])
    scene = Scene(site_frame(9.3, 47.2), area, area, ground, ground, True, "orthometric", None)
    lane = GroundPlace("lane", shapely.LineString([(-200, 100), (200, 100)]), 2.0)
    risk = ground_risk_of(mission, scene, [line()], (), {"roads": [lane]})
    assert risk is not None
    assert risk.widest_m == pytest.approx(60.0)
    beside_m = fall_of(mission).beside_m
    assert beside_m >= 1
    plain = shapely.LineString([(0, -300), (0, 300)]).buffer(60 + beside_m, quad_segs=64)
    assert risk.buffer_area_m2 == pytest.approx(plain.area, rel=5e-3)
    [crossing] = risk.crossings
    [once] = crossing.passes
    # 400 m from its begin at 8 m/s [C]
    assert (once.flown, (once.from_s + once.to_s) / 2) == ("line L01", pytest.approx(50.0, abs=0.01))
    # 50 m of line at each end lie outside the area
    assert risk.overshoot_area_m2 == pytest.approx(2 * (50 * 2 * beside_m + math.pi * beside_m**2 / 2), rel=0.01)
    assert ground_risk_of(mission, scene, (), (), {}) is None


def test_wings_glide_as_far_as_their_card_says_and_rotors_never(tmp_path):
    wing, rotor = load_aircraft("fixed_wing", Path()), load_aircraft("hexacopter", Path())
    fall = fall_of(replace(read_mission(write_site(tmp_path)), aircraft=wing))
    # C: 12 to 1 from 50 m is 600 m in still air, by far wider than 1:1 or thrown
    assert widths_m(fall, np.array([50.0]), np.array([15.0])) == pytest.approx(600.0 * (1 + fall.wind_mps / 14.0))
    assert "glides at 12:1" in fall.words
    with pytest.raises(ValueError, match="a multirotor does not glide"):
        replace(rotor, glide_ratio=10.0)
