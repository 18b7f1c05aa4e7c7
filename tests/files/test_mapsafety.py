"""Safety on the offline map. All data are invented; what is shown is held against the assessment itself."""

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from files.small_job import small_assessment
from made_safety import with_safety
from made_sorties import flown

from planner.assessment import Safety
from planner.files import mapsafety
from planner.files.mapflight import take_off_places, take_off_shapes
from planner.files.mappanel import panel_of
from planner.files.mapsafety import (
    EXPOSURE_RGB,
    drawn_places,
    drawn_volumes,
    exposure_codes,
    exposure_layers,
    exposure_legend,
    safety_layers,
)
from planner.files.mapwords import Said
from planner.files.safetywords import GROUPS, OPEN, grouped, lonlat_of, measure_text, untold, value_text
from planner.files.webmap import write_map
from planner.ground.surroundings import GroundPlace
from planner.safety.cautions import Caution
from planner.survey.guarding import LOOKED_M

HOSTILE = "<img src=x onerror=alert(1)></script><script>alert(1)</script>{{ 7 * 191 }}"
CHROMIUM = next((p for p in ("/usr/bin/chromium", "/usr/bin/chromium-browser") if Path(p).exists()), None)
LAYERS = {"airspace", "beneath", "risk", "overs"}


@pytest.fixture(scope="module")
def map_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("safety") / "map.html"
    write_map(path, with_safety(small_assessment(), HOSTILE))
    return path


def words_of(path: Path) -> dict[str, dict[str, Any]]:
    """The texts of the popups, by title."""
    block = re.search(r'id="words">(.*?)</script>', path.read_text(encoding="utf-8"), re.DOTALL)
    assert block is not None
    return {said["title"]: said for said in json.loads(block[1])}


def plain(page: str) -> str:
    """The words of the text beside the map."""
    return " ".join(re.sub(r"<[^>]*>", " ", page.split("<aside>")[1].split("</aside>", maxsplit=1)[0]).split())


# Exposure


def test_a_cell_is_in_the_worst_class_that_fits() -> None:
    """Exposure of just its limit is not over it; cells that nothing is known of stay without a colour."""
    exposure = with_safety(small_assessment()).safety.exposure
    assert exposure is not None
    codes = exposure_codes(exposure)
    assert (codes[:, 0] == 255).all()
    assert codes[:, 1:].T.tolist() == [[1] * 5 + [2] * 5 + [3] * 5 + [4] * 5] * 23


def test_the_legend_has_the_area_of_each_class() -> None:
    job = with_safety(small_assessment())
    swatches = exposure_legend(job)
    assert [swatch["area_m2"] for swatch in swatches] == [5 * 23 * 8.0**2] * 4
    assert len({swatch["colour"] for swatch in swatches}) == len(swatches) == len(EXPOSURE_RGB) == 4
    assert exposure_layers(job).keys() == {"exposure"}


def test_without_energy_there_is_no_layer_of_exposure() -> None:
    job = small_assessment()
    assert exposure_layers(job) == {}
    assert exposure_legend(job) == []


# Shapes


def test_each_layer_is_there_only_where_there_is_anything_for_it() -> None:
    assert safety_layers(small_assessment(), []) == {}
    job = with_safety(small_assessment())
    assert safety_layers(job, []).keys() == LAYERS
    assert safety_layers(replace(job, safety=Safety()), []).keys() == {"airspace", "beneath", "overs"}
    bare = replace(job, scene=replace(job.scene, airspace=None, beneath={}), cautions=())
    assert safety_layers(bare, []).keys() == {"risk"}


def test_the_buffer_is_drawn_where_it_lies() -> None:
    job = with_safety(small_assessment())
    risk = job.safety.risk
    assert risk is not None
    _, drawn = safety_layers(job, [])["risk"]
    assert [shape["properties"]["role"] for shape in drawn] == ["overshoot", "risk"]
    for shape, area in zip(drawn, (risk.overshoot, risk.buffer), strict=True):
        lonlat = shapely.geometry.shape(shape["geometry"])
        local = shapely.transform(lonlat, lambda at: np.column_stack(job.scene.frame.from_lonlat(*at.T)))
        assert shapely.hausdorff_distance(local, area) <= mapsafety.DRAWN_TO_M + 0.02


