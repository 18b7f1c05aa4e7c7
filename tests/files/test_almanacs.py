"""Almanacs in both forms: what they say, which week they mean, and how broken ones are refused."""

import datetime as dt
import math
from pathlib import Path

import numpy as np
import pytest

from planner.errors import InputError
from planner.files.almanacs import LOST_DAYS, STALE_DAYS, read_almanac
from planner.ground.satellites import positions_m

REFERENCES = Path(__file__).parents[1] / "references"
YUMA, SEM = REFERENCES / "yuma_week_431.txt", REFERENCES / "sem_week_862.al3"
APPLIES = dt.date(2007, 12, 1)


def refused(tmp_path, text):
    """Return the faults of an almanac with this text."""
    path = tmp_path / "sky.alm"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_almanac(path, APPLIES)
    return caught.value.faults


def as_sem(yuma):
    """Return a YUMA text in the SEM form, by the units both descriptions give: radians, semicircles."""
    blocks = [block for block in yuma.split("\n\n") if "ID:" in block]
    values = [[line.split(":", 1)[1].strip() for line in block.splitlines() if ":" in line] for block in blocks]
    lines = [f"{len(values)} CURRENT.ALM", f"{values[0][12]} {float(values[0][3]):.0f}", ""]
    for prn, health, e, _, tilt, rate, root, node, perigee, anomaly, af0, af1, _ in values:
        tilt, rate, node, perigee, anomaly = (float(value) / math.pi for value in (tilt, rate, node, perigee, anomaly))
        lines += [prn, "0", "0", f"{e} {tilt - 0.3!r} {rate!r}", f"{root} {node!r} {perigee!r}"]
        lines += [f"{anomaly!r} {af0} {af1}", health, "11", ""]
    return "\n".join(lines)


def test_a_yuma_almanac_says_what_stands_in_it():
    # U.S. Coast Guard Navigation Center, almanac of week 431 (R)
    almanac = read_almanac(YUMA, APPLIES)
    assert almanac.number.tolist() == [*range(1, 29), 30, 31]  # 29 is not in the file, 32 is not healthy
    fifth = list(almanac.number).index(5)
    assert almanac.applies_s[fifth] == 589824
    assert almanac.eccentricity[fifth] == 0.8495330811e-2
    assert almanac.inclination_rad[fifth] == 0.9410877228
    assert almanac.node_rate_rad_s[fifth] == -0.8141796570e-8
    assert almanac.axis_m[fifth] == 5153.628418**2
    assert almanac.node_rad[fifth] == 0.9098359346
    assert almanac.perigee_rad[fifth] == 1.218577743
    assert almanac.anomaly_rad[fifth] == -0.2140271664e-1


def test_a_sem_almanac_says_what_stands_in_it():
    # U.S. Coast Guard Navigation Center, almanac of week 862 (R); semicircles, tilt from 0.30 (IS-GPS-200 20.3.3.5.2.1)
    almanac = read_almanac(SEM, dt.date(2016, 3, 2))
    assert almanac.number.tolist() == [30, 31]  # 32 was not yet healthy
    assert almanac.week.tolist() == [1886, 1886]
    assert almanac.eccentricity[0] == 1.73616409301758e-3
    assert almanac.inclination_rad[0] == pytest.approx((0.3 + 3.38935852050781e-3) * math.pi)
    assert almanac.node_rate_rad_s[0] == pytest.approx(-2.55022314377129e-9 * math.pi)
    assert almanac.axis_m[0] == 5153.58251953125**2
    assert almanac.node_rad[0] == pytest.approx(8.11307191848755e-1 * math.pi)
    assert almanac.perigee_rad[0] == pytest.approx(9.53495383262634e-1 * math.pi)
    assert almanac.anomaly_rad[0] == pytest.approx(2.64135003089905e-1 * math.pi)


def test_both_forms_of_one_almanac_are_one_sky(tmp_path):
    path = tmp_path / "same.al3"
    path.write_text(as_sem(YUMA.read_text(encoding="utf-8")), encoding="utf-8")
    times = np.datetime64("2007-12-03T00:00:00") + np.arange(0, 86400, 7200).astype("timedelta64[s]")
    yuma, sem = (positions_m(read_almanac(file, APPLIES), times) for file in (YUMA, path))
    assert np.abs(yuma - sem).max() < 1e-3


@pytest.mark.parametrize(
    ("date", "week"),
    [
        (APPLIES, 1455),
        (dt.date(2007, 11, 25), 1455),  # the day before that week
        (dt.date(1999, 8, 10), 431 + 1024),  # weeks roll over on 1999-08-22 (R2): 431 is then nearer ahead than behind
        (dt.date(1988, 4, 10), 431),
        (dt.date(2027, 7, 15), 431 + 2048),
    ],
)
def test_the_week_is_the_one_nearest_to_the_flight(date, week):
    almanac = read_almanac(YUMA, date)
    assert set(almanac.week.tolist()) == {week}
    assert f"GPS week {week}" in almanac.cautions[0]
    assert ("431 in the file" in almanac.cautions[0]) == (week != 431)


