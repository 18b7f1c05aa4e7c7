"""Requirement text: what it asks for, and what it is refused for."""

import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.errors import InputError
from planner.requirement import Requirement
from planner.wording import read_wording, rmse_per_limit

FOOT2_M2 = 0.3048**2

# What each text asks for. Factors 1.96 and 1.7308: USGS Lidar Base Specification 2025 rev. A, glossary (R).
# Density of a spacing 1 / NPS^2: the same (R). Foot 0.3048 m, US survey foot 1200/3937 m: definitions.
READ = {
    "QL1": {"quality_level": "QL1"},
    "quality level 2": {"quality_level": "QL2"},
    "USGS QL0 or better": {"quality_level": "QL0"},
    ">= 200 pts/m2": {"density_per_m2": 200.0},
    "at least 200 points per square metre": {"density_per_m2": 200.0},
    "DENSITY: MIN. 100 PTS/SQ.M.": {"density_per_m2": 100.0},
    "8,5 ppsm": {"density_per_m2": 8.5},
    "20 /m²": {"density_per_m2": 20.0},
    "8 pts m-2": {"density_per_m2": 8.0},
    "8 pts/ft2": {"density_per_m2": 8 / FOOT2_M2},
    "8-12 pts/m2": {"density_per_m2": 8.0},
    "between 8 and 12 pts/m2": {"density_per_m2": 8.0},
    "50 ground returns per m2": {"density_per_m2": 50.0, "returns": "ground"},
    "200 pulses/m2": {"density_per_m2": 200.0, "returns": "first"},
    "8 first returns per sq. m in each swath": {"density_per_m2": 8.0, "returns": "first", "coverage": "single"},
    "4 pts/m2, ground, all passes pooled": {"density_per_m2": 4.0, "returns": "ground", "coverage": "aggregate"},
    "ANPS <= 0.35 m": {"density_per_m2": 8.163, "returns": "first", "coverage": "aggregate"},
    "NPS 0,71 m": {"density_per_m2": 1.9837, "returns": "first", "coverage": "single"},
    "ANPD 8": {"density_per_m2": 8.0, "returns": "first", "coverage": "aggregate"},
    "1 pt per 0.35 m": {"density_per_m2": 8.163},
    "point spacing 50 cm": {"density_per_m2": 4.0},
    "200 pts/m2 in 95 % of 1 m cells": {"density_per_m2": 200.0, "percentile": 5.0, "cell_m": 1.0},
    "200 pts/m2 in cells of 50 cm": {"density_per_m2": 200.0, "cell_m": 0.5},
    "200 pts/m2 in every 2 m cell": {"density_per_m2": 200.0, "percentile": 0.0, "cell_m": 2.0},
    "200 pts/m2 in every cell": {"density_per_m2": 200.0, "percentile": 0.0},
    "5th percentile 100 /m2": {"density_per_m2": 100.0, "percentile": 5.0},
    "sidelap >= 30 %": {"sidelap_min": 0.3},
    "50 per cent overlap": {"sidelap_min": 0.5},
    "RMSEz 5 cm": {"vertical_rmse_m": 0.05},
    "RMSEv not exceeding 50 mm": {"vertical_rmse_m": 0.05},
    "vertical RMSE better than 2 in": {"vertical_rmse_m": 0.0508},
    "RMSEz 0.1 ft": {"vertical_rmse_m": 0.03048},
    "RMSEr 1 US survey foot": {"horizontal_rmse_m": 1200 / 3937},
    "95 % within 10 cm": {"vertical_rmse_m": 0.10 / 1.96},
    "±9.8 cm vertical (95 %)": {"vertical_rmse_m": 0.05},
    "NVA 19.6 cm at 95 % confidence": {"vertical_rmse_m": 0.10},
    "95 % of checkpoints within 10 cm horizontal": {"horizontal_rmse_m": 0.10 / 1.7308},
    "CE95 17.308 cm": {"horizontal_rmse_m": 0.10},
    "2 sigma 6 cm height": {"vertical_rmse_m": 0.03},
    "ASPRS 5 cm vertical accuracy class": {"vertical_class_cm": 5.0, "vertical_rmse_m": 0.05},
    "QL1, RMSEz 5 cm": {"quality_level": "QL1", "vertical_rmse_m": 0.05},
    "NVA 10 cm RMSEz; NVA 19.6 cm at 95 %": {"vertical_rmse_m": 0.10},
    "200 pts/m2 and RMSEz 5 cm; sidelap 30 %": {"density_per_m2": 200.0, "vertical_rmse_m": 0.05, "sidelap_min": 0.3},
}


