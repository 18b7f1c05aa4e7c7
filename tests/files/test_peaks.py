"""Pixels that stand out above the lattice sampled from their raster."""

import numpy as np
import pyproj
import rasterio
from made_site import UTM, write_area, write_mission, write_raster

from planner.files.geofiles import read_scene
from planner.files.missionfile import read_mission
from planner.files.peaks import BEND_M
from planner.ground.clearance import nearest_of_scene, upper_surface


def roofed(pixels):
    """Put a roof of 7 m and a single pole of 12 m on a level field."""
    pixels[:] = 500.0
    pixels[80:95, 90:110] = 507.0
    pixels[60, 60] = 512.0


def scene_of(folder, edit):
    write_area(folder)
    write_raster(folder, edit=edit)
    return read_scene(read_mission(write_mission(folder)))


def pixels_of(scene, folder):
    """Return the middles of all pixels in the local frame, and their heights [m], shape (n, 3)."""
    with rasterio.open(folder / "ground.tif") as raster:
        rows, cols = np.indices(raster.shape)
        x, y = raster.transform @ (cols.ravel() + 0.5, rows.ravel() + 0.5)
        heights = raster.read(1).ravel().astype(float)
    lon, lat = pyproj.Transformer.from_crs(UTM, 4326, always_xy=True).transform(x, y)
    return np.column_stack([*scene.frame.from_lonlat(lon, lat), heights])


def test_no_pixel_stands_out_of_the_surface_that_clearance_is_kept_to(tmp_path):
    scene = scene_of(tmp_path, roofed)
    east, north, up = pixels_of(scene, tmp_path).T
    sampled, kept_to = scene.top.at(east, north), upper_surface(scene).at(east, north)
    inside = np.isfinite(sampled)
    assert (up - sampled)[inside].max() > 0.5, "the lattice cuts rims, or this test shows nothing"
    assert (up - kept_to)[inside].max() <= BEND_M
    far = inside & (up == 500) & (sampled == 500)
    assert np.mean(kept_to[far] == 500) > 0.98
    assert (kept_to[inside] >= sampled[inside]).all()


def test_a_path_over_a_pole_of_one_pixel_is_held_to_its_top(tmp_path):
    scene = scene_of(tmp_path, roofed)
    east, north, up = max(pixels_of(scene, tmp_path).tolist(), key=lambda one: one[2])
    found = nearest_of_scene(scene, np.array([[east, north, up + 30.0]]), 0.0)
    assert found.distance_m[0] <= 30.0 + 1e-6


def test_a_slope_is_left_as_it_is(tmp_path):
    def tilted(pixels):
        rows, cols = np.indices(pixels.shape)
        pixels[:] = 500 + 0.6 * cols - 0.4 * rows

    assert scene_of(tmp_path, tilted).upper is None
