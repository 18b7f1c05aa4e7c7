import base64
import dataclasses
import datetime as dt
import json
import re
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import pytest
import shapely
from made_quality import accuracy_parts, made_confidence, made_quality
from made_safety import with_safety
from made_site import NAVIGATION
from made_sorties import flown

from planner.aircraft import Aircraft
from planner.assessment import Assessment, Forecast, LineFigures, Plan
from planner.equipment import RangeRating, Sensor
from planner.files.mapaccuracy import (
    AGAINST_TARGET_RGB,
    BY_SIZE_RGB,
    CHANCE_RGB,
    chance_codes,
    chance_legend,
    error_breaks_m,
    error_codes,
    error_legend,
    judged_errors_m,
)
from planner.files.mapassets import class_picture, guarded, inlined
from planner.files.mapclasses import (
    CASE_RGB,
    CAUSE_HATCH,
    CAUSE_RGB,
    DENSITY_RGB,
    MOST_CASES,
    PASSES_RGB,
    case_codes,
    case_legends,
    density_breaks,
    legend,
)
from planner.files.mapflight import flight_layers
from planner.files.mapsafety import EXPOSURE_RGB
from planner.files.mapwords import REASONS, feature_said
from planner.files.webmap import write_map
from planner.flight.flightlines import FlightLine
from planner.forecast.density import CoverageFigures, DensityFigures, means_within
from planner.forecast.faces import FaceFigures
from planner.forecast.gaps import CAUSES, Gap
from planner.forecast.parts import CaseFigures, PartFigures
from planner.ground.geodesy import WGS84, site_frame
from planner.ground.surface import Feature, HeightGrid, Scene, cells_on
from planner.ground.surroundings import GroundPlace
from planner.mission import Mission, Site, Terrain
from planner.requirement import Requirement
from planner.safety.cautions import Caution

TARGET = 50.0
ROAD = shapely.LineString([(-90, -36), (-20, -30), (76, 12)]).buffer(4)
CHROMIUM = next((p for p in ("/usr/bin/chromium", "/usr/bin/chromium-browser") if Path(p).exists()), None)
QUIET = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync"]  # fmt: skip
HOSTILE = (
    "<img src=x onerror=alert(1)>",
    "${alert(1)}",
    "</script><script>alert(1)</script>",
    "`+alert(1)+`",
    "{{ 7 * 191 }}",
    "--><svg onload=alert(1)>",
)
HOSTILE_NAME = " ".join((*HOSTILE[:3], HOSTILE[4]))


def _mission(name: str) -> Mission:
    sensor = Sensor(
        name="B", wavelength_nm=905, pattern="rotating", line_rates_hz=(50.0,), optical_fov_deg=360, usable_fov_deg=90,
        divergence_mrad=1.0, divergence_width="1/e2", min_range_m=5, range_noise_m=0.02,
        ratings=(RangeRating(pulse_rate_hz=300e3, range_m=200, reflectance=0.2),),
    )  # fmt: skip
    aircraft = Aircraft(
        name="hexacopter", min_speed_mps=1, max_speed_mps=12, climb_mps=4, descent_mps=2.5, endurance_s=1500
    )
    return Mission(
        name=name, date=dt.date(2027, 4, 12), file=Path("job.toml"), take_off_deg=((-7.4105, 62.0302),),
        site=Site(area="area.geojson", buffer_m=15), terrain=Terrain(ground="ground.tif", heights="orthometric"),
        sensor=sensor, navigation=NAVIGATION, aircraft=aircraft,
        requirement=Requirement(density_per_m2=TARGET, vertical_rmse_m=0.05),
    )  # fmt: skip


def _scene() -> Scene:
    """A hill 200 m wide with a hole in its terrain."""
    east, north = np.meshgrid(np.arange(201.0) - 100, 100 - np.arange(201.0))
    heights = (
        120 + 18 * np.exp(-((east - 20) ** 2 + (north + 10) ** 2) / 2500) + 5 * np.sin(east / 17) * np.cos(north / 13)
    )
    known = np.hypot(east + 60, north + 60) > 6
    grid = HeightGrid(heights, known, -100.0, 100.0, 1.0)
    area = shapely.MultiPolygon([shapely.Polygon([(-82, -74), (78, -80), (84, 60), (10, 82), (-80, 66)])])
    planned = shapely.MultiPolygon([area.geoms[0].buffer(12)])
    return Scene(site_frame(-7.412, 62.031), area, planned, grid, grid, True, "orthometric", None)


def _lines(ids: tuple[str, ...]) -> tuple[FlightLine, ...]:
    made = []
    for number, line_id in enumerate(ids):
        east = -64.0 + 32 * number
        norths = np.array([-112.0, -85, 0, 85, 112]) * (1 if number % 2 == 0 else -1)
        points = np.column_stack([np.full(5, east), norths, [190.0, 190, 196, 192, 190]])
        made.append(FlightLine(line_id, points, (27.0, 197.0), 6.0, 300e3, 50.0, 0.7))
    return tuple(made)


