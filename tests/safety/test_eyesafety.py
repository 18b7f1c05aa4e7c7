"""What is said of laser light and people: computed beside stated, and no promise.

Marks: [M] from memory of the source, [C] computed from the formula shown.
"""

import math
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError

from planner.equipment import RangeRating, Sensor
from planner.files.cards import load_sensor
from planner.ranging.ratings import by_rate
from planner.safety import exposures
from planner.safety.exposurelimits import RULE_NAMES, RULES, class_1_limit_j, eye_limit_j_m2
from planner.safety.exposures import (
    AID,
    beam_of,
    class_1_share,
    exposure_over_limit,
    ground_exposure,
    hazard_distances,
    source_of,
    stare_s,
)
from planner.safety.eyesafety import (
    COMPUTED,
    computed_eye_fault,
    exposure_cautions,
    laser_caution,
    laser_on_height_m,
    switching_caution,
)
from planner.safety.scancrossings import Motion

CARDS = "abcdefhkmprt"


def scanner(energy_uj=2.0, laser_class="3B", **card):
    """Return a card of a strong 905 nm scanner, and its rating."""
    figures = {
        "name": "made",
        "wavelength_nm": 905,
        "pattern": "polygon",
        "line_rates_hz": (100,),
        "optical_fov_deg": 80,
        "usable_fov_deg": 80,
        "divergence_mrad": 1.0,
        "divergence_width": "1/e2",
        "min_range_m": 1,
        "range_noise_m": 0.02,
    } | {key: value for key, value in card.items() if key not in RangeRating.__dataclass_fields__}
    rated = {key: value for key, value in card.items() if key in RangeRating.__dataclass_fields__}
    rating = {"pulse_rate_hz": 1e5, "range_m": 100, "reflectance": 0.1, "pulse_energy_uj": energy_uj} | rated
    sensor = Sensor(**figures, ratings=[RangeRating(laser_class=laser_class, **rating)])
    return sensor, sensor.ratings[0]


FLOWN = Motion(100.0, 6.0)


def said(sensor, rating, nearest_m, motion=FLOWN):
    return {one.caution_id: one for one in exposure_cautions(sensor, rating, motion, nearest_m)}


def flown_m(sensor, rating, motion=FLOWN):
    return hazard_distances(source_of(sensor, rating, motion.line_rate_hz), motion)


# Cautions and faults.


def test_a_flight_nearer_than_the_computed_distance_is_a_fault_unless_class_1_is_stated():
    sensor, rating = scanner()
    far = flown_m(sensor, rating).counted_m
    assert far > 5
    fault = computed_eye_fault(sensor, rating, FLOWN, far - 1)
    assert fault is not None
    assert fault.code == "E36"
    assert f"comes within {far - 1:.1f} m, under the computed hazard distance" in fault.what
    assert "class 3B as stated, 100 kHz" in fault.what
    assert "correct the card after the maker's documents" in fault.fix
    assert computed_eye_fault(sensor, rating, FLOWN, far + 0.01) is None
    assert computed_eye_fault(sensor, rating, FLOWN, math.nan) is None
    assert computed_eye_fault(sensor, replace(rating, laser_class="1"), FLOWN, far - 1) is None
    for unsure in ("unknown", "1M", "3R"):
        assert computed_eye_fault(sensor, replace(rating, laser_class=unsure), FLOWN, far - 1) is not None


def test_the_strictest_rules_and_the_narrowest_growth_decide():
    sensor, rating = scanner(exit_beam_mm=(10, 10))
    far = flown_m(sensor, rating)
    longest = max(far.naked_m)
    for shorter in (*far.naked_linear_m, min(far.naked_m)):
        assert shorter < longest
        fault = computed_eye_fault(sensor, rating, FLOWN, (shorter + longest) / 2)
        assert fault is not None
    strict = RULE_NAMES[RULES[far.naked_m.index(longest)]]
    assert f"by {strict} (class 3B" in fault.what


def test_nothing_is_computed_without_energy_and_that_is_said():
    sensor, rating = scanner(energy_uj=None)
    assert source_of(sensor, rating, 100.0) is None
    assert computed_eye_fault(sensor, rating, FLOWN, 1.0) is None
    [caution] = exposure_cautions(sensor, rating, FLOWN, 60.0)
    assert caution.status == "cannot tell"
    assert "neither pulse_energy_uj nor mean_power_mw" in caution.text
    assert "only the maker's class and hazard distance stand" in caution.text


