"""Parts of the offline map: warped pictures as data URIs, and the page with every link replaced by its text.

Lives here: what turns arrays into pictures a map can lay over, and links into inline text. Must not know what a
picture shows or what a page says.
"""

import base64
import hashlib
import re
import struct
import zlib
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyproj
from rasterio.crs import CRS
from rasterio.transform import Affine
from rasterio.warp import Resampling, reproject

from planner.ground.geodesy import Frame

Codes = npt.NDArray[np.uint8]

LARGEST_SIDE_PX = 1600
"""No picture is wider or higher than this [pixel]."""

RELIEF_SIDE_PX = 1000
"""The same for the relief, which is grey and packs worse [pixel]."""

RELIEF_GREYS = 32
"""Grey levels of the relief; one code is kept for unknown ground."""

_OWN = Path(__file__).parent.parent / "data" / "webmap"
_LEAFLET = ("leaflet.js", "leaflet.css")
_LINK = re.compile(r'<script src="([^"]*)"></script>|<link rel="stylesheet" href="([^"]*)"\s*/>')
_FETCH = re.compile(
    r"""<[^>]+\s(?:src|href|srcset|action|poster|data)\s*=\s*["']?(?!#|data:)[^"'\s>]+""", re.IGNORECASE
)
_CSS_FETCH = re.compile(r"""@import|url\(\s*["']?(?!["']?(?:#|data:))""", re.IGNORECASE)


@dataclass(frozen=True)
class Picture:
    """An image and where it lies.

    Attributes
    ----------
    url : str
        The PNG as a data URI.
    bounds_deg : ((float, float), (float, float))
        South-west and north-east corner as latitude, longitude on WGS 84 [deg]; rows are even in Mercator northing.
    """

    url: str
    bounds_deg: tuple[tuple[float, float], tuple[float, float]]


def class_picture(
    codes: Codes,
    palette: Codes,
    frame: Frame,
    west_m: float,
    north_m: float,
    cell_m: float,
    side_px: int = LARGEST_SIDE_PX,
) -> Picture:
    """Return classes of cells as a crisp picture.

    Parameters
    ----------
    codes : ndarray of uint8, shape (rows, cols)
        1.. in order of badness, worst first: where cells share a pixel the least code shows, so that no bad cell
        vanishes; 255 is transparent.
    palette : ndarray of uint8, shape (n, 4)
        Red, green, blue, opacity of code 0..n - 1.
    frame : Frame
        The local frame.
    west_m, north_m : float
        Outer west and north edge, local [m].
    cell_m : float
        Side of a cell [m].
    side_px : int
        Most pixels along a side.
    """
    # A pixel finer than a cell keeps single cells alive in the nearest-neighbour warp.
    factor = max(1, int(np.ceil(max(codes.shape) * 1.3 / side_px)))
    worst = _blocks(codes, factor, np.uint8(255)).min(axis=(1, 3))
    finer = float(np.clip(side_px / max(worst.shape), 1.25, 4.0)) * 0.98
    shown = np.where(worst == 255, 0, worst).astype(np.uint8)
    warped, bounds = _warped(shown, frame, (west_m, north_m, cell_m * factor), finer, smooth=False)
    return Picture(_png(warped, palette), bounds)


def relief_picture(
    heights_m: npt.NDArray[np.float64], frame: Frame, west_m: float, north_m: float, step_m: float
) -> Picture:
    """Return shaded relief of a height lattice, light from the north-west.

    Parameters
    ----------
    heights_m : ndarray, shape (rows, cols)
        Height of each vertex [m], nan where unknown.
    frame : Frame
        The local frame.
    west_m, north_m : float
        Local position of the first vertex [m].
    step_m : float
        Distance of the vertices [m].
    """
    factor = max(1, int(np.ceil(max(heights_m.shape) / RELIEF_SIDE_PX)))
    thinned = heights_m[::factor, ::factor]
    step = step_m * factor
    south, east = np.gradient(thinned, step)
    # Slopes are stretched to one half of the site's own steepness, so that gentle ground is not one flat grey.
    steep = np.nanpercentile(np.hypot(south, east), 90) if np.isfinite(south).any() else 1.0
    lift = 0.5 / max(float(steep), 0.02)
    sun = np.array([-0.5, 0.5, 0.7071])
    normal = np.sqrt(1 + (lift * south) ** 2 + (lift * east) ** 2)
    shade = (-lift * east * sun[0] + lift * south * sun[1] + sun[2]) / normal
    warped, bounds = _warped(
        np.clip(shade, 0, 1).astype(np.float32), frame, (west_m - step / 2, north_m + step / 2, step), 1.0, smooth=True
    )
    codes = np.where(np.isnan(warped), 0, 1 + np.nan_to_num(warped) * (RELIEF_GREYS - 2)).round().astype(np.uint8)
    grey = np.linspace(70, 255, RELIEF_GREYS - 1).astype(np.uint8)
    palette = np.zeros((RELIEF_GREYS, 4), dtype=np.uint8)
    palette[1:] = np.column_stack([grey, grey, grey, np.full(len(grey), 255)])
    return Picture(_png(codes, palette), bounds)


