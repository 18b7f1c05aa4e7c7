"""The composition: a plan from a mission, a forecast from lines. The only place where flight, forecast and safety meet."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.flight.flightlines import FlightLine
from planner.flight.settings import Settings
from planner.forecast.density import CoverageFigures, DensityFigures
from planner.forecast.gaps import Gap
from planner.ground.surface import CellGrid


@dataclass(frozen=True)
class Plan:
    """Flight lines and what flying them takes.

    Attributes
    ----------
    lines : tuple of FlightLine
        In the order flown.
    settings : Settings or None
        Nominal settings; None for lines that somebody else drew.
    flight : mapping
        Figures named as in summary.json: lines, line_length_m, turns, time_s, pulses, returns_expected, data_bytes.
    """

    lines: tuple[FlightLine, ...]
    settings: Settings | None
    flight: Mapping[str, Any]


@dataclass(frozen=True)
class Forecast:
    """What will come back, cell by cell.

    Attributes
    ----------
    cells : CellGrid
        The judging cells.
    judged : ndarray of bool, shape (rows, cols)
        Cells whose centre lies in the area of interest.
    density_per_m2 : ndarray, shape (rows, cols)
        Density as the requirement counts it [1/m2]; nan where the terrain is unknown.
    passes : ndarray of uint8, shape (rows, cols)
        Lines that bring at least one return.
    cause : ndarray of uint8, shape (rows, cols)
        0 met, 1.. position in `CAUSES` + 1, 255 outside the area.
    gaps : tuple of Gap
        Largest first.
    density, coverage
        The figures.
    met : bool
        The verdict on the requirement.
    """

    cells: CellGrid
    judged: npt.NDArray[np.bool_]
    density_per_m2: npt.NDArray[np.float64]
    passes: npt.NDArray[np.uint8]
    cause: npt.NDArray[np.uint8]
    gaps: tuple[Gap, ...]
    density: DensityFigures
    coverage: CoverageFigures
    met: bool
