import dataclasses
import datetime as dt
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from files.small_job import small_assessment
from hypothesis import given, settings
from hypothesis import strategies as st
from made_sorties import START, flown

from planner.assessment import Assessment, EyeFigures, Safety
from planner.errors import Fault
from planner.files.briefing import MOST_ROWS, clock_text, folded_rows, height_text, write_briefing
from planner.files.briefingcautions import brief_text, light_on_m
from planner.files.briefingpictures import PLAN_MM, PROFILE_MM, line_spans, plan_picture, profile_picture
from planner.files.checklistwords import checklist_contents
from planner.files.rulefiles import load_profile
from planner.safety.cautions import Caution
from planner.safety.rules import RuleResult, rule_cautions
from planner.survey.encounters import encounters

CHROMIUM = next((p for p in ("/usr/bin/chromium", "/usr/bin/chromium-browser") if Path(p).exists()), None)
QUIET = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync"]  # fmt: skip
HOSTILE = "<img src=x onerror=alert(1)> </script><script>alert(1)</script> {{ 7 * 191 }} \" onload='alert(1)' -->"
VOID = {"meta", "link"}
FOOT_M = 0.3048  # R: NIST SP 811 (2008), appendix B.6, the international foot, exact
CAUTIONS = (
    Caution("ceiling", "within", "All of it stays under.", 66.0, 120.0, "m above ground"),
    Caution("laser", "cannot tell", "Class and hazard distance are the maker's to state."),
    Caution("airspace", "note", "It was not looked at. Ask."),
    Caution(
        "sight line",
        "over",
        "Farther than it is seen. Post observers.",
        322.9,
        314.3,
        "m from the pilot",
        citation="Rule 7 (read in the text itself)",
        read_on=dt.date(2026, 11, 20),
        where="line L02",
    ),
)
EYES = EyeFigures(200e3, 100.0, 6.1, "1M", None, None, None, 46.0, (41.23, 75.0))


def job(word: str = "", *, started: bool = True) -> Assessment:
    """The meadow flown by two sorties among hazards; `word` is put into every text."""
    made = flown(small_assessment(met=True), started=started, word=word)
    cautions = tuple(dataclasses.replace(one, text=one.text + word) for one in CAUTIONS)
    mission = dataclasses.replace(made.mission, name=f"Meadow{word}")
    return dataclasses.replace(made, mission=mission, cautions=cautions, safety=Safety(eyes=(EYES,)))


def usual() -> Assessment:
    """A job with the rules of a bundled profile and as much to be told of all else as such a job has."""
    profile = load_profile("eu_open_a2", Path())
    stands = ["over", *["cannot tell"] * 5, *["within"] * 20]
    rules = tuple(
        RuleResult(rule.rule_id, f"{rule.text} Cannot tell: no people given.", rule.citation, profile.read_on, "R",
                   5.2, 4.0, rule.unit, stand, "", "always")
        for rule, stand in zip(profile.rules, stands, strict=False)
    )  # fmt: skip
    tail = "Who is on that ground is not known here: look at the people of the day. "
    more = [
        Caution("ground risk", "cannot tell", tail * 6, 74.18, None, "m, widest buffer"),
        Caution("sight line", "over", tail * 5, 322.9, 314.3, "m from the pilot"),
        Caution("long lines", "over", tail * 2),
        Caution("frame of marks", "cannot tell", tail * 2, None, 0.02, "m"),
        *(Caution(f"laser {n}", "within", tail * 3, 28.9, 0.1077, "m to the nearest eye") for n in range(4)),
        *(Caution(name, "within", tail, 28.58, 64.0, "GB") for name in ("ceiling", "base station", "recorder space")),
        *(Caution(f"note {n}", "note", tail * 4) for n in range(3)),
        *(Caution(name, "note", tail * 2) for name in ("wires", "logging", "unlisted obstacles", "terrain age")),
    ]
    safety = Safety(rules=rules, eyes=(EYES,))
    return dataclasses.replace(job(), cautions=(*more, *rule_cautions(rules)), safety=safety)


