import datetime as dt
import re
import tomllib
from pathlib import Path

import pytest

from planner.cover import Cover
from planner.errors import InputError
from planner.files.missionfile import read_mission
from planner.files.newmission import new_mission_text, write_new_mission
from planner.mission import Conditions

LEAST = """\
name = "Oskarfell quarry"
date = 2027-04-12
[site]
area = "area.geojson"
[terrain]
ground = "ground.tif"
heights = "orthometric"
[sensor]
card = "B"
[aircraft]
card = "hexacopter"
[requirement]
density_per_m2 = 200
[limits]
[flight]
[conditions]
"""

FULL = """\
name = "Oskarfell quarry"
date = 2027-04-12
compare = []
[site]
area = "area.geojson"
features_of_interest = "ways.geojson"
feature_width_m = 6
layer = "areas"
features = ["rim", "floor"]
buffer_m = 20
working_crs = "EPSG:32629"
[terrain]
ground = "ground.tif"
surface = "surface.tif"
heights = "orthometric"
geoid = "egm96"
vertical_unit = "foot"
vertical_sd_m = 0.5
surveyed = 2026-10-02
holes = "unknown"
[cover]
polygons = "cover.geojson"
class_field = "kind"
raster = "classes.tif"
classes = { 1 = "heath", 20 = "mud" }
reflectance = "shares.tif"
default = "gravel"
season = "leaf_off"
[sensor]
card = "B"
pulse_rate_hz = 150_000
line_rate_hz = 100
forward_tilt_deg = -8
tilts_with_aircraft = true
tested_on = 2027-01-10
[navigation]
card = "entry"
base_distance_m = 4000
[aircraft]
card = "hexacopter"
take_off = [[-7.412, 62.031], [-7.4, 62.03]]
take_off_area = "access.geojson"
[requirement]
density_per_m2 = 200
vertical_rmse_m = 0.04
vertical_class_cm = 5
horizontal_rmse_m = 0.1
text = "RMSEh 10 cm"
returns = "first"
coverage = "single"
cell_m = 2
percentile = 10
face_density_per_m2 = 60
face_percentile = 10
sidelap_min = 0.3
survey_rules = "gsi_uav_laser_2025"
theta = 1.2
confidence = 0.9
[faces]
walls = "walls.geojson"
height_m = 12
steeper_than_deg = 50
[checkpoints]
count = 12
within = "commons.geojson"
survey_sd_m = 0.008
[limits]
ceiling_agl_m = 110
clearance_m = 25
climb_mps = 3
descent_mps = 2
[flight]
agl_m = 70
speed_mps = 6
heading_deg = 35
line_spacing_m = 40
following = "level"
hold_speed = "air"
split_overlap_m = 20
[hazards]
obstacles = "masts.geojson"
keep_out = "farm.geojson"
sensitive = "nests.geojson"
default_vertical_sd_m = 1
default_horizontal_sd_m = 1
keep_out_margin_m = 20
wires_checked = true
[conditions]
visibility_km = 15
wind_mps = 3
wind_from_deg = 250
seed = 7
wet = true
frost = false
rain_mm_h = 1
snow_mm_h = 0.5
temperature_c = 4
pressure_hpa = 990
start = 2027-04-12T09:30:00+02:00
noon = false
night = false
[window]
almanac = "almanac.alm"
mask_deg = 12
pdop_most = 4
satellites_least = 5
tide = "tide.csv"
tide_least_m = -1
tide_most_m = 0.4
[marks]
frame = "ETRF2000"
epoch = 2010.0
[rules]
profile = "us_part107"
airspace = "airspace.geojson"
airspace_date = 2027-03-01
people = "people.geojson"
built_up = "built_up.geojson"
buildings = "buildings.geojson"
roads = "roads.geojson"
aircraft_class = "C3"
low_speed_mode = true
anti_collision_light_m = 5000
cloud_base_agl_m = 600
cloud_distance_m = 3000
owner_request = true
permissions = ["heliport"]
[rates]
currency = "EUR"
flight_hour = 240.5
sortie = 35
mobilise = 800
[doubts]
draws = 50
terrain_common_share = 0.5
patch_m = 30
aside_sd_m = 1
up_sd_m = 1
speed_log_sd = 0.05
wind_sd_mps = 2
roll_sd_deg = 0.5
pitch_sd_deg = 0.5
heading_sd_deg = 1
reflectance_log_sd = 0.2
reflectance_patch_share = 0.4
leaf_area_log_sd = 0.2
visibility_log_sd = 0.2
error_log_sd = 0.1
"""


