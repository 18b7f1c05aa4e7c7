import base64
import dataclasses
import io
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import pytest
from files.small_job import small_assessment
from files.test_report import HOSTILE, Reader, job, number

from planner.assessment import Assessment
from planner.doubts import Doubts
from planner.files import reportcharts, reportplots
from planner.files.report import write_report
from planner.files.reportquality import (
    SOURCE_REMEDIES,
    TERM_REMEDIES,
    angle_text,
    chance_text,
    cm_text,
    listed,
    typeset,
)
from planner.forecast.draws import SOURCES
from planner.ranging.uncertainty import TERMS

TARGET_M = 0.05


def read(assessment: Assessment, folder: Path) -> Reader:
    write_report(folder / "report.html", assessment)
    return Reader((folder / "report.html").read_text(encoding="utf-8"))


def with_accuracy(assessment: Assessment, **changed: Any) -> Assessment:
    accuracy = dataclasses.replace(assessment.forecast.accuracy, **changed)
    return dataclasses.replace(assessment, forecast=dataclasses.replace(assessment.forecast, accuracy=accuracy))


def with_quality(assessment: Assessment, **changed: Any) -> Assessment:
    return dataclasses.replace(assessment, quality=dataclasses.replace(assessment.quality, **changed))


def with_requirement(assessment: Assessment, **changed: Any) -> Assessment:
    requirement = dataclasses.replace(assessment.mission.requirement, **changed)
    return dataclasses.replace(assessment, mission=dataclasses.replace(assessment.mission, requirement=requirement))


@pytest.fixture(scope="module")
def small() -> Assessment:
    return small_assessment()


@pytest.fixture(scope="module")
def reader(small: Assessment, tmp_path_factory: pytest.TempPathFactory) -> Reader:
    return read(small, tmp_path_factory.mktemp("quality"))


@pytest.mark.parametrize("dense", [True, False])
@pytest.mark.parametrize("accurate", [True, False])
def test_the_head_says_which_requirement_is_met(small: Assessment, tmp_path: Path, dense: bool, accurate: bool) -> None:
    found_m = TARGET_M - 0.00001 if accurate else TARGET_M + 0.00001
    changed = with_accuracy(small, tested_rmse_m=found_m, met=accurate)
    figures = dataclasses.replace(changed.forecast.density, judged_per_m2=100.0 if dense else 99.99)
    forecast = dataclasses.replace(changed.forecast, density=figures, met=dense and accurate)
    text = read(dataclasses.replace(changed, forecast=forecast), tmp_path).text
    marks = {True: "✓ met", False: "✕ not met"}
    assert f"{marks[dense]} Density." in text
    assert f"{marks[accurate]} Vertical accuracy." in text
    assert f"{marks[dense and accurate].split()[0]} requirement {'met' if dense and accurate else 'not met'}" in text
    assert f"expected to find {'5.0' if accurate else '5.001'} cm RMSE; the target is 5.0" in text


def test_no_accuracy_asked_is_said_and_not_judged(small: Assessment, tmp_path: Path) -> None:
    plain = with_requirement(
        with_accuracy(small, target_rmse_m=None, met=None, over_target_pct=None), vertical_rmse_m=None
    )
    text = read(
        with_quality(plain, checkpoints=dataclasses.replace(plain.quality.checkpoints, proved_m=None)), tmp_path
    ).text
    assert "No vertical accuracy is asked for." in text
    assert "included; no target asked" in text
    assert "Vertical accuracy." not in text
    assert "warm colours" not in text
    assert "there is no test to pass" in text


