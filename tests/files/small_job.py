"""A small invented job for tests of what is written and read: a tilted meadow, two lines, two gaps.

`compared` is the same job with a road and a pond on it, in three cases of air and wetness.
"""

import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import shapely
from made_quality import accuracy_parts, made_quality
from made_site import NAVIGATION

from planner.aircraft import Aircraft
from planner.assessment import Assessment, Forecast, LineFigures, Plan
from planner.cover import Surface
from planner.equipment import RangeRating, Sensor
from planner.errors import Fault
from planner.flight.flightlines import FlightLine
from planner.flight.settings import Settings
from planner.forecast.density import CoverageFigures, DensityFigures
from planner.forecast.faces import FaceFigures
from planner.forecast.gaps import CAUSES, NOT_JUDGED, Gap
from planner.forecast.parts import UNCLASSED, CaseFigures, PartFigures
from planner.ground.geodesy import Frame, Geoid, geodesic_length_m, site_frame
from planner.ground.surface import CellGrid, Feature, GroundCover, HeightGrid, Scene
from planner.mission import FlightChoice, Limits, Mission, Site, Terrain
from planner.requirement import Requirement
from planner.safety.cautions import Caution

Mask = npt.NDArray[np.bool_]

LON_DEG, LAT_DEG = -7.41, 62.03


def small_frame() -> Frame:
    """A frame whose origin is not that of its CRS, so that a forgotten origin shows."""
    return Frame(site_frame(LON_DEG, LAT_DEG).crs, 1200.0, -800.0)


def tilted_geoid() -> Geoid:
    """Separation 50 m to 56 m over two degrees: about 0.1 mm a metre."""
    rows, cols = np.mgrid[0:9, 0:9]
    return Geoid("tilted plane", 50 + 0.5 * rows + 0.25 * cols, LON_DEG - 1, LAT_DEG + 1, 0.25)


def small_scene(heights: str = "orthometric", geoid: Geoid | None = None) -> Scene:
    """Ground 20 m + 0.1 east - 0.05 north over 400 m by 400 m, centred on local (-1200, 800)."""
    west, north, spacing = -1400.0, 1000.0, 4.0
    east, up_north = np.meshgrid(west + spacing * np.arange(101), north - spacing * np.arange(101))
    plane = 20 + 0.1 * (east + 1200) - 0.05 * (up_north - 800)
    ground = HeightGrid(plane, np.ones(plane.shape, dtype=bool), west, north, spacing)
    outer, hole = shapely.box(-1300, 700, -1100, 900), shapely.box(-1210, 790, -1190, 810)
    area = shapely.MultiPolygon([shapely.Polygon(outer.exterior.coords, [hole.exterior.coords])])
    return Scene(small_frame(), area, shapely.MultiPolygon([area.buffer(20)]), ground, ground, True, heights, geoid)


def small_mission(agl_m: float | None = 60.0, speed_mps: float | None = 5.0) -> Mission:
    sensor = Sensor(
        name="T",
        wavelength_nm=905,
        pattern="oscillating_linear",
        line_rates_hz=(50, 100),
        optical_fov_deg=80,
        usable_fov_deg=70,
        divergence_mrad=1,
        divergence_width="1/e2",
        min_range_m=3,
        range_noise_m=0.02,
        ratings=(
            RangeRating(pulse_rate_hz=100e3, range_m=200, reflectance=0.2),
            RangeRating(pulse_rate_hz=200e3, range_m=150, reflectance=0.2),
        ),
    )
    return Mission(
        name="Meadow <test>",
        date=dt.date(2027, 4, 12),
        file=Path("meadow.toml"),
        take_off_deg=((LON_DEG, LAT_DEG),),
        site=Site(area="meadow.geojson"),
        terrain=Terrain(ground="meadow.tif", heights="orthometric"),
        sensor=sensor,
        navigation=NAVIGATION,
        aircraft=Aircraft(name="H", min_speed_mps=1, max_speed_mps=12, climb_mps=4, descent_mps=3, endurance_s=1500),
        requirement=Requirement(density_per_m2=100, vertical_rmse_m=0.05),
        limits=Limits(),
        flight=FlightChoice(agl_m=agl_m, speed_mps=speed_mps),
    )


