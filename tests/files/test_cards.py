import math
import re
from pathlib import Path

import pytest

from planner.errors import InputError
from planner.files.cards import (
    DATA,
    bundled,
    load_aircraft,
    load_sensor,
    read_declared,
    sensor_template,
    shown_path,
)
from planner.mission import Requirement

HERE = Path()


def faults_of(tmp_path: Path, text: str) -> list[tuple[str, str, str, str]]:
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=r"mine\.toml") as caught:
        load_sensor("mine.toml", tmp_path)
    return [(fault.code, fault.where, fault.what, fault.fix) for fault in caught.value.faults]


def line_of(text: str, start: str) -> str:
    return "mine.toml:" + str(next(n for n, line in enumerate(text.split("\n"), 1) if line.startswith(start)))


def test_every_bundled_card_loads_by_name_in_any_case():
    assert bundled("sensors") == ("a", "b", "c", "d", "e", "p")
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
    patterns = [load_sensor(name, HERE).pattern for name in bundled("sensors")]
    assert set(patterns) == {"oscillating_linear", "oscillating_sine", "polygon", "rotating", "profiling"}


@pytest.mark.parametrize("name", ["a", "b", "c", "e"])
def test_range_goes_with_pulse_rate_to_the_power_of_minus_one_half_at_constant_mean_power(name):
    # range equation of an extended surface: range ~ sqrt(pulse energy) (Baltsavias 1999, ISPRS J. 54:199-214)
    first, *others = load_sensor(name, HERE).ratings
    for other in others:
        assert other.range_m / first.range_m == pytest.approx(
            math.sqrt(first.pulse_rate_hz / other.pulse_rate_hz), rel=0.005
        )
        assert other.pulse_energy_uj * other.pulse_rate_hz == pytest.approx(first.pulse_energy_uj * first.pulse_rate_hz)


def test_a_quarter_of_the_turning_beam_is_usable():
    # 640 kHz all round leaves 160 kHz in 90 degrees
    sensor = load_sensor("D", HERE)
    assert sensor.ratings[0].pulse_rate_hz * sensor.usable_fov_deg / sensor.optical_fov_deg == 160_000


@pytest.mark.parametrize("name", ["a", "b", "d", "p"])
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
    from planner.equipment import RangeRating, Sensor
    from planner.files.cards import field_names

    for name in {*field_names(Sensor), *field_names(RangeRating)} - {"ratings"}:
        assert re.search(rf"^(# )?{name} = ", sensor_template(), re.MULTILINE), name


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
        ("line_rates_hz = [50, 100]", "line_rates_hz = []", "needs usable_fov_deg above 0 and at least", "pattern"),
        ("optical_fov_deg = 75", "optical_fov_deg = 200", "optical_fov_deg 200 is at or over 180", "optical_fov_deg"),
        ("pulse_rate_hz = 200_000", "pulse_rate_hz = 100_000", "two ratings name the same pulse_rate_hz", "[[ratings"),
        ('"oscillating_linear"\n', '"rotating"\n', "rotating turns through 360 degrees", "pattern"),
    ],
)
def test_values_that_disagree_are_refused_where_the_first_stands(tmp_path, old, new, what, line):
    text = sensor_template().replace(old, new)
    assert text != sensor_template()
    [fault] = faults_of(tmp_path, text)
    assert what in fault[2]
    assert fault[1] == line_of(text, line)


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
    with pytest.raises(InputError, match=r"bundled cards: a, b, c, d, e, p"):
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
