"""Classes, colours and legends of the offline map.

Lives here: what colour and hatch a cell gets, and the legend that says so. Must not know pages or pictures.
"""

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.assessment import Assessment
from planner.files.mapassets import LARGEST_SIDE_PX, Codes
from planner.forecast.gaps import CAUSES, NOT_JUDGED
from planner.forecast.parts import CaseFigures

Array = npt.NDArray[np.float64]
Colours = tuple[tuple[int, int, int], ...]
Swatch = dict[str, Any]

MOST_CASES, CASE_SIDE_PX = 6, 1000
"""Cases that get a layer of their own, and the most pixels along a side of these and of chances: files stay small."""

BREAK_SHARES = (0.5, 0.75, 1.0, 1.5, 2.0, 4.0)
"""Class breaks of the density as shares of the target; 1 is the target itself."""

_UNKNOWN, _NONE, OUTSIDE = 1, 2, 255
DENSITY_RGB = ((118, 118, 118), (75, 32, 8), (158, 70, 15), (217, 121, 38), (245, 190, 118),
                (190, 221, 232), (116, 178, 209), (45, 117, 172), (16, 56, 107))  # fmt: skip
PASSES_RGB = ((158, 70, 15), (232, 228, 240), (188, 178, 214), (139, 122, 181), (92, 70, 143), (50, 26, 98))
CAUSE_RGB = ((40, 40, 40), (125, 66, 25), (230, 159, 0), (0, 140, 125), (51, 34, 136), (226, 130, 185),
             (208, 40, 18), (86, 180, 233), (110, 25, 70), (95, 165, 100), (240, 220, 60), (120, 94, 240))  # fmt: skip
CASE_RGB = ((75, 32, 8), (217, 121, 38), (45, 117, 172))
"""Below the target only in a case; in it and as planned; only as planned, so that the case mends it."""
CAUSE_INK = (*CAUSE_RGB[:-2], (92, 74, 6), (84, 60, 190))
CAUSE_HATCH = ("M0 0L10 10M10 0L0 10", "M-2 2L2 -2M0 10L10 0M8 12L12 8", "M-2 8L2 12M0 0L10 10M8 -2L12 2",
                "M2 2h2v2h-2zM7 7h2v2h-2z", "M0 2.5H10M0 7.5H10", "M5 0V10M0 5H10", "M2.5 0V10M7.5 0V10",
                "M0 3q2.5 -3 5 0t5 0M0 8q2.5 -3 5 0t5 0", "M0 8L5 3L10 8", "M5 2.2a2.8 2.8 0 1 0 .01 0",
                "M2.5 2.5v.01M7.5 7.5v.01", "M0 7L2.5 3L5 7L7.5 3L10 7")  # fmt: skip
"""Colour, ink and hatch of each cause, in the order of `CAUSES`; the hatch keeps causes apart where hues look alike."""


def density_breaks(target_per_m2: float) -> list[float]:
    """Return the class breaks of the density layer [1/m2]; the target is one of them."""
    return [share * target_per_m2 for share in BREAK_SHARES]


def unjudged_returns(assessment: Assessment) -> str:
    """Return the kind of returns that the requirement does not count, ``"first"`` or ``"ground"``."""
    return "first" if assessment.mission.requirement.returns == "ground" else "ground"


def unjudged_density(assessment: Assessment) -> Array:
    """Return the density of the returns that the requirement does not count, shape (rows, cols) [1/m2]."""
    forecast = assessment.forecast
    return forecast.first_per_m2 if unjudged_returns(assessment) == "first" else forecast.ground_per_m2


def kinds_differ(assessment: Assessment) -> bool:
    """Return whether first and ground returns differ in any judged cell."""
    forecast = assessment.forecast
    kinds = (forecast.first_per_m2[forecast.judged], forecast.ground_per_m2[forecast.judged])
    return not np.allclose(*kinds, rtol=1e-9, atol=0, equal_nan=True)


def density_codes(density: Array, assessment: Assessment) -> Codes:
    """Return 1 unknown, 2 no return, 3.. classes upward, 255 outside the judged area; for either kind of returns."""
    forecast = assessment.forecast
    classes = _NONE + 1 + np.digitize(np.nan_to_num(density), density_breaks(forecast.density.target_per_m2))
    codes = np.where(np.isnan(density), _UNKNOWN, np.where(density == 0, _NONE, classes))
    return np.where(forecast.judged, codes, OUTSIDE).astype(np.uint8)


def passes_codes(assessment: Assessment) -> Codes:
    """Return 1 + passes, five and more in one class, 255 outside the judged area."""
    forecast = assessment.forecast
    codes = 1 + np.minimum(forecast.passes, len(PASSES_RGB) - 1)
    return np.where(forecast.judged, codes, OUTSIDE).astype(np.uint8)


def cause_codes(assessment: Assessment) -> Codes:
    """Return the code of the cause, 255 where the cell is met or outside the area."""
    cause = assessment.forecast.cause
    return np.where((cause == 0) | (cause == NOT_JUDGED), OUTSIDE, cause).astype(np.uint8)


