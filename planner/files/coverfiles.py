"""What lies on the ground in: polygons and rasters of cover to the class and the foliage of each lattice square.

Lives here: which class each square has, and which words name one. Must not know what light does there.
"""

import dataclasses
import difflib
import math
from pathlib import Path

import numpy as np
import numpy.typing as npt
import rasterio.features
import shapely
from affine import Affine

from planner.cover import Canopy, Surface
from planner.errors import Fault, InputError
from planner.files.areafiles import layers, read_area
from planner.files.cards import DATA, checked, read_declared
from planner.files.coverrasters import read_codes, read_reflectance
from planner.files.surfacecards import surface_classes, unknown_surface
from planner.files.terrainfiles import located
from planner.ground.geodesy import LONLAT, Frame
from planner.ground.surface import GroundCover, HeightGrid
from planner.mission import Mission
from planner.ranging.canopy import optical_depth

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Numbers = npt.NDArray[np.int16]

LEAST_CROWN_M = 0.5
"""A square where no corner of the top surface stands higher above the ground holds no crown."""

MOST_CLASSES = 255

Shape = tuple[shapely.Geometry, str]


def read_cover(
    mission: Mission, frame: Frame, area: shapely.MultiPolygon, ground: HeightGrid, top: HeightGrid
) -> tuple[Array | None, GroundCover | None, list[str]]:
    """Return what lies on the ground of a site, and what the reader must be told.

    A square takes the class of the polygon its centre lies in, the later one of two; outside all polygons that of the
    class raster; elsewhere the default class. Where a reflectance raster has data, its reflectance is the class of
    the surface. Crowns are of canopy classes; what stands on squares of other classes is opaque.

    Parameters
    ----------
    mission : Mission
        Its `cover` says which files and classes; paths start from its folder.
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
    cover : GroundCover or None
        Class of the surface of each square; None where none is known.
    cautions : list of str
        Shares of the area that a file leaves without a class, and what was taken there.

    Raises
    ------
    InputError
        E14 crowns without both rasters, E17 too many classes, E18 class, code or class field unknown, E33 reflectance
        outside 0-1, and the faults of `read_area`, `read_codes` and `read_reflectance`.
    """
    canopies, surfaces = canopy_classes(mission), surface_classes(mission.cover.surfaces)
    names, number, placed = _classes(mission, frame, ground, tuple({**surfaces, **canopies}))
    present = [names[one - 1] for one in np.unique(number).tolist() if one]
    inside = _burnt([(area, 1)], ground) > 0
    cautions = _uncovered(mission, placed[inside])
    bare = [name for name in present if name not in surfaces]
    if bare:
        cautions.append(
            f"No surface class is called {' or '.join(bare)}: there the card's rated reflectance holds. "
            "Declare one of that name under [cover.surfaces]."
        )
    depths = {name: optical_depth(canopies[name], mission.cover.season) for name in present if name in canopies}
    foliage = _foliage(mission, [depths.get(name, 0.0) for name in names], number, ground, top) if depths else None
    classes = [(name, surfaces.get(name)) for name in names]
    if mission.cover.reflectance is not None:
        number, measured, told = _measured(mission, frame, ground, number, len(classes))
        classes += measured
        cautions += _unmeasured(mission, told[inside])
    return foliage, _ground_cover(classes, number), cautions


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


def _classes(
    mission: Mission, frame: Frame, lattice: HeightGrid, known: tuple[str, ...]
) -> tuple[list[str], Numbers, Mask]:
    """Return the classes that are named, the number of its class for each square, and which squares a file tells.

    Numbers count from 1 in the order of the names; 0 has no class.
    """
    cover = mission.cover
    shapes = [] if cover.polygons is None else _shapes(mission.file.parent / cover.polygons, cover.class_field, frame)
    words = {name: str(cover.polygons) for _, name in shapes}
    words |= {name: f"cover.classes.{code}" for code, name in cover.classes.items()}
    words |= {} if cover.default is None else {cover.default: "cover.default"}
    faults = [_unknown(name, known, where) for name, where in words.items() if name not in known]
    if faults:
        raise InputError(*faults)
    names = list(words)
    numbers = {name: number for number, name in enumerate(names, start=1)}
    number = _burnt([], lattice)
    if cover.raster is not None:
        source = located(cover.raster, mission.file.parent)
        number = _looked_up(source, {int(c): numbers[name] for c, name in cover.classes.items()}, frame, lattice)
    drawn = _burnt([(shape, numbers[name]) for shape, name in shapes], lattice)
    number = np.where(drawn > 0, drawn, number)
    placed = number > 0
    return names, np.where(placed, number, np.int16(numbers.get(cover.default or "", 0))), placed


def _unknown(name: str, known: tuple[str, ...], where: str) -> Fault:
    fault = unknown_surface(name, known, where)
    fix = f"{fault.fix}; as [cover.canopy.<class>] if crowns let light through"
    return dataclasses.replace(fault, what=f'"{name}" is no class of cover', fix=fix)


def _looked_up(source: str, numbers: dict[int, int], frame: Frame, lattice: HeightGrid) -> Numbers:
    """Return the class number of each square by the code of the raster, 0 where it has no data."""
    codes, told = read_codes(source, frame, lattice)
    number = np.zeros(codes.shape, dtype=np.int16)
    for code, of_class in numbers.items():
        number[told & (codes == code)] = of_class
    strange = np.unique(codes[told & (number == 0)]).tolist()
    if strange:
        more = f" and {len(strange) - 12} more" if len(strange) > 12 else ""
        what = f"codes {', '.join(map(str, strange[:12]))}{more} of the raster stand for no class"
        raise _fault("E18", what, source, "give each a class under [cover.classes], or mark it as no data in the file")
    return number