def test_a_week_that_is_written_out_is_taken_as_it_is(tmp_path):
    path = tmp_path / "whole.alm"
    path.write_text(YUMA.read_text(encoding="utf-8").replace(" 431\n", " 1455\n"), encoding="utf-8")
    almanac = read_almanac(path, dt.date(2027, 7, 15))
    assert set(almanac.week.tolist()) == {1455}
    assert "days older" in almanac.cautions[1]


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (STALE_DAYS - 2, None),
        (STALE_DAYS + 1, "29 days older"),
        (-STALE_DAYS - 2, "30 days newer"),
        (LOST_DAYS + 1, "cannot be trusted"),
    ],
)
def test_an_almanac_of_another_time_is_told(days, words):
    # its time of applicability is 2007-12-01 19:50 UTC (C), near noon of the day for whole days
    cautions = read_almanac(YUMA, APPLIES + dt.timedelta(days=days)).cautions
    assert "30 healthy satellites of 31" in cautions[0]
    if words is None:
        assert len(cautions) == 1
    else:
        assert words in cautions[1]


def test_satellites_of_other_systems_are_taken(tmp_path):
    path = tmp_path / "mixed.alm"
    text = YUMA.read_text(encoding="utf-8")
    other = text.split("\n\n")[0].replace("PRN-01", "PRN-193").replace(" 01\n", " 193\n")
    path.write_text(text + "\n" + other + "\n", encoding="utf-8")
    assert read_almanac(path, APPLIES).number.tolist()[-1] == 193


def test_each_break_is_refused_where_it_stands(tmp_path):
    text = YUMA.read_text(encoding="utf-8")
    [fault] = refused(tmp_path, text.replace("0.9451141357", "0.94511x1357"))
    assert (fault.code, fault.where) == ("E45", "sky.alm:21")
    assert "'0.94511x1357' is not a number" in fault.what
    [fault] = refused(tmp_path, text.replace("Mean Anom(rad):            -0.2096464515E+001\n", ""))
    assert (fault.code, fault.where) == ("E45", "sky.alm:17")
    assert "lacks meananom" in fault.what
    [fault] = refused(tmp_path, text.replace("5153.601074", "26559.60107"))
    assert (fault.code, fault.where) == ("E33", "sky.alm:17")
    assert "semi-major axis" in fault.what
    [fault] = refused(tmp_path, "Health: 000\n" + text)
    assert (fault.code, fault.where) == ("E45", "sky.alm:1")
    [fault] = refused(tmp_path, text + "\n" + text.split("\n\n")[0])
    assert (fault.code, fault.what) == ("E34", "satellite 1 is there twice")
    [fault] = refused(tmp_path, text.replace("Health:                     000", "Health:                     063"))
    assert (fault.code, fault.what) == ("E02", "no healthy satellite among 31")


def test_each_break_of_columns_is_refused_where_it_stands(tmp_path):
    text = SEM.read_text(encoding="utf-8")
    [fault] = refused(tmp_path, text.replace("3  CURRENT", "4  CURRENT"))
    assert (fault.code, fault.where) == ("E45", "sky.alm:1")
    assert "4 satellites need 32 lines after the head, and there are 24" in fault.what
    [fault] = refused(tmp_path, text.replace(" 5.15358251953125E+03  8.1", " 5.15358251953125E+03  oops  8.1"))
    assert (fault.code, fault.where) == ("E45", "sky.alm:8")
    [fault] = refused(tmp_path, text.replace(" 862 319488", " 862"))
    assert (fault.code, fault.where) == ("E45", "sky.alm:2")
    assert "1 numbers where 2 belong" in fault.what
    [fault] = refused(tmp_path, "PK\x03\x04 something else")
    assert fault.what == "neither a YUMA nor a SEM almanac"
    [fault] = refused(tmp_path, "")
    assert fault.what == "neither a YUMA nor a SEM almanac"


def test_a_file_that_cannot_be_read_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"E00 none\.alm: cannot be read: no such file") as caught:
        read_almanac(tmp_path / "none.alm", APPLIES)
    assert "window.almanac" in caught.value.faults[0].fix
    (tmp_path / "binary.alm").write_bytes(b"\xff\xfe\x00\x81")
    with pytest.raises(InputError, match=r"E45 binary\.alm: is not text"):
        read_almanac(tmp_path / "binary.alm", APPLIES)