def assessment(
    name: str = "Oskarfell quarry, spring volumes",
    ids: tuple[str, ...] = ("L01", "L02", "L03", "L04", "L05"),
    passing: float = 0.3,
    road: str = "crest road",
    wet: str = "wet",
    word: str = "",
) -> Assessment:
    """A job with a grove in its middle, through whose crowns a share of the pulses passes, a tar road and a pond.

    The west half of the road is too dim as planned, all of it when wet, none of it at night.
    """
    scene = dataclasses.replace(_scene(), features=(Feature(road, ROAD),))
    mission, lines = _mission(name), _lines(ids)
    cells = cells_on(scene.top, 1.0)
    east, north = np.meshgrid(*cells.centres_m())
    judged = cells.inside(scene.area)
    density = 62 + 22 * np.cos((east + 64) * 2 * np.pi / 32) + 6 * np.sin(north / 9)
    cause = np.where(density < TARGET, CAUSES.index("sparse") + 1, 0)
    shadow = (np.hypot((east - 58) / 2, north + 42) < 9) & judged
    unlined = (north > 56) & (east < -30)
    unknown = np.hypot(east + 60, north + 60) < 7
    on_road, pond = cells.inside(ROAD), np.hypot(east - 46, north - 36) < 12
    density[on_road], cause[on_road] = 70.0, 0
    dim = on_road & (east < 0)
    for mask, value, why in (
        (shadow, 0.0, "shadow"), (unlined, 0.0, "no line"), (unknown, np.nan, "no terrain"),
        (dim, 20.0, "dim surface"), (pond, 3.0, "water"),
    ):  # fmt: skip
        density[mask], cause[mask] = value, CAUSES.index(why) + 1
    cause = np.where(judged, cause, 255).astype(np.uint8)
    ground = np.where(np.hypot(east - 8, north - 22) < 34 + 5 * np.sin(east / 4), passing * density, density)
    gaps = []
    for code in np.unique(cause[(cause > 0) & (cause < 255)]):
        boxes = [
            shapely.box(e - 0.5, n - 0.5, e + 0.5, n + 0.5)
            for e, n in zip(east[cause == code], north[cause == code], strict=True)
        ]
        merged = shapely.union_all(boxes)
        parts = merged.geoms if hasattr(merged, "geoms") else [merged]
        gaps += [(CAUSES[code - 1], part) for part in parts if part.geom_type == "Polygon"]
    gaps.sort(key=lambda pair: -pair[1].area)
    means = means_within(density, [part for _, part in gaps], cells)
    nouns = tuple(
        Gap(f"G{n:03d}", why, part, part.area, mean)
        for n, ((why, part), mean) in enumerate(zip(gaps, means, strict=True), 1)
    )
    by_cause = {why: float((cause == n + 1).sum()) for n, why in enumerate(CAUSES)}
    water, by_cause["water"] = by_cause["water"], 0.0
    below = sum(by_cause.values())
    plain, land = judged & (cause > 0) & ~pond, judged & ~pond
    cases = tuple(
        CaseFigures(
            title, said, density, mask, float(mask.sum()), 100 * float(mask.sum() / land.sum()), 38.6, title == "night"
        )
        for title, said, mask in (
            ("as planned", "visibility 23 km, dry, light as the card states", plain),
            (wet, "visibility 23 km, wet surfaces, light as the card states", plain | (on_road & judged)),
            ("night", "visibility 23 km, dry, night", plain & ~dim),
        )
    )
    parts = tuple(
        PartFigures(
            title, float(where.sum()), tuple(float((case.below & where).sum()) for case in cases),
            {"dim surface": float((dim & where).sum())} if title == road else {}, 20.0,
            "fly lower, or on a dry day; less is lost in the case: night" if title == road else "",
        )
        for title, where in ((road, on_road & judged), ("grass", land & ~on_road))
    )  # fmt: skip
    figures = tuple(
        LineFigures(
            line.line_id,
            0.0 if n % 2 == 0 else 180.0,
            170.0,
            58.2,
            66.0,
            74.9 + 50 * (n == 3),
            132.0,
            31.4,
            4.9 * (n == 3),
        )
        for n, line in enumerate(lines)
    )
    forecast = Forecast(
        cells=cells, judged=judged, density_per_m2=density, first_per_m2=density, ground_per_m2=ground,
        passes=(1 + (np.abs(east % 32 - 16) < 8)).astype(np.uint8), cause=cause, gaps=nouns,
        density=DensityFigures(
            "first returns, all passes pooled, cells of 1 m inside the area; 5 % of the cells may lie below",
            TARGET, 61.2, 5.0, 38.6, 38.6, 0.0, 1.0, 61.2, 38.6, 0.0, 48.7, 12.9, 0.0,
            "returns from bare ground; a pulse that meets crowns counts by its chance to pass through them",
        ),
        faces=FaceFigures("first returns per square metre of face", 45.0, 310.0, 544.0, 27.3, 9.8),
        coverage=CoverageFigures(float(judged.sum()), below, 100 * below / judged.sum(), water, by_cause, 4.2),
        met=False, cases=cases, by_class=parts, by_feature=parts[:1],
        **accuracy_parts(cells, judged, np.nan_to_num(density), requirement=mission.requirement),
    )  # fmt: skip
    cautions = (
        Caution("ceiling", "over", "Line L04 flies above the ceiling at its middle.", 124.9, 120.0, "m above ground"),
        Caution(
            "eye distance",
            "cannot tell",
            "The card states no hazard distance: ask the maker before people come near.",
            None,
            66.0,
            "m slant",
        ),
        Caution(
            "clearance",
            "within",
            "Least distance to the top surface along all lines.",
            44.1,
            30.0,
            "m above top surface",
        ),
        Caution("airspace", "note", "Airspace is not looked at: check local rules and notices for the day."),
    )
    flight = {"lines": 5, "line_length_m": 850.0, "turns": 4, "time_s": {"total": 431.0}}
    assumptions = ("visibility 23 km (default)", "scan phase starts anew on each line", "no wind")
    quality = made_quality(scene, cells, judged, word=word)
    return Assessment(mission, scene, Plan(lines, None, figures, flight), forecast, quality, cautions, assumptions)


@pytest.fixture(scope="module")
def map_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("map") / "map.html"
    write_map(path, assessment())
    return path


@pytest.fixture(scope="module")
def flown_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("flown") / "map.html"
    write_map(path, flown(assessment(), word=HOSTILE[0]))
    return path


def _kind_layers(path: Path) -> list[str]:
    return re.findall(r"Expected (\w+) returns</label>", path.read_text(encoding="utf-8"))


def test_the_other_returns_have_a_layer_where_they_differ(map_file: Path, tmp_path: Path) -> None:
    assert _kind_layers(map_file) == ["first", "ground"]
    write_map(tmp_path / "bare.html", assessment(passing=1.0))
    assert _kind_layers(tmp_path / "bare.html") == ["first"]


def test_the_layer_of_the_returns_asked_for_comes_first_and_has_the_target(tmp_path: Path) -> None:
    job = assessment()
    asked = dataclasses.replace(job.mission, requirement=Requirement(density_per_m2=TARGET, returns="ground"))
    forecast = dataclasses.replace(job.forecast, density_per_m2=job.forecast.ground_per_m2)
    write_map(tmp_path / "map.html", dataclasses.replace(job, mission=asked, forecast=forecast))
    assert _kind_layers(tmp_path / "map.html") == ["ground", "first"]
    page = (tmp_path / "map.html").read_text(encoding="utf-8")
    assert page.count('class="target"') == 2, "of the density asked for, and of the vertical error"
    assert "the target counts ground returns" in page
    assert f'Ground returns, required", "{TARGET:g} per m' in page


