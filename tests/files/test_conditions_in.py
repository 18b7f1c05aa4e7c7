"""Conditions, cases to compare and surfaces of one's own, as a mission file declares them."""

import datetime as dt
import re

import pytest
from made_site import mission_text

from planner.cover import Surface
from planner.errors import InputError
from planner.files.cards import sensor_template
from planner.files.missionfile import read_mission
from planner.mission import Case, Conditions, usual_cases


def read(folder, text):
    (folder / "job.toml").write_text(text, encoding="utf-8")
    return read_mission(folder / "job.toml")


def with_lines(*lines, **changes):
    return "\n".join([mission_text(**changes), *lines]) + "\n"


def faults_of(folder, text):
    """Return code, line and what was said of each fault."""
    with pytest.raises(InputError, match=r"job\.toml") as caught:
        read(folder, text)
    assert all(fault.fix for fault in caught.value.faults)
    return caught.value.faults


def line_of(text, start):
    """Return where the one line that begins so stands."""
    [number] = [number for number, line in enumerate(text.split("\n"), start=1) if line.startswith(start)]
    return f"job.toml:{number}"


def refused(folder, text, start, code, what, fix):
    [fault] = faults_of(folder, text)
    assert (fault.code, fault.where) == (code, line_of(text, start))
    assert re.search(what, fault.what)
    assert re.search(fix, fault.fix)


@pytest.mark.parametrize(
    ("written", "hour_utc"),
    [("2027-04-12T10:30:00+02:00", 8), ("2027-04-12 10:30:00Z", 10), ("2027-04-12T00:30:00-07:00", 7)],
)
def test_the_start_is_kept_in_utc(tmp_path, written, hour_utc):
    start = read(tmp_path, with_lines("[conditions]", f"start = {written}")).conditions.start
    assert start == dt.datetime(2027, 4, 12, hour_utc, 30, tzinfo=dt.UTC)
    assert start.tzinfo is dt.UTC


@pytest.mark.parametrize(
    ("written", "code", "what", "fix"),
    [
        ("2027-04-12T10:30:00", "E18", "2027-04-12 10:30:00.*; it should have timezone info", "^which zone.*offset"),
        ("2027-04-12", "E18", "`start` is .*valid datetime", "as a day and time"),
        ("10:30:00", "E18", "`start` is .*valid datetime", "as a day and time"),
        ("1030", "E18", "`start` is 1030; .*valid datetime", "as a day and time"),
        ("2027-04-13T10:30:00Z", "E34", "`start` .* is not on the mission's `date`, 2027-04-12", "change one"),
    ],
)
def test_a_start_that_names_no_moment_of_the_day_is_refused(tmp_path, written, code, what, fix):
    refused(tmp_path, with_lines("[conditions]", f"start = {written}"), "start", code, what, fix)


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("visibility_km = 0", "`visibility_km` is 0; it should be greater than 0"),
        ("visibility_km = -5", "`visibility_km` is -5; it should be greater than 0"),
        ("rain_mm_h = -1", "`rain_mm_h` is -1; it should be greater than or equal to 0"),
        ("snow_mm_h = 51", "`snow_mm_h` is 51; it should be less than or equal to 50"),
        ("temperature_c = 288", "`temperature_c` is 288; it should be less than or equal to 60"),
        ("pressure_hpa = 1.013", "`pressure_hpa` is 1.013; it should be greater than or equal to 300"),
    ],
)
def test_air_that_cannot_be_is_refused(tmp_path, line, what):
    text = with_lines("[conditions]", line)
    refused(tmp_path, text, line.split(" ")[0], "E33", what, "inside the limit")
    in_case = with_lines("[[compare]]", 'name = "case"', line)
    refused(tmp_path, in_case, line.split(" ")[0], "E33", what, "inside the limit")


def test_rain_wets_as_much_as_saying_so():
    assert [Conditions(**said).surfaces_wet for said in ({}, {"wet": True}, {"rain_mm_h": 0.1}, {"snow_mm_h": 1})] == [
        False,
        True,
        True,
        False,
    ]


def test_surfaces_are_dry_wet_or_frosted():
    said = ({}, {"wet": True}, {"rain_mm_h": 1}, {"frost": True}, {"frost": True, "snow_mm_h": 1})
    assert [Conditions(**one).surfaces for one in said] == ["dry", "wet", "wet", "frosted", "frosted"]


@pytest.mark.parametrize(("line", "named"), [("wet = true", "wet"), ("rain_mm_h = 0.5", "rain_mm_h")])
def test_frost_and_water_together_are_refused(tmp_path, line, named):
    text = with_lines("[conditions]", "frost = true", line)
    refused(tmp_path, text, "frost", "E34", f"frost and {named} together", "leave one of them out")


