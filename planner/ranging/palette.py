"""Classes of surface as a wavelength and a day show them, for the range equation.

Lives here: the brightness of every class in one case of wetness and wind. Must not know where classes lie, nor ranges.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.cover import Surface
from planner.ranging.reflectance import covered, matt_reflectance, reflectance_factor

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

LOBE_STEPS = 256
"""Entries of a mirror lobe, at even steps of sqrt(1 - cos incidence): fine where lobes are narrow."""


@dataclass(frozen=True)
class Palette:
    """The classes of a site in one case; the first stands for ground of unknown class, as bright as the card rates.

    Attributes
    ----------
    matt : ndarray, shape (c,)
        Matt reflectance, 0-1.
    lobes : ndarray, shape (c, LOBE_STEPS)
        Reflectance factor of the mirror lobe, and of what glass lets through, by sqrt(1 - cos incidence), 0 to 1.
    shiny, water : ndarray of bool, shape (c,)
        Classes that have such a part beside the matt one when bare; classes that are open water.
    """

    matt: Array
    lobes: Array
    shiny: Mask
    water: Mask


def rated_palette(reflectance: float) -> Palette:
    """Return the palette of a site of unknown cover."""
    return Palette(np.array([reflectance]), np.zeros((1, LOBE_STEPS)), np.zeros(1, bool), np.zeros(1, bool))


def palette_of(
    surfaces: Sequence[Surface],
    rated_reflectance: float,
    wavelength_nm: float,
    *,
    wet: bool = False,
    frost: Surface | None = None,
    wind_mps: float = 0.0,
) -> Palette:
    """Return how bright surfaces are.

    Parameters
    ----------
    surfaces : sequence of Surface
        Classes 1, 2, ... of the site.
    rated_reflectance : float
        What class 0 is taken for, 0-1.
    wavelength_nm : float
        Of the laser [nm].
    wet, wind_mps : bool, float
        Whether surfaces are wet, and the wind over water [m/s].
    frost : Surface or None
        What covers all of them but open water, as frost does; None where they lie bare.
    """
    incidence = np.arccos(1 - np.linspace(0.0, 1.0, LOBE_STEPS) ** 2)
    matt, lobes = [rated_reflectance], [np.zeros(LOBE_STEPS)]
    for surface in (covered(one, frost) if frost else one for one in surfaces):
        base = float(matt_reflectance(surface, wavelength_nm, wet=wet))
        whole = reflectance_factor(surface, wavelength_nm, incidence, wet=wet, wind_mps=wind_mps)
        matt.append(base)
        lobes.append(whole - base)
    return Palette(
        np.array(matt),
        np.array(lobes),
        np.array([False, *(surface.kind != "diffuse" for surface in surfaces)]),
        np.array([False, *(surface.kind == "water" for surface in surfaces)]),
    )
