"""How steeply and from how far away a flight looks at each judging cell.

Lives here: angle and distance of looks that bring returns. Must not know limits, plans or what is asked.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.forecast.budgets import LEAST_RETURNS
from planner.ranging.attitude import Leg
from planner.ranging.looks import Faces, Looks

Array = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

_SPAN = 1_000_000  # looks that are worked on in one go


@dataclass(frozen=True)
class SightLines:
    """Looks that bring a return to their cell, cell by cell; arrays of shape (n,).

    Attributes
    ----------
    cell, leg : ndarray of int64
        Flat cell, and number of the leg.
    off_normal_deg : ndarray
        Angle between the line of sight and the normal of the face [deg].
    distance_m : ndarray
        Distance in space [m].
    returns : ndarray
        First returns that the look is expected to bring.
    """

    cell: Whole
    leg: Whole
    off_normal_deg: Array
    distance_m: Array
    returns: Array


def sight_lines(looks: Looks, faces: Faces, legs: Sequence[Leg]) -> SightLines:
    """Return how cells are looked at: angles are to the plane that stands for the cell, not to the vertical."""
    if not legs or not looks.leg.size:
        whole, real = np.zeros(0, dtype=np.int64), np.zeros(0)
        return SightLines(whole, whole, real, real, real)
    kept = np.flatnonzero(looks.returns >= LEAST_RETURNS)
    cell, leg = looks.cell[kept], looks.leg[kept].astype(np.int64)
    first = np.concatenate([[0], np.cumsum([len(one.origins_m) for one in legs])])[:-1]
    origins, off, distance = np.concatenate([one.origins_m for one in legs]), np.empty(len(kept)), np.empty(len(kept))
    for start in range(0, len(kept), _SPAN):
        part = slice(start, start + _SPAN)
        toward = faces.centres_m[cell[part]] - origins[first[leg[part]] + looks.sample[kept[part]]]
        distance[part] = np.linalg.norm(toward, axis=1)
        # The normal of a plane that rises by s toward east and t toward north is (-s, -t, 1).
        upright = np.column_stack([-faces.slopes[cell[part]], np.ones(len(toward))])
        cosine = -np.einsum("ij,ij->i", toward, upright) / (distance[part] * np.linalg.norm(upright, axis=1))
        off[part] = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    return SightLines(cell, leg, off, distance, looks.returns[kept].astype(np.float64))


def least_by_cell(sight: SightLines, values: Array, cells: int) -> Array:
    """Return the least value of the looks at each cell, shape (cells,); nan where none brings a return."""
    least = np.full(cells, np.nan)
    np.fmin.at(least, sight.cell, values)
    return least