def crowded(count: int, *, wide: bool = False) -> Assessment:
    """All that takes room on a page: many lines of long names, faults, ground that is partly unknown.

    `wide` turns the path from south-north to west-east, so that its picture takes the width of the page.
    """
    made = job(HOSTILE)
    first, ids = made.plan.sorties[0], [f"{n:03d} of a long name{HOSTILE}" for n in range(count)]
    line, one = made.plan.lines[0], made.plan.figures[0]
    steps = [np.array([0.0, 0.0, 0.5 * (n % 7)]) for n in range(count)]
    lines = tuple(
        dataclasses.replace(line, line_id=name, points_m=line.points_m + step, speed_mps=6 + n % 3)
        for n, (name, step) in enumerate(zip(ids, steps, strict=True))
    )
    figures = tuple(
        dataclasses.replace(one, line_id=name, heading_deg=7.0 * n, length_m=200.0 + 3 * (n % 11), unsafe=n == 4)
        for n, name in enumerate(ids)
    )
    if wide:
        centre = first.take_off_m * (1, 1, 0)
        turned = (first.path.points_m - centre)[:, [1, 0, 2]] + centre
        first = dataclasses.replace(first, path=dataclasses.replace(first.path, points_m=turned))
    known = made.scene.top.known.copy()
    known[:40] = False
    limits = dataclasses.replace(made.mission.limits, clearance_m=59.0, ceiling_agl_m=60.0)
    plan = dataclasses.replace(
        made.plan, lines=lines, figures=figures,
        sorties=(dataclasses.replace(first, lines=lines, reserve_share_left=0.1), *made.plan.sorties[1:]),
    )  # fmt: skip
    lines_of_second = made.plan.sorties[1].lines
    plan = dataclasses.replace(plan, lines=(*lines, *lines_of_second), figures=(*figures, made.plan.figures[1]))
    hazards = dataclasses.replace(made.mission.hazards, keep_out_margin_m=80.0)
    aircraft = dataclasses.replace(made.mission.aircraft, name="a long name" * 9, max_dimension_m=0.3)
    mission = dataclasses.replace(made.mission, limits=limits, hazards=hazards, aircraft=aircraft)
    scene = dataclasses.replace(made.scene, top=dataclasses.replace(made.scene.top, known=known))
    return dataclasses.replace(made, plan=plan, mission=mission, scene=scene)


class Node:
    """An element of a page."""

    def __init__(self, tag: str, attrs: dict[str, str | None]) -> None:
        self.tag, self.attrs, self.inside = tag, attrs, []

    def all(self, name: str) -> list["Node"]:
        """Elements beneath of a tag, or of a class where the name begins with a point."""
        nodes = [one for one in self.inside if isinstance(one, Node)]
        hits = [one for one in nodes if one.tag == name or name[1:] in (one.attrs.get("class") or "").split()]
        return [
            *(one for one in hits if name[0] == "." or one.tag == name),
            *(n for one in nodes for n in one.all(name)),
        ]

    def one(self, name: str) -> "Node":
        (found,) = self.all(name)
        return found

    @property
    def text(self) -> str:
        """Words of an element, those of its parts set apart by a space."""
        words = [one.text if isinstance(one, Node) else one for one in self.inside if self.tag != "style"]
        return " ".join(" ".join(words).split())


