import math
import re
from itertools import combinations
from pathlib import Path
from typing import get_args

import pytest

from planner.equipment import Pattern, PhaseShift, RangeRating, Receiver, Sensor, Triangulation
from planner.errors import InputError
from planner.files.cards import (
    DATA,
    bundled,
    field_names,
    load_aircraft,
    load_sensor,
    read_declared,
    sensor_template,
    shown_path,
)
from planner.requirement import Requirement

HERE = Path()


def faults_of(tmp_path: Path, text: str) -> list[tuple[str, str, str, str]]:
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=r"mine\.toml") as caught:
        load_sensor("mine.toml", tmp_path)
    return [(fault.code, fault.where, fault.what, fault.fix) for fault in caught.value.faults]


def line_of(text: str, start: str) -> str:
    return "mine.toml:" + str(next(n for n, line in enumerate(text.split("\n"), 1) if line.startswith(start)))


def test_every_bundled_card_loads_by_name_in_any_case():
    assert bundled("sensors") == ("a", "b", "c", "d", "e", "f", "h", "k", "m", "p", "r", "t")
    assert bundled("aircraft") == ("fixed_wing", "hexacopter", "quadcopter")
    for name in bundled("sensors"):
        assert load_sensor(name.upper(), HERE) == load_sensor(name, HERE)
        assert load_sensor(name, HERE).name == name.upper()
    for name in bundled("aircraft"):
        assert load_aircraft(name.title(), HERE).name == name


def test_every_bundled_card_says_that_it_is_invented():
    for path in [*DATA.glob("sensors/[!_]*.toml"), *DATA.glob("aircraft/*.toml")]:
        assert "invented" in path.read_text(encoding="utf-8").split("\n")[0]


def test_all_scan_patterns_have_a_card():
    sensors = [load_sensor(name, HERE) for name in bundled("sensors")]
    assert {sensor.pattern for sensor in sensors} == set(get_args(Pattern))
    [fan] = [sensor for sensor in sensors if len(sensor.beam_elevations_deg) == 16]
    assert max(fan.beam_elevations_deg) - min(fan.beam_elevations_deg) == 30


@pytest.mark.parametrize("name", ["a", "b", "c", "e", "f", "k", "m"])
def test_range_goes_with_pulse_rate_to_the_power_of_minus_one_half_at_constant_mean_power(name):
    # range equation of an extended surface: range ~ sqrt(pulse energy) (Baltsavias 1999, ISPRS J. 54:199-214)
    ratings = load_sensor(name, HERE).ratings
    for first, other in combinations(ratings, 2):
        if first.reflectance == other.reflectance:
            slower = first.pulse_rate_hz / other.pulse_rate_hz
            assert other.range_m / first.range_m == pytest.approx(math.sqrt(slower), rel=0.005)
    powers = {one.pulse_energy_uj * one.pulse_rate_hz for one in ratings if one.pulse_energy_uj is not None}
    assert min(powers) == pytest.approx(max(powers))


def test_a_quarter_of_the_turning_beam_is_usable():
    # 640 kHz all round leaves 160 kHz in 90 degrees
    sensor = load_sensor("D", HERE)
    assert sensor.ratings[0].pulse_rate_hz * sensor.usable_fov_deg / sensor.optical_fov_deg == 160_000


@pytest.mark.parametrize("name", ["a", "b", "d", "f", "p", "r"])
def test_pulse_energy_agrees_with_the_stated_class(name):
    # single-pulse limit of class 1 at 905 nm: 2e-7 C4 J, C4 = 10^(0.002 (905 - 700))
    # (IEC 60825-1:2014 table 3, from memory; C4 [R])
    limit_uj = 0.2 * 10 ** (0.002 * (905 - 700))
    for rating in load_sensor(name, HERE).ratings:
        assert rating.laser_class == "1"
        assert rating.hazard_distance_m == 0
        assert rating.pulse_energy_uj < limit_uj


def test_template_loads_as_it_stands(tmp_path):
    (tmp_path / "mine.toml").write_text(sensor_template(), encoding="utf-8")
    sensor = load_sensor("mine.toml", tmp_path)
    assert [rating.pulse_rate_hz for rating in sensor.ratings] == [100_000, 200_000]


def test_template_shows_every_field_of_a_sensor_and_its_ratings():
    template = sensor_template()
    tables = {"ratings", "receiver"}
    for name in {*field_names(Sensor), *field_names(RangeRating), *field_names(Receiver)} - tables:
        assert re.search(rf"^(# )?{name} = ", template, re.MULTILINE), name
    for name in {*field_names(PhaseShift), *field_names(Triangulation)}:
        assert re.search(rf"^# (phase_shift|triangulation) = {{.*{name} = ", template, re.MULTILINE), name


