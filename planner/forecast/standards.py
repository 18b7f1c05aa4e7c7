"""What published acceptance standards ask for, in numbers.

Lives here: limits of quality levels and of vertical classes. Must not know what a flight brings back.
"""

import math
from dataclasses import dataclass

from planner.requirement import QUALITY_LEVEL_DENSITY_PER_M2
from planner.wording import QUALITY_LEVEL_RMSE_M

OVERLAP_M = 75.0
"""Least overlap of neighbouring swaths [m], for crewed aircraft: USGS Lidar Base Specification 2025 rev. A, ch. 9."""

FILLED_SHARE = 0.90
"""Least share of test cells that hold a first return: the same, spatial distribution and regularity."""

BIAS_SHARE = 0.25
"""Largest mean error as a share of the RMSE asked for: ASPRS Positional Accuracy Standards, Edition 2, sec. 7."""


@dataclass(frozen=True)
class QualityLevel:
    """A quality level of the USGS Lidar Base Specification, 2025 rev. A (Techniques and Methods 11-B4).

    Attributes
    ----------
    name : str
        ``"QL0"`` to ``"QL3"``.
    spacing_m, density_per_m2 : float
        Largest aggregate nominal pulse spacing (ANPS) and least density (ANPD), table 1 [m, 1/m2].
    smooth_surface_m, swath_difference_m : float
        Largest repeatability on smooth surfaces and RMSDz between overlapping swaths, table 2 [m].
    rmse_m : float
        Largest vertical RMSE on open ground, checkpoint error included, table 4 [m].
    """

    name: str
    spacing_m: float
    density_per_m2: float
    smooth_surface_m: float
    swath_difference_m: float
    rmse_m: float

    @property
    def smooth_cell_m(self) -> float:
        """Side of the cell in which smooth surfaces are tested: twice the spacing in whole metres [m]."""
        return 2.0 * math.ceil(self.spacing_m)


def _level(name: str, spacing_m: float, smooth_surface_m: float, swath_difference_m: float) -> QualityLevel:
    density, rmse_m = QUALITY_LEVEL_DENSITY_PER_M2[name], QUALITY_LEVEL_RMSE_M[name]
    return QualityLevel(name, spacing_m, density, smooth_surface_m, swath_difference_m, rmse_m)


QUALITY_LEVELS = {
    level.name: level
    for level in (
        _level("QL0", 0.35, 0.03, 0.04),
        _level("QL1", 0.35, 0.06, 0.08),
        _level("QL2", 0.71, 0.06, 0.08),
        _level("QL3", 1.41, 0.12, 0.16),
    )
}


@dataclass(frozen=True)
class VerticalClass:
    """A vertical accuracy class: ASPRS Positional Accuracy Standards, Edition 2 (2023), table of vertical classes.

    Attributes
    ----------
    rmse_m : float
        Largest vertical RMSE on open ground, checkpoint error included: the class itself [m].
    smooth_surface_m : float
        Largest difference within a swath on a smooth surface [m].
    swath_difference_m, swath_most_m : float
        Largest RMSDz and largest single difference between swaths [m].
    """

    rmse_m: float
    smooth_surface_m: float
    swath_difference_m: float
    swath_most_m: float


def vertical_class(class_cm: float) -> VerticalClass:
    """Return the limits of the vertical class # cm: #, 0.60 #, 0.80 # and 1.60 #."""
    rmse_m = class_cm / 100
    return VerticalClass(rmse_m, 0.60 * rmse_m, 0.80 * rmse_m, 1.60 * rmse_m)


def void_m2(spacing_m: float) -> float:
    """Return the least area of a data void, (4 ANPS)^2 [m2]: USGS Lidar Base Specification, data voids."""
    return (4 * spacing_m) ** 2


def rmse_with_checkpoints_m(fit_m: float, checkpoint_sd_m: float) -> float:
    """Return the RMSE that is reported: fit to checkpoints and their own error together [m].

    ASPRS Positional Accuracy Standards, Edition 2: RMSEv = sqrt(RMSEv1^2 + RMSEv2^2).
    """
    return math.hypot(fit_m, checkpoint_sd_m)
