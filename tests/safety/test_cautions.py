"""First cautions: measured value against limit, and no promise."""

import math

import numpy as np
import pytest

from planner.equipment import RangeRating
from planner.safety.airspace import ceiling_caution, clearance_faults, standing_cautions
from planner.safety.eyesafety import eye_fault, laser_caution


def rating(laser_class="1M", hazard_m=40.0):
    return RangeRating(
        pulse_rate_hz=2e5, range_m=100, reflectance=0.1, laser_class=laser_class, hazard_distance_m=hazard_m
    )


@pytest.mark.parametrize(
    ("highest", "status"), [(119.0, "within"), (120.0, "within"), (121.92, "over"), (math.nan, "cannot tell")]
)
def test_ceiling_is_held_against_the_ground_beneath(highest, status):
    # (EU) 2019/947 UAS.OPEN.010(2): 120 m [R]; 14 CFR 107.51(b): 400 ft = 121.92 m [R2].
    caution = ceiling_caution(highest, 120.0, 1)
    assert caution.status == status
    assert caution.limit == 120.0
    if status == "over":
        assert "1.9 m" in caution.text


@pytest.mark.parametrize(("lowest", "status"), [(60.0, "within"), (30.0, "over"), (math.nan, "cannot tell")])
def test_stated_hazard_distance_is_held_against_the_lowest_height(lowest, status):
    assert laser_caution(rating(), lowest).status == status


@pytest.mark.parametrize(("laser_class", "hazard_m"), [("unknown", None), ("unknown", 10.0), ("3R", None)])
def test_what_the_card_does_not_state_is_said_to_be_unknown(laser_class, hazard_m):
    caution = laser_caution(rating(laser_class, hazard_m), 60.0)
    assert caution.status == "cannot tell"
    assert "unknown" in caution.text


def test_flying_below_the_stated_hazard_distance_is_a_fault_unless_class_1():
    fault = eye_fault(rating(), 30.0)
    assert fault is not None
    assert (fault.code, "30.0 m" in fault.what, "40 m" in fault.what) == ("E36", True, True)
    assert eye_fault(rating("1"), 30.0) is None
    assert eye_fault(rating(), 41.0) is None
    assert eye_fault(rating("unknown", None), 30.0) is None


def test_clearance_fault_names_line_place_and_both_values():
    def faults(distance_m):
        where = lambda place: "lon 1.0 lat 2.0"  # noqa: E731
        return clearance_faults(["line L07"], np.zeros(1, int), np.array([distance_m]), ["the ground"], 30.0, where)

    [fault] = faults(21.4)
    assert (fault.code, fault.where) == ("E23", "lon 1.0 lat 2.0")
    assert "L07" in fault.what
    assert "21.4 m" in fault.what
    assert "30 m" in fault.what
    assert faults(30.0) == ()
    assert faults(math.nan) == ()


def test_no_caution_claims_a_clearance():
    words = " ".join(caution.text.lower() for caution in standing_cautions())
    assert "no clearance" in words
    for promise in ("is safe", "cleared", "approved", "compliant", "is legal"):
        assert promise not in words
