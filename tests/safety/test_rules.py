"""Profiles of rules held against flights: values of the texts, how each measure stands, and what is never said."""

import dataclasses
import datetime as dt
import re
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from made_facts import DATE, GROUND_M, flight, measure, profile, rule

from planner.files.cards import bundled
from planner.files.rulefiles import load_profile
from planner.ground.obstacles import Obstacle
from planner.ground.surroundings import AirspaceVolume, GroundPlace, Level
from planner.safety.rules import MEASURES, measure_rules, profile_cautions, rule_cautions

PROFILES = {name: load_profile(name, Path()) for name in bundled("rules")}
FULL = {
    "visibility_m": 10_000.0,
    "cloud_base_m": GROUND_M + 900.0,
    "cloud_beside_m": 5000.0,
    "seconds_s": np.full(401, 0.125),
    "pilot_m": np.full(401, 150.0),
    "seen": np.ones(401, dtype=np.int8),
    "sight_limit_m": 400.0,
    "sorties": np.array([["2027-04-12T09:00", "2027-04-12T09:20"]], dtype="datetime64[s]"),
    "mass_kg": 5.2,
    "aircraft_class": "C3",
    "airspace": (),
    "people": (),
    "built_up": (),
    "ortho_m": np.full(401, GROUND_M + 100.0),
}
KNOT = 1852 / 3600


def found(name, rule_id):
    return next(one for one in PROFILES[name].rules if one.rule_id == rule_id)


def result(name, rule_id, facts):
    return next(one for one in measure_rules(PROFILES[name], facts) if one.rule_id == rule_id)


# Units are exact by definition: foot 0.3048 m, statute mile 1609.344 m, nautical mile 1852 m, pound 0.45359237 kg (R:
# NIST SP 811, B.8). Marks of the rules are those of how the texts were read.
@pytest.mark.parametrize(
    ("name", "rule_id", "limit", "unit"),
    [
        ("us_part107", "us.speed", 44.704, "m/s"),  # 14 CFR 107.51(a), 100 mph, R2
        ("us_part107", "us.height", 121.92, "m"),  # 107.51(b), 400 ft, R2
        ("us_part107", "us.visibility", 4828.032, "m"),  # 107.51(c), 3 statute miles, R2
        ("us_part107", "us.cloud_above", 152.4, "m"),  # 107.51(d), 500 ft, R2
        ("us_part107", "us.cloud_beside", 609.6, "m"),  # 107.51(d), 2000 ft, R2
        ("us_part107", "us.mass", 24.947580, "kg"),  # 107.3, 55 lb, R2
        ("us_part107", "us.twilight", 4828.032, "m"),  # 107.29, light seen from 3 statute miles, R
        ("us_part107", "us.night", 4828.032, "m"),
        ("eu_open_a1", "eu.mass", 25.0, "kg"),  # (EU) 2019/947 article 4, R
        ("eu_open_a1", "eu.height", 120.0, "m"),  # UAS.OPEN.010(2), R
        ("eu_open_a1", "eu.a1.class", 0.250, "kg"),  # UAS.OPEN.020, R
        ("eu_open_a1", "eu.a1.mass_c0", 0.250, "kg"),  # (EU) 2019/945, M
        ("eu_open_a1", "eu.a1.mass_c1", 0.900, "kg"),  # (EU) 2019/945, M
        ("eu_open_a1", "eu.a1.speed", 19.0, "m/s"),  # (EU) 2019/945, M
        ("eu_open_a2", "eu.a2.mass_c2", 4.0, "kg"),  # (EU) 2019/945, M
        ("eu_open_a2", "eu.a2.people", 30.0, "m"),  # UAS.OPEN.030, R
        ("eu_open_a3", "eu.a3.built_up", 150.0, "m"),  # UAS.OPEN.040, R
        ("eu_open_a3", "eu.a3.class", 25.0, "kg"),  # UAS.OPEN.040, R
        ("uk_open", "uk.height", 120.0, "m"),  # CAP 722, R2
        ("uk_open", "uk.people", 50.0, "m"),  # CAP 722, R2
        ("uk_open", "uk.built_up", 150.0, "m"),  # CAP 722, R2
        ("canada_basic", "ca.height", 121.92, "m"),  # CAR 901.25, M
        ("canada_basic", "ca.bystanders", 30.48, "m"),  # CAR 901.26, 100 ft, R2
        ("canada_basic", "ca.airport", 5556.0, "m"),  # former CAR 901.73, 3 NM, R2
        ("canada_basic", "ca.heliport", 1852.0, "m"),  # former CAR 901.73, 1 NM, R2
        ("canada_advanced", "ca.height", 121.92, "m"),
        ("australia", "au.height", 120.0, "m"),  # CASR part 101, R2
        ("australia", "au.people", 30.0, "m"),  # Manual of Standards, R2
        ("australia", "au.aerodrome", 5500.0, "m"),  # CASR part 101, R2
        ("new_zealand", "nz.height", 120.0, "m"),  # CAR part 101, R2
        ("new_zealand", "nz.aerodrome", 4000.0, "m"),  # CAR part 101, R2
        ("new_zealand", "nz.mass", 25.0, "kg"),  # CAR part 101, R2
    ],
)
def test_limits_are_those_of_the_texts(name, rule_id, limit, unit):
    one = found(name, rule_id)
    assert one.limit == pytest.approx(limit, rel=1e-7)
    assert result(name, rule_id, flight(aircraft_class=None)).unit.startswith(unit) or one.measure == "daylight"


