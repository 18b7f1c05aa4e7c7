"""Safety in the report. All data are invented; what is shown is held against the assessment itself."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from files.small_job import small_assessment
from files.test_report import HOSTILE, Reader
from made_safety import DAY, PDOP_MOST, hours, made_eyes, made_windows, with_safety
from made_sorties import flown

from planner.assessment import Safety
from planner.files.report import write_report
from planner.files.reportsafety import WIDE, distance_text, hour_ticks, safety_contents, span_bars
from planner.files.safetywords import untold
from planner.ruleprofiles import MARKS
from planner.safety.windows import SkyWatch, Span

SHOWN = " ".join(HOSTILE.split())


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> Reader:
    path = tmp_path_factory.mktemp("safety") / "report.html"
    write_report(path, with_safety(flown(small_assessment()), HOSTILE))
    return Reader(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    ("distance", "shown"),
    [
        (None, "not known"),
        (float("nan"), "not known"),
        (float("inf"), "over 1000 km"),
        (0.0, "0 m"),
        (0.01, "0.1 m"),
        (3.14, "3.2 m"),
        (3.2, "3.2 m"),
        (1234.51, "1\u202f234.6 m"),
    ],
)
def test_a_distance_never_reads_shorter_than_it_is(distance: float | None, shown: str) -> None:
    assert distance_text(distance) == shown


def test_distances_for_eyes_are_those_computed(reader: Reader) -> None:
    rows = reader.body("eyes", heads=2)
    computed = made_eyes()[0]
    assert [row[:2] for row in rows] == [
        [rules, beam]
        for beam in ("as flown", "scanner stopped on an eye")
        for rules in ("IEC 60825-1:2014", "Directive 2006/25/EC")
    ]
    assert rows[0][2:] == ["3.2 m", "4.1 m", "3.1 m", "21.1 m", "25.6 m", "memory of the text"]
    assert rows[1][2:] == ["2.5 m", "2.2 m", "2.4 m", "20.0 m", "21.0 m", "the text, read"]
    assert rows[3][2:] == ["over 1000 km", "87.0 m", "79.0 m", "0 m", "199.0 m", "memory of the text"]
    assert f"class {computed.laser_class} hazard distance {computed.stated_m:g} m" in reader.text
    assert "57.3 m in space" in reader.text
    assert "5.2 m by these figures, with people there; 23.1 m where somebody may look through glasses" in reader.text


def test_a_rate_without_energy_says_that_nothing_can_be_computed(reader: Reader) -> None:
    said = reader.text.split("Eyes, at 200 kHz")[1].split("Rules of the air")[0]
    assert "class unknown hazard distance not known" in said
    assert "keep people away while light is on" in said
    assert "nothing can be computed" in said


def test_rules_are_those_of_the_assessment_over_first(reader: Reader) -> None:
    rules = {one.rule_id: one for one in with_safety(small_assessment()).safety.rules}
    rows = reader.body("airrules")
    assert [row[0] for row in rows[::2]] == ["x.people", "x.night", f"x.height{HOSTILE}"]
    assert [row[1:] for row in rows[::2]] == [
        ["7.25", "30", "m horizontally", "▲ over"],
        ["–", "–", "–", "? cannot tell"],
        ["66", "120", "m", "● within"],
    ]
    told = " ".join(rows[1][0].split())
    people = rules["x.people"]
    assert told.startswith(f"{people.text} {people.citation}; {MARKS[people.mark]}, 2026-11-25; applies near people.")
    assert f"At line L01{SHOWN}, lon" in told


def test_ground_risk_is_that_of_the_assessment(reader: Reader) -> None:
    for said in ("up to 41.3 m beside its way", "holds 98 765 m²", "on 1 234 m²", "at 1.25 % of the places"):
        assert said in reader.text
    assert "Not given, so nothing can be told of them: buildings, built-up areas." in reader.text
    assert "it may glide much farther" in reader.text
    assert [[" ".join(cell.split()) for cell in row] for row in reader.body("crossings")] == [
        [f"mill road{SHOWN}", "roads", "123.4 m", "2", "8 s", "79 m"],
        [f"fair{SHOWN}", "people", "–", "–", "–", "346 m²"],
    ]


def test_nothing_met_is_no_conflict_with_the_data_given(tmp_path: Path) -> None:
    job = with_safety(small_assessment())
    assert job.safety.risk is not None
    risk = replace(job.safety.risk, crossings=())
    write_report(tmp_path / "report.html", replace(job, safety=replace(job.safety, risk=risk)))
    text = Reader((tmp_path / "report.html").read_text(encoding="utf-8")).text
    assert "Of the people, roads given, none lies under the flight or in the buffer: no conflict with the data" in text


# Hours


def test_bars_lie_at_their_hours_and_end_with_the_day() -> None:
    """The day begins half an hour after midnight: an hour is 60 units of 1440."""
    day = made_windows().day
    assert span_bars([hours(6, 12), hours(-3, 0), hours(-3, 2), hours(23, 30)], day) == [
        {"x": 330.0, "width": 360.0},
        {"x": 0.0, "width": 90.0},
        {"x": 1350.0, "width": 90.0},
    ]
    ticks = hour_ticks(day)
    assert [tick["label"] for tick in ticks] == ["03", "06", "09", "12", "15", "18", "21", "00"]
    assert [tick["left"] for tick in ticks] == pytest.approx([100 * (150 + 180 * n) / 1440 for n in range(8)], abs=1e-3)


def test_windows_and_sorties_are_told_in_hours() -> None:
    job = with_safety(flown(small_assessment()))
    shown = safety_contents(job)["safety"]["hours"]
    texts = {bar["name"]: bar["text"] for bar in shown["bars"]}
    assert texts["Satellites"] == "06:00 to 12:00"
    assert texts["Tide"] == "09:00 to 15:00"
    assert texts["All together"] == "09:00 to 12:00"
    first = job.plan.sorties[0]
    bar = next(bar for bar in shown["bars"] if bar["name"] == "Sorties")["spans"][0]
    assert bar["x"] == pytest.approx(540, abs=0.02)  # 09:30, nine hours into the day
    assert bar["width"] == pytest.approx(np.ceil(first.path.duration_s) / 60, abs=0.02)


def test_pdop_is_drawn_against_its_limit() -> None:
    """The limit lies half way up; what is worse than twice the limit stays at the upper end."""
    sky = safety_contents(with_safety(small_assessment()))["safety"]["hours"]["sky"]
    places = [[float(value) for value in pair.split()] for pair in sky["path"][1:].split("L")]
    watch = made_windows().watch
    assert watch is not None
    assert sky["limit_y"] == 50
    assert [x for x, _ in places] == pytest.approx(np.linspace(0, WIDE, len(watch.utc)).tolist())
    assert [y for _, y in places] == pytest.approx(
        [100 * (1 - min(value, 2 * PDOP_MOST) / (2 * PDOP_MOST)) for value in watch.pdop], abs=0.06
    )
    assert (sky["least"], sky["worst"], sky["satellites"]) == ("1.2", "8.0", "4 to 9")


def test_a_sky_without_a_position_says_so() -> None:
    job, windows = with_safety(small_assessment()), made_windows()
    utc = DAY + np.array([0, 86400]).astype("timedelta64[s]")
    blind = replace(
        windows, watch=SkyWatch(utc, np.array([3, 3]), np.array([np.inf, np.inf])), satellites=(), common=()
    )
    shown = safety_contents(replace(job, safety=replace(job.safety, windows=blind)))["safety"]["hours"]
    assert (shown["sky"]["least"], shown["sky"]["worst"]) == ("not known", "no position at times")
    assert {bar["name"]: bar["text"] for bar in shown["bars"]} == {
        "Satellites": "none", "Tide": "09:00 to 15:00", "All together": "none",
    }  # fmt: skip


def test_many_windows_are_counted_after_the_first_six() -> None:
    job, windows = with_safety(small_assessment()), made_windows()
    many = tuple(hours(n, n + 1) for n in range(2, 18, 2))
    shown = safety_contents(replace(job, safety=replace(job.safety, windows=replace(windows, satellites=many))))
    bar = shown["safety"]["hours"]["bars"][0]
    assert bar["text"].endswith("12:00 to 13:00 and 2 more")
    assert len(bar["spans"]) == 8


def test_no_minute_is_told_that_is_not_wholly_in_a_window() -> None:
    job, windows, second = with_safety(small_assessment()), made_windows(), np.timedelta64(1, "s")
    ragged = Span(hours(6, 12).begins + second, hours(6, 12).ends - second)
    shown = safety_contents(replace(job, safety=replace(job.safety, windows=replace(windows, tide=(ragged,)))))
    assert shown["safety"]["hours"]["bars"][1]["text"] == "06:01 to 11:59"


# The whole


def test_cautions_stand_in_groups_with_citation_and_place(reader: Reader) -> None:
    told = reader.text.split("Cautions Eyes")[1]
    assert told.index("laser computed: cannot tell") < told.index("Airspace and rules") < told.index("x.people: over")
    assert told.index("x.people: over") < told.index("x.night: cannot tell") < told.index("x.height")
    assert "Act 2 (from memory, the text was not read again); read on 2026-11-25" in told
    assert "measured 7.25, limit 30 m horizontally; at line L01" in told


def test_what_is_not_known_is_said_and_not_shown(tmp_path: Path) -> None:
    write_report(tmp_path / "report.html", small_assessment())
    bare = Reader((tmp_path / "report.html").read_text(encoding="utf-8"))
    assert all(sentence in bare.text for sentence in untold(Safety()))
    assert not {f"stack {name}" for name in ("eyes", "airrules", "crossings")} & bare.tables.keys()
    assert "Hours of the day" not in bare.text
    assert "no conflict with the data given" in bare.text


def test_hostile_names_in_safety_stay_text(reader: Reader) -> None:
    assert reader.open == []
    assert "1337" not in reader.text
    assert not {"script", "img"} & {tag for tag, _ in reader.tags}
    ids = [attrs["id"] for _, attrs in reader.tags if "id" in attrs]
    assert len(ids) == len(set(ids))


def test_the_same_safety_makes_the_same_report(tmp_path: Path) -> None:
    for name in ("one", "two"):
        write_report(tmp_path / name, with_safety(flown(small_assessment()), HOSTILE))
    assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()
