"""Small surfaces, and ray answers from outside our kernels, for the tests of this folder."""

import importlib.util
from pathlib import Path

import numpy as np
from matplotlib import cbook

from planner.ground.surface import HeightGrid


def grid_of(heights, spacing_m=1.0):
    """Return a fully known grid centred on the origin."""
    z = np.ascontiguousarray(heights, dtype=float)
    rows, cols = z.shape
    return HeightGrid(
        z, np.ones(z.shape, dtype=bool), -(cols - 1) / 2 * spacing_m, (rows - 1) / 2 * spacing_m, spacing_m
    )


def plane(size=301, east=0.0, north=0.0, spacing_m=1.0):
    """Return a tilted plane: rise per metre eastward and northward."""
    axis = (np.arange(size) - (size - 1) / 2) * spacing_m
    return grid_of(east * axis[None, :] - north * axis[:, None], spacing_m)


def rough(seed=1, size=301, relief_m=40.0, roof_m=12.0):
    """Return smooth hills with one flat-roofed block on them."""
    rng = np.random.default_rng(seed)
    z = np.cumsum(np.cumsum(rng.normal(0, 0.05, (size, size)), 0), 1)
    z = (z - z.min()) / np.ptp(z) * relief_m
    third = size // 3
    z[third : third + 40, third : third + 60] += roof_m
    return grid_of(z)


def jacksboro():
    """Return matplotlib's Jacksboro fault DEM as a plain grid of 90 m squares (real terrain, NASA SRTM)."""
    data = cbook.get_sample_data("jacksboro_fault_dem.npz")
    return grid_of(data["elevation"].astype(float), 90.0)


def lidar_dem():
    """Return part of the `lidar` package's 1 m DEM (real terrain, EPSG:26915), or None where it is not installed."""
    spec = importlib.util.find_spec("lidar")
    if spec is None or spec.origin is None:
        return None
    import rasterio

    with rasterio.open(Path(spec.origin).parent / "data" / "dem.tif") as source:
        z = source.read(1)[:400, :400]
    return grid_of(z) if np.isfinite(z).all() and z.min() > -100 else None


def triangles_of(grid):
    """Return the triangles of a grid as float64, shape (n, 3, 3): the same diagonal, built without our kernels."""
    z = grid.heights_m
    rows, cols = z.shape
    east = grid.west_m + np.arange(cols) * grid.spacing_m
    north = grid.north_m - np.arange(rows) * grid.spacing_m
    vertices = np.column_stack([np.tile(east, rows), np.repeat(north, cols), z.ravel()])
    number = np.arange(rows * cols).reshape(rows, cols)
    nw, ne, se, sw = (part.ravel() for part in (number[:-1, :-1], number[:-1, 1:], number[1:, 1:], number[1:, :-1]))
    return vertices[np.concatenate([np.column_stack([nw, ne, se]), np.column_stack([nw, sw, se])])]


def slow_range(triangles, origin, direction):
    """Return the range of one ray by trying every triangle (Moller and Trumbore 1997), nan for a miss."""
    edge1, edge2 = triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]
    p = np.cross(direction, edge2)
    det = (edge1 * p).sum(1)
    with np.errstate(divide="ignore", invalid="ignore"):
        s = origin - triangles[:, 0]
        u = (s * p).sum(1) / det
        q = np.cross(s, edge1)
        v = (q @ direction) / det
        t = (edge2 * q).sum(1) / det
        hit = (np.abs(det) > 1e-12) & (u >= -1e-9) & (v >= -1e-9) & (u + v <= 1 + 1e-9) & (t > 0)
    return t[hit].min() if hit.any() else np.nan


def embree_ranges(grid, origins, directions):
    """Return ranges by Embree (float32), nan for a miss."""
    from embreex import rtcore_scene
    from embreex.mesh_construction import TriangleMesh

    scene = rtcore_scene.EmbreeScene()
    mesh = TriangleMesh(scene, triangles_of(grid).astype(np.float32))
    out = scene.run(origins.astype(np.float32), directions.astype(np.float32), output=True)
    assert mesh is not None
    return np.where(out["primID"] >= 0, out["tfar"].astype(float), np.nan)