def test_unknown_accuracy_is_told_from_failure(small: Assessment, tmp_path: Path) -> None:
    nothing = dict.fromkeys(
        ("rmse_m", "tested_rmse_m", "cell_sigma_p50_m", "cell_sigma_p95_m", "horizontal_rmse_m", "over_target_pct",
         "dominant_term", "dominant_share_pct", "disagreement_rms_m", "met")
    )  # fmt: skip
    blind = with_accuracy(small, by_slope=(), by_class=(), **nothing)
    unseen = np.full_like(blind.forecast.errors.vertical_combined_m, np.nan)
    errors = dataclasses.replace(blind.forecast.errors, vertical_combined_m=unseen)
    forecast = dataclasses.replace(blind.forecast, errors=errors, met=True)
    reader = read(dataclasses.replace(blind, forecast=forecast), tmp_path)
    assert "? density met, accuracy cannot be told" in reader.text
    assert "requirement met" not in reader.text
    assert "? cannot tell Vertical accuracy. No ground that checkpoints may stand on brings returns" in reader.text
    assert "no ground is seen twice" in reader.text
    assert not {"stack budget", "stack errors"} & reader.tables.keys()


def test_the_budget_adds_up_to_the_error_that_is_judged(small: Assessment, reader: Reader) -> None:
    # Independent errors: variances add, so root of the summed squares of the rows is the last row (C).
    *terms, total = reader.body("budget")
    figures = small.forecast.accuracy
    assert figures.rmse_m is not None
    assert {row[0] for row in terms} == set(TERMS)
    shares = [0.0 if row[2].startswith("<") else number(row[2]) for row in terms]
    assert sum(shares) == pytest.approx(100, abs=0.05 * len(TERMS))
    assert shares == sorted(shares, reverse=True)
    assert terms[0][0] == figures.dominant_term
    for column in (3, 4):
        assert sum(number(row[column]) ** 2 for row in terms) == pytest.approx(number(total[column]) ** 2, rel=0.05)
    assert number(total[3]) == pytest.approx(100 * figures.rmse_m, abs=0.051)
    assert f"{figures.dominant_share_pct:.0f} % of the variance" in reader.text


def test_the_budget_says_what_shares_each_error(reader: Reader) -> None:
    shared = {row[0]: row[1] for row in reader.body("budget")}
    assert shared["boresight"] == shared["lever arm"] == "all passes"
    assert shared["roll and pitch"] == shared["heading"] == shared["timing"] == "each pass"
    assert shared["range"] == shared["scan angle"] == shared["footprint"] == "each return"
    assert shared["position"] == "all passes and each pass"


@pytest.mark.parametrize(("coverage", "column"), [("aggregate", 3), ("single", 4)])
def test_the_passes_that_count_are_marked(small: Assessment, tmp_path: Path, coverage: str, column: int) -> None:
    reader = read(with_requirement(small, coverage=coverage), tmp_path)
    head = reader.tables["stack budget"][0]
    assert [n for n, name in enumerate(head) if name.endswith("judged") and n > 2] == [column]


def test_the_parts_are_those_of_the_forecast(small: Assessment, reader: Reader) -> None:
    figures = small.forecast.accuracy
    rows = [row for row in reader.body("errors", 0) if row[0] not in ("Slope", "Surface")]
    parts = (*figures.by_slope, *figures.by_class)
    assert len(rows) == len(parts) > 3
    for part, row in zip(parts, rows, strict=True):
        assert row[0] == part.name.replace(" deg", "°")
        assert [number(row[1]), number(row[2])] == pytest.approx([part.area_m2, 100 * part.rmse_m], abs=0.051)
        assert row[3] == part.dominant_term


def colour_of(image: dict[str, Any]) -> str:
    """The one colour of a picture."""
    from matplotlib.image import imread

    pixels = np.asarray(imread(io.BytesIO(base64.b64decode(image["href"].split(",")[1]))) * 255).round().astype(int)
    (found,) = {tuple(map(int, pixel[:3])) for pixel in pixels.reshape(-1, 4) if pixel[3]}
    return "#{:02x}{:02x}{:02x}".format(*found)