def test_both_densities_and_the_faces_are_told(map_file: Path, tmp_path: Path) -> None:
    def rows(path: Path) -> list[list[str]]:
        table = path.read_text(encoding="utf-8").split('<table class="densities">')[1].split("</table>")[0]
        return [re.findall(r">([^<>]+)</t[hd]>", row) for row in table.split("<tr>")[2:]]

    job = assessment()
    assert rows(map_file) == [
        ["First returns per m²", "61.2", "38.6"],
        ["Ground returns per m²", "48.7", "12.9"],
        ["First returns per m² of face over 45°", "27.3", "9.8"],
    ]
    for said in (job.forecast.density.ground_definition, job.forecast.faces.definition):
        assert said in _markup(map_file.read_text(encoding="utf-8"))
    write_map(tmp_path / "level.html", dataclasses.replace(job, forecast=dataclasses.replace(job.forecast, faces=None)))
    assert len(rows(tmp_path / "level.html")) == 2


def test_a_gap_tells_both_densities(map_file: Path) -> None:
    told = {said["title"].split()[-1]: dict(said["rows"]) for said in _words(map_file) if "Cause" in str(said)}
    job = assessment()
    assert len(told) == len(job.forecast.gaps)
    apart = 0
    for gap in job.forecast.gaps:
        rows, cells = told[gap.gap_id], job.forecast.cells
        inside = cells.inside(gap.polygon)
        for kind, density in (("First", job.forecast.first_per_m2), ("Ground", job.forecast.ground_per_m2)):
            mean = np.nan_to_num(density[inside]).mean()
            assert float(rows[f"{kind} returns, mean"].split()[0]) == pytest.approx(mean, abs=0.051)
        apart += len({rows[f"{kind} returns, mean"] for kind in ("First", "Ground")}) == 2
    assert apart > 0


def _words(path: Path) -> list[dict[str, Any]]:
    found = re.search(r'id="words">(.*?)</script>', path.read_text(encoding="utf-8"), re.DOTALL)
    assert found is not None
    return list(json.loads(found[1]))


def test_a_gap_says_its_cause_in_one_sentence(map_file: Path) -> None:
    assert tuple(REASONS) == CAUSES
    notes = {dict(said["rows"])["Cause"]: said for said in _words(map_file) if "Cause" in dict(said["rows"])}
    assert {cause: said["note"] for cause, said in notes.items()} == {cause: REASONS[cause] for cause in notes}
    assert notes["water"]["title"].startswith("Open water"), "what is expected is not called a gap"
    assert notes["dim surface"]["title"].startswith("Gap")


def test_water_stands_last_and_apart(map_file: Path) -> None:
    job = assessment()
    causes = legend(job)["causes"]
    assert causes[-1]["label"] == "water: expected, no failure"
    assert causes[-1]["area_m2"] == job.forecast.coverage.expected_water_m2 > 0
    assert sum(swatch["area_m2"] for swatch in causes[:-1]) == job.forecast.coverage.below_m2
    assert "Open water below target: expected, no failure" in map_file.read_text(encoding="utf-8")


def _case_rows(path: Path) -> list[list[str]]:
    page = path.read_text(encoding="utf-8")
    if '<table class="cases">' not in page:
        return []
    table = page.split('<table class="cases">')[1].split("</table>")[0]
    return [[text.strip() for text in re.findall(r">([^<>]*\w[^<>]*)<", row)] for row in table.split("<tr>")[2:]]


def test_cases_stand_in_one_table(map_file: Path, tmp_path: Path) -> None:
    forecast = assessment().forecast
    assert _case_rows(map_file) == [
        [case.name, case.description, f"{case.below_pct:.2f} %", "met" if case.met else "not met"]
        for case in forecast.cases
    ]
    alone = dataclasses.replace(
        forecast,
        cases=forecast.cases[:1],
        by_feature=tuple(dataclasses.replace(part, below_m2=part.below_m2[:1]) for part in forecast.by_feature),
    )
    write_map(tmp_path / "map.html", dataclasses.replace(assessment(), forecast=alone))
    assert _case_rows(tmp_path / "map.html") == []


def test_a_case_is_drawn_beside_the_plan() -> None:
    """What is added, shared and mended makes up both cases; no cell is two of these."""
    job = assessment()
    planned, wet, night = job.forecast.cases
    for case in (wet, night):
        codes = case_codes(case, planned)
        np.testing.assert_array_equal(np.isin(codes, (1, 2)), case.below)
        np.testing.assert_array_equal(np.isin(codes, (2, 3)), planned.below)
    assert set(np.unique(case_codes(wet, planned))) == {1, 2, 255}, "wetness mends nothing"
    assert set(np.unique(case_codes(night, planned))) == {2, 3, 255}, "night adds nothing"
    shown = {case.name: [swatch["area_m2"] for swatch in swatches] for case, swatches in case_legends(job)}
    assert sum(shown["wet"]) == wet.below_m2
    assert sum(shown["night"]) == planned.below_m2


def test_too_many_cases_keep_their_place_in_the_table(tmp_path: Path) -> None:
    job = assessment()
    planned, wet, night = job.forecast.cases
    others = tuple(dataclasses.replace(wet, name=f"haze {n} km") for n in range(1, MOST_CASES))
    forecast = dataclasses.replace(job.forecast, cases=(planned, wet, *others, night), by_feature=())
    scene = dataclasses.replace(job.scene, features=())
    write_map(tmp_path / "map.html", dataclasses.replace(job, scene=scene, forecast=forecast))
    page = (tmp_path / "map.html").read_text(encoding="utf-8")
    assert len(re.findall(r'data-layer="case\d+"', page)) == MOST_CASES
    assert f"The first {MOST_CASES} of {MOST_CASES + 1} other cases have a layer" in page
    assert _case_rows(tmp_path / "map.html")[-1][0] == "night"
    assert 'data-layer="features"' not in page, "no feature, no layer of them"


def test_a_feature_tells_what_falls_short_in_each_case(map_file: Path) -> None:
    job = assessment()
    (part,) = job.forecast.by_feature
    (said,) = (said for said in _words(map_file) if said["title"] == part.name and said["rows"])
    rows = dict(said["rows"])
    for case, area_m2 in zip(job.forecast.cases, part.below_m2, strict=True):
        assert rows[f"Below target, {case.name}"].replace("\u202f", "").startswith(f"{area_m2:.0f} m²")
    assert rows["Below target, wet"].endswith("(100 %)")
    assert rows["… for dim surface"] == f"{part.below_m2[0]:.0f} m²"
    assert part.advice in said["note"]
    aside = feature_said(dataclasses.replace(part, area_m2=0.0), job.forecast.cases)
    assert (aside.rows, aside.note) == ((), "None of it lies in the judged area.")