@pytest.mark.parametrize(
    ("planned", "changed", "what"),
    [
        ("frost = true", "wet = true", "frost and wet together"),
        ("rain_mm_h = 1", "frost = true", "frost and rain_mm_h together"),
        ("noon = true", "night = true", "give either noon or night, one of the two"),
    ],
)
def test_a_case_that_disagrees_with_what_it_keeps_of_the_plan_is_refused(tmp_path, planned, changed, what):
    text = with_lines("[conditions]", planned, "[[compare]]", 'name = "other"', changed)
    [fault] = faults_of(tmp_path, text)
    assert fault.code == "E34"
    assert what in fault.what
    # the whole of it holds once the case takes back what it keeps
    key = planned.split(" ")[0]
    job = read(tmp_path, text + f"{key} = {'0' if key == 'rain_mm_h' else 'false'}\n")
    assert len(job.compare) == 1


def test_a_case_changes_what_it_names_and_keeps_the_rest_of_the_plan(tmp_path):
    job = read(
        tmp_path,
        with_lines(
            "[conditions]",
            "visibility_km = 30",
            "wind_mps = 4",
            "start = 2027-04-12T10:00:00Z",
            "[[compare]]",
            'name = "wet road"',
            "wet = true",
            "[[compare]]",
            'name = "evening fog"',
            "visibility_km = 0.8",
            "start = 2027-04-12T20:00:00+02:00",
        ),
    )
    planned = job.conditions
    assert (planned.visibility_km, planned.wind_mps, planned.start.hour) == (30, 4, 10)
    assert [case.name for case in job.compare] == ["wet road", "evening fog"]
    wet, fog = (case.conditions for case in job.compare)
    assert wet == Conditions(visibility_km=30, wind_mps=4, start=planned.start, wet=True)
    assert fog == Conditions(visibility_km=0.8, wind_mps=4, start=dt.datetime(2027, 4, 12, 18, tzinfo=dt.UTC))
    assert not [line for line in job.assumptions if line.startswith("compare")]


def test_without_cases_the_usual_ones_are_compared_and_said(tmp_path):
    job = read(tmp_path, mission_text())
    assert job.compare == usual_cases(job.conditions)
    assert "compare = wet, haze 5 km, noon, night (not given)" in job.assumptions
    assert read(tmp_path, mission_text(compare="x").replace("[site]", "compare = []\n[site]", 1)).compare == ()


def test_usual_cases_differ_from_the_plan_in_one_way_each():
    planned = Conditions(visibility_km=30, wind_mps=4)
    assert usual_cases(planned) == (
        Case(name="wet", conditions=Conditions(visibility_km=30, wind_mps=4, wet=True)),
        Case(name="haze 5 km", conditions=Conditions(visibility_km=5, wind_mps=4)),
        Case(name="noon", conditions=Conditions(visibility_km=30, wind_mps=4, noon=True)),
        Case(name="night", conditions=Conditions(visibility_km=30, wind_mps=4, night=True)),
    )
    rime = Conditions(visibility_km=3, frost=True, night=True)
    assert usual_cases(rime) == (
        Case(name="dry", conditions=Conditions(visibility_km=3, night=True)),
        Case(name="wet", conditions=Conditions(visibility_km=3, wet=True, night=True)),
        Case(name="noon", conditions=Conditions(visibility_km=3, frost=True, noon=True)),
    )
    drizzle = Conditions(visibility_km=3, rain_mm_h=0.5, night=True)
    assert usual_cases(drizzle) == (
        Case(name="dry", conditions=Conditions(visibility_km=3, night=True)),
        Case(name="noon", conditions=Conditions(visibility_km=3, rain_mm_h=0.5, noon=True)),
    )


def test_every_fault_of_the_cases_comes_at_once_in_its_line(tmp_path):
    text = with_lines(
        "[[compare]]",
        "wet = true",
        "[[compare]]",
        'name = "haze"',
        "visibility = 2",
        "[[compare]]",
        'name = "haze"  # again',
        'rain_mm_h = "much"',
        "[[compare]]",
        'name = "sea"',
        "wet = 1",
        'polygons = "sea.geojson"',
    )
    faults = faults_of(tmp_path, text)
    first = text.split("\n").index("[[compare]]") + 1
    assert {(fault.code, fault.where, fault.what.split(" is ")[0]) for fault in faults} == {
        ("E18", f"job.toml:{first}", "`name`"),
        ("E18", line_of(text, "visibility"), "unknown key `visibility` in [compare 2]"),
        ("E34", line_of(text, 'name = "haze"  # again'), '`name` "haze"'),
        ("E18", line_of(text, "rain_mm_h"), "`rain_mm_h`"),
        ("E18", line_of(text, "wet = 1"), "`wet`"),
        ("E18", line_of(text, "polygons"), "unknown key `polygons` in [compare 4]"),
    }
    assert next(fault for fault in faults if "visibility" in fault.what).fix == "did you mean `visibility_km`?"