@pytest.mark.parametrize(
    ("share", "label"),
    [(0.4, "up to 2.5"), (0.75, "2.5 to 3.75"), (1.0, "3.75 to 5"), (1.0001, "5 to 7.5"), (3.0, "over 10")],
)
def test_a_cell_lies_in_the_class_of_its_error(small: Assessment, share: float, label: str) -> None:
    errors = dataclasses.replace(
        small.forecast.errors, vertical_combined_m=np.full_like(small.forecast.errors.disagreement_m, share * TARGET_M)
    )
    changed = dataclasses.replace(small, forecast=dataclasses.replace(small.forecast, errors=errors))
    image = reportcharts.error_map(changed, reportplots.view_of(changed))
    assert [step["label"] for step in image["classes"] if step["colour"] == colour_of(image)] == [label]
    assert [step["label"] for step in image["classes"] if step["target"]] == ["3.75 to 5"]
    assert not image["empty"]


@pytest.mark.parametrize(
    ("hits", "label"), [(0, "under 50"), (100, "50 to 80"), (159, "50 to 80"), (189, "80 to 95"), (190, "95 and more")]
)
def test_a_cell_lies_in_the_class_of_its_chance(small: Assessment, hits: int, label: str) -> None:
    chance = np.where(small.forecast.judged, hits / 200, np.nan).astype(np.float32)
    image = reportcharts.chance_map(chance, small, reportplots.view_of(small))
    assert [step["label"] for step in image["classes"] if step["colour"] == colour_of(image)] == [label]


