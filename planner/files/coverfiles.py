"""What lies on the ground in: cover polygons to the foliage of each lattice square.

Lives here: which class each square has, and which words name crowns. Must not know how light passes them.
"""

import difflib
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import rasterio.features
import shapely
from affine import Affine

from planner.errors import Fault, InputError
from planner.files.areafiles import read_area
from planner.files.cards import DATA, checked, read_declared
from planner.ground.geodesy import LONLAT, Frame
from planner.ground.surface import HeightGrid
from planner.mission import Canopy, Mission
from planner.ranging.canopy import optical_depth

Array = npt.NDArray[np.float64]

LEAST_CROWN_M = 0.5
"""A square where no corner of the top surface stands higher above the ground holds no crown."""

ALIKE = 0.7
"""Likeness of two words from which one is taken for a slip of the pen in the other (`difflib` ratio)."""

Shape = tuple[shapely.Geometry, str]


def read_cover(
    mission: Mission, frame: Frame, area: shapely.MultiPolygon, ground: HeightGrid, top: HeightGrid
) -> tuple[Array | None, list[str]]:
    """Return the foliage of a site, and what the reader must be told.

    A square takes the class of the polygon its centre lies in, the later one of two; outside all polygons it takes
    the default class. A class that is no canopy class is opaque.

    Parameters
    ----------
    mission : Mission
        Its `cover` says which polygons and classes; paths start from its folder.
    frame : Frame
        The local frame.
    area : shapely MultiPolygon
        Area of interest, local coordinates [m].
    ground, top : HeightGrid
        Bare earth and top surface on one lattice.

    Returns
    -------
    foliage : ndarray, shape (rows - 1, cols - 1), or None
        Optical depth straight down, as in `Layers`; None where no crown is known.
    cautions : list of str
        Classes taken for opaque, and polygons that leave some of the area without a class.

    Raises
    ------
    InputError
        E14 crowns without both rasters, E18 class field or class unknown, and the faults of `read_area`.
    """
    cover = mission.cover
    classes = canopy_classes(mission)
    if cover.default is not None and cover.default not in classes:
        raise _unknown_class(cover.default, classes, "cover.default")
    shapes = [] if cover.polygons is None else _shapes(mission.file.parent / cover.polygons, cover.class_field, frame)
    for name in dict.fromkeys(name for _, name in shapes if name not in classes):
        if difflib.get_close_matches(name.lower(), classes, 1, ALIKE):
            raise _unknown_class(name, classes, str(cover.polygons))
    used = {name for _, name in shapes} | ({cover.default} if cover.default is not None else set())
    cautions = _cautions(mission, area, shapes, sorted(used - classes.keys()))
    if not used & classes.keys():
        return None, cautions
    if mission.terrain.ground is None or mission.terrain.surface is None:
        given, other = ("surface", "ground") if mission.terrain.ground is None else ("ground", "surface")
        what = f"crowns need both rasters, bare earth and top surface; only terrain.{given} is declared"
        raise _fault("E14", what, "terrain", f"name the other one as terrain.{other}, or leave out [cover]")
    depths = {name: optical_depth(classes[name], cover.season) for name in used & classes.keys()}
    foliage = _burnt(shapes, depths, depths.get(cover.default or "", 0.0), ground)
    foliage[~_has_crown(ground, top)] = 0.0
    return (foliage if foliage.any() else None), cautions


def canopy_classes(mission: Mission) -> dict[str, Canopy]:
    """Return the bundled canopy classes and the mission's own, which replace bundled ones of the same name."""
    declared = read_declared(DATA / "canopy.toml", "canopy.toml")
    classes: dict[str, Canopy] = {}
    for name, table in declared.tables.items():
        canopy, faults = checked(Canopy, declared, (name,), table, ("E18", "E18"))
        if canopy is None:
            raise InputError(*faults)
        classes[name] = canopy
    return classes | mission.cover.canopy


def _fault(code: str, what: str, where: str, fix: str) -> InputError:
    return InputError(Fault(code, what, where, fix))


def _unknown_class(name: str, classes: dict[str, Canopy], where: str) -> InputError:
    near = difflib.get_close_matches(name.lower(), classes, 1, ALIKE)
    fix = f'did you mean "{near[0]}"? ' if near else ""
    fix += f"canopy classes: {', '.join(classes)}; add one of your own as [cover.canopy.<class>]"
    return _fault("E18", f'"{name}" is no canopy class', where, fix)


