"""A plan held against survey rules: what it is planned for, and how each article is judged at its limit.

Numbers of articles: Public Survey Work Rules 2025 (Geospatial Information Authority of Japan), Part 4 Ch. 4: R.
"""

import datetime as dt
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from flight.flat_jobs import SENSOR, a_mission, a_scene

from planner.errors import InfeasibleError
from planner.files.surveyrulefiles import load_survey_rules
from planner.flight.bounds import refuse_unflyable
from planner.flight.flat import reach
from planner.flight.flightlines import FlightLine
from planner.flight.swath import swath_width_m
from planner.forecast.footing import read_footing
from planner.forecast.sightlines import least_by_cell, sight_lines
from planner.ground.surface import CellGrid
from planner.mission import Limits, Site
from planner.ranging.attitude import straight_leg
from planner.ranging.beams import scan_pattern
from planner.ranging.looks import Faces, looks_of
from planner.survey.articles import article_cautions, articles_of, months_later
from planner.survey.checkareas import place_check_areas
from planner.survey.jobs import assess, make_plan
from planner.survey.tightening import NARROWEST_DEG, ruled_plan, steep_share, tightened, widest_half_angle_deg

RULES = load_survey_rules("gsi_uav_laser_2025", Path())
WIDE = replace(SENSOR, optical_fov_deg=120, usable_fov_deg=120)


def ruled(mission, rules=RULES, **requirement):
    """Return a mission held to the rules, as reading its file would leave it."""
    wanted = replace(mission.requirement, survey_rules="gsi_uav_laser_2025", sidelap_min=0.3, **requirement)
    site = Site(area="area.geojson", buffer_m=10)
    doubts = replace(mission.doubts, draws=0)
    return replace(
        mission, requirement=wanted, survey_rules=rules, site=site, doubts=doubts, sensor_tested_on=dt.date(2027, 1, 10)
    )


def told(job):
    """Return the articles of an assessed job by what they measure."""
    return {one.measure: one for one in job.survey_articles.articles}


def judged(job, **changes):
    """Return the articles of a job some of whose parts are others."""
    parts = [changes.get(name, getattr(job, name)) for name in ("mission", "scene", "plan", "forecast", "quality")]
    found = articles_of(*parts)
    return {one.measure: one for one in found.articles}


@pytest.fixture(scope="module")
def flat():
    mission = ruled(a_mission(sensor=WIDE, density_per_m2=20.0))
    scene = a_scene(area=shapely.box(-120, -100, 120, 100), buffer_m=10)
    return assess(mission, scene, make_plan(mission, scene))


def test_a_plan_over_flat_ground_satisfies_every_article_by_its_own_forecast(flat):
    found = told(flat)
    status = {name: one.status for name, one in found.items()}
    # nobody has stated the receiver's logging, and the inspection comes after the flight
    assert {name for name, one in status.items() if one == "declare"} == {"gnss_logging", "inspection"}
    assert {one for name, one in status.items() if name not in ("gnss_logging", "inspection")} == {"satisfied"}
    assert flat.survey_articles.planned_per_m2 == pytest.approx(20 * 1.1**2)
    assert flat.forecast.density.judged_per_m2 >= 24.2
    assert flat.forecast.density.target_per_m2 == 20
    assert flat.plan.settings.usable_half_angle_deg <= 45
    assert flat.plan.settings.sidelap >= 0.3 - 1e-9
    cautions = [one for one in flat.cautions if one.caution_id == "survey rules"]
    assert [one.status for one in cautions] == ["cannot tell"]
    assert "article 448 (frequencies not stated, rate not stated), 467 (" in cautions[0].text


def test_a_plan_on_a_slope_satisfies_the_same_articles(flat):
    # 12 deg, falling to the north-west
    scene = a_scene(lambda e, n: 0.15 * (e - n), shapely.box(-120, -100, 120, 100), 10)
    job = assess(flat.mission, scene, make_plan(flat.mission, scene))
    found = told(job)
    for measure in ("point_spacing", "incidence", "distance", "sidelap", "extent", "course", "check_areas"):
        assert found[measure].status == "satisfied", (measure, found[measure].found)