def test_the_target_parts_the_vertical_errors() -> None:
    job = assessment()
    target, errors = job.forecast.accuracy.target_rmse_m, judged_errors_m(job)
    assert target in error_breaks_m(target)
    codes, inside = error_codes(job), job.forecast.judged
    legend_labels = [swatch["label"] for swatch in error_legend(job)]
    over = 2 + [swatch["target"] for swatch in error_legend(job)].index(True)  # the code of the last class over it
    assert legend_labels[over - 2] == "5 to 7.5"
    with np.errstate(invalid="ignore"):
        assert ((codes >= 2) & (codes <= over))[inside].sum() == (errors > target)[inside].sum() > 0
        assert ((codes > over) & inside).sum() == (errors <= target)[inside].sum() > 0
    np.testing.assert_array_equal(codes == 1, inside & np.isnan(errors))
    np.testing.assert_array_equal(codes == 255, ~inside)
    exact = dataclasses.replace(job.forecast.errors, vertical_combined_m=np.full(inside.size, target))
    met = error_codes(dataclasses.replace(job, forecast=dataclasses.replace(job.forecast, errors=exact)))
    assert np.unique(met[inside]) == over + 1, "an error that equals the target keeps to it"


def test_vertical_errors_have_plain_classes_without_a_target() -> None:
    job = assessment()
    free = dataclasses.replace(job.forecast, accuracy=dataclasses.replace(job.forecast.accuracy, target_rmse_m=None))
    swatches = error_legend(dataclasses.replace(job, forecast=free))
    assert [swatch["label"] for swatch in swatches] == [
        "20 and more", "10 to 20", "5 to 10", "3 to 5", "2 to 3", "1 to 2", "under 1", "no return",
    ]  # fmt: skip
    assert not any(swatch["target"] for swatch in swatches)


def test_the_errors_shown_are_those_of_the_passes_asked_for() -> None:
    job = assessment()
    asked = dataclasses.replace(job.mission.requirement, coverage="single")
    single = dataclasses.replace(job, mission=dataclasses.replace(job.mission, requirement=asked))
    np.testing.assert_allclose(judged_errors_m(single), 1.3 * judged_errors_m(job))


def test_sure_cells_are_a_class_of_their_own() -> None:
    job = assessment()
    sure = job.quality.confidence
    assert sure is not None
    best, *others = chance_legend(job)
    assert best["label"] == "0.95 to 1"
    assert sum(swatch["area_m2"] for swatch in others) == sure.area_under_m2 > 0
    chances = np.array([np.nan, 0.0, 0.499, 0.5, 0.8, 0.949, 0.95, 1.0], np.float32)
    assert chance_codes(chances).tolist() == [255, 1, 1, 2, 3, 3, 4, 4]


def test_without_draws_there_is_no_layer_of_chances(map_file: Path, tmp_path: Path) -> None:
    job = assessment()
    bare = dataclasses.replace(job.quality.checkpoints, points=())
    quality = dataclasses.replace(job.quality, confidence=None, checkpoints=bare)
    write_map(tmp_path / "map.html", dataclasses.replace(job, quality=quality))
    for name in ("chance", "checkpoints"):
        said = f'data-layer="{name}"'
        assert said in map_file.read_text(encoding="utf-8")
        assert said not in (tmp_path / "map.html").read_text(encoding="utf-8")


def test_a_checkpoint_tells_its_place_in_the_users_grid(map_file: Path, tmp_path: Path) -> None:
    job = assessment()
    utm = pyproj.CRS(32629)
    write_map(tmp_path / "map.html", dataclasses.replace(job, scene=dataclasses.replace(job.scene, grid_crs=utm)))
    to_utm = pyproj.Transformer.from_crs(4326, utm, always_xy=True)
    for path, grid in ((map_file, "metre"), (tmp_path / "map.html", "EPSG:32629")):
        told = {said["title"]: said for said in _words(path) if said["title"].startswith("Checkpoint")}
        assert list(told) == ["Checkpoint CP01", "Checkpoint CP02", "Checkpoint CP03", "Checkpoint CP04"]
        for point, said in zip(job.quality.checkpoints.points, told.values(), strict=True):
            rows = dict(said["rows"])
            assert grid in rows["Grid"]
            assert rows["Cover"] == (point.cover or "not known")
            assert point.reason in said["note"]
    place = to_utm.transform(*job.scene.frame.to_lonlat(point.east_m, point.north_m))
    assert (float(rows["Easting"]), float(rows["Northing"])) == pytest.approx(place, abs=1e-3)


def test_the_panel_tells_accuracy_acceptance_chances_and_checkpoints(map_file: Path) -> None:
    section = map_file.read_text(encoding="utf-8").split('<section class="worth"')[1].split("</section>")[0]
    said = " ".join(re.sub(r"<[^>]*>", " ", section).split())
    accuracy, sure = assessment().forecast.accuracy, assessment().quality.confidence
    assert f"Vertical RMSE {100 * accuracy.tested_rmse_m:.1f} cm, met" in said
    assert f"most of it: {accuracy.dominant_term}" in said
    assert "2 met · 1 not met · 1 assumed" in said
    assert "vertical RMSE, open ground: 5.6 cm, asked at most 5.0 cm" in said
    assert f"Chance under 0.95 {sure.area_under_pct:.1f} % of the area terrain costs most" in said
    assert "4 placed of 30 bound by spacing; 62 % of the area is fit; chance to pass the test 0.83" in said
    page = _markup(map_file.read_text(encoding="utf-8"))
    assert accuracy.definition in page
    assert sure.definition in page


@pytest.fixture(scope="module")
def hostile_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("hostile") / "map.html"
    write_map(path, assessment(HOSTILE_NAME, HOSTILE[1:], road=HOSTILE[2], wet=HOSTILE[4], word=HOSTILE[0]))
    return path


def _markup(page: str) -> str:
    """The page less scripts, styles and comments."""
    return re.sub(r"<(script|style)\b[^>]*>.*?</\1>|<!--.*?-->", "", page, flags=re.DOTALL)


