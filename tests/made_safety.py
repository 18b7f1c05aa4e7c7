"""Invented findings of safety for jobs that tests make by hand; `word` is put into every name that a user may give."""

import datetime as dt
from dataclasses import replace

import numpy as np
import shapely

from planner.assessment import Assessment, Exposure, EyeFigures, Safety
from planner.ground.surface import CellGrid
from planner.ground.surroundings import AirspaceVolume, GroundPlace, Kind, Level
from planner.safety.cautions import Caution
from planner.safety.exposures import HazardDistances
from planner.safety.groundrisk import Crossing, GroundRisk
from planner.safety.groundrisk import Span as Pass
from planner.safety.rules import RuleResult, rule_cautions
from planner.safety.windowcautions import DayWindows
from planner.safety.windows import SkyWatch, Span
from planner.window import Window

READ = dt.date(2026, 11, 25)
DAY = np.datetime64("2027-04-12T00:30:00", "s")
PDOP_MOST = 2.5


def with_safety(job: Assessment, word: str = "") -> Assessment:
    """Return a job with findings of every kind, and with the people, roads and airspace that they are about."""
    middle = job.scene.area.centroid
    lon, lat = (float(value) for value in job.scene.frame.to_lonlat(middle.x, middle.y))
    rules = made_rules(f"line L01{word}, lon {lon:.6f} lat {lat:.6f}", word)
    safety = Safety(
        cautions=rule_cautions(rules),
        eyes=made_eyes(),
        exposure=made_exposure(job.forecast.cells),
        rules=rules,
        risk=made_risk(job.scene.area, word),
        windows=made_windows(),
    )
    beneath, airspace = made_surroundings(job.scene.area, word)
    return replace(
        job,
        mission=replace(job.mission, window=Window(pdop_most=PDOP_MOST)),
        scene=replace(job.scene, beneath=beneath, airspace=airspace),
        cautions=(*job.cautions, *rules_first(safety)),
        safety=safety,
    )


def rules_first(safety: Safety) -> tuple[Caution, ...]:
    """Return the cautions of rules, one of eyes and one of ground after them."""
    eyes = Caution("laser computed", "cannot tell", "Nothing can be computed.", None, 12.5, "m to the nearest eye")
    return (*safety.cautions, eyes, Caution("ground risk", "note", "May fall up to 41.3 m beside.", 41.3, None, "m"))


def made_rules(where: str, word: str = "") -> tuple[RuleResult, ...]:
    """Return a rule that is kept, one that is not, at a place, and one that cannot be told."""
    kept = (66.0, 120.0, "m", "within", "", "always")
    broken = (7.25, 30.0, "m horizontally", "over", where, "near people")
    return (
        RuleResult(f"x.height{word}", f"Stay low.{word}", f"Act 1{word}", READ, "R", *kept),
        RuleResult("x.people", "Keep 30 m away.", "Act 2", READ, "M", *broken),
        RuleResult("x.night", "Show a light.", "Act 3", READ, "R2", None, None, "", "cannot tell", "", "by night"),
    )


def made_eyes() -> tuple[EyeFigures, ...]:
    """Return a pulse rate whose energy is stated, and one that tells nothing."""
    flown = HazardDistances((3.14, 2.5), (21.01, 20.0), (4.04, 2.2), (25.55, 21.0), (3.02, 2.4), (True, False))
    stopped = HazardDistances((88.8, np.inf), (190.0, 0.0), (91.0, 87.0), (200.0, 199.0), (80.0, 79.0), (False, True))
    return (
        EyeFigures(100e3, 50.0, 5.7, "3R", 4.5, flown, stopped, 57.31, (5.14, 23.01)),
        EyeFigures(200e3, 100.0, 6.1, "unknown", None, None, None, float("nan"), None),
    )


def made_exposure(cells: CellGrid) -> Exposure:
    """Return exposure in bands of a quarter of the rows: naked, aided, stopped, none over; a column is not known."""
    band = np.repeat(4 * np.arange(cells.rows) // cells.rows, cells.cols).reshape(cells.rows, cells.cols)
    near = np.full(band.shape, 60.0)
    near[:, 0] = np.nan
    naked, aided, stopped = (np.where(over, 1.01, 1.0) for over in (band == 0, band <= 1, band != 3))
    known = ~np.isnan(near)
    return Exposure(cells, near, *(np.where(known, one, np.nan) for one in (naked, aided, stopped)))


def made_risk(area: shapely.Geometry, word: str = "") -> GroundRisk:
    """Return a buffer of 40 m round an area with a road under it, and a fair beside it."""
    footprint = area.buffer(5.0)
    passes = (Pass("sortie 1", 3.0, 7.5), Pass("sortie 2", 1.0, 5.0))
    crossings = (
        Crossing(f"mill road{word}", "roads", 123.4, passes, None, 78.9),
        Crossing(f"fair{word}", "people", 0.0, (), 345.6, None),
    )
    beyond = footprint.difference(area)
    return GroundRisk(
        footprint, area.buffer(40.0), beyond, 98765.4, 1234.5, 41.3, "as far as it is high (1:1)", 0.0125, crossings,
        True, ("people", "roads"),
    )  # fmt: skip


def made_surroundings(
    area: shapely.Geometry, word: str = ""
) -> tuple[dict[Kind, tuple[GroundPlace, ...]], tuple[AirspaceVolume, ...]]:
    """Return a fair, a bare place of people and a road; a zone and a heliport."""
    x, y = area.centroid.x, area.centroid.y
    road = shapely.LineString([(x - 90, y - 20), (x + 90, y + 25)])
    beneath: dict[Kind, tuple[GroundPlace, ...]] = {
        "people": (
            GroundPlace(f"fair{word}", shapely.box(x + 20, y - 10, x + 40, y + 10)),
            GroundPlace(f"bench{word}", shapely.Point(x - 30, y)),
        ),
        "roads": (GroundPlace(f"mill road{word}", road, 4.0),),
    }
    east = shapely.box(x, y - 300, x + 300, y + 300)
    zone = AirspaceVolume(f"zone{word}", "controlled", east, Level("amsl", 150.0), Level("fl", 65), READ)
    pad = AirspaceVolume(f"pad{word}", "heliport", shapely.Point(x + 40, y + 60), Level("sfc"), Level("unl"), READ)
    return beneath, (zone, pad)


def made_windows() -> DayWindows:
    """Return a day from half past midnight to midnight: satellites from 6 to 12, water from 9 to 15."""
    utc = DAY + np.arange(0, 86400 + 1, 1800).astype("timedelta64[s]")
    watch = SkyWatch(utc, np.where(np.arange(len(utc)) < 10, 4, 9), np.linspace(8.0, 1.25, len(utc)))
    return DayWindows(
        Span(DAY, DAY + np.timedelta64(86400, "s")), (hours(6, 12),), (hours(9, 15),), (hours(9, 12),), watch, ()
    )


def hours(begins: int, ends: int) -> Span:
    """Return a span of whole hours of 12 April 2027."""
    midnight = np.datetime64("2027-04-12", "s")
    return Span(midnight + np.timedelta64(begins * 3600, "s"), midnight + np.timedelta64(ends * 3600, "s"))
