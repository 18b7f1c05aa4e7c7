"""Flight lines as the sensor lives them: ratings to trust, legs of trajectory, and what returns on each.

Lives here: the hand-over from flight to the engine of pulses. Must not know verdicts or files.
"""

import zlib
from collections.abc import Sequence

import numpy as np

from planner.equipment import RangeRating
from planner.flight.flightlines import FlightLine
from planner.ground.surface import Scene
from planner.mission import Mission
from planner.ranging.attitude import Leg, flown_leg
from planner.ranging.beams import scan_pattern
from planner.ranging.cases import light_for
from planner.ranging.fates import Light
from planner.ranging.principles import reach_within
from planner.ranging.ratings import by_rate


def rating_of(mission: Mission, pulse_rate_hz: float) -> RangeRating:
    """Return what to trust of the card at a pulse rate [Hz]; at the nearest higher one where the rate is not listed."""
    ratings = sorted(by_rate(mission.sensor).values(), key=lambda rating: rating.pulse_rate_hz)
    return next((rating for rating in ratings if rating.pulse_rate_hz >= pulse_rate_hz * (1 - 1e-9)), ratings[-1])


def reach_m_of(mission: Mission, pulse_rate_hz: float) -> float:
    """Return the longest range at a pulse rate [Hz] to ground as bright as rated, seen straight on, as planned [m]."""
    reach = reach_within(mission.sensor, rating_of(mission, pulse_rate_hz), mission.conditions.visibility_km)
    return float(reach.longest_m(1.0))


def leg_of(mission: Mission, scene: Scene, line: FlightLine) -> Leg:
    """Return the kept part of a flight line as the sensor lives it; its name tells its motion from other lines'."""
    pattern = scan_pattern(mission.sensor, line.pulse_rate_hz, line.line_rate_hz, line.usable_half_angle_rad)
    points, conditions = line.kept_points_m(), mission.conditions
    convergence = scene.frame.convergence_rad(float(points[:, 0].mean()), float(points[:, 1].mean()))
    return flown_leg(
        points,
        line.speed_mps,
        pattern,
        mission.sensor,
        mission.aircraft,
        (conditions.wind_mps, float(np.radians(conditions.wind_from_deg)) - convergence),
        np.random.default_rng([conditions.seed, zlib.crc32(line.line_id.encode())]),
    )


def lights_of(mission: Mission, scene: Scene, lines: Sequence[FlightLine]) -> list[Light]:
    """Return what returns on each line, in the planned case and in those it is compared with."""
    rates = {line.pulse_rate_hz for line in lines}
    lights = {rate: light_for(mission, scene, rating_of(mission, rate)) for rate in rates}
    return [lights[line.pulse_rate_hz] for line in lines]