def shown_cases(assessment: Assessment) -> tuple[CaseFigures, ...]:
    """Return the cases that get a layer: what is below as planned is what gaps and causes show."""
    return assessment.forecast.cases[1 : 1 + MOST_CASES]


def case_codes(case: CaseFigures, planned: CaseFigures) -> Codes:
    """Return 1 below only in the case, 2 below as planned too, 3 below as planned alone, 255 met in both."""
    by_bits = np.array([OUTSIDE, 1, 3, 2], dtype=np.uint8)
    return np.asarray(by_bits[case.below + 2 * planned.below.astype(np.uint8)])


@dataclass(frozen=True)
class CellLayer:
    """A way to colour the cells.

    Attributes
    ----------
    codes : ndarray of uint8, shape (rows, cols)
        1.. in order of badness, worst first; 255 is transparent.
    colours : tuple of (int, int, int)
        Red, green and blue of code 1 and up.
    alt : str
        What it shows, in a few words of our own: a user's word is no part of a picture.
    side_px : int
        Most pixels along a side.
    """

    codes: Codes
    colours: Colours
    alt: str
    side_px: int = LARGEST_SIDE_PX


def cell_layers(assessment: Assessment) -> dict[str, CellLayer]:
    """Return each way to colour the cells, by the name of its layer."""
    judged, unjudged = assessment.mission.requirement.returns, unjudged_returns(assessment)
    density = density_codes(assessment.forecast.density_per_m2, assessment)
    layers = {
        "density": CellLayer(density, DENSITY_RGB, f"Expected {judged} returns by cell"),
        "passes": CellLayer(passes_codes(assessment), PASSES_RGB, "Passes by cell"),
        "causes": CellLayer(cause_codes(assessment), CAUSE_RGB, "Cause of shortfall by cell"),
    }
    if kinds_differ(assessment):
        other = density_codes(unjudged_density(assessment), assessment)
        layers["unjudged"] = CellLayer(other, DENSITY_RGB, f"Expected {unjudged} returns by cell")
    for number, case in enumerate(shown_cases(assessment), start=1):
        codes = case_codes(case, assessment.forecast.cases[0])
        layers[f"case{number}"] = CellLayer(codes, CASE_RGB, f"Below target by cell, case {number}", CASE_SIDE_PX)
    return layers


def palette(colours: Colours) -> Codes:
    """Return colours as codes 1.., code 0 transparent."""
    return np.array([(0, 0, 0, 0), *((*rgb, 255) for rgb in colours)], dtype=np.uint8)


def hex_of(rgb: tuple[int, int, int]) -> str:
    """Return a colour as CSS writes it."""
    return "#{:02x}{:02x}{:02x}".format(*rgb)


def legend(assessment: Assessment) -> dict[str, list[Swatch]]:
    """Return the swatches of each layer with classes."""
    forecast = assessment.forecast
    breaks = density_breaks(forecast.density.target_per_m2)
    spans = [f"under {breaks[0]:g}", *(f"{a:g} to {b:g}" for a, b in itertools.pairwise(breaks))]
    names = ["terrain unknown", "no return", *spans, f"{breaks[-1]:g} and more"]
    floors = [None, None, None, *breaks]
    density = [
        {"colour": hex_of(rgb), "label": label, "floor": None if floor is None else f"{floor:g}"}
        for rgb, label, floor in zip(DENSITY_RGB, names, floors, strict=True)
    ]
    counts = ["none", *map(str, range(1, len(PASSES_RGB) - 1)), f"{len(PASSES_RGB) - 1} and more"]
    passes = [{"colour": hex_of(rgb), "label": label} for rgb, label in zip(PASSES_RGB, counts, strict=True)]
    areas = dict(forecast.coverage.by_cause_m2)
    # What open water lacks is expected: the coverage keeps it apart, and it stands last.
    areas["water"] = areas.get("water", 0.0) + forecast.coverage.expected_water_m2
    causes = [
        {
            "number": number,
            "label": f"{cause}: expected, no failure" if cause == "water" else cause,
            "colour": hex_of(CAUSE_RGB[number]),
            "ink": hex_of(CAUSE_INK[number]),
            "hatch": CAUSE_HATCH[number],
            "area_m2": areas.get(cause, 0.0),
        }
        for number, cause in sorted(enumerate(CAUSES), key=lambda pair: pair[1] == "water")
    ]
    return {"density": density[::-1], "passes": passes[::-1], "causes": causes}


def case_legends(assessment: Assessment) -> list[tuple[CaseFigures, list[Swatch]]]:
    """Return each case that has a layer, with the swatches of those of its classes that hold any cell."""
    labels = ("below only in this case", "below as planned too", "met only in this case")
    planned, cell_m2 = assessment.forecast.cases[0].below, assessment.forecast.cells.cell_m**2
    found = []
    for case in shown_cases(assessment):
        classes = (case.below & ~planned, case.below & planned, planned & ~case.below)
        swatches = [
            {"colour": hex_of(rgb), "label": label, "area_m2": float(members.sum()) * cell_m2}
            for rgb, label, members in zip(CASE_RGB, labels, classes, strict=True)
            if members.any()
        ]
        found.append((case, swatches))
    return found
