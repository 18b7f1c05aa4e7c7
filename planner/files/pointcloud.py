"""The points of a flight as a LAS or LAZ file (LAS 1.4, point format 6).

Lives here: how echoes are written down, and the file that appears in one step. Must not know how they were found.
"""

import tempfile
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib import metadata
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
from pyproj.exceptions import CRSError

from planner.errors import Fault, InputError
from planner.flight.flightlines import FlightLine
from planner.ground.surface import Scene
from planner.mission import Mission
from planner.ranging.echoes import FULL_INTENSITY_RANGE_M, Echoes, echoes_of, relative_intensity
from planner.ranging.principles import reach_within
from planner.survey import leg_of, rating_of

Progress = Callable[[str, int, int], None]

SCALE_M = 0.001
SCAN_ANGLE_DEG = 0.006  # unit of the scan angle of point format 6
GROUND, CROWN, OTHER = 2, 5, 1  # LAS classes: ground, high vegetation, unclassified
BETWEEN_LINES_S = 60.0
"""Time from the end of a line to the start of the next: turns are not simulated, the gap parts the lines."""

_SUFFIXES = (".las", ".laz")
_CHANCE = 20_011  # parts the chance among crowns from that of the aircraft's motion


@dataclass(frozen=True)
class CloudFigures:
    """What a point cloud holds.

    Attributes
    ----------
    points, pulses : int
        Returns written, and pulses sent within the usable opening.
    size_bytes : int
        Size of the file.
    """

    points: int
    pulses: int
    size_bytes: int


def check_cloud(path: Path, *, replace: bool) -> None:
    """Refuse what cannot become a point cloud, before any work is done.

    Raises
    ------
    InputError
        E18 neither .las nor .laz, or laspy is not installed; E44 the file exists and may not be replaced, or its
        folder does not exist.
    """
    if path.suffix.lower() not in _SUFFIXES:
        what = f"a point cloud cannot be written as `{path.suffix or path.name}`"
        raise InputError(Fault("E18", what, str(path), f"name it with one of: {', '.join(_SUFFIXES)}"))
    if missing := [name for name in ("laspy", "lazrs") if find_spec(name) is None]:
        what = f"LAS files need what is not installed: {', '.join(missing)}"
        raise InputError(Fault("E18", what, str(path), "pip install 'swathwright[las]'"))
    if path.is_dir():
        raise InputError(Fault("E44", "there is a folder of this name", str(path), "choose another file"))
    if path.exists() and not replace:
        raise InputError(Fault("E44", "the file exists", str(path), "add --replace, or choose another file"))
    if not path.parent.is_dir():
        raise InputError(Fault("E44", "the folder to write to does not exist", str(path.parent), "make it first"))


def write_cloud(
    path: Path,
    mission: Mission,
    scene: Scene,
    lines: Sequence[FlightLine],
    *,
    replace: bool = False,
    progress: Progress | None = None,
) -> CloudFigures:
    """Fire the pulses of flight lines and write every return; the file appears, or is replaced, only when whole.

    Coordinates are in the scene's CRS, heights those of the scene. A line's number is its `point_source_id`; ground is
    class 2, crowns class 5, all else class 1; time is counted from the start of the first line as if that began a GPS
    week; intensity is relative (see `relative_intensity`). No clock is read: the file is dated to the mission's day.

    Parameters
    ----------
    path : Path
        File to write, .las or .laz.
    mission : Mission
        Sensor, aircraft and air.
    scene : Scene
        The site.
    lines : sequence of FlightLine
        In the order flown.
    replace : bool
        Whether a file that exists may be replaced.
    progress : callable, optional
        Called with what is being done, pulses done and pulses in all of the line.

    Raises
    ------
    InputError
        As `check_cloud`.
    """
    check_cloud(path, replace=replace)
    import laspy

    header, sensor = _header(mission, scene), mission.sensor
    points = pulses = 0
    with tempfile.TemporaryDirectory(prefix=f".{path.name}.", dir=path.parent) as workshop:
        fresh = Path(workshop) / path.name
        with laspy.open(fresh, mode="w", header=header, do_compress=path.suffix.lower() == ".laz") as writer:
            start_s = 0.0
            for number, line in enumerate(lines, start=1):
                leg = leg_of(mission, scene, line)
                chance = np.random.default_rng([mission.conditions.seed, zlib.crc32(line.line_id.encode()), _CHANCE])
                reach = reach_within(sensor, rating_of(mission, line.pulse_rate_hz), mission.conditions.visibility_km)
                done = 0
                for echoes in echoes_of(scene.layers, leg, reach, sensor.returns_per_pulse, chance):
                    if len(echoes.pulse):
                        writer.write_points(_record(header, echoes, scene, number, start_s))
                        done = int(echoes.pulse[-1])
                    points, pulses = points + len(echoes.pulse), pulses + echoes.fired
                    if progress:
                        progress(f"writing points of {line.line_id}", done, leg.pulses)
                start_s += len(leg.origins_m) / leg.samples_hz + BETWEEN_LINES_S
        size = fresh.stat().st_size
        fresh.replace(path)
    return CloudFigures(points, pulses, size)


