"""A small invented site written as files, for tests that run the whole tool: a meadow with a knoll and a steep bank."""

import json

import numpy as np
import pyproj
import rasterio
import shapely
from affine import Affine

from planner.ground.geodesy import site_frame
from planner.navigation import Navigation

LON, LAT = 9.3, 47.2
FRAME = site_frame(LON, LAT)
UTM = "EPSG:32632"

NAVIGATION = Navigation(
    name="N",
    position_horizontal_sd_m=0.015,
    position_vertical_sd_m=0.025,
    roll_pitch_sd_deg=0.015,
    heading_sd_deg=0.035,
    boresight_sd_deg=(0.003, 0.003, 0.006),
    lever_arm_sd_m=(0.003, 0.003, 0.003),
    timing_sd_s=1e-5,
)

MISSION = {
    "name": "Meadow",
    "date": "2027-04-12",
    "site": {"area": "area.geojson", "buffer_m": 10},
    "terrain": {"ground": "ground.tif", "heights": "orthometric", "geoid": "egm96"},
    "sensor": {"card": "B"},
    "aircraft": {"card": "hexacopter"},
    "requirement": {"density_per_m2": 150},
    "flight": {"agl_m": 60, "speed_mps": 8, "following": "terrain"},
}


def box_deg(half_east_m=80.0, half_north_m=60.0):
    """Return corners of a box round the site, given by half its sides [m], as [longitude, latitude], ring closed."""
    ring = shapely.get_coordinates(shapely.box(-half_east_m, -half_north_m, half_east_m, half_north_m))
    return np.column_stack(FRAME.to_lonlat(*ring.T)).tolist()


def write_area(folder, ring=None, name="area.geojson"):
    """Write a ring as GeoJSON, as it is given: broken ones too."""
    polygon = {"type": "Polygon", "coordinates": [box_deg() if ring is None else ring]}
    feature = {"type": "Feature", "properties": {"name": "a"}, "geometry": polygon}
    (folder / name).write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}), encoding="utf-8")


def ground_m(east, north):
    """Return the height of the meadow [m]: a slope, a knoll of 8 m and a bank of 10 m, steep to the east."""
    knoll = 8 * np.exp(-((east + 30) ** 2 + north**2) / 400)
    return 500 + 0.03 * east + knoll + 10 * np.clip((east - 36) / 3, 0, 1)


def write_raster(folder, name="ground.tif", crs=UTM, cell_m=2.0, edit=None, **profile):
    """Write 400 m by 360 m of ground round the site; `edit` changes the pixels, `profile` what the file says."""
    middle = pyproj.Transformer.from_crs(4326, UTM, always_xy=True).transform(LON, LAT)
    cols, rows = int(400 / cell_m), int(360 / cell_m)
    east = (np.arange(cols) + 0.5) * cell_m - 200
    north = 180 - (np.arange(rows) + 0.5) * cell_m
    pixels = ground_m(*np.meshgrid(east, north)).astype(np.float32)
    if edit:
        edit(pixels)
    place = Affine(cell_m, 0, middle[0] - 200, 0, -cell_m, middle[1] + 180)
    said = {"driver": "GTiff", "count": 1, "dtype": "float32", "nodata": -9999, "crs": crs, "transform": place}
    with rasterio.open(folder / name, "w", width=cols, height=rows, **(said | profile)) as raster:
        raster.write(pixels, 1)


def mission_text(**changes):
    """Return the mission as TOML; `changes` update tables key by key, None removes a key."""
    tables = {name: dict(value) if isinstance(value, dict) else value for name, value in MISSION.items()}
    for name, change in changes.items():
        tables[name] = tables.get(name, {}) | change if isinstance(change, dict) else change
    lines = [f'name = "{tables["name"]}"', f"date = {tables['date']}"]
    for name, table in tables.items():
        if isinstance(table, dict):
            lines += ["", f"[{name}]"]
            lines += [f"{key} = {_toml(value)}" for key, value in table.items() if value is not None]
    return "\n".join(lines) + "\n"


def _toml(value):
    return str(value) if isinstance(value, float) else json.dumps(value)


def write_mission(folder, **changes):
    """Write the mission beside its files and return its path."""
    path = folder / "job.toml"
    path.write_text(mission_text(**changes), encoding="utf-8")
    return path


def write_site(folder, **changes):
    """Write area, raster and mission; return the mission's path."""
    write_area(folder)
    write_raster(folder)
    return write_mission(folder, **changes)