def test_other_values_of_the_texts():
    us, eu, canada = (
        found("us_part107", "us.height"),
        found("eu_open_a3", "eu.height"),
        found("canada_basic", "ca.height"),
    )
    # 14 CFR 107.51(b)(1)-(2), R2: 400 ft round a structure and 400 ft above its uppermost limit
    assert (us.si(us.tall_within), us.si(us.tall_above), us.tall_from) == pytest.approx((121.92, 121.92, 0))
    # UAS.OPEN.010(3), R: taller than 105 m, 50 m horizontally, 15 m above, at the owner's request
    assert (eu.tall_within, eu.tall_above, eu.tall_from, eu.tall_asks_owner) == (50, 15, 105, True)
    # CAR 901.25, M: 200 ft horizontally, 100 ft above
    assert (canada.si(canada.tall_within), canada.si(canada.tall_above)) == pytest.approx((60.96, 30.48))
    assert found("eu_open_a2", "eu.a2.people").slow_value == 5  # UAS.OPEN.030, R
    # 14 CFR 107.51(a), R2: the text gives 87 kn and 100 mph, which differ by 0.05 m/s; the lower is held
    assert found("us_part107", "us.speed").limit < 87 * KNOT == pytest.approx(44.757, abs=5e-4)
    night = found("us_part107", "us.night")
    assert (night.window, night.window_minutes) == ("sunrise", 30)  # 14 CFR 107.29, R
    assert found("eu_open_a2", "eu.night").window == "civil_twilight"  # article 2, M
    assert found("new_zealand", "nz.day").window == "civil_twilight"  # sun 6 deg below the horizon, R2


@pytest.mark.parametrize("name", PROFILES)
def test_every_rule_has_its_measure_its_citation_and_its_date(name):
    one = PROFILES[name]
    assert one.name == name
    assert one.read_on <= DATE
    for single in one.rules:
        assert single.measure in MEASURES
        assert len(single.citation) > 4
    for single in measure_rules(one, flight(**FULL)):
        assert single.date_read == one.read_on
        assert single.citation
        assert single.applies
        assert single.mark in ("R", "R2", "M", "own")


CLAIMS = re.compile(r"\b(clear|cleared|safe|safely|legal|legally|lawful|allowed|permitted|approved|compliant)\b")