def test_glasses_reach_farther_and_are_told_loudly():
    sensor, rating = scanner()
    far = flown_m(sensor, rating)
    between = (far.counted_m + far.counted_aided_m) / 2
    found = said(sensor, rating, between)
    assert (found["laser computed"].status, found["laser through optics"].status) == ("within", "over")
    assert "binoculars, a telescope or a theodolite" in found["laser through optics"].text
    assert found["laser through optics"].measured == between
    assert found["laser through optics"].limit == far.counted_aided_m
    beyond = said(sensor, rating, far.counted_aided_m + 1)["laser through optics"]
    assert beyond.status == "within"
    assert "binoculars" not in beyond.text


def test_an_unknown_range_is_no_answer():
    sensor, rating = scanner()
    found = exposure_cautions(sensor, rating, FLOWN, math.nan)
    assert [one.status for one in found[:3]] == ["cannot tell"] * 3
    assert [one.measured for one in found[:3]] == [None] * 3


def test_a_scanner_that_stops_is_worse_than_one_that_scans_and_a_safeguard_shortens_it():
    sensor, rating = scanner()
    guarded = replace(sensor, scan_safeguard_s=0.001)
    bare, shut = said(sensor, rating, 60.0)["laser with stopped scanner"], None
    shut = said(guarded, rating, 60.0)["laser with stopped scanner"]
    assert bare.limit > shut.limit
    assert bare.limit > flown_m(sensor, rating).counted_m
    assert "for 100 s (nothing is known to shut it off)" in bare.text
    assert "Ask the maker for scan_safeguard_s" in bare.text
    assert "for 0.001 s (until its safeguard shuts it off)" in shut.text
    assert [stare_s(source_of(one, rating, 100.0)) for one in (sensor, guarded)] == [100.0, 0.001]


def test_a_beam_that_rests_has_no_scanner_to_fail():
    sensor = load_sensor("P", Path())
    found = said(sensor, sensor.ratings[0], 60.0, Motion(0.0, 6.0))
    assert "laser with stopped scanner" not in found
    assert "beam at rest on the eye" in found["laser computed"].text


def test_a_longer_computed_distance_than_stated_is_told():
    sensor, rating = scanner(hazard_distance_m=1.0)
    differ = said(sensor, rating, 60.0)["laser figures differ"]
    assert (differ.status, differ.limit) == ("over", 1.0)
    assert differ.measured == flown_m(sensor, rating).counted_m
    assert "states a hazard distance of 1 m" in differ.text
    assert "Keep to the longer" in differ.text
    sensor, rating = scanner(hazard_distance_m=500.0)
    assert "laser figures differ" not in said(sensor, rating, 60.0)


def test_class_1_whose_figures_exceed_it_is_told_and_not_reclassified():
    sensor, rating = scanner(laser_class="1")
    texts = [
        one.text for one in exposure_cautions(sensor, rating, FLOWN, 60.0) if one.caution_id == "laser figures differ"
    ]
    assert [("scanned." in text, "with its scanner stopped." in text) for text in texts] == [
        (True, False),
        (False, True),
    ]
    assert all("the card states class 1" in text and COMPUTED in text for text in texts)
    assert "laser figures differ" not in said(*scanner(laser_class="3B"), 60.0)


def test_class_1m_may_exceed_through_a_telescope_only():
    weak, rating = scanner(energy_uj=0.15, laser_class="1M", pattern="profiling", line_rates_hz=(), optical_fov_deg=0,
                           usable_fov_deg=0, pulse_rate_hz=10, exit_beam_mm=(30, 30))  # fmt: skip
    naked, telescope = class_1_share(source_of(weak, rating, 0.0), None)
    assert naked < 0.1
    assert telescope > 0.5
    strong = replace(weak, ratings=[replace(rating, pulse_energy_uj=0.5)])
    naked, telescope = class_1_share(source_of(strong, strong.ratings[0], 0.0), None)
    assert naked < 1 < telescope
    assert "laser figures differ" not in said(strong, strong.ratings[0], 200.0, Motion(0.0, 6.0))
    stated_1 = replace(strong.ratings[0], laser_class="1")
    assert "laser figures differ" in said(strong, stated_1, 200.0, Motion(0.0, 6.0))