def test_rules_are_planned_for_and_the_requirement_stays_what_is_judged():
    mission = ruled(a_mission(sensor=WIDE, density_per_m2=4.0), theta=1.5)
    planned = tightened(mission)
    # spacing 0.5 m over theta 1.5: 0.3333 m, 9 points/m2 (C)
    assert planned.requirement.density_per_m2 == pytest.approx(9)
    assert (mission.requirement.density_per_m2, planned.sensor.usable_fov_deg) == (4, 90)
    assert tightened(mission, 30.0).sensor.usable_fov_deg == 60
    assert tightened(a_mission()) == a_mission()
    narrow = ruled(a_mission())  # 80 deg
    assert tightened(narrow).sensor == narrow.sensor


def test_the_range_planned_with_is_four_fifths_of_the_cards():
    mission, rating = ruled(a_mission()), SENSOR.ratings[0]
    assert rating.range_m == 150
    assert reach(mission, rating).longest_m(1.0) == pytest.approx(120)
    assert reach(a_mission(), rating).longest_m(1.0) == pytest.approx(150, rel=1e-6)


def test_a_range_too_short_by_the_rules_alone_is_refused_in_their_name():
    mission = a_mission(limits=Limits(clearance_m=125, ceiling_agl_m=160))
    refuse_unflyable(mission)  # 150 m straight below
    with pytest.raises(InfeasibleError, match=r"E21 .* 80 % being used as gsi_uav_laser_2025 asks"):
        refuse_unflyable(ruled(mission))


def test_half_an_opening_of_45_deg_at_50_m():
    # 30 % overlap, 45 deg, 50 m above ground: swath 100 m, lines 70 m apart, slant range 70.71 m (C)
    swath_m = float(swath_width_m(50.0, np.radians(45)))
    assert swath_m == pytest.approx(100)
    assert swath_m * (1 - RULES.least_sidelap) == pytest.approx(70)
    leg = straight_leg(
        np.array([[-40.0, 0, 50], [40.0, 0, 50]]), 5.0, scan_pattern(WIDE, 300e3, 100.0), (np.pi / 2, 0, 0)
    )
    middle = len(leg.origins_m) // 2
    east = leg.origins_m[middle, 0]
    faces = Faces(np.array([[east, 0, 0], [east, -50, 0], [east, 50, 0]]), np.array([[0, 0], [0, 0], [0, 0.5]]))
    seen = (np.arange(3, dtype=np.int32), np.full(3, middle, np.int32), np.ones(3, np.float32))
    sight = sight_lines(looks_of([seen], 3), faces, [leg])
    # the third face rises away from the line, at arctan 0.5
    assert sight.off_normal_deg == pytest.approx([0, 45, 45 - np.degrees(np.arctan(0.5))], abs=1e-6)
    assert sight.distance_m == pytest.approx([50, 70.71, 70.71], abs=5e-3)


def test_looks_that_bring_nothing_are_none():
    pattern = scan_pattern(WIDE, 300e3, 100.0)
    leg = straight_leg(np.array([[0.0, 0, 50], [40.0, 0, 50]]), 5.0, pattern)
    faces = Faces(np.zeros((2, 3)), np.zeros((2, 2)))
    seen = (np.arange(2, dtype=np.int32), np.zeros(2, np.int32), np.array([0.4, 3], np.float32))
    sight = sight_lines(looks_of([seen], 2), faces, [leg])
    assert sight.cell.tolist() == [1]
    assert np.isnan(least_by_cell(sight, sight.distance_m, 2)).tolist() == [True, False]
    none = sight_lines(looks_of([], 2), faces, [])
    assert np.isnan(least_by_cell(none, none.distance_m, 2)).all()