@pytest.mark.parametrize("name", PROFILES)
@pytest.mark.parametrize("known", ["nothing", "all", "conflicts"])
def test_nothing_is_ever_promised(name, known):
    people = (GroundPlace("path", shapely.Point(50, 0), 2.0),)
    zone = AirspaceVolume("Zone", "controlled", shapely.box(0, -9, 9, 9), Level("sfc"), Level("unl"), DATE)
    conflicts = {
        "people": people,
        "built_up": people,
        "airspace": (zone,),
        "mass_kg": 400.0,
        "agl_m": np.full(401, 900.0),
    }
    facts = flight(**{"nothing": {}, "all": FULL, "conflicts": FULL | conflicts}[known])
    results = measure_rules(PROFILES[name], facts)
    cautions = [*rule_cautions(results), *profile_cautions(PROFILES[name], DATE)]
    assert len(cautions) == len(results) + 1
    for caution in cautions:
        assert not CLAIMS.search(caution.text.lower().replace("no legal advice", ""))
        assert caution.status in ("within", "over", "cannot tell", "note")


@pytest.mark.parametrize("name", PROFILES)
def test_what_is_not_given_cannot_be_told(name):
    # Only heights and speed are known: whatever else a rule asks for is missing, and says so.
    for one in measure_rules(PROFILES[name], flight()):
        measured_here = found(name, one.rule_id).measure in (
            "height_above_ground",
            "distance_to_surface",
            "ground_speed",
        )
        assert one.status == ("within" if measured_here else "cannot tell"), one.text
        if not measured_here:
            assert re.search(r"Cannot tell: no \w+", one.text)
            assert one.measured is None


def test_what_is_given_and_far_is_no_conflict_with_the_data_given():
    results = measure_rules(PROFILES["neutral"], flight(**FULL))
    assert {one.status for one in results} == {"within"}
    for rule_id in ("people", "built_up", "aerodrome", "airspace"):
        assert "No conflict with the data given" in result("neutral", rule_id, flight(**FULL)).text


def test_the_neutral_profile_is_no_laxer_than_any_country():
    # Of measures that hold a value for everybody; class labels and slow flight are matters of one country.
    strict = {one.measure: one for one in PROFILES["neutral"].rules}
    for name in set(PROFILES) - {"neutral"}:
        for one in PROFILES[name].rules:
            held = strict.get(one.measure)
            if held is None or one.limit is None or one.for_classes or one.measure == "daylight":
                continue
            if one.bound == "least":
                assert held.limit >= one.limit, one.rule_id
            else:
                assert held.limit <= one.limit, one.rule_id


def test_europe_measures_to_the_closest_ground_and_others_straight_down():
    # On a slope s, height z above ground is z cos(s) from it: 120 m is reached at 138.56 m over 30 deg (C).
    reached = 120 / np.cos(np.radians(30))
    assert reached == pytest.approx(138.56, abs=5e-3)
    for agl, europe in ((reached - 0.02, "within"), (reached + 0.02, "over")):
        facts = flight(agl, slope_deg=30)
        assert result("eu_open_a3", "eu.height", facts).status == europe
        assert result("us_part107", "us.height", facts).status == "over"
        assert result("neutral", "height", facts).status == "over"
    assert result("eu_open_a3", "eu.height", flight(reached, slope_deg=30)).measured == pytest.approx(120)


@pytest.mark.parametrize(("agl", "status"), [(121.92, "within"), (121.93, "over")])
def test_four_hundred_feet(agl, status):
    assert result("us_part107", "us.height", flight(agl)).status == status


def chimney(top_agl_m, east=200.0, north=0.0, **changes):
    return Obstacle("chimney", "point", shapely.Point(east, north), GROUND_M, GROUND_M + top_agl_m, **changes)


@pytest.mark.parametrize(
    ("agl", "north", "changes", "status"),
    [
        (170.0, 0.0, {}, "over"),  # the line is 400 m long, its ends 200 m from the chimney
        (121.0, 0.0, {}, "within"),
        (160.0, 121.9, {}, "over"),
    ],
)
def test_the_exception_is_held_at_every_place(agl, north, changes, status):
    assert (
        result("us_part107", "us.height", flight(agl, structures=(chimney(50, north=north, **changes),))).status
        == status
    )