@pytest.mark.parametrize(
    ("pattern", "fov_deg", "shown"),
    [
        ("rotating", (360, 70), "beam_elevations_deg"),
        ("oscillating_sine", (75, 70), ""),
        ("polygon", (75, 70), ""),
        ("conical", (50, 50), ""),
        ("rosette", (70, 70), "wedge_ratio"),
        ("matrix", (40, 40), "frame_(pixels|along_fov_deg)"),
        ("profiling", (0, 0), ""),
    ],
)
def test_template_becomes_a_card_of_every_pattern_by_what_it_says(tmp_path, pattern, fov_deg, shown):
    text = sensor_template().replace('pattern = "oscillating_linear"', f'pattern = "{pattern}"')
    text = text.replace("optical_fov_deg = 75 ", f"optical_fov_deg = {fov_deg[0]} ")
    text = text.replace("usable_fov_deg = 70 ", f"usable_fov_deg = {fov_deg[1]} ")
    if pattern in ("matrix", "profiling"):
        text = text.replace("line_rates_hz = [50, 100]", "line_rates_hz = []")
    if shown:
        text = re.sub(rf"^# ({shown} = )", r"\1", text, flags=re.MULTILINE)
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    assert load_sensor("mine.toml", tmp_path).pattern == pattern


@pytest.mark.parametrize("principle", ["phase_shift", "triangulation"])
def test_template_becomes_a_card_of_other_principles_by_what_it_says(tmp_path, principle):
    text = sensor_template().replace('principle = "time_of_flight"', f'principle = "{principle}"')
    text = text.replace("range_noise_m = ", "# range_noise_m = ").replace(f"# {principle} = {{", f"{principle} = {{")
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    assert load_sensor("mine.toml", tmp_path).principle == principle


def test_density_of_the_quality_levels():
    # ANPD of USGS Lidar Base Specification 2025 rev. A, table 1 (R)
    levels = ("QL0", "QL1", "QL2", "QL3")
    assert [Requirement(quality_level=level).target_per_m2 for level in levels] == [8.0, 8.0, 2.0, 0.5]
    # NPD = 1 / NPS^2 with the table's greatest spacing (C); the source rounds QL2's spacing to 0.71 m.
    for level, spacing_m in zip(levels, (0.35, 0.35, 0.71, 1.41), strict=True):
        assert 1 / spacing_m**2 == pytest.approx(Requirement(quality_level=level).target_per_m2, rel=0.025)


def test_all_faults_of_a_card_come_at_once_each_with_its_line(tmp_path):
    text = (
        sensor_template()
        .replace("min_range_m = 3", "min_rnge_m = 3")
        .replace("wavelength_nm = 905", "wavelength_nm = 90")
        .replace('pattern = "oscillating_linear"', 'pattern = "oscilating_linear"')
        .replace("usable_fov_deg = 70 ", "usable_fov_deg = 190 ")
        .replace("returns_per_pulse = 3", 'returns_per_pulse = "3"')
        .replace("range_noise_m = 0.02", "range_noise_m = nan")
        .replace("range_m = 127", "range = 127")
    )
    faults = faults_of(tmp_path, text)
    assert sorted((code, where) for code, where, _, _ in faults) == sorted(
        [
            ("E18", line_of(text, "min_rnge_m")),
            ("E18", "mine.toml:1"),  # min_range_m is missing
            ("E18", line_of(text, "wavelength_nm")),
            ("E18", line_of(text, 'pattern = "oscilating')),
            ("E33", line_of(text, "usable_fov_deg")),
            ("E18", line_of(text, "returns_per_pulse")),
            ("E18", line_of(text, "range_noise_m")),
            ("E18", line_of(text, "range = 127")),
            ("E18", "mine.toml:" + str(text.count("\n", 0, text.rindex("[[ratings]]")) + 1)),  # range_m is missing
        ]
    )
    said = {what: fix for _, _, what, fix in faults}
    assert said["unknown key `min_rnge_m`"] == "did you mean `min_range_m`?"
    assert said["unknown key `range` in [ratings 2]"] == "did you mean `range_m`?"
    assert said["`range_m` is missing in [ratings 2]"] == "add `range_m`"
    assert said["`wavelength_nm` is 90; it should be greater than or equal to 400"]
    assert said['`returns_per_pulse` is "3"; it should be a valid integer'].startswith("write it as a whole number")
    assert said["`range_noise_m` is nan, not a finite number"]
    assert "did you mean" in next(fix for what, fix in said.items() if "oscilating" in what)