def test_the_page_names_nothing_to_fetch(map_file: Path) -> None:
    page = map_file.read_text(encoding="utf-8")
    assert "default-src 'none'" in page
    assert not re.findall(r"""(?:src|href)\s*=\s*["']?(?!#|data:)[^"'\s>]+""", _markup(page))
    assert "@import" not in page
    addresses = set(re.findall(r"https?://[\w./?=-]+", page))
    # Names of XML spaces, and addresses in Leaflet's own remarks and the credit that is switched off.
    assert {re.sub(r"^https?://(www\.)?", "", a).split("/")[0] for a in addresses} <= {
        "w3.org",
        "leafletjs.com",
        "bugs.chromium.org",
        "bugzilla.mozilla.org",
    }


def test_the_page_is_small_for_a_small_site(map_file: Path) -> None:
    assert map_file.stat().st_size < 1.5e6


def test_five_hundred_hectares_stay_below_5_mb(tmp_path: Path) -> None:
    """Below 5 MB for 500 ha with a town beneath; noise packs worse than any real forecast."""
    small = assessment()
    rng = np.random.default_rng(7)
    side = 2237
    grid = HeightGrid(rng.normal(100, 3, (side, side)), np.ones((side, side), bool), -1118.0, 1118.0, 1.0)
    cells = cells_on(grid, 1.0)
    density = rng.gamma(9, 8, (cells.rows, cells.cols))
    square = shapely.MultiPolygon([shapely.box(-1118, -1118, 1118, 1118)])
    everywhere = np.ones(density.shape, bool)
    cause = np.where(density < TARGET, rng.integers(1, 12, density.shape), 0).astype(np.uint8)
    scene = dataclasses.replace(small.scene, top=grid, ground=grid, area=square, planned=square, features=())
    shortfall = cause > 0
    cases = tuple(
        dataclasses.replace(small.forecast.cases[0], name=name, below=shortfall ^ (rng.random(density.shape) < 0.1))
        for name in ("as planned", *map(str, range(1, 1 + MOST_CASES)))
    )
    forecast = dataclasses.replace(
        small.forecast, cells=cells, judged=everywhere, cause=cause, cases=cases, by_feature=(),
        density_per_m2=density, first_per_m2=density, ground_per_m2=rng.uniform(0, 1, density.shape) * density,
        passes=rng.integers(0, 7, density.shape).astype(np.uint8),
        errors=dataclasses.replace(small.forecast.errors, vertical_combined_m=rng.gamma(9, 0.005, density.size)),
    )  # fmt: skip
    sure = dataclasses.replace(made_confidence(cells, everywhere), chance=1 - rng.random(density.shape) ** 4)
    quality = dataclasses.replace(small.quality, confidence=sure)
    large = with_safety(dataclasses.replace(small, scene=scene, forecast=forecast, quality=quality))
    houses = tuple(
        GroundPlace(f"house {number}", shapely.Point(*place), 8.0)
        for number, place in enumerate(rng.uniform(-1200, 1200, (4000, 2)))
    )
    town = dataclasses.replace(large.scene, beneath={"buildings": houses, "people": houses})
    write_map(tmp_path / "map.html", dataclasses.replace(large, scene=town))
    assert (tmp_path / "map.html").stat().st_size < 5e6


def test_same_assessment_same_bytes(map_file: Path, tmp_path: Path) -> None:
    write_map(tmp_path / "again.html", assessment())
    assert (tmp_path / "again.html").read_bytes() == map_file.read_bytes()


def test_the_target_is_a_class_break(map_file: Path) -> None:
    breaks = re.findall(r'data-break="([^"]+)"', map_file.read_text(encoding="utf-8"))
    assert f"{TARGET:g}" in breaks
    assert len(breaks) == len(density_breaks(TARGET))
    assert TARGET in density_breaks(TARGET)


# Full protanopia and deuteranopia, on linear sRGB: Machado, Oliveira & Fernandes 2009, IEEE TVCG 15:1291, table 1.
EYES = {
    "full": np.eye(3),
    "protan": np.array([
        [0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998],
    ]),
    "deutan": np.array([
        [0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.01182, 0.04294, 0.968881],
    ]),
}  # fmt: skip


def _lab(colours: Any, eye: str) -> np.ndarray[Any, Any]:
    """CIE 1976 L*a*b* of sRGB colours (IEC 61966-2-1, D65) as an eye sees them, shape (n, 3)."""
    share = np.asarray(colours) / 255
    linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    seen = np.clip(linear @ EYES[eye].T, 0, 1)
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    xyz = seen @ to_xyz.T / np.array([0.9505, 1, 1.089])
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.column_stack([116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])])


@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize(("colours", "least"), [
    (DENSITY_RGB, 15), (PASSES_RGB, 15), (CAUSE_RGB, 9), (CASE_RGB, 15), (AGAINST_TARGET_RGB, 15), (BY_SIZE_RGB, 15),
    (CHANCE_RGB, 15), (EXPOSURE_RGB, 15),
])  # fmt: skip
def test_classes_differ_for_colour_blind_eyes(colours: Any, least: float, eye: str) -> None:
    """A difference of 2.3 is just noticeable; causes are also told by their hatch."""
    lab = _lab(colours, eye)
    apart = np.linalg.norm(lab[:, None] - lab[None], axis=2) + 1e3 * np.eye(len(lab))
    assert apart.min() > least


def test_each_cause_has_its_own_hatch() -> None:
    assert len(set(CAUSE_HATCH)) == len(CAUSE_RGB) == len(CAUSES)


def test_polygons_are_added_before_lines(map_file: Path) -> None:
    page = map_file.read_text(encoding="utf-8")
    order = [page.index(f"geo_json_{name}_add({{") for name in ("areas", "features", "gaps", "lines", "checkpoints")]
    assert order == sorted(order)


def test_a_users_text_stays_text(hostile_file: Path) -> None:
    page = hostile_file.read_text(encoding="utf-8")
    assert "onerror=alert(1)>" not in page
    assert "onload=alert(1)>" not in page
    assert "<script>alert" not in page
    assert "1337" not in _markup(page)
    titles = {said["title"] for said in _words(hostile_file)}
    assert {HOSTILE[2], *(f"Line {text}" for text in HOSTILE[1:])} <= titles
    assert _case_rows(hostile_file)[1][0] == HOSTILE[4]
    covers = [dict(said["rows"])["Cover"] for said in _words(hostile_file) if "Checkpoint" in said["title"]]
    assert covers[1:] == [f"meadow{HOSTILE[0]}"] * 3


