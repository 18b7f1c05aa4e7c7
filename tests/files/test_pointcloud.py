"""Point clouds opened again with laspy: what the header says, what the points are, and that nothing is half-written."""

import json
import sys
from dataclasses import replace
from pathlib import Path

import laspy
import numpy as np
import pyproj
import pytest

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1]))
from made_site import FRAME, box_deg, write_area, write_mission, write_raster, write_site
from small_job import small_lines, small_mission, small_scene, tilted_geoid

from planner import cli
from planner.errors import InputError
from planner.files import pointcloud
from planner.files.pointcloud import BETWEEN_LINES_S, CROWN, GROUND, OTHER, check_cloud, write_cloud
from planner.ground.geodesy import Frame
from planner.ground.surface import cells_on
from planner.ranging.echoes import relative_intensity
from planner.ranging.fates import RETURNS
from planner.ranging.principles import reach_within
from planner.ranging.pulses import fire_legs
from planner.survey import leg_of, rating_of

MISSION = small_mission()
LINES = tuple(replace(line, pulse_rate_hz=2000.0, line_rate_hz=20.0) for line in small_lines())


def wooded(scene, height_m=9.0, depth=0.7):
    """Return the scene with a wood on its eastern half and an opaque block in the west."""
    grid = scene.ground
    tall = np.zeros(grid.heights_m.shape)
    tall[:, 50:] = height_m
    tall[40:60, 30:40] = height_m
    corners = np.stack([tall[:-1, :-1], tall[1:, :-1], tall[:-1, 1:], tall[1:, 1:]]).max(axis=0)
    foliage = np.where((corners > 0) & (np.arange(100) >= 49), depth, 0.0)
    return replace(scene, top=replace(grid, heights_m=grid.heights_m + tall), foliage=foliage)


@pytest.fixture(scope="module")
def cloud(tmp_path_factory):
    """Return a cloud over bare ground, its figures and its scene."""
    path, scene = tmp_path_factory.mktemp("cloud") / "meadow.laz", small_scene(geoid=tilted_geoid())
    figures = write_cloud(path, MISSION, scene, LINES)
    return laspy.read(path), figures, scene, path


@pytest.fixture(scope="module")
def wood_cloud(tmp_path_factory):
    path, scene = tmp_path_factory.mktemp("cloud") / "wood.las", wooded(small_scene())
    mission = replace(MISSION, sensor=replace(MISSION.sensor, returns_per_pulse=4))
    write_cloud(path, mission, scene, LINES)
    return laspy.read(path), scene


def local(las, scene):
    return np.asarray(las.x) - scene.frame.origin_east_m, np.asarray(las.y) - scene.frame.origin_north_m


def test_header_says_what_the_file_is(cloud):
    las, figures, scene, path = cloud
    header = las.header
    assert (header.version, header.point_format.id) == ("1.4", 6)
    assert header.are_points_compressed
    assert header.scales == pytest.approx([0.001] * 3)
    assert (header.offsets == np.round(header.offsets)).all()
    assert header.creation_date == MISSION.date
    assert header.generating_software.startswith("swathwright")
    assert header.uuid.int == 0
    assert header.global_encoding.gps_time_type == laspy.header.GpsTimeType.WEEK_TIME
    assert header.parse_crs() == scene.frame.crs
    assert figures.points == header.point_count == len(las.points)
    assert figures.size_bytes == path.stat().st_size
    assert figures.pulses >= figures.points


def test_crs_is_in_the_version_of_wkt_that_las_asks_for(cloud):
    (record,) = cloud[0].header.vlrs.get("WktCoordinateSystemVlr")
    assert cloud[0].header.global_encoding.wkt
    assert record.string.startswith("PROJCS[")


def test_a_crs_that_the_old_wkt_cannot_say_is_written_in_the_new(tmp_path):
    crs = pyproj.CRS(6247)  # a projection of its own: Colombia Urban
    write_cloud(tmp_path / "a.las", MISSION, replace(small_scene(), frame=Frame(crs)), ())
    assert laspy.read(tmp_path / "a.las").header.parse_crs() == crs


@pytest.mark.parametrize(
    ("heights", "geoid", "said"),
    [
        ("orthometric", True, "geoid tilted plane"),
        ("orthometric", False, "which is not known"),
        ("ellipsoidal", False, "above the ellipsoid"),
    ],
)
def test_text_record_says_what_heights_and_intensities_are(tmp_path, heights, geoid, said):
    write_cloud(tmp_path / "a.las", MISSION, small_scene(heights, tilted_geoid() if geoid else None), ())
    header = laspy.read(tmp_path / "a.las").header
    text = next(vlr for vlr in header.vlrs if vlr.record_id == 3).record_data_bytes().decode()
    assert text.endswith("\0")
    for words in (f"Heights are {heights}", said, "not a survey", "no radiometric claim"):
        assert words in text


