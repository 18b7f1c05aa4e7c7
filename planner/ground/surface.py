"""Height grids and judging cells.

Lives here: the triangulated height grid every ray meets, and the cells that are judged. Must not know files.

The ground is a lattice of known heights, each square of four neighbours split along the diagonal from its
north-west to its south-east corner, so that every method sees the same surface.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import pyproj
import shapely

from planner.cover import Surface
from planner.ground.frames import FrameShift
from planner.ground.geodesy import Frame, Geoid
from planner.ground.obstacles import KeepOut, Obstacle, Sensitive
from planner.ground.satellites import Almanac
from planner.ground.sun import SolarSpectrum
from planner.ground.surroundings import AirspaceVolume, GroundPlace, Kind
from planner.ground.tides import Tide

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

GROUND_TOLERANCE_M = 0.3
"""Top surface within this of the bare earth is ground: grass and rasters' own noise, not a roof."""


@dataclass(frozen=True)
class HeightGrid:
    """Heights at the vertices of a square lattice.

    Attributes
    ----------
    heights_m : ndarray of float64, shape (rows, cols)
        Height of each vertex [m], row 0 north; unknown vertices hold a bridge from their neighbours, so that
        rays can cross a hole, and are marked in `known`.
    known : ndarray of bool, shape (rows, cols)
        False where the source has no data.
    west_m, north_m : float
        Local east of column 0 and local north of row 0 [m].
    spacing_m : float
        Distance between neighbouring vertices [m].
    """

    heights_m: Array
    known: Mask
    west_m: float
    north_m: float
    spacing_m: float

    @property
    def east_m(self) -> float:
        """Local east of the last column [m]."""
        return self.west_m + int(self.heights_m.shape[1] - 1) * self.spacing_m

    @property
    def south_m(self) -> float:
        """Local north of the last row [m]."""
        return self.north_m - int(self.heights_m.shape[0] - 1) * self.spacing_m

    def at(self, east: npt.ArrayLike, north: npt.ArrayLike) -> Array:
        """Return the height [m] of the triangulated surface at local points, any shape.

        nan outside the lattice and wherever a corner of the triangle is unknown.
        """
        rows, cols = self.heights_m.shape
        x = (np.asarray(east, dtype=np.float64) - self.west_m) / self.spacing_m
        y = (self.north_m - np.asarray(north, dtype=np.float64)) / self.spacing_m
        inside = (x >= 0) & (x <= cols - 1) & (y >= 0) & (y <= rows - 1)
        col = np.clip(np.nan_to_num(np.floor(x)).astype(int), 0, cols - 2)
        row = np.clip(np.nan_to_num(np.floor(y)).astype(int), 0, rows - 2)
        fx, fy = x - col, y - row
        upper = fx >= fy
        corner_row, corner_col = np.where(upper, row, row + 1), np.where(upper, col + 1, col)
        z, known = self.heights_m, self.known
        height = np.where(
            upper,
            z[row, col] * (1 - fx) + z[corner_row, corner_col] * (fx - fy) + z[row + 1, col + 1] * fy,
            z[row, col] * (1 - fy) + z[corner_row, corner_col] * (fy - fx) + z[row + 1, col + 1] * fx,
        )
        seen = inside & known[row, col] & known[corner_row, corner_col] & known[row + 1, col + 1]
        return np.asarray(np.where(seen, height, np.nan))


@dataclass(frozen=True)
class CellGrid:
    """Square judging cells, each made of `factor` by `factor` squares of the height lattice.

    Attributes
    ----------
    rows, cols : int
        Number of cells.
    west_m, north_m : float
        Outer west and north edge, local [m]; the edge runs through lattice vertices.
    factor : int
        Lattice squares along a cell side.
    cell_m : float
        Side of a cell [m].
    """

    rows: int
    cols: int
    west_m: float
    north_m: float
    factor: int
    cell_m: float

    def centres_m(self) -> tuple[Array, Array]:
        """Return local east, shape (cols,), and north, shape (rows,), of the cell centres [m]."""
        east = self.west_m + (np.arange(self.cols) + 0.5) * self.cell_m
        north = self.north_m - (np.arange(self.rows) + 0.5) * self.cell_m
        return np.asarray(east, dtype=np.float64), np.asarray(north, dtype=np.float64)

    def inside(self, geometry: shapely.Geometry) -> Mask:
        """Return which cell centres lie inside a geometry in local coordinates, shape (rows, cols)."""
        east, north = self.centres_m()
        shapely.prepare(geometry)
        return np.asarray(shapely.contains_xy(geometry, *np.meshgrid(east, north)))