@pytest.mark.parametrize("name", list(CARDS))
def test_every_bundled_card_says_enough_to_compute_and_nothing_promises(name):
    sensor = load_sensor(name, Path())
    for rating in by_rate(sensor).values():
        for line_rate_hz in sensor.line_rates_hz or (0.0,):
            motion = Motion(line_rate_hz, 6.0)
            found = exposure_cautions(sensor, rating, motion, 60.0)
            assert computed_eye_fault(sensor, rating, motion, 60.0) is None
            assert all("not a classification" in one.text for one in found)
            words = " ".join(one.text.lower() for one in found)
            assert "rest on memory" in words
            for promise in ("is safe", "eye-safe", "harmless", "compliant", "guarantee"):
                assert promise not in words


def test_what_the_card_leaves_out_is_said_to_be_taken_at_its_worst():
    bare = said(*scanner(), 60.0)["laser computed"].text
    assert "this is taken: a beam that leaves in a point, whichever profile is worse, pulses of 1 ns." in bare
    full = scanner(exit_beam_mm=(5, 5), beam_profile="gaussian", pulse_length_ns=3)
    told = said(*full, 60.0)["laser computed"].text
    assert "Where the card is silent" not in told


def test_stated_class_and_distance_stay_first():
    assert "as the card states" in laser_caution(scanner(hazard_distance_m=3.0)[1], 60.0).text
    rating = replace(scanner()[1], pulse_rate_hz=20.0, hazard_distance_m=3.0)
    assert laser_caution(rating, 60.0).text.startswith("At 20 Hz: class 3B and hazard distance 3 m")


# Heights to switch light on.


def test_light_is_on_no_lower_than_the_distance_over_an_eye():
    sensor, rating = scanner()
    hover = flown_m(sensor, rating, Motion(100.0, 0.0))
    naked, aided = laser_on_height_m(sensor, rating, 100.0)
    assert (naked, aided) == (hover.counted_m + 2, hover.counted_aided_m + 2)
    assert hover.counted_m >= flown_m(sensor, rating).counted_m
    assert laser_on_height_m(*scanner(hazard_distance_m=400.0), 100.0)[0] == 402
    assert laser_on_height_m(*scanner(energy_uj=None, hazard_distance_m=40.0), 100.0) == (42.0, 42.0)
    assert laser_on_height_m(*scanner(energy_uj=1e-6, hazard_distance_m=0.0), 100.0) == (0.0, 0.0)
    assert laser_on_height_m(*scanner(energy_uj=None), 100.0) is None


def test_switching_is_told():
    note = switching_caution(*scanner(), 100.0)
    assert note.status == "note"
    assert "switch light on above" in note.text
    unknown = switching_caution(*scanner(energy_uj=None), 100.0)
    assert (unknown.status, "keep people away while light is on" in unknown.text) == ("cannot tell", True)


# The numbers beneath.


def test_exposure_of_a_stare_is_power_through_the_aperture():
    # 0.2 W at 905 nm, 100 s: 25.704 W/m2 [M]; through 7 mm at 100 m, Gaussian of 0.5 mrad by 1/e [C]
    sensor, rating = scanner(divergence_mrad=0.5, divergence_width="1/e", beam_profile="gaussian")
    part = 1 - math.exp(-((7e-3 / 0.05) ** 2))
    expected = 0.2 * part / (math.pi / 4 * 7e-3**2) / 25.70396
    found = exposure_over_limit(source_of(sensor, rating, 100.0), "iec2014", [100.0], None)
    assert found == pytest.approx(expected, rel=1e-5)


def test_a_single_crossing_far_away_is_one_pulse_against_its_limit():
    # where crossings do not follow each other in time, one pulse alone is left: 905 nm, 1 pulse a line, fast flight
    sensor, rating = scanner(energy_uj=900.0, pulse_rate_hz=100, beam_profile="gaussian")
    source = source_of(sensor, rating, 100.0)
    found = exposure_over_limit(source, "iec2014", [60.0], Motion(100.0, 1e6))
    share = 1 - math.exp(-2 * (7e-3 / 0.06) ** 2)
    assert found == pytest.approx(900e-6 * share / (math.pi / 4 * 7e-3**2) / 5.140792e-3, rel=0.01)