def test_what_is_over_a_limit_has_one_mark_at_its_place() -> None:
    job = with_safety(small_assessment())
    where = next(one.where for one in job.cautions if one.caution_id == "x.people")
    again = Caution("sight line", "over", "Too far.", 400.0, 300.0, "m from the pilot", where=where)
    calm = Caution("calm", "within", "Fine.", 1.0, 2.0, "m", where="lon -7.40 lat 62.00")
    words: list[Said] = []
    _, [mark] = safety_layers(replace(job, cautions=(*job.cautions, again, calm)), words)["overs"]
    assert tuple(mark["geometry"]["coordinates"]) == lonlat_of(where)
    said = words[mark["properties"]["key"]]
    assert said.title == f"Over: {where}"
    assert said.rows == (
        ("x.people", "measured 7.25, limit 30 m horizontally"),
        ("sight line", "measured 400, limit 300 m from the pilot"),
    )


def test_popups_tell_what_is_given_and_how_it_is_met(map_file: Path) -> None:
    said = words_of(map_file)
    zone, road, fair, bench = (
        dict(said[f"{name}{HOSTILE}"]["rows"]) for name in ("zone", "mill road", "fair", "bench")
    )
    assert (zone["From"], zone["Up to"], zone["Day of the data"]) == ("150 m AMSL", "FL 65", "2026-11-25")
    assert road["Flown over"] == "123 m, 8 s in all"  # 4.5 s and 4 s
    assert (road["Passes"], road["Length in the buffer"], road["Reaches sideways"]) == ("2", "79 m", "4 m")
    assert (fair["Flown over"], fair["Area in the buffer"]) == ("no", "346 m²")
    assert bench["Under the flight"] == "no, nor in the ground risk buffer"


def test_what_lies_nearest_is_drawn_where_there_is_no_room_for_all(monkeypatch: pytest.MonkeyPatch) -> None:
    """Places stand ever farther east; those of too many are left out from the far end, and the legend says so."""
    job = with_safety(small_assessment())
    far = tuple(GroundPlace(f"P{number}", shapely.Point(-1200 + 100 * number, 800)) for number in range(9, -1, -1))
    job = replace(job, scene=replace(job.scene, beneath={"people": far}))
    monkeypatch.setattr(mapsafety, "MOST_DRAWN", 3 + 1)
    assert [place.name for place in drawn_places(job)["people"]] == ["P3", "P2", "P1", "P0"]
    assert panel_of(job, 0)["safety"]["beneath"] == [{"kind": "people", "words": "people", "given": 10, "drawn": 4}]
    monkeypatch.setattr(mapsafety, "MOST_VERTICES", 4)
    assert drawn_volumes(job) == []
    assert panel_of(job, 0)["safety"]["volumes"] == 2


def test_take_off_places_that_were_chosen_are_drawn() -> None:
    job = flown(small_assessment())
    sortie = job.plan.sorties[0]
    chosen = replace(job, mission=replace(job.mission, take_off_deg=(), take_off_area="yard.geojson"))
    words: list[Said] = []
    [shape] = take_off_shapes(chosen, words)
    lon, lat = shape["geometry"]["coordinates"]
    assert job.scene.frame.from_lonlat(lon, lat) == pytest.approx(tuple(sortie.take_off_m[:2]), abs=0.02)
    assert dict(words[shape["properties"]["key"]].rows)["Sorties"] == "1, 2"
    assert list(take_off_places(job)) == list(job.mission.take_off_deg)


# The panel


def test_no_caution_is_lost_and_the_open_ones_come_first() -> None:
    job = with_safety(flown(small_assessment()))
    groups = grouped(job.cautions, job.safety.rules)
    assert [group.title for group in groups] == [title for title in GROUPS if title in {one.title for one in groups}]
    held = [one for group in groups for one in (*group.open, *group.folded)]
    assert sorted(map(repr, held)) == sorted(map(repr, job.cautions))
    for group in groups:
        stands = [one.status for one in group.open]
        assert stands == sorted(stands, key=OPEN.index)
        assert not {one.status for one in group.folded} & set(OPEN)
    where = {one.caution_id: group.title for group in groups for one in (*group.open, *group.folded)}
    assert where["x.people"] == where["ceiling"] == "Airspace and rules"
    assert (where["laser computed"], where["ground risk"]) == ("Eyes", "Ground beneath")
    assert where["wires"] == "Flight and day"


@pytest.mark.parametrize(
    ("value", "shown"),
    [(None, "–"), (float("nan"), "–"), (0.0, "0"), (7.25, "7.25"), (-1.5, "−1.5"), (123456.7, "123\u202f457")],
)
def test_a_value_reads_as_a_number_or_a_dash(value: float | None, shown: str) -> None:
    assert value_text(value) == shown


def test_a_measure_says_what_is_not_known() -> None:
    assert measure_text(Caution("a", "cannot tell", "", None, 3.0, "m")) == "measured not known, limit 3 m"
    assert measure_text(Caution("a", "note", "", 3.0, None, "m")) == "measured 3 m"
    assert measure_text(Caution("a", "note", "")) == ""