@pytest.mark.parametrize(
    ("agl", "north", "changes", "status"),
    [
        (171.9, 0.0, {}, "within"),  # 50 m and 400 ft above it: 171.92 m
        (172.0, 0.0, {}, "over"),
        (171.9, 121.9, {}, "within"),  # 400 ft away: 121.92 m
        (171.9, 122.0, {}, "over"),
        (171.9, 130.0, {"radius_m": 10.0}, "within"),  # its wall is nearer than its middle
        (171.9, 121.0, {"horizontal_sd_m": 1.0}, "over"),  # it may stand 2 m farther off
        (171.9, 0.0, {"vertical_sd_m": 1.0}, "over"),  # it may be 2 m lower
    ],
)
def test_beside_a_structure_400_feet_count_from_its_top(agl, north, changes, status):
    # 14 CFR 107.51(b)(1)-(2), R2; one place only, right beside it
    facts = flight(agl, length_m=0, structures=(chimney(50, east=0.0, north=north, **changes),))
    assert result("us_part107", "us.height", facts).status == status


@pytest.mark.parametrize(
    ("top", "agl", "north", "asked", "status"),
    [
        (110.0, 124.9, 49.9, False, "cannot tell"),  # UAS.OPEN.010(3), R
        (110.0, 124.9, 49.9, True, "within"),
        (110.0, 125.1, 49.9, True, "over"),
        (110.0, 124.9, 50.1, True, "over"),
        (105.0, 120.1, 0.0, True, "over"),  # taller than 105 m, not as tall
    ],
)
def test_beside_a_tall_obstacle_the_owner_must_ask(top, agl, north, asked, status):
    facts = flight(agl, length_m=0, structures=(chimney(top, east=0.0, north=north),), owner_request=asked)
    one = result("eu_open_a3", "eu.height", facts)
    assert one.status == status
    assert ("without the owner's request" in one.text) == (status == "cannot tell")
    if status != "over":
        assert "UAS.OPEN.010(3)" in one.text


@settings(deadline=None, max_examples=60)
@given(st.floats(1, 400), st.floats(0, 200), st.floats(0, 45))
def test_flying_higher_never_mends_a_height(agl, more, slope):
    for name, rule_id in (("us_part107", "us.height"), ("eu_open_a2", "eu.height")):
        low, high = (
            result(name, rule_id, flight(z, 20.0, slope, structures=(chimney(60, east=10.0),)))
            for z in (agl, agl + more)
        )
        assert not (low.status == "over" and high.status == "within")
        assert high.measured >= low.measured


def test_unknown_ground_is_not_low_ground():
    agl = np.full(401, 100.0)
    agl[7] = np.nan
    one = result("us_part107", "us.height", flight(agl))
    assert one.status == "cannot tell"
    assert "under 1 of 401 places" in one.text
    agl[30] = 130.0
    assert result("us_part107", "us.height", flight(agl)).status == "over"


def test_a_finding_says_where():
    agl = np.full(401, 100.0)
    agl[250] = 140.0
    facts = flight(agl)
    one = result("australia", "au.height", facts)
    assert (one.status, one.measured, one.limit) == ("over", 140.0, 120.0)
    lon, lat = facts.lonlat_deg[250]
    assert one.where == f"line L01, lon {lon:.6f} lat {lat:.6f}"


@pytest.mark.parametrize(("speed", "status"), [(44.70, "within"), (44.72, "over"), (np.nan, "cannot tell")])
def test_speed_over_ground(speed, status):
    assert result("us_part107", "us.speed", flight(speed_mps=np.full(401, speed))).status == status


def test_a_speed_partly_unknown_is_not_told_to_be_held():
    speeds = np.full(401, 8.0)
    speeds[3] = np.nan
    assert result("us_part107", "us.speed", flight(speed_mps=speeds)).status == "cannot tell"
    speeds[4] = 60.0
    assert result("us_part107", "us.speed", flight(speed_mps=speeds)).status == "over"