def test_ground_exposure_is_never_less_than_exact_and_little_more():
    sensor, rating = scanner()
    source = source_of(sensor, rating, 100.0)
    ranges = np.array([[3.0, 17.3, 60.0], [240.0, math.nan, 0.01]])
    found = ground_exposure(source, FLOWN, ranges)
    for row, rules in enumerate(RULES):
        for out, motion, aid in (
            (found.flown_naked, FLOWN, None),
            (found.flown_aided, FLOWN, AID),
            (found.stopped_naked, None, None),
            (found.stopped_aided, None, AID),
        ):
            assert out.shape == (2, 2, 3)
            assert np.isnan(out[row, 1, 1])
            known = np.isfinite(ranges)
            exact = exposure_over_limit(source, rules, ranges[known], motion, aid)
            assert (out[row][known] >= exact * (1 - 1e-9)).all()
            assert (out[row][known] <= exact * 1.05).all()
    assert (found.flown_naked <= found.flown_aided)[np.isfinite(found.flown_naked)].all()


def test_exposure_turns_at_the_hazard_distance():
    sensor, rating = scanner()
    source = source_of(sensor, rating, 100.0)
    far = hazard_distances(source, FLOWN)
    for rules, distance_m in zip(RULES, far.naked_m, strict=True):
        near, beyond = exposure_over_limit(source, rules, [distance_m * 0.999, distance_m * 1.001], FLOWN)
        assert beyond <= 1 < near


def test_slower_flights_more_passes_and_hovers_are_never_better():
    source = source_of(*scanner(), 100.0)
    motions = [
        Motion(100.0, 20.0),
        Motion(100.0, 5.0),
        Motion(100.0, 5.0, 3),
        Motion(100.0, 0.5, 3),
        Motion(100.0, 0.0),
    ]
    for rules in RULES:
        over = [exposure_over_limit(source, rules, [2.0, 30.0], motion) for motion in motions]
        assert all((more >= less * (1 - 1e-9)).all() for less, more in pairwise(over))
        assert (exposure_over_limit(source, rules, [2.0, 30.0], None) >= over[-1] * 0.99).all()


def test_class_1_of_a_fixed_beam_is_its_pulse_over_the_limit():
    # 0.1 uJ at 10 Hz: 1000 pulses are counted to T2 as 100; below 600 C5 is 1 (905 nm: 1.9792e-7 J [M])
    sensor, rating = scanner(energy_uj=0.1, pattern="profiling", line_rates_hz=(), optical_fov_deg=0, usable_fov_deg=0,
                             pulse_rate_hz=10)  # fmt: skip
    naked, telescope = class_1_share(source_of(sensor, rating, 0.0), None)
    assert (naked, telescope) == pytest.approx((0.1e-6 / 1.979205e-7,) * 2, rel=1e-6)


def test_a_rosette_is_held_against_class_1_where_it_is_worst(monkeypatch):
    # card R, 0.1 uJ at 240 kHz: two pulses in 5 us, C5 at its floor, 905 nm: 0.2 / (0.4 * 0.197921) [M, numbers C]
    sensor, hover = load_sensor("R", Path()), Motion(120.0, 0.0)
    source = source_of(sensor, sensor.ratings[0], 120.0)
    naked, telescope = class_1_share(source, hover)
    assert naked == pytest.approx(0.2 / (0.4 * 0.1979205), rel=1e-6)
    by_place = []
    for place in ("edge", "middle"):
        monkeypatch.setattr(exposures, "worst_places", lambda _, here=place: (here,))
        by_place.append(class_1_share(source, hover)[1])
    assert by_place[0] != by_place[1]
    assert telescope == max(by_place)


def test_light_without_breaks_follows_its_mean_power():
    # card H: 5 mW at 1550 nm, class 1 to 10 mW over 10 s and longer [M]: at rest, telescope and all
    sensor = load_sensor("H", Path())
    source = source_of(sensor, sensor.ratings[0], 100.0)
    assert source.pulse_rate_hz is None
    assert source.mean_power_w == pytest.approx(5e-3)
    assert max(class_1_share(source, None)) == pytest.approx(0.5, rel=0.02)


def test_a_pulsed_card_may_state_mean_power_instead_of_energy():
    by_power = scanner(energy_uj=None, mean_power_mw=200.0)
    by_energy = scanner(energy_uj=2.0)
    one, other = (source_of(*card, 100.0) for card in (by_power, by_energy))
    assert one.amount == pytest.approx(other.amount)
    assert (one.pulse_rate_hz, one.beam) == (other.pulse_rate_hz, other.beam)


