"""Airspace from files: kinds, floors, ceilings and dates, and what is refused."""

import datetime as dt
import json

import geopandas
import numpy as np
import pytest
import shapely
from made_site import FRAME, UTM

from planner.errors import InputError
from planner.files.airspacefiles import read_airspace
from planner.ground.surroundings import Level

DAY = dt.date(2027, 3, 18)
USUAL = {"kind": "controlled", "floor": "SFC", "ceiling": "2500 ft AMSL", "date": "2027-03-18"}


def position(east, north):
    lon, lat = FRAME.to_lonlat(east, north)
    return [float(lon), float(lat)]


def box(name="Zone", west=0, south=0, east=500, north=300, **properties):
    ring = shapely.get_coordinates(shapely.box(west, south, east, north))
    polygon = {"type": "Polygon", "coordinates": [[position(*corner) for corner in ring]]}
    return {"type": "Feature", "geometry": polygon, "properties": {"name": name} | USUAL | properties}


def point(name="Field", **properties):
    place = {"type": "Point", "coordinates": position(40, 50)}
    return {"type": "Feature", "geometry": place, "properties": {"name": name, "date": "2027-03-18"} | properties}


def read(folder, *features, dated=None):
    text = json.dumps({"type": "FeatureCollection", "features": list(features)})
    (folder / "airspace.geojson").write_text(text, encoding="utf-8")
    return read_airspace(folder / "airspace.geojson", FRAME, dated)


def refused(folder, *features):
    with pytest.raises(InputError, match=r"airspace\.geojson") as caught:
        read(folder, *features)
    assert all(fault.fix for fault in caught.value.faults)
    return caught.value.faults


def test_a_volume_as_drawn(tmp_path):
    [one] = read(tmp_path, box())
    assert (one.name, one.kind, one.dated, one.floor) == ("Zone", "controlled", DAY, Level("sfc"))
    assert one.outline.area == pytest.approx(150_000, rel=1e-6)


# A foot is 0.3048 m by definition.
@pytest.mark.parametrize(
    ("stated", "level"),
    [
        ({"ceiling": "2500 ft AMSL"}, Level("amsl", 762.0)),
        ({"ceiling": "2500FT MSL"}, Level("amsl", 762.0)),
        ({"ceiling": "120 m agl"}, Level("agl", 120.0)),
        ({"ceiling": "400 ft ASFC"}, Level("agl", 121.92)),
        ({"ceiling": "FL 65"}, Level("fl", 65.0)),
        ({"ceiling": "FL065"}, Level("fl", 65.0)),
        ({"ceiling": "UNL"}, Level("unl")),
        ({"ceiling": 2500, "ceiling_unit": "ft", "ceiling_reference": "amsl"}, Level("amsl", 762.0)),
        ({"ceiling": 91.5, "ceiling_unit": "m", "ceiling_reference": "AGL"}, Level("agl", 91.5)),
        ({"ceiling": 65, "ceiling_reference": "fl"}, Level("fl", 65.0)),
        ({"ceiling": None, "ceiling_reference": "unl"}, Level("unl")),
        ({"ceiling": 0, "ceiling_reference": "unl"}, Level("unl")),
    ],
)
def test_levels_say_what_they_are_above(tmp_path, stated, level):
    [one] = read(tmp_path, box(**stated))
    assert one.ceiling.reference == level.reference
    assert one.ceiling.value == pytest.approx(level.value)


@pytest.mark.parametrize("floor", ["SFC", "gnd", "100 ft AGL", "-20 m AMSL"])
def test_floors(tmp_path, floor):
    [one] = read(tmp_path, box(floor=floor))
    assert one.floor.reference == {"SFC": "sfc", "gnd": "sfc"}.get(floor, floor[-4:].strip().lower())