@pytest.mark.parametrize(
    ("rule_id", "facts", "status"),
    [
        ("us.visibility", {"visibility_m": 4829.0}, "within"),
        ("us.visibility", {"visibility_m": 4827.0}, "over"),
        ("us.cloud_above", {"cloud_base_m": GROUND_M + 100 + 152.5}, "within"),
        ("us.cloud_above", {"cloud_base_m": GROUND_M + 100 + 152.3}, "over"),
        ("us.cloud_beside", {"cloud_beside_m": 610.0}, "within"),
        ("us.cloud_beside", {"cloud_beside_m": 609.0}, "over"),
        ("us.mass", {"mass_kg": 24.94}, "within"),
        ("us.mass", {"mass_kg": 55 * 0.45359237}, "over"),  # less than 55 lb, not as much
    ],
)
def test_air_and_mass(rule_id, facts, status):
    assert result("us_part107", rule_id, flight(**facts)).status == status


def test_rules_of_a_class_are_for_that_class():
    ids = {one.rule_id for one in measure_rules(PROFILES["eu_open_a1"], flight(aircraft_class="C1", mass_kg=0.8))}
    assert {"eu.a1.mass_c1", "eu.a1.speed"} < ids
    assert "eu.a1.mass_c0" not in ids
    # heavy for a C0, but nobody says that it is one
    one = result("eu_open_a1", "eu.a1.mass_c0", flight(mass_kg=0.8))
    assert (one.status, "no class of the aircraft given" in one.text) == ("cannot tell", True)


@pytest.mark.parametrize(
    ("name", "label", "mass_kg", "status"),
    [
        ("eu_open_a1", "C1", 0.8, "within"),
        ("eu_open_a1", "none", 0.249, "within"),
        ("eu_open_a1", "none", 0.250, "over"),
        ("eu_open_a1", "C2", 3.0, "over"),
        ("eu_open_a1", None, 3.0, "cannot tell"),
        ("eu_open_a1", "none", None, "cannot tell"),
        ("eu_open_a2", "C2", None, "within"),
        ("eu_open_a2", "C3", None, "over"),
        ("eu_open_a2", None, None, "cannot tell"),
        ("eu_open_a3", "none", 24.9, "within"),
        ("eu_open_a3", "none", 25.0, "over"),
    ],
)
def test_class_or_mass(name, label, mass_kg, status):
    rule_id = f"eu.{name[-2:]}.class"
    assert result(name, rule_id, flight(aircraft_class=label, mass_kg=mass_kg)).status == status


@pytest.mark.parametrize(
    ("changes", "status", "share"),
    [
        ({}, "within", 0.0),
        ({"sight_limit_m": None}, "cannot tell", None),
        ({"sight_limit_m": 100.0}, "over", 100.0),
        ({"seen": np.repeat([1, 0], [301, 100]).astype(np.int8)}, "over", 100 * 100 / 401),
        ({"seen": np.repeat([1, -1], [301, 100]).astype(np.int8)}, "cannot tell", None),
    ],
)
def test_sight(changes, status, share):
    one = result("us_part107", "us.sight", flight(**(FULL | changes)))
    assert one.status == status
    assert one.measured == (None if share is None else pytest.approx(share))


def path(name="path", north=0.0, radius=0.0):
    return GroundPlace(name, shapely.Point(200, north), radius)


@pytest.mark.parametrize(
    ("people", "slow", "status"),
    [
        ((path(north=30.1),), False, "within"),
        ((path(north=29.9),), False, "over"),
        ((path(north=32.0, radius=2.1),), False, "over"),
        ((path(north=5.1),), True, "within"),  # UAS.OPEN.030, R: 5 m in low-speed mode
        ((path(north=4.9),), True, "over"),
        ((path(north=500), path("bench", north=10)), False, "over"),
        ((), False, "within"),
    ],
)
def test_distance_to_people(people, slow, status):
    one = result("eu_open_a2", "eu.a2.people", flight(people=people, low_speed_mode=slow))
    assert one.status == status
    if one.status == "over":
        assert people[-1].name in one.text
    assert one.limit == (5.0 if slow else 30.0)