class Page(HTMLParser):
    """A page as a tree; its tags must nest and close."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.root = Node("", {})
        self.open = [self.root]
        self.feed(page)
        self.close()
        assert self.open == [self.root]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_startendtag(tag, attrs)
        if tag not in VOID:
            self.open.append(self.open[-1].inside[-1])

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        assert len(set(names)) == len(names), f"{tag} has an attribute twice: {names}"
        self.open[-1].inside.append(Node(tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop().tag == tag

    def handle_data(self, data: str) -> None:
        self.open[-1].inside.append(data)

    def sorties(self) -> list[Node]:
        return [one for one in self.root.all("section") if "sortie" in str(one.attrs["class"]).split()]

    def front(self) -> Node:
        return self.root.one(".front")


def written(path: Path, assessment: Assessment) -> Page:
    write_briefing(path / "briefing.html", assessment)
    return Page((path / "briefing.html").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Page:
    return written(tmp_path_factory.mktemp("briefing"), job())


def numbers(text: str) -> list[float]:
    return [float(one.replace("\u202f", "")) for one in re.findall(r"\d[\d\u202f]*(?:\.\d+)?", text)]


def in_minutes(text: str) -> int:
    minutes, seconds = text.split(":")
    return 60 * int(minutes) + int(seconds)


@given(value_m=st.floats(-500, 9000), digits=st.integers(0, 2))
@settings(deadline=None, max_examples=300)
def test_feet_turned_back_are_the_metres_shown(value_m: float, digits: int) -> None:
    shown = height_text(value_m, digits)
    metres, feet = (float(text.replace("\u202f", "").replace("−", "-")) for text in (shown.m, shown.ft))
    assert metres == pytest.approx(value_m, abs=0.5 * 10**-digits + 1e-9)
    assert round(feet * FOOT_M, digits) == metres


def test_what_is_not_known_is_neither_metres_nor_feet() -> None:
    assert (height_text(float("nan")).m, height_text(float("nan")).ft) == ("not known", "not known")


def test_each_sortie_has_its_page_with_clock_and_battery(page: Page) -> None:
    assessment = job()
    assert len(page.sorties()) == len(assessment.plan.sorties) == 2
    for sortie, said in zip(assessment.plan.sorties, page.sorties(), strict=True):
        assert said.one("h2").text == f"Sortie {sortie.number} of 2"
        leaves = START + dt.timedelta(seconds=round(sortie.starts_s))
        lands = leaves + dt.timedelta(seconds=round(sortie.path.duration_s))
        assert said.one(".leaves").text == f"{leaves:%H:%M:%S}"
        assert said.one(".lands").text == f"{lands:%H:%M:%S}"
        assert in_minutes(said.one(".lasts").text) == round(sortie.path.duration_s)
        assert numbers(said.one(".used").text) == [round(100 * sortie.battery_share_used)]
        assert numbers(said.one(".left").text) == [
            round(100 * sortie.reserve_share_left),
            100 * assessment.mission.aircraft.battery_reserve_share,
        ]
        assert said.one(".when").text == "2027-04-12 local time is not known here"


def test_the_take_off_place_and_the_settings_are_told(page: Page) -> None:
    assessment, said = job(), page.sorties()[0].one(".aside").text
    (lon, lat), sortie = assessment.mission.take_off_deg[0], assessment.plan.sorties[0]
    assert f"lon {lon:.6f} lat {lat:.6f}" in said
    ground = height_text(sortie.take_off_m[2], 1)
    assert f"{ground.m} m ({ground.ft} ft) orthometric" in said
    assert "ellipsoidal" not in said, "no geoid, no height above the ellipsoid"
    assert "Pulse rate 200 kHz" in said
    assert "Scan rate 100 lines/s" in said
    assert "6.1 m/s (11.9 kn)" in said  # C: 6.1 * 3600 / 1852 = 11.86
    assert "±33.3°" in said


def test_the_lines_are_those_of_the_plan_in_the_order_flown(page: Page) -> None:
    assessment = job()
    figures = {one.line_id: one for one in assessment.plan.figures}
    for sortie, said in zip(assessment.plan.sorties, page.sorties(), strict=True):
        rows = said.one("tbody").all("tr")
        assert [row.one("th").text for row in rows] == list(sortie.line_ids)
        for row, line in zip(rows, sortie.lines, strict=True):
            begins, heading, length, agl_m, agl_ft, ato_m, ato_ft, speed = (cell.text for cell in row.all("td"))
            one, ato = figures[line.line_id], line.points_m[:, 2] - sortie.take_off_m[2]
            starts = [k for k, name in enumerate(sortie.path.line_ids) if name and sortie.path.parts[k] == "line"]
            assert in_minutes(begins) == round(sortie.path.times_s[starts[0]])
            assert numbers(heading) == [round(one.heading_deg) % 360]
            assert numbers(length) == [round(one.length_m)]
            assert numbers(agl_m) == [round(one.agl_min_m), round(one.agl_max_m)]
            assert numbers(ato_m) == [round(ato.min()), round(ato.max())]
            assert numbers(speed) == [pytest.approx(line.speed_mps, abs=0.051)]
            for metres, feet in ((agl_m, agl_ft), (ato_m, ato_ft)):
                assert [round(value * FOOT_M) for value in numbers(feet)] == numbers(metres)


def test_the_checks_are_what_the_way_meets(page: Page) -> None:
    assessment = job()
    limits = assessment.mission.limits
    for sortie, said in zip(assessment.plan.sorties, page.sorties(), strict=True):
        met = encounters(assessment.mission, assessment.scene, sortie)
        for name, spot in (("near", met.nearest), ("far", met.farthest), ("high", met.highest), ("kept", met.keep_out)):
            shown = said.one(".checks").one(f".{name}").one("dd").text
            metres, feet, *_ = numbers(shown)
            assert metres == pytest.approx(spot.value_m, abs=1.0 if name == "far" else 0.1)
            assert round(feet * FOOT_M, 0 if name == "far" else 1) == metres
            assert f"at {clock_text(spot.time_s)}" in shown
            assert spot.leg in shown
        assert f"to {met.nearest_to}" in said.one(".near").text
        assert f"{limits.clearance_m:.1f} m" in said.one(".near").text
        assert f"ceiling {limits.ceiling_agl_m:.1f} m" in said.one(".high").text
        assert f"{assessment.mission.hazards.keep_out_margin_m:.1f} m" in said.one(".kept").text
        top = float(sortie.path.points_m[:, 2].max() - sortie.take_off_m[2])
        assert numbers(said.one(".top").text)[0] == pytest.approx(top, abs=0.051)
        assert met.tallest.name in said.one(".tallest").text
        assert height_text(met.tallest.top_m - sortie.take_off_m[2], 1).m in said.one(".tallest").text
        assert numbers(said.one(".wind").text)[0] == pytest.approx(met.wind_most_mps, abs=0.1)


def test_what_breaks_a_limit_is_marked_and_nothing_else(tmp_path: Path) -> None:
    assessment = job()
    bare = dataclasses.replace(assessment.scene, obstacles=())
    calm = written(tmp_path, dataclasses.replace(assessment, scene=bare)).sorties()[0]
    assert calm.all(".over") == []
    assert "none given within 200 m" in calm.one(".tallest").text
    tight = dataclasses.replace(assessment.mission.limits, clearance_m=50.0, ceiling_agl_m=55.0)
    hazards = dataclasses.replace(assessment.mission.hazards, keep_out_margin_m=60.0)
    sorties = tuple(dataclasses.replace(one, reserve_share_left=0.24) for one in assessment.plan.sorties)
    broken = dataclasses.replace(
        assessment, scene=bare, mission=dataclasses.replace(assessment.mission, limits=tight, hazards=hazards),
        plan=dataclasses.replace(assessment.plan, sorties=sorties),
    )  # fmt: skip
    marked = written(tmp_path, broken).sorties()[0]
    texts = [one.text for one in marked.all(".over")]
    assert len(texts) == 4
    for words in ("24 % 25 % asked ▲", "▲ too near 46.3 m", "▲ over the ceiling 63.1 m", "▲ too near 50.5 m"):
        assert any(words in text for text in texts), (words, texts)


def test_how_far_the_aircraft_is_made_out_is_told_beside_the_farthest_place(tmp_path: Path, page: Page) -> None:
    assert "made out" not in page.sorties()[0].one(".far").text, "the card does not say how large it is"
    assessment = job()
    for size_m, limit_m, over in ((0.4, 150, True), (1.0, 347, False)):  # C: 327 m a metre and 20 m, 159 m flown
        aircraft = dataclasses.replace(assessment.mission.aircraft, max_dimension_m=size_m)
        mission = dataclasses.replace(assessment.mission, aircraft=aircraft)
        far = written(tmp_path, dataclasses.replace(assessment, mission=mission)).sorties()[0].one(".far")
        assert f"made out up to {limit_m} m" in far.text
        assert ("▲ too far to see" in far.text) == over


def test_distances_are_cut_and_heights_raised_to_the_careful_side(page: Page) -> None:
    assessment = job()
    sortie, said = assessment.plan.sorties[1], page.sorties()[1]
    met = encounters(assessment.mission, assessment.scene, sortie)
    assert numbers(said.one(".near").one("dd").text)[0] <= met.nearest.value_m + 1e-5
    assert numbers(said.one(".kept").one("dd").text)[0] <= met.keep_out.value_m + 1e-5
    assert numbers(said.one(".high").one("dd").text)[0] >= met.highest.value_m - 1e-5
    assert numbers(said.one(".far").one("dd").text)[0] >= met.farthest.value_m - 1e-5


def test_the_front_has_the_job_in_figures(page: Page) -> None:
    assessment, front = job(), page.front()
    flight = assessment.plan.flight
    assert front.one("h1").text == "Meadow"
    assert front.one(".sorties").text == "2"
    assert front.one(".batteries").text == str(flight["batteries"])
    assert front.one(".lines").text == str(len(assessment.plan.lines))
    assert in_minutes(front.one(".total").text.split()[0]) == round(flight["time_s"]["total"] / 60)
    assert in_minutes(front.one(".swap").text.split()[0]) == round(flight["time_s"]["swap"] / 60) == 5
    rows = [[cell.text for cell in row.all("td")] for row in front.one(".day").one("tbody").all("tr")]
    assert rows[0][0] == "09:30 UTC"
    for row, sortie in zip(rows, assessment.plan.sorties, strict=True):
        assert row[1:3] == [f"{sortie.path.duration_s / 60:.1f}", ", ".join(sortie.line_ids)]
        assert row[4:] == [f"{100 * sortie.battery_share_used:.0f} %", f"{100 * sortie.reserve_share_left:.0f} %"]
    assert "Nothing here is a clearance." in front.one(".standing").text


def test_many_lines_are_counted_on_the_front(tmp_path: Path) -> None:
    assessment = crowded(30)
    names = [" ".join(name.split()) for name in assessment.plan.sorties[0].line_ids]
    first = written(tmp_path, assessment).front().one(".day").one("tbody").all("tr")[0]
    assert first.all("td")[2].text == f"{names[0]} … {names[-1]}, 30 lines"


def test_cautions_to_be_settled_come_first_and_whole(page: Page) -> None:
    front = page.front()
    assert [one.text for one in front.one(".open").all("h3")] == ["Eyes", "Flight and day"]
    assert [one.text for one in front.one(".open").all("li")] == [
        "cannot tell laser: Class and hazard distance are the maker's to state.",
        "over sight line: measured 322.9, limit 314.3 m from the pilot "
        "Farther than it is seen. Post observers. line L02 · Rule 7 (read)",
    ]
    assert "1 over, 1 cannot tell · rules as looked at on 2026-11-20" in front.text
    (row,) = front.one(".within").one("tbody").all("tr")
    assert [row.one("th").text, *(cell.text for cell in row.all("td"))] == ["ceiling", "66", "120", "m above ground"]
    assert [one.text for one in front.one(".notes").all("li")] == ["airspace. It was not looked at. Ask."]


def test_every_caution_of_a_job_is_told_on_the_front_with_its_rule_and_day(tmp_path: Path) -> None:
    assessment = usual()
    front = written(tmp_path, assessment).front()
    for status, place, tag in (("over", ".open", "li"), ("cannot tell", ".open", "li"), ("within", ".within", "th")):
        for one in (one for one in assessment.cautions if one.status == status):
            assert any(one.caution_id in said.text for said in front.one(place).all(tag)), one.caution_id
    for one in assessment.cautions:
        assert one.citation.removesuffix(" (read in the text itself)") in front.text
    opens = [one.text for one in front.one(".open").all("ul")[0].all("li")]
    assert [text.startswith("over") for text in opens] == [True, *[False] * 5], "over before what cannot be told"
    assert len(front.one(".notes").all("li")) == sum(one.status == "note" for one in assessment.cautions)
    dated = tuple(
        dataclasses.replace(one, read_on=dt.date(2026, 1, 1 + n)) for n, one in enumerate(assessment.cautions)
    )
    front = written(tmp_path, dataclasses.replace(assessment, cautions=dated)).front()
    assert "rules as looked at on" not in front.text
    for one in dated:
        if one.status != "note" or one.citation:
            assert f"read on {one.read_on}" in front.text


def test_a_note_is_cut_where_a_sentence_ends() -> None:
    assert brief_text("One. Two e.g. this. Three.", 19) == "One. Two e.g. this. …"
    assert brief_text("One. Two e.g. this. Three.", 26) == "One. Two e.g. this. Three."
    assert brief_text("The first is told, however long. Second.", 5) == "The first is told, however long. …"


def test_without_anything_open_the_page_says_that_this_is_no_clearance(tmp_path: Path) -> None:
    front = written(tmp_path, dataclasses.replace(job(), cautions=CAUTIONS[:1])).front()
    assert front.all(".open") == []
    assert front.one(".none").text.endswith("That is no clearance.")


def test_faults_stand_on_the_front_once(tmp_path: Path, page: Page) -> None:
    fault = Fault("E23", "line L02 comes within 4.0 m of the ground", "lon -7.411", "raise agl_m")
    assessment = job()
    plan = dataclasses.replace(assessment.plan, path_faults=(fault,))
    front = written(tmp_path, dataclasses.replace(assessment, plan=plan, unsafe=(fault,))).front()
    assert [one.text for one in front.one(".unsafe").all("li")] == [
        "line L02 comes within 4.0 m of the ground at lon -7.411. E23 · way out: raise agl_m"
    ]
    assert page.front().all(".unsafe") == []


def test_without_a_start_the_clock_counts_from_the_first_take_off(tmp_path: Path) -> None:
    assessment = job(started=False)
    second = written(tmp_path, assessment).sorties()[1]
    minutes = round(assessment.plan.sorties[1].starts_s / 60)
    assert second.one(".leaves").text == f"+0:{minutes:02d}"
    assert "Take-off, h:mm after the first take-off" in second.one(".strip").text
    assert second.one(".when").text.startswith(assessment.mission.date.isoformat())


def test_without_sorties_the_lines_are_listed_by_name(tmp_path: Path) -> None:
    assessment = small_assessment(met=True)
    page = written(tmp_path, assessment)
    assert page.sorties() == []
    assert "No sorties are planned: the mission gives no take-off place." in page.front().text
    rows = page.root.all(".roll")[0].one("tbody").all("tr")
    assert [row.one("th").text for row in rows] == ["L01", "L02"]
    shown = [[cell.text for cell in row.all("td")] for row in rows]
    assert [numbers(row[2]) for row in shown] == [
        [round(one.agl_min_m), round(one.agl_max_m)] for one in assessment.plan.figures
    ]
    beaten = Fault("E32", "the wind beats the airspeed on line L01", fix="wait")
    plan = dataclasses.replace(assessment.plan, unflown=(beaten,))
    assert (
        f"No sorties are planned: {beaten.what}."
        in written(tmp_path, dataclasses.replace(assessment, plan=plan)).front().text
    )


@pytest.mark.parametrize("count", [1, MOST_ROWS, MOST_ROWS + 1, 57])
def test_folded_lines_fit_and_each_is_told_once(count: int) -> None:
    assessment = crowded(count)
    sortie = assessment.plan.sorties[0]
    rows = folded_rows(assessment, sortie)
    assert len(rows) == min(count, MOST_ROWS)
    assert sum(row["count"] for row in rows) == count
    first = 0
    for row in rows:
        run = sortie.lines[first : first + row["count"]]
        names = [run[0].line_id, run[-1].line_id][: 1 + (len(run) > 1)]
        assert row["name"] == " … ".join(names)
        speeds = numbers(row["speed"].replace("–", " "))
        assert [speeds[0], speeds[-1]] == [min(one.speed_mps for one in run), max(one.speed_mps for one in run)]
        ups = np.concatenate([one.points_m[:, 2] for one in run]) - sortie.take_off_m[2]
        shown = numbers(row["above"].m.replace("–", " "))
        assert [shown[0], shown[-1]] == [round(ups.min()), round(ups.max())]
        first += row["count"]


def test_the_picture_is_true_to_scale_and_north_up() -> None:
    assessment = job()
    sortie = assessment.plan.sorties[0]
    met = encounters(assessment.mission, assessment.scene, sortie)
    shown = plan_picture(assessment, sortie, met)
    assert (shown["width"], shown["height"]) == PLAN_MM
    mm_per_m = shown["bar"]["mm"] / float(shown["bar"]["metres"])
    far = next(spot for spot in shown["spots"] if spot["letter"] == "B")
    off = np.array([far["at_x"] - shown["take_off"]["x"], far["at_y"] - shown["take_off"]["y"]])
    expected = (met.farthest.place_m - sortie.take_off_m)[:2] * (1, -1) * mm_per_m
    assert off == pytest.approx(expected, abs=0.05)
    (line,) = shown["lines"]
    assert line["arrow"]["turn"] == pytest.approx(0, abs=0.2), "the first line is flown northward"
    assert plan_picture(assessment, assessment.plan.sorties[1], met)["lines"][0]["arrow"]["turn"] == pytest.approx(180)
    assert line["name"]["words"] == "L01"
    assert [thing["kind"] for thing in shown["obstacles"]] == ["point", "wire", "area"]
    assert len(shown["keep_outs"]) == 2
    assert len(shown["others"]) == 1


def test_no_two_words_of_a_picture_lie_over_each_other() -> None:
    assessment = crowded(40)
    sortie = assessment.plan.sorties[0]
    shown = plan_picture(assessment, sortie, encounters(assessment.mission, assessment.scene, sortie))
    labels = [one["name"] for one in (*shown["lines"], *shown["keep_outs"], *shown["obstacles"]) if one["name"]]
    assert len(labels) > 3
    for n, one in enumerate(labels):
        for other in labels[:n]:
            assert abs(one["y"] - other["y"]) >= 2.4 or abs(one["x"] - other["x"]) >= 2.4


def test_the_profile_shows_lines_at_their_minutes_over_the_ground() -> None:
    assessment = job()
    sortie = assessment.plan.sorties[0]
    shown = profile_picture(assessment, sortie, encounters(assessment.mission, assessment.scene, sortie))
    assert (shown["width"], shown["height"]) == PROFILE_MM
    ((name, span),) = line_spans(sortie)
    assert name == "L01"
    mm_per_s = (shown["right"] - shown["left"]) / sortie.path.duration_s
    begins, ends = sortie.path.times_s[span][[0, -1]]
    (band,) = shown["lines"]
    assert band["x"] == pytest.approx(shown["left"] + begins * mm_per_s, abs=0.01)
    assert band["width"] == pytest.approx((ends - begins) * mm_per_s, abs=0.02)
    metres = {float(tick["label"].replace("−", "-")): tick["y"] for tick in shown["metres"]}
    feet = {float(tick["label"].replace("−", "-")): tick["y"] for tick in shown["feet"]}
    (low, low_y), *_, (high, high_y) = metres.items()
    (least, least_y), *_, (most, most_y) = feet.items()
    per_m, per_ft = (high_y - low_y) / (high - low), (most_y - least_y) / (most - least)
    assert per_ft / per_m == pytest.approx(FOOT_M, rel=1e-3)
    heights = [float(y) for y in re.findall(r"[ML][\d.]+ ([\d.]+)", shown["way"])]
    zero_y = metres[0.0]
    top = float(sortie.path.points_m[:, 2].max() - sortie.take_off_m[2])
    assert min(heights) == pytest.approx(zero_y + top * per_m, abs=0.06)
    assert shown["surface"] == "", "the top surface is the ground"
    assert shown["ceiling"]


def test_a_ceiling_far_above_is_left_out_and_unknown_ground_is_a_gap() -> None:
    assessment = job()
    sortie = assessment.plan.sorties[0]
    met = encounters(assessment.mission, assessment.scene, sortie)
    limits = dataclasses.replace(assessment.mission.limits, ceiling_agl_m=4000.0)
    high = dataclasses.replace(assessment, mission=dataclasses.replace(assessment.mission, limits=limits))
    assert profile_picture(high, sortie, met)["ceiling"] == ""
    known = np.zeros_like(assessment.scene.ground.known)
    ground = dataclasses.replace(assessment.scene.ground, known=known)
    nowhere = dataclasses.replace(assessment, scene=dataclasses.replace(assessment.scene, ground=ground, top=ground))
    shown = profile_picture(nowhere, sortie, met)
    assert (shown["ground"], shown["ceiling"]) == ("", "")
    assert shown["way"]


def test_the_checklist_is_that_of_the_job_a_box_for_each_item(page: Page) -> None:
    said, made = page.root.one(".checklist"), checklist_contents(job())
    rows = [row for section in made["sections"] for row in section.rows]
    shown = said.all("li")
    assert [one.text for one in said.one(".parts").all("h3")] == [section.title for section in made["sections"]]
    assert [one.text.split() for one in shown] == [
        f"{row.mark} {row.text} {row.with_whom} {'· ' if row.why else ''}{row.why}".split() for row in rows
    ]
    assert all(len(one.all(".box")) == 1 for one in shown)
    assert sum(len(one.all(".mark")) for one in shown) == made["open"] > 0
    assert [one.text for one in said.all(".blank")] == list(made["blanks"])


def test_the_light_of_the_laser_goes_on_above_the_height_of_its_eyes(tmp_path: Path, page: Page) -> None:
    # C: 41.23 raised to a tenth, and 41.3 / 0.3048 = 135.5; 75 / 0.3048 = 246.1
    assert page.sorties()[0].one(".light").one("dd").text == (
        "on above 41.3 m (135.5 ft) , off below on above 75.0 m (246.1 ft) where glasses may be"
    )
    assessment = job()
    for eyes in ((), (dataclasses.replace(EYES, light_on_m=None),), (dataclasses.replace(EYES, pulse_rate_hz=3e5),)):
        unknown = dataclasses.replace(assessment, safety=Safety(eyes=eyes))
        assert light_on_m(unknown, assessment.plan.sorties[0]) is None
    two = Safety(eyes=(EYES, dataclasses.replace(EYES, pulse_rate_hz=3e5, light_on_m=(90.0, 99.0))))
    first, other = assessment.plan.sorties
    mixed = dataclasses.replace(first, lines=(*first.lines, dataclasses.replace(other.lines[0], pulse_rate_hz=3e5)))
    assert light_on_m(dataclasses.replace(assessment, safety=two), mixed) == (90.0, 99.0), "the worst rate counts"
    harmless = Safety(eyes=(dataclasses.replace(EYES, light_on_m=(0.0, 0.0)),))
    said = written(tmp_path, dataclasses.replace(assessment, safety=harmless)).sorties()[0].one(".light").text
    assert numbers(said) == []
    switching = Caution("laser switching", "note", "On above a height.")
    silent = dataclasses.replace(assessment, cautions=(switching,), safety=Safety())
    unknown = written(tmp_path, silent)
    assert unknown.root.all(".light") == [], "a height that is not known is not told"
    assert switching.text in unknown.front().text
    both = Safety(eyes=(EYES, dataclasses.replace(EYES, pulse_rate_hz=other.lines[0].pulse_rate_hz)))
    told = written(tmp_path, dataclasses.replace(silent, safety=both))
    assert switching.text not in told.front().text, "it stands on the page of each sortie"


def test_a_sortie_outside_daylight_is_marked_on_its_clock(tmp_path: Path, page: Page) -> None:
    assessment = job()
    assert page.root.all(".dark") == []

    def at(start: dt.datetime, *, night: bool = False) -> Page:
        air = dataclasses.replace(assessment.mission.conditions, start=start, night=night)
        mission = dataclasses.replace(assessment.mission, conditions=air)
        return written(tmp_path, dataclasses.replace(assessment, mission=mission))

    shown = at(START.replace(hour=23)).sorties()
    sets = re.search(r"sunrise (\d\d:\d\d), sunset (\d\d:\d\d) UTC", shown[0].one(".when").text)
    assert sets is not None
    for sortie, said in zip(assessment.plan.sorties, shown, strict=True):
        minutes = int(np.ceil(round(sortie.path.duration_s) / 60))
        assert f"▲ {minutes} min outside daylight" in said.one(".dark").text, "all of it is flown in the dark"
    hour, minute = (int(part) for part in sets[2].split(":"))
    dusk = START.replace(hour=hour, minute=minute) - dt.timedelta(seconds=60)
    first, second = at(dusk).sorties()
    lasts_s = assessment.plan.sorties[0].path.duration_s
    outside = numbers(first.one(".dark").text)[0]
    assert lasts_s / 60 - 2 <= outside <= lasts_s / 60, "the sun sets a minute or two after take-off"
    assert numbers(second.one(".dark").text)[0] > outside - 1
    declared = at(START.replace(hour=23), night=True).sorties()[0]
    assert "by night, as declared: " in declared.one(".dark").text
    assert declared.one(".when").all(".flag") == []


@pytest.mark.parametrize("assessment", [job(HOSTILE), crowded(30)], ids=["job", "crowded"])
def test_what_users_write_stays_text(tmp_path: Path, assessment: Assessment) -> None:
    page = written(tmp_path, assessment)
    shown = " ".join(HOSTILE.split())
    assert page.front().one("h1").text == f"Meadow{shown}"
    assert f"valley line{shown}" in page.sorties()[0].one(".tallest").text
    assert not page.root.all("img")
    assert not page.root.all("script")
    nodes = [one for tag in ("svg", "path", "text", "section", "td", "th", "p", "dd") for one in page.root.all(tag)]
    assert not {name for node in nodes for name in node.attrs if name.startswith("on")}
    assert "1337" not in page.front().text


def test_same_input_same_bytes_and_nothing_from_outside(tmp_path: Path) -> None:
    for name in ("one", "two"):
        write_briefing(tmp_path / name, job())
    text = (tmp_path / "one").read_text(encoding="utf-8")
    assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()
    assert "Content-Security-Policy" in text
    assert "default-src 'none'" in text
    assert not re.findall(r"""(?:src|href)=["'](?!data:)|@import|url\((?!#)""", text)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine")
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with sync_api.sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        yield chromium
        chromium.close()