def mission(tmp_path: Path, text: str):
    (tmp_path / "job.toml").write_text(text, encoding="utf-8")
    return read_mission(tmp_path / "job.toml")


def faults_of(tmp_path: Path, text: str):
    with pytest.raises(InputError, match=r"job\.toml") as caught:
        mission(tmp_path, text)
    assert str(tmp_path) not in str(caught.value)
    return caught.value.faults


def refused_in(path: Path) -> str | None:
    try:
        read_mission(path)
    except InputError as error:
        return str(error)
    return None


def changed(old: str, new: str, text: str = FULL) -> tuple[str, str]:
    """Return the text with one line changed or added, and where it stands."""
    assert text.count(old) == 1
    text = text.replace(old, new)
    return text, f"job.toml:{text[: text.index(new) + len(new.rstrip())].count(chr(10)) + 1}"


def test_a_full_mission_keeps_every_value(tmp_path):
    job = mission(tmp_path, FULL)
    assert job.file == tmp_path / "job.toml"
    assert (job.name, job.date.isoformat()) == ("Oskarfell quarry", "2027-04-12")
    assert job.site.features == ("rim", "floor")
    assert job.terrain.surveyed.isoformat() == "2026-10-02"
    assert job.sensor.name == "B"
    assert (job.sensor.forward_tilt_deg, job.sensor.tilts_with_aircraft) == (-8, True)
    assert job.take_off_deg == ((-7.412, 62.031), (-7.4, 62.03))
    assert job.requirement.coverage == "single"
    assert (job.limits.climb_mps, job.limits.descent_mps) == (3, 2)
    assert (job.flight.pulse_rate_hz, job.flight.line_rate_hz, job.flight.agl_m) == (150_000, 100, 70)
    assert (job.flight.line_spacing_m, job.flight.following) == (40, "level")
    assert job.conditions == Conditions(
        visibility_km=15,
        wind_mps=3,
        wind_from_deg=250,
        seed=7,
        wet=True,
        rain_mm_h=1,
        snow_mm_h=0.5,
        temperature_c=4,
        pressure_hpa=990,
        start=dt.datetime(2027, 4, 12, 7, 30, tzinfo=dt.UTC),
    )
    assert (job.site.features_of_interest, job.site.feature_width_m) == ("ways.geojson", 6)
    assert job.cover == Cover(
        polygons="cover.geojson",
        class_field="kind",
        raster="classes.tif",
        classes={"1": "heath", "20": "mud"},
        reflectance="shares.tif",
        default="gravel",
        season="leaf_off",
    )
    assert job.compare == ()


def test_a_mission_that_gives_everything_assumes_nothing(tmp_path):
    assert mission(tmp_path, FULL).assumptions == ()


def test_every_left_out_value_is_one_assumption(tmp_path):
    # left out of the least mission, less what the planner chooses ([flight], rates), what the card holds
    # (tilt, mount), the layer of a file that has one, the other of two rasters, the lookup of no raster, and what
    # nobody asks for
    given, least = ({k: v for k, v in tomllib.loads(text).items() if isinstance(v, dict)} for text in (FULL, LEAST))
    left_out = {f"{table}.{key}" for table, keys in given.items() for key in keys}
    left_out -= {f"{table}.{key}" for table, keys in least.items() for key in keys}
    expected = {name for name in left_out if name.split(".")[0] not in ("flight", "sensor")} | {
        "compare",
        "flight.hold_speed",
    }
    expected -= {"site.layer", "terrain.surface", "cover.classes", "marks.epoch", "rules.airspace_date"}
    expected -= {"window.tide_least_m", "window.tide_most_m"}
    expected -= {f"rates.{key}" for key in ("flight_hour", "sortie", "mobilise")}
    unasked = "text", "vertical_class_cm", "horizontal_rmse_m", "face_density_per_m2", "face_percentile"
    expected -= {"requirement.survey_rules", "requirement.theta", "requirement.confidence"}
    expected -= {f"requirement.{key}" for key in unasked}
    expected -= {"faces.walls", "faces.height_m"}
    lines = mission(tmp_path, LEAST).assumptions
    assert sorted(line.split(" = ")[0] for line in lines) == sorted(expected)
    assert "limits.clearance_m = 30 (not given)" in lines
    assert all(line.endswith(" (not given)") for line in lines)