@pytest.mark.parametrize(
    ("stated", "code", "what", "fix"),
    [
        ({"ceiling": 2500}, "E40", 'its ceiling is "2500", which does not say', "ceiling_reference"),
        ({"ceiling": "2500 ft"}, "E40", 'its ceiling is "2500 ft"', "2500 ft AMSL"),
        ({"ceiling": "2500", "ceiling_reference": "amsl"}, "E40", 'its ceiling is "2500 amsl"', "ceiling_unit"),
        ({"ceiling": "2500 fathoms AMSL"}, "E40", "does not say in which unit", "2500 ft AMSL"),
        ({"ceiling": "2500 ft QNH"}, "E40", "does not say", "2500 ft AMSL"),
        ({"ceiling": "high"}, "E40", 'its ceiling is "high"', "UNL"),
        ({"ceiling": None}, "E40", "it has no ceiling", "FL 65"),
        ({"floor": None}, "E40", "it has no floor", "SFC"),
        ({"ceiling": "FL 900"}, "E33", "its ceiling is FL 900", "correct ceiling"),
        ({"ceiling": "-5 m AGL"}, "E33", "its ceiling is -5 m AGL", "correct ceiling"),
        ({"floor": "3000 ft AMSL"}, "E34", "ceiling 762 m AMSL is not above its floor 914 m AMSL", "correct one"),
        ({"floor": "UNL"}, "E34", "is not above its floor no upper end", "correct one"),
        ({"ceiling": "SFC"}, "E34", "its ceiling the surface is not above", "correct one"),
        ({"kind": "control"}, "E18", 'its kind is "control", which is none known', "did you mean controlled?"),
        ({"kind": "zzz"}, "E18", "none known", "give one of controlled, aerodrome"),
        ({"kind": None}, "E18", "it has no kind", "give one of controlled"),
        ({"date": None}, "E18", "it has no date: nothing says how old it is", "rules.airspace_date"),
        ({"date": "spring"}, "E18", 'its date is "spring"', "such as 2027-03-18"),
    ],
)
def test_what_cannot_be_trusted_is_refused(tmp_path, stated, code, what, fix):
    [fault] = refused(tmp_path, box(**stated))
    assert fault.code == code
    assert fault.what.startswith("Zone: ")
    assert what in fault.what
    assert fix in fault.fix
    assert fault.where == "airspace.geojson, feature 1"


def test_all_faults_of_a_file_come_at_once(tmp_path):
    faults = refused(tmp_path, box(ceiling=900), box("Fine"), box("Other", kind="zzz"))
    assert [fault.code for fault in faults] == ["E40", "E18"]


def test_a_day_for_all_of_them(tmp_path):
    both = [box("new", date="2027-04-01"), box("old", date=None)]
    assert [one.dated for one in read(tmp_path, *both, dated=DAY)] == [dt.date(2027, 4, 1), DAY]


def test_aerodromes_may_be_points_without_levels(tmp_path):
    [one] = read(tmp_path, point(kind="aerodrome"))
    assert (one.floor, one.ceiling) == (Level("sfc"), Level("unl"))
    assert shapely.get_coordinates(one.outline)[0] == pytest.approx([40, 50], abs=1e-3)
    [fault] = refused(tmp_path, point(kind="restricted", floor="SFC", ceiling="UNL"))
    assert (fault.code, "a Point cannot be used here" in fault.what) == ("E02", True)
    [fault] = refused(tmp_path, point(kind="heliport", floor="SFC"))
    assert (fault.code, "it has no ceiling" in fault.what) == ("E40", True)


def test_an_outline_that_crosses_itself_is_refused(tmp_path):
    bow = [position(*corner) for corner in ((0, 0), (100, 100), (100, 0), (0, 100), (0, 0))]
    crossed = box() | {"geometry": {"type": "Polygon", "coordinates": [bow]}}
    [fault] = refused(tmp_path, crossed)
    assert fault.code == "E01"
    assert "self-intersection" in fault.what


def test_other_formats_and_frames(tmp_path):
    # A Shapefile keeps ten letters of a field's name and needs its CRS; here feet and metres come as numbers.
    lon, lat = (np.array(axis) for axis in zip(*(position(*xy) for xy in ((0, 0), (90, 0), (90, 60))), strict=True))
    shape = shapely.Polygon(np.column_stack([lon, lat]))
    rows = {
        "name": ["Zone"],
        "kind": ["danger"],
        "date": ["2027-03-18"],
        "floor": [100],
        "floor_unit": ["m"],
        "floor_reference": ["agl"],
        "ceiling": [3000],
        "ceiling_unit": ["ft"],
        "ceiling_reference": ["amsl"],
    }
    table = geopandas.GeoDataFrame(rows, geometry=[shape], crs=4326).to_crs(UTM)
    table.to_file(tmp_path / "zones.gpkg")
    short = table.rename(columns={name: name[:10] for name in rows})
    short.to_file(tmp_path / "zones.shp")
    for name in ("zones.gpkg", "zones.shp"):
        [one] = read_airspace(tmp_path / name, FRAME)
        assert (one.kind, one.dated) == ("danger", DAY)
        assert one.floor == Level("agl", 100.0)
        assert (one.ceiling.reference, one.ceiling.value) == ("amsl", pytest.approx(914.4))
        assert one.outline.area == pytest.approx(2700, rel=1e-5)


def test_a_file_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"E45 .*none.geojson: no such file"):
        read_airspace(tmp_path / "none.geojson", FRAME)