def test_metres_over_people_and_populous_areas():
    yard = GroundPlace("yard", shapely.box(100, -20, 150, 20))
    one = result("us_part107", "us.people", flight(people=(yard,)))
    assert (one.status, one.measured) == ("over", pytest.approx(50, abs=1.01))
    assert "passes over yard" in one.text
    assert one.where.startswith("line L01, lon")
    beside = GroundPlace("yard", shapely.box(100, 1, 150, 20))
    assert result("us_part107", "us.people", flight(people=(beside,))).status == "within"
    assert result("australia", "au.populous", flight(built_up=(yard,))).status == "over"
    assert result("eu_open_a3", "eu.a3.built_up", flight(built_up=(beside,))).measured == pytest.approx(1)


@settings(deadline=None, max_examples=60)
@given(st.floats(0, 400), st.floats(0, 200))
def test_people_farther_away_never_make_it_worse(north, more):
    near, far = (
        result("uk_open", "uk.people", flight(length_m=20, people=(path(north=n),))) for n in (north, north + more)
    )
    assert far.measured >= near.measured
    assert not (near.status == "within" and far.status == "over")


def zone(name="Zone", kind="controlled", shape=None, floor=None, ceiling=None, dated=DATE):
    shape = shapely.box(100, -50, 200, 50) if shape is None else shape
    return AirspaceVolume(name, kind, shape, floor or Level("sfc"), ceiling or Level("unl"), dated)


def test_airspace_entered_is_told_with_metres_and_place():
    one = result("us_part107", "us.airspace", flight(airspace=(zone(), zone("Far", shape=shapely.box(0, 90, 9, 99)))))
    assert (one.status, one.measured) == ("over", pytest.approx(100, abs=1.01))
    assert "Zone (controlled, the surface to no upper end)" in one.text
    assert "Far" not in one.text


def test_a_permission_that_is_stated_is_told_as_not_checked():
    one = result("us_part107", "us.airspace", flight(airspace=(zone(),), permissions=("Zone",)))
    assert one.status == "within"
    assert "states a permission for Zone, which was not checked" in one.text


def test_old_airspace_is_told_to_be_old():
    # Aeronautical data change every 28 days (M: ICAO Annex 15).
    fresh, old = (DATE - dt.timedelta(days=days) for days in (28, 29))
    assert "look again" not in result("us_part107", "us.airspace", flight(airspace=(zone(dated=fresh),))).text
    told = result("us_part107", "us.airspace", flight(airspace=(zone(dated=old),))).text
    assert f"Data of {old}, 29 days before the flight" in told


def test_kinds_of_airspace_are_kept_apart():
    danger, restricted = zone(kind="danger"), zone(kind="flight_restriction_zone")
    assert result("uk_open", "uk.restriction_zone", flight(airspace=(danger,))).status == "within"
    assert result("uk_open", "uk.airspace", flight(airspace=(danger,))).status == "over"
    assert result("uk_open", "uk.restriction_zone", flight(airspace=(restricted,))).status == "over"
    assert result("uk_open", "uk.airspace", flight(airspace=(restricted,))).status == "within"


@pytest.mark.parametrize(
    ("name", "rule_id", "kind", "km"),
    [
        ("australia", "au.aerodrome", "aerodrome", 5.5),
        ("new_zealand", "nz.aerodrome", "aerodrome", 4.0),
        ("canada_basic", "ca.airport", "aerodrome", 5.556),
        ("canada_basic", "ca.heliport", "heliport", 1.852),
    ],
)
def test_distance_to_aerodromes(name, rule_id, kind, km):
    for away, status in ((km * 1000 + 1, "within"), (km * 1000 - 1, "over")):
        field = zone("Field", kind, shapely.Point(400 + away, 0))
        assert result(name, rule_id, flight(airspace=(field,))).status == status
    other = zone("Field", "danger", shapely.Point(400, 0).buffer(5))
    one = result(name, rule_id, flight(airspace=(other,)))
    assert (one.status, one.measured) == ("within", None)


def test_a_permission_for_an_aerodrome_lets_it_out():
    field = zone("Field", "aerodrome", shapely.Point(900, 0))
    assert result("new_zealand", "nz.aerodrome", flight(airspace=(field,), permissions=("Field",))).status == "within"


