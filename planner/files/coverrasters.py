"""Cover rasters in: class codes, and reflectance, at the squares of the height lattice.

Lives here: which pixel a square takes, and what such rasters may hold. Must not know classes or missions.
"""

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.errors import Fault, InputError
from planner.files.terrainfiles import BLOCK_VERTICES, inspect_terrain, opened
from planner.ground.geodesy import Frame
from planner.ground.surface import HeightGrid

Array = npt.NDArray[np.float64]
Values = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

MOST_PERCENT = 100.0
LEAST_PERCENT = 1.5
"""A largest reflectance above this is no share with a little noise on it: it is a percentage."""
ROUNDING = 1e-6


def read_codes(source: str, frame: Frame, lattice: HeightGrid) -> tuple[npt.NDArray[np.int32], Mask]:
    """Return the class code of each lattice square, and which squares have one.

    A square takes the pixel that its centre lies in, in whatever CRS the raster is.

    Parameters
    ----------
    source : str
        Path or http(s) URL of a raster with one band.
    frame, lattice : Frame, HeightGrid
        The local frame, and the lattice whose squares ask.

    Returns
    -------
    codes, known : ndarray, shape (rows - 1, cols - 1)
        Code, 0 where not known; False past the raster and where it has no data.

    Raises
    ------
    InputError
        E10, E16, E45 as `inspect_terrain`; E18 several bands, or numbers that are not whole.
    """
    values, known = _nearest(source, frame, lattice)
    broken = values[values != np.rint(values)]
    if broken.size:
        what = f"holds {broken[0]:g}: class codes are whole numbers"
        raise _fault("E18", what, source, "name a raster of classes, or name this one as cover.reflectance")
    return values.astype(np.int32), known


def read_reflectance(source: str, frame: Frame, lattice: HeightGrid) -> tuple[npt.NDArray[np.int16], Mask]:
    """Return the reflectance of each lattice square in thousandths, and which squares have one.

    Rounded to two significant digits and to whole thousandths, which leaves at most 191 levels. Else as `read_codes`.

    Raises
    ------
    InputError
        E10, E16, E45 as `inspect_terrain`; E18 several bands; E33 values outside 0-1.
    """
    values, known = _nearest(source, frame, lattice)
    least, most = values.min(initial=0.0), values.max(initial=0.0)
    if least < -ROUNDING or most > 1 + ROUNDING:
        held = values[known]
        what = f"reflectance from {held.min():.4g} to {held.max():.4g}; it is a share, 0-1"
        fix = "write shares, and mark the value for no data in the file"
        if least >= 0 and LEAST_PERCENT < most <= MOST_PERCENT:
            what += "; this looks like percent"
            fix = "divide by 100, or state a scale of 0.01 in the file"
        raise _fault("E33", what, source, fix)
    thousandths = np.where(values < 0.0995, np.rint(values * 1000), np.rint(values * 100) * 10)
    return np.clip(thousandths, 0, 1000).astype(np.int16), known


def _fault(code: str, what: str, where: str, fix: str) -> InputError:
    return InputError(Fault(code, f"{Path(where).name} {what}" if code == "E18" else what, where, fix))


def _nearest(source: str, frame: Frame, lattice: HeightGrid) -> tuple[Values, Mask]:
    """Return value and knowledge at the centres of the squares; 0 where unknown."""
    terrain = inspect_terrain(source, "metre")  # whatever unit the file states is none of a height
    rows, cols = (n - 1 for n in lattice.heights_m.shape)
    east = lattice.west_m + (np.arange(cols) + 0.5) * lattice.spacing_m
    north = lattice.north_m - (np.arange(rows) + 0.5) * lattice.spacing_m
    values, known = np.zeros((rows, cols), dtype=np.float32), np.zeros((rows, cols), dtype=np.bool_)
    step = max(1, BLOCK_VERTICES // cols)
    with opened(source) as raster:
        if raster.count != 1:
            what = f"has {raster.count} bands: a raster of cover has one"
            raise _fault("E18", what, source, "save the band that is meant as a file of its own")
        for first in range(0, rows, step):
            here = slice(first, first + step)
            col, row = terrain.pixels(frame, *np.meshgrid(east, north[here]))
            values[here], known[here] = _picked(raster, col, row)
    return values, known


def _picked(raster: Any, col: Array, row: Array) -> tuple[Array, Mask]:
    """Return value and knowledge of the pixels that raster positions (0 at the outer corner) lie in, same shape."""
    inside = (col >= 0) & (col < raster.width) & (row >= 0) & (row < raster.height)
    if not inside.any():
        return np.zeros(col.shape), inside
    across, down = (np.where(inside, place, place[inside].min()).astype(int) for place in (col, row))
    window = (down.min(), down.max() + 1), (across.min(), across.max() + 1)
    pixels = raster.read(1, window=window).astype(np.float64) * raster.scales[0] + raster.offsets[0]
    valid = (raster.read_masks(1, window=window) > 0) & np.isfinite(pixels)
    at = down - window[0][0], across - window[1][0]
    known = inside & valid[at]
    return np.where(known, pixels[at], 0.0), known
