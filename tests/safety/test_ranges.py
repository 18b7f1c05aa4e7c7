"""Cautions about how far the light reaches."""

from dataclasses import replace
from pathlib import Path

import pytest

from planner.files.cards import load_sensor
from planner.safety.ranges import brightness_caution, fog_caution, range_cautions, rating_caution

E = load_sensor("E", Path())


def with_bright(range_m):
    """Return card E with another range to its bright target."""
    bright = [replace(one, range_m=range_m) if one.reflectance == 0.8 else one for one in E.ratings]
    return replace(E, ratings=bright)


@pytest.mark.parametrize(
    ("range_m", "status", "words"),
    # 298.0 m at 80 % follow from 150 m at 20 %, 1550 nm, visibility 23 km [C]
    [
        (298, "within", "agree; all are taken from the 298 m at 80%."),
        (330, "over", "bright goes too far; all are taken from the 150 m at 20%. One is wrong"),
        (250, "over", "bright falls short; all are taken from the 250 m at 80%. Something else than light"),
    ],
)
def test_ratings_of_a_rate_are_held_against_each_other(range_m, status, words):
    caution = rating_caution(with_bright(range_m), 250_000)
    assert caution is not None
    assert (caution.status, caution.limit) == (status, 3)
    assert caution.text.startswith("At 250 kHz the card's ranges to 80% and 20% reflectance stand as")
    assert words in caution.text
    assert caution.measured == pytest.approx(100 * abs(range_m / 298.04 - 1), abs=0.01)


def test_a_rate_of_one_rating_raises_nothing():
    assert rating_caution(load_sensor("B", Path()), 300_000) is None


def test_fog_is_told_below_a_kilometre():
    assert fog_caution(1.0) is None
    fog = fog_caution(0.4)
    assert fog is not None
    assert (fog.status, fog.measured, fog.limit) == ("over", 0.4, 1.0)
    assert "drifts within minutes" in fog.text


def test_an_odd_wavelength_is_told_where_classes_say_how_bright_ground_is():
    assert brightness_caution(905) is None
    green = replace(load_sensor("B", Path()), wavelength_nm=532)
    [said] = range_cautions(green, [300_000], 23.0, classed=True)
    assert "at 532 nm the values of 905 nm are taken" in said.text
    assert range_cautions(green, [300_000], 23.0, classed=False) == ()


def test_every_rate_flown_is_told():
    said = range_cautions(E, [125_000, 250_000], 0.5, classed=True)
    assert [one.caution_id for one in said] == ["range ratings", "range ratings", "fog"]
    assert ["At 125 kHz" in said[0].text, "At 250 kHz" in said[1].text] == [True, True]