@pytest.mark.parametrize(
    ("old", "new", "what", "line"),
    [
        (
            "usable_fov_deg = 70 ",
            "usable_fov_deg = 80 ",
            "usable_fov_deg 80 is wider than optical_fov_deg 75",
            "usable",
        ),
        ("line_rates_hz = [50, 100]", "line_rates_hz = []", "needs at least one of line_rates_hz", "pattern"),
        ("optical_fov_deg = 75", "optical_fov_deg = 200", "optical_fov_deg 200 is at or over 180", "optical_fov_deg"),
        (
            "pulse_rate_hz = 200_000",
            "pulse_rate_hz = 100_000",
            "ratings 1 and 2 name the same pulse_rate_hz 100000, reflectance, visibility_km and light",
            "[[ratings",
        ),
        (
            "pulse_rate_hz = 200_000\nrange_m = 127\nreflectance = 0.10",
            "pulse_rate_hz = 100_000\nrange_m = 450\nreflectance = 0.80",
            "ratings 1 and 2 name the same pulse_rate_hz 100000 and contradict each other in pulse_energy_uj",
            "[[ratings",
        ),
        ('"oscillating_linear"\n', '"rotating"\n', "rotating turns through 360 degrees", "pattern"),
        ("# beam_elev", "beam_elev", "beam_elevations_deg belongs to pattern rotating, not oscillating_linear", "beam"),
        ("# wedge_ratio", "wedge_ratio", "oscillating_linear has no wedge_ratio, which belongs to rosette", "pattern"),
        ("# frame_pixels", "frame_pixels", "linear has no frame_pixels, which belongs to matrix", "pattern"),
        ("# frame_along", "frame_along", "linear has no frame_along_fov_deg, which belongs to matrix", "pattern"),
    ],
)
def test_values_that_disagree_are_refused_where_the_first_stands(tmp_path, old, new, what, line):
    text = sensor_template().replace(old, new)
    assert text != sensor_template()
    [fault] = faults_of(tmp_path, text)
    assert what in fault[2]
    assert fault[1] == line_of(text, line)


PAIR = (
    sensor_template()[: sensor_template().index("\n[[ratings]]")]
    + """
[[ratings]]
pulse_rate_hz = 100_000
range_m = 180
reflectance = 0.1
laser_class = "1"
hazard_distance_m = 0

[[ratings]]
pulse_rate_hz = 100_000
range_m = 480
reflectance = 0.8
"""
)


def test_a_rate_takes_several_reflectances_visibilities_and_lights(tmp_path):
    for last in ("reflectance = 0.8", "reflectance = 0.1\nvisibility_km = 10", 'reflectance = 0.1\nlight = "night"'):
        (tmp_path / "mine.toml").write_text(PAIR.replace("reflectance = 0.8", last), encoding="utf-8")
        sensor = load_sensor("mine.toml", tmp_path)
        assert len(sensor.ratings) == 2
        assert sensor.pulse_rates_hz == (100_000,)


@pytest.mark.parametrize("more", ['laser_class = "3R"', "hazard_distance_m = 12"])
def test_a_rate_has_one_laser(tmp_path, more):
    [(code, _, what, fix)] = faults_of(tmp_path, PAIR + more + "\n")
    assert code == "E18"
    assert f"contradict each other in {more.split()[0]}" in what
    assert fix == "one pulse rate has one laser: state it alike in both, or once"


def card_text(name: str, **changes: str) -> str:
    """Return the text of a bundled card with the values of some keys replaced, or added before its ratings."""
    text = (DATA / "sensors" / f"{name}.toml").read_text(encoding="utf-8")
    for key, value in changes.items():
        text, found = re.subn(rf"^{key} = .*$", f"{key} = {value}", text, flags=re.MULTILINE)
        text = text if found else text.replace("\n[[ratings]]", f"\n{key} = {value}\n\n[[ratings]]", 1)
    return text