def text_of(name: str) -> str:
    """Return the text of one of our own map files, or of Leaflet's."""
    if name not in _LEAFLET:
        return (_OWN / name).read_text(encoding="utf-8")
    folder = resources.files("js_lib_leaflet") / "static" / "js_lib_leaflet"
    text = (folder / name).read_text(encoding="utf-8")

    def as_data(match: re.Match[str]) -> str:
        image = (folder / match[1]).read_bytes()
        return f"url(data:image/png;base64,{base64.b64encode(image).decode()})"

    return re.sub(r"//# sourceMappingURL=\S+", "", re.sub(r"url\((images/[\w.-]+)\)", as_data, text))


def inlined(html: str, names: tuple[str, ...]) -> str:
    """Return a page with its links to `names` replaced by their text; any other address left is an error."""

    def text(match: re.Match[str]) -> str:
        name = match[1] or match[2]
        if name not in names:
            msg = f"the map would fetch {name}"
            raise ValueError(msg)
        tag = "script" if match[1] else "style"
        return f"<{tag}>{text_of(name)}</{tag}>"

    page = _LINK.sub(text, html)
    bare = re.sub(r"<(script|style)\b[^>]*>.*?</\1>|<!--.*?-->", "", page, flags=re.DOTALL)
    styles = " ".join(re.findall(r"<style>(.*?)</style>", page, flags=re.DOTALL))
    for found in (_FETCH.search(bare), _CSS_FETCH.search(styles)):
        if found:
            msg = f"the map would fetch {found[0]}"
            raise ValueError(msg)
    return page


def guarded(html: str) -> str:
    """Return a page with a Content-Security-Policy that lets only its own scripts run and nothing be fetched."""
    scripts = re.findall(r"<script>(.*?)</script>", html, flags=re.DOTALL)
    allowed = [f"'sha256-{base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()}'" for s in scripts]
    policy = (
        f"default-src 'none'; script-src {' '.join(allowed)}; style-src 'unsafe-inline'; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
    return html.replace("<head>", f'<head>\n<meta http-equiv="Content-Security-Policy" content="{policy}">', 1)


def _blocks(values: Codes, factor: int, filler: np.uint8) -> Codes:
    """Return `values` as (rows, factor, cols, factor), padded at the south and east edge."""
    rows, cols = (-(-n // factor) * factor for n in values.shape)
    padded = np.full((rows, cols), filler, dtype=values.dtype)
    padded[: values.shape[0], : values.shape[1]] = values
    return padded.reshape(rows // factor, factor, cols // factor, factor)


def _warped(
    values: npt.NDArray[Any], frame: Frame, corner: tuple[float, float, float], finer: float, *, smooth: bool
) -> tuple[npt.NDArray[Any], tuple[tuple[float, float], tuple[float, float]]]:
    """Return cells with outer `corner` (west, north, cell; local, m) in web Mercator, and their bounds [deg]."""
    west, north, cell = corner
    source = Affine(cell, 0, west + frame.origin_east_m, 0, -cell, north + frame.origin_north_m)
    rows, cols = values.shape
    edges = (source.c, source.f - rows * cell, source.c + cols * cell, source.f)
    to_mercator = pyproj.Transformer.from_crs(frame.crs, 3857, always_xy=True)
    left, bottom, right, top = to_mercator.transform_bounds(*edges)
    pixel = max(right - left, top - bottom) / round(max(rows, cols) * finer)
    width, height = round((right - left) / pixel), round((top - bottom) / pixel)
    target = Affine(pixel, 0, left, 0, -pixel, top)
    nothing = np.nan if smooth else 0
    out = np.full((height, width), nothing, dtype=values.dtype)
    reproject(
        values, out, src_transform=source, src_crs=CRS.from_wkt(frame.crs.to_wkt()), src_nodata=nothing,
        dst_transform=target, dst_crs=CRS.from_epsg(3857), dst_nodata=nothing,
        resampling=Resampling.bilinear if smooth else Resampling.nearest,
    )  # fmt: skip
    to_lonlat = pyproj.Transformer.from_crs(3857, 4326, always_xy=True)
    (lon_w, lon_e), (lat_s, lat_n) = to_lonlat.transform([left, left + width * pixel], [top - height * pixel, top])
    return out, ((round(lat_s, 9), round(lon_w, 9)), (round(lat_n, 9), round(lon_e, 9)))


def _png(codes: Codes, palette: Codes) -> str:
    """Return an indexed PNG (W3C PNG, colour type 3) of `codes` as a data URI, pixels as narrow as the palette lets."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    rows, cols = codes.shape
    bits = next(bits for bits in (2, 4, 8) if len(palette) <= 2**bits)
    each = 8 // bits
    padded = np.zeros((rows, -(-cols // each) * each), dtype=np.uint8)
    padded[:, :cols] = codes
    scanlines = np.zeros((rows, 1 + padded.shape[1] // each), dtype=np.uint8)
    for place in range(each):
        scanlines[:, 1:] |= padded[:, place::each] << (8 - bits * (place + 1))
    image = b"\x89PNG\r\n\x1a\n" + b"".join([
        chunk(b"IHDR", struct.pack(">IIBBBBB", cols, rows, bits, 3, 0, 0, 0)),
        chunk(b"PLTE", np.ascontiguousarray(palette[:, :3]).tobytes()),
        chunk(b"tRNS", np.ascontiguousarray(palette[:, 3]).tobytes()),
        chunk(b"IDAT", zlib.compress(scanlines.tobytes(), 6)),
        chunk(b"IEND", b""),
    ])  # fmt: skip
    return f"data:image/png;base64,{base64.b64encode(image).decode()}"
