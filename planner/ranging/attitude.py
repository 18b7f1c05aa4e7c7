"""How a sensor is turned in flight: mount, boresight, crab and the aircraft's motion, and where it is.

Lives here: rotations, the wind triangle, seeded attitude motion, and legs of trajectory with the sensor on.
Must not know terrain, flight lines or what is measured.

A body has axes forward, right, down. It is turned by roll first (positive turns the view to the right), then by tilt
(positive turns the view forward; nose-up pitch), then by yaw (clockwise from north).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.aircraft import Aircraft
from planner.equipment import Sensor
from planner.errors import Fault, InfeasibleError
from planner.ground.kernels import kernel
from planner.ranging.beams import ScanPattern

Array = npt.NDArray[np.float64]

SAMPLES_HZ = 200.0
"""How often place and attitude are taken where a pattern has no scan lines to take them by [Hz]."""

_WORLD = np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, -1.0]])  # north, east, down to east, north, up


@dataclass(frozen=True)
class Leg:
    """A stretch of trajectory with the sensor on, sampled once a scan line, or `SAMPLES_HZ` times a second.

    Attributes
    ----------
    points_m : ndarray, shape (k, 3)
        The track: east, north, up in the order flown [m].
    pattern : ScanPattern
        How pulses are spread.
    origins_m : ndarray, shape (n, 3)
        East, north, up of the sensor at the middle of each sample [m].
    angles_rad : ndarray, shape (n, 3)
        Yaw, tilt and roll of the sensor at the middle of each sample [rad].
    samples_hz : float
        Samples per second [Hz].
    """

    points_m: Array
    pattern: ScanPattern
    origins_m: Array
    angles_rad: Array
    samples_hz: float

    @property
    def pulses(self) -> int:
        """Pulses sent on the leg, in all directions."""
        return int(np.floor(len(self.origins_m) / self.samples_hz * self.pattern.pulse_rate_hz + 1e-6))


def rotation(yaw_rad: npt.ArrayLike, tilt_rad: npt.ArrayLike, roll_rad: npt.ArrayLike) -> Array:
    """Return the matrices, shape (..., 3, 3), that take forward, right, down of a body to north, east, down."""
    yaw, tilt, roll = np.broadcast_arrays(*(np.asarray(a, dtype=np.float64) for a in (yaw_rad, tilt_rad, roll_rad)))
    sin_y, cos_y, sin_t, cos_t, sin_r, cos_r = (f(a) for a in (yaw, tilt, roll) for f in (np.sin, np.cos))
    zero = np.zeros(yaw.shape)
    about_down = [[cos_y, -sin_y, zero], [sin_y, cos_y, zero], [zero, zero, zero + 1]]
    about_right = [[cos_t, zero, sin_t], [zero, zero + 1, zero], [-sin_t, zero, cos_t]]
    about_forward = [[zero + 1, zero, zero], [zero, cos_r, sin_r], [zero, -sin_r, cos_r]]
    turns = (np.moveaxis(np.array(turn), (0, 1), (-2, -1)) for turn in (about_down, about_right, about_forward))
    first, second, third = turns
    return np.asarray(first @ second @ third)


def to_world(angles_rad: Array) -> Array:
    """Return the matrices, shape (n, 3, 3), from forward, right, down of a body to east, north, up."""
    return np.asarray(_WORLD @ rotation(*np.asarray(angles_rad).T))


def angles_of(matrices: Array) -> Array:
    """Return yaw, tilt and roll [rad], shape (..., 3), of matrices like those of `rotation`."""
    yaw = np.arctan2(matrices[..., 1, 0], matrices[..., 0, 0])
    tilt = np.arcsin(np.clip(-matrices[..., 2, 0], -1.0, 1.0))
    roll = np.arctan2(-matrices[..., 2, 1], matrices[..., 2, 2])
    return np.stack([yaw, tilt, roll], axis=-1)


def mount_rotation(sensor: Sensor) -> Array:
    """Return the matrix, shape (3, 3), from the sensor's axes to the aircraft's: mounting angles and boresight."""
    turned, tilt, sideways = np.radians([sensor.turned_deg, sensor.forward_tilt_deg, sensor.sideways_tilt_deg])
    roll, pitch, heading = np.radians(sensor.boresight_deg)
    return np.asarray(rotation(turned, tilt, sideways) @ rotation(heading, pitch, roll))


def crab_rad(track_rad: float, speed_mps: float, wind_mps: float, wind_from_rad: float) -> float:
    """Return by how much the nose points off the track [rad], clockwise, to hold it against the wind.

    The wind triangle: velocity through the air is ground velocity less the wind.

    Parameters
    ----------
    track_rad, wind_from_rad : float
        Direction of the track, and the direction the wind comes from, clockwise from north [rad].
    speed_mps, wind_mps : float
        Ground speed and wind speed [m/s].

    Raises
    ------
    InfeasibleError
        E32 where the wind from behind is as fast as the ground speed: the aircraft would fly backward.
    """
    off = wind_from_rad - track_rad
    ahead, aside = speed_mps + wind_mps * np.cos(off), wind_mps * np.sin(off)
    if ahead <= 0:
        what = f"a tail wind of {-wind_mps * np.cos(off):.1f} m/s outruns the ground speed of {speed_mps:g} m/s"
        raise InfeasibleError(Fault("E32", what, fix="fly faster over the ground, another heading, or in less wind"))
    return float(np.arctan2(aside, ahead))


def sway(aircraft: Aircraft, count: int, interval_s: float, generator: np.random.Generator) -> Array:
    """Return a random attitude motion about the mean, shape (count, 3): yaw, tilt, roll [rad].

    Each angle is a second-order Gauss-Markov process of the card's root mean square s and correlation time T, so that
    its rate is finite, s / T root mean square: correlation (1 + t / T) exp(-t / T), spectral density
    4 s^2 T / (1 + (2 pi f T)^2)^2 (from memory: Gelb, Applied Optimal Estimation, 1974).
    """
    rms = np.radians([aircraft.sway_heading_deg, aircraft.sway_pitch_deg, aircraft.sway_roll_deg])
    if not rms.any():
        return np.zeros((count, 3))
    step = interval_s / aircraft.sway_correlation_s
    onward = np.exp(-step) * np.array([[1 + step, step], [-step, 1 - step]])  # of an angle and its rate times T
    fresh = np.linalg.cholesky(np.eye(2) - onward @ onward.T)
    motion = generator.standard_normal((count, 3, 2))
    _follow(motion, onward, fresh)
    return np.asarray(motion[..., 0] * rms)


@kernel
def _follow(motion, onward, fresh):
    """Turn unit white noise into unit angles and rates, each step carried on from the last."""
    for i in range(1, len(motion)):
        for axis in range(motion.shape[1]):
            noise, other = motion[i, axis]
            angle, rate = motion[i - 1, axis]
            motion[i, axis, 0] = onward[0, 0] * angle + onward[0, 1] * rate + fresh[0, 0] * noise
            motion[i, axis, 1] = onward[1, 0] * angle + onward[1, 1] * rate + fresh[1, 0] * noise + fresh[1, 1] * other


def straight_leg(
    points_m: Array, speed_mps: float, pattern: ScanPattern, angles_rad: Sequence[float] = (0.0, 0.0, 0.0)
) -> Leg:
    """Return a leg flown without motion: yaw, tilt and roll of the sensor [rad] stay what they are."""
    samples = _samples(pattern)
    origins = _along(points_m, speed_mps, samples)
    return Leg(
        points_m, pattern, origins, np.tile(np.asarray(angles_rad, dtype=np.float64), (len(origins), 1)), samples
    )


def flown_leg(
    points_m: Array,
    speed_mps: float,
    pattern: ScanPattern,
    sensor: Sensor,
    aircraft: Aircraft,
    wind: tuple[float, float],
    generator: np.random.Generator,
) -> Leg:
    """Return a leg as the sensor lives it: mount, nose-down pitch, crab, motion and lever arm.

    Parameters
    ----------
    points_m : ndarray, shape (k, 3)
        The track of the planned place on the aircraft [m].
    speed_mps : float
        Ground speed [m/s].
    pattern, sensor, aircraft
        What scans, how it is mounted, and what carries it.
    wind : (float, float)
        Speed [m/s], and direction it comes from, clockwise from grid north [rad].
    generator : numpy Generator
        Source of the motion.
    """
    samples = _samples(pattern)
    origins = _along(points_m, speed_mps, samples)
    east, north = points_m[-1, :2] - points_m[0, :2]
    track = float(np.arctan2(east, north))
    crab = crab_rad(track, speed_mps, *wind) if aircraft.nose == "into_wind" else 0.0
    pitch = -np.radians(aircraft.pitch_per_speed_deg_s_per_m * speed_mps)
    body = sway(aircraft, len(origins), 1 / samples, generator) + np.array([track + crab, pitch, 0.0])
    lever = np.einsum("nij,j->ni", to_world(body), np.asarray(sensor.lever_arm_m))
    if not sensor.tilts_with_aircraft:
        body[:, 1:] = 0.0
    angles = angles_of(rotation(*body.T) @ mount_rotation(sensor))
    return Leg(points_m, pattern, origins + lever, angles, samples)


def _samples(pattern: ScanPattern) -> float:
    """Return how often place and attitude are taken [Hz]: once a scan line where all its beams lie in a plane."""
    return pattern.line_rate_hz if pattern.planar else SAMPLES_HZ


def _along(points_m: Array, speed_mps: float, samples_hz: float) -> Array:
    """Return places along a track at the middle of each sample, shape (n, 3) [m].

    Within a scan line the aircraft moves by speed / line rate, centimetres to decimetres, which shifts points along
    track but not their number.
    """
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points_m[:, :2], axis=0).T))])
    count = int(np.floor(along[-1] / speed_mps * samples_hz + 1e-9))
    stations = (np.arange(count) + 0.5) / samples_hz * speed_mps
    return np.column_stack([np.interp(stations, along, points_m[:, axis]) for axis in range(3)])
