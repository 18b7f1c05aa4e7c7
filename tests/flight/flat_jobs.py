"""Small invented jobs that the tests of flight share."""

import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely
from made_site import NAVIGATION

from planner.aircraft import Aircraft
from planner.equipment import RangeRating, Sensor
from planner.ground.geodesy import site_frame
from planner.ground.surface import HeightGrid, Scene
from planner.mission import FlightChoice, Limits, Mission, Site, Terrain
from planner.requirement import Requirement

FRAME = site_frame(-7.4, 62.0)
SENSOR = Sensor(
    name="B",
    wavelength_nm=905,
    pattern="oscillating_linear",
    line_rates_hz=(100.0,),
    optical_fov_deg=80,
    usable_fov_deg=80,
    divergence_mrad=1.6,
    divergence_width="1/e2",
    min_range_m=3,
    range_noise_m=0.015,
    ratings=(RangeRating(pulse_rate_hz=300e3, range_m=150, reflectance=0.15),),
)
SLOWER_RATE = RangeRating(pulse_rate_hz=150e3, range_m=212, reflectance=0.15)
HEXACOPTER = Aircraft(
    name="hexacopter", min_speed_mps=2, max_speed_mps=10, climb_mps=4, descent_mps=2.5, endurance_s=1500
)
WING = replace(HEXACOPTER, name="wing", kind="fixed_wing", min_speed_mps=12, max_speed_mps=20, max_bank_deg=20)


def a_mission(
    sensor=SENSOR,
    aircraft=HEXACOPTER,
    limits=None,
    vertical_sd_m=0.3,
    flight=None,
    sidelap_min=0.2,
    density_per_m2=200.0,
):
    return Mission(
        name="a job",
        date=dt.date(2027, 4, 12),
        file=Path("job.toml"),
        site=Site(area="area.geojson"),
        terrain=Terrain(ground="ground.tif", heights="orthometric", vertical_sd_m=vertical_sd_m),
        sensor=sensor,
        navigation=NAVIGATION,
        aircraft=aircraft,
        requirement=Requirement(density_per_m2=density_per_m2, sidelap_min=sidelap_min),
        limits=limits or Limits(),
        flight=flight or FlightChoice(),
    )


def a_grid(heights):
    heights = np.asarray(heights, dtype=np.float64)
    rows, cols = heights.shape
    return HeightGrid(heights, np.ones(heights.shape, bool), -(cols - 1.0), rows - 1.0, 2.0)


def a_scene(height=lambda east, north: 0 * east, area=None, buffer_m=0.0, top=None):
    """Return a scene of 1.2 km by 1 km on a 2 m lattice; the area is 600 m by 400 m unless given."""
    east, north = np.meshgrid(np.arange(-600, 601, 2.0), np.arange(500, -501, -2.0))
    ground = a_grid(height(east, north) + 0.0)
    area = shapely.box(-300, -200, 300, 200) if area is None else area
    area = shapely.MultiPolygon([area]) if area.geom_type == "Polygon" else area
    planned = area.buffer(buffer_m, join_style="mitre") if buffer_m else area
    planned = shapely.MultiPolygon([planned]) if planned.geom_type == "Polygon" else planned
    above = ground if top is None else a_grid(top(east, north))
    return Scene(FRAME, area, planned, ground, above, True, "orthometric", None)
