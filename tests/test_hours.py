"""The hours of a whole job: satellites and tide against the clock of its sorties."""

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
from made_site import FRAME, write_site

from planner.files.geofiles import input_files, read_scene
from planner.files.missionfile import read_mission
from planner.survey import make_plan
from planner.survey.hours import sortie_spans, windows_of

ALMANAC = Path(__file__).parent / "references" / "yuma_week_431.txt"


def job(folder, **window):
    shutil.copy(ALMANAC, folder / "almanac.txt")
    # invented: low water at 6 and 18:20, high water at noon
    (folder / "tide.csv").write_text(
        "# datum: chart datum\ntime,level_m,kind\n2007-12-02T00:00:00Z,3.0,high\n2007-12-02T06:00:00Z,0.2,low\n"
        "2007-12-02T12:10:00Z,3.1,high\n2007-12-02T18:20:00Z,0.1,low\n2007-12-03T00:30:00Z,3.0,high\n",
        encoding="utf-8",
    )
    mission = read_mission(
        write_site(
            folder,
            date="2007-12-02",
            aircraft={"card": "hexacopter", "take_off": [[float(value) for value in FRAME.to_lonlat(-60.0, -50.0)]]},
            conditions={"start": "2007-12-02T11:30:00Z"},
            window={"almanac": "almanac.txt", "tide": "tide.csv", "tide_most_m": 1.0} | window,
            doubts={"draws": 0},
        )
    )
    return mission, read_scene(mission)


def test_sorties_at_high_water_are_outside_and_the_next_low_water_in_daylight_is_named(tmp_path):
    mission, scene = job(tmp_path)
    plan = make_plan(mission, scene)
    found = windows_of(mission, scene, plan.lines, plan.sorties, plan.flight["time_s"]["total"])
    by_id = {caution.caution_id: caution for caution in found.cautions}
    assert by_id["tide"].status == "over"
    assert 2.5 < by_id["tide"].measured <= 3.1
    assert by_id["windows"].status == "over"
    # half cosine from 0.2 to 3.1 m within 6:10: the water stands at 1 m after acos(1 - 2 * 0.8 / 2.9) / pi of it (C)
    ends = np.datetime64("2007-12-02T06:00") + np.timedelta64(round(370 * 60 * np.arccos(1 - 1.6 / 2.9) / np.pi), "s")
    assert any(abs(span.ends - ends) <= np.timedelta64(2, "s") for span in found.tide)
    assert found.common
    for span in found.common:  # in daylight, and in both windows
        assert any(other.begins <= span.begins and span.ends <= other.ends for other in found.tide)
        assert any(other.begins <= span.begins and span.ends <= other.ends for other in found.satellites)


def test_spans_of_sorties_are_the_clock_of_the_plan(tmp_path):
    mission, scene = job(tmp_path)
    plan = make_plan(mission, scene)
    spans = sortie_spans(mission, plan.sorties)
    assert spans[0].begins == np.datetime64("2007-12-02T11:30:00")
    assert [span.lasts_s for span in spans] == [round(sortie.path.duration_s) for sortie in plan.sorties]
    no_start = replace(mission, conditions=replace(mission.conditions, start=None))
    assert sortie_spans(no_start, plan.sorties) == ()


def test_almanac_and_tide_are_inputs_that_are_hashed(tmp_path):
    mission, _ = job(tmp_path)
    assert {"almanac.txt", "tide.csv"} <= {name for name, _ in input_files(mission)}