def small_lines() -> tuple[FlightLine, ...]:
    north = np.linspace(650, 950, 13)
    up = 20 - 0.05 * (north - 800) + 60 + np.sin(north / 17)
    there = np.column_stack([np.full(13, -1250.0), north, up - 5])
    back = np.column_stack([np.full(13, -1150.0), north[::-1], up[::-1] + 5.0001])
    return (
        FlightLine("L01", there, (50.0, 250.0), 6.1, 200e3, 100.0, float(np.radians(33.3))),
        FlightLine("L02", back, (49.87654321, 250.123), 5.7, 100e3, 50.0, float(np.radians(35))),
    )


def line_figures(line: FlightLine, scene: Scene, heading_deg: float) -> LineFigures:
    kept = line.kept_points_m()
    agl = line.points_m[:, 2] - scene.ground.at(line.points_m[:, 0], line.points_m[:, 1])
    length = geodesic_length_m(scene.frame, kept[:, 0], kept[:, 1])
    return LineFigures(
        line.line_id, heading_deg, length, float(agl.min()), float(agl.mean()), float(agl.max()), 80.0, 120.0, 0.0
    )


def small_assessment(heights: str = "orthometric", geoid: Geoid | None = None, met: bool = False) -> Assessment:
    mission, scene = small_mission(), small_scene(heights, geoid)
    lines = small_lines()
    settings = Settings(60, 6.1, 200e3, 100, 33.3, 70, 0.0, 0.25, "terrain", {"agl_m": "given"})
    figures = tuple(line_figures(line, scene, heading) for line, heading in zip(lines, (0.1, 180.1), strict=True))
    flight = {"lines": 2, "line_length_m": np.float64(400.24), "turns": 1, "time_s": {"lines": 66.0, "total": 90.0}}
    cells = CellGrid(20, 24, -1320.0, 900.0, 2, 8.0)
    density = np.arange(480, dtype=np.float64).reshape(20, 24) / 3
    density[0, 0] = np.nan
    figures_of_both = {
        "first_mean_per_m2": 80 / 3,
        "first_p05_per_m2": 12.5,
        "first_min_per_m2": 0.0,
        "ground_mean_per_m2": 20 / 3,
        "ground_p05_per_m2": 3.125,
        "ground_min_per_m2": 0.0,
        "ground_definition": "ground returns, one in four passes the crowns",
    }
    judged = cells.inside(scene.area)
    cause = np.where(judged, 0, 255).astype(np.uint8)
    clockwise = shapely.Polygon([(-1290, 800), (-1290, 816), (-1274, 816), (-1274, 800)])
    gaps = (Gap("G001", "sparse", clockwise, 256.0, 31.25), Gap("G002", "shadow", clockwise.buffer(-4), 64.0, np.nan))
    forecast = Forecast(
        cells=cells,
        judged=judged,
        density_per_m2=density,
        first_per_m2=density,
        ground_per_m2=density / 4,
        passes=(density > 50).astype(np.uint8),
        cause=cause,
        gaps=gaps,
        density=DensityFigures(
            "first returns, all passes, 8 m cells", 100, 80 / 3, 5, 12.5, 12.5, float("nan"), 8, **figures_of_both
        ),
        faces=FaceFigures("first returns per square metre of face", 45.0, 128.0, 256.0, 11.0, 4.0),
        coverage=CoverageFigures(39600.0, 320.0, 0.81, 0.0, {"sparse": 256.0, "shadow": 64.0}, 0.0),
        met=met,
        cases=(
            CaseFigures(
                "as planned", "visibility 23 km, dry", density, judged & ~(density >= 100), 320.0, 0.81, 12.5, met
            ),
        ),
        by_class=(PartFigures(UNCLASSED, 39600.0, (320.0,), {"sparse": 256.0, "shadow": 64.0}, 12.5, "fly slower"),),
        by_feature=(),
        **accuracy_parts(cells, judged, density, requirement=mission.requirement),
    )
    cautions = (Caution("ceiling", "within", "Below the ceiling.", 66.0, 120.0, "m above ground"),)
    plan = Plan(lines, settings, figures, flight)
    unsafe = () if met else (Fault("E23", "L02 passes 4 m below its clearance", "-7.411, 62.031", "fly higher"),)
    quality = made_quality(scene, cells, judged)
    return Assessment(mission, scene, plan, forecast, quality, cautions, ("one assumption",), unsafe)


