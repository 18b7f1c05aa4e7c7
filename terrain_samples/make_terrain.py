"""Make the sample terrain: invented places, one seed each.

``python terrain_samples/make_terrain.py`` rewrites every raster here, and the areas, cover, named features and hazards
in ``missions/``. Heights are stored in whole steps of a binary fraction of a metre, most of 1/64 m: that leaves the low
bits of a float32 empty, so it packs well.
"""

import json
from pathlib import Path

import numpy as np
import pyproj
import rasterio
import shapely
from places import castlefen, hollin_gill, karnholt, lowmere, norrstad, oskarfell, petrow, thornwick, vass
from places.shapes import Outlines, Raster

HERE = Path(__file__).resolve().parent
MISSIONS = HERE.parent / "missions"
PLACES = (oskarfell, lowmere, thornwick, petrow, norrstad, vass, hollin_gill, karnholt, castlefen)


def rasters() -> dict[str, Raster]:
    """Return every raster by file name."""
    return {name: raster for place in PLACES for name, raster in place.rasters().items()}


def outlines() -> dict[str, str]:
    """Return every area of interest, cover, set of named features and of hazards by file name, as GeoJSON text."""
    return {name: geojson(drawn) for place in PLACES for name, drawn in place.outlines().items()}


def write_raster(path: Path, raster: Raster) -> None:
    """Write heights as a tiled, compressed GeoTIFF."""
    lattice = raster.lattice
    profile = {"driver": "GTiff", "dtype": "float32", "count": 1, "height": lattice.rows, "width": lattice.cols}
    place = {"crs": lattice.crs, "transform": lattice.transform, "nodata": -9999.0}
    packing = {"tiled": True, "blockxsize": 256, "blockysize": 256, "compress": "deflate", "predictor": 3, "zlevel": 9}
    with rasterio.open(path, "w", **profile, **place, **packing) as file:
        file.write(raster.heights_m, 1)
        file.set_band_unit(1, "metre")
        file.set_band_description(1, raster.title)


def geojson(drawn: Outlines) -> str:
    """Return shapes as RFC 7946 GeoJSON: longitude, latitude on WGS 84, outer ring anticlockwise, 1 cm digits."""
    to_lonlat = pyproj.Transformer.from_crs(drawn.crs, "EPSG:4326", always_xy=True)

    def lonlat(line: shapely.Geometry) -> list[list[float]]:
        east, north, *heights = shapely.get_coordinates(line, include_z=bool(shapely.has_z(line))).T
        return np.column_stack([*to_lonlat.transform(east, north), *heights]).round(7).tolist()

    features = []
    for fields, part in drawn.parts:
        shape = shapely.orient_polygons(part)
        if isinstance(shape, shapely.Polygon):
            rings = [lonlat(ring) for ring in (shape.exterior, *shape.interiors)]
            geometry = {"type": "Polygon", "coordinates": rings}
        elif isinstance(shape, shapely.Point):
            geometry = {"type": "Point", "coordinates": lonlat(shape)[0]}
        else:
            geometry = {"type": "LineString", "coordinates": lonlat(shape)}
        features.append({"type": "Feature", "properties": fields, "geometry": geometry})
    return json.dumps({"type": "FeatureCollection", "features": features}) + "\n"


def main() -> None:
    """Rewrite every raster beside this script, and every set of outlines in the missions folder."""
    for name, raster in rasters().items():
        write_raster(HERE / name, raster)
        print(f"{name}: {(HERE / name).stat().st_size / 1e6:.2f} MB")
    for name, text in outlines().items():
        (MISSIONS / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