def printed(browser: Any, file: Path, *, only: str = "") -> tuple[int, list[list[int]]]:
    """Pages on paper, of one part where one is named; heights of what is in each page of a sortie, and of the page."""
    context = browser.new_context(offline=True)
    tab = context.new_page()
    said: list[str] = []
    asked: list[str] = []
    tab.on("console", lambda message: said.append(message.text))
    tab.on("pageerror", lambda error: said.append(str(error)))
    tab.on("dialog", lambda dialog: (said.append("dialog"), dialog.dismiss()))
    tab.on("request", lambda request: asked.append(request.url))
    tab.goto(file.as_uri())
    tab.emulate_media(media="print")
    if only:
        tab.evaluate(
            "for (const e of document.querySelectorAll('body > section')) e.matches(part) || e.remove()".replace(
                "part", f"'{only}'"
            )
        )
    heights = tab.evaluate("[...document.querySelectorAll('.sortie')].map(e => [e.scrollHeight, e.clientHeight])")
    inner = tab.evaluate("[...document.querySelectorAll('.lower > *')].map(e => [e.scrollHeight, e.clientHeight])")
    pages = len(re.findall(rb"/Type\s*/Page\b", tab.pdf(prefer_css_page_size=True)))
    context.close()
    assert said == []
    assert [url for url in asked if not url.startswith("data:")] == [file.as_uri()]
    return pages, [*heights, *inner]


