"""What cells have with a chance, in so many of the flights that might be flown instead of the planned one.

Lives here: the density that a cell has in all but few draws, by the closed forms of `perturbed`. Must not know how
lines were planned.
"""

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.forecast import perturbed
from planner.forecast.confidence import ROUNDING, SPAN, Ground, Seen, kernel_inputs
from planner.forecast.draws import PASSED, Draws
from planner.ground.kernels import kernel
from planner.ground.surface import CellGrid
from planner.requirement import Requirement

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Sure:
    """What cells have with a chance of at least so much.

    Attributes
    ----------
    confidence : float
        The chance, 0-1.
    draws : int
        Flights that it was counted over.
    doubt : float
        One standard error of that chance by so many draws, which is taken off what is counted.
    density_per_m2 : ndarray, shape (rows, cols)
        Density that a cell has in that share of draws; nan where it is not judged [1/m2].
    exact : ndarray of bool, shape (rows, cols)
        False where a cell meets the density with that chance, but not together with the height error asked for.
    """

    confidence: float
    draws: int
    doubt: float
    density_per_m2: Array
    exact: Mask

    def in_words(self) -> str:
        """Return the chance and how it is counted."""
        return (
            f"a chance of at least {self.confidence:g}, counted over {self.draws} draws with one standard error of "
            f"that, {self.doubt:.2g}, taken off"
        )


def hold(
    seen: Seen,
    ground: Ground,
    cells: CellGrid,
    requirement: Requirement,
    draws: Draws,
    confidence: float,
    *,
    target_sd_m: float | None = None,
    threads: int = 2,
) -> Sure:
    """Return what cells have with a chance of at least `confidence`; the others are as for `judge_confidence`.

    A cell meets a density with that chance where the density that is returned meets it. A chance p counted over n draws
    is known to the root of p (1 - p) / n, which is taken off.
    """
    *inputs, site, asked = kernel_inputs(seen, ground, cells, requirement, draws, target_sd_m)
    count = cells.rows * cells.cols
    doubt = math.sqrt(confidence * (1 - confidence) / draws.count)
    place = draws.count - math.ceil(min(confidence + doubt, 1.0) * draws.count * (1 - ROUNDING))
    held = np.zeros((count, 2))
    spans = [(first, min(first + SPAN, count)) for first in range(0, count, SPAN)]

    def weigh(span: tuple[int, int]) -> None:
        _hold_cells(span, *inputs, draws.terms, site, asked, place, held)

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(weigh, spans))
    need = asked[0]
    return Sure(
        confidence=confidence,
        draws=draws.count,
        doubt=doubt,
        density_per_m2=np.where(ground.judged, held[:, 0].reshape(ground.judged.shape) / cells.cell_m**2, np.nan),
        exact=~ground.judged | ((held[:, 0] < need) | (held[:, 1] >= need)).reshape(ground.judged.shape),
    )


@kernel
def _hold_cells(span, looks, faces, flight, lights, drawn, fields, leaves, terms, site, asked, place, held):
    """Fill what the judged cells of a span bring in all but the `place` draws that bring least.

    The others are as for `perturbed.weigh_cells`.

    Parameters
    ----------
    place : int
        How many draws may bring less.
    held : ndarray, shape (cells, 2)
        Filled: returns, and the same where draws in which the height is not exact enough bring none.
    """
    judged, variances = site[0], site[5]
    most_variance = asked[2]
    many = len(terms)
    effects, counts = np.ones((many, 5)), np.empty(many)
    totals, of_leg = np.zeros((many, 1)), np.zeros((many, 1))
    work = effects, totals, of_leg
    for cell in range(span[0], span[1]):
        if not judged[cell]:
            continue
        scale = perturbed.draw_cell(cell, looks, faces, flight, lights, drawn, fields, leaves, site, asked, work)
        for draw in range(many):
            counts[draw] = totals[draw, perturbed.ALL] * scale * effects[draw, PASSED]
        held[cell, 0] = np.partition(counts, place)[place]
        for draw in range(many):
            variance = 0.0
            for term in range(variances.shape[1]):
                variance += variances[cell, term] * terms[draw, term] ** 2
            if not variance <= most_variance:
                counts[draw] = 0.0
        held[cell, 1] = np.partition(counts, place)[place]