def at(*hours):
    return np.array([[f"2027-04-12T{a}", f"2027-04-12T{b}"] for a, b in hours], dtype="datetime64[s]")


# At 9.3 E 47.2 N on 2027-04-12 the sun rises at 04:38 and sets at 18:07 UTC; civil twilight 04:08 to 18:37 (C, by NREL
# SPA to a minute; checked in test_daylight).
@pytest.mark.parametrize(
    ("name", "rule_id", "sorties", "light_m", "status"),
    [
        ("us_part107", "us.twilight", at(("05:00", "06:00")), None, "within"),
        ("us_part107", "us.twilight", at(("18:00", "18:20")), None, "cannot tell"),
        ("us_part107", "us.twilight", at(("18:00", "18:20")), 5000.0, "within"),
        ("us_part107", "us.twilight", at(("18:00", "18:20")), 4000.0, "over"),
        ("us_part107", "us.night", at(("18:00", "18:20")), None, "within"),
        ("us_part107", "us.night", at(("18:30", "18:50")), 0.0, "over"),
        ("eu_open_a3", "eu.night", at(("18:00", "18:20")), None, "within"),
        ("eu_open_a3", "eu.night", at(("18:40", "18:50")), 0.0, "over"),
        ("eu_open_a3", "eu.night", at(("18:40", "18:50")), 10.0, "within"),
        ("australia", "au.day", at(("18:40", "18:50")), 5000.0, "over"),  # no light opens the night
        ("neutral", "day", at(("18:00", "18:20")), 5000.0, "over"),
        ("neutral", "day", at(("05:00", "06:00"), ("18:00", "18:20")), None, "over"),
        ("neutral", "day", None, None, "cannot tell"),
    ],
)
def test_light(name, rule_id, sorties, light_m, status):
    one = result(name, rule_id, flight(sorties=sorties, anti_collision_light_m=light_m))
    assert one.status == status
    if sorties is not None and len(sorties) > 1:
        assert one.where == "sortie 2"
        assert one.measured == pytest.approx(13, abs=1.5)


def test_a_profile_older_than_a_year_is_told():
    one = PROFILES["us_part107"]
    assert [caution.caution_id for caution in profile_cautions(one, one.read_on + dt.timedelta(days=365))] == [
        "rules profile"
    ]
    about, old = profile_cautions(one, one.read_on + dt.timedelta(days=366))
    assert "no legal advice" in about.text
    assert (old.caution_id, old.status, old.measured, old.read_on) == ("rules age", "cannot tell", 366.0, one.read_on)


def test_cautions_come_worst_first_and_carry_their_source():
    facts = flight(130.0, mass_kg=3.0)
    cautions = rule_cautions(measure_rules(PROFILES["us_part107"], facts))
    order = [caution.status for caution in cautions]
    assert order == sorted(order, key=["over", "cannot tell", "within"].index)
    first = cautions[0]
    assert (first.caution_id, first.measured, first.limit) == ("us.height", 130.0, pytest.approx(121.92))
    assert first.citation == "14 CFR 107.51(b) (read in a second source that quotes the text)"
    assert first.read_on == PROFILES["us_part107"].read_on
    assert first.where.startswith("line L01")


def test_a_value_without_a_bound_is_refused():
    with pytest.raises(ValueError, match="value without bound: nothing can be compared"):
        rule("mass", value=3.0, unit="kg")
    with pytest.raises(ValueError, match="two rules are called x"):
        profile(rule("crew_shows"), rule("crew_shows"))


def test_most_may_be_reached_and_under_may_not():
    facts = flight(mass_kg=25.0)
    assert measure(rule("mass", bound="most", value=25.0, unit="kg"), facts).status == "within"
    assert measure(rule("mass", bound="under", value=25.0, unit="kg"), facts).status == "over"


def test_facts_are_plain_and_frozen():
    with pytest.raises(dataclasses.FrozenInstanceError, match="mass_kg"):
        flight().mass_kg = 3.0
