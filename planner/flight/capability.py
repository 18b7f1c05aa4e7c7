"""What a sensor can do over flat ground, for choosing one.

Lives here: swath, density and reach of a card at a height. Must not know sites, lines or forecasts.
"""

from dataclasses import dataclass, replace

import numpy as np

from planner.equipment import RangeRating, Sensor
from planner.flight.swath import reach_half_angle_rad, swath_width_m
from planner.ranging.beams import scan_pattern, usable_share
from planner.ranging.principles import reach_within


@dataclass(frozen=True)
class Capability:
    """A sensor at one pulse rate and height over flat ground of the reflectance its range is rated for.

    Attributes
    ----------
    swath_m : float
        Width that the usable opening and the reach leave [m]; 0 for a fixed beam, nan out of reach.
    density_per_m2 : float
        First returns of one pass, mean over the swath [1/m2]; nan for a fixed beam and out of reach.
    """

    swath_m: float
    density_per_m2: float


def capability(sensor: Sensor, rating: RangeRating, agl_m: float, speed_mps: float) -> Capability:
    """Return what one pass brings at a height above flat ground [m] and a ground speed [m/s]."""
    if sensor.pattern == "profiling":
        return Capability(0.0, np.nan)
    reach = reach_within(sensor, rating, rating.visibility_km)
    pattern = scan_pattern(sensor, rating.pulse_rate_hz, max(sensor.line_rates_hz, default=0.0))
    half_angle = min(float(reach_half_angle_rad(reach, agl_m, pattern)), pattern.usable_half_angle_rad)
    if not half_angle > 0 or agl_m < sensor.min_range_m:
        return Capability(np.nan, np.nan)
    swath = float(swath_width_m(agl_m, half_angle))
    kept = pattern.pulse_rate_hz * usable_share(replace(pattern, usable_half_angle_rad=half_angle))
    return Capability(swath, kept / (speed_mps * swath))
