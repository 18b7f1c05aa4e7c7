"""What constant heights in steps keep to on a job, and which lines leave their band of heights above ground.

Lives here: band, overlap and shortest part for a mission, and the lines beyond the band. Must not know how parts are
found or how settings are chosen.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.flight.avoidance import LEAST_M
from planner.flight.demands import least_eye_agl_m
from planner.flight.flightlines import FlightLine
from planner.flight.search import Candidate
from planner.flight.steps import BAND, Steps
from planner.flight.swath import swath_width_m
from planner.ground.surface import HeightGrid
from planner.mission import Mission

Array = npt.NDArray[np.float64]

OVERLAP_M = 5.0
"""Data are kept past a cut by so much more than geometry asks, for sway: common practice, no source."""
EASE_M = 0.5
"""A height above ground beyond its band by less than this is not told."""
STEP_M = 1.0  # between places of a line at which its height above ground is looked at


def steps_for(mission: Mission, candidate: Candidate, speed_mps: float, ahead_rad: float) -> Steps:
    """Return what the parts of lines keep to.

    Data are kept past a cut as far as the opening looks ahead from the top of the band, as far as crab takes the edge
    of the swath ahead, and `OVERLAP_M` more. No part is shorter than its leads or than twice what it shares with
    others. A multirotor speeds up and brakes straight before and behind the leads.

    Parameters
    ----------
    mission : Mission
        What is asked.
    candidate : Candidate
        The settings.
    speed_mps : float
        Ground speed [m/s].
    ahead_rad : float
        How far the pattern looks along the flight from straight down [rad].
    """
    highest_m, aircraft = (1 + BAND) * candidate.agl_m, mission.aircraft
    edge_m = float(swath_width_m(highest_m, candidate.half_angle_rad)) / 2
    crab = mission.conditions.wind_mps / speed_mps if aircraft.nose == "into_wind" else 0.0
    overlap_m = highest_m * float(np.tan(ahead_rad)) + edge_m * crab + OVERLAP_M
    return Steps(
        nominal_agl_m=candidate.agl_m,
        least_agl_m=min(candidate.agl_m, least_agl_m(mission, candidate)),
        ceiling_agl_m=mission.limits.ceiling_agl_m,
        overlap_m=overlap_m,
        shortest_m=max(LEAST_M, 2 * aircraft.settle_s * speed_mps, 2 * overlap_m),
        run_out_m=speed_mps**2 / (2 * aircraft.acceleration_mps2) if aircraft.kind == "multirotor" else 0.0,
    )


def least_agl_m(mission: Mission, candidate: Candidate) -> float:
    """Return the least height above ground that clearance, sensor and eyes allow [m]."""
    clearance_m = mission.limits.clearance_m + mission.terrain.vertical_sd_m
    return max(clearance_m, mission.sensor.min_range_m, least_eye_agl_m(mission, candidate.rating))


def least_stepped_agl_m(mission: Mission, agl_m: float) -> float:
    """Return the foot of the band round a nominal height [m], or the clearance where that is more."""
    return max((1 - BAND) * agl_m, min(agl_m, mission.limits.clearance_m + mission.terrain.vertical_sd_m))


@dataclass(frozen=True)
class BeyondBand:
    """Where data are kept from heights above ground beyond the band.

    Attributes
    ----------
    line_ids : tuple of str
        Lines that leave it.
    length_m : float
        How much of their data is kept beyond it [m].
    least_agl_m, most_agl_m : float
        Of all lines, over the data kept [m]; nan without known ground.
    """

    line_ids: tuple[str, ...]
    length_m: float
    least_agl_m: float
    most_agl_m: float


def beyond_band(ground: HeightGrid, lines: Sequence[FlightLine], agl_m: float) -> BeyondBand:
    """Return what lines keep from beyond the band round a nominal height above ground [m]."""
    low, high = (1 - BAND) * agl_m - EASE_M, (1 + BAND) * agl_m + EASE_M
    names, lengths, heights = [], 0.0, [np.array([np.nan])]
    for line in lines:
        along, (start, end) = line.along_m(), line.kept_m
        stops = np.linspace(start, end, int(np.ceil((end - start) / STEP_M)) + 1)
        east, north, up = (np.interp(stops, along, line.points_m[:, axis]) for axis in range(3))
        above = up - ground.at(east, north)
        beyond = (above < low) | (above > high)
        if beyond.any():
            names.append(line.line_id)
            lengths += float(beyond.mean()) * (end - start)
        heights.append(above)
    every = np.concatenate(heights)
    known = every[np.isfinite(every)]
    least, most = (float(known.min()), float(known.max())) if known.size else (float("nan"), float("nan"))
    return BeyondBand(tuple(names), lengths, least, most)
