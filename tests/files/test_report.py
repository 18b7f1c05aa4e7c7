import base64
import dataclasses
import io
import itertools
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from files.small_job import line_figures, small_lines, small_mission, small_scene
from made_quality import accuracy_parts, made_quality
from made_sorties import flown

from planner.assessment import Assessment, Forecast, Plan
from planner.errors import Fault
from planner.files import reportplots
from planner.files.report import CAUSE_WORDS, LISTED_GAPS, density_text, write_report
from planner.files.reportflight import PART_WORDS, time_bars
from planner.flight.settings import Settings
from planner.forecast.density import CoverageFigures, DensityFigures
from planner.forecast.faces import FaceFigures
from planner.forecast.gaps import CAUSES, NOT_JUDGED, code_of, outline_gaps
from planner.forecast.parts import figures_by_class, figures_by_feature, judge_case
from planner.ground.surface import Feature, cells_on
from planner.safety.cautions import Caution

TARGET = 100.0
CHROMIUM = next((p for p in ("/usr/bin/chromium", "/usr/bin/chromium-browser") if Path(p).exists()), None)
QUIET = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync"]  # fmt: skip
HOSTILE = "<img src=x onerror=alert(1)> </script><script>alert(1)</script> {{ 7 * 191 }} \" onload='alert(1)' -->"
VOID = {"meta", "link"}
QUALITY_TABLES = {"budget", "errors", "clauses", "rules", "points", "calibration", "trials", "volumes"}


def job(word: str = "") -> Assessment:
    """A meadow with a wet crest, a shadow, a pond and a strip without lines; `word` is put into every text."""
    scene, mission, lines = small_scene(), small_mission(), small_lines()
    crest = Feature(f"the crest road{word}", shapely.box(-1300, 845, -1100, 853))
    gate = Feature(f"west gate{word}", shapely.box(-1295, 750, -1280, 765))
    scene = dataclasses.replace(scene, features=(crest, gate))
    cells = cells_on(scene.top, 4.0)
    east, north = np.meshgrid(*cells.centres_m())
    judged = cells.inside(scene.area)
    pond = judged & (np.hypot(east + 1260, north - 740) < 14)
    dry = judged & ~pond
    planned = 150 + 60 * np.cos((east + 1250) * np.pi / 50) + 5 * np.sin(north / 9)
    planned[(np.hypot((east + 1140) / 2, north - 830) < 9) | (north > 890)] = 0.0
    planned[np.abs(north - 849) < 5] *= 0.7
    planned[pond] = 3.0
    planned[np.hypot(east + 1130, north - 720) < 7] = np.nan
    wet, haze, night = planned * np.where(np.abs(north - 849) < 14, 0.4, 0.97), planned * 0.85, planned * 1.09
    words = (
        ("as planned", "dry, visibility 23 km, light as the card's ratings state"),
        ("wet", "as planned, and all surfaces wet"),
        ("haze 5 km", "as planned, in visibility of 5 km"),
        ("night", "as planned, after sunset"),
    )
    cases = tuple(
        judge_case(name + word, text + word, values, dry, mission.requirement, cells.cell_m)
        for (name, text), values in zip(words, (planned, wet, haze, night), strict=True)
    )
    codes = np.where(judged, 0, NOT_JUDGED).astype(np.uint8)
    below = judged & ~(planned >= TARGET)
    for cause, where in (
        ("sparse", below), ("dim surface", np.abs(north - 849) < 5), ("shadow", planned == 0),
        ("no line", north > 890), ("no terrain", np.isnan(planned)), ("water", pond),
    ):  # fmt: skip
        codes[below & where] = code_of(cause)
    cell_m2, short = cells.cell_m**2, cases[0]
    by_cause = {cause: int((codes == code_of(cause)).sum()) * cell_m2 for cause in CAUSES if cause != "water"}
    values = np.nan_to_num(planned[dry])
    mean, p05, least = float(values.mean()), float(np.percentile(values, 5, method="lower")), float(values.min())
    spread = (mean, p05, least)
    forecast = Forecast(
        cells=cells,
        judged=judged,
        density_per_m2=planned,
        first_per_m2=planned,
        ground_per_m2=planned / 4,
        passes=(planned > 50).astype(np.uint8),
        cause=codes,
        gaps=outline_gaps(codes, planned, cells),
        density=DensityFigures(
            f"first returns per square metre of plan area, all passes pooled, in square cells of 4 m{word}",
            TARGET, mean, 5.0, short.judged_per_m2, p05, least, 4.0, *spread, *(value / 4 for value in spread),
            f"ground returns, one in four passes the crowns{word}",
        ),
        faces=FaceFigures(f"first returns per square metre of face{word}", 45.0, 128.0, 256.0, 11.0, 4.0),
        coverage=CoverageFigures(
            area_m2=int(judged.sum()) * cell_m2, below_m2=short.below_m2, below_pct=short.below_pct,
            expected_water_m2=int((codes == code_of("water")).sum()) * cell_m2, by_cause_m2=by_cause,
            edge_below_pct=12.34,
        ),
        met=short.met,
        cases=cases,
        by_class=figures_by_class(scene.cover, cells, judged, cases, codes),
        by_feature=figures_by_feature(scene.features, cells, judged, cases, codes),
        **accuracy_parts(cells, dry, np.nan_to_num(planned), requirement=mission.requirement),
    )  # fmt: skip
    whole = forecast.by_class[0]
    road = dataclasses.replace(
        whole, name=f"asphalt_old{word}", area_m2=1600.0, below_m2=(320.0, 1600.0, 480.0, 0.0), p05_per_m2=61.27,
        by_cause_m2={"dim surface": 320.0}, advice="fly on a dry day" + word,
    )  # fmt: skip
    forecast = dataclasses.replace(forecast, by_class=(dataclasses.replace(whole, name=f"meadow{word}"), road))
    figures = tuple(line_figures(line, scene, heading) for line, heading in zip(lines, (0.1, 180.1), strict=True))
    figures = (
        dataclasses.replace(figures[0], line_id=f"L01{word}"),
        dataclasses.replace(figures[1], ceiling_over_m=4.9, unsafe=True),
    )
    cautions = (
        Caution("not a clearance", "note", "This plan is a calculation from the data given." + word),
        Caution("ceiling", "over", "Lines over the ceiling given: 1, by up to 4.9 m.", 124.9, 120.0, "m above ground"),
        Caution("range ambiguity", "within", "All ranges lie in zone 1.", 92.4, 749.5, "m slant"),
        Caution("laser", "cannot tell", "Class and hazard distance are the maker's to state.", None, None),
    )
    settings = Settings(60, 6.1, 200e3, 100, 33.3, 70, 0.0, 0.25, "terrain", {"agl_m": "given"})
    plan = Plan(lines, settings, figures, {"lines": 2, "time_s": {"lines": 66.0, "total": 4000.0}})
    unsafe = (Fault("E23", "line L02 comes within 4.0 m of the top surface" + word, "lon -7.411", "raise agl_m"),)
    mission = dataclasses.replace(mission, name=f"Meadow{word}")
    quality = made_quality(scene, cells, dry, pads=("crest pad", "gate pad"), word=word)
    return Assessment(mission, scene, plan, forecast, quality, cautions, ("one assumption" + word, "no wind"), unsafe)