@pytest.mark.parametrize(
    "colours", [reportcharts.ERROR_RGB, reportcharts.PLAIN_ERROR_RGB, reportcharts.CHANCE_RGB], ids=len
)
def test_classes_stay_apart_in_black_and_white(colours: tuple[tuple[int, int, int], ...]) -> None:
    # Lightness L* of CIE 1976 from sRGB (IEC 61966-2-1); 2.3 is just seen (M), three times that is plain.
    linear = np.where((c := np.array(colours) / 255) <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    lightness = 116 * np.cbrt(linear @ [0.2126, 0.7152, 0.0722]) - 16
    assert np.diff(lightness).min() > 6.9


def test_the_clauses_are_those_of_the_assessment(small: Assessment, reader: Reader) -> None:
    rows = [row for row in reader.body("clauses") if len(row) == 4]
    notes = [row[0] for row in reader.body("clauses") if len(row) == 1]
    clauses = small.quality.acceptance
    marks = {"met": "✓ met", "not met": "✕ not met", "assumed": "? assumed", "reported": "– reported"}
    assert [row[3] for row in rows] == [marks[clause.status] for clause in clauses]
    assert [" ".join(row[2].split()) for row in rows] == [
        typeset(clause.forecast).replace("\u00a0", " ") for clause in clauses
    ]
    assert len(notes) == sum(bool(clause.note) for clause in clauses)
    assert "5 clauses: 2 met, 1 not met, 1 assumed and 1 reported." in reader.text
    assert "Of 5 clauses of acceptance 1 is not met: vertical RMSE, open ground." in reader.text


def test_the_clients_words_are_quoted(small: Assessment, tmp_path: Path) -> None:
    assert "own words" not in read(small, tmp_path).text
    reader = read(with_requirement(small, text=HOSTILE), tmp_path)
    assert f"{' '.join(HOSTILE.split())}the requirement in the client’s own words" in reader.text
    assert "1337" not in reader.text
    assert not {"script", "img"} & {tag for tag, _ in reader.tags}


def test_checkpoints_lie_where_they_are_said_to(small: Assessment, reader: Reader) -> None:
    frame, layout = small.scene.frame, small.quality.checkpoints
    rows = [row for row in reader.body("points") if len(row) > 1]
    assert [row[0] for row in rows] == [point.point_id for point in layout.points]
    to_lonlat = pyproj.Transformer.from_crs(frame.crs, "EPSG:4326", always_xy=True)
    for point, row in zip(layout.points, rows, strict=True):
        by_grid = frame.from_lonlat(*to_lonlat.transform(number(row[1]), number(row[2])))
        by_degrees = frame.from_lonlat(number(row[3]), number(row[4]))
        for east, north in (by_grid, by_degrees):
            assert [float(east), float(north)] == pytest.approx([point.east_m, point.north_m], abs=0.1)
        assert row[6:] == [point.cover or "–", point.quadrant]
    assert "none of these marks may serve as control" in reader.text
    assert "4 of 30 are placed" in reader.text
    assert "passed with a chance of 83.0 %" in reader.text
    assert "heights keep to 6.1 cm" in reader.text


def test_checkpoints_are_marked_in_their_place(small: Assessment) -> None:
    view, points = reportplots.view_of(small), small.quality.checkpoints.points
    pins = reportcharts.checkpoint_pins(points, view)
    assert [pin["name"] for pin in pins] == ["1", "2", "3", "4"]
    for pin, point in zip(pins, points, strict=True):
        assert view.west_m + pin["left"] / 100 * view.width_m == pytest.approx(point.east_m, abs=0.05)
        assert view.north_m - pin["top"] / 100 * view.height_m == pytest.approx(point.north_m, abs=0.05)


def test_the_rules_hold_or_do_not(small: Assessment, reader: Reader) -> None:
    for rule, row in zip(small.quality.checkpoints.rules, reader.body("rules"), strict=True):
        assert row == [rule.name, row[1], "✓ met" if rule.met else "✕ not met"]


def test_no_room_for_checkpoints_is_said(small: Assessment, tmp_path: Path) -> None:
    none = dataclasses.replace(
        small.quality.checkpoints, points=(), pass_chance=None, proved_m=None, bound_by="slope, which rules out 90 %"
    )
    reader = read(with_quality(small, checkpoints=none), tmp_path)
    assert "0 of 30 checkpoints" in reader.text
    assert "What leaves no room for more: slope, which rules out 90 %." in reader.text
    assert "stack points" not in reader.tables


def test_what_the_lines_do_not_determine_is_named(small: Assessment, reader: Reader) -> None:
    rows = {row[0]: row[1:] for row in reader.body("calibration")}
    assert rows["roll"] == ["0.0021°", "0.22", "✓ yes"]
    assert rows["pitch"] == ["0.0105°", "1.2", "✕ no"]
    assert rows["heading"] == ["not determined", "not determined", "✕ no"]
    assert rows["range offset"] == ["0.42 cm", "0.42", "✓ yes"]
    assert "Not determined well enough by these lines alone: pitch and heading." in reader.text
    assert "inf" not in reader.text.lower().split()
    assert [row[0] for row in reader.body("trials")] == [
        "none, as planned", "a line across the middlehelps most", "the busiest line, 25 % higher"
    ]  # fmt: skip
    assert reader.body("trials")[1][3] == "0.0040°"


def test_lines_that_share_no_ground_calibrate_nothing(small: Assessment, tmp_path: Path) -> None:
    reader = read(with_quality(small, calibration=None, helpful=None), tmp_path)
    assert "No two lines see the same ground" in reader.text
    assert not {"stack calibration", "stack trials"} & reader.tables.keys()


def test_volumes_are_told_as_volume_and_as_height(small: Assessment, reader: Reader, tmp_path: Path) -> None:
    # 47.04 m3 over 960 m2 are 4.9 cm (C).
    assert reader.body("volumes", 2)[0] == ["north pad", "960", "47.0", "4.9", "66.5", "6.9", "8.6"]
    assert "No returns on 64 m², which are left out." in reader.text
    assert "Volumes and change" not in read(with_quality(small, pads=()), tmp_path).text


def test_how_sure_it_is_and_what_each_doubt_costs(small: Assessment, reader: Reader) -> None:
    confidence = small.quality.confidence
    assert confidence is not None
    # 0.885 of 200 draws are 177 (C).
    assert "met its percentile of density in 177 of 200 draws" in reader.text
    assert "between 0.40 % and 6.20 % of the cells lay below the density, 1.70 % in the middle one" in reader.text
    assert f"Terrain costs most. {SOURCE_REMEDIES['terrain']}" in reader.text
    assert confidence.definition in reader.text
    bars = reportcharts.doubt_bars(confidence.by_source_m2)
    assert {bar["name"]: bar["area_m2"] for bar in bars} == confidence.by_source_m2
    assert [bar["width"] for bar in bars] == [100.0, 50.0, 37.5, 25.0, 12.5, 0.0, 0.0]
    assert bars[-1]["area_m2"] < 0
    assert "A doubt below nought helps" in reader.text


@pytest.mark.parametrize(("draws", "why"), [(0, "asks for no draws"), (100, "a fixed beam has no swath")])
def test_no_chances_are_explained(small: Assessment, tmp_path: Path, draws: int, why: str) -> None:
    mission = dataclasses.replace(small.mission, doubts=Doubts(draws=draws))
    text = read(dataclasses.replace(with_quality(small, confidence=None), mission=mission), tmp_path).text
    assert f"Not weighed: {'the mission ' if draws == 0 else ''}{why}" in text


def test_a_users_text_stays_text(tmp_path: Path) -> None:
    reader = read(job(HOSTILE), tmp_path)
    shown = " ".join(HOSTILE.split())
    for said in ("crest pad", "as the contract says", "meadow", '& "better"'):
        assert f"{said}{shown}" in reader.text
    assert "1337" not in reader.text
    assert not {"script", "img", "b5"} & {tag for tag, _ in reader.tags}


def test_same_assessment_same_bytes(tmp_path: Path) -> None:
    for name in ("one", "two"):
        write_report(tmp_path / name, small_assessment())
    assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()


def test_every_term_and_every_doubt_has_its_remedy() -> None:
    assert set(TERM_REMEDIES) == set(TERMS)
    assert set(SOURCE_REMEDIES) == set(SOURCES)
    for sentence in (*TERM_REMEDIES.values(), *SOURCE_REMEDIES.values()):
        assert sentence[0].isupper()
        assert sentence.endswith(".")
        assert sentence.count(".") == 1


@pytest.mark.parametrize(
    ("value_m", "target_m", "shown"),
    [
        (0.05, 0.05, "5.0"),
        (0.050004, 0.05, "5.0004"),
        (0.049996, 0.05, "5.0"),
        (0.0021, None, "0.21"),
        (0.00002, None, "0.002"),
        (0.0, None, "0"),
        (12.5, None, "1\u202f250.0"),
        (np.inf, None, "not determined"),
        (np.nan, None, "not known"),
        (None, 0.05, "not known"),
    ],
)
def test_a_length_reads_on_its_side_of_the_target(value_m: float | None, target_m: float | None, shown: str) -> None:
    assert cm_text(value_m, target_m) == shown


def test_what_is_not_certain_never_reads_as_certain() -> None:
    assert [chance_text(chance) for chance in (1.0 - 1e-9, 0.83, 1e-9)] == [
        "over 99.9\u00a0%", "83.0\u00a0%", "under 0.1\u00a0%"
    ]  # fmt: skip
    assert angle_text(np.inf) == angle_text(np.nan) == "not determined"


def test_units_are_printed_as_a_reader_expects() -> None:
    assert typeset("2 per m2, 3 m3, 4 deg, (4 ANPS)^2, 5 cm") == "2 per m², 3\u00a0m³, 4°, (4 ANPS)², 5\u00a0cm"
    assert typeset("m25, 7 metres, cm2x") == "m25, 7 metres, cm2x"
    assert [listed(names) for names in (["a"], ["a", "b"], ["a", "b", "c"])] == ["a", "a and b", "a, b and c"]