@pytest.mark.parametrize(
    ("name", "changes", "code", "what", "fix", "line"),
    [
        # at 1 from 8 m straight below, cos(85 deg)^1.5 of 150 m is 3.9 m (range equation, Baltsavias 1999)
        (
            "c",
            {"optical_fov_deg": "172", "usable_fov_deg": "170", "min_range_m": "8", "range_m": "150"},
            "E18",
            "usable_fov_deg 170 sees flat ground at its edge from at most 3.9 m at any pulse rate, less than min",
            "bring usable_fov_deg to 163 or less",  # 2 acos((8 / 150)^(2/3)) = 163.7
            "usable",
        ),
        (
            "k",
            {"optical_fov_deg": "176", "usable_fov_deg": "176"},
            "E18",
            "usable_fov_deg 176 sees flat ground at its edge from at most 1.7 m",
            "bring usable_fov_deg and optical_fov_deg to 171 or less",  # 2 acos((5 / 254.6)^(2/3)) = 171.7
            "usable",
        ),
        (
            "f",
            {"usable_fov_deg": "120", "forward_tilt_deg": "50", "beam_elevations_deg": "[-30, 0, 30]"},
            "E33",
            # cos 30 cos 60 cos 50 - sin 30 sin 50 = -0.105: 96.0 degrees
            "usable_fov_deg 120, as mounted, looks past the horizon: 96.0 deg off straight down",
            "bring usable_fov_deg to",
            "usable",
        ),
        (
            "f",
            {"forward_tilt_deg": "50", "beam_elevations_deg": "[-45, 45]"},
            "E33",
            "usable_fov_deg 90, as mounted, looks past the horizon",
            "tilt it less",
            "usable",
        ),
        (
            "m",
            {"sideways_tilt_deg": "59", "usable_fov_deg": "80", "optical_fov_deg": "80"},
            "E33",
            "as mounted, looks past the horizon",
            # at 59 + 28 deg 183.8 cos(87)^1.5 is 2.2 m, at half a degree more 1.7 m, less than the least range, 2 m
            "bring usable_fov_deg and optical_fov_deg to 56 or less",
            "usable",
        ),
        (
            "r",
            {"wedge_ratio": "1.001"},
            "E18",
            "wedge_ratio 1.001, 1 to 1, draws the same petals again after 1 turn of the first wedge",
            "such as 0.618034",
            "wedge_ratio",
        ),
        (
            "r",
            {"wedge_ratio": "2.3334"},
            "E18",
            "wedge_ratio 2.3334, 7 to 3, draws the same petals again after 3 turns",
            "near no ratio of small whole numbers",
            "wedge_ratio",
        ),
        (
            "k",
            {"usable_fov_deg": "40"},
            "E18",
            "usable_fov_deg 40 differs from optical_fov_deg 50: pattern conical is accepted whole",
            "change one",
            "usable",
        ),
    ],
)
def test_impossible_cards_are_refused_with_what_would_be_possible(tmp_path, name, changes, code, what, fix, line):
    text = card_text(name, **changes)
    [fault] = faults_of(tmp_path, text)
    assert fault[0] == code
    assert what in fault[2]
    assert fix in fault[3]
    assert fault[1] == line_of(text, line)


def test_the_widest_opening_that_is_named_works_and_a_wider_one_does_not(tmp_path):
    fixed = {"optical_fov_deg": "172", "min_range_m": "8", "range_m": "150"}
    (tmp_path / "mine.toml").write_text(card_text("c", **fixed, usable_fov_deg="163"), encoding="utf-8")
    assert load_sensor("mine.toml", tmp_path).usable_fov_deg == 163
    assert len(faults_of(tmp_path, card_text("c", **fixed, usable_fov_deg="164"))) == 1


@pytest.mark.parametrize("ratio", ["0.618034", "0.7320508", "1.6180340", "2.4142136"])
def test_rosettes_that_do_not_close_soon_are_taken(tmp_path, ratio):
    (tmp_path / "mine.toml").write_text(card_text("r", wedge_ratio=ratio), encoding="utf-8")
    assert load_sensor("mine.toml", tmp_path).wedge_ratio == float(ratio)


@pytest.mark.parametrize(
    ("wrong", "fix"),
    [
        ('"conicall"', 'did you mean "conical"?'),
        ('"rosete"', 'did you mean "rosette"?'),
        ('"zzz"', "one of these words"),
    ],
)
def test_an_unknown_pattern_is_refused_with_the_nearest(tmp_path, wrong, fix):
    [(code, where, what, said)] = faults_of(tmp_path, card_text("k", pattern=wrong))
    assert (code, where) == ("E18", line_of(card_text("k"), "pattern"))
    assert "'matrix' or 'profiling'" in what
    assert fix in said