def reviewed(assessment: Assessment) -> Assessment:
    """The same lines, drawn by somebody else."""
    return replace(assessment, plan=replace(assessment.plan, settings=None))


def compared() -> Assessment:
    """The meadow with a tar road, 16 m wide, and a pond; as planned, wet (the road goes dim) and at night (it mends).

    The road is below the target as planned in its southern 5 of 20 rows of cells, wet in all of them, at night in none.
    """
    job = small_assessment(met=True)
    scene, cells, judged = job.scene, job.forecast.cells, job.forecast.judged
    road, pond = shapely.box(-1272, 700, -1256, 900), shapely.box(-1160, 764, -1128, 796)
    on_road, on_pond = cells.inside(road) & judged, cells.inside(pond) & judged
    south = on_road & (np.arange(cells.rows) >= cells.rows - 5)[:, None]
    dry = np.where(on_pond, 3.0, np.where(south, 60.0, 140.0))
    cause = np.where(judged, 0, NOT_JUDGED).astype(np.uint8)
    cause[south], cause[on_pond] = CAUSES.index("dim surface") + 1, CAUSES.index("water") + 1
    cell_m2, land = cells.cell_m**2, judged & ~on_pond

    def case(name: str, description: str, below: Mask) -> CaseFigures:
        share = 100 * float(below.sum()) / float(land.sum())
        density = np.where(below, 60.0, np.where(on_pond, 3.0, 140.0))
        return CaseFigures(name, description, density, below, float(below.sum()) * cell_m2, share, 140.0, share <= 5)

    def part(name: str, where: Mask, by_cause: dict[str, float], advice: str) -> PartFigures:
        below = tuple(float((one.below & where).sum()) * cell_m2 for one in cases)
        return PartFigures(name, float(where.sum()) * cell_m2, below, by_cause, 60.0, advice)

    cases = (
        case("as planned", "visibility 23 km, dry", south),
        case("wet", "visibility 23 km, wet surfaces", on_road),
        case("night", "visibility 23 km, dry, night", np.zeros_like(judged)),
    )
    dim = {"dim surface": float(south.sum()) * cell_m2}
    advice = "fly lower, or on a dry day; less is lost in the case: night"
    squares = tuple(n - 1 for n in scene.ground.heights_m.shape)
    east, north = (
        scene.ground.west_m + 4 * np.arange(squares[1]) + 2,
        scene.ground.north_m - 4 * np.arange(squares[0]) - 2,
    )
    at = np.meshgrid(east, north)
    codes = np.where(shapely.contains_xy(pond, *at), 2, shapely.contains_xy(road, *at)).astype(np.uint8)
    surfaces = (
        Surface(reflectance=(0.1, 0.11, 0.12), source="measured on a test strip", mark="R"),
        Surface(kind="water", reflectance=0.02, source="pure water", mark="C"),
    )
    forecast = replace(
        job.forecast,
        density_per_m2=dry,
        cause=cause,
        density=replace(job.forecast.density, mean_per_m2=134.0, judged_per_m2=140.0, p05_per_m2=140.0, min_per_m2=3.0),
        gaps=(
            Gap("G001", "water", pond, float(on_pond.sum()) * cell_m2, 3.0),
            Gap("G002", "dim surface", shapely.box(-1272, 740, -1256, 780), dim["dim surface"], 60.0),
        ),
        coverage=CoverageFigures(
            float(judged.sum()) * cell_m2,
            dim["dim surface"],
            cases[0].below_pct,
            float(on_pond.sum()) * cell_m2,
            dim,
            0.0,
        ),
        cases=cases,
        by_class=(
            part(UNCLASSED, land & ~on_road, {}, ""),
            part("asphalt", on_road, dim, advice),
        ),
        by_feature=(part("the crest road", on_road, dim, advice),),
    )
    features = (Feature("the crest road", road),)
    scene = replace(scene, cover=GroundCover(codes, ("asphalt", "water"), surfaces), features=features)
    return replace(job, scene=scene, forecast=forecast)