@pytest.mark.parametrize("line", [line for line in FULL.split("\n")[2:] if " = " in line])
def test_leaving_one_value_out_adds_at_most_its_own_assumption(tmp_path, line):
    key = line.split(" = ")[0]
    text = FULL.replace(line + "\n", "", 1)
    needed = key in (
        "area", "heights", "card", "density_per_m2", "raster",
        "classes", "tide", "frame", "walls", "face_density_per_m2", "currency", "survey_rules",
    )  # fmt: skip
    if needed and line != 'card = "entry"':  # the navigation card has a usual one
        assert any(key in fault.what for fault in faults_of(tmp_path, text))
    else:
        lines = mission(tmp_path, text).assumptions
        assert [re.sub(r"(?:\w+\.)?(\w+) = .*", r"\1", said) for said in lines] in ([], [key])


CORRIDOR = 'centreline = "line.geojson"\nwidth_left_m = 30\nwidth_right_m = 25.5'


def test_a_heading_is_given_in_degrees_or_by_what_it_runs_along(tmp_path):
    flight = mission(tmp_path, FULL.replace("heading_deg = 35", 'heading_along = "contours"')).flight
    assert (flight.heading_deg, flight.heading_along) == (None, "contours")


def test_a_centreline_with_its_widths_stands_in_place_of_an_area(tmp_path):
    site = mission(tmp_path, FULL.replace('area = "area.geojson"', CORRIDOR)).site
    assert (site.area, site.centreline) == (None, "line.geojson")
    assert (site.width_left_m, site.width_right_m) == (30, 25.5)
    assert mission(tmp_path, FULL.replace('area = "area.geojson"', CORRIDOR)).assumptions == ()


@pytest.mark.parametrize(
    ("site", "code", "what"),
    [
        ("buffer_m = 20", "E18", "`area` is missing, and there is no `centreline`"),
        (f'area = "area.geojson"\n{CORRIDOR}', "E34", "`centreline` and `area` are both given"),
        ('area = "area.geojson"\nwidth_right_m = 30', "E34", "`width_right_m` is the width of a corridor"),
        ('centreline = "line.geojson"\nwidth_left_m = 30', "E18", "`width_right_m` is missing: a `centreline` needs"),
        ('centreline = "line.geojson"\nwidth_right_m = 30', "E18", "`width_left_m` is missing: a `centreline` needs"),
        (CORRIDOR.replace("25.5", "0"), "E33", "`width_right_m` is 0; it should be greater than 0"),
    ],
)
def test_a_site_is_an_area_or_a_corridor(tmp_path, site, code, what):
    [fault] = faults_of(tmp_path, LEAST.replace('area = "area.geojson"', site))
    assert (fault.code, fault.what[: len(what)]) == (code, what)
    assert code == "E33" or fault.fix.startswith("name polygons as `area`; or a line as `centreline`")


def test_absent_optional_tables_are_as_empty_ones(tmp_path):
    whole = mission(tmp_path, LEAST)
    assert mission(tmp_path, LEAST.replace("[limits]\n[flight]\n[conditions]\n", "")) == whole


def test_auto_leaves_the_rates_to_the_planner(tmp_path):
    text = LEAST.replace('card = "B"', 'card = "b"\npulse_rate_hz = "auto"\nline_rate_hz = "auto"')
    assert mission(tmp_path, text) == mission(tmp_path, LEAST)


