"""How long lines take whichever way they head: one manner of flying, laid along every heading in turn.

Lives here: the time of each heading by closed form. Must not know which one is flown, nor why.
"""

from dataclasses import dataclass

import numpy as np
import shapely

from planner.flight.flightlines import lay_out
from planner.flight.headings import Going, layout_time_s

STEP_DEG = 5.0


@dataclass(frozen=True)
class HeadingCurve:
    """The time of lines along each heading.

    Attributes
    ----------
    heading_deg : tuple of float
        Clockwise from true north, from 0 to below 180, growing [deg].
    time_s : tuple of float
        Lines, leads and turns, the climbs between lines included [s]; nan where the wind beats the airspeed.
    """

    heading_deg: tuple[float, ...]
    time_s: tuple[float, ...]


def heading_curve(
    areas: tuple[shapely.MultiPolygon, shapely.MultiPolygon],
    spacing_m: float,
    rims_m: tuple[float, float],
    going: Going,
    convergence_rad: float,
    heading_deg: float,
) -> HeadingCurve:
    """Return the time of lines laid along every fifth degree, and along one heading more.

    Parameters
    ----------
    areas : (shapely MultiPolygon, shapely MultiPolygon)
        What is flown and what is judged of it, local coordinates [m].
    spacing_m, rims_m, going
        As for `planner.flight.flightlines.lay_out` and `planner.flight.headings.layout_time_s`.
    convergence_rad : float
        True heading less grid heading [rad].
    heading_deg : float
        The other heading, clockwise from true north [deg].
    """
    headings = sorted({*np.arange(0.0, 180.0, STEP_DEG).tolist(), heading_deg % 180})
    times = [
        layout_time_s(lay_out(*areas, float(np.radians(heading)) - convergence_rad, spacing_m, rims_m), going)
        for heading in headings
    ]
    return HeadingCurve(tuple(headings), tuple(time if np.isfinite(time) else float("nan") for time in times))