@pytest.mark.parametrize("text", READ)
def test_a_clear_text_is_read(text):
    declared = read_wording(text).declared()
    assert declared.keys() == READ[text].keys()
    for name, value in READ[text].items():
        assert declared[name] == (value if isinstance(value, str) else pytest.approx(value, rel=1e-4))


# Readings, with their numbers: 3 / 1.96 = 1.531, 3 / 1.7308 = 1.733, 10 / 3 = 3.33, 1 ft: 30.48 / 3.2898 = 9.265,
# 30.48 / 3 = 10.16 (C).
# 3.2898 is contour interval per RMSE of a map that meets the 1947 standard: FGDC-STD-007.3-1998, appendix 3-D (M);
# a third of the interval: ASPRS standards for large-scale maps, 1990, class 1 (M).
DOUBTFUL = {
    "3 cm accuracy": ("vertical RMSE 3 cm", "vertical RMSE 1.53 cm", "horizontal RMSE 3 cm", "horizontal RMSE 1.73 cm"),
    "vertical accuracy 3 cm": ("vertical RMSE 3 cm", "vertical RMSE 1.53 cm"),
    "+/-10 cm": ("vertical RMSE 10 cm", "vertical RMSE 5.1 cm", "horizontal RMSE 5.78 cm"),
    "RMSEz 5 cm at 95 % confidence": ("vertical RMSE 5 cm", "vertical RMSE 2.55 cm"),
    "NVA 10 cm": ("vertical RMSE 10 cm", "vertical RMSE 5.1 cm"),
    "5-10 cm RMSEz": ("vertical RMSE 5 cm", "vertical RMSE 10 cm"),
    "RMSE3D 5 cm": ("vertical RMSE 2.89 cm and horizontal 4.08 cm", "vertical RMSE 5 cm"),
    "RMSEx 2 cm": ("horizontal RMSE 2.83 cm", "horizontal RMSE 2 cm"),
    "2 sigma 4 cm horizontal": ("horizontal RMSE 2.83 cm", "horizontal RMSE 2 cm"),
    "90-95 % within 10 cm": ("vertical RMSE 10 cm", "vertical RMSE 5.1 cm"),
    "mean error 3 cm": ("vertical RMSE 3 cm", "vertical RMSE 1.53 cm"),
    "RMSEz 5": ("5 cm", "5 mm", "5 in"),
    "8 points": ("8 first returns per m2, all passes", "in a single pass", "8 ground returns", "86.11 per m2"),
    "density 8": ("8 first returns per m2, all passes", "in a single pass", "8 ground returns", "86.11 per m2"),
    "average 8 pts/m2": ("95 % of cells", "50th percentile"),
    "8 pts/m2 of all returns": ("first returns", "ground returns"),
    "1,200 pts/m2": ("parts thousands", "decimal comma"),
    "survey grade": ("vertical RMSE 5 cm and 8 points per m2 (QL0)", "vertical RMSE 10 cm"),
    "high accuracy": ("no standard defines", "(QL0)"),
    "1 ft contours": ("vertical RMSE 9.27 cm", "vertical RMSE 10.2 cm"),
    "LOD2": ("building models", "limit of detection"),
}


@pytest.mark.parametrize("text", DOUBTFUL)
def test_an_ambiguous_text_is_refused_with_its_readings(text):
    with pytest.raises(InputError, match=re.escape(f'"{text}"')) as refused:
        read_wording(text)
    (fault,) = refused.value.faults
    assert fault.code == "E35"
    assert fault.fix.startswith("write")
    for reading in DOUBTFUL[text]:
        assert reading in fault.what


