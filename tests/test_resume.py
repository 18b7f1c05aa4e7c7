"""Going on where a flight stopped: which lines are done, and what becomes of the others."""

import json

import numpy as np
import pytest
from made_site import FRAME, write_site
from test_flying import ridge_job

from planner.errors import InputError
from planner.files.geofiles import read_scene
from planner.files.missionfile import read_mission
from planner.flight.flightlines import FlightLine
from planner.survey import assess, lines_left, lines_named, make_plan, resume


def named(*names):
    points = np.array([[0.0, 0, 80], [0, 100, 80]])
    return [FlightLine(name, points, (0.0, 100.0), 6.0, 300e3, 100.0, 0.6) for name in names]


TWELVE = named(*(f"L{k:02d}" for k in (3, 1, 2, 4, 5, 6, 7, 8, 9, 10, 11, 12)), "X01", "X02")


@pytest.mark.parametrize(
    ("said", "done"),
    [
        ("4", ["L04"]),
        ("1-3, 12", ["L03", "L01", "L02", "L12"]),
        ("L02-L04,X01", ["L03", "L02", "L04", "X01"]),
        ("l05,,x02,L5-006", ["L05", "L06", "X02"]),
        ("X01-X02", ["X01", "X02"]),
        ("7-7", ["L07"]),
    ],
)
def test_lists_name_lines_in_the_order_of_the_plan(said, done):
    assert list(lines_named(TWELVE, said)) == done


def test_names_that_somebody_else_gave():
    drawn = named("north edge", "east-2", "7", "L05a", "K1", "M1")
    assert lines_named(drawn, "North Edge,east-2,7,L05a") == ("north edge", "east-2", "7", "L05a")
    with pytest.raises(InputError, match=r"E33 --done: 1 may be K1 or M1\n.*give the whole name"):
        lines_named(drawn, "1")
    assert lines_named(drawn, "m01") == ("M1",)
    with pytest.raises(InputError, match="E34 --done: 7-L05a: there is no counting from 7 to L05a"):
        lines_named(drawn, "7-L05a")


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ("", "E33 --done: '' names no line"),
        (" , ", "names no line"),
        ("13", r"E18 --done: the plan has no line 13\n.*did you mean L1[0-3]\? its lines are L01, L02, L03 \.\.\. X02"),
        ("1-99999999999", "E18 --done: the plan has no line 99999999999"),
        ("LO4", r"E18 --done: the plan has no line LO4\n.*did you mean L04\?"),
        ("9-4", r"E34 --done: 9-4 runs backward\n.*write 4-9"),
        ("L01-X02", "E34 --done: L01-X02: there is no counting"),
        ("zebra", r"E18 --done: the plan has no line zebra\n  way out: its lines are"),
        ("-3", "E18 --done: the plan has no line -3"),
        ("9-4,44", "(?s)E34 .*E18 --done: the plan has no line 44"),
    ],
)
def test_lists_that_name_no_lines_are_refused(said, words):
    with pytest.raises(InputError, match=words):
        lines_named(TWELVE, said)


def test_a_number_alone_is_no_cross_line():
    few = named("L01", "L02", "X01", "X02", "X03")
    assert lines_named(few, "1-2") == ("L01", "L02")
    with pytest.raises(InputError, match="E18 --done: the plan has no line 3"):
        lines_named(few, "3")


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    folder = tmp_path_factory.mktemp("resume")
    take_off = [float(value) for value in FRAME.to_lonlat(-60.0, -50.0)]
    file = write_site(folder, aircraft={"card": "hexacopter", "take_off": [take_off]}, doubts={"draws": 0})
    mission = read_mission(file)
    scene = read_scene(mission)
    return mission, scene, assess(mission, scene, make_plan(mission, scene))


def test_the_forecast_of_all_lines_stays_what_it_was(planned):
    mission, scene, before = planned
    done = [line.line_id for line in before.plan.lines[:2]]
    after = resume(mission, scene, before.plan.lines, done)
    assert after.forecast.density == before.forecast.density
    assert after.forecast.coverage == before.forecast.coverage
    assert np.array_equal(after.forecast.passes, before.forecast.passes)
    assert np.array_equal(after.forecast.density_per_m2, before.forecast.density_per_m2, equal_nan=True)


@pytest.mark.parametrize("gone", [(0,), (1, 3), (0, 1, 2)])
def test_new_sorties_fly_what_is_left_and_nothing_else(planned, gone):
    mission, scene, before = planned
    lines = before.plan.lines
    done = {lines[k].line_id for k in gone}
    after = resume(mission, scene, lines, done)
    flown = [line for sortie in after.plan.sorties for line in sortie.lines]
    assert [line.line_id for line in flown] == [line.line_id for line in lines if line.line_id not in done]
    # as the plan flew them: the same places in the same direction
    for line in flown:
        [planned_line] = [each for each in lines if each.line_id == line.line_id]
        assert np.array_equal(line.points_m, planned_line.points_m)
    for sortie in after.plan.sorties:
        assert not done & set(sortie.path.line_ids)
        assert sortie.reserve_share_left >= mission.aircraft.battery_reserve_share - 1e-9
    assert after.plan.flight["lines"] == len(flown)
    assert after.plan.flight["line_length_m"] < before.plan.flight["line_length_m"]
    assert any(f"are of the {len(flown)} lines left" in said for said in after.assumptions)