class Reader(HTMLParser):
    """What a reader sees: text, and the cells of tables by class; tags must nest and close."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.tables: dict[str, list[list[str]]] = {}
        self.rows: list[list[str]] = []
        self.words: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        assert len(set(names)) == len(names), f"{tag} has an attribute twice: {names}"
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)
        if tag == "table":
            self.rows = self.tables.setdefault(str(dict(attrs)["class"]), [])
        elif tag == "tr":
            self.rows.append([])
        elif tag in {"td", "th"}:
            self.rows[-1].append("")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"{tag} closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open[-1:] == ["style"]:
            return
        self.words.append(data)
        if {"td", "th"} & set(self.open):
            self.rows[-1][-1] += data

    def body(self, name: str, heads: int = 1) -> list[list[str]]:
        """Rows of a table below its head, each cell stripped."""
        return [[cell.strip() for cell in row] for row in self.tables[f"stack {name}"][heads:]]

    @property
    def text(self) -> str:
        return " ".join("".join(self.words).split())


def number(cell: str) -> float:
    """The number that a cell of a table shows; a dash is none."""
    return 0.0 if cell == "–" else float(cell.replace("\u202f", "").replace("−", "-"))


@pytest.fixture(scope="module")
def report_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report") / "report.html"
    write_report(path, job())
    return path


@pytest.fixture(scope="module")
def reader(report_file: Path) -> Reader:
    return Reader(report_file.read_text(encoding="utf-8"))


def test_the_page_is_whole(reader: Reader) -> None:
    assert reader.open == []
    assert [tag for tag, _ in reader.tags[:3]] == ["html", "head", "meta"]
    ids = [attrs["id"] for _, attrs in reader.tags if "id" in attrs]
    assert len(ids) == len(set(ids)) > 5
    labels = [attrs["aria-labelledby"] for _, attrs in reader.tags if "aria-labelledby" in attrs]
    assert set(labels) == set(ids)
    assert all(attrs.get("aria-label") for tag, attrs in reader.tags if tag == "svg")


def test_every_row_has_as_many_cells_as_its_table(reader: Reader) -> None:
    for name, width, heads in (("cases", 7, 1), ("causes", 5, 1), ("gaps", 6, 1), ("lines", 9, 2)):
        rows = reader.body(name, heads)
        assert rows
        assert {len(row) for row in rows} == {width}


def test_the_head_says_the_verdict_with_its_definition(reader: Reader) -> None:
    density = job().forecast.density
    assert "requirement not met" in reader.text
    judged = density_text(density.judged_per_m2)
    assert f"the 5th percentile of cells is expected to hold {judged} first returns per m²" in reader.text
    assert f"the target is {density.target_per_m2:g}" in reader.text
    assert f"Counted: {density.definition}." in reader.text
    assert job().forecast.cases[0].description in reader.text
    assert "905 nm" in reader.text


def test_the_cases_are_those_of_the_forecast(reader: Reader) -> None:
    cases, rows = job().forecast.cases, reader.body("cases")
    assert len(rows) == len(cases) == 4
    for case, row in zip(cases, rows, strict=True):
        assert row[0] == case.name + case.description
        shown = [number(cell) for cell in row[1:6]]
        added = (case.below_m2 - cases[0].below_m2, case.below_pct - cases[0].below_pct)
        assert shown == pytest.approx([case.judged_per_m2, case.below_m2, case.below_pct, *added], abs=0.051)
        assert row[6] == ("✓ met" if case.met else "✕ not met")


def test_the_parts_are_those_of_the_forecast(reader: Reader) -> None:
    forecast = job().forecast
    parts = (*forecast.by_class, *forecast.by_feature)
    rows = [row for row in reader.body("parts", 0) if row[0] in {part.name for part in parts}]
    why = [row[0] for row in reader.body("parts", 0) if len(row) == 1]
    assert len(rows) == len(why) == len(parts) == 4
    for part, row, reason in zip(parts, rows, why, strict=True):
        shown = [number(cell) for cell in row[1:]]
        assert shown == pytest.approx([part.area_m2, part.p05_per_m2, *part.below_m2], abs=0.051)
        told = dict(re.findall(r"([a-z ]+?) ([\d\u202f]+) m²", reason))
        assert {cause.strip(): number(area) for cause, area in told.items()} == part.by_cause_m2
        assert f"To do: {part.advice}." in reason


def test_the_causes_add_up_and_water_is_apart(reader: Reader) -> None:
    coverage = job().forecast.coverage
    rows = reader.body("causes")
    assert {row[0]: number(row[1]) for row in rows} == {c: a for c, a in coverage.by_cause_m2.items() if a > 0}
    assert sum(number(row[1]) for row in rows) == coverage.below_m2
    assert sum(number(row[2]) for row in rows) == pytest.approx(100, abs=0.03)
    assert all(tuple(row[3:]) == CAUSE_WORDS[row[0]] for row in rows)
    assert coverage.expected_water_m2 == 512
    assert "Apart from these: 512 m² of declared open water below the target, which is expected." in reader.text


def test_the_gaps_lie_where_they_are_said_to(reader: Reader) -> None:
    assessment = job()
    gaps = [gap for gap in assessment.forecast.gaps if gap.cause != "water"]
    assert len(gaps) > LISTED_GAPS
    rows = reader.body("gaps")
    assert len(rows) == LISTED_GAPS
    for gap, row in zip(gaps, rows, strict=False):
        assert row[:2] == [gap.gap_id, gap.cause]
        assert [number(row[2]), number(row[3])] == pytest.approx([gap.area_m2, gap.mean_density_per_m2], abs=0.051)
        east, north = assessment.scene.frame.from_lonlat(number(row[4]), number(row[5]))
        assert gap.polygon.contains(shapely.Point(float(east), float(north)))


def test_the_lines_are_those_of_the_plan(reader: Reader) -> None:
    figures, rows = job().plan.figures, reader.body("lines", 2)
    assert len(rows) == len(figures)
    for line, row in zip(figures, rows, strict=True):
        assert row[0] == line.line_id + (" unsafe as drawn" if line.unsafe else "")
        expected = [
            line.heading_deg % 360, line.length_m, line.agl_min_m, line.agl_mean_m, line.agl_max_m,
            line.swath_m, line.density_per_m2, line.ceiling_over_m,
        ]  # fmt: skip
        assert [number(cell) for cell in row[1:]] == pytest.approx(expected, abs=0.5)


def test_the_sorties_are_those_of_the_plan(tmp_path: Path) -> None:
    assessment = flown(job())
    write_report(tmp_path / "report.html", assessment)
    reader = Reader((tmp_path / "report.html").read_text(encoding="utf-8"))
    rows = reader.body("sorties")
    assert len(rows) == len(assessment.plan.sorties) == 2
    for sortie, row in zip(assessment.plan.sorties, rows, strict=True):
        assert row[:2] == [str(sortie.number), ", ".join(sortie.line_ids)]
        assert row[3:5] == [f"{sortie.path.duration_s / 60:.1f}", f"{sortie.distance_m / 1000:.2f} km"]
        assert row[5:] == [f"{100 * sortie.battery_share_used:.0f} %", f"{100 * sortie.reserve_share_left:.0f} %"]
    assert rows[0][2] == "09:30 UTC"
    total = assessment.plan.flight["time_s"]["total"] / 60
    assert f"2 sorties on 2 sets of batteries, {total:.1f} minutes from the first take-off" in reader.text
    assert "were the return flown from its farthest point, straight against the wind" in reader.text
    assert "waits" not in reader.text, "the next sortie leaves as soon as the battery is swapped"
    late = dataclasses.replace(assessment.plan.sorties[1], starts_s=assessment.plan.sorties[1].starts_s + 600)
    plan = dataclasses.replace(assessment.plan, sorties=(assessment.plan.sorties[0], late))
    write_report(tmp_path / "late.html", dataclasses.replace(assessment, plan=plan))
    # 300 s of swap and 600 s more.
    assert "sortie 2 waits 15 min for a charged battery" in Reader((tmp_path / "late.html").read_text("utf-8")).text


def test_the_bars_of_time_follow_each_other_and_fill_the_whole() -> None:
    time_s = flown(job()).plan.flight["time_s"]
    bars = time_bars(time_s)
    assert set(PART_WORDS) | {"total"} == set(time_s)
    assert sum(bar["minutes"] for bar in bars) == pytest.approx(time_s["total"] / 60)
    assert bars[0]["left"] == 0
    for bar, after in itertools.pairwise(bars):
        assert bar["left"] + bar["share"] == pytest.approx(after["left"])
    assert bars[-1]["left"] + bars[-1]["share"] == pytest.approx(100)
    assert "turns" not in {bar["name"] for bar in bars}, "sorties of one line have no turns"


def test_obstacles_and_areas_are_listed_with_their_doubts(tmp_path: Path) -> None:
    assessment = flown(job(), word=HOSTILE)
    write_report(tmp_path / "report.html", assessment)
    reader = Reader((tmp_path / "report.html").read_text(encoding="utf-8"))
    shown = " ".join(HOSTILE.split())
    mast, wire, hall = reader.body("obstacles")
    # The mast stands on the plane 20 m + 0.1 east - 0.05 north of the middle, 20 m east and 20 m north of it.
    assert mast == [f"radio mast{shown}", "upright", "55.0", "34.0 m", "1.5 m in height, 2 m in place"]
    assert wire[:3] == [f"valley line{shown}", "wire, sags by up to 6.0 m", "74.0"]
    assert hall[4] == "1 m in height, 1 m in place"
    school, lane = reader.body("keep-outs")
    assert school == [f"school{shown}", "from the ground up", "600"]
    assert lane[1] == "from 130.0 m to 400.0 m, orthometric"
    assert reader.body("sensitive") == [[f"nesting cliff{shown}", "4", "400"]]
    assert f"searched for them as declared (by A. Walker on foot{shown})" in reader.text
    assert not {"script", "img"} & {tag for tag, _ in reader.tags}


def test_a_flight_without_take_off_place_says_that_batteries_are_not_counted(reader: Reader, tmp_path: Path) -> None:
    assert "No sorties are planned: the mission gives no take-off place." in reader.text
    assert "stack sorties" not in reader.tables
    assert "The mission lists no obstacle" in reader.text
    beaten = Fault("E32", "the wind of 20 m/s beats the airspeed on line L01", fix="wait")
    plan = dataclasses.replace(job().plan, unflown=(beaten,))
    write_report(tmp_path / "report.html", dataclasses.replace(job(), plan=plan))
    text = Reader((tmp_path / "report.html").read_text(encoding="utf-8")).text
    assert f"No sorties are planned: {beaten.what}." in text


def test_cautions_faults_and_assumptions_are_told(reader: Reader) -> None:
    assessment = job()
    for caution in assessment.cautions:
        assert f"{caution.caution_id}: {caution.status} {caution.text}" in reader.text
    assert "measured 92.4, limit 749.5 m slant" in reader.text
    assert f"{assessment.unsafe[0].what} at {assessment.unsafe[0].where}." in reader.text
    assert "clears no flight and classifies no laser" in reader.text
    assert all(assumption in reader.text for assumption in assessment.assumptions)


def test_every_cause_has_its_words() -> None:
    assert set(CAUSE_WORDS) == set(CAUSES)
    assert all(text[0].isupper() and text.endswith(".") for words in CAUSE_WORDS.values() for text in words)


@pytest.mark.parametrize(
    ("value", "target", "shown"),
    [
        (99.96, 100.0, "99.96"),
        (100.0, 100.0, "100.0"),
        (1.9996, 2.0, "1.9996"),
        (0.0, 5.0, "0"),
        (np.nan, 5.0, "not known"),
    ],
)
def test_a_density_reads_on_its_side_of_the_target(value: float, target: float, shown: str) -> None:
    assert density_text(value, target) == shown


def test_the_histogram_counts_every_judged_cell_once() -> None:
    assessment = job()
    plot = reportplots.histogram(assessment)
    assert sum(bar["cells"] for bar in plot["bars"]) == plot["cells"] == int(assessment.forecast.judged.sum())
    edges = [bar["left"] for bar in plot["bars"]]
    below = sum(bar["cells"] for bar in plot["bars"] if bar["left"] < plot["target"])
    assert plot["target"] in edges
    values = np.nan_to_num(assessment.forecast.density_per_m2[assessment.forecast.judged])
    assert below == int((values < TARGET).sum())


@pytest.mark.parametrize("share", [0.0, 1.0, 60.0])
def test_the_histogram_holds_any_density(share: float) -> None:
    assessment = job()
    flat = np.full_like(assessment.forecast.density_per_m2, share * TARGET)
    plot = reportplots.histogram(
        dataclasses.replace(assessment, forecast=dataclasses.replace(assessment.forecast, density_per_m2=flat))
    )
    assert [bar["cells"] for bar in plot["bars"] if bar["cells"]] == [plot["cells"]]
    assert (plot["over"] is not None) == (share > 6)


def pixels(image: dict[str, Any]) -> np.ndarray[Any, Any]:
    from matplotlib.image import imread

    return np.asarray(imread(io.BytesIO(base64.b64decode(image["href"].split(",")[1]))) * 255).round().astype(int)


def test_a_picture_shows_each_cell_in_its_place() -> None:
    assessment = job()
    view, cells, wet = reportplots.view_of(assessment), assessment.forecast.cells, assessment.forecast.cases[1]
    image = reportplots.case_map(wet, assessment.forecast.cases[0], cells, view)
    seen = pixels(image)
    lost = wet.below & ~assessment.forecast.cases[0].below
    rows, cols = np.nonzero((seen[..., :3] == reportplots.CASE_RGB[0]).all(axis=2) & (seen[..., 3] > 0))
    assert len(rows) == lost.sum() > 20
    east, north = cells.centres_m()
    x = image["x"] + (cols + 0.5) * image["width"] / seen.shape[1]
    y = image["y"] + (rows + 0.5) * image["height"] / seen.shape[0]
    places = np.column_stack([x + view.west_m, view.north_m - y]).round(2)
    expected = [(east[col], north[row]) for row, col in zip(*np.nonzero(lost), strict=True)]
    assert sorted(places.tolist()) == sorted(map(list, expected))


def test_a_lone_cell_does_not_vanish_in_a_large_site() -> None:
    assessment = job()
    grid = dataclasses.replace(
        assessment.scene.top, heights_m=np.zeros((1501, 1501)), known=np.ones((1501, 1501), bool)
    )
    cells = cells_on(grid, 4.0)
    area = shapely.MultiPolygon([shapely.box(-1400, -5000, 4600, 1000)])
    large = dataclasses.replace(assessment, scene=dataclasses.replace(assessment.scene, area=area))
    below = np.zeros((cells.rows, cells.cols), bool)
    below[777, 311] = True
    case = dataclasses.replace(assessment.forecast.cases[0], below=below)
    seen = pixels(reportplots.case_map(case, case, cells, reportplots.view_of(large)))
    assert max(seen.shape) <= 420
    assert ((seen[..., :3] == reportplots.CASE_RGB[1]).all(axis=2) & (seen[..., 3] > 0)).sum() == 1


def test_same_assessment_same_bytes(report_file: Path, tmp_path: Path) -> None:
    write_report(tmp_path / "again.html", job())
    assert (tmp_path / "again.html").read_bytes() == report_file.read_bytes()


def test_the_page_names_nothing_to_fetch(report_file: Path, reader: Reader) -> None:
    page = report_file.read_text(encoding="utf-8")
    policies = [attrs["content"] for tag, attrs in reader.tags if tag == "meta" and "http-equiv" in attrs]
    assert policies == [
        "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
    ]
    for tag, attrs in reader.tags:
        assert tag not in {"script", "iframe", "object", "form"}
        assert not [name for name in attrs if name.startswith("on") or name in {"src", "srcset"}]
        assert (attrs.get("href") or "data:").startswith("data:")
    assert "http://" not in page
    assert "https://" not in page
    assert "@import" not in page
    assert "url(" not in page


def test_a_users_text_stays_text(tmp_path: Path) -> None:
    write_report(tmp_path / "report.html", job(HOSTILE))
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    hostile = Reader(page)
    assert "1337" not in hostile.text
    assert not {"script", "img"} & {tag for tag, _ in hostile.tags}
    assert not [attrs for _, attrs in hostile.tags if "onload" in attrs or "onerror" in attrs]
    shown = " ".join(HOSTILE.split())
    for said in ("Meadow", "the crest road", "asphalt_old", "L01", "one assumption", "haze 5 km"):
        assert f"{said}{shown}" in hostile.text
    names = {"cases", "parts", "causes", "gaps", "lines", "decided"} | QUALITY_TABLES
    assert hostile.tables.keys() == {f"stack {name}" for name in names}


def test_a_job_that_lacks_nothing_says_so(tmp_path: Path) -> None:
    full = job()
    plenty = np.full_like(full.forecast.density_per_m2, 150.0)
    case = judge_case("as planned", "dry", plenty, full.forecast.judged, full.mission.requirement, 4.0)
    coverage = CoverageFigures(39424.0, 0.0, 0.0, 0.0, dict.fromkeys(CAUSES[:7], 0.0), 0.0)
    forecast = dataclasses.replace(
        full.forecast, density_per_m2=plenty, cause=np.where(full.forecast.judged, 0, 255).astype(np.uint8), gaps=(),
        coverage=coverage, met=True, cases=(case,), by_class=(), by_feature=(), faces=None,
    )  # fmt: skip
    plan = dataclasses.replace(full.plan, settings=None)
    write_report(tmp_path / "report.html", dataclasses.replace(full, forecast=forecast, plan=plan, unsafe=()))
    reader = Reader((tmp_path / "report.html").read_text(encoding="utf-8"))
    assert "No judged cell lies below the target as planned." in reader.text
    assert "No judged cell falls short as planned." in reader.text
    assert reader.tables.keys() == {f"stack {name}" for name in {"cases", "lines"} | QUALITY_TABLES}
    assert "requirement met" in reader.text


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine")
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with sync_api.sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        yield chromium
        chromium.close()


@pytest.mark.browser
@pytest.mark.parametrize("width", [1200, 360])
@pytest.mark.parametrize("word", ["", HOSTILE])
def test_opens_offline_in_silence_and_fits_the_screen(browser: Any, tmp_path: Path, width: int, word: str) -> None:
    write_report(tmp_path / "report.html", job(word))
    context = browser.new_context(viewport={"width": width, "height": 900}, offline=True)
    page = context.new_page()
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("dialog", lambda dialog: (said.append("dialog"), dialog.dismiss()))
    page.on("request", lambda request: asked.append(request.url))
    page.goto((tmp_path / "report.html").as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate("getComputedStyle(document.querySelector('.ground')).fillRule") == "evenodd"
    assert page.locator("svg image").count() == 8
    assert page.locator("h1").inner_text() == " ".join(f"Meadow{word}".split())
    assert said == []
    assert [url for url in asked if not url.startswith("data:")] == [(tmp_path / "report.html").as_uri()]
    context.close()