@pytest.mark.browser
def test_each_sortie_is_printed_on_one_page(browser: Any, tmp_path: Path) -> None:
    write_briefing(tmp_path / "briefing.html", job())
    pages, heights = printed(browser, tmp_path / "briefing.html")
    assert pages == 1 + 1 + 2
    assert all(inside <= room for inside, room in heights)


@pytest.mark.browser
def test_front_and_checklist_of_a_usual_job_are_a_page_each(browser: Any, tmp_path: Path) -> None:
    assessment = usual()
    rows = [row for section in checklist_contents(assessment)["sections"] for row in section.rows]
    assert len(assessment.cautions) >= 25
    assert len(rows) >= 34
    write_briefing(tmp_path / "briefing.html", assessment)
    assert [printed(browser, tmp_path / "briefing.html", only=part)[0] for part in (".front", ".checklist")] == [1, 1]


@pytest.mark.browser
def test_what_cannot_fit_a_page_rolls_over(browser: Any, tmp_path: Path) -> None:
    more = [Caution(f"number {n} {'long' * 30}", "cannot tell", "It is not known. " * 9) for n in range(45)]
    more += [Caution(f"laser {n}", "within", "All is well.", 1.0, 2.0, "m") for n in range(90)]
    write_briefing(tmp_path / "briefing.html", dataclasses.replace(usual(), cautions=(*usual().cautions, *more)))
    (front, _), (checklist, _) = (
        printed(browser, tmp_path / "briefing.html", only=part) for part in (".front", ".checklist")
    )
    assert 3 <= front <= 5
    assert 2 <= checklist <= 3