def test_a_disagreement_is_found_beside_another_fault(tmp_path):
    text = sensor_template().replace("usable_fov_deg = 70 ", "usable_fov_deg = 80 ")
    text = text.replace("returns_per_pulse = 3", "returns_per_pulse = 99")
    whats = [what for _, _, what, _ in faults_of(tmp_path, text)]
    assert len(whats) == 2
    assert "returns_per_pulse" in whats[0]
    assert "wider than" in whats[1]


def test_an_empty_list_of_ratings_is_refused(tmp_path):
    text = sensor_template()[: sensor_template().index("\n[[ratings]]")] + "\nratings = []\n"
    [(code, where, what, _)] = faults_of(tmp_path, text)
    assert (code, where) == ("E18", line_of(text, "ratings"))
    assert "at least 1 item" in what


def test_an_aircraft_whose_speeds_are_out_of_order_is_refused(tmp_path):
    text = (
        (DATA / "aircraft" / "hexacopter.toml")
        .read_text(encoding="utf-8")
        .replace("max_speed_mps = 12", "max_speed_mps = 0.5")
    )
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=r"E18 mine.toml:5: min_speed_mps 1 is above max_speed_mps 0.5"):
        load_aircraft("mine.toml", tmp_path)


def test_an_unknown_name_is_refused_with_the_nearest_and_the_list():
    with pytest.raises(InputError, match=r'E18 no card .* "hexacoptr"\n.*did you mean "hexacopter".*quadcopter'):
        load_aircraft("hexacoptr", HERE)
    with pytest.raises(InputError, match=r"bundled cards: a, b, c, d, e, f, h, k, m, p, r, t;"):
        load_sensor("_template", HERE)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b'name = "x"\nwavelength_nm = \n', r"E45 mine.toml:2: is not TOML: Invalid value"),
        (b'name = "x"\nname = "y"\n', r"E45 mine.toml:2: is not TOML: Cannot overwrite a value"),
        (b'name = "x"\nline_rates_hz = [1,\n2', r"E45 mine.toml:3: is not TOML: Unclosed array"),
        (b'name = "\xff"\n', r"E45 mine.toml: is not UTF-8 text"),
    ],
)
def test_what_is_not_toml_is_refused_with_its_line(tmp_path, content, message):
    (tmp_path / "mine.toml").write_bytes(content)
    with pytest.raises(InputError, match=message):
        load_sensor("mine.toml", tmp_path)


def test_a_file_that_is_not_there_is_refused_without_its_absolute_path(tmp_path):
    with pytest.raises(InputError, match=r"^E00 none.toml: cannot be read: no such file"):
        load_sensor("none.toml", tmp_path)


def test_lines_of_keys_survive_all_that_toml_allows(tmp_path):
    text = '''# [not] = "a table"
"quoted key" = 1
text = """
[inside]
key = 1 # "
"""
other = 'a # [b] = "'
list = [
  "x = 1", # ]
  2,
]
[a . b]
c.d = 1
inline = { e = 1, f = [
] }
[[rows]]
g = 1
[[rows]]
[rows.sub]
h = "\\"] = ["
[[rows.deep]]
i = 2
'''.replace("\n", "\r\n")
    (tmp_path / "mine.toml").write_bytes(b"\xef\xbb\xbf" + text.encode())
    lines = read_declared(tmp_path / "mine.toml").lines
    assert lines == {
        ("quoted key",): 2,
        ("text",): 3,
        ("other",): 7,
        ("list",): 8,
        ("a", "b"): 12,
        ("a", "b", "c"): 13,
        ("a", "b", "c", "d"): 13,
        ("a", "b", "inline"): 14,
        ("rows",): 16,
        ("rows", 0): 16,
        ("rows", 0, "g"): 17,
        ("rows", 1): 18,
        ("rows", "sub"): 19,
        ("rows", "sub", "h"): 20,
        ("rows", "deep"): 21,
        ("rows", "deep", 0): 21,
        ("rows", "deep", 0, "i"): 22,
    }


def test_every_key_of_every_card_stands_on_its_line():
    for path in [*DATA.glob("*/*.toml"), *DATA.glob("*.toml")]:
        declared, text = read_declared(path, "card"), path.read_text(encoding="utf-8").split("\n")
        for table, values in [((), declared.tables), *(((key,), v) for key, v in declared.tables.items())]:
            for key in values if isinstance(values, dict) else ():
                assert str(key) in text[declared.lines[(*table, key)] - 1]


def test_places_never_hold_an_absolute_path(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert shown_path(Path("sub/x.toml")) == "sub/x.toml"
    assert shown_path(tmp_path / "sub" / "x.toml") == "sub/x.toml"
    assert shown_path(tmp_path.parent / "x.toml") == "x.toml"