@pytest.mark.parametrize("lines", [("[compare]", 'name = "wet"'), ("[compare.wet]", "wet = true")])
def test_cases_are_a_list_of_tables(tmp_path, lines):
    text = with_lines(*lines)
    refused(tmp_path, text, lines[0], "E18", "`compare` is not a list of tables", r"each case with \[\[compare")


def test_a_fault_of_the_planned_conditions_is_told_once(tmp_path):
    text = with_lines("[conditions]", "visibility_km = 0", "[[compare]]", 'name = "wet"', "wet = true")
    refused(tmp_path, text, "visibility_km", "E33", "greater than 0", "inside the limit")


def test_surfaces_of_ones_own_are_read_beside_crowns(tmp_path):
    job = read(
        tmp_path,
        with_lines(
            "[cover.surfaces.peat]",
            "reflectance = [0.1, 0.12, 0.15]",
            "wet_film_mm = 0.5",
            "[cover.surfaces.alder]",
            "reflectance = 0.4",
            "soaks = false",
            "[cover.canopy.alder]",
            "lai_leaf_on = 3",
            "lai_leaf_off = 1",
        ),
    )
    assert job.cover.surfaces == {
        "peat": Surface(reflectance=(0.1, 0.12, 0.15), wet_film_mm=0.5),
        "alder": Surface(reflectance=(0.4, 0.4, 0.4), soaks=False),
    }
    assert job.cover.canopy["alder"].lai_leaf_on == 3


@pytest.mark.parametrize(
    ("line", "code", "what", "fix"),
    [
        ("reflectance = 23", "E33", "reflectance 23 is above 1: it is a share, 0-1", r"divided by 100: 23 % is 0\.23"),
        ("reflectance = [0.1, 0.1, -0.1]", "E33", "reflectance -0.1 is not a share, 0-1", "from 0 to 1"),
        ("reflectence = 0.2", "E18", r"unknown key `reflectence` in \[cover.surfaces.peat\]", "mean `reflectance`"),
    ],
)
def test_a_surface_that_cannot_be_is_refused_in_its_line(tmp_path, line, code, what, fix):
    text = with_lines("[cover.surfaces.peat]", line)
    found = [fault for fault in faults_of(tmp_path, text) if re.search(what, fault.what)]
    assert [(fault.code, fault.where) for fault in found] == [(code, line_of(text, line))]
    assert re.search(fix, found[0].fix)


@pytest.mark.parametrize(
    ("lines", "at", "code", "what", "fix"),
    [
        (
            ['raster = "c.tif"'],
            "raster",
            "E18",
            "raster without classes",
            r"add \[cover.classes\], .*grass_green",
        ),
        (['classes = { 1 = "heath" }'], "classes", "E34", "classes without raster", "name the raster"),
        (
            ['raster = "c.tif"', 'classes = { "7.5" = "heath" }'],
            "classes",
            "E18",
            'classes has "7.5", no whole number',
            "as in the raster",
        ),
        (['raster = "c.tif"', "classes = { 1 = 7 }"], "classes", "E18", "`classes.1` is 7", "text in quotes"),
    ],
)
def test_a_class_raster_needs_its_lookup(tmp_path, lines, at, code, what, fix):
    refused(tmp_path, with_lines("[cover]", *lines), at, code, what, fix)


def test_a_card_without_a_range_is_refused(tmp_path):
    whole = sensor_template()
    bare, cut = re.subn(r"(?ms)^\[\[ratings\]\]\n(?:(?!\[).*?\n)*", "", whole)
    assert cut
    assert "\n[[ratings]]" not in bare
    (tmp_path / "mine.toml").write_text(bare, encoding="utf-8")
    with pytest.raises(InputError, match=r"E18 mine\.toml:1: `ratings` is missing"):
        read(tmp_path, mission_text(sensor={"card": "mine.toml"}))
    no_pair = re.sub(r"(?m)^range_m = .*\n", "", whole)
    (tmp_path / "mine.toml").write_text(no_pair, encoding="utf-8")
    with pytest.raises(InputError, match=r"E18 mine\.toml:\d+: `range_m` is missing in \[ratings 1\]"):
        read(tmp_path, mission_text(sensor={"card": "mine.toml"}))