def _shapes(path: Path, field: str, frame: Frame) -> list[Shape]:
    """Return the polygons of a cover file in local coordinates [m], each with its class, in the order of the file."""
    if not path.is_file():
        what = f"{path.name}: no such file"
        raise _fault("E45", what, str(path), "check cover.polygons; it starts from the mission's folder")
    read_area(path)  # refuses what cannot be trusted: no CRS, swapped axes, broken rings
    shapes: list[Shape] = []
    nameless = 0
    for table in _tables(path):
        if field not in table:
            fields = [str(column) for column in table.columns if column != table.geometry.name]
            near = difflib.get_close_matches(field, fields, 1)
            fix = f'did you mean "{near[0]}"? ' if near else ""
            fix += f"name the field of the classes as cover.class_field; the file has {', '.join(fields) or 'none'}"
            raise _fault("E18", f'no field "{field}"', str(path), fix)
        for geometry, name in zip(table.geometry, table[field], strict=True):
            parts = [part for part in shapely.get_parts(geometry) if part.geom_type == "Polygon"]
            nameless += bool(parts) and not (isinstance(name, str) and name.strip())
            shapes += [(_in_frame(part, frame), str(name).strip()) for part in parts]
    if nameless:
        what = f'{nameless} of the cover polygons say nothing, or no word, in the field "{field}"'
        raise _fault("E18", what, str(path), "give each polygon a class")
    return shapes


def _tables(path: Path) -> list[Any]:
    """Return the layers of a vector file that hold geometry, as longitude and latitude."""
    import geopandas  # slow to import, and only needed here

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the file has been checked
        layers = [geopandas.read_file(path, layer=name) for name in geopandas.list_layers(path)["name"]]
        return [layer.to_crs(LONLAT) for layer in layers if "geometry" in layer and layer.geometry.notna().any()]


def _in_frame(polygon: shapely.Polygon, frame: Frame) -> shapely.Polygon:
    flat = shapely.force_2d(polygon)
    return shapely.transform(flat, lambda xy: np.column_stack(frame.from_lonlat(xy[:, 0], xy[:, 1])))


def _cautions(mission: Mission, area: shapely.MultiPolygon, shapes: list[Shape], opaque: list[str]) -> list[str]:
    if mission.cover.polygons is None:
        return []
    name = Path(mission.cover.polygons).name
    cautions = []
    if opaque:
        cautions.append(f"{name}: taken for opaque, as no canopy class: {', '.join(opaque)}.")
    share = shapely.union_all([shape for shape, _ in shapes]).intersection(area).area / area.area
    default = mission.cover.default
    if share == 0 or (share < 1 - 1e-6 and default is None):
        rest = "opaque" if default is None else default
        cautions.append(f"{name}: the polygons cover {share:.1%} of the area; the rest is taken for {rest}.")
    return cautions


def _burnt(shapes: list[Shape], depths: dict[str, float], elsewhere: float, lattice: HeightGrid) -> Array:
    """Return the depth of the class of each lattice square, told by the square's centre; opaque classes have 0."""
    rows, cols = (n - 1 for n in lattice.heights_m.shape)
    step = lattice.spacing_m
    numbered = [(shape, number) for number, (shape, _) in enumerate(shapes, start=1)]
    number = np.zeros((rows, cols), dtype=np.int32)
    if numbered:
        place = Affine(step, 0, lattice.west_m, 0, -step, lattice.north_m)
        rasterio.features.rasterize(numbered, out=number, transform=place)
    return np.array([elsewhere, *(depths.get(name, 0.0) for _, name in shapes)])[number]


def _has_crown(ground: HeightGrid, top: HeightGrid) -> npt.NDArray[np.bool_]:
    """Return which squares have known corners, one of them under a top surface that stands off the ground."""
    tall = top.heights_m - ground.heights_m > LEAST_CROWN_M
    known = top.known & ground.known
    stands = tall[:-1, :-1] | tall[1:, :-1] | tall[:-1, 1:] | tall[1:, 1:]
    return np.asarray(stands & known[:-1, :-1] & known[1:, :-1] & known[:-1, 1:] & known[1:, 1:])