@pytest.mark.parametrize(
    ("day", "months", "later"),
    [
        ("2027-01-10", 6, "2027-07-10"),
        ("2026-08-31", 6, "2027-02-28"),
        ("2027-08-31", 6, "2028-02-29"),
        ("2026-12-01", 1, "2027-01-01"),
        ("2026-07-15", 6, "2027-01-15"),
    ],
)
def test_months_are_those_of_the_calendar(day, months, later):
    assert months_later(dt.date.fromisoformat(day), months).isoformat() == later


@pytest.mark.parametrize(
    ("tested", "status"),
    [
        ("2026-10-12", "satisfied"),  # six months before 2027-04-12, to the day
        ("2026-10-11", "not satisfied"),
        ("2027-04-12", "satisfied"),
        ("2027-04-13", "declare"),
        (None, "declare"),
    ],
)
def test_449_the_sensors_test_is_six_months_old_at_most(flat, tested, status):
    day = None if tested is None else dt.date.fromisoformat(tested)
    assert flat.mission.date == dt.date(2027, 4, 12)
    assert judged(flat, mission=replace(flat.mission, sensor_tested_on=day))["test_age"].status == status


@pytest.mark.parametrize(
    ("rate_hz", "frequencies", "status"),
    [
        (1, 2, "satisfied"),
        (0.99, 2, "not satisfied"),
        (10, 1, "not satisfied"),
        (None, 1, "not satisfied"),
        (None, 2, "declare"),
        (5, None, "declare"),
    ],
)
def test_448_satellites_are_logged_once_a_second_on_two_frequencies(flat, rate_hz, frequencies, status):
    card = replace(flat.mission.navigation, gnss_rate_hz=rate_hz, gnss_frequencies=frequencies)
    assert judged(flat, mission=replace(flat.mission, navigation=card))["gnss_logging"].status == status


def test_451_spacing_is_that_planned_for_and_both_are_told(flat):
    for found, status in ((24.2, "satisfied"), (24.19, "not satisfied")):
        density = replace(flat.forecast.density, judged_per_m2=found)
        one = judged(flat, forecast=replace(flat.forecast, density=density))["point_spacing"]
        assert one.status == status
        # 1/sqrt(24.2) and 1/sqrt(20) (C)
        assert one.asked == "0.2033 m (24.2 per m2): 0.2236 m (20 per m2) asked for, theta 1.1"
        assert one.note.endswith("the 20 per m2 asked for, which is kept")


def with_value(job, measure, value):
    """Return a job's mission whose rules have another limit."""
    rules = [replace(rule, value=value) if rule.measure == measure else rule for rule in RULES.rules]
    return replace(job.mission, survey_rules=replace(RULES, rules=tuple(rules)))


def test_451_beams_meet_all_but_a_twentieth_of_the_cells_steeply(flat):
    seen = flat.forecast.seen
    sight = sight_lines(seen.looks, seen.faces, seen.legs)
    steepest = 90 - least_by_cell(sight, sight.off_normal_deg, flat.forecast.judged.size)[flat.forecast.judged.ravel()]
    limit = float(np.percentile(steepest, 5))
    assert limit > 45
    for value, status in ((limit - 0.2, "satisfied"), (limit + 0.2, "not satisfied")):
        assert judged(flat, mission=with_value(flat, "incidence", value))["incidence"].status == status


def test_451_distances_are_a_share_of_the_cards_range(flat):
    seen = flat.forecast.seen
    sight = sight_lines(seen.looks, seen.faces, seen.legs)
    nearest = least_by_cell(sight, sight.distance_m, flat.forecast.judged.size)[flat.forecast.judged.ravel()]
    share = 100 * float(np.percentile(nearest, 95)) / 150
    assert share < 80
    for value, status in ((share + 0.2, "satisfied"), (share - 0.2, "not satisfied")):
        assert judged(flat, mission=with_value(flat, "distance", value))["distance"].status == status
    one = judged(flat, mission=with_value(flat, "distance", share + 0.2))["distance"]
    assert "of returns come from farther, up to" in one.found


