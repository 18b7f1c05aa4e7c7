"""The command line: what is refused and how, exit codes, and that nothing is left half-written."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from made_site import FRAME, LAT, LON, box_deg, mission_text, write_area, write_mission, write_raster, write_site

import planner
from planner.files.cards import bundled, load_sensor

ROOT = Path(planner.__file__).parents[1]
OUTPUTS = {
    "briefing.html",
    "cause.tif",
    "checkpoints.csv",
    "checkpoints.geojson",
    "confidence.tif",
    "dominant_term.tif",
    "report.html",
    "density.tif",
    "gaps.geojson",
    "map.html",
    "passes.tif",
    "plan.geojson",
    "summary.json",
    "vertical_rmse.tif",
}


def process(*words):
    command = [sys.executable, "-m", "planner", *map(str, words)]
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    return subprocess.run(command, capture_output=True, text=True, env=environment, check=False)


def written(folder):
    """Return all that lies in a folder, temporary and hidden things included."""
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*")}


# Each bad mission: files in a folder, then the words its message must hold.


def bow_tie(folder):
    west_south, east_south, east_north, west_north = sorted_corners()
    write_area(folder, [west_south, east_north, west_north, east_south, west_south])


def sorted_corners():
    west, south = map(min, zip(*box_deg(), strict=True))
    east, north = map(max, zip(*box_deg(), strict=True))
    return [west, south], [east, south], [east, north], [west, north]


def shapefile_without_crs(folder):
    import geopandas

    geopandas.read_file(folder / "area.geojson").to_file(folder / "area.shp")
    (folder / "area.prj").unlink()
    write_mission(folder, site={"area": "area.shp"})


def far_away(folder):
    write_area(folder, [[lon + 0.1, lat] for lon, lat in box_deg()])


def hole(pixels):
    pixels[85:95, 95:105] = -9999


def two_corners(folder):
    write_area(folder, [*box_deg()[:2], box_deg()[0]])


def open_ring(folder):
    write_area(folder, box_deg()[:-1])


def swapped_axes(folder):
    write_area(folder, [[lat, lon] for lon, lat in box_deg()])


def card_with(old, new):
    def edit(folder):
        text = (ROOT / "planner" / "data" / "sensors" / "b.toml").read_text(encoding="utf-8")
        assert old in text
        (folder / "own.toml").write_text(text.replace(old, new), encoding="utf-8")
        write_mission(folder, sensor={"card": "own.toml"})

    return edit


def mission_with(**changes):
    return lambda folder: write_mission(folder, **changes)


def raster_with(**profile):
    return lambda folder: write_raster(folder, **profile)


def broken_area(folder):
    (folder / "area.geojson").write_text('{"type": "FeatureCollection",\n "features": [}\n', encoding="utf-8")


def broken_mission(folder):
    (folder / "job.toml").write_text(mission_text() + "[site\n", encoding="utf-8")


BAD = {
    "E01": (bow_tie, ["area.geojson", r"longitude 9\.\d{4,} latitude 47\.\d{4,}"]),
    "E02": (two_corners, ["area.geojson", "corners"]),
    "E03": (open_ring, ["area.geojson", "not closed"]),
    "E04": (shapefile_without_crs, ["area.shp", "prj", "guess"]),
    "E05": (swapped_axes, ["area.geojson", "swapped", r"9\.\d+", r"47\.\d+"]),
    "E06": (mission_with(site={"working_crs": "EPSG:4326"}), ["working_crs", "WGS 84", "EPSG:32632"]),
    "E07": (mission_with(site={"working_crs": "EPSG:2225"}), ["working_crs", "foot", "metres"]),
    "E08": (far_away, ["ground.tif", r"9\.3\d+ to 9\.4\d+", r"9\.29\d+ to 9\.30\d+"]),
    "E09": (mission_with(site={"buffer_m": 90}), ["ground.tif", r"\d+(\.\d)? %", "larger raster"]),
    "E10": (raster_with(crs=None), ["ground.tif", "no CRS", "guessed"]),
    "E11": (raster_with(edit=hole), ["ground.tif", r"0\.04\d* ha", r"longitude 9\.\d+ latitude 47\.\d+", "unknown"]),
    "E12": (raster_with(edit=lambda pixels: pixels.fill(0)), ["ground.tif", "all heights are 0"]),
    "E13": (raster_with(crs="EPSG:32632+3855"), ["ground.tif", "EGM2008", "terrain.geoid"]),
    "E14": (mission_with(terrain={"ground": None}), [r"job\.toml:\d+", "ground", "surface"]),
    "E18": (card_with("min_range_m = 3\n", "min_rnge_m = 3\n"), [r"own\.toml:\d+", "min_rnge_m", "min_range_m"]),
    "E33": (
        card_with("optical_fov_deg = 80\nusable_fov_deg = 80", "optical_fov_deg = 180\nusable_fov_deg = 80"),
        [r"own\.toml:\d+", "180"],
    ),
    "E45": (broken_area, [r"area\.geojson:2", "JSON"]),
}


@pytest.mark.parametrize("code", BAD)
def test_bad_input_is_refused_with_code_place_and_way_out(code, tmp_path, call):
    make, words = BAD[code]
    job = write_site(tmp_path)
    make(tmp_path)
    before = written(tmp_path)
    left, out, err = call("plan", job)
    assert left == 2
    assert out == ""
    assert re.match(rf"{code} ", err), err
    for word in words:
        assert re.search(word, err), f"{word} is not in: {err}"
    faults = len(re.findall(r"^E\d\d ", err, re.MULTILINE))
    assert err.count("way out:") == faults
    assert len(err.splitlines()) <= 3 * faults
    assert written(tmp_path) == before


@pytest.mark.parametrize(
    ("make", "code", "words"),
    [
        (mission_with(requirement={"sidelap_min": 0.95}), "E33", "sidelap_min` is 0.95"),
        (mission_with(flight={"speed_mps": -1}), "E33", "speed_mps` is -1"),
        (mission_with(flight={"speed_mps": float("nan")}), "E33", "speed_mps` is nan"),
        (mission_with(requirement={"density_per_m2": -5}), "E33", "density_per_m2` is -5"),
        (card_with("wavelength_nm = 905\n", ""), "E18", "`wavelength_nm` is missing"),
        (card_with("min_range_m = 3\n", 'min_range_m = "3 m"\n'), "E18", "min_range_m"),
        (card_with("wavelength_nm = 905\n", "wavelength_nm = 90\n"), "E18", "wavelength_nm` is 90"),
        (mission_with(terrain={"heights": None}), "E18", "`heights` is missing"),
        (mission_with(terrain={"geoid": "egm08.tif"}), "E13", "geoid"),
        (broken_mission, "E45", "TOML"),
    ],
)
def test_bad_values_name_key_and_value(make, code, words, tmp_path, call):
    job = write_site(tmp_path)
    make(tmp_path)
    before = written(tmp_path)
    left, out, err = call("plan", job)
    assert (left, out) == (2, "")
    assert err.startswith(code)
    assert words in err
    assert "way out:" in err
    assert written(tmp_path) == before


def test_every_fault_of_a_mission_is_told_at_once_and_as_json(tmp_path, call):
    job = write_site(tmp_path, flight={"speed_mps": -1}, requirement={"percentil": 5}, terrain={"ground": None})
    left, out, err = call("plan", job, "--json")
    twin = json.loads(out)
    assert left == twin["exit_code"] == 2
    assert {fault["code"] for fault in twin["faults"]} == {"E14", "E18", "E33"}
    for fault in twin["faults"]:
        assert re.fullmatch(r"job\.toml:\d+", fault["where"])
        assert fault["what"] in err
        assert fault["fix"] in err


def test_an_existing_folder_is_kept(tmp_path, call):
    job = write_site(tmp_path)
    kept = tmp_path / "result"
    kept.mkdir()
    (kept / "notes.txt").write_text("mine", encoding="utf-8")
    before = written(tmp_path)
    for words, way_out in (((), "--replace"), (("--replace",), "choose another")):
        left, _, err = call("plan", job, "--out", kept, *words)
        assert left == 2
        assert err.startswith("E44 ")
        assert str(kept) in err
        assert way_out in err
        assert written(tmp_path) == before
    assert (kept / "notes.txt").read_text(encoding="utf-8") == "mine"


def test_met_leaves_with_0_and_the_folder(tmp_path, call):
    job = write_site(tmp_path, name="Lower Meadow, 2nd")
    left, out, err = call("plan", job)
    assert (left, err) == (0, "")
    assert "requirement met" in out
    folder = tmp_path / "out" / "lower-meadow-2nd"
    assert str(folder) in out
    assert written(tmp_path / "out") == {"lower-meadow-2nd"} | {f"lower-meadow-2nd/{name}" for name in OUTPUTS}
    left, _, err = call("plan", job)
    assert left == 2
    assert err.startswith("E44 ")
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    left, out, _ = call("plan", job, "--replace", "--json")
    assert left == 0
    assert json.loads(out) == json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_sorties_and_batteries_are_said_beside_the_lines(tmp_path, call):
    place = {"card": "hexacopter", "take_off": [[LON, LAT]]}
    for folder, aircraft in (("with", place), ("without", {"card": "hexacopter"})):
        (tmp_path / folder).mkdir()
        left, out, _ = call("plan", write_site(tmp_path / folder, aircraft=aircraft, doubts={"draws": 0}))
        assert left == 0
        told = next(line for line in out.splitlines() if " km" in line and " min " in line)
        flight = json.loads((tmp_path / folder / "out/meadow/summary.json").read_text(encoding="utf-8"))["flight"]
        minutes = f"{flight['time_s']['total'] / 60:.1f} min"
        if folder == "without":
            assert told.endswith(f"{minutes} in the air; no sorties: no take-off place is given")
            assert "sorties" not in flight
        else:
            assert (flight["sorties"], flight["batteries"]) == (1, 1)
            assert told.endswith(f"; 1 sortie on 1 battery, {minutes} from first take-off to last landing")


def test_what_the_forecast_is_worth_is_said_in_a_line_each(tmp_path, call):
    job = write_site(tmp_path, requirement={"density_per_m2": 150, "vertical_rmse_m": 0.3}, doubts={"draws": 20})
    left, out, _ = call("plan", job)
    assert left == 0
    summary = json.loads((tmp_path / "out" / "meadow" / "summary.json").read_text(encoding="utf-8"))
    vertical, sure = summary["vertical"], summary["confidence"]
    status = [clause["status"] for clause in summary["acceptance"]]
    lines = {line.split()[0]: line for line in out.splitlines()[1:]}
    assert f"as tested {100 * vertical['tested_rmse_m']:.1f} of 30 cm" in lines["vertical"]
    assert lines["vertical"].endswith(f"most of it: {vertical['dominant_term']}")
    assert f"{status.count('met')} clauses met, " in lines["acceptance:"]
    assert f"on {sure['area_under_pct']:.1f} % of the area" in lines["chance"]
    placed = summary["checkpoints"]["placed"]
    assert lines["checkpoints:"].startswith(f"  checkpoints: {placed} of {summary['checkpoints']['wanted']} placed")


def test_not_met_leaves_with_3_and_the_outputs(tmp_path, call):
    # 300 kHz at 10 m/s are 30 000 pulses a metre of line, 500/m2 where lines lie 60 m apart.
    held = {"agl_m": 60, "speed_mps": 10, "line_spacing_m": 60}
    job = write_site(tmp_path, flight=held, requirement={"density_per_m2": 600}, doubts={"draws": 0})
    left, out, _ = call("plan", job, "--out", tmp_path / "result")
    assert left == 3
    assert "requirement NOT MET" in out
    assert ", 1 not met: density of first returns" in out
    assert "chance under" not in out, "no draws were asked for"
    assert written(tmp_path / "result") == OUTPUTS - {"confidence.tif"}
    summary = json.loads((tmp_path / "result" / "summary.json").read_text(encoding="utf-8"))
    assert summary["verdict"] == "not met"
    assert summary["density"]["judged_per_m2"] < 600
    assert summary["coverage"]["below_m2"] > 0


def test_what_no_flight_can_do_is_refused_with_the_best_reachable(tmp_path, call):
    free = {"agl_m": 40, "speed_mps": None}
    job = write_site(tmp_path, flight=free, requirement={"density_per_m2": 1e6})
    write_raster(tmp_path, edit=lambda pixels: pixels.fill(500))
    before = written(tmp_path)
    left, out, err = call("plan", job, "--json")
    assert left == 3
    assert err.startswith("E19 ")
    twin = json.loads(out)
    best = twin["best"]
    assert twin["exit_code"] == 3
    assert (best["quantity"], best["asked"]) == ("density_per_m2", 1e6)
    assert f"best reachable density_per_m2: {best['reachable']:g} of 1e+06" in err
    assert written(tmp_path) == before
    # The best reachable is no empty word: nearly as much can be flown.
    write_mission(tmp_path, flight=free, requirement={"density_per_m2": 0.95 * best["reachable"]})
    left, out, err = call("plan", job)
    assert left == 0, out + err


def test_a_height_below_the_clearance_is_refused_with_4(tmp_path, call):
    # 30 m of clearance and 0.3 m of terrain doubt: 30.1 m is 0.2 m too low.
    job = write_site(tmp_path, flight={"agl_m": 30.1}, limits={"clearance_m": 30})
    before = written(tmp_path)
    left, out, err = call("plan", job)
    assert (left, out) == (4, "")
    assert err.startswith("E23 ")
    assert "30.1" in err
    assert "0.2 m below" in err
    assert "30.3 m or higher" in err
    assert written(tmp_path) == before


def drawn_lines(folder, agl_m):
    ends = [FRAME.to_lonlat(-60, north) for north in (-120, 120)]
    positions = [[float(lon), float(lat), agl_m] for lon, lat in ends]
    line = {"type": "LineString", "coordinates": positions}
    properties = {"id": "low", "height_reference": "agl", "speed_mps": 6}
    path = folder / "lines.geojson"
    feature = {"type": "Feature", "properties": properties, "geometry": line}
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}), encoding="utf-8")
    return path


def test_review_of_an_unsafe_line_leaves_with_4_and_the_outputs(tmp_path, call):
    job = write_site(tmp_path)
    left, out, _ = call("review", job, drawn_lines(tmp_path, 20.0), "--out", tmp_path / "result")
    assert left == 4
    assert re.search(r"UNSAFE E23 lon 9\.\d+ lat 47\.\d+: line low comes within 19\.\d m", out)
    assert out.count("line low comes within") == 1, "told once"
    assert "way out:" in out
    assert written(tmp_path / "result") == OUTPUTS
    summary = json.loads((tmp_path / "result" / "summary.json").read_text(encoding="utf-8"))
    assert [fault["code"] for fault in summary["safety"]["unsafe"]] == ["E23"]
    assert summary["settings"] is None
    assert "lines.geojson" in {Path(entry["path"]).name for entry in summary["inputs"]}


def test_review_of_a_safe_line_that_brings_too_little_leaves_with_3(tmp_path, call):
    job = write_site(tmp_path)
    left, out, _ = call("review", job, drawn_lines(tmp_path, 60.0), "--out", tmp_path / "result")
    assert left == 3
    assert "NOT MET" in out
    assert "UNSAFE" not in out
    assert written(tmp_path / "result") == OUTPUTS


def test_a_folder_that_holds_the_lines_under_review_is_not_replaced(tmp_path, call):
    job = write_site(tmp_path)
    folder = tmp_path / "result"
    assert call("plan", job, "--out", folder)[0] == 0
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    left, _, err = call("review", job, folder / "plan.geojson", "--out", folder, "--replace")
    assert left == 2
    assert err.startswith("E44 ")
    assert "input files" in err
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    assert call("review", job, folder / "plan.geojson", "--out", tmp_path / "reviewed")[0] == 0


def test_a_bug_leaves_with_5_and_asks_for_a_report(tmp_path, call, monkeypatch):
    def broken(*_, **__):
        raise ZeroDivisionError

    monkeypatch.setattr("planner.survey.make_plan", broken)
    job = write_site(tmp_path)
    before = written(tmp_path)
    left, out, err = call("plan", job)
    assert (left, out) == (5, "")
    assert "ZeroDivisionError" in err
    assert "bug in swathwright" in err
    assert written(tmp_path) == before


def test_a_bug_while_writing_leaves_no_folder(tmp_path, call, monkeypatch):
    def broken(*_, **__):
        raise ZeroDivisionError

    monkeypatch.setattr("planner.files.webmap.write_map", broken)
    job = write_site(tmp_path)
    before = written(tmp_path)
    assert call("plan", job)[0] == 5
    assert written(tmp_path) == before


def test_sensors_lists_every_card(call):
    left, out, _ = call("sensors")
    assert left == 0
    for name in bundled("sensors"):
        card = load_sensor(name, Path())
        assert re.search(rf"^{card.name}\b", out, re.MULTILINE)
        assert card.description in out
        for rating in card.ratings:
            rate = rating.pulse_rate_hz
            assert (f"{rate / 1000:g} kHz" if rate >= 1000 else f"{rate:g} Hz") in out


def test_sensors_tells_which_of_two_ranges_at_a_rate_is_taken(call):
    # E: 330 to 150 m, in clear air at most sqrt(0.8 / 0.2) = 2 times as far
    _, out, _ = call("sensors")
    [said] = re.findall(r"250 kHz .*\n +(.*2\.20 to 1.*)", out[re.search(r"^E\b", out, re.MULTILINE).start() :])
    assert "1.99 by the range equation: bright goes too far" in said
    assert "all are taken from the 150 m at 20%" in said


def test_sensors_figures_follow_from_the_card(call):
    # B: 80 degrees at 80 m are 2 * 80 * tan(40) = 134 m; 300 kHz at 6 m/s over that width are 372/m2.
    _, out, _ = call("sensors")
    of_b = out[re.search(r"^B\b", out, re.MULTILINE).start() :]
    assert "80 m: swath 134 m, 372/m2" in of_b


def test_the_template_is_a_card(tmp_path, call):
    left, out, _ = call("sensors", "--template")
    assert left == 0
    (tmp_path / "mine.toml").write_text(out, encoding="utf-8")
    assert load_sensor("mine.toml", tmp_path).ratings
    job = write_site(tmp_path, sensor={"card": "mine.toml"}, requirement={"density_per_m2": 20})
    assert call("plan", job, "--out", tmp_path / "result")[0] == 0


def test_a_new_mission_runs(tmp_path, call):
    write_area(tmp_path, name="low field.geojson")
    (tmp_path / "heights").mkdir()
    write_raster(tmp_path / "heights")
    area, job = tmp_path / "low field.geojson", tmp_path / "low field.toml"
    left, out, _ = call("new", area, "--terrain", tmp_path / "heights" / "ground.tif")
    assert left == 0
    assert str(job) in out
    left, out, err = call("plan", job, "--out", tmp_path / "result")
    assert left == 0, out + err
    before = job.read_bytes()
    left, _, err = call("new", area, "--terrain", tmp_path / "heights" / "ground.tif")
    assert left == 2
    assert err.startswith("E44 ")
    assert job.read_bytes() == before


def test_as_a_process(tmp_path):
    job = write_site(tmp_path)
    write_raster(tmp_path, crs=None)
    before = written(tmp_path)
    refused = process("plan", job, "--json")
    assert refused.returncode == 2
    assert refused.stderr.lstrip().startswith("E10 ")
    assert "Traceback" not in refused.stderr
    assert json.loads(refused.stdout)["faults"][0]["code"] == "E10"
    assert written(tmp_path) == before


def test_help_names_the_commands_and_loads_nothing_heavy():
    shown = process("--help")
    assert shown.returncode == 0
    assert all(word in shown.stdout for word in ("plan", "review", "sensors", "new"))
    heavy = ["numpy", "numba", "rasterio", "pyproj", "shapely", "geopandas", "folium", "matplotlib"]
    code = f"import sys, planner.cli; print(*set({heavy}) & set(sys.modules))"
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=True)
    assert loaded.stdout.strip() == ""


@pytest.mark.parametrize("words", [("plan",), ("fly",), ("plan", "none.toml", "--threads", "0"), ("plan", "--fast")])
def test_wrong_words_leave_with_2(words, call):
    left, out, err = call(*words)
    assert (left, out) == (2, "")
    assert "Usage:" in err


def test_a_mission_that_does_not_exist_is_named(call):
    left, _, err = call("plan", "none.toml")
    assert left == 2
    assert err.startswith("E00 none.toml")