@pytest.mark.parametrize(
    ("old", "new", "code", "what", "fix"),
    [
        # numbers outside their limits
        ("sidelap_min = 0.3", "sidelap_min = -0.1", "E33", "`sidelap_min` is -0.1; .* greater than or equal to 0", ""),
        ("sidelap_min = 0.3", "sidelap_min = 0.9", "E33", "`sidelap_min` is 0.9; it should be less than 0.9", ""),
        ("sidelap_min = 0.3", "sidelap_min = nan", "E33", "`sidelap_min` is nan, not a finite number", "give one"),
        ("speed_mps = 6", "speed_mps = 0", "E33", "`speed_mps` is 0; it should be greater than 0", "inside the limit"),
        ("speed_mps = 6", "speed_mps = -inf", "E33", "`speed_mps` is -inf, not a finite number", ""),
        ("density_per_m2 = 200", "density_per_m2 = -2", "E33", "`density_per_m2` is -2; .* greater than 0", ""),
        ("buffer_m = 20", "buffer_m = nan", "E33", "`buffer_m` is nan", ""),
        ("heading_deg = 35", "heading_deg = 400", "E33", "`heading_deg` is 400; .* less than or equal to 360", ""),
        ("forward_tilt_deg = -8", "forward_tilt_deg = 60", "E33", "`forward_tilt_deg` is 60; .* less than 60", ""),
        ("pulse_rate_hz = 150_000", "pulse_rate_hz = -1", "E33", "`pulse_rate_hz` is -1; .* greater than 0", ""),
        # words, kinds and names
        ('heights = "orthometric"', 'heights = "ortometric"', "E18", "ortometric", 'did you mean "orthometric"'),
        ('following = "level"', 'following = "slope"', "E18", "it should be 'terrain', 'level' or 'stepped'", "one of"),
        ("heading_deg = 35", 'heading_along = "slope"', "E18", "it should be 'long_side' or 'contours'", "one of"),
        (
            "heading_deg = 35",
            'heading_deg = 35\nheading_along = "contours"',
            "E18",
            "`heading_deg` 35 and `heading_along` contours are both given",
            "give one of the two, or leave both out",
        ),
        ("speed_mps = 6", 'speed_mps = "6"', "E18", '`speed_mps` is "6"; .* valid number', "without quotes"),
        ("speed_mps = 6", "speed_mps = true", "E18", "`speed_mps` is true; .* valid number", "without quotes"),
        ("date = 2027-04-12", 'date = "soon"', "E18", '`date` is "soon"', "such as 2027-04-12"),
        (
            'name = "Oskarfell quarry"',
            'name = ""',
            "E18",
            '`name` is ""; it should have at least 1 character',
            "longer",
        ),
        ('features = ["rim", "floor"]', 'features = "rim"', "E18", '`features` is "rim"', "list in square brackets"),
        ("buffer_m = 20", "bufer_m = 20", "E18", r"unknown key `bufer_m` in \[site\]", "did you mean `buffer_m`"),
        ("visibility_km = 15", "speed_mps = 6.0", "E18", r"unknown key .* in \[cond", r"it belongs in \[flight\]"),
        ("agl_m = 70", "pulse_rate_hz = 3", "E18", r"unknown key `pulse_rate_hz` in \[flight\]", r"in \[sensor\]"),
        ("agl_m = 70", "wholly_other = 3", "E18", "unknown key `wholly_other`", "known names here: agl_m, speed_mps"),
        ("date = 2027-04-12", "date = 2027-04-12\nceiling_agl_m = 1", "E18", "unknown key `ceil", r"in \[limits\]"),
        ("[conditions]", "[condition]", "E18", "unknown table `condition`", "did you mean `conditions`"),
        ("[conditions]", "[[conditions]]", "E18", "`conditions` is not a table", r"open it with \[conditions\]"),
        # values that contradict each other or a card
        ("density_per_m2 = 200", 'density_per_m2 = 200\nquality_level = "QL1"', "E34", "either density_per_m2 or", ""),
        ("agl_m = 70", "agl_m = 111", "E34", "`agl_m` 111 is above `ceiling_agl_m` 110", "leave the height out"),
        ("agl_m = 70", "agl_m = 24", "E34", "`agl_m` 24 is below `clearance_m` 25", "leave the height out"),
        ("clearance_m = 25", "clearance_m = 110", "E25", "clearance_m 110 leaves no height", "agree"),
        ("speed_mps = 6", "speed_mps = 12.5", "E34", "`speed_mps` 12.5 is outside the 1 to 12 of hexacopter", "inside"),
        ("pulse_rate_hz = 150_000", "pulse_rate_hz = 200_000", "E43", "200000 is not on the card of", "150000, 300000"),
        ("line_rate_hz = 100", "line_rate_hz = 99", "E43", "`line_rate_hz` 99 is not on the card", "on the card: 100;"),
        ('card = "B"\npulse_rate_hz = 150_000', 'card = "P"\npulse_rate_hz = 10', "E43", "`line_rate_hz` 100", "fixed"),
        # cards and places
        ('card = "hexacopter"', 'card = "hexcopter"', "E18", 'is called "hexcopter"', 'did you mean "hexacopter"'),
        (
            "[[-7.412, 62.031],",
            "[[62.031, -97.412],",
            "E05",
            "`take_off` 1 reads as",
            "other way round it is longitude -97",
        ),
        (
            "[-7.4, 62.03]]",
            "[-7.4, 262.03]]",
            "E05",
            "`take_off` 2 reads as longitude -7.4, latitude 262.03",
            "degrees$",
        ),
        ("[-7.4, 62.03]]", "[-7.4]]", "E18", "`take_off 2` has no item 2", "give it"),
        ("[-7.4, 62.03]]", "[-7.4, 62.03, 9]]", "E18", "`take_off 2` is .*; it should have at most 2 items, not 3", ""),
    ],
)
def test_one_fault_is_refused_with_its_line_and_a_way_out(tmp_path, old, new, code, what, fix):
    text, where = changed(old, new)
    faults = [fault for fault in faults_of(tmp_path, text) if re.search(what, fault.what)]
    assert [fault.code for fault in faults] == [code]
    assert re.search(fix, faults[0].fix)
    if "\n" in new or code in ("E25", "E34"):  # a disagreement stands at one of the values that disagree
        named = text.split("\n")[int(faults[0].where.split(":")[1]) - 1].split(" = ")[0]
        assert named in faults[0].what
    else:
        assert faults[0].where == where