@pytest.mark.parametrize(("pct", "status"), [(30.0, "satisfied"), (29.9, "not satisfied"), (None, "declare")])
def test_451_neighbours_share_three_tenths_of_their_swaths(flat, pct, status):
    clauses = tuple(
        replace(one, forecast_value=pct) if one.clause == "sidelap" else one for one in flat.quality.acceptance
    )
    assert judged(flat, quality=replace(flat.quality, acceptance=clauses))["sidelap"].status == status


def test_453_the_strip_beyond_the_boundary_is_seen(flat):
    cells, area = flat.forecast.cells, flat.scene.area
    strip = cells.inside(area.buffer(10)) & ~cells.inside(area)
    at = np.flatnonzero(strip)
    for share, status in ((0.04, "satisfied"), (0.06, "not satisfied")):
        passes = flat.forecast.passes.copy()
        passes.flat[at[: int(share * len(at))]] = 0
        assert judged(flat, forecast=replace(flat.forecast, passes=passes))["extent"].status == status
    # half a swath will do where it is less than 10 m: own reading
    narrow = [replace(one, swath_m=12.0) for one in flat.plan.figures]
    found = judged(flat, plan=replace(flat.plan, figures=tuple(narrow)))["extent"]
    assert found.asked == "6.0 m beyond the area: the less of 10 m and 50 % of a swath"


def moved(line, **shift):
    points = line.points_m.copy()
    middle = len(points) // 2
    points[middle] += np.array([shift.get("aside", 0.0) * np.cos(line.track_rad), 0, 0])
    points[:, 2] += shift.get("rise", 0.0) * np.linspace(-1, 1, len(points))
    return replace(line, points_m=points)


@pytest.mark.parametrize(
    ("shift", "status"),
    [
        ({}, "satisfied"),
        ({"aside": 0.9}, "satisfied"),
        ({"aside": 1.2}, "not satisfied"),
        ({"rise": 4.0}, "satisfied"),  # of 60 m or more, within a tenth
        ({"rise": 30.0}, "not satisfied"),
    ],
)
def test_458_courses_are_straight_and_keep_one_height(flat, shift, status):
    north = FlightLine(
        "L01", np.array([[0.0, n, 60] for n in range(-100, 101, 10)]), (0.0, 200.0), 5.0, 1e5, 100.0, 0.7
    )
    plan = replace(flat.plan, lines=(moved(north, **shift),) * len(flat.plan.lines))
    one = judged(flat, plan=plan)["course"]
    assert one.status == status


def test_464_two_places_lie_in_every_overlap_half_way_between_its_courses_at_both_ends(flat):
    areas = flat.survey_articles.check_areas
    lines = {line.line_id: line for line in flat.plan.lines}
    assert areas.overlaps
    assert not areas.lacking
    assert len(areas.areas) == 2 * len(areas.overlaps)
    for pair in areas.overlaps:
        one, other = (area for area in areas.areas if area.courses == pair)
        # five of the required spacings, 1/sqrt(20) m each (C)
        assert one.side_m == pytest.approx(5 * 20**-0.5)
        track = lines[pair[0]].track_rad
        apart = np.array([other.east_m - one.east_m, other.north_m - one.north_m])
        assert abs(apart @ [np.sin(track), np.cos(track)]) > 150
        for area in (one, other):
            off = [
                shapely.LineString(lines[name].points_m[:, :2]).distance(shapely.Point(area.east_m, area.north_m))
                for name in pair
            ]
            assert abs(off[0] - off[1]) < 4 * flat.forecast.cells.cell_m


def test_464_ground_without_open_places_is_told(flat):
    cause = np.where(flat.forecast.judged, np.uint8(11), flat.forecast.cause)
    one = judged(flat, forecast=replace(flat.forecast, cause=cause))["check_areas"]
    assert one.status == "not satisfied"
    assert "too few on open, gentle ground between" in one.found


