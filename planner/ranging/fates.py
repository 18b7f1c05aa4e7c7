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

Limits = tuple[float, float, float, float, float, int]


def limits_of(reach: Reach) -> Limits:
    """Return a reach as kernels read it.

    Shortest range, squared strength, extinction, longest range, ambiguity, returns kept of a pulse.
    """
    strength2 = reach.strength_m**2 * reach.reflectance
    valid = reach.min_range_m, strength2, reach.extinction_per_m, reach.longest_valid_m, reach.ambiguity_m
    return *valid, reach.returns_per_pulse


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
def fate(distance, plane2, limits):
    """Return the channel of a pulse that meets a face at a range [m].

    `plane2` as for `in_reach`; negative for leaves, which face every way.
    """
    if plane2 < 0.0:
        plane2 = distance * distance
    nearest, strength2, extinction, longest, ambiguity, _ = limits
    if distance < nearest:
        return TOO_NEAR
    if distance > longest or not in_reach(distance, plane2, strength2, extinction):
        return TOO_FAR
    return AMBIGUOUS if distance > ambiguity else RETURNS


@kernel
def easy_returns(limits):
    """Return what tells without roots and divisions, of nearly all pieces, that all their pulses return.

    Shortest range [m], squared longest range [m2], and exp(4 a R) / S^4 at the longest range that light returns from
    at all: with it the law of `in_reach` asks for more than it does at any shorter range.
    """
    nearest, strength2, extinction, longest, ambiguity, _ = limits
    strength = np.sqrt(strength2)
    least = strength * np.exp(-extinction * strength)
    farthest = min(strength * np.exp(-extinction * least), longest, ambiguity)
    return nearest, farthest * farthest, np.exp(4.0 * extinction * farthest) / (strength2 * strength2)
