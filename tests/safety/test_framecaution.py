"""The frame of marks as a caution."""

import pytest

from planner.ground.frames import FrameShift
from planner.marks import Marks
from planner.safety.marks import AGREE_M, marks_caution, marks_doubt_m


def test_frames_that_agree_are_within_and_add_no_doubt():
    shift = FrameShift(0.003, -0.004, 0.0)
    caution = marks_caution(Marks(frame="ITRF2014", epoch=2027.3), "WGS 84", shift)
    assert (caution.status, caution.limit, caution.unit) == ("within", AGREE_M, "m")
    assert caution.measured == pytest.approx(0.005)
    assert "ITRF2014 at 2027.3" in caution.text
    assert "agree to 0.5 cm" in caution.text
    assert marks_doubt_m(shift) == 0.0


def test_frames_that_differ_are_over_with_the_metres_and_what_to_do():
    # 3, 4 and 12 make 13 (C)
    shift = FrameShift(0.3, -0.4, 1.2, 0.1)
    caution = marks_caution(Marks(frame="ETRS89"), "WGS 84", shift)
    assert caution.status == "over"
    assert caution.measured == pytest.approx(1.4)
    assert "0.50 m apart (+0.30 m east, -0.40 m north) and +1.20 m in height, give or take 0.1 m" in caution.text
    assert "transform marks, or area and terrain, to one frame and epoch" in caution.text
    assert marks_doubt_m(shift) == pytest.approx(1.4)
    assert "give or take" not in marks_caution(Marks(frame="ETRF2000"), "WGS 84", FrameShift(0.3, 0.0, 0.0)).text


@pytest.mark.parametrize("length_m", [0.5 * AGREE_M, 2 * AGREE_M])
def test_the_doubt_counts_in_the_verdict_as_the_shift_does(length_m):
    surely = marks_caution(Marks(frame="ETRF2000"), "ETRF2014", FrameShift(0.0, length_m, 0.0))
    perhaps = marks_caution(Marks(frame="ETRF2000"), "ETRF2014", FrameShift(0.0, 0.0, 0.0, length_m))
    assert surely.status == perhaps.status == ("over" if length_m > AGREE_M else "within")


@pytest.mark.parametrize(
    ("marks", "said"),
    [
        (Marks(), "give marks.frame"),
        (Marks(frame="ITRF2014"), "nobody says as of when: give marks.epoch"),
        (Marks(frame="DHDN"), "How DHDN lies to WGS 84 is not known here"),
    ],
)
def test_what_is_missing_is_asked_for(marks, said):
    caution = marks_caution(marks, "WGS 84", None)
    assert (caution.status, caution.measured) == ("cannot tell", None)
    assert said in caution.text
    assert marks_doubt_m(None) == 0.0