@pytest.mark.parametrize(
    ("text", "code", "words"),
    [
        ("8 purple pts/m2", "E35", "from 'purple' on"),
        ("QL5", "E35", "from 'QL5' on"),
        ("8 pts/m", "E35", "from '/m' on"),
        ("VVA 29.4 cm", "E35", "without pass or fail"),
        ("QL1 density", "E35", "leaves over 'density'"),  # the level's density, not its accuracy
        ("200 pts/m2 vertical", "E35", "leaves over 'vertical'"),
        ("200 pts/m2 95 %", "E35", "leaves over '95 %'"),
        ("RMSEz 5 cm RMSEr 10 cm", "E35", "leaves over 'RMSEr 10 cm'"),
        ("the data", "E35", "asks for nothing"),
        ("", "E35", "asks for nothing"),
        ("RMSEz > 5 cm", "E35", "at least that much"),
        ("max 8 pts/m2", "E35", "greatest density"),
        ("2 pts per 0.5 m", "E35", "largest spacing"),
        ("horizontal class 5 cm", "E35", "no vertical class"),
        ("sidelap 95 %", "E35", "under 90 %"),
        ("NPD", "E35", "has no number"),
        ("200 pts/m2 in 5 % of cells", "E33", "50 to 100 %"),
        ("100 % within 10 cm", "E33", "50 to 99.9 %"),
        ("spacing 0 m", "E33", "0 m is not in 1e-06 to 1e+06"),
        ("9" * 400 + " pts/m2", "E33", "is not in 1e-06 to 1e+06"),
        ("1 pts/m2 at 0.5 m spacing", "E35", "largest spacing"),
        ("95 % of the area within 10 cm", "E35", "a length that is not their side"),
        ("200 ± 20 pts/m2", "E35", "leaves over"),
        ("QL1 or QL2", "E35", "from 'or' on"),
        ("min 8 pts/m2, max 4 pts/m2", "E34", "at least 8 and at most 4"),
        ("12-8 pts/m2", "E34", "ends below its beginning"),
        ("8 pts/m2, 12 pts/m2", "E34", "asked for twice: 8 and 12"),
        ("first returns, ground returns, 8 pts/m2", "E34", "asked for twice: first and ground"),
        ("QL1; QL2", "E34", "asked for twice: QL1 and QL2"),
        ("QL2, 4 pts/m2", "E34", "QL2 sets a density and 4 per m2"),
        ("QL1, RMSEz 20 cm", "E34", "looser than the 10 cm of QL1"),
        ("RMSEz 5 cm, 95 % within 12 cm vertical", "E34", "asked for twice"),
    ],
)
def test_what_is_unknown_or_contradicts_itself_is_refused(text, code, words):
    with pytest.raises(InputError, match=re.escape(words)) as refused:
        read_wording(text)
    assert {fault.code for fault in refused.value.faults} == {code}
    assert all(fault.fix for fault in refused.value.faults)


def test_all_faults_of_a_text_come_at_once():
    with pytest.raises(InputError, match="survey grade") as refused:
        read_wording("survey grade, 8 points; RMSEz 5 cm")
    assert len(refused.value.faults) == 2


@pytest.mark.parametrize(
    ("text", "notes"),
    [
        ("QL1", ()),
        ("95 % within 10 cm", ("no axis is named, height", "divided by 1.96 it is vertical RMSE 5.1 cm, if errors")),
        ("NPS 0.35 m", ("8.163 per m2", "by definition of first returns")),
        ("8-12 pts/m2", ("12 per m2, is not judged",)),
        ("5 cm class", ("ASPRS Edition 2",)),
        ("200 pulses/m2", ("pulses are counted by their first returns",)),
    ],
)
def test_notes_say_how_words_were_taken(text, notes):
    given_notes = read_wording(text).notes
    assert len(given_notes) == len(notes)
    for note, part in zip(given_notes, notes, strict=True):
        assert part in note


def test_what_is_read_makes_a_requirement():
    declared = read_wording("200 pts/m2 in 95 % of 1 m cells, first returns, single swath; RMSEz 5 cm").declared()
    assert Requirement(**declared).target_per_m2 == 200


def test_the_factors_between_rmse_and_95_percent():
    # 1.96 and 1.7308: USGS Lidar Base Specification 2025 rev. A (R); 1.6449 and 1.5175 (90 %): FGDC-STD-007.3 (M).
    assert rmse_per_limit(95, "vertical") == 1.96
    assert rmse_per_limit(95, "horizontal") == 1.7308
    assert rmse_per_limit(90, "vertical") == 1.6449
    assert rmse_per_limit(90, "horizontal") == pytest.approx(1.5175, abs=2e-4)


@settings(deadline=None)
@given(st.floats(0.01, 9999), st.sampled_from(["pts/m2", "points per square metre", "returns/sq m", "ppsm"]))
def test_numbers_survive(number, unit):
    value = float(f"{number:.3f}")
    read = read_wording(f"{value:.3f} {unit}").density_per_m2
    assert math.isclose(read, value)


@settings(deadline=None)
@given(st.text(max_size=60))
def test_any_text_is_read_or_refused(text):
    try:
        asked = read_wording(text).declared()
    except InputError as refused:
        asked = {"codes": {fault.code for fault in refused.faults}}
    assert asked
    assert asked.get("codes", set()) <= {"E33", "E34", "E35"}