def _header(mission: Mission, scene: Scene) -> Any:
    """Return the header: where and what the points are, no clock, no host."""
    import laspy

    header = laspy.LasHeader(version="1.4", point_format=6)
    header.scales = np.full(3, SCALE_M)
    middle = scene.area.centroid
    east, north = scene.frame.origin_east_m + middle.x, scene.frame.origin_north_m + middle.y
    header.offsets = np.array([np.floor(east), np.floor(north), 0.0])
    header.creation_date = mission.date
    header.system_identifier = "simulated, no instrument"
    header.generating_software = _software()
    header.global_encoding.gps_time_type = laspy.header.GpsTimeType.WEEK_TIME
    header.global_encoding.synthetic_return_numbers = True
    header.global_encoding.wkt = True
    header.vlrs.append(laspy.vlrs.known.WktCoordinateSystemVlr(_wkt(scene.frame.crs)))
    text = _statement(scene).encode("utf-8") + b"\0"
    header.vlrs.append(laspy.VLR("LASF_Spec", 3, "what the points are", text))
    return header


def _software() -> str:
    """Return name and version of this program; the name alone where it runs without being installed."""
    try:
        return f"swathwright {metadata.version('swathwright')}"
    except metadata.PackageNotFoundError:
        return "swathwright"


def _wkt(crs: pyproj.CRS) -> str:
    """Return a CRS as LAS 1.4 asks for it, in the first version of WKT, or in the second where that cannot say it."""
    try:
        return crs.to_wkt("WKT1_GDAL")
    except CRSError:
        return crs.to_wkt()


def _statement(scene: Scene) -> str:
    """Return what the reader of the file must know."""
    above = {
        "ellipsoidal": "above the ellipsoid of the coordinate system",
        "orthometric": "above the vertical datum of the terrain, "
        + ("which is not known" if scene.geoid is None else f"linked to the ellipsoid by geoid {scene.geoid.name}"),
    }[scene.heights]
    return (
        f"Simulated points of a planned flight: a forecast, not a survey. Heights are {scene.heights}, in metres, "
        f"{above}; the coordinate system has no vertical part. Class 2 is bare ground, 5 returns from crowns of any "
        "height, 1 all else. Time runs in seconds from the start of the first line, as if that began a GPS week, with "
        f"{BETWEEN_LINES_S:g} s between lines. Intensity is relative, cos(incidence) / range^2, full scale at "
        f"{FULL_INTENSITY_RANGE_M:g} m: no radiometric claim. Points carry no ranging noise."
    )


def _record(header: Any, echoes: Echoes, scene: Scene, source: int, start_s: float) -> Any:
    """Return echoes of one line as point records."""
    import laspy

    record = laspy.ScaleAwarePointRecord.zeros(len(echoes.pulse), header=header)
    record.x = echoes.points_m[:, 0] + scene.frame.origin_east_m
    record.y = echoes.points_m[:, 1] + scene.frame.origin_north_m
    record.z = echoes.points_m[:, 2]
    record.intensity = np.rint(relative_intensity(echoes.range_m, echoes.cos_incidence)).astype(np.uint16)
    record.return_number = echoes.return_number
    record.number_of_returns = echoes.number_of_returns
    record.classification = np.select([echoes.is_ground, echoes.is_crown], [GROUND, CROWN], OTHER).astype(np.uint8)
    record.scan_angle = np.rint(np.degrees(echoes.scan_angle_rad) / SCAN_ANGLE_DEG).astype(np.int16)
    record.gps_time = start_s + echoes.time_s
    record.point_source_id = np.full(len(echoes.pulse), source, dtype=np.uint16)
    return record