def test_a_fault_stands_alone(tmp_path):
    text, where = changed("sidelap_min = 0.3", "sidelap_min = 0.95")
    [fault] = faults_of(tmp_path, text)
    assert fault.where == where


def test_all_faults_come_at_once_with_those_of_the_cards(tmp_path):
    (tmp_path / "mine.toml").write_text('name = "mine"\nwavelength = 905\n', encoding="utf-8")
    text = FULL
    for old, new in [
        ('name = "Oskarfell quarry"', 'nmae = "Oskarfell quarry"'),
        ("buffer_m = 20", "buffer_m = -20"),
        ('ground = "ground.tif"\nsurface = "surface.tif"\n', ""),
        ('card = "B"', 'card = "mine.toml"'),
        ("density_per_m2 = 200", "density_per_m2 = -200"),
        ("speed_mps = 6", "speed_mps = 60"),
        ('following = "level"', 'following = "slope"'),
        ("clearance_m = 25", "clearance_m = 125"),
        ("descent_mps = 2", "descent_mps = 0"),
    ]:
        text, _ = changed(old, new, text)
    faults = faults_of(tmp_path, text)
    expected = {("E18", "job.toml:1"), ("E18", "mine.toml:1"), ("E18", "mine.toml:2")}
    for code, line in [
        ("E33", "buffer_m = -20"),
        ("E14", "[terrain]"),
        ("E33", "density_per_m2 = -200"),
        ("E34", "speed_mps = 60"),
        ("E18", 'following = "slope"'),
        ("E25", "clearance_m = 125"),
        ("E33", "descent_mps = 0"),
        ("E34", "agl_m = 70"),
    ]:
        expected.add((code, f"job.toml:{text.split(chr(10)).index(line) + 1}"))
    assert {(fault.code, fault.where) for fault in faults} == expected
    assert [fault.code for fault in faults].count("E14") == 1


