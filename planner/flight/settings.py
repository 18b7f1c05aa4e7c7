"""The settings of a flight and the limit that bound each.

Lives here: height, speed, rates, angle, heading and spacing. Must not know the forecast.
"""

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Settings:
    """The nominal settings of a plan.

    Attributes
    ----------
    agl_m : float
        Nominal height above ground [m]; above the highest flown ground when `following` is ``"level"``.
    speed_mps : float
        Ground speed on lines [m/s].
    pulse_rate_hz, line_rate_hz : float
        Pulses and scan lines per second [Hz].
    usable_half_angle_deg : float
        Largest angle from the middle of the scan that is used [deg].
    line_spacing_m : float
        Distance between neighbouring lines [m].
    heading_deg : float
        Heading of the first line, clockwise from true north [deg].
    sidelap : float
        Least share of the local swath that the neighbour also covers, 0-1.
    following : {"terrain", "level"}
        Whether height follows the ground.
    bound_by : mapping of str to str
        For each setting the limit that fixed it, in words.
    """

    agl_m: float
    speed_mps: float
    pulse_rate_hz: float
    line_rate_hz: float
    usable_half_angle_deg: float
    line_spacing_m: float
    heading_deg: float
    sidelap: float
    following: str
    bound_by: Mapping[str, str]
