from dataclasses import replace

import numpy as np
import pytest
import shapely
from flat_jobs import FRAME, HEXACOPTER, SENSOR, WING, a_mission, a_scene

from planner.flight.flightlines import Layout, Manner, fly_lines, lay_out, long_side_rad
from planner.flight.headings import Going, blocks_time_s, layout_time_s, lines_time_s, quickest_heading
from planner.flight.profile import Floor, highest_nearby
from planner.flight.settings import choose_flight
from planner.flight.sorties import flight_figures
from planner.flight.winds import Wind
from planner.mission import Conditions, FlightChoice

MANNER = Manner(8.0, 300e3, 100.0, np.radians(40), 40.0, 0.0, 0.5, 0.3, None)
CALM_HEX = Going(HEXACOPTER, MANNER)
WEST_WIND = Wind(5.0, np.radians(270))


def multi(geometry):
    return geometry if geometry.geom_type == "MultiPolygon" else shapely.MultiPolygon([geometry])


def rotated(geometry, degrees):
    return shapely.affinity.rotate(geometry, degrees, origin=(0, 0))


L_SHAPE = shapely.Polygon([(0, 0), (900, 0), (900, 150), (150, 150), (150, 700), (0, 700)])
U_SHAPE = shapely.Polygon([(0, 0), (700, 0), (700, 800), (550, 800), (550, 150), (150, 150), (150, 800), (0, 800)])
AREAS = {
    "square": shapely.box(0, 0, 600, 600),
    "long": rotated(shapely.box(0, 0, 1500, 200), 37),
    "triangle": shapely.Polygon([(0, 0), (1100, 100), (300, 900)]),
    "rhomb": rotated(shapely.Polygon([(0, -250), (800, 0), (0, 250), (-800, 0)]), 20),
    "ell": rotated(L_SHAPE, 12),
    "horseshoe": rotated(U_SHAPE, -28),
    "holed": shapely.box(0, 0, 900, 700).difference(shapely.box(200, 150, 700, 550)),
    "two parts": shapely.MultiPolygon([shapely.box(0, 0, 300, 250), shapely.box(700, 500, 1300, 650)]),
    "round": shapely.Point(0, 0).buffer(400),
    "bent": shapely.LineString([(0, 0), (700, 100), (1200, 600)]).buffer(110),
}


def layer(area, spacing_m=90.0):
    return lambda heading: lay_out(multi(area), multi(area), heading, spacing_m, (55.0, 50.0))


FAST_WING = Going(WING, replace(MANNER, speed_mps=15.0))
CASES = [(name, CALM_HEX) for name in AREAS]
CASES += [
    ("triangle", FAST_WING),
    ("ell", replace(CALM_HEX, wind=WEST_WIND)),
    ("holed", replace(CALM_HEX, wind=WEST_WIND)),
]


@pytest.mark.parametrize(("name", "going"), CASES)
def test_the_heading_found_is_within_2_percent_of_the_best_of_all_whole_degrees(name, going):
    area = AREAS[name]
    lay = layer(area)
    heading, time_s, long_s = quickest_heading(area, lay, going, long_side_rad(area))
    best = min(layout_time_s(lay(np.radians(degrees)), going) for degrees in range(180))
    assert time_s <= 1.02 * best
    assert time_s <= long_s
    assert time_s == pytest.approx(layout_time_s(lay(heading), going))


def test_calm_time_of_a_layout_is_that_of_its_lines_in_the_figures_of_a_flight():
    grid = a_scene().ground
    nearby = highest_nearby(grid, 30.0)
    floor = Floor(grid, nearby, nearby, 80.0, 30.0)
    layout = layer(rotated(AREAS["square"], 30))(0.4)
    lines = fly_lines(layout, floor, MANNER)
    figures = flight_figures(lines, HEXACOPTER, SENSOR, FRAME)["time_s"]["total"]
    assert layout_time_s(layout, CALM_HEX) == pytest.approx(figures)
    assert lines_time_s(lines, CALM_HEX) == pytest.approx(figures)


