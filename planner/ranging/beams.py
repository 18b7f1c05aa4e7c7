"""Directions of the pulses in the sensor's own frame.

Lives here: scan patterns. Must not know trajectories or terrain.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class ScanPattern:
    """How a sensor spreads its pulses, at one setting of its rates.

    Attributes
    ----------
    kind : str
        ``rotating``, ``oscillating_linear``, ``oscillating_sine``, ``polygon`` or ``profiling``.
    pulse_rate_hz, line_rate_hz : float
        Pulses and scan lines (turns, for ``rotating``) per second [Hz]; `line_rate_hz` is 0 for ``profiling``.
    optical_half_angle_rad, usable_half_angle_rad : float
        Half of the opening the pulses are spread over, and of the accepted part [rad].
    """

    kind: str
    pulse_rate_hz: float
    line_rate_hz: float
    optical_half_angle_rad: float
    usable_half_angle_rad: float