def test_a_mission_of_nothing_lists_all_that_is_needed(tmp_path):
    whats = [fault.what for fault in faults_of(tmp_path, "")]
    for key in ("name", "date", "area", "heights", "card"):
        assert any(what.startswith(f"`{key}` is missing") for what in whats)
    assert "no raster declared in [terrain]" in whats
    assert any("density_per_m2 or quality_level" in what for what in whats)


def test_a_card_of_ones_own_is_found_beside_the_mission(tmp_path):
    from planner.files.cards import sensor_template

    (tmp_path / "cards").mkdir()
    (tmp_path / "cards" / "mine.toml").write_text(sensor_template(), encoding="utf-8")
    assert mission(tmp_path, LEAST.replace('"B"', '"cards/mine.toml"')).sensor.name == "my sensor"


def test_malformed_toml_is_refused_with_its_line(tmp_path):
    text, where = changed("buffer_m = 20", "buffer_m = 20 m")
    [fault] = faults_of(tmp_path, text)
    assert (fault.code, fault.where) == ("E45", where)


def test_a_missing_mission_is_refused(tmp_path):
    with pytest.raises(
        InputError, match=r"^E00 none.toml: cannot be read: no such file or directory\n.*check the path"
    ):
        read_mission(tmp_path / "none.toml")
    with pytest.raises(InputError, match=r"^E00 .*: cannot be read: is a directory"):
        read_mission(tmp_path)


def test_a_new_mission_reads_back_and_is_not_overwritten(tmp_path):
    (tmp_path / "terrain").mkdir()
    (tmp_path / "missions").mkdir()
    area, terrain = tmp_path / 'Hollin "Gill"_{1}.geojson', tmp_path / "terrain" / "ground.tif"
    area.touch()
    terrain.touch()
    target = write_new_mission(area, terrain, tmp_path / "missions" / "gill.toml")
    job = read_mission(target)
    assert job.name == 'Hollin "Gill" {1}'
    assert (target.parent / job.site.area).resolve() == area.resolve()
    assert (target.parent / job.terrain.ground).resolve() == terrain.resolve()
    assert not Path(job.site.area).is_absolute()
    text = target.read_text(encoding="utf-8")
    assert text == new_mission_text(area, terrain, target.parent)
    assert str(tmp_path) not in text
    with pytest.raises(InputError, match=r"^E44 gill.toml: exists already and is not overwritten"):
        write_new_mission(area, terrain, target)
    assert target.read_text(encoding="utf-8") == text


def test_a_new_mission_still_reads_with_every_comment_opened(tmp_path):
    text = new_mission_text(Path("area.geojson"), Path("ground.tif"), Path())
    opened = re.sub(r"^# (?=\w+ = )", "", text, flags=re.MULTILINE)
    assert opened != text
    job = mission(tmp_path, opened)
    raised = "requirement.sidelap_min = 0.3 (raised by gsi_uav_laser_2025, article 451, from 0.2)"
    assert job.assumptions == ("site.working_crs = auto (not given)", raised)
    assert [case.name for case in job.compare] == ["wet"]


def test_a_new_mission_without_its_files_is_refused_and_nothing_is_written(tmp_path):
    with pytest.raises(InputError, match=r"E00 a.kml: does not exist\n.*\nE00 g.tif: does not exist"):
        write_new_mission(tmp_path / "a.kml", tmp_path / "g.tif", tmp_path / "new.toml")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "junk",
    [
        "nan",
        "-1",
        "0",
        "1" * 400,
        "1e999",
        "true",
        '""',
        '"x"',
        "[]",
        "[[1]]",
        "[nan]",
        "2027-01-01",
        "{}",
        "{ a = 1 }",
        "07:30:00",
    ],
)
def test_whatever_stands_behind_a_key_it_is_read_or_refused_in_its_line(tmp_path, junk):
    lines = FULL.rstrip().split("\n")
    for number, line in enumerate(lines, start=1):
        if " = " in line:
            text = "\n".join([*lines[: number - 1], f"{line.split(' = ')[0]} = {junk}", *lines[number:]])
            (tmp_path / "job.toml").write_text(text, encoding="utf-8")
            # a value may also contradict one elsewhere, but then it is named
            said = refused_in(tmp_path / "job.toml")
            assert said is None or re.search(rf"job\.toml:{number}:|{line.split(' = ')[0]}", said), line


