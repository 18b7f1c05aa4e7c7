"""Frames, geodesic measures and geoid interpolation against outside numbers."""

import numpy as np
import pyproj
import pytest
import shapely
from geographiclib.geodesic import Geodesic

from planner.ground.geodesy import WGS84, Frame, Geoid, geodesic_area_m2, geodesic_length_m, site_frame

LATITUDES = [0.0, 10.0, 30.0, 45.0, 60.0, 70.0, 80.0, -35.0, -80.0]


def outside_area_m2(lon, lat):
    polygon = Geodesic.WGS84.Polygon()
    for x, y in zip(lon, lat, strict=True):
        polygon.AddPoint(y, x)
    return abs(polygon.Compute()[2])


@pytest.mark.parametrize("latitude", LATITUDES)
def test_plane_area_of_the_site_frame_is_geodesic_within_a_hundredth_of_a_percent(latitude):
    frame = site_frame(11.3, latitude)
    polygon = shapely.Polygon([(-2500, -1800), (2400, -2000), (2600, 1900), (100, 2500), (-2300, 1700)])
    fine = shapely.segmentize(polygon, 250.0)
    outside = outside_area_m2(*frame.to_lonlat(*shapely.get_coordinates(fine)[:-1].T))
    assert polygon.area == pytest.approx(outside, rel=1e-4)
    assert geodesic_area_m2(frame, fine) == pytest.approx(outside, rel=1e-9)


def test_area_of_a_polygon_with_a_hole_leaves_the_hole_out():
    frame = site_frame(-3.0, 52.0)
    whole, hole = shapely.box(-500, -500, 500, 500), shapely.box(-100, -100, 100, 100)
    pierced = shapely.MultiPolygon([shapely.difference(whole, hole)])
    assert geodesic_area_m2(frame, pierced) == pytest.approx(1e6 - 4e4, rel=1e-6)


def test_area_does_not_depend_on_the_direction_of_rings():
    frame = site_frame(-3.0, 52.0)
    ring = shapely.box(0, 0, 300, 200)
    assert geodesic_area_m2(frame, ring.reverse()) == pytest.approx(geodesic_area_m2(frame, ring), rel=1e-12)


@pytest.mark.parametrize(
    ("start", "end", "length_m", "azimuth_deg"),
    [
        ((-41.32, 174.81), (40.96, -5.50), 19959679.267, 161.06766999),  # geographiclib docs (R, C)
        ((40.6, -73.8), (51.6, -0.5), 5551759.400319, 51.19888284557983),  # R + C
        ((45.0, 7.0), (45.01, 7.0), 1111.318751, 0.0),  # C
        ((45.0, 7.0), (45.0, 7.01), 788.468350, 89.99646447),  # C
        ((0.0, 0.0), (0.0, 1.0), 111319.490793, 90.0),  # C
    ],
)
def test_geodesic_inverse_table(start, end, length_m, azimuth_deg):
    azimuth, _, length = WGS84.inv(start[1], start[0], end[1], end[0])
    assert length == pytest.approx(length_m, abs=1e-3)
    assert azimuth == pytest.approx(azimuth_deg, abs=1e-7)


@pytest.mark.parametrize(
    ("start", "azimuth_deg", "length_m", "end"),
    [
        ((-32.06, 115.74), 225.0, 20e6, (32.11195529, -63.95925278)),  # geographiclib docs (R, C)
        ((40.6, -73.8), 51.0, 5.5e6, (51.88456450560676, -1.141172861200829)),  # R + C
    ],
)
def test_geodesic_direct_table(start, azimuth_deg, length_m, end):
    lon, lat, _ = WGS84.fwd(start[1], start[0], azimuth_deg, length_m)
    assert (lat, lon) == pytest.approx(end, abs=1e-8)


def test_small_polygon_of_the_table():
    frame = site_frame(7.005, 45.005)
    lon, lat = np.array([7, 7.01, 7.01, 7, 7]), np.array([45, 45, 45.01, 45.01, 45])
    east, north = frame.from_lonlat(lon, lat)
    area = geodesic_area_m2(frame, shapely.Polygon(np.column_stack([east, north])))
    assert area == pytest.approx(876163.448033, abs=1e-3)  # geographiclib 2.1 (C)
    assert geodesic_length_m(frame, east, north) == pytest.approx(3799.437040, abs=1e-4)  # C


