"""Cells below the requirement, one cause each, and the polygons they form.

Lives here: the closed list of causes, the rule that picks the decisive one, and gap polygons.
Must not know how lines were planned.
"""

from dataclasses import dataclass

import shapely

CAUSES = (
    "no terrain",
    "no line",
    "outside swath",
    "minimum range",
    "shadow",
    "range ambiguity",
    "over range",
    "water",
    "dim surface",
    "canopy",
    "sparse",
)
"""The closed list, in order of decision; code in cause.tif = position + 1. 0 = meets its density."""

NOT_JUDGED = 255
"""Code in cause.tif of cells outside the area of interest."""


@dataclass(frozen=True)
class Gap:
    """One connected patch of cells below the requirement that share a cause.

    Attributes
    ----------
    gap_id : str
        Name of the patch, ``"G001"`` for the largest.
    cause : str
        One of `CAUSES`.
    polygon : shapely Polygon
        Outline in local coordinates [m].
    area_m2 : float
        Cells times cell area [m2].
    mean_density_per_m2 : float
        Mean density over its cells [1/m2].
    """

    gap_id: str
    cause: str
    polygon: shapely.Polygon
    area_m2: float
    mean_density_per_m2: float