def test_rectangle_in_calm_air_by_hand():
    # C: 600 m across less 2 x 50 m of rims, 90 m apart at most: 7 lines of 1000 + 2 x 40 m at 8 m/s; each of the 6
    # turns brakes and speeds up, 2 x 8 / 1.5 s, and moves over 500 / 6 m from rest to rest, 83.33 / 8 + 8 / 1.5 s
    area = shapely.box(0, 0, 600, 1000)
    turn = 2 * 8 / 1.5 + 500 / 6 / 8 + 8 / 1.5
    assert layout_time_s(layer(area)(0.0), CALM_HEX) == pytest.approx(7 * 1080 / 8 + 6 * turn)


def test_wind_along_lines_costs_more_than_wind_across_where_airspeed_is_held():
    # with one airspeed both ways, the faster way goes at the speed asked: up-wind at 8 - 2 x 3 m/s
    area = shapely.box(-300, -300, 300, 300)
    held = Going(replace(HEXACOPTER, max_airspeed_mps=20), MANNER, Wind(3.0, 0.0), "air")
    along, across = (layout_time_s(layer(area)(heading), held) for heading in (0.0, np.pi / 2))
    assert along > 1.5 * across


def test_a_square_in_the_wind_is_flown_across_it():
    area = AREAS["square"]
    held = Going(replace(HEXACOPTER, max_airspeed_mps=20), MANNER, Wind(3.0, np.radians(0)), "air")
    heading, _, _ = quickest_heading(area, layer(area), held, 0.0)
    assert np.degrees(heading) == pytest.approx(90, abs=15)


def test_climbs_between_lines_that_outlast_turns_count():
    steep = replace(CALM_HEX, ground_m=lambda east, north: 2.0 * east + 0 * north)
    area = shapely.box(-300, -300, 300, 300)
    flat_s, steep_s = (layout_time_s(layer(area)(0.0), going) for going in (CALM_HEX, steep))
    # C: 7 lines, each 500 / 6 x 2 m higher than the last, climbed at 4 m/s, against a turn of 26.4 s
    turn = 2 * 8 / 1.5 + 500 / 6 / 8 + 8 / 1.5
    climb = 2 * 500 / 6 / 4
    assert steep_s - flat_s == pytest.approx(6 * (climb - turn))


def test_wind_that_beats_the_aircraft_leaves_no_time():
    area = AREAS["square"]
    gale = replace(CALM_HEX, wind=Wind(30.0, 0.0))
    heading, time_s, long_s = quickest_heading(area, layer(area), gale, 0.5)
    assert time_s == long_s == np.inf
    assert heading == pytest.approx(0.5)


def test_ties_fall_to_the_first_heading():
    area = AREAS["square"]
    for first in (0.0, np.pi / 2):
        heading, time_s, first_s = quickest_heading(area, layer(area), CALM_HEX, first)
        assert (heading, time_s) == (pytest.approx(first), first_s)


# its least rectangle lies along another side than the one that lines had better run along
SLANT = shapely.Polygon([(-275, -225), (275, -175), (-125, 225)])


def chosen(area, **changes):
    mission = replace(a_mission(density_per_m2=100, flight=FlightChoice(following="terrain", speed_mps=6.0)), **changes)
    return choose_flight(mission, a_scene(area=area), 1.0)


def test_a_plan_says_what_its_heading_saves_and_is_quicker_than_along_the_long_side():
    settings, lines = chosen(SLANT)
    along, long_lines = chosen(
        SLANT,
        flight=FlightChoice(following="terrain", speed_mps=6.0, heading_deg=float(np.degrees(long_side_rad(SLANT)))),
    )
    going = Going(HEXACOPTER, replace(MANNER, speed_mps=6.0))
    times = [lines_time_s(flown, going) for flown in (lines, long_lines)]
    saved = (times[1] - times[0]) / 60
    assert saved > 0.01 * times[1] / 60
    assert settings.bound_by["heading_deg"] == f"least flight time: {saved:.1f} min less than along the long side"
    assert settings.heading_deg % 180 != pytest.approx(along.heading_deg % 180, abs=1)
    assert np.degrees(lines[0].track_rad) % 180 == pytest.approx(settings.heading_deg % 180, abs=0.2)


