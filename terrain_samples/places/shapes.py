"""What the places are drawn with: the cells of a raster, fractal ground, distances, and heights as files hold them."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import shapely
from affine import Affine
from rasterio.features import geometry_mask

Array = npt.NDArray[np.float64]
HEIGHT_STEP_M = 1 / 64


@dataclass(frozen=True)
class Lattice:
    """Cell centres of a north-up raster.

    Attributes
    ----------
    crs : str
        Projected CRS in metres.
    west_m, north_m : float
        Outer edges of the north-west cell [m].
    rows, cols : int
        Number of cells.
    cell_m : float
        Side of a cell [m].
    """

    crs: str
    west_m: float
    north_m: float
    rows: int
    cols: int
    cell_m: float = 1.0

    @property
    def transform(self) -> Affine:
        """Link from column and row to east and north."""
        return Affine(self.cell_m, 0.0, self.west_m, 0.0, -self.cell_m, self.north_m)

    def centres_m(self) -> tuple[Array, Array]:
        """Return east and north of every cell centre [m], two arrays of shape (rows, cols)."""
        east = self.west_m + (np.arange(self.cols) + 0.5) * self.cell_m
        north = self.north_m - (np.arange(self.rows) + 0.5) * self.cell_m
        return tuple(np.meshgrid(east, north))

    def index(self, east: float, north: float) -> tuple[int, int]:
        """Return row and column of the cell that holds a point."""
        return int((self.north_m - north) // self.cell_m), int((east - self.west_m) // self.cell_m)


class Raster(NamedTuple):
    """One file of heights."""

    lattice: Lattice
    title: str  # one line for people
    heights_m: npt.NDArray[np.float32]


class Outlines(NamedTuple):
    """One file of polygons, lines or points, drawn in a projected CRS, each with its fields."""

    crs: str
    parts: list[tuple[dict[str, str | float], shapely.Geometry]]


def fractal(shape: tuple[int, int], longest_m: float, slope: float, rng: np.random.Generator) -> Array:
    """Return spectral fractal ground: mean 0, standard deviation 1, power growing as wavelength to `slope`.

    Waves longer than `longest_m` are damped. Opposite edges match, as with any Fourier sum; nobody sees both at once.
    """
    rows, cols = shape
    noise = np.fft.rfft2(rng.standard_normal((rows, cols)))
    wavenumber = np.hypot(np.fft.fftfreq(rows)[:, None], np.fft.rfftfreq(cols)[None, :])
    field = np.fft.irfft2(noise * (wavenumber**2 + longest_m**-2.0) ** (-slope / 4), s=(rows, cols))
    return np.asarray((field - field.mean()) / field.std())


def smoothstep(x: Array) -> Array:
    """Return 0 below 0, 1 above 1 and a smooth rise between."""
    x = np.clip(x, 0.0, 1.0)
    return x * x * (3 - 2 * x)


def distance_m(geometry: shapely.Geometry, lattice: Lattice, reach_m: float) -> Array:
    """Return the distance of every cell to a geometry [m], shape (rows, cols): 0 inside it, inf beyond `reach_m`."""
    shape, transform = (lattice.rows, lattice.cols), lattice.transform
    beyond = geometry_mask([geometry.buffer(reach_m)], shape, transform)
    out = np.where(beyond, np.inf, 0.0)
    core = geometry.buffer(-2.0)
    edge = ~beyond if core.is_empty else ~beyond & geometry_mask([core], shape, transform)
    east, north = lattice.centres_m()
    out[edge] = shapely.distance(geometry, shapely.points(east[edge], north[edge]))
    return out


def wobble(angle: Array, size_m: float, rng: np.random.Generator) -> Array:
    """Return a smooth closed irregularity [m] of about `size_m` over `angle` [rad]."""
    waves = np.arange(2, 9)
    phase = rng.uniform(0, 2 * np.pi, waves.size)
    return np.asarray((size_m * 2 / waves * np.sin(waves * angle[:, None] + phase)).sum(axis=1))


def stored(heights_m: Array, step_m: float = HEIGHT_STEP_M) -> npt.NDArray[np.float32]:
    """Return heights as the files hold them: float32 in whole steps of a binary fraction of a metre."""
    return (np.round(heights_m / step_m) * step_m).astype(np.float32)


def cover_parts(parts: dict[str, list[shapely.Polygon]]) -> list[tuple[dict[str, str | float], shapely.Geometry]]:
    """Return cover polygons by class as the parts of a file: what comes later lies on top."""
    return [({"cover": kind}, part) for kind, polygons in parts.items() for part in polygons]
