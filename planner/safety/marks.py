"""Frame of the marks: whether base station and checkpoints stand where the plan takes them to stand.

Lives here: the frame of marks as a caution, and its doubt. Must not know missions, files or how frames are transformed.
"""

from planner.ground.frames import FrameShift, needs_epoch
from planner.marks import Marks
from planner.safety.cautions import Caution

AGREE_M = 0.02
"""Frames that differ by less count as one [m]: the error of a good trajectory; common practice, no source."""

_ID = "frame of marks"


def marks_caution(marks: Marks, plan_frame: str, shift: FrameShift | None) -> Caution:
    """Return how the frame of the marks stands to the plan's, for jobs with a base station or checkpoints.

    Parameters
    ----------
    marks : Marks
        Frame and epoch, as declared.
    plan_frame : str
        Name of the frame that area and terrain are in.
    shift : FrameShift or None
        From `planner.ground.frames.frame_shift`; None where nobody can tell.
    """
    if shift is None:
        return Caution(_ID, "cannot tell", _untold(marks, plan_frame), limit=AGREE_M, unit="m")
    named = f"{marks.frame}" + ("" if marks.epoch is None else f" at {marks.epoch:.1f}")
    if shift.most_m <= AGREE_M:
        text = f"The marks are in {named}, the plan in {plan_frame}: they agree to {100 * shift.most_m:.1f} cm."
        return Caution(_ID, "within", text, shift.most_m, AGREE_M, "m")
    doubt = f", give or take {shift.doubt_m:.2g} m" if shift.doubt_m else ""
    text = (
        f"The marks are in {named}, the plan in {plan_frame}: on the day flown that is {shift.horizontal_m:.2f} m "
        f"apart ({shift.east_m:+.2f} m east, {shift.north_m:+.2f} m north) and {shift.up_m:+.2f} m in height{doubt}. "
        "What is measured from these marks comes out so far from the plan: transform marks, or area and terrain, to "
        "one frame and epoch first."
    )
    return Caution(_ID, "over", text, shift.most_m, AGREE_M, "m")


def marks_doubt_m(shift: FrameShift | None) -> float:
    """Return how far the aircraft may be off the terrain because of its marks [m], 0 where nobody can tell."""
    return 0.0 if shift is None or shift.most_m <= AGREE_M else shift.most_m


def _untold(marks: Marks, plan_frame: str) -> str:
    if marks.frame is None:
        return (
            f"Nobody says in which frame base station and checkpoints are known; the plan is in {plan_frame}. "
            "Frames differ by up to two metres: give marks.frame, and marks.epoch where it moves."
        )
    if marks.epoch is None and needs_epoch(marks.frame):
        return (
            f"The marks are in {marks.frame}, in which ground moves by centimetres a year, and nobody says as of when: "
            "give marks.epoch."
        )
    return (
        f"How {marks.frame} lies to {plan_frame} is not known here to the centimetre. Give the marks in a frame that "
        "is, such as ITRF2014 or ETRF2000, or have them transformed."
    )