@pytest.mark.parametrize("where", ["", "L02 at its middle", "lon east lat north", "lat 62.03 lon -7.41"])
def test_a_place_without_coordinates_has_none(where: str) -> None:
    assert lonlat_of(where) is None


def test_the_panel_tells_cautions_rules_and_what_was_not_looked_at(map_file: Path, tmp_path: Path) -> None:
    job, page = with_safety(small_assessment(), HOSTILE), map_file.read_text(encoding="utf-8")
    table = page.split('<table class="rules">')[1].split("</table>")[0]
    rows = [[re.sub("<[^>]*>", "", cell) for cell in re.findall(r"<t[hd].*?</t[hd]>", row)] for row in
            table.split("<tbody>")[1].split("<tr")[1:]]  # fmt: skip
    assert [row[1:] for row in rows] == [
        ["7.25", "30", "▲ over"],
        ["–", "–", "? cannot tell"],
        ["66", "120", "● within"],
    ]
    said = plain(page)
    assert "▲ over x.people Keep 30 m away. measured 7.25, limit 30 m horizontally line L01" in said
    assert "Act 2 (from memory, the text was not read again); read on 2026-11-25" in said
    assert "? cannot tell laser computed Nothing can be computed. measured not known, limit 12.5 m" in said
    assert "This map clears no flight and classifies no laser" in said
    assert "Not looked at" not in said
    assert page.split('class="safety-counts"')[1].count("</span> 1 over") == 1
    assert untold(job.safety) == []
    write_map(tmp_path / "bare.html", small_assessment())
    bare = plain((tmp_path / "bare.html").read_text(encoding="utf-8"))
    assert all(sentence in bare for sentence in untold(Safety()))
    assert len(untold(Safety())) == 4
    assert '<table class="rules">' not in (tmp_path / "bare.html").read_text(encoding="utf-8")


def test_the_switches_of_the_legend_are_those_of_the_layers(map_file: Path, tmp_path: Path) -> None:
    write_map(tmp_path / "bare.html", small_assessment())
    for path, there in ((map_file, LAYERS | {"exposure"}), (tmp_path / "bare.html", set())):
        page = path.read_text(encoding="utf-8")
        assert (LAYERS | {"exposure"}) & set(re.findall(r'data-layer="(\w+)"', page)) == there
        assert LAYERS & set(re.findall(r"geo_json_(\w+)_add\(", page)) == there - {"exposure"}
    page = map_file.read_text(encoding="utf-8")
    assert "98\u202f765 m²" in page
    assert "1\u202f234 m²" in page
    assert f"No colour: not known, or farther than {LOOKED_M:g} m from the way." in page


def test_names_of_users_stay_text(map_file: Path) -> None:
    page = map_file.read_text(encoding="utf-8")
    assert "onerror=alert(1)>" not in page
    assert "<script>alert" not in page
    assert "1337" not in plain(page)
    titles = set(words_of(map_file))
    assert {f"{name}{HOSTILE}" for name in ("zone", "pad", "fair", "bench", "mill road")} <= titles


def test_the_same_safety_makes_the_same_bytes(map_file: Path, tmp_path: Path) -> None:
    write_map(tmp_path / "again.html", with_safety(small_assessment(), HOSTILE))
    assert (tmp_path / "again.html").read_bytes() == map_file.read_bytes()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine")
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with sync_api.sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=CHROMIUM, args=["--headless", "--no-sandbox", "--disable-gpu"])
        yield chromium
        chromium.close()


@pytest.mark.browser
def test_a_mark_opens_in_silence_and_layers_go(browser: Any, map_file: Path) -> None:
    context = browser.new_context(viewport={"width": 1400, "height": 900}, offline=True)
    page = context.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("dialog", lambda dialog: (said.append("dialog"), dialog.dismiss()))
    page.goto(map_file.as_uri())
    page.wait_for_selector(".mark-over")
    page.locator(".mark-over").click()
    assert "measured 7.25, limit 30 m horizontally" in page.locator(".leaflet-popup-content").inner_text()
    assert page.locator(".mark-aero").count() == 1
    page.check('input[data-layer="exposure"]')
    assert page.locator("img.cells").get_attribute("alt") == "Exposure of eyes by cell"
    page.uncheck('input[data-layer="overs"]')
    assert page.locator(".mark-over").count() == 0
    page.click(".safety-counts a")
    assert page.locator("#safety-head").bounding_box()["y"] < 900
    assert said == []
    context.close()