def test_what_is_left_takes_off_where_it_is_seen(tmp_path):
    mission, scene, lines = ridge_job(tmp_path, (-120.0, 0.0), (120.0, 0.0))
    after = resume(mission, scene, lines, ["W1", "W2"])
    assert {round(float(sortie.take_off_m[0])) for sortie in after.plan.sorties} == {120}


def test_a_plan_that_is_all_done_is_not_resumed(planned):
    mission, scene, before = planned
    done = [line.line_id for line in before.plan.lines]
    assert lines_left(before.plan.lines, done) == ()
    with pytest.raises(InputError, match="E33 all lines of the plan are done"):
        resume(mission, scene, before.plan.lines, done)


@pytest.fixture(scope="module")
def folder(planned):
    """Return the output folder of the plan."""
    mission = planned[0]
    from planner.files.briefing import write_briefing
    from planner.files.bundle import write_outputs
    from planner.files.geofiles import input_files
    from planner.files.report import write_report
    from planner.files.webmap import write_map

    target = mission.file.parent / "out" / "meadow"
    files = input_files(mission)
    write_outputs(
        target,
        planned[2],
        replace=False,
        input_files=files,
        write_map=write_map,
        write_report=write_report,
        write_briefing=write_briefing,
    )
    return target


def names_in(folder):
    """Return the names of all lines in an output folder."""
    features = json.loads((folder / "plan.geojson").read_text())["features"]
    return [each["properties"]["id"] for each in features if each["properties"]["kind"] == "flight line"]


@pytest.mark.parametrize("whole", [True, False])
def test_the_command_goes_on_from_an_output_folder_or_its_lines(folder, call, tmp_path, whole):
    plan = folder if whole else folder / "plan.geojson"
    code, said, complaint = call("resume", plan, "--done", "1-2", "--out", tmp_path / "left")
    assert (code, complaint) == (0, "")
    assert "written to" in said
    before, after = (json.loads((each / "summary.json").read_text()) for each in (folder, tmp_path / "left"))
    assert after["density"]["judged_per_m2"] == pytest.approx(before["density"]["judged_per_m2"], rel=0.01)
    assert after["coverage"]["below_pct"] == pytest.approx(before["coverage"]["below_pct"], abs=0.2)
    assert after["flight"]["lines"] == before["flight"]["lines"] - 2
    assert names_in(tmp_path / "left") == names_in(folder)
    assert len(names_in(folder)) == before["flight"]["lines"]


def test_the_command_writes_beside_the_plan_unless_told(folder, call):
    code, said, _ = call("resume", folder, "--done", "1")
    assert code == 0
    assert str(folder.with_name("meadow-left")) in said
    assert (folder.with_name("meadow-left") / "summary.json").is_file()


def test_nothing_left_is_said_and_nothing_written(folder, call, tmp_path):
    lines = names_in(folder)
    code, said, complaint = call("resume", folder, "--done", ",".join(lines), "--out", tmp_path / "left")
    assert (code, complaint) == (0, "")
    assert said == f"all {len(lines)} lines are done: nothing is left to fly, nothing is written\n"
    code, as_json, _ = call("resume", folder, "--done", ",".join(lines), "--out", tmp_path / "left", "--json")
    assert (code, json.loads(as_json)) == (0, {"lines_left": [], "said": said.strip()})
    assert list(tmp_path.iterdir()) == []


def test_what_the_command_cannot_use_is_refused(folder, call, tmp_path):
    code, _, complaint = call("resume", folder, "--done", "1-77", "--out", tmp_path / "left")
    assert code == 2
    assert "E18 --done: the plan has no line 77" in complaint
    code, _, complaint = call("resume", tmp_path, "--done", "1")
    assert code == 2
    assert "E00" in complaint
    assert "it lacks plan.geojson" in complaint
    lonely = tmp_path / "lines.geojson"
    lonely.write_text((folder / "plan.geojson").read_text())
    code, _, complaint = call("resume", lonely, "--done", "1")
    assert code == 2
    assert "name the mission file by --mission FILE" in complaint
    mission = folder.parent.parent / "job.toml"
    code, said, _ = call("resume", lonely, "--done", "1", "--mission", mission, "--out", tmp_path / "left")
    assert code == 0
    assert "written to" in said
    (tmp_path / "moved").mkdir()
    for name in ("plan.geojson", "summary.json"):
        (tmp_path / "moved" / name).write_text((folder / name).read_text())
    code, _, complaint = call("resume", tmp_path / "moved", "--done", "1")
    assert code == 2
    assert "job.toml lies neither beside the output folder nor in the folder above" in complaint
    (tmp_path / "moved" / "summary.json").write_text("{}")
    code, _, complaint = call("resume", tmp_path / "moved", "--done", "1")
    assert code == 2
    assert "E45" in complaint