def test_layers_of_sorties_and_hazards_are_there_only_where_there_are_any(map_file: Path, flown_file: Path) -> None:
    layers = {"paths", "obstacles", "keepouts", "sensitive"}
    for path, there in ((map_file, set()), (flown_file, layers)):
        page = path.read_text(encoding="utf-8")
        assert layers & set(re.findall(r'data-layer="(\w+)"', page)) == there
        assert layers & set(re.findall(r"geo_json_(\w+)_add\(", page)) == there


def test_the_panel_tells_the_sorties(map_file: Path, flown_file: Path) -> None:
    assert "sorties on" not in map_file.read_text(encoding="utf-8")
    table = re.search(r'<table class="sorties">(.*?)</table>', flown_file.read_text(encoding="utf-8"), re.DOTALL)
    assert table is not None
    rows = [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row) for row in re.findall(r"<tr.*?</tr>", table[1])[1:]]
    sorties = flown(assessment()).plan.sorties
    assert len(rows) == 2 * len(sorties) == 10
    for sortie, told, lines in zip(sorties, rows[::2], rows[1::2], strict=True):
        assert lines == list(sortie.line_ids)
        start = dt.datetime(2027, 4, 12, 9, 30) + dt.timedelta(seconds=round(sortie.starts_s))
        minutes = f"{sortie.path.duration_s / 60:.1f}"
        used, left = 100 * sortie.battery_share_used, 100 * sortie.reserve_share_left
        assert told == [str(sortie.number), f"{start:%H:%M} UTC", minutes, f"{used:.0f} %", f"{left:.0f} %"]


def test_without_a_start_take_offs_count_from_the_first(tmp_path: Path) -> None:
    job = flown(assessment(), started=False)
    write_map(tmp_path / "map.html", job)
    first, second = (said for said in _words(tmp_path / "map.html") if said["title"] in ("Sortie 1", "Sortie 2"))
    minutes = round(job.plan.sorties[1].starts_s / 60)
    assert dict(first["rows"])["Take-off, after the first"] == "0:00"
    assert dict(second["rows"])["Take-off, after the first"] == f"0:{minutes:02d}"


def test_hazards_tell_their_heights_and_keep_their_names_as_text(flown_file: Path) -> None:
    page = flown_file.read_text(encoding="utf-8")
    assert "onerror=alert(1)>" not in page
    said = {words["title"].removesuffix(HOSTILE[0]): dict(words["rows"]) for words in _words(flown_file)}
    job = flown(assessment())
    for thing in job.scene.obstacles:
        rows = said[thing.name]
        assert rows["Top, orthometric"] == f"{thing.top_m:.1f} m"
        assert rows["Doubt, one standard deviation"].startswith(f"{thing.vertical_sd_m:g} m in height")
    mast = job.scene.obstacles[0]
    ground = float(job.scene.ground.at(mast.outline.x, mast.outline.y))
    assert said["radio mast"]["Above ground, at its middle"] == f"{mast.top_m - ground:.1f} m"
    assert said["valley line"]["Most sag between supports"] == "6.0 m"
    assert said["school"] == {"Closed": "from the ground up", "Kept away by": "15 m"}
    assert said["air lane"]["Closed"] == "from 130.0 m to 400.0 m, orthometric"
    # A cost of 3 comes on top of the metre itself.
    assert said["nesting cliff"] == {"Cost of a metre over it": "4 of one elsewhere"}


def test_a_line_names_its_sortie(map_file: Path, flown_file: Path) -> None:
    line_id = assessment().plan.lines[1].line_id
    for path, sortie in ((map_file, None), (flown_file, "2")):
        (rows,) = (dict(said["rows"]) for said in _words(path) if said["title"] == f"Line {line_id}")
        assert rows.get("Sortie") == sortie


def test_arrows_point_where_the_path_goes() -> None:
    job = flown(assessment())
    words: list[Any] = []
    _, shapes = flight_layers(job, words)["paths"]
    arrows = [shape for shape in shapes if shape["properties"].get("symbol") == "way"]
    assert len(arrows) == 2 * len(job.plan.sorties), "one out, one back"
    for arrow, sortie in zip(arrows[::2], job.plan.sorties, strict=True):
        (lon, lat), line = arrow["geometry"]["coordinates"], sortie.lines[0]
        to = [float(value) for value in job.scene.frame.to_lonlat(*line.points_m[0, :2])]
        # The way out is straight: the geodesic from the arrow on to the start of the line has its direction.
        azimuth = WGS84.inv(lon, lat, *to)[0]
        assert (arrow["properties"]["turn"] - azimuth + 180) % 360 - 180 == pytest.approx(0, abs=0.2)


def test_only_the_pages_own_scripts_are_allowed() -> None:
    guard = guarded("<html><head></head><script>one()</script></html>")
    # echo -n 'one()' | openssl dgst -sha256 -binary | base64
    assert "script-src 'sha256-HR7iaask9daLMRRskMI++QeJtjWDOjyPA6lGzYGzKW4='" in guard


@pytest.mark.parametrize("bad", [
    '<script src="https://a.example/x.js"></script>', '<link rel="stylesheet" href="other.css"/>',
    '<img src="https://a.example/p.png">', "<style>p{background:url(https://a.example/p.png)}</style>",
])  # fmt: skip
def test_an_address_left_in_the_page_is_an_error(bad: str) -> None:
    with pytest.raises(ValueError, match="would fetch"):
        inlined(f"<html><head></head><body>{bad}</body></html>", ("map.js",))


def _pixels(url: str) -> np.ndarray[Any, Any]:
    from rasterio.io import MemoryFile

    with MemoryFile(base64.b64decode(url.split(",")[1])) as memory, memory.open() as picture:
        return np.asarray(picture.read(1))


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
@pytest.mark.parametrize("side", [150, 2600])
def test_a_single_bad_cell_does_not_vanish(side: int) -> None:
    rng = np.random.default_rng(3)
    codes = np.full((side, side), 2, dtype=np.uint8)
    palette = np.array([[0, 0, 0, 0], [200, 80, 0, 255], [0, 80, 200, 255]], dtype=np.uint8)
    frame = site_frame(-7.412, 62.031)
    for row, col in rng.integers(20, side - 20, (4, 2)):
        lone = codes.copy()
        lone[row, col] = 1
        seen = _pixels(class_picture(lone, palette, frame, -side / 2, side / 2, 1.0).url)
        assert max(seen.shape) <= 1600
        assert (seen == 1).any()


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_a_cell_lies_where_it_should() -> None:
    codes = np.full((100, 100), 2, dtype=np.uint8)
    codes[20:24, 70:74] = 1
    frame = site_frame(-7.412, 62.031)
    palette = np.array([[0, 0, 0, 0], [200, 80, 0, 255], [0, 80, 200, 255]], dtype=np.uint8)
    picture = class_picture(codes, palette, frame, -50.0, 50.0, 1.0)
    rows, cols = np.nonzero(_pixels(picture.url) == 1)
    (south, west), (north, east) = picture.bounds_deg
    height, width = struct.unpack(">II", base64.b64decode(picture.url.split(",")[1])[16:24])[::-1]
    lon = west + (cols.mean() + 0.5) / width * (east - west)
    lat = north - (rows.mean() + 0.5) / height * (north - south)
    assert frame.from_lonlat(lon, lat) == pytest.approx((22.0, 28.0), abs=0.3)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine")
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with sync_api.sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        yield chromium
        chromium.close()


