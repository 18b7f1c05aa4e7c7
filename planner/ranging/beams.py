"""The scan patterns of sensors, and how each shares out its pulses across the flight.

Lives here: patterns at one setting of their rates, and closed forms of their density. Must not know trajectories
or terrain.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from planner.aircraft import Aircraft
from planner.equipment import Sensor
from planner.ranging import patterns

Array = npt.NDArray[np.float64]

_KINDS = {
    "rotating": patterns.LINEAR,
    "oscillating_linear": patterns.LINEAR,
    "oscillating_sine": patterns.SINE,
    "polygon": patterns.LINEAR,
    "conical": patterns.CONE,
    "rosette": patterns.ROSETTE,
    "matrix": patterns.FRAME,
    "profiling": patterns.FIXED,
}
_ROSETTE_STEPS = 512


@dataclass(frozen=True)
class ScanPattern:
    """How a sensor spreads its pulses, at one setting of its rates.

    Attributes
    ----------
    kind : str
        The sensor's pattern, as on its card.
    pulse_rate_hz : float
        Directions measured per second: pulses, or pixels of all frames of a ``matrix`` [Hz].
    line_rate_hz : float
        Scan lines (turns, frames) per second [Hz]; 0 for ``profiling``.
    optical_half_angle_rad, usable_half_angle_rad : float
        Half of the opening the pulses are spread over, and of the accepted part [rad].
    forward_tilt_rad : float
        Tilt of the scan plane from straight down, positive forward [rad].
    beam_elevations_rad : tuple of float
        Beams of a rotating head, angle of each ahead of its plane [rad].
    wedge_ratio : float
        Turns of a rosette's second wedge, the other way round, to one of the first.
    frame_pixels : tuple of int
        Pixels of a frame across and along the flight.
    along_half_angle_rad : float
        Half of a frame's opening along the flight [rad].
    """

    kind: str
    pulse_rate_hz: float
    line_rate_hz: float
    optical_half_angle_rad: float
    usable_half_angle_rad: float
    forward_tilt_rad: float = 0.0
    beam_elevations_rad: tuple[float, ...] = (0.0,)
    wedge_ratio: float = 1.0
    frame_pixels: tuple[int, int] = (1, 1)
    along_half_angle_rad: float = 0.0

    @property
    def pulses_per_line(self) -> float:
        """Pulses spread over one scan line (turn, frame), need not be whole; 1 for a fixed beam."""
        return self.pulse_rate_hz / self.line_rate_hz if self.line_rate_hz else 1.0

    @property
    def swings(self) -> bool:
        """Whether every second scan line runs back."""
        return self.kind.startswith("oscillating")

    @property
    def planar(self) -> bool:
        """Whether the pulses of one scan line lie in a plane."""
        return _KINDS[self.kind] in (patterns.LINEAR, patterns.SINE) and self.beam_elevations_rad == (0.0,)

    def figures(self) -> Array:
        """Return the pattern as kernels read it, shape (10,): see `patterns`."""
        return np.array(
            [
                _KINDS[self.kind],
                self.optical_half_angle_rad or 1.0,
                self.usable_half_angle_rad,
                self.pulses_per_line,
                self.swings,
                self.wedge_ratio,
                *self.frame_pixels,
                np.tan(self.optical_half_angle_rad) if self.kind == "matrix" else 0.0,
                np.tan(self.along_half_angle_rad),
            ],
            dtype=np.float64,
        )


def scan_pattern(
    sensor: Sensor, pulse_rate_hz: float, line_rate_hz: float, usable_half_angle_rad: float | None = None
) -> ScanPattern:
    """Return the pattern of a sensor at given rates [Hz]; the usable half angle [rad] is the card's unless given.

    The pulse rate is the laser's; a frame of pixels measures as many directions with each pulse.
    """
    usable = np.radians(sensor.usable_fov_deg / 2) if usable_half_angle_rad is None else usable_half_angle_rad
    return ScanPattern(
        kind=sensor.pattern,
        pulse_rate_hz=pulse_rate_hz * sensor.directions_per_pulse,
        line_rate_hz=pulse_rate_hz if sensor.pattern == "matrix" else line_rate_hz,
        optical_half_angle_rad=float(np.radians(sensor.optical_fov_deg / 2)),
        usable_half_angle_rad=float(usable),
        forward_tilt_rad=float(np.radians(sensor.forward_tilt_deg)),
        beam_elevations_rad=tuple(float(angle) for angle in np.radians(sensor.beam_elevations_deg)),
        wedge_ratio=sensor.wedge_ratio or 1.0,
        frame_pixels=sensor.frame_pixels or (1, 1),
        along_half_angle_rad=float(np.radians((sensor.frame_along_fov_deg or 0.0) / 2)),
    )


def scan_tilt_rad(sensor: Sensor, aircraft: Aircraft, speed_mps: float) -> float:
    """Return the tilt of the scan plane in flight from straight down [rad], positive forward.

    A multirotor flies nose down, which turns the underside of a rigidly mounted sensor backward.
    """
    nose_down = aircraft.pitch_per_speed_deg_s_per_m * speed_mps if sensor.tilts_with_aircraft else 0.0
    return float(np.radians(sensor.forward_tilt_deg - nose_down))


def angular_pulse_rate(pattern: ScanPattern, angle_rad: npt.ArrayLike) -> Array:
    """Return pulses per second and radian of the angle across the flight [rad], any shape; 0 outside the opening.

    What a pattern spreads along the flight is pooled: over flat ground and one pass only the angle across counts.
    Constant angular rate spreads F pulses evenly over the opening 2 T: F / (2 T) (Baltsavias 1999, ISPRS J.
    54:199-214), for each beam of a rotating head alike. A sinusoidal mirror t = T sin(x) dwells at its ends:
    F / (pi sqrt(T^2 - t^2)). A cone puts a ring of radius tan T on the ground, and a ring has its points at
    u = tan t with density F / (pi sqrt(tan^2 T - u^2)); the pixels of a frame lie evenly in u; a rosette is a sum of
    rings. A fixed beam has no angular spread and is refused.
    """
    if pattern.kind == "profiling":
        msg = "a fixed beam has no angular pulse rate"
        raise ValueError(msg)
    angle = np.asarray(angle_rad, dtype=np.float64)
    opening, all_pulses = pattern.optical_half_angle_rad, pattern.pulse_rate_hz
    aside = np.tan(angle)
    with np.errstate(divide="ignore", invalid="ignore"):
        if pattern.kind == "oscillating_sine":
            rate = all_pulses / (np.pi * np.sqrt(opening**2 - angle**2))
        elif pattern.kind == "conical":
            rate = all_pulses / (np.pi * np.sqrt(np.tan(opening) ** 2 - aside**2)) * (1 + aside**2)
        elif pattern.kind == "matrix":
            rate = all_pulses / (2 * np.tan(opening)) * (1 + aside**2)
        elif pattern.kind == "rosette":
            rate = all_pulses * np.interp(np.abs(aside), *_rosette_profile(opening)) * (1 + aside**2)
        else:
            rate = np.full(angle.shape, all_pulses / (2 * opening))
    return np.where(np.abs(angle) <= pattern.usable_half_angle_rad, rate, 0.0)


@lru_cache(maxsize=32)
def _rosette_profile(opening_rad: float) -> tuple[Array, Array]:
    """Return places u across flat ground one metre below a rosette, and the share of its pulses per metre there.

    Two equal wedges turn against each other at rates without a common measure: the angle off the axis is
    T |cos x| with x even over a quarter turn, in a direction even over the circle. Each x is a ring of radius
    R = tan(T cos x), whose points lie at u with density 1 / (pi sqrt(R^2 - u^2)). The singular end of the integral
    over x is taken out by x = x_most sin w.
    """
    farthest = np.tan(opening_rad)
    aside = farthest * (np.arange(_ROSETTE_STEPS) + 0.5) / _ROSETTE_STEPS
    most = np.arccos(np.arctan(aside) / opening_rad)[:, np.newaxis]
    turn = (np.arange(_ROSETTE_STEPS) + 0.5) / _ROSETTE_STEPS * np.pi / 2
    rings = np.tan(opening_rad * np.cos(most * np.sin(turn)))
    density = np.cos(turn) * most / np.sqrt(np.maximum(rings**2 - aside[:, np.newaxis] ** 2, 1e-300))
    share = density.sum(axis=1) * (np.pi / 2 / _ROSETTE_STEPS) * 2 / np.pi / np.pi
    return aside, share


def usable_share(pattern: ScanPattern) -> float:
    """Return the share of all pulses sent within the usable opening, 0-1."""
    usable, opening = pattern.usable_half_angle_rad, pattern.optical_half_angle_rad
    if pattern.kind in ("profiling", "conical", "rosette", "matrix"):
        return 1.0
    if pattern.kind == "oscillating_sine":
        return float(2 / np.pi * np.arcsin(min(usable / opening, 1.0)))
    return float(usable / opening)
