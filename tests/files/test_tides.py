"""Tables of water levels: the curve between rows, when it lies within limits, and how broken tables are refused."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.errors import InputError
from planner.files.tides import read_tide
from planner.ground.tides import Tide

EXTREMES = """\
# datum: chart datum of Demo Harbour
time,level_m,kind
2027-04-12T00:10Z,4.80,high
2027-04-12T06:20Z,0.60,low
2027-04-12T12:30Z,5.00,high
2027-04-12T18:45Z,0.40,low
2027-04-13T00:55Z,4.90,high
"""
READINGS = """\
# datum: mean sea level
time,level_m
2027-04-12T08:00+02:00,1.0
2027-04-12T08:20+02:00,1.3
2027-04-12T08:50+02:00,0.8
"""


def written(tmp_path, text):
    path = tmp_path / "tide.csv"
    path.write_text(text, encoding="utf-8")
    return path


def refused(tmp_path, text):
    with pytest.raises(InputError) as caught:
        read_tide(written(tmp_path, text))
    return caught.value.faults


def test_readings_are_joined_by_straight_lines(tmp_path):
    tide = read_tide(written(tmp_path, READINGS))
    assert not tide.extremes
    assert tide.datum == "mean sea level"
    # C: by the zone 08:00+02:00 is 06:00 UTC; half way between readings lies half way
    times = np.array(["2027-04-12T06:00", "2027-04-12T06:10", "2027-04-12T06:35"], dtype="datetime64[s]")
    assert tide.at(times) == pytest.approx([1.0, 1.15, 1.05])
    assert np.isnan(tide.at(np.datetime64("2027-04-12T05:59"))).all()
    assert np.isnan(tide.at(np.datetime64("2027-04-12T06:51"))).all()


def test_high_and_low_waters_are_joined_by_half_a_cosine(tmp_path):
    tide = read_tide(written(tmp_path, EXTREMES))
    assert tide.extremes
    # C: from high 4.8 to low 0.6 in 370 min; half way is their mean, a third of the time (1 - cos 60 deg) / 2 = 1/4
    high = np.datetime64("2027-04-12T00:10:00")
    level = tide.at(high + np.array([0, 185 * 60, 7400, 370 * 60]).astype("timedelta64[s]"))
    assert level == pytest.approx([4.8, 2.7, 4.8 - 4.2 / 4, 0.6])
    # level for a moment at high and low water: 60 s off it has moved by 4.2 m (pi 60 / 22200)^2 / 4
    assert tide.at(high + np.timedelta64(60, "s")) == pytest.approx(4.8 - 4.2 * (np.pi * 60 / 22200) ** 2 / 4, abs=1e-6)


def test_the_rule_of_twelfths_is_near(tmp_path):
    # common practice, no source: in the six hours of a tide the level falls by 1, 2, 3, 3, 2, 1 twelfths
    text = "# datum: d\ntime,level_m,kind\n2027-04-12T00:00Z,12,high\n2027-04-12T06:00Z,0,low\n"
    tide = read_tide(written(tmp_path, text))
    hours = np.datetime64("2027-04-12T00:00:00") + np.arange(7) * np.timedelta64(3600, "s")
    assert tide.at(hours) == pytest.approx([12, 11, 9, 6, 3, 1, 0], abs=0.2)


def test_when_the_level_is_low_enough(tmp_path):
    tide = read_tide(written(tmp_path, EXTREMES))
    spans = tide.within(None, 1.0)
    assert len(spans) == 2
    edges = tide.utc[0] + np.round(spans * 1000).astype("timedelta64[ms]")
    assert tide.at(edges) == pytest.approx(1.0, abs=1e-6)
    lows = (tide.utc[[1, 3]] - tide.utc[0]) / np.timedelta64(1, "s")
    assert ((spans[:, 0] < lows) & (lows < spans[:, 1])).all()
    assert len(tide.within(None, 0.3)) == 0
    assert tide.within(None, 9.0).tolist() == [[0.0, 24.75 * 3600]]
    assert tide.within(0.0, None).tolist() == [[0.0, 24.75 * 3600]]
    assert len(tide.within(1.0, 3.0)) == 4  # once between each high and low


levels = st.lists(st.floats(-4, 4), min_size=3, max_size=12)


@given(levels=levels, least=st.none() | st.floats(-4, 4), most=st.none() | st.floats(-4, 4), extremes=st.booleans())
@settings(deadline=None)
def test_edges_lie_on_a_limit_and_what_is_between_lies_within(levels, least, most, extremes):
    start = np.datetime64("2027-04-12T00:00:00")
    utc = start + np.arange(len(levels)) * np.timedelta64(1800, "s")
    tide = Tide(utc, np.array(levels), extremes)
    spans = tide.within(least, most)
    assert (spans[:, 0] < spans[:, 1]).all()
    assert (spans[1:, 0] > spans[:-1, 1]).all()
    low, high = -9 if least is None else least, 9 if most is None else most
    last = (len(levels) - 1) * 1800.0
    for begins, ends in spans:
        inside = tide.at(start + (np.linspace(begins, ends, 33)[1:-1] * 1000).astype("timedelta64[ms]"))
        assert (inside >= low - 1e-3).all()
        assert (inside <= high + 1e-3).all()
        for edge in (begins, ends):
            at = float(tide.at(start + np.timedelta64(round(edge * 1000), "ms")))
            assert edge in (0.0, last) or min(abs(at - low), abs(at - high)) < 1e-3


def test_the_datum_is_told_or_asked_for(tmp_path):
    [caution] = read_tide(written(tmp_path, EXTREMES)).cautions
    assert "above chart datum of Demo Harbour" in caution
    silent = read_tide(written(tmp_path, EXTREMES.split("\n", 1)[1]))
    assert silent.datum is None
    assert "does not say what its levels are above" in silent.cautions[0]
    assert "chart datum" in silent.cautions[0]


@pytest.mark.parametrize(
    ("old", "new", "code", "line", "words"),
    [
        ("08:20+02:00", "08:20", "E45", 4, "has no zone"),
        ("2027-04-12T08:20+02:00", "eight", "E45", 4, "'eight' is not a time"),
        ("1.3", "1,3", "E45", 4, "3 values in a table of 2 columns"),
        ("1.3", "high", "E45", 4, "'high' is not a number"),
        ("1.3", "nan", "E45", 4, "'nan' is not a number"),
        ("1.3", "130", "E33", 4, "130 m is off by more than 50 m"),
        ("08:50", "08:51", "E34", 5, "31 min after the row before, and 30 min is the most"),
        ("08:50", "08:20", "E34", 5, "not after that of the row before"),
        ("time,level_m", "when,what", "E45", 2, "the first row names when, what"),
    ],
)
def test_each_break_of_readings_is_refused_where_it_stands(tmp_path, old, new, code, line, words):
    [fault] = refused(tmp_path, READINGS.replace(old, new))
    assert (fault.code, fault.where) == (code, f"tide.csv:{line}")
    assert words in fault.what
    assert fault.fix


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("0.60,low", "0.60,ebb", 4, "the kind is 'ebb'"),
        ("2027-04-12T06:20Z,0.60,low\n", "", 4, "two high waters follow each other"),
        ("0.60,low", "5.60,low", 4, "low water at 5.6 m follows high water at 4.8 m"),
        ("2027-04-13T00:55Z", "2027-04-13T11:55Z", 7, "1030 min after the row before, and 960 min is the most"),
    ],
)
def test_each_break_of_extremes_is_refused_where_it_stands(tmp_path, old, new, line, words):
    faults = refused(tmp_path, EXTREMES.replace(old, new))
    assert faults[0].where == f"tide.csv:{line}"
    assert words in faults[0].what


def test_all_faults_come_at_once(tmp_path):
    faults = refused(tmp_path, READINGS.replace("1.0", "x").replace("0.8", "y"))
    assert [fault.where for fault in faults] == ["tide.csv:3", "tide.csv:5"]


def test_a_table_that_holds_too_little_is_refused(tmp_path):
    assert refused(tmp_path, "")[0].what == "the table is empty"
    assert refused(tmp_path, "# datum: d\ntime,level_m\n2027-04-12T08:00Z,1.0\n")[0].what.startswith("1 level in")
    with pytest.raises(InputError, match=r"E00 none\.csv: cannot be read: no such file") as caught:
        read_tide(tmp_path / "none.csv")
    assert "window.tide" in caught.value.faults[0].fix
    (tmp_path / "latin.csv").write_bytes("# datum: Mündung\n".encode("latin-1"))
    with pytest.raises(InputError, match=r"E45 latin\.csv: is not UTF-8 text"):
        read_tide(tmp_path / "latin.csv")