def test_points_lie_on_the_ground_to_the_step_of_the_file(cloud):
    las, _, scene, _ = cloud
    east, north = local(las, scene)
    assert (np.asarray(las.classification) == GROUND).all()
    # Half a millimetre each way, on a plane that rises 0.1 and 0.05 a metre.
    assert np.abs(las.z - scene.ground.at(east, north)).max() <= 0.0005 * 1.15 + 1e-6


def test_counts_per_cell_are_those_of_the_forecast(cloud):
    las, figures, scene, _ = cloud
    legs = [leg_of(MISSION, scene, line) for line in LINES]
    cells = cells_on(scene.top, 40.0)
    reaches = [reach_within(MISSION.sensor, rating_of(MISSION, 2000.0), MISSION.conditions.visibility_km)] * 2
    tally = fire_legs(scene.layers, cells, legs, reaches)
    east, north = local(las, scene)
    rows = np.floor((cells.north_m - north) / cells.cell_m).astype(int)
    cols = np.floor((east - cells.west_m) / cells.cell_m).astype(int)
    counts = np.zeros((cells.rows, cells.cols), dtype=int)
    np.add.at(counts, (rows, cols), 1)
    expected = tally.aggregate[..., RETURNS]
    assert figures.pulses == tally.fired
    assert counts.sum() == expected.sum()
    # Half a scan line is 0.15 m of a cell of 40 m: less than 1 % of the points are that near to its edges.
    assert np.abs(counts - expected).sum() < 0.01 * expected.sum()


def test_times_lines_angles_and_intensities(cloud):
    las, _, _, _ = cloud
    source, time = np.asarray(las.point_source_id), np.asarray(las.gps_time)
    assert sorted(set(source)) == [1, 2]
    assert (np.diff(time) > 0).all()
    assert time.min() >= 0
    assert time[source == 2].min() - time[source == 1].max() == pytest.approx(BETWEEN_LINES_S, abs=0.1)
    assert np.ptp(time[source == 1]) == pytest.approx(LINES[0].kept_length_m / LINES[0].speed_mps, abs=0.1)
    angle = np.asarray(las.scan_angle) * 0.006
    for number, line in enumerate(LINES, start=1):
        widest = np.abs(angle[source == number]).max()
        assert widest == pytest.approx(np.degrees(line.usable_half_angle_rad), abs=2.5)  # with the aircraft's roll
    # Straight below, the range is the height of the line above the point, and the ground leans by 6.4 degrees.
    line, below = LINES[0], (source == 1) & (np.abs(angle) < 1)
    height = np.interp(line.kept_m[0] + line.speed_mps * time[below], line.along_m(), line.points_m[:, 2])
    signal = relative_intensity(height - las.z[below], 1 / np.hypot(1, np.hypot(0.1, 0.05)))
    assert below.sum() > 100
    assert np.asarray(las.intensity)[below] == pytest.approx(signal, rel=0.02)
    assert 0 < np.asarray(las.intensity).min() <= np.asarray(las.intensity).max() < 65535


def test_returns_and_classes_in_a_wood(wood_cloud):
    las, scene = wood_cloud
    number, count, kind = (np.asarray(las[name]) for name in ("return_number", "number_of_returns", "classification"))
    assert number.min() == 1
    assert (number <= count).all()
    assert 1 < count.max() <= 4
    assert las.header.number_of_points_by_return[:4].tolist() == [int((number == n).sum()) for n in range(1, 5)]
    same = np.diff(np.asarray(las.gps_time)) == 0
    assert same.any()
    assert (np.diff(number.astype(int))[same] == 1).all()
    assert set(kind) == {GROUND, CROWN, OTHER}
    east, north = local(las, scene)
    off = las.z - scene.ground.at(east, north)
    assert np.abs(off[kind == GROUND]).max() < 0.3  # the tolerance within which a top surface is ground
    assert np.median(np.abs(off[kind == GROUND])) < 0.001
    assert (off[kind == CROWN] > -0.001).all()
    assert off[kind == CROWN].max() <= 9.001
    assert (number[kind == GROUND] == count[kind == GROUND]).all()


def test_same_input_same_bytes(cloud, tmp_path):
    _, _, scene, path = cloud
    write_cloud(tmp_path / "again.laz", MISSION, scene, LINES)
    assert (tmp_path / "again.laz").read_bytes() == path.read_bytes()
    assert str(tmp_path).encode() not in path.read_bytes()


def test_las_and_laz_hold_the_same_points(cloud, tmp_path):
    las, figures, scene, _ = cloud
    plain = write_cloud(tmp_path / "a.las", MISSION, scene, LINES)
    assert plain.points == figures.points
    assert plain.size_bytes > 30 * plain.points
    assert np.array_equal(laspy.read(tmp_path / "a.las").points.array, las.points.array)


