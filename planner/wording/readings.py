"""What words can mean that leave a choice, with the number that each reading comes to.

Lives here: conversions between statistics, and lists of readings. Must not know what has been read so far.
"""

import math
from statistics import NormalDist

from planner.wording.words import FOOT_M, Clause, Word

Refusal = tuple[str, tuple[str, ...], str]
"""What is wrong with a clause, the readings it leaves, and the way out."""


def cm(length_m: float) -> str:
    """Return a length in centimetres, for a sentence."""
    return f"{100 * length_m:.3g} cm"


def rmse_per_limit(percent: float, axis: str) -> float:
    """Return the error within which `percent` of errors lie, per RMSE: 1.96 in height, 1.7308 in place, at 95 %.

    Valid only for normal errors with zero mean, in place equal on both axes (FGDC-STD-007.3-1998, appendix 3-A).

    Parameters
    ----------
    percent : float
        Share of errors, under 100 [percent].
    axis : {"vertical", "horizontal"}
        Height, or place (radial, per radial RMSE).
    """
    share = percent / 100
    factor = NormalDist().inv_cdf((1 + share) / 2) if axis == "vertical" else math.sqrt(-math.log(1 - share))
    return round(factor, 4)


def counts_read(count: float) -> tuple[str, ...]:
    """Return what a number of points can mean that is said without its area."""
    return (
        f"{count:g} first returns per m2, all passes pooled",
        f"{count:g} first returns per m2 in a single pass",
        f"{count:g} ground returns per m2",
        f"{count / FOOT_M**2:.4g} per m2 ({count:g} per square foot)",
    )


def errors_read(length: Word, axis: str, rmse: Word | None) -> tuple[str, ...]:
    """Return what a length can mean as an accuracy, each with the RMSE it comes to.

    Parameters
    ----------
    length : Word
        The length, or range of lengths.
    axis : {"", "vertical", "horizontal", "both"}
        The axis that is named, if any.
    rmse : Word or None
        The word that names an RMSE, if any.
    """
    if rmse and rmse.parts[0] in ("3d", "x", "y"):
        return axes_read(length.metres, rmse.parts[0])
    readings = []
    for value in (length.metres, (length.upper or 0.0) * length.unit_m):
        for name in ("vertical", "horizontal"):
            if value and axis in ("", "both", name):
                readings.append(f"{name} RMSE {cm(value)}")
                if not (rmse and length.upper):
                    at_95 = cm(value / rmse_per_limit(95, name))
                    readings.append(f"95 % of errors within {cm(value)}: {name} RMSE {at_95}")
    return tuple(readings)


def axes_read(rmse_m: float, axes: str) -> tuple[str, ...]:
    """Return what an RMSE can mean that is said of three axes, ``"3d"``, or of one of the two in place."""
    if axes == "3d":
        equal = f"vertical RMSE {cm(rmse_m / math.sqrt(3))} and horizontal {cm(rmse_m * math.sqrt(2 / 3))}"
        return f"equal errors on three axes: {equal}", f"all of it in height: vertical RMSE {cm(rmse_m)}"
    both = f"the same on both axes: horizontal RMSE {cm(rmse_m * math.sqrt(2))}"
    return both, f"all of it on one axis: horizontal RMSE {cm(rmse_m)}"


def refusal(clause: Clause) -> Refusal | None:
    """Return why a clause is refused for words that no standard makes one number of; None where it holds none."""
    if found := clause.take("contours"):
        readings = (
            f"90 % of heights within half the interval (1947 map accuracy): vertical RMSE {cm(found.metres / 3.2898)}",
            f"RMSE of a third of it (class 1 of 1990): vertical RMSE {cm(found.metres / 3)}",
        )
        return "can be read as", readings, f'write for example "RMSEz {cm(found.metres / 3.2898)}"'
    if found := clause.take("vague"):
        readings = ("vertical RMSE 5 cm and 8 points per m2 (QL0)", "vertical RMSE 10 cm and 8 points per m2 (QL1)")
        what = f"holds '{found.text}', which no standard defines in numbers; it can mean much, for example"
        return what, readings, 'write the numbers, for example "RMSEz 5 cm, 200 pts/m2"'
    return _other_terms(clause)


def _other_terms(clause: Clause) -> Refusal | None:
    """Return why a clause is refused that asks for what is not judged here."""
    if clause.take("detail"):
        readings = ("a level of detail of building models", "a limit of detection of changes")
        return "sets neither density nor accuracy; it can be", readings, 'write for example "RMSEz 5 cm, 200 pts/m2"'
    if clause.take("vva"):
        what = "is accuracy under vegetation, which is reported without pass or fail since ASPRS Edition 2"
        return what, (), 'ask for open ground: "RMSEz 10 cm"'
    if found := clause.take("other returns"):
        readings = ("first returns, one for each pulse that comes back", "ground returns")
        what = f"counts '{found.text}', which are not judged here; the number can be held against"
        return what, readings, 'write "first returns" or "ground returns"'
    if clause.take("mean"):
        length = clause.take("length")
        if length is not None:
            return "can be read as", errors_read(length, "", None), 'write for example "RMSEz 5 cm"'
        readings = ("reached in 95 % of cells", "reached in half of the cells, at the 50th percentile")
        what = "is a mean, which says nothing of thin strips; it can be a density"
        return what, readings, 'write for example "8 pts/m2 in 95 % of cells", or a quality level'
    return None