def _burnt(shapes: list[tuple[shapely.Geometry, int]], lattice: HeightGrid) -> Numbers:
    """Return the number of the last shape that the centre of each lattice square lies in, 0 outside all."""
    number = np.zeros([n - 1 for n in lattice.heights_m.shape], dtype=np.int16)
    if shapes:
        step = lattice.spacing_m
        place = Affine(step, 0, lattice.west_m, 0, -step, lattice.north_m)
        rasterio.features.rasterize(shapes, out=number, transform=place)
    return number


def _uncovered(mission: Mission, placed: Mask) -> list[str]:
    """Return the caution on the share of the area's squares that no file of classes tells."""
    cover = mission.cover
    files = [Path(name).name for name in (cover.polygons, cover.raster) if name is not None]
    share = float(placed.mean()) if placed.size else 0.0
    if not files or share == 1 or (share > 0 and cover.default is not None):
        return []
    rest = f"is taken for {cover.default}"
    if cover.default is None:
        rest = "has the card's rated reflectance, and what stands there is opaque"
    return [f"{' and '.join(files)}: {_floored(share)} of the area has a class; the rest {rest}."]


def _floored(share: float) -> str:
    return f"{math.floor(share * 1000) / 10:.1f}%"


def _shapes(path: Path, field: str, frame: Frame) -> list[Shape]:
    """Return the polygons of a cover file in local coordinates [m], each with its class, in the order of the file."""
    if not path.is_file():
        what = f"{path.name}: no such file"
        raise _fault("E45", what, str(path), "check cover.polygons; it starts from the mission's folder")
    read_area(path)  # refuses what cannot be trusted: no CRS, swapped axes, broken rings
    shapes: list[Shape] = []
    nameless = 0
    for table in (table.to_crs(LONLAT) for _, table in layers(path) if table.geometry.notna().any()):
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


def _in_frame(polygon: shapely.Polygon, frame: Frame) -> shapely.Polygon:
    flat = shapely.force_2d(polygon)
    return shapely.transform(flat, lambda xy: np.column_stack(frame.from_lonlat(xy[:, 0], xy[:, 1])))


def _measured(
    mission: Mission, frame: Frame, lattice: HeightGrid, number: Numbers, classes: int
) -> tuple[Numbers, list[tuple[str, Surface | None]], Mask]:
    """Return numbers with those of measured reflectance over them, the classes these count on with, and where."""
    source = located(str(mission.cover.reflectance), mission.file.parent)
    levels, told = read_reflectance(source, frame, lattice)
    held = np.unique(levels[told]).tolist()
    numbers = np.zeros(1001, dtype=np.int16)
    numbers[held] = np.arange(classes + 1, classes + 1 + len(held))
    measured: list[tuple[str, Surface | None]] = []
    for rho in (level / 1000 for level in held):
        measured.append((f"reflectance {rho:g}", Surface(reflectance=(rho, rho, rho), source=Path(source).name)))
    return np.where(told, numbers[levels], number), measured, told


def _unmeasured(mission: Mission, told: Mask) -> list[str]:
    """Return the caution on the share of the area's squares that the reflectance raster leaves out."""
    if told.all():
        return []
    cover = mission.cover
    classed = cover.default is not None or cover.polygons is not None or cover.raster is not None
    rest = "the classes hold" if classed else "the card's rated reflectance holds"
    share = _floored(float(told.mean()))
    return [f"{Path(str(cover.reflectance)).name}: reflectance on {share} of the area; elsewhere {rest}."]


def _ground_cover(classes: list[tuple[str, Surface | None]], number: Numbers) -> GroundCover | None:
    """Return the classes that lie on some square, numbered anew; a class without a surface counts as none."""
    present = set(np.unique(number).tolist())
    kept = [
        (one, name, surface)
        for one, (name, surface) in enumerate(classes, start=1)
        if surface is not None and one in present
    ]
    if not kept:
        return None
    if len(kept) > MOST_CLASSES:
        what = f"{len(kept)} classes of cover, over {MOST_CLASSES}"
        raise _fault("E17", what, "cover", "name fewer classes, or a coarser raster of reflectance")
    places, names, surfaces = zip(*kept, strict=True)
    codes = np.zeros(len(classes) + 1, dtype=np.uint8)
    codes[list(places)] = np.arange(1, len(kept) + 1)
    return GroundCover(codes[number], names, surfaces)


def _foliage(
    mission: Mission, depths: list[float], number: Numbers, ground: HeightGrid, top: HeightGrid
) -> Array | None:
    """Return the depth of the class of each square where a crown stands; opaque classes have 0."""
    if mission.terrain.ground is None or mission.terrain.surface is None:
        given, other = ("surface", "ground") if mission.terrain.ground is None else ("ground", "surface")
        what = f"crowns need both rasters, bare earth and top surface; only terrain.{given} is declared"
        raise _fault("E14", what, "terrain", f"name the other one as terrain.{other}, or leave out [cover]")
    foliage = np.where(_has_crown(ground, top), np.array([0.0, *depths])[number], 0.0)
    return foliage if foliage.any() else None


def _has_crown(ground: HeightGrid, top: HeightGrid) -> npt.NDArray[np.bool_]:
    """Return which squares have known corners, one of them under a top surface that stands off the ground."""
    tall = top.heights_m - ground.heights_m > LEAST_CROWN_M
    known = top.known & ground.known
    stands = tall[:-1, :-1] | tall[1:, :-1] | tall[:-1, 1:] | tall[1:, 1:]
    return np.asarray(stands & known[:-1, :-1] & known[1:, :-1] & known[:-1, 1:] & known[1:, 1:])
