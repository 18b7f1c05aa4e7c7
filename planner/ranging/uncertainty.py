"""The error budget of a ground point: how far each error of positioning, attitude, calibration and ranging moves it.

Lives here: the Jacobian of direct georeferencing, covariances of points, range noise of an echo, flat-ground forms.
Must not know cells, passes or requirements.

A point is x = p + R (M r + a): p the place of the trajectory, R the aircraft's attitude, M how the sensor is mounted,
r the measured vector, a the lever arm (Jozkow and others 2017, ISPRS Archives XLII-2/W6, p. 171, eq. 1). Its
derivatives are exact for the attitude flown; only the errors themselves are taken for small. The inertial unit is taken
to ride with the sensor, its axes parallel to the aircraft's: where the mount is levelled it stays level with it. Roll
turns about its forward axis, pitch about the level axis to the right, heading about the vertical; boresight about its
three axes, lever arm along them. Clocks that disagree shift the point along the track; turning meanwhile is left out
(1 deg/s for 0.1 ms is 0.0001 deg).

A scan angle is in error about the axis of the fan; patterns without one have the card's error either way across each
beam. The echo is taken to come from anywhere in the beam as its light is spread: a quarter of the width by 1/e2 on
each axis, which is also that of an even disc (the latter Lichti and Gordon, from a secondary source). Along the normal
of a slope that is the doubt of range in a footprint that is deep: an upper figure for even ground, where a detector
that times the middle of the echo does better.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from planner.equipment import Sensor
from planner.ground.kernels import kernel
from planner.navigation import Navigation
from planner.ranging.attitude import angles_of, mount_rotation
from planner.ranging.detection import Seeing, grown_noise_m
from planner.ranging.footprint import TO_1_E2
from planner.ranging.principles import range_noise_m

Array = npt.NDArray[np.float64]
Vector = tuple[float, float, float]

TERMS = (
    "position",
    "roll and pitch",
    "heading",
    "boresight",
    "lever arm",
    "scan angle",
    "range",
    "timing",
    "footprint",
)
"""Terms of the budget, in the order of every array by term."""

COMMON, PASS, PULSE = 0, 1, 2
"""What errors are shared by: all passes of a job, all returns of one pass near each other, none."""

_SOURCES = (  # term and scope of each elementary error, in the order in which `error_vectors` fills them
    *[("position", COMMON)] * 3,  # base station: east, north, up
    *[("position", PASS)] * 3,  # trajectory: east, north, up
    *[("roll and pitch", PASS)] * 2,
    ("heading", PASS),
    *[("boresight", COMMON)] * 3,
    *[("lever arm", COMMON)] * 3,
    *[("scan angle", PULSE)] * 3,
    ("range", PULSE),
    ("timing", PASS),
    *[("footprint", PULSE)] * 3,
)
TERM_OF = np.array([TERMS.index(term) for term, _ in _SOURCES])
SCOPE_OF = np.array([scope for _, scope in _SOURCES])
"""Term (place in `TERMS`) and scope of each elementary error."""

SOURCES = len(_SOURCES)
"""How many elementary errors there are."""

_TRAJECTORY, _ROLL, _PITCH, _HEADING, _BORESIGHT = 3, 6, 7, 8, 9
_ARM, _SCAN, _RANGE, _TIMING, _FOOTPRINT = 12, 15, 18, 19, 20

STATED_AT = {"time_of_flight": 4.0, "reflected_intensity": 4.0, "phase_shift": 1.0, "triangulation": 0.0}
"""Signal ratio down to which range noise is as the card says: four times the rated signal, at half the rated range in
clear air, for pulses (common practice, no source); the weakest echo that counts for phases, which is what their noise
is rated for; any for a spot on a receiver."""

_FANS = ("rotating", "oscillating_linear", "oscillating_sine", "polygon")


class ErrorModel(NamedTuple):
    """The errors of a sensor with its navigation, as kernels read them.

    Attributes
    ----------
    sigmas : ndarray, shape (SOURCES,)
        One standard deviation of each elementary error [m, rad or s]; that of range is 1, to be scaled by its noise.
    fan : bool
        Whether scan angles turn about one axis.
    arm_m : ndarray, shape (3,)
        Lever arm: forward, right, down [m].
    mount : ndarray, shape (3, 3)
        From the sensor's axes to those of the inertial unit.
    """

    sigmas: Array
    fan: bool
    arm_m: Array
    mount: Array


def error_model(sensor: Sensor, navigation: Navigation, base_distance_m: float = 0.0) -> ErrorModel:
    """Return the errors of a sensor that flies with some navigation, so far from the base station [m]."""
    base = navigation.base_ppm * 1e-6 * base_distance_m
    scan, footprint = np.radians(sensor.angle_noise_deg), sensor.divergence_mrad * 1e-3 / 4
    sigmas = [
        *[base] * 3,
        *[navigation.position_horizontal_sd_m] * 2,
        navigation.position_vertical_sd_m,
        *np.radians([navigation.roll_pitch_sd_deg] * 2),
        np.radians(navigation.heading_sd_deg),
        *np.radians(navigation.boresight_sd_deg),
        *navigation.lever_arm_sd_m,
        *[scan] * 3,
        1.0,
        navigation.timing_sd_s,
        *[footprint * TO_1_E2[sensor.divergence_width]] * 3,
    ]
    arm = np.array(sensor.lever_arm_m, dtype=np.float64)
    return ErrorModel(np.array(sigmas, dtype=np.float64), sensor.pattern in _FANS, arm, mount_rotation(sensor))


def echo_noise_m(sensor: Sensor, range_m: npt.ArrayLike, signal_ratio: npt.ArrayLike) -> Array:
    """Return the range noise of echoes [m]: the card's, or what follows from the principle, grown where light is weak.

    Parameters
    ----------
    sensor : Sensor
        The card.
    range_m, signal_ratio : array_like
        Ranges [m], and signals for the one at the rated range. An echo that is seen at all is near the threshold at
        least: weaker signals are taken for that.
    """
    seeing = Seeing()
    ratio = np.maximum(signal_ratio, seeing.threshold / seeing.rated_signal_to_noise)
    return grown_noise_m(range_noise_m(sensor, range_m), ratio, STATED_AT[sensor.principle])


@kernel
def _cross(a: Vector, b: Vector) -> Vector:
    return a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]


@kernel
def _axes(yaw: float, tilt: float, roll: float) -> tuple[Vector, Vector, Vector]:
    """Return forward, right and down of a body as east, north, up: the columns of `attitude.to_world`."""
    sin_y, cos_y, sin_t, cos_t = np.sin(yaw), np.cos(yaw), np.sin(tilt), np.cos(tilt)
    sin_r, cos_r = np.sin(roll), np.cos(roll)
    forward = sin_y * cos_t, cos_y * cos_t, sin_t
    right = cos_y * cos_r - sin_y * sin_t * sin_r, -sin_y * cos_r - cos_y * sin_t * sin_r, cos_t * sin_r
    down = cos_y * sin_r + sin_y * sin_t * cos_r, cos_y * sin_t * cos_r - sin_y * sin_r, -cos_t * cos_r
    return forward, right, down


@kernel
def _mixed(axes: tuple[Vector, Vector, Vector], shares: Array) -> Vector:
    (a, b, c), one, two, three = axes, shares[0], shares[1], shares[2]
    return (
        a[0] * one + b[0] * two + c[0] * three,
        a[1] * one + b[1] * two + c[1] * three,
        (a[2] * one + b[2] * two + c[2] * three),
    )


@kernel
def _put(out: Array, row: int, scale: float, vector: Vector) -> None:
    out[row, 0], out[row, 1], out[row, 2] = scale * vector[0], scale * vector[1], scale * vector[2]


@kernel
def error_vectors(
    model: ErrorModel, angles_rad: Vector, sight_m: Vector, velocity_mps: Vector, noise_m: float, out: Array
) -> None:
    """Fill by how much one standard deviation of each elementary error moves a ground point.

    Parameters
    ----------
    model : ErrorModel
        The errors.
    angles_rad : tuple of float
        Yaw, tilt and roll of the sensor [rad].
    sight_m, velocity_mps : tuple of float
        From the sensor to the point [m], and the sensor's velocity [m/s]: east, north, up.
    noise_m : float
        Range noise [m].
    out : ndarray, shape (SOURCES, 3)
        Filled: east, north, up [m].
    """
    sigmas, fan, arm, mount = model
    sensor = _axes(angles_rad[0], angles_rad[1], angles_rad[2])
    body = _mixed(sensor, mount[0]), _mixed(sensor, mount[1]), _mixed(sensor, mount[2])
    lever = _mixed(body, arm)
    whole = sight_m[0] + lever[0], sight_m[1] + lever[1], sight_m[2] + lever[2]
    reach = np.sqrt(sight_m[0] ** 2 + sight_m[1] ** 2 + sight_m[2] ** 2)
    unit = sight_m[0] / reach, sight_m[1] / reach, sight_m[2] / reach
    level = np.sqrt(body[0][0] ** 2 + body[0][1] ** 2)
    out[:] = 0.0
    for axis in range(3):
        out[axis, axis], out[_TRAJECTORY + axis, axis] = sigmas[axis], sigmas[_TRAJECTORY + axis]
        _put(out, _ARM + axis, sigmas[_ARM + axis], body[axis])
        _put(out, _BORESIGHT + axis, sigmas[_BORESIGHT + axis], _cross(body[axis], sight_m))
        for other in range(3):  # across the beam: the projector is its own root
            stray = reach * ((1.0 if axis == other else 0.0) - unit[axis] * unit[other])
            out[_FOOTPRINT + axis, other] = sigmas[_FOOTPRINT] * stray
            out[_SCAN + axis, other] = 0.0 if fan else sigmas[_SCAN] * stray
    if fan:
        _put(out, _SCAN, sigmas[_SCAN], _cross(sensor[0], sight_m))
    _put(out, _ROLL, sigmas[_ROLL], _cross(body[0], whole))
    _put(out, _PITCH, sigmas[_PITCH], _cross((body[0][1] / level, -body[0][0] / level, 0.0), whole))
    _put(out, _HEADING, sigmas[_HEADING], _cross((0.0, 0.0, -1.0), whole))
    _put(out, _RANGE, sigmas[_RANGE] * noise_m, unit)
    _put(out, _TIMING, sigmas[_TIMING], velocity_mps)


@kernel
def _covariances(model: ErrorModel, angles: Array, sights: Array, velocities: Array, noises: Array, out: Array) -> None:
    vectors = np.empty((SOURCES, 3))
    for i in range(len(sights)):
        angle = angles[i, 0], angles[i, 1], angles[i, 2]
        sight = sights[i, 0], sights[i, 1], sights[i, 2]
        velocity = velocities[i, 0], velocities[i, 1], velocities[i, 2]
        error_vectors(model, angle, sight, velocity, noises[i], vectors)
        for source in range(SOURCES):
            term = TERM_OF[source]
            for a in range(3):
                for b in range(3):
                    out[i, term, a, b] += vectors[source, a] * vectors[source, b]


def ground_covariances_m2(
    model: ErrorModel,
    angles_rad: npt.ArrayLike,
    sights_m: npt.ArrayLike,
    velocities_mps: npt.ArrayLike,
    range_noise_m: npt.ArrayLike,
) -> Array:
    """Return the covariances of ground points, by term of the budget.

    Parameters
    ----------
    model : ErrorModel
        The errors.
    angles_rad : array_like, shape (n, 3)
        Yaw, tilt and roll of the sensor, mount included [rad].
    sights_m, velocities_mps : array_like, shape (n, 3)
        From the sensor to the points [m], and its velocity [m/s]: east, north, up. The latter also (3,) for all.
    range_noise_m : array_like
        Range noise, one or n [m].

    Returns
    -------
    ndarray, shape (n, terms, 3, 3)
        Covariance of east, north, up by each of `TERMS` [m2]; their sum is that of the point.
    """
    sights = np.ascontiguousarray(sights_m, dtype=np.float64)
    angles, velocities = (
        np.ascontiguousarray(np.broadcast_to(np.asarray(values, dtype=np.float64), sights.shape))
        for values in (angles_rad, velocities_mps)
    )
    noises = np.ascontiguousarray(np.broadcast_to(np.asarray(range_noise_m, dtype=np.float64), len(sights)))
    out = np.zeros((len(sights), len(TERMS), 3, 3))
    _covariances(model, angles, sights, velocities, noises, out)
    return out


def vertical_variance_m2(covariances_m2: Array, slopes: npt.ArrayLike) -> Array:
    """Return the variance of height of points on a face: n' C n / n_z^2, n its normal [m2].

    It is the error of a point along the normal, read vertically. Errors that move height and place together keep
    their sign, which adding (tan(slope) horizontal)^2 as if it were independent loses.

    Parameters
    ----------
    covariances_m2 : ndarray, shape (..., 3, 3)
        Covariances [m2].
    slopes : array_like, shape (..., 2)
        Rise per metre toward east and toward north.
    """
    rise = np.asarray(slopes, dtype=np.float64)
    normal = np.concatenate([-rise, np.ones((*rise.shape[:-1], 1))], axis=-1)
    return np.asarray(np.einsum("...i,...ij,...j->...", normal, covariances_m2, normal))


def horizontal_variance_m2(covariances_m2: Array) -> Array:
    """Return the radial horizontal variance of points [m2]: those of east and north summed."""
    return np.asarray(covariances_m2[..., 0, 0] + covariances_m2[..., 1, 1])


def flat_covariances_m2(
    sensor: Sensor,
    navigation: Navigation,
    agl_m: npt.ArrayLike,
    off_nadir_rad: npt.ArrayLike,
    base_distance_m: float = 0.0,
) -> Array:
    """Return the least covariances of points on flat ground, seen to the right in level flight northward.

    One return of one pass, its range noise as stated.

    Parameters
    ----------
    sensor, navigation
        The cards.
    agl_m, off_nadir_rad : array_like
        Height above ground [m], and angle of the beam from straight down [rad]; of shapes that broadcast.
    base_distance_m : float
        Distance from the base station [m].

    Returns
    -------
    ndarray, shape (..., terms, 3, 3)
        Covariance of east (across the track), north (along it), up by each of `TERMS` [m2].
    """
    height, angle = np.broadcast_arrays(np.asarray(agl_m, np.float64), np.asarray(off_nadir_rad, np.float64))
    sights = np.stack([height * np.tan(angle), np.zeros(height.shape), -height], axis=-1).reshape(-1, 3)
    noise = range_noise_m(sensor, np.linalg.norm(sights, axis=1))
    model = error_model(sensor, navigation, base_distance_m)
    found = ground_covariances_m2(model, angles_of(mount_rotation(sensor)), sights, np.zeros(3), noise)
    return found.reshape(*height.shape, len(TERMS), 3, 3)


def least_vertical_sd_m(
    sensor: Sensor,
    navigation: Navigation,
    agl_m: npt.ArrayLike,
    off_nadir_rad: npt.ArrayLike,
    base_distance_m: float = 0.0,
    passes: int = 1,
) -> Array:
    """Return the least vertical error of points on flat ground [m]: no flight of so many passes does better.

    Every pass sees the ground from the same height and angle, its range noise as stated. Base station and lever arm
    stay with all passes; boresight, which turns over with the direction of flight, is taken to cancel between several.

    Parameters
    ----------
    sensor, navigation, agl_m, off_nadir_rad, base_distance_m
        As for `flat_covariances_m2`.
    passes : int
        Passes that make the height together.

    Returns
    -------
    ndarray
        One standard deviation [m], of the shape that height and angle broadcast to.
    """
    by_term = flat_covariances_m2(sensor, navigation, agl_m, off_nadir_rad)[..., 2, 2]
    boresight, arm = (by_term[..., TERMS.index(term)] for term in ("boresight", "lever arm"))
    own = by_term.sum(axis=-1) - boresight - arm
    shared = arm + (boresight if passes == 1 else 0.0) + (navigation.base_ppm * 1e-6 * base_distance_m) ** 2
    return np.asarray(np.sqrt(own / passes + shared))


def gnss_floor_m(navigation: Navigation, base_distance_m: float = 0.0, passes: int = 1) -> float:
    """Return the vertical error that positioning alone leaves [m], at a distance from the base station [m].

    The part of the trajectory is averaged over passes, that of the base station is common to them.
    """
    base = navigation.base_ppm * 1e-6 * base_distance_m
    return float(np.hypot(navigation.position_vertical_sd_m / np.sqrt(passes), base))
