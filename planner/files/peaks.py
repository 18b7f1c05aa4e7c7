"""What stands out of a raster above the lattice that was sampled from it: rims of roofs, crests, single high pixels.

Lives here: a lattice raised over the middles of pixels. Must not know missions, or what the surface is for.
"""

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
from rasterio.windows import Window

from planner.files.terrainfiles import METRES_PER_UNIT, TerrainFile, inspect_terrain, opened
from planner.ground.geodesy import Frame
from planner.ground.surface import HeightGrid

Array = npt.NDArray[np.float64]

BEND_M = 0.05
"""Pixels that their neighbours bend away from by less are not looked at: they stand out by less than that."""
BLOCK_PIXELS = 1_000_000  # looked at in one go


def over_peaks(source: str, frame: Frame, grid: HeightGrid, unit: str | None = None) -> HeightGrid:
    """Return a lattice raised as little as keeps the middle of every pixel on it or below; the same where none is over.

    A lattice is sampled between pixels, so that the rim of a roof is cut by part of its height.

    Parameters
    ----------
    source : str
        Path or http(s) URL of the raster that the lattice was sampled from.
    frame : Frame
        The local frame.
    grid : HeightGrid
        The lattice.
    unit : {"metre", "foot", "us_survey_foot"} or None
        Declared unit of the raster's heights.
    """
    terrain = inspect_terrain(source, unit)
    west, north = grid.west_m, grid.north_m
    rim = np.linspace(0.0, 1.0, 33)
    east_of, north_of = west + rim * (grid.east_m - west), north + rim * (grid.south_m - north)
    cols, rows = (
        np.concatenate(ends)
        for ends in zip(
            *(terrain.pixels(frame, east_of, np.full(33, at)) for at in (grid.south_m, north)),
            *(terrain.pixels(frame, np.full(33, at), north_of) for at in (west, grid.east_m)),
            strict=True,
        )
    )
    left, right = max(int(np.floor(cols.min())), 0), min(int(np.ceil(cols.max())), terrain.width)
    top, bottom = max(int(np.floor(rows.min())), 0), min(int(np.ceil(rows.max())), terrain.height)
    raised = np.zeros(grid.heights_m.shape)
    step = max(1, BLOCK_PIXELS // max(right - left, 1))
    with opened(source) as raster:
        for first in range(top, bottom, step):
            _raise(raised, grid, frame, terrain, raster, (left, right), (first, min(first + step, bottom)))
    return replace(grid, heights_m=grid.heights_m + raised) if raised.any() else grid


def _raise(
    raised: Array,
    grid: HeightGrid,
    frame: Frame,
    terrain: TerrainFile,
    raster: Any,
    cols: tuple[int, int],
    rows: tuple[int, int],
) -> None:
    """Raise the corners of each square by what the middles of a block of pixels stand above it."""
    first_row, last_row = max(rows[0] - 1, 0), min(rows[1] + 1, terrain.height)
    window = Window(cols[0], first_row, cols[1] - cols[0], last_row - first_row)
    pixels = raster.read(1, window=window).astype(np.float64) * raster.scales[0] + raster.offsets[0]
    pixels[(raster.read_masks(1, window=window) == 0) | ~np.isfinite(pixels)] = np.nan
    pixels *= METRES_PER_UNIT[terrain.unit]
    row, col = np.nonzero(_bent(pixels))
    east, north = terrain.places(frame, cols[0] + col + 0.5, first_row + row + 0.5)
    over = pixels[row, col] - grid.at(east, north)
    out = over > 0
    at_col = ((east[out] - grid.west_m) // grid.spacing_m).astype(np.int64)
    at_row = ((grid.north_m - north[out]) // grid.spacing_m).astype(np.int64)
    last = raised.shape[0] - 2, raised.shape[1] - 2
    at_row, at_col = np.clip(at_row, 0, last[0]), np.clip(at_col, 0, last[1])
    for down, right in ((0, 0), (0, 1), (1, 0), (1, 1)):
        np.maximum.at(raised, (at_row + down, at_col + right), over[out])


def _bent(pixels: Array) -> npt.NDArray[np.bool_]:
    """Return which pixels stand above the line between two opposite neighbours by more than counts, shape as given."""
    around = np.pad(pixels, 1, mode="reflect", reflect_type="odd")  # a slope goes on past the rim
    rows, cols = pixels.shape
    bent = np.zeros(pixels.shape, dtype=bool)
    for down, right in ((0, 1), (1, 0), (1, 1), (1, -1)):
        one = around[1 + down : 1 + down + rows, 1 + right : 1 + right + cols]
        other = around[1 - down : 1 - down + rows, 1 - right : 1 - right + cols]
        bent |= ~(2 * pixels - one - other <= 2 * BEND_M)
    return bent & ~np.isnan(pixels)
