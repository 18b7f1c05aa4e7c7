"""Navigation cards: what they hold, and what they refuse."""

from dataclasses import fields
from pathlib import Path

import pytest
from pydantic import ValidationError

from planner.errors import InputError
from planner.files.cards import DATA, bundled, load_navigation
from planner.navigation import Navigation

HERE = Path()

GOOD = {
    "name": "mine",
    "position_horizontal_sd_m": 0.015,
    "position_vertical_sd_m": 0.025,
    "roll_pitch_sd_deg": 0.015,
    "heading_sd_deg": 0.035,
    "boresight_sd_deg": (0.005, 0.005, 0.01),
    "lever_arm_sd_m": (0.003, 0.003, 0.003),
    "timing_sd_s": 5e-5,
}


def test_every_bundled_card_loads_by_name_in_any_case_and_says_that_it_is_invented():
    assert bundled("navigation") == ("entry", "survey", "tactical")
    for name in bundled("navigation"):
        assert load_navigation(name.upper(), HERE).name == name
        assert "invented" in (DATA / "navigation" / f"{name}.toml").read_text(encoding="utf-8").split("\n")[0]


def test_grades_are_in_order_and_within_what_is_usual_on_drones():
    # Positions to 1-3 cm, roll and pitch to 0.01-0.03 deg, heading to 0.03-0.1 deg (from memory); the best unit here
    # is a little better in angles.
    grades = [load_navigation(name, HERE) for name in ("entry", "survey", "tactical")]
    for better, worse in zip(grades[1:], grades[:-1], strict=True):
        for field in fields(Navigation):
            if "_sd_" in field.name or field.name == "base_ppm":
                assert getattr(better, field.name) <= getattr(worse, field.name), field.name
        # The better unit drifts more slowly, converges sooner and needs to be tied less often.
        assert better.longest_line_s >= worse.longest_line_s
        assert better.alignment_s <= worse.alignment_s
        assert better.cross_lines_every >= worse.cross_lines_every
        assert better.roll_pitch_sd_deg < worse.roll_pitch_sd_deg
    for grade in grades:
        assert 0.01 <= grade.position_horizontal_sd_m <= grade.position_vertical_sd_m <= 0.03
        assert 0.005 <= grade.roll_pitch_sd_deg <= 0.03
        assert 0.02 <= grade.heading_sd_deg <= 0.1
        # common practice, no source
        assert 60 <= grade.longest_line_s <= 180
        assert 20 <= grade.alignment_s <= 60
        assert 10 <= grade.cross_lines_every <= 20


def test_a_silent_card_asks_of_the_flight_what_is_usual_and_no_more_lines():
    silent = Navigation(**GOOD)
    assert (silent.longest_line_s, silent.alignment_s, silent.alignment) == (120, 30, "figure_eight")
    assert silent.opposed_pair is False
    assert silent.cross_lines_every is None
    with pytest.raises(ValidationError, match=r"longest_line_s(.|\n)*greater than 0"):
        Navigation(**GOOD | {"longest_line_s": 0.0})
    with pytest.raises(ValidationError, match=r"cross_lines_every(.|\n)*greater than or equal to 1"):
        Navigation(**GOOD | {"cross_lines_every": 0})


@pytest.mark.parametrize("key", [key for key in GOOD if key != "name"])
def test_no_error_is_negative(key):
    bad = (-0.001, 0.0, 0.0) if isinstance(GOOD[key], tuple) else -0.001
    with pytest.raises(ValidationError, match=rf"{key}(.|\n)*greater than or equal to 0"):
        Navigation(**GOOD | {key: bad})


@pytest.mark.parametrize(
    ("key", "bad", "message"),
    [
        ("roll_pitch_sd_deg", 54.0, r"54 deg is over 5 deg.*\nwas it stated in arc seconds\? then write 0\.015"),
        ("heading_sd_deg", 126.0, r"126 deg is over 10 deg.*\nwas it stated in arc seconds\? then write 0\.035"),
        ("boresight_sd_deg", (0.0, 18.0, 0.0), r"18 deg is over 5 deg.*\nwas it stated in arc seconds\?"),
        ("position_vertical_sd_m", 25.0, r"25 m is over 10 m.*\nwas it stated in millimetres\? then write 0\.025"),
        ("position_horizontal_sd_m", 15.0, r"15 m is over 10 m.*\nwas it stated in millimetres\? then write 0\.015"),
        ("lever_arm_sd_m", (3.0, 3.0, 3.0), r"3 m is over 1 m.*\nwas it stated in millimetres\? then write 0\.003"),
        ("timing_sd_s", 0.2, r"0\.2 s is over 0\.1 s.*\nwas it stated in milliseconds\? then write 0\.0002"),
        ("base_ppm", 1000.0, r"1000 ppm is over 100 ppm.*\nwas it stated in parts per billion\? then write 1"),
    ],
)
def test_what_no_mapping_unit_would_have_is_taken_for_another_unit(key, bad, message):
    with pytest.raises(ValidationError, match=rf"{key} of {message}"):
        Navigation(**GOOD | {key: bad})


def test_a_card_at_fault_is_refused_with_its_line(tmp_path):
    text = (DATA / "navigation" / "survey.toml").read_text(encoding="utf-8")
    (tmp_path / "mine.toml").write_text(text.replace("= 0.015\nheading", "= 54\nheading"), encoding="utf-8")
    with pytest.raises(
        InputError, match=r"E18 mine\.toml:7: roll_pitch_sd_deg of 54 deg .*\n +way out: was it stated in arc seconds"
    ):
        load_navigation("mine.toml", tmp_path)
    (tmp_path / "mine.toml").write_text(text.replace("heading_sd_deg", "headings_sd_deg"), encoding="utf-8")
    with pytest.raises(InputError, match=r"unknown key `headings_sd_deg`\n.*did you mean `heading_sd_deg`"):
        load_navigation("mine.toml", tmp_path)
    with pytest.raises(InputError, match=r'no card of navigation is called "surveys"\n.*did you mean "survey"'):
        load_navigation("surveys", HERE)