def test_a_rectangle_keeps_its_long_side():
    settings, _ = chosen(shapely.box(-300, -100, 300, 100))
    assert settings.heading_deg % 180 == pytest.approx(90, abs=0.1)
    assert settings.bound_by["heading_deg"] == "long side of the flown area"


def test_a_held_heading_is_held():
    settings, _ = chosen(SLANT, flight=FlightChoice(following="terrain", heading_deg=17.0))
    assert settings.heading_deg == 17.0
    assert settings.bound_by["heading_deg"] == "held by the mission"


def test_wind_turns_a_plan():
    # a near square: head wind on every other line costs more than the few lines that the long side saves
    area = shapely.box(-210, -200, 210, 200)
    choice = FlightChoice(following="terrain", speed_mps=6.0, hold_speed="air")
    calm, _ = chosen(area, flight=choice)
    windy, _ = chosen(area, flight=choice, conditions=Conditions(wind_mps=4.0, wind_from_deg=calm.heading_deg))
    assert abs((windy.heading_deg - calm.heading_deg + 90) % 180 - 90) > 60


def block_at(east, north, tracks=2, long_m=400.0, heading=0.0):
    """Return tracks 90 m apart that start at a place."""
    across, along = (east, north) if heading == 0.0 else (-north, east)
    return Layout(
        heading, 90.0, across + 90.0 * np.arange(tracks), np.tile([along, along + long_m], (tracks, 1)).astype(float)
    )


@pytest.mark.parametrize("going", [CALM_HEX, FAST_WING, replace(FAST_WING, wind=WEST_WIND)])
def test_one_block_takes_the_time_of_its_layout(going):
    layout = block_at(0, 0, tracks=5)
    assert blocks_time_s([layout], going) == layout_time_s(layout, going)


def test_two_blocks_by_hand():
    # C: two tracks each, 400 m and two leads of 40 m long, so both blocks end where they began, at their south end:
    # from 90 m east the hexacopter goes on to the next block, 910 m over from rest to rest
    near, far = block_at(0, 0), block_at(1000, 0)
    turn, over = (2 * 8 / 1.5 + gap / 8 + 8 / 1.5 for gap in (90, 910))
    assert blocks_time_s([near, far], CALM_HEX) == pytest.approx(4 * 480 / 8 + 2 * turn + over)


def test_blocks_are_begun_at_the_corner_that_leads_on_soonest():
    # C: a block of three tracks ends opposite to where it began, so two of them in a row are flown right through: from
    # one to the next it is 600 m, less two leads of 40 m and 8^2 / 3 m to brake and to speed up
    south, north = block_at(0, 0, tracks=3), block_at(0, 1000, tracks=3)
    turn = 2 * 8 / 1.5 + 90 / 8 + 8 / 1.5
    over = 2 * 8 / 1.5 + (1000 - 400 - 2 * 40 - 2 * 8**2 / 3) / 8 + 8 / 1.5
    assert blocks_time_s([north, south], CALM_HEX) == pytest.approx(6 * 480 / 8 + 4 * turn + over)


@pytest.mark.parametrize("going", [CALM_HEX, FAST_WING, replace(FAST_WING, wind=WEST_WIND)])
def test_the_order_in_which_blocks_are_given_does_not_count(going):
    blocks = [block_at(0, 0), block_at(900, 200, 3), block_at(300, 800, 4, 700.0, np.pi / 2), block_at(-900, 100, 1)]
    times = [blocks_time_s([blocks[k] for k in order], going) for order in ((0, 1, 2, 3), (2, 0, 3, 1), (3, 2, 1, 0))]
    assert times == pytest.approx([times[0]] * 3)
    assert times[0] > sum(layout_time_s(block, going) for block in blocks)


def test_no_block_is_flown_against_a_wind_that_beats_the_aircraft():
    gale = replace(CALM_HEX, wind=Wind(30.0, 0.0))
    assert blocks_time_s([block_at(0, 0), block_at(900, 0)], gale) == np.inf
