"""Aircraft cards: what they hold, what a silent one means, and what they refuse."""

from dataclasses import fields
from pathlib import Path

import pytest
from pydantic import ValidationError

from planner.aircraft import Aircraft
from planner.errors import InputError
from planner.files.cards import DATA, bundled, load_aircraft

HERE = Path()
GOOD = {
    "name": "mine",
    "min_speed_mps": 2,
    "max_speed_mps": 10,
    "climb_mps": 4,
    "descent_mps": 2.5,
    "endurance_s": 1500,
}


def test_every_bundled_card_shows_every_key_it_can():
    only = {"hover_power_w": "multirotor", "min_airspeed_mps": "fixed_wing", "glide_ratio": "fixed_wing"}
    for name in bundled("aircraft"):
        text = (DATA / "aircraft" / f"{name}.toml").read_text(encoding="utf-8")
        kind = load_aircraft(name, HERE).kind
        for field in fields(Aircraft):
            if only.get(field.name, kind) == kind:
                assert f"\n{field.name} = " in text, (name, field.name)


def test_bundled_cards_are_within_what_is_usual():
    # common practice, no source
    for name in bundled("aircraft"):
        card = load_aircraft(name, HERE)
        assert 0.2 <= card.battery_reserve_share <= 0.3
        assert 180 <= card.swap_s <= 480
        assert 3600 <= card.charge_s <= 5400
        assert card.airspeeds_mps[1] > card.max_speed_mps


def test_a_silent_card_flies_through_the_air_as_over_the_ground():
    silent = Aircraft(**GOOD)
    assert silent.airspeeds_mps == (0, 10)
    assert silent.ferry_mps == 10
    assert Aircraft(**GOOD | {"kind": "fixed_wing"}).airspeeds_mps == (2, 10)
    assert silent.hover_weight == 1
    assert silent.batteries is None


def test_price_of_climbing_worked_by_hand():
    # C: 10 kg x 9.80665 m/s2 = 98.07 J/m; half of it lost: 196.1 J/m; at 980.665 W that is 0.2 s of level flight
    card = Aircraft(**GOOD, mass_kg=10, power_w=980.665, hover_power_w=1078.7315)
    assert card.climb_cost_s_per_m == pytest.approx(0.2)
    assert card.hover_weight == pytest.approx(1.1)
    assert Aircraft(**GOOD).climb_cost_s_per_m == 0.15
    assert Aircraft(**GOOD | {"kind": "fixed_wing"}).climb_cost_s_per_m == 0.4


@pytest.mark.parametrize("share", [-0.01, 0.61, 25.0, float("nan")])
def test_reserve_outside_its_limits_is_refused(share):
    with pytest.raises(ValidationError, match=r"E29 battery_reserve_share is .*, from 0 to 0\.6 allowed"):
        Aircraft(**GOOD, battery_reserve_share=share)


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ({"min_airspeed_mps": 12}, "min_airspeed_mps 12 is above max_airspeed_mps 10"),
        ({"ferry_airspeed_mps": 11}, "ferry_airspeed_mps 11 is outside the airspeeds 0 to 10"),
        ({"max_airspeed_mps": 9}, "ferry_airspeed_mps 10 is outside the airspeeds 0 to 9"),
        ({"mass_kg": 5}, "mass_kg without power_w"),
        ({"hover_power_w": 500}, "hover_power_w without power_w"),
    ],
)
def test_figures_that_disagree_are_refused(keys, message):
    with pytest.raises(ValidationError, match=message):
        Aircraft(**GOOD, **keys)


def test_a_card_at_fault_is_refused_with_its_code_and_line(tmp_path):
    text = (DATA / "aircraft" / "hexacopter.toml").read_text(encoding="utf-8")
    (tmp_path / "mine.toml").write_text(text.replace("share = 0.25", "share = 0.7"), encoding="utf-8")
    with pytest.raises(InputError, match=r"E29 mine\.toml:\d+: battery_reserve_share is 0\.7.*\n.*a quarter"):
        load_aircraft("mine.toml", tmp_path)
