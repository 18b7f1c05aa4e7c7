"""How many checkpoints a test of heights takes, and what so many can prove.

Lives here: the number by area, and chances by the chi-square law. Must not know where checkpoints stand.

Source: [1] ASPRS Positional Accuracy Standards for Digital Geospatial Data, Edition 2 (2024).
"""

import math

LEAST_BY_STANDARD = 30
"""Checkpoints below which Edition 2 knows no statement of accuracy [1]."""
MOST_BY_STANDARD = 120
PROOF = 0.95
"""Confidence with which a passed test is said to prove an accuracy."""


def checkpoints_for_area(area_km2: float) -> int:
    """Return the number of checkpoints that ASPRS Edition 2 asks for by area [km2].

    30 up to 1000 km2, 10 more for each further 1000 km2 or part of it, 120 at most [1]; least and most as read, the
    steps between from memory of the table.
    """
    further = math.ceil(max(area_km2 - 1000.0, 0.0) / 1000.0)
    return min(LEAST_BY_STANDARD + 10 * further, MOST_BY_STANDARD)


def pass_chance(count: int, true_sd_m: float, limit_m: float, survey_sd_m: float = 0.0) -> float:
    """Return the chance, 0-1, that the RMSE at `count` checkpoints stays within the limit.

    Errors are taken as normal, without bias and independent from point to point: then count RMSE^2 / sd^2 follows the
    chi-square law with `count` degrees of freedom. The tested difference holds the error of the checkpoint as well:
    sd^2 = true^2 + survey^2 ([1], RMSEv).

    Parameters
    ----------
    count : int
        Number of checkpoints, 1 or more.
    true_sd_m, survey_sd_m : float
        Standard deviation of the delivered heights, and of the surveyed ones [m].
    limit_m : float
        RMSE that passes at most [m].
    """
    tested_m = math.hypot(true_sd_m, survey_sd_m)
    if tested_m == 0:
        return 1.0
    return chi_square_below(count * (limit_m / tested_m) ** 2, count)


def largest_sd_passing(count: int, limit_m: float, chance: float, survey_sd_m: float = 0.0) -> float:
    """Return the largest standard deviation [m] of delivered heights that passes with at least this chance.

    With chance 0.05 it is what a passed test proves: heights worse than that pass one time in twenty at most.
    0 where the error of the survey alone passes less often.
    """
    if not 0 < chance < 1:
        raise ValueError(f"chance {chance:g} is not between 0 and 1")
    low, high = 0.0, 1.0
    while chi_square_below(high, count) < chance:
        low, high = high, 2 * high
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if chi_square_below(middle, count) < chance else (low, middle)
    tested_m = limit_m * math.sqrt(count / high)
    return math.sqrt(max(tested_m**2 - survey_sd_m**2, 0.0))


def chi_square_below(value: float, degrees: int) -> float:
    """Return the chance that chi-square with so many degrees of freedom is at most `value`.

    One less the upper tail, which is a finite sum for whole degrees of freedom: Abramowitz and Stegun, Handbook of
    Mathematical Functions, 26.4.4 (odd) and 26.4.5 (even). To 1e-12 absolute.
    """
    if degrees < 1:
        raise ValueError(f"{degrees} degrees of freedom: a test takes one checkpoint at least")
    if value <= 0:
        return 0.0
    half, odd = value / 2, degrees % 2
    powers = [step + odd / 2 for step in range(degrees // 2)]
    tail = math.fsum(math.exp(power * math.log(half) - half - math.lgamma(power + 1)) for power in powers)
    return max(1.0 - tail - (math.erfc(math.sqrt(half)) if odd else 0.0), 0.0)