# --- refusals ------------------------------------------------------------------------------------------------------


def test_other_suffixes_are_refused(tmp_path):
    with pytest.raises(InputError, match=r"E18 .*a\.txt: a point cloud cannot be written as `\.txt`\n.*\.las, \.laz"):
        check_cloud(tmp_path / "a.txt", replace=True)


def test_a_missing_package_is_named_with_the_way_to_install_it(tmp_path, monkeypatch):
    monkeypatch.setattr(pointcloud, "find_spec", lambda name: None)
    with pytest.raises(InputError, match=r"(?s)E18 .*laspy, lazrs.*pip install 'swathwright\[las\]'"):
        check_cloud(tmp_path / "a.laz", replace=True)


def test_what_exists_is_kept_unless_it_may_be_replaced(tmp_path):
    path, scene = tmp_path / "a.las", small_scene()
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match=r"(?s)E44 .*a\.las: the file exists.*--replace"):
        write_cloud(path, MISSION, scene, ())
    assert path.read_text(encoding="utf-8") == "mine"
    write_cloud(path, MISSION, scene, (), replace=True)
    assert laspy.read(path).header.point_count == 0
    with pytest.raises(InputError, match=r"E44 .*there is a folder of this name"):
        check_cloud(folder(tmp_path / "b.laz"), replace=True)
    with pytest.raises(InputError, match=r"E44 .*nowhere: the folder to write to does not exist"):
        check_cloud(tmp_path / "nowhere" / "a.laz", replace=True)


def folder(path):
    path.mkdir()
    return path


def test_a_cloud_that_fails_leaves_nothing(tmp_path):
    def stop(what, done, total):
        raise KeyboardInterrupt(what)

    with pytest.raises(KeyboardInterrupt, match="writing points of L01"):
        write_cloud(tmp_path / "a.laz", MISSION, small_scene(), LINES, progress=stop)
    assert list(tmp_path.iterdir()) == []


# --- the command ---------------------------------------------------------------------------------------------------


@pytest.fixture
def call(monkeypatch, capsys):
    """Run a command in this process and return exit code, standard output and standard error."""

    def run(*words):
        monkeypatch.setattr(sys, "argv", ["swathwright", *map(str, words)])
        with pytest.raises(SystemExit) as left:
            cli.main()
        captured = capsys.readouterr()
        return int(left.value.code or 0), captured.out, captured.err

    return run


def write_drawn_line(path, height_m):
    """Write one short northward line over the meadow, at a height above ground."""
    ends = np.column_stack(FRAME.to_lonlat([-60.0, -60.0], [-6.0, 6.0])).tolist()
    said = {"height_reference": "agl", "speed_mps": 12}
    line = {"type": "LineString", "coordinates": [[*end, height_m] for end in ends]}
    feature = {"type": "Feature", "properties": said, "geometry": line}
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}), encoding="utf-8")
    return path


def test_simulate_writes_the_points_of_a_plan(tmp_path, call):
    write_area(tmp_path, box_deg(6.0, 6.0))
    write_raster(tmp_path)
    mission = write_mission(
        tmp_path, site={"buffer_m": None}, requirement={"density_per_m2": 20}, flight={"agl_m": 50, "speed_mps": 12}
    )
    code, out, err = call("simulate", mission, tmp_path / "a.laz")
    assert (code, err) == (0, "")
    with laspy.open(tmp_path / "a.laz") as written:
        assert out.startswith(f"{written.header.point_count} points of ")
        assert written.header.point_count > 1000
    assert str(tmp_path / "a.laz") in out
    code, _, err = call("simulate", mission, tmp_path / "a.laz")
    assert code == 2
    assert "--replace" in err


def test_simulate_takes_drawn_lines_and_refuses_unsafe_ones(tmp_path, call):
    mission = write_site(tmp_path)
    high, low = (write_drawn_line(tmp_path / f"{h}.geojson", h) for h in (50, 12))
    code, out, _ = call("simulate", mission, tmp_path / "a.laz", "--lines", high)
    assert code == 0
    assert "points of" in out
    code, _, err = call("simulate", mission, tmp_path / "b.laz", "--lines", low)
    assert code == 4
    assert "E23" in err
    assert not (tmp_path / "b.laz").exists()


def test_simulate_says_ahead_how_large_a_large_cloud_will_be(tmp_path, call, monkeypatch):
    monkeypatch.setattr(cli, "MANY_POINTS", 1000)
    mission = write_site(tmp_path)
    line = write_drawn_line(tmp_path / "line.geojson", 50)
    code, out, err = call("simulate", mission, tmp_path / "a.las", "--lines", line)
    assert code == 0
    assert "million points" in err
    assert "Ctrl-C" in err
    assert "million" not in out
