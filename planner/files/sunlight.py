"""The bundled spectrum of the sun in.

Lives here: reading the table. Must not know what light does to a sensor.
"""

import numpy as np

from planner.files.cards import DATA
from planner.ground.sun import SolarSpectrum


def read_solar_spectrum() -> SolarSpectrum:
    """Return the spectrum of a standard clear day, 380 to 4000 nm (ASTM G173-03)."""
    table = np.loadtxt(DATA / "solar_spectrum.csv", delimiter=",", comments=["#", "w"], encoding="utf-8")
    return SolarSpectrum(*np.ascontiguousarray(table.T))