def test_a_flash_fills_its_frame():
    sensor = load_sensor("M", Path())
    beam = beam_of(sensor)
    width_m = 2 * np.tan(np.radians([20, 10])) * 10
    assert beam.mean_width_m(10.0, "linear") == pytest.approx(
        math.sqrt(np.prod(width_m + np.array([0.02, 0.01]))), rel=1e-9
    )
    share = float(beam.share(7e-3, 10.0))
    assert share == pytest.approx(7e-3**2 / np.prod(width_m), rel=1e-3)


def test_a_head_at_rest_puts_one_beam_on_a_far_eye_and_several_on_a_near_one():
    sensor = load_sensor("F", Path())
    bare = replace(sensor, scan_safeguard_s=None, beam_profile="gaussian")
    alone = replace(bare, beam_elevations_deg=(0.0,))
    head = source_of(bare, bare.ratings[0], 20.0)
    one = source_of(alone, replace(alone.ratings[0], pulse_rate_hz=4e4), 20.0)
    for rules in RULES:
        far = exposure_over_limit(head, rules, [50.0], None)
        assert far == pytest.approx(exposure_over_limit(one, rules, [50.0], None))
        assert exposure_over_limit(head, rules, [0.1], None) > 3 * exposure_over_limit(one, rules, [0.1], None)


@pytest.mark.parametrize("rules", RULES)
@pytest.mark.parametrize("name", list(CARDS))
def test_aided_eyes_of_every_card_are_no_better_off(name, rules):
    sensor = load_sensor(name, Path())
    rating = next(iter(by_rate(sensor).values()))
    line_rate_hz = sensor.line_rates_hz[0] if sensor.line_rates_hz else 0.0
    source = source_of(sensor, rating, line_rate_hz)
    ranges = np.geomspace(0.1, 1000, 60)
    for motion in (Motion(line_rate_hz, 6.0), None):
        naked, aided = (exposure_over_limit(source, rules, ranges, motion, aid) for aid in (None, AID))
        assert (aided >= naked).all()


def test_small_pulses_all_through_the_pupil_are_below_class_1_and_limit_alike():
    # The limit of exposure times 7 mm is the limit of class 1 (2 % rounding [M]).
    area = math.pi / 4 * 7e-3**2
    assert float(class_1_limit_j(905, 5e-9)) == pytest.approx(
        float(eye_limit_j_m2(905, 5e-9, "iec2014")) * area, rel=0.02
    )


# Keys of the card.


@pytest.mark.parametrize(
    ("card", "message"),
    [
        ({"energy_uj": 5000.0}, "E34 pulse_energy_uj makes over 200 W at 100000 Hz\nis it in uJ?"),
        ({"energy_uj": None, "mean_power_mw": 1e6}, "E34 mean_power_mw makes over 200 W at 100000 Hz\nis it in mW?"),
        ({"mean_power_mw": 2.0}, "E34 mean_power_mw 2, but pulse_energy_uj makes 200 mW\nkeep one"),
        ({"pulse_length_ns": 900.0, "pulse_rate_hz": 2e6}, "E34 pulse_length_ns 900 leaves no gap at 2e+06 Hz"),
        ({"pulse_length_ns": 5000.0}, "less than or equal to 1000"),
        ({"pulse_length_ns": 5e-9}, "greater than or equal to 0.01"),
        ({"exit_beam_mm": (0.005, 0.005)}, "greater than or equal to 0.1"),
        ({"exit_beam_mm": (5000.0, 5.0)}, "less than or equal to 200"),
        ({"scan_safeguard_s": 50.0}, "less than or equal to 10"),
        ({"beam_profile": "flat"}, "'gaussian' or 'top_hat'"),
        ({"divergence_across_mrad": 0.0}, "greater than 0"),
        ({"wavelength_nm": 355}, "greater than or equal to 400"),
        ({"wavelength_nm": 10600}, "less than or equal to 4000"),
    ],
)
def test_impossible_light_is_refused(card, message):
    with pytest.raises(ValidationError, match=message.replace("+", r"\+")):
        scanner(**card)


def test_ratings_of_a_rate_have_one_mean_power():
    sensor, rating = scanner(energy_uj=None, mean_power_mw=200.0)
    other = replace(rating, reflectance=0.8, range_m=280, mean_power_mw=None)
    both = replace(sensor, ratings=[other, rating])
    assert source_of(both, other, 100.0).mean_power_w == pytest.approx(0.2)
    with pytest.raises(ValidationError, match="contradict each other in mean_power_mw"):
        replace(sensor, ratings=[replace(other, mean_power_mw=100.0), rating])
