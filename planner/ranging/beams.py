"""Directions of the pulses in the sensor's own frame.

Lives here: scan patterns and how they share out their pulses. Must not know trajectories or terrain.

Angles are measured in the scan plane from its middle, positive to the right of flight. The pulse number f(t)
of a scan line grows with the angle t; f counts pulses from the left end of the line.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.mission import Aircraft, Sensor

Array = npt.NDArray[np.float64]


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
    forward_tilt_rad : float
        Tilt of the scan plane from straight down, positive forward [rad].
    """

    kind: str
    pulse_rate_hz: float
    line_rate_hz: float
    optical_half_angle_rad: float
    usable_half_angle_rad: float
    forward_tilt_rad: float = 0.0

    @property
    def pulses_per_line(self) -> float:
        """Pulses spread over one scan line, need not be whole; 1 for a fixed beam."""
        return self.pulse_rate_hz / self.line_rate_hz if self.line_rate_hz else 1.0


def scan_pattern(
    sensor: Sensor, pulse_rate_hz: float, line_rate_hz: float, usable_half_angle_rad: float | None = None
) -> ScanPattern:
    """Return the pattern of a sensor at given rates [Hz]; the usable half angle [rad] is the card's unless given."""
    usable = np.radians(sensor.usable_fov_deg / 2) if usable_half_angle_rad is None else usable_half_angle_rad
    return ScanPattern(
        kind=sensor.pattern,
        pulse_rate_hz=pulse_rate_hz,
        line_rate_hz=line_rate_hz,
        optical_half_angle_rad=float(np.radians(sensor.optical_fov_deg / 2)),
        usable_half_angle_rad=float(usable),
        forward_tilt_rad=float(np.radians(sensor.forward_tilt_deg)),
    )


def scan_tilt_rad(sensor: Sensor, aircraft: Aircraft, speed_mps: float) -> float:
    """Return the tilt of the scan plane in flight from straight down [rad], positive forward.

    A multirotor flies nose down, which turns the underside of a rigidly mounted sensor backward.
    """
    nose_down = aircraft.pitch_per_speed_deg_s_per_m * speed_mps if sensor.tilts_with_aircraft else 0.0
    return float(np.radians(sensor.forward_tilt_deg - nose_down))


def angular_pulse_rate(pattern: ScanPattern, angle_rad: npt.ArrayLike) -> Array:
    """Return pulses per second and radian at scan angles [rad], any shape; 0 outside the usable opening.

    Constant angular rate spreads F pulses evenly over the opening 2 T: F / (2 T) (Baltsavias 1999, ISPRS J.
    54:199-214). A sinusoidal mirror t = T sin(x) dwells at its ends: F / (pi sqrt(T^2 - t^2)).
    A fixed beam has no angular spread and is refused.
    """
    if pattern.kind == "profiling":
        msg = "a fixed beam has no angular pulse rate"
        raise ValueError(msg)
    angle = np.asarray(angle_rad, dtype=np.float64)
    opening = pattern.optical_half_angle_rad
    if pattern.kind == "oscillating_sine":
        with np.errstate(divide="ignore", invalid="ignore"):
            rate = pattern.pulse_rate_hz / (np.pi * np.sqrt(opening**2 - angle**2))
    else:
        rate = np.full(angle.shape, pattern.pulse_rate_hz / (2 * opening))
    return np.where(np.abs(angle) <= pattern.usable_half_angle_rad, rate, 0.0)


def usable_share(pattern: ScanPattern) -> float:
    """Return the share of all pulses sent within the usable opening, 0-1."""
    usable, opening = pattern.usable_half_angle_rad, pattern.optical_half_angle_rad
    if pattern.kind == "profiling":
        return 1.0
    if pattern.kind == "oscillating_sine":
        return float(2 / np.pi * np.arcsin(min(usable / opening, 1.0)))
    return float(usable / opening)