@pytest.mark.browser
@pytest.mark.parametrize("wide", [False, True])
def test_a_crowded_sortie_is_printed_on_one_page_too(browser: Any, tmp_path: Path, wide: bool) -> None:
    write_briefing(tmp_path / "briefing.html", crowded(34, wide=wide))
    assert ('class="upper wide"' in (tmp_path / "briefing.html").read_text(encoding="utf-8")) == wide
    _, heights = printed(browser, tmp_path / "briefing.html")
    assert len(heights) == 2 + 2 * 2
    assert all(inside <= room for inside, room in heights), heights


@pytest.mark.browser
def test_lines_without_sorties_run_over_as_many_pages_as_they_need(browser: Any, tmp_path: Path) -> None:
    made = small_assessment(met=True)
    lines = tuple(dataclasses.replace(made.plan.lines[0], line_id=f"T{n:03d}") for n in range(150))
    figures = tuple(dataclasses.replace(made.plan.figures[0], line_id=line.line_id) for line in lines)
    plan = dataclasses.replace(made.plan, lines=lines, figures=figures)
    write_briefing(tmp_path / "briefing.html", dataclasses.replace(made, plan=plan))
    pages, heights = printed(browser, tmp_path / "briefing.html")
    assert heights == []
    assert 2 + 2 <= pages <= 2 + 5
