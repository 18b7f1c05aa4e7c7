"""Whole plans held against rules of the air: facts are those of the paths flown."""

import json

import numpy as np
import pytest
import shapely
from made_site import FRAME, write_site
from made_sorties import START, made_sorties

from planner.files.geofiles import read_scene
from planner.files.missionfile import read_mission
from planner.flight.flightlines import FlightLine
from planner.survey.airrules import flight_facts, rules_of

TAKE_OFF = (-60.0, -50.0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("airrules")


def job(folder, **changes):
    lon, lat = (float(value) for value in FRAME.to_lonlat(*TAKE_OFF))
    aircraft = {"card": "hexacopter", "take_off": [[lon, lat]]}
    mission = read_mission(write_site(folder, **({"aircraft": aircraft} | changes)))
    return mission, read_scene(mission)


def line(up_m=560.0, speed=8.0):
    points = np.array([[-60.0, 0.0, up_m], [60.0, 0.0, up_m]])
    return FlightLine("L01", points, (10.0, 110.0), speed, 3e5, 100.0, 0.5)


def sorties_over(scene, *lines):
    place = np.array([*TAKE_OFF, float(scene.ground.at(*TAKE_OFF))])
    return made_sorties(lines, place, scene.frame)


def write(folder, file, named, ring_or_point, **properties):
    shape = shapely.Point(ring_or_point) if len(ring_or_point) == 2 else shapely.box(*ring_or_point)
    lonlat = shapely.transform(shape, lambda xy: np.column_stack(FRAME.to_lonlat(*xy.T)))
    feature = {
        "type": "Feature",
        "geometry": shapely.geometry.mapping(lonlat),
        "properties": {"name": named, **properties},
    }
    text = json.dumps({"type": "FeatureCollection", "features": [feature]})
    (folder / file).write_text(text, encoding="utf-8")


def test_facts_are_those_of_the_paths(folder):
    mission, scene = job(folder, conditions={"start": START.isoformat(), "visibility_km": 12})
    sorties = sorties_over(scene, line(), line(570.0))
    facts = flight_facts(mission, scene, (), sorties)
    many = len(facts.places_m)
    for each in (
        facts.lonlat_deg,
        facts.leg,
        facts.agl_m,
        facts.to_ground_m,
        facts.speed_mps,
        facts.seen,
        facts.ortho_m,
    ):
        assert len(each) == many
    # made_sorties flies 5 m/s; up and down it makes no way
    assert facts.speed_mps.max() == pytest.approx(5.0)
    assert facts.speed_mps[facts.leg == facts.legs.index("climb of sortie 1")].max() == 0
    assert facts.seconds_s.sum() == pytest.approx(sum(sortie.path.duration_s for sortie in sorties))
    assert facts.agl_m == pytest.approx(facts.places_m[:, 2] - scene.ground.at(*facts.places_m[:, :2].T))
    assert (facts.to_ground_m <= np.maximum(facts.agl_m, 0) + 1e-6).all()
    assert facts.sorties[0, 0] == np.datetime64("2027-04-12T09:30")
    assert facts.sorties[1, 1] - facts.sorties[1, 0] == np.timedelta64(round(sorties[1].path.duration_s), "s")
    assert facts.visibility_m == 12_000
    assert facts.air is None  # nobody states a pressure


def test_lines_without_sorties_leave_pilot_and_clock_unknown(folder):
    mission, scene = job(folder)
    facts = flight_facts(mission, scene, (line(),), ())
    assert facts.legs == ("line L01",)
    assert facts.speed_mps == pytest.approx(8.0)
    assert (facts.pilot_m, facts.seen, facts.seconds_s, facts.sorties) == (None, None, None, None)
    assert facts.visibility_m is None  # the default of the mission is not a statement
    assert flight_facts(mission, scene, (), ()) is None


def test_a_stated_pressure_is_that_of_the_ground(folder):
    mission, scene = job(folder, conditions={"pressure_hpa": 955.0})
    facts = flight_facts(mission, scene, (line(),), ())
    assert facts.air.pressure_hpa == 955
    assert facts.air.ortho_m == pytest.approx(500, abs=8)


def test_what_the_user_draws_is_held_against_the_flight(folder):
    write(folder, "people.geojson", "walkers", (0.0, 20.0), radius_m=2)
    zone = {"floor": "SFC", "ceiling": "2000 ft AMSL", "date": "2027-04-01"}
    write(folder, "airspace.geojson", "controlled", (0, -40, 50, 40), kind="controlled", **zone)
    rules = {"profile": "eu_open_a2", "airspace": "airspace.geojson", "people": "people.geojson"}
    mission, scene = job(folder, conditions={"start": START.isoformat(), "visibility_km": 12}, rules=rules)
    sorties = sorties_over(scene, line())
    results, cautions = rules_of(mission, scene, (), sorties)
    found = {one.rule_id: one for one in results}
    assert (found["eu.a2.people"].status, found["eu.a2.people"].measured) == ("over", pytest.approx(18, abs=0.5))
    assert found["eu.a2.over_people"].status == "within"
    # 2000 ft is 609.6 m, the flight at 560 m is under it: 50 m on the line, 50 m east on the slanted way back (C).
    metres = 50 + 50 * np.hypot(1, 50 / 120)
    assert (found["eu.zones"].status, found["eu.zones"].measured) == ("over", pytest.approx(metres, abs=2))
    assert found["eu.height"].status == "within"
    assert found["eu.night"].status == "within"
    assert cautions[0].caution_id == "rules profile"
    assert len(cautions) == len(results) + 1


def test_terrain_in_ellipsoidal_heights_without_a_geoid_tells_nothing_of_sea_level(folder):
    terrain = {"heights": "ellipsoidal", "geoid": None}
    mission, scene = job(folder, terrain=terrain)
    assert flight_facts(mission, scene, (line(),), ()).ortho_m is None
