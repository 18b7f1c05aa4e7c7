"""Returns per cell and what they say about the requirement.

Lives here: density figures and their definitions. Must not know how lines were planned.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class DensityFigures:
    """The density of the judged cells, with the definition it was judged by.

    Attributes
    ----------
    definition : str
        Which returns, which passes, which cell, which percentile, in words.
    target_per_m2, mean_per_m2, judged_per_m2, p05_per_m2, min_per_m2 : float
        Required density; mean; the judged percentile; 5th percentile; least cell [1/m2].
    judged_percentile : float
        Percentile that is held against the target [percent].
    cell_m : float
        Side of the judging cell [m].
    """

    definition: str
    target_per_m2: float
    mean_per_m2: float
    judged_percentile: float
    judged_per_m2: float
    p05_per_m2: float
    min_per_m2: float
    cell_m: float


@dataclass(frozen=True)
class CoverageFigures:
    """How much of the area falls short, and why.

    Attributes
    ----------
    area_m2 : float
        Judged cells times cell area [m2].
    below_m2, below_pct : float
        Part of it below the target [m2, percent].
    by_cause_m2 : dict of str to float
        The same by cause; adds up to `below_m2` exactly [m2].
    edge_below_pct : float
        Share below the target within 20 m of the edge of the area [percent].
    """

    area_m2: float
    below_m2: float
    below_pct: float
    by_cause_m2: dict[str, float]
    edge_below_pct: float
