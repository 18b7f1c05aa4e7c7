"""What becomes of a pulse that meets a surface: it returns, or is lost to one cause.

Lives here: channels of a tally and the rule that picks one. Must not know scans, rays or cells.
"""

import numpy as np

from planner.ground.kernels import kernel
from planner.ranging.linkbudget import Reach

RETURNS, TOO_NEAR, SHADOWED, TOO_FAR, AMBIGUOUS = range(5)
"""Channels of a tally: pulses that return, and pulses lost to each cause where they would have met the cell.

A pulse has one fate of `RETURNS`, `TOO_NEAR`, `TOO_FAR` and `AMBIGUOUS`, in the cell it meets; it is besides counted as
`SHADOWED` in cells that it would have met, had nothing stood before them.
"""

CHANNELS = 5

Limits = tuple[float, float, float, float, float]


def limits_of(reach: Reach) -> Limits:
    """Return a reach as kernels read it: shortest range, squared strength, extinction, longest range, ambiguity."""
    strength2 = reach.strength_m**2 * reach.reflectance
    return reach.min_range_m, strength2, reach.extinction_per_m, reach.longest_valid_m, reach.ambiguity_m


@kernel
def in_reach(distance, plane2, strength2, extinction):
    """Return whether an echo from `distance` [m] is strong enough.

    R exp(a R) <= S sqrt(cos i) with cos i = h / R, h the sensor's distance from the plane of the face: the same as
    R^3 exp(2 a R) <= S^2 h, squared here to spare the root (`plane2` is h^2, `strength2` is S^2).
    """
    cubed = distance * distance * distance
    asked, given = cubed * cubed, strength2 * strength2 * plane2
    thin = 1.0 - 2.0 * extinction * distance
    if thin > 0.0 and asked <= given * thin * thin:  # exp(x) <= 1 / (1 - x): settles nearly all without an exp
        return True
    return asked <= given and asked * np.exp(4.0 * extinction * distance) <= given


@kernel
def surely_returns(near, far, plane2, limits):
    """Return whether every pulse returns that meets a face between two ranges [m]."""
    nearest, strength2, extinction, longest, ambiguity = limits
    return near >= nearest and far <= min(longest, ambiguity) and in_reach(far, plane2, strength2, extinction)


@kernel
def fate(distance, plane2, limits):
    """Return the channel of a pulse that meets a face at a range [m]; `plane2` as for `in_reach`."""
    nearest, strength2, extinction, longest, ambiguity = limits
    if distance < nearest:
        return TOO_NEAR
    if distance > longest or not in_reach(distance, plane2, strength2, extinction):
        return TOO_FAR
    return AMBIGUOUS if distance > ambiguity else RETURNS