def test_a_mission_is_read_by_its_name_as_well_as_by_its_path():
    bundled = Path(__file__).parents[2] / "missions" / "oskarfell.toml"
    assert read_mission(str(bundled)) == read_mission(bundled)


@pytest.mark.parametrize(
    ("text", "fields"),
    [
        ("QL1", {"quality_level": "QL1", "target_per_m2": 8.0, "target_rmse_m": 0.1}),
        (">= 200 pts/m2; RMSEz 5 cm", {"density_per_m2": 200.0, "target_rmse_m": 0.05}),
        ("100 pts/m2, 95 % within 10 cm", {"density_per_m2": 100.0, "target_rmse_m": pytest.approx(0.1 / 1.96)}),
    ],
)
def test_the_clients_words_make_the_requirement(tmp_path, text, fields):
    # 1.96 standard deviations hold 95 % of normal errors: NDEP 2004 and USGS Lidar Base Specification, read (R).
    job = mission(tmp_path, LEAST.replace("density_per_m2 = 200", f'text = "{text}"'))
    assert {key: getattr(job.requirement, key) for key in fields} == fields
    assert job.requirement.text == text
    if "within" in text:
        assert any(line.startswith("requirement.text: ") and "1.96" in line for line in job.assumptions)


def test_words_that_can_be_read_in_several_ways_are_refused_with_their_readings(tmp_path):
    [fault] = faults_of(tmp_path, LEAST.replace("density_per_m2 = 200", 'density_per_m2 = 200\ntext = "3 cm accuracy"'))
    assert (fault.code, fault.where.startswith("job.toml:")) == ("E35", True)
    assert "RMSE" in fault.what + str(fault.fix)


def test_words_that_cannot_be_read_are_the_only_fault(tmp_path):
    [fault] = faults_of(tmp_path, LEAST.replace("density_per_m2 = 200", 'text = "3 cm accuracy"'))
    assert fault.code == "E35"


def test_words_and_numbers_that_differ_are_a_contradiction(tmp_path):
    [fault] = faults_of(tmp_path, LEAST.replace("density_per_m2 = 200", 'density_per_m2 = 200\ntext = "300 pts/m2"'))
    assert (fault.code, fault.what) == ("E34", "`text` asks for `density_per_m2` 300, the table says 200")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("tide_least_m = -1\ntide_most_m = 0.4", "", "a tide table without a level"),
        ("tide_least_m = -1", "tide_least_m = 0.4", "tide_least_m 0.4 is not below tide_most_m 0.4"),
        ("mask_deg = 12", "mask_deg = 95", "mask_deg"),
        ("satellites_least = 5", "satellites_least = 3", "satellites_least"),
        ('hold_speed = "air"', 'hold_speed = "wind"', "hold_speed"),
        ("split_overlap_m = 20", "split_overlap_m = -1", "split_overlap_m"),
    ],
)
def test_windows_and_ways_of_flying_that_make_no_sense_are_refused(tmp_path, old, new, message):
    assert [message in fault.what for fault in faults_of(tmp_path, FULL.replace(old, new))] == [True]


def test_an_unknown_profile_of_rules_is_refused_with_near_ones(tmp_path):
    text, place = changed('profile = "us_part107"', 'profile = "us_part17"')
    [fault] = faults_of(tmp_path, text)
    assert (fault.code, fault.where) == ("E18", place)
    assert "us_part17" in fault.what
    assert "us_part107" in fault.fix


def test_a_mission_carries_the_rules_that_it_names_and_neutral_ones_where_it_names_none(tmp_path):
    assert mission(tmp_path, FULL).rule_profile.name == "us_part107"
    assert mission(tmp_path, LEAST).rule_profile.name == "neutral"