class Opened:
    """A page opened with the network off, and all it said."""

    def __init__(self, browser: Any, path: Path, width: int = 1400, height: int = 900) -> None:
        self.context = browser.new_context(viewport={"width": width, "height": height}, offline=True)
        self.page = self.context.new_page()
        self.said: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("dialog", lambda dialog: (self.said.append("dialog"), dialog.dismiss()))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(path.as_uri())
        self.page.wait_for_selector(".line-hit", state="attached")

    def __enter__(self) -> "Opened":
        return self

    def __exit__(self, *_: object) -> None:
        self.context.close()

    def requests(self) -> list[str]:
        return [url for url in self.asked if not url.startswith("data:")]


@pytest.mark.browser
def test_opens_offline_in_silence_with_all_layers(browser: Any, map_file: Path) -> None:
    with Opened(browser, map_file) as opened:
        page = opened.page
        assert page.locator("path.line-hit").count() == 5
        assert page.locator('path[fill^="url(#cause-"].leaflet-interactive').count() == len(assessment().forecast.gaps)
        assert page.locator("img.cells").count() == 1
        assert page.locator("img.cells").evaluate("image => image.naturalWidth") > 100
        assert page.locator("img.relief").evaluate("image => image.naturalWidth") > 100
        assert page.locator(".mark-takeoff").count() == 1
        assert page.locator(".mark-checkpoint").all_inner_texts() == ["1", "2", "3", "4"]
        assert page.locator(".verdict").inner_text().strip().endswith("requirement not met")
        scale = page.locator(".leaflet-control-scale-line").all_inner_texts()
        assert [text.split()[-1] for text in scale] == ["m", "ft"]
        assert opened.said == []
        assert opened.requests() == [map_file.as_uri()]


@pytest.mark.browser
def test_layers_switch_off_and_cell_colours_change(browser: Any, map_file: Path) -> None:
    with Opened(browser, map_file) as opened:
        page = opened.page
        page.uncheck('input[data-layer="lines"]')
        assert page.locator("path.line-hit").count() == 0
        page.check('input[data-layer="lines"]')
        assert page.locator("path.line-hit").count() == 5
        page.check('input[data-layer="passes"]')
        assert page.locator("img.cells").get_attribute("alt") == "Passes by cell"
        assert page.locator('[data-key="unjudged"]').is_hidden()
        page.check('input[data-layer="unjudged"]')
        assert page.locator("img.cells").get_attribute("alt") == "Expected ground returns by cell"
        assert page.locator('[data-key="unjudged"]').is_visible()
        assert page.locator('[data-key="density"]').is_hidden()
        page.check('input[name="cells"][data-layer=""]')
        assert page.locator("img.cells").count() == 0
        assert opened.said == []


@pytest.mark.browser
def test_vertical_errors_and_chances_colour_the_cells(browser: Any, map_file: Path) -> None:
    with Opened(browser, map_file) as opened:
        page = opened.page
        for name, alt, word in (
            ("vertical", "Expected vertical error by cell", "5 to 7.5"),
            ("chance", "Chance to meet what is asked by cell", "0.95 to 1"),
        ):
            assert page.locator(f'[data-key="{name}"]').is_hidden()
            page.check(f'input[data-layer="{name}"]')
            assert page.locator("img.cells").get_attribute("alt") == alt
            assert page.locator("img.cells").evaluate("image => image.naturalWidth") > 100
            assert word in page.locator(f'[data-key="{name}"]').inner_text()
        assert page.locator('[data-key="vertical"]').is_hidden()
        assert opened.said == []


@pytest.mark.browser
def test_a_checkpoint_opens_beside_the_legend_and_goes_with_its_layer(browser: Any, map_file: Path) -> None:
    with Opened(browser, map_file) as opened:
        page = opened.page
        page.locator(".mark-checkpoint").nth(1).focus()
        page.keyboard.press("Enter")
        assert page.locator(".said h3").inner_text() == "Checkpoint CP02"
        assert "Why here: meadow" in page.locator(".said").inner_text()
        page.locator(".leaflet-pan-anim").wait_for(state="detached")
        popup, layers = (page.locator(part).bounding_box() for part in (".leaflet-popup", ".layers"))
        assert popup["x"] + popup["width"] <= layers["x"]
        page.keyboard.press("Escape")
        page.uncheck('input[data-layer="checkpoints"]')
        assert page.locator(".mark-checkpoint").count() == 0
        assert page.locator('[data-key="checkpoints"]').is_hidden()
        page.check('input[data-layer="checkpoints"]')
        assert page.locator(".mark-checkpoint").count() == 4
        assert opened.said == []


@pytest.mark.browser
def test_a_case_has_a_layer_that_is_off_at_first(browser: Any, map_file: Path) -> None:
    with Opened(browser, map_file) as opened:
        page = opened.page
        assert page.locator("img.cells").count() == 1
        assert page.locator('[data-key="case1"]').is_hidden()
        page.check('input[data-layer="case1"]')
        assert page.locator("img.cells").get_attribute("alt") == "Below target by cell, case 1"
        assert page.locator("img.cells").evaluate("image => image.naturalWidth") > 100
        assert "below only in this case" in page.locator('[data-key="case1"]').inner_text()
        assert page.locator('[data-key="case2"]').is_hidden()
        assert opened.said == []