def test_467_a_twentieth_of_the_area_is_left_to_inspect(flat):
    area_m2 = flat.forecast.coverage.area_m2
    one = told(flat)["inspection"]
    assert (one.status, one.found) == ("declare", f"{0.05 * area_m2:.0f} m2 of {area_m2:.0f} m2 to inspect")


def test_what_is_not_satisfied_is_a_caution_with_its_article(flat):
    parts = flat.mission, flat.scene, flat.plan, flat.forecast, flat.quality
    mission = replace(flat.mission, sensor_tested_on=dt.date(2026, 1, 1))
    over, untold = article_cautions(articles_of(mission, *parts[1:]))
    assert (over.caution_id, over.status, untold.status) == ("survey rules", "over", "cannot tell")
    assert over.text.startswith("Article 449 of gsi_uav_laser_2025: asked tested at most 6 months before 2027-04-12;")
    assert over.citation.endswith("art. 449")
    assert list(article_cautions(articles_of(replace(mission, survey_rules=None), *parts[1:]))) == []


def a_line(name, east, back=False):
    north = np.array([-60.0, 60.0])[:: -1 if back else 1]
    return FlightLine(name, np.column_stack([[east, east], north, [50, 50]]), (0.0, 120.0), 5.0, 1e5, 100.0, 0.7)


def overlaps_of(lines, seen):
    """Return which courses overlap where each sees the columns of cells given, of ten by twenty."""
    cells = CellGrid(20, 10, -20.0, 40.0, 2, 4.0)
    scene = a_scene()
    east, north = np.meshgrid(*cells.centres_m())
    centres = np.column_stack([east.ravel(), north.ravel(), np.zeros(east.size)])
    flat = np.arange(200, dtype=np.int32).reshape(20, 10)
    legs = []
    for columns in seen:
        mine = np.sort(flat[:, list(columns)].ravel())
        legs.append((mine, np.zeros(len(mine), np.int32), np.ones(len(mine), np.float32)))
    forecast = SimpleNamespace(
        judged=np.ones((20, 10), bool),
        cause=np.zeros((20, 10), np.uint8),
        cells=cells,
        seen=SimpleNamespace(looks=looks_of(legs, 200), faces=Faces(centres, np.zeros((200, 2)))),
    )
    footing = read_footing(cells, replace(scene, ground=scene.ground).layers)
    footing = replace(
        footing, clear=np.ones((20, 10), bool), slope_deg=np.zeros((20, 10)), break_m=np.full((20, 10), np.inf)
    )
    return place_check_areas(lines, forecast, footing, 2, 2.0)


def test_only_neighbours_are_compared():
    every = range(10)
    three = [a_line("L01", -12), a_line("L02", 0, back=True), a_line("L03", 12)]
    assert overlaps_of(three, [every] * 3).overlaps == (("L01", "L02"), ("L02", "L03"))
    # one that is flown again is no neighbour of its own, nor a second one of others
    again = [*three, a_line("X01", 0)]
    assert overlaps_of(again, [every] * 4).overlaps == (("L01", "L02"), ("L02", "L03"))
    # what lies between only elsewhere parts nobody
    short = overlaps_of(three, [every, [4], every])
    assert ("L01", "L03") in short.overlaps
    assert overlaps_of(three[:1], [every]) == overlaps_of([], [])


def test_courses_that_share_nothing_or_cross_are_not_compared():
    apart = overlaps_of([a_line("L01", -12), a_line("L02", 12)], [range(5), range(5, 10)])
    assert apart.overlaps == ()
    across = replace(a_line("X01", 0), points_m=np.array([[-60.0, 0, 50], [60.0, 0, 50]]))
    assert overlaps_of([a_line("L01", 0), across], [range(10)] * 2).overlaps == ()


