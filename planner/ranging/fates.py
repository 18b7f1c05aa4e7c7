"""What becomes of a pulse that meets a surface: the chance that it returns, and what takes it else.

Lives here: channels of a tally, and the light of a leg as kernels read it. Must not know scans, rays or cells.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numba as nb
import numpy as np
import numpy.typing as npt

from planner.ground.kernels import kernel, lent
from planner.ranging.linkbudget import Reach
from planner.ranging.palette import LOBE_STEPS, Palette, rated_palette

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

RETURNS, TOO_NEAR, SHADOWED, TOO_FAR, AMBIGUOUS, WATER, DIM = range(7)
"""Channels of a tally: pulses that return, and pulses lost to each cause where they would have met the cell.

A pulse that meets a cell is shared out over all channels but `SHADOWED` by its chances: as `TOO_FAR` what would not
return from a surface as bright as the card's range is rated for either, as `DIM` or `WATER` what only this surface
takes. It is besides counted as `SHADOWED` in cells that it would have met, had nothing stood before them.
"""

CHANNELS = 7

GROUND, OPEN_GROUND, UNVEILED, OTHERS = range(CHANNELS, CHANNELS + 4)
"""What a record of a cell holds besides: expected returns from bare ground; those were there no crowns; first returns
that come from beneath crowns, less those which `RETURNS` counts at the hull though they come from beneath it; and from
`OTHERS` on, returns in each other case."""

_NEVER = 1e300  # ranges that stand for none: infinity would make remainders nan


class Light(NamedTuple):
    """All that decides what returns on a leg, in one or several cases of air, light and wetness.

    Attributes
    ----------
    nearest_m, longest_m, told_m : float
        Shortest and longest valid range, and the range past which pulses are mistaken for each other [m].
    zone_m, blind_before_m, blind_after_m : float
        Length of a zone of range, and what is lost before and after its end [m].
    returns_per_pulse : int
        Most returns kept of a pulse.
    rated : float
        Reflectance that the card's range is rated for, 0-1.
    step : float
        Signal ratio between entries of `chances`.
    chances : ndarray, shape (n,)
        Chance of detection at ratios 0, step, 2 step ...; 1 from the last on.
    strength2_m2, extinction_per_m : ndarray, shape (k,)
        Squared range to a white face in clear air [m2], and extinction [1/m], of each case; the first is as planned.
    factors : ndarray, shape (k, c)
        Matt reflectance of each class of surface in each case.
    lobes : ndarray, shape (k, c, LOBE_STEPS)
        What mirrors besides, at even steps of sqrt(1 - cos incidence).
    shiny, water : ndarray of bool, shape (c,)
        Classes that mirror; classes that are open water.
    sure_m2, asked : ndarray, shape (c,)
        See `surely`: squared longest range [m2], and what is asked there of faces that surely return in every case.
    """

    nearest_m: float
    longest_m: float
    told_m: float
    zone_m: float
    blind_before_m: float
    blind_after_m: float
    returns_per_pulse: int
    rated: float
    step: float
    chances: Array
    strength2_m2: Array
    extinction_per_m: Array
    factors: Array
    lobes: Array
    shiny: Mask
    water: Mask
    sure_m2: Array
    asked: Array


def light_of(reaches: Sequence[Reach], palettes: Sequence[Palette] = ()) -> Light:
    """Return the light of a leg.

    Parameters
    ----------
    reaches : sequence of Reach
        One a case, the planned one first; they differ in air and light alone.
    palettes : sequence of Palette
        Surfaces in each case; none where all ground is as bright as the reach says.
    """
    planned = reaches[0]
    palettes = palettes or [rated_palette(reach.reflectance) for reach in reaches]
    step, chances = planned.seeing.table() if planned.seeing else (1.0, np.zeros(2))
    strength2 = np.array([reach.strength_m**2 for reach in reaches])
    air = np.array([reach.extinction_per_m for reach in reaches])
    factors = np.array([palette.matt for palette in palettes])
    # A face returns surely where its ratio is at the end of the table.
    sure2 = strength2[:, np.newaxis] * factors / (step * (len(chances) - 1))
    least = np.sqrt(sure2) * np.exp(-air[:, np.newaxis] * np.sqrt(sure2))
    limit = np.minimum(planned.longest_valid_m, planned.ambiguity_m)
    if planned.blind_before_m + planned.blind_after_m > 0:
        limit = min(limit, planned.zone_m - planned.blind_before_m)
    farthest = np.minimum(np.sqrt(sure2) * np.exp(-air[:, np.newaxis] * least), limit)
    with np.errstate(divide="ignore"):
        asked = np.exp(4 * air[:, np.newaxis] * farthest) / sure2**2
    return Light(
        planned.min_range_m,
        min(planned.longest_valid_m, _NEVER),
        min(planned.ambiguity_m, _NEVER),
        min(planned.zone_m, _NEVER),
        planned.blind_before_m,
        planned.blind_after_m,
        planned.returns_per_pulse,
        planned.reflectance,
        step,
        chances,
        strength2,
        air,
        factors,
        np.array([palette.lobes for palette in palettes]),
        palettes[0].shiny,
        palettes[0].water,
        (farthest**2).min(axis=0),
        np.minimum(asked, _NEVER).max(axis=0),
    )


# Pasted into the kernels that use them, which take the light as `lent`: else each would count references to all its
# arrays by slow atomic steps.
pasted = nb.njit(inline="always", error_model="numpy")


@pasted
def surely(asked, sure_m2, far2, lean, over2):
    """Return whether all pulses surely return, in every case, from a face up to a squared range [m2].

    `asked` and `sure_m2` are those of a light for the class of the face, `over2` the squared height of the sensor over
    the plane of the face, taken vertically, and `lean` the squared length of the face's normal whose upward part is 1.
    With cos i = h / R, h^2 = over2 / lean, a signal of S^2 rho h / (R^3 exp(2 a R)) is settled without roots and
    divisions, with the exponential at the longest range.
    """
    return far2 * far2 * far2 * lean * asked <= over2 and far2 <= sure_m2


@pasted
def seen(light, ratio):
    """Return the chance that a signal is seen, given as a ratio to the rated one."""
    place = ratio / light.step
    chance = 1.0
    if place < len(light.chances) - 1:
        below = int(place)
        chance = light.chances[below] + (place - below) * (light.chances[below + 1] - light.chances[below])
    return chance


@pasted
def brightness(light, case, code, cos):
    """Return the reflectance factor of a class of surface at a cosine of incidence."""
    factor = light.factors[case, code]
    if light.shiny[code]:
        place = np.sqrt(max(1.0 - cos, 0.0)) * (LOBE_STEPS - 1)
        below = min(int(place), LOBE_STEPS - 2)
        lobe = light.lobes[case, code]
        factor = factor + lobe[below] + (place - below) * (lobe[below + 1] - lobe[below])
    return factor


@pasted
def spread(light, case, distance):
    """Return the signal of a white face, face on, from a range [m]."""
    return light.strength2_m2[case] * np.exp(-2.0 * light.extinction_per_m[case] * distance) / (distance * distance)


@pasted
def chance_of(light, case, code, distance, cos):
    """Return the chance that a face of a class is seen from a range [m] at a cosine of incidence."""
    return seen(light, spread(light, case, distance) * brightness(light, case, code, cos) * cos)


@pasted
def barred(light, distance):
    """Return the channel of pulses that no light brings back right from a range [m], `RETURNS` for none."""
    channel = RETURNS
    if distance < light.nearest_m:
        channel = TOO_NEAR
    elif distance > light.longest_m:
        channel = TOO_FAR
    elif distance > light.told_m:
        channel = AMBIGUOUS
    elif light.blind_before_m + light.blind_after_m > 0.0:
        past = distance % light.zone_m
        if (distance >= light.zone_m and past <= light.blind_after_m) or light.zone_m - past <= light.blind_before_m:
            channel = AMBIGUOUS
    return channel


@pasted
def share_out(light, code, distance, cos, pulses, cell):
    """Share pulses out over the record of a cell; return what returns as planned."""
    channel = barred(light, distance)
    returns = 0.0
    if channel in (TOO_NEAR, TOO_FAR):
        cell[channel] += pulses
    else:
        white = spread(light, 0, distance) * cos
        chance = seen(light, white * brightness(light, 0, code, cos))
        if chance < 1.0:
            dim = max(seen(light, white * light.rated) - chance, 0.0)
            if light.water[code]:
                dim = 1.0 - chance
            cell[WATER if light.water[code] else DIM] += dim * pulses
            cell[TOO_FAR] += (1.0 - chance - dim) * pulses
        cell[channel] += chance * pulses
        if channel == RETURNS:
            returns = chance * pulses
            for case in range(1, len(light.strength2_m2)):
                cell[OTHERS + case - 1] += chance_of(light, case, code, distance, cos) * pulses
    return returns


@kernel
def chance_at(light, code, distance, plane2):
    """Return the chance that a pulse returns from a range [m].

    `plane2` is the squared distance of the sensor from the plane of the face [m2], negative for leaves, which face
    every way.
    """
    light = lent(light)
    cos = 1.0 if plane2 < 0.0 else min(np.sqrt(plane2) / distance, 1.0)
    return chance_of(light, 0, code, distance, cos) if barred(light, distance) == RETURNS else 0.0