def cells_on(grid: HeightGrid, wanted_m: float) -> CellGrid:
    """Return the judging cells on a height lattice: the least whole multiple of its spacing >= `wanted_m` [m]."""
    factor = max(1, int(np.ceil(wanted_m / grid.spacing_m - 1e-9)))
    rows, cols = ((n - 1) // factor for n in grid.heights_m.shape)
    return CellGrid(rows, cols, grid.west_m, grid.north_m, factor, factor * grid.spacing_m)


@dataclass(frozen=True)
class Layers:
    """What pulses meet: the top surface, the bare earth beneath, and how much foliage lies between.

    Attributes
    ----------
    top, ground : HeightGrid
        Top surface and bare earth on one lattice; the same grid where only one is known.
    foliage : ndarray, shape (rows - 1, cols - 1), or None
        Optical depth of the crowns straight down, extinction coefficient times leaf area index, for each lattice
        square; 0 where what stands on the ground is opaque. None where there are no crowns.
    """

    top: HeightGrid
    ground: HeightGrid
    foliage: Array | None = None

    def solid(self) -> HeightGrid:
        """Return the surface that stops light for good: the bare earth under crowns, the top surface elsewhere."""
        if self.foliage is None:
            return self.top
        crowns = np.pad(self.foliage > 0, 1)
        beside = crowns[:-1, :-1] | crowns[1:, :-1] | crowns[:-1, 1:] | crowns[1:, 1:]
        return replace(self.top, heights_m=np.where(beside, self.ground.heights_m, self.top.heights_m))

    def bare(self) -> Mask:
        """Return which lattice squares of the solid surface are ground, not roofs, shape (rows - 1, cols - 1)."""
        off = self.solid().heights_m - self.ground.heights_m > GROUND_TOLERANCE_M
        return np.asarray(~(off[:-1, :-1] | off[1:, :-1] | off[:-1, 1:] | off[1:, 1:]))


@dataclass(frozen=True)
class GroundCover:
    """Which class of surface each lattice square has.

    Attributes
    ----------
    codes : ndarray of uint8, shape (rows - 1, cols - 1)
        Code of the class of each square; 0 where nothing is known, there the rated reflectance holds.
    names : tuple of str
        Name of each class, that of code 1 first. Every class lies on one square at least.
    surfaces : tuple of Surface
        What light meets, one for each name.
    """

    codes: npt.NDArray[np.uint8]
    names: tuple[str, ...]
    surfaces: tuple[Surface, ...]


@dataclass(frozen=True)
class Feature:
    """A part of the site that is reported apart.

    Attributes
    ----------
    name : str
        What the reader calls it.
    polygon : shapely Polygon or MultiPolygon
        Its outline, local coordinates [m]; it meets the area of interest, and may reach past it.
    """

    name: str
    polygon: shapely.Polygon | shapely.MultiPolygon


@dataclass(frozen=True)
class Wall:
    """A face that the user marks: a quarry face, a highwall, a bank, the front of a building.

    Attributes
    ----------
    name : str
        What the reader calls it.
    line : shapely MultiLineString
        Along its foot or its crest, local coordinates [m].
    height_m : float
        From foot to crest [m].
    """

    name: str
    line: shapely.MultiLineString
    height_m: float


@dataclass(frozen=True)
class Scene:
    """The site as the planner and the forecast see it: everything in one local frame.

    Attributes
    ----------
    frame : Frame
        The local frame.
    area : shapely MultiPolygon
        Area of interest, local coordinates [m]; the area that is judged.
    planned : shapely MultiPolygon
        Area of interest with its buffer: the area that is flown.
    ground : HeightGrid
        Bare earth where declared, else the top surface.
    top : HeightGrid
        Top surface where declared, else the bare earth; on the same lattice as `ground`.
    ground_is_bare : bool
        Whether `ground` was declared bare earth.
    heights : {"orthometric", "ellipsoidal"}
        What all heights of the scene are measured from.
    geoid : Geoid or None
        Links orthometric to ellipsoidal heights; None where the vertical datum is unknown.
    centreline : shapely LineString or None
        Line along which the area is a corridor, local coordinates [m]; None where the area was drawn.
    foliage : ndarray, shape (rows - 1, cols - 1), or None
        Optical depth of crowns straight down, as in `Layers`.
    cover : GroundCover or None
        Classes of surfaces; None where no square has one.
    features : tuple of Feature
        Parts of the site that are reported apart.
    walls : tuple of Wall
        Faces that the user marks.
    upper : HeightGrid or None
        The top surface raised over what stands out of its raster between the vertices, for clearance; None where
        nothing does.
    walkable : shapely MultiPolygon or None
        Where checkpoints may stand, local coordinates [m]; None where nobody limits them.
    grid_crs : pyproj.CRS or None
        Projected CRS that the user works in, for lists of coordinates; None where no input is in one.
    sunlight : SolarSpectrum or None
        Spectrum of the sun on a clear day; None leaves the sun out.
    frame_doubt_m : float
        Horizontal doubt from mixed frames of the inputs and of the marks [m].
    frame_name : str
        Geodetic frame of the terrain.
    marks_shift : FrameShift or None
        From the frame of the marks to that; None where it cannot be told.
    obstacles : tuple of Obstacle
        What stands on the site beside the terrain.
    keep_outs : tuple of KeepOut
        Volumes that no path may enter.
    sensitive : tuple of Sensitive
        Areas that paths had better not cross.
    access : tuple of shapely Polygon
        Where the aircraft may take off beside the places that are named, local coordinates [m].
    airspace : tuple of AirspaceVolume or None
        Airspace and aerodromes; None where nothing was given.
    beneath : mapping of str to tuple of GroundPlace
        Whom and what a flight may pass over, by the kinds that were given.
    almanac : Almanac or None
        Orbits of satellites; None where none is given.
    tide : Tide or None
        Levels of the water; None where none is given.
    cautions : tuple of str
        What the reader of the inputs must be told.
    """

    frame: Frame
    area: shapely.MultiPolygon
    planned: shapely.MultiPolygon
    ground: HeightGrid
    top: HeightGrid
    ground_is_bare: bool
    heights: str
    geoid: Geoid | None
    centreline: shapely.LineString | None = None
    foliage: Array | None = None
    cover: GroundCover | None = None
    features: tuple[Feature, ...] = ()
    walls: tuple[Wall, ...] = ()
    upper: HeightGrid | None = None
    walkable: shapely.MultiPolygon | None = None
    grid_crs: pyproj.CRS | None = None
    sunlight: SolarSpectrum | None = None
    frame_doubt_m: float = 0.0
    frame_name: str = ""
    marks_shift: FrameShift | None = None
    obstacles: tuple[Obstacle, ...] = ()
    keep_outs: tuple[KeepOut, ...] = ()
    sensitive: tuple[Sensitive, ...] = ()
    access: tuple[shapely.Polygon, ...] = ()
    airspace: tuple[AirspaceVolume, ...] | None = None
    beneath: Mapping[Kind, tuple[GroundPlace, ...]] = field(default_factory=dict)
    almanac: Almanac | None = None
    tide: Tide | None = None
    cautions: tuple[str, ...] = ()

    @property
    def layers(self) -> Layers:
        """What pulses meet."""
        return Layers(self.top, self.ground, self.foliage)

    def separation_m(self, east: npt.ArrayLike, north: npt.ArrayLike) -> Array | None:
        """Return ellipsoidal less scene height [m] at local points, or None where the link is unknown."""
        if self.heights == "ellipsoidal":
            return np.zeros(np.shape(east))
        return None if self.geoid is None else self.geoid.at(*self.frame.to_lonlat(east, north))