@pytest.mark.browser
def test_a_name_on_the_map_opens_its_feature_and_goes_with_it(browser: Any, map_file: Path) -> None:
    with Opened(browser, map_file) as opened:
        page = opened.page
        name = page.locator(".mark-feature")
        assert name.inner_text() == "crest road"
        name.focus()
        page.keyboard.press("Enter")
        assert page.locator(".said h3").inner_text() == "crest road"
        assert "What helps: fly lower, or on a dry day" in page.locator(".said").inner_text()
        page.keyboard.press("Escape")
        page.uncheck('input[data-layer="features"]')
        assert name.count() == 0
        page.check('input[data-layer="features"]')
        assert name.is_visible()
        assert opened.said == []


@pytest.mark.browser
def test_a_gap_on_a_feature_takes_the_click(browser: Any, map_file: Path) -> None:
    with Opened(browser, map_file) as opened:
        page = opened.page
        page.uncheck('input[data-layer="features"]')
        page.check('input[data-layer="features"]')
        lon, lat = site_frame(-7.412, 62.031).to_lonlat(-45.0, -32.4)
        spot = page.evaluate(f"(p => [p.x, p.y])(chart.latLngToContainerPoint([{float(lat)}, {float(lon)}]))")
        frame = page.locator("#chart").bounding_box()
        page.mouse.click(frame["x"] + spot[0], frame["y"] + spot[1])
        assert REASONS["dim surface"] in page.locator(".said").inner_text()
        assert opened.said == []


@pytest.mark.browser
def test_a_line_over_a_gap_takes_the_click(browser: Any, map_file: Path) -> None:
    with Opened(browser, map_file) as opened:
        page = opened.page
        page.uncheck('input[data-layer="gaps"]')
        page.check('input[data-layer="gaps"]')
        spot = page.evaluate("(p => [p.x, p.y])(chart.latLngToContainerPoint([62.031 + 60 / 111450, -7.413225]))")
        frame = page.locator("#chart").bounding_box()
        page.mouse.click(frame["x"] + spot[0], frame["y"] + spot[1])
        said = page.locator(".said")
        assert said.locator("h3").inner_text() == "Line L01"
        assert "58 / 66 / 75 m" in said.inner_text()
        assert opened.said == []


@pytest.mark.browser
def test_the_keyboard_opens_a_line_and_closes_it(browser: Any, map_file: Path) -> None:
    with Opened(browser, map_file) as opened:
        page = opened.page
        page.locator("path.line-hit").nth(3).focus()
        page.keyboard.press("Enter")
        assert page.locator(".said h3").inner_text() == "Line L04"
        assert "over by 4.9 m" in page.locator(".said").inner_text()
        page.keyboard.press("Escape")
        page.locator(".said").wait_for(state="detached")
        assert opened.said == []


@pytest.mark.browser
def test_the_ruler_agrees_with_the_geodesic(browser: Any, map_file: Path) -> None:
    with Opened(browser, map_file) as opened:
        page = opened.page
        page.click(".ruler-button")
        ends = ((-7.4128, 62.0304), (-7.4112, 62.0313))
        for lon, lat in ends:
            spot = page.evaluate(f"(p => [p.x, p.y])(chart.latLngToContainerPoint([{lat}, {lon}]))")
            frame = page.locator("#chart").bounding_box()
            page.mouse.click(frame["x"] + spot[0], frame["y"] + spot[1])
        metres, feet = map(float, re.findall(r"([\d.]+) (?:m|ft)", page.locator("#ruler-readout").inner_text())[:2])
        (west, south), (east, north) = ends
        assert metres == pytest.approx(WGS84.inv(west, south, east, north)[2], rel=0.01)
        assert feet == pytest.approx(metres / 0.3048, abs=0.2)
        page.click("#ruler-clear")
        page.locator("#chart").focus()
        page.keyboard.press("Enter")
        page.keyboard.press("Backspace")
        assert page.locator("#ruler-readout").inner_text().startswith("Click")
        assert opened.said == []


@pytest.mark.browser
def test_hostile_names_open_no_dialog(browser: Any, hostile_file: Path) -> None:
    with Opened(browser, hostile_file) as opened:
        assert opened.page.locator("h1").inner_text() == HOSTILE_NAME
        for number, text in enumerate(HOSTILE[1:]):
            opened.page.locator("path.line-hit").nth(number).focus()
            opened.page.keyboard.press("Enter")
            opened.page.locator(".said h3").get_by_text(f"Line {text}", exact=True).wait_for(timeout=5000)
        opened.page.locator(".mark-checkpoint").nth(1).focus()
        opened.page.keyboard.press("Enter")
        opened.page.locator(".said dd").get_by_text(f"meadow{HOSTILE[0]}", exact=True).wait_for(timeout=5000)
        assert opened.said == []


@pytest.mark.browser
def test_paths_and_hazards_open_offline_and_go_with_their_layers(browser: Any, flown_file: Path) -> None:
    with Opened(browser, flown_file) as opened:
        page = opened.page
        assert page.locator("path.line-hit").count() == 10
        assert page.locator(".mark-mast").count() == 1
        page.locator(".mark-mast").focus()
        page.keyboard.press("Enter")
        assert page.locator(".said h3").inner_text() == f"radio mast{HOSTILE[0]}"
        page.keyboard.press("Escape")
        page.locator('path[aria-label="Sortie 2"]').focus()
        page.keyboard.press("Enter")
        page.locator(".said h3").get_by_text("Sortie 2", exact=True).wait_for(timeout=5000)
        for layer, drawn in (
            ("paths", ".mark-way"),
            ("obstacles", ".mark-mast"),
            ("keepouts", 'path[fill="url(#keep-out)"].leaflet-interactive'),
        ):
            assert page.locator(drawn).count() > 0
            page.uncheck(f'input[data-layer="{layer}"]')
            assert page.locator(drawn).count() == 0
        assert opened.said == []
        assert opened.requests() == [flown_file.as_uri()]


@pytest.mark.browser
def test_a_phone_needs_no_sideways_scroll(browser: Any, map_file: Path) -> None:
    with Opened(browser, map_file, 400, 800) as opened:
        assert opened.page.evaluate("document.documentElement.scrollWidth") <= 400
        table = opened.page.locator(".densities").bounding_box()
        cases = opened.page.locator(".cases").bounding_box()
        for box in (table, cases):
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= 400
        opened.page.click(".layers summary")
        assert opened.page.locator('input[data-layer="unjudged"]').is_visible()
        assert opened.page.locator('input[data-layer="passes"]').is_visible()
        assert opened.said == []