def test_a_shared_strip_too_narrow_for_an_area_lacks_them():
    pair = [a_line("L01", -12), a_line("L02", 12)]
    assert overlaps_of(pair, [range(6), range(5, 10)]).lacking == ()
    wide = overlaps_of(pair, [range(8), range(3, 10)])
    assert len(wide.areas) == 2
    assert {area.north_m for area in wide.areas} == {-38.0, 38.0}


def lines_over(slope, azimuth_rad, half_deg, agl_m=50.0):
    """Return northward lines 70 % of a flat swath apart, at one height over a plane, and faces of that."""
    fall = np.tan(np.radians(slope)) * np.array([np.sin(azimuth_rad), np.cos(azimuth_rad)])
    spacing = 0.7 * 2 * agl_m * np.tan(np.radians(half_deg))
    north = np.linspace(-200, 200, 81)
    lines = []
    for east in spacing * np.arange(-4, 5):
        up = east * fall[0] + north * fall[1] + agl_m
        points = np.column_stack([np.full(81, east), north, up])
        lines.append(FlightLine("L", points, (0.0, 400.0), 5.0, 1e5, 100.0, np.radians(half_deg)))
    spots = np.stack(np.meshgrid(np.linspace(-spacing, spacing, 81), [0.0, 7.0]), axis=-1).reshape(-1, 2)
    faces = Faces(np.column_stack([spots, spots @ fall]), np.tile(fall, (len(spots), 1)))
    return lines, faces


def laid_over(job, slope, tried):
    """Return what lays lines 70 % of a flat swath apart over a southward slope, with the opening that it is let."""

    def lay(mission, scene):
        half_deg = mission.sensor.usable_fov_deg / 2
        tried.append((half_deg, scene.planned.area))
        settings = replace(job.plan.settings, usable_half_angle_deg=half_deg, bound_by={})
        return replace(job.plan, lines=tuple(lines_over(slope, 0.0, half_deg)[0]), settings=settings)

    return lay


def test_openings_are_narrowed_where_the_ground_is_too_steep_for_the_widest(flat):
    # half way between these lines beams are arctan 0.7 off the vertical, and where the ground falls along the lines
    # by s their cosine to its normal is cos s / sqrt(1.49): 45 deg at a slope of 30.3 (C)
    for slope, half_deg in ((20, 45), (29, 45), (33, 22), (44, 45)):
        rise = float(np.tan(np.radians(slope)))
        scene = a_scene(lambda _, north, rise=rise: rise * north, shapely.box(-60, -60, 60, 60), 10)
        tried = []
        plan = ruled_plan(flat.mission, scene, 2.0, laid_over(flat, slope, tried))
        assert plan.settings.usable_half_angle_deg == pytest.approx(half_deg, abs=0.01), slope
        said = plan.settings.bound_by.get("usable_half_angle_deg")
        assert said == "beams at 45 deg or more to the ground (gsi_uav_laser_2025)"
    assert [half for half, _ in tried] == [45]  # nothing wide enough helps ground so steep


@pytest.mark.parametrize(("slope", "narrowed"), [(0, False), (8, False), (15, False), (26, True), (34, True)])
def test_between_lines_every_aspect_of_a_slope_is_seen_steeply_with_the_opening_returned(slope, narrowed):
    half_deg = widest_half_angle_deg(45.0, slope, 0.3)
    assert NARROWEST_DEG < half_deg <= 45
    assert (half_deg < 45) == narrowed
    aspects = np.radians(np.arange(0, 360, 15))
    assert min(steep_share(*lines_over(slope, aspect, half_deg), 45.0) for aspect in aspects) == 1
    if narrowed:
        assert min(steep_share(*lines_over(slope, aspect, half_deg + 2), 45.0) for aspect in aspects) < 1


def test_no_opening_helps_ground_as_steep_as_the_limit():
    assert widest_half_angle_deg(45.0, 45.0, 0.3) == pytest.approx(0, abs=0.3)
    assert widest_half_angle_deg(45.0, 0.0, 0.3) == 45