def test_polygon_round_the_south_pole():
    lats = [-63.1, -72.9, -71.9, -74.9, -74.3, -77.5, -77.4, -71.7, -65.9, -65.7, -66.6, -66.9, -69.8, -70.0, -71.0]
    lons = [-58, -74, -102, -102, -131, -163, 163, 172, 140, 113, 88, 59, 25, -4, -14]
    lats, lons = [*lats, -77.3, -77.9, -74.7], [*lons, -33, -46, -61]
    area, perimeter = WGS84.polygon_area_perimeter(lons, lats)
    assert perimeter == pytest.approx(16831067.893, abs=1.0)  # geographiclib documentation, Antarctica example (R + C)
    assert abs(area) == pytest.approx(13662703680020.1, rel=1e-9)


@pytest.mark.parametrize("latitude", LATITUDES)
def test_frame_there_and_back(latitude):
    frame = site_frame(179.0, latitude)
    east, north = np.array([[-4000.0, 0.0], [12.5, 4000.0]]), np.array([[3000.0, 0.0], [-0.25, -3000.0]])
    back = frame.from_lonlat(*frame.to_lonlat(east, north))
    np.testing.assert_allclose(back, (east, north), atol=1e-6)


def test_origin_only_moves_the_numbers():
    crs = pyproj.CRS.from_epsg(32632)
    near, far = Frame(crs, 500_000.0, 5_000_000.0), Frame(crs)
    east, north = near.from_lonlat(9.01, 45.2)
    np.testing.assert_allclose(far.from_lonlat(9.01, 45.2), (east + 500_000, north + 5_000_000), atol=1e-6)


@pytest.mark.parametrize("latitude", [60.0, -33.0, 5.0])
def test_grid_heading_is_true_heading_less_convergence(latitude):
    frame = Frame(pyproj.CRS.from_epsg(32632 if latitude > 0 else 32732))
    lon, true_deg = 11.2, 30.0
    ahead = Geodesic.WGS84.Direct(latitude, lon, true_deg, 50.0)
    (east, east_2), (north, north_2) = frame.from_lonlat([lon, ahead["lon2"]], [latitude, ahead["lat2"]])
    grid_deg = np.degrees(np.arctan2(east_2 - east, north_2 - north))
    turned_deg = np.degrees(frame.convergence_rad(east, north))
    assert abs(turned_deg) > 0.1
    assert grid_deg == pytest.approx(true_deg - turned_deg, abs=1e-3)


def small_geoid():
    return Geoid(
        "plane", np.array([[10.0, 20.0, 30.0], [12.0, 22.0, 32.0]]), west_deg=5.0, north_deg=50.0, step_deg=0.5
    )


def test_geoid_is_bilinear_between_its_nodes():
    lon, lat = np.array([5.0, 5.5, 6.0, 5.25, 5.9]), np.array([50.0, 49.5, 50.0, 49.75, 49.6])
    np.testing.assert_allclose(small_geoid().at(lon, lat), 10 + 20 * (lon - 5) + 4 * (50 - lat))


@pytest.mark.parametrize("place", [(4.9, 49.8), (5.5, 50.1), (5.5, 49.4)])
def test_geoid_knows_nothing_outside_its_grid(place):
    assert np.isnan(small_geoid().at(*place))


def test_geoid_knows_nothing_east_of_its_grid():
    assert np.isnan(small_geoid().at(6.4, 49.8))


def test_geoid_closes_round_the_globe():
    separation = np.tile(np.cos(np.radians(np.arange(-180.0, 180.0, 10.0))), (3, 1))
    geoid = Geoid("ring", separation, west_deg=-180.0, north_deg=10.0, step_deg=10.0)
    across = geoid.at([175.0, -185.0, 535.0], [0.0, 0.0, 0.0])
    np.testing.assert_allclose(across, (np.cos(np.radians(170)) - 1) / 2)
