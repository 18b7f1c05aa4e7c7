"""What the lines of a flight can tell about its own calibration: boresight and range offset.

Lives here: sightings of plane patches and the least-squares adjustment of them. Must not know how lines were planned.

Nothing is measured before the flight, but how well an adjustment would do depends on geometry and noise alone: on which
patches are seen from where. So the formal standard deviations are known in advance.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.equipment import Sensor
from planner.ground.kernels import kernel
from planner.navigation import Navigation
from planner.ranging.attitude import Leg, mount_rotation, to_world
from planner.ranging.looks import Faces, Looks, forward_leans

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Whole = npt.NDArray[np.int64]

PARAMETERS = ("roll", "pitch", "heading", "range")
"""What is calibrated, in the order of all arrays of four."""

COMMON, OWN = 7, 6  # unknowns of all legs, lever arm included, and of each

MOST_PATCHES = 20_000
LEAST_RETURNS = 3.0  # no plane goes through fewer
GENTLE = np.tan(np.radians(5.0))  # half the sample is taken from steeper patches, which tell most about pitch
STEEPEST = np.tan(np.radians(60.0))  # a cell on a wall is no plane of its own

MISFIT_M = 0.02
"""How far a plane misses a natural or built surface, one standard deviation [m]: common practice, no source."""

EDGE_M = 0.01
"""How far a calibration may leave a point at the edge of the swath displaced [m]: common practice, no source."""

HOPELESS = 1e3  # standard deviations past so many limits are called infinite: rounding decides them
LEAST_ARM_M = 1.0  # stands in where nothing is seen, or all straight below


@dataclass(frozen=True)
class CalibrationSd:
    """One standard deviation of each calibration value.

    Attributes
    ----------
    roll_deg, pitch_deg, heading_deg : float
        Boresight about the forward, right and down axes of the inertial unit [deg].
    range_m : float
        Range offset, the same at all ranges [m].
    """

    roll_deg: float
    pitch_deg: float
    heading_deg: float
    range_m: float

    def plain(self) -> Array:
        """Return the four in radians and metres, shape (4,)."""
        angles = np.radians([self.roll_deg, self.pitch_deg, self.heading_deg])
        return np.array([*angles, self.range_m], dtype=np.float64)


@dataclass(frozen=True)
class Sightings:
    """Plane patches as they are seen from legs, in order of patches.

    Attributes
    ----------
    patch, leg : ndarray of int64, shape (n,)
        Which patch, and from which leg.
    origins_m, angles_rad : ndarray, shape (n, 3)
        East, north, up of the sensor [m]; its yaw, tilt and roll [rad].
    courses_rad : ndarray, shape (n,)
        Direction of the leg, clockwise from grid north [rad].
    targets_m, normals : ndarray, shape (n, 3)
        Middle of the patch [m], and its upward unit normal.
    noise_m : ndarray, shape (n,)
        One standard deviation of the patch's distance along the normal, as this sighting alone finds it [m].
    mount : ndarray, shape (3, 3)
        From the sensor's axes to those of the inertial unit.
    """

    patch: Whole
    leg: Whole
    origins_m: Array
    angles_rad: Array
    courses_rad: Array
    targets_m: Array
    normals: Array
    noise_m: Array
    mount: Array

    @property
    def rays_m(self) -> Array:
        """From sensor to patch: forward, right, down in the sensor's frame, shape (n, 3) [m]."""
        return np.asarray(np.einsum("nij,ni->nj", to_world(self.angles_rad), self.targets_m - self.origins_m))

    @property
    def bodies(self) -> Array:
        """From forward, right, down of the inertial unit to east, north, up, shape (n, 3, 3)."""
        return np.asarray(to_world(self.angles_rad) @ self.mount.T)


@dataclass(frozen=True)
class Calibration:
    """How well the lines determine boresight and range offset.

    Attributes
    ----------
    sd : CalibrationSd
        Formal standard deviations, from these lines alone; infinite where they say next to nothing.
    correlations : ndarray, shape (4, 4)
        Between roll, pitch, heading and range as they are to be corrected; nan where infinite.
    left_m : ndarray, shape (4,)
        How far each would displace a point at the edge of the swath [m].
    undetermined : tuple of str
        Which of `PARAMETERS` the lines leave more doubtful than the limits.
    patches, sightings : int
        Size of the adjustment.
    slope_rms_deg : float
        Root mean square slope of the patches [deg]: level ground says nothing about pitch and heading.
    definition : str
        What was adjusted, in words.
    """

    sd: CalibrationSd
    correlations: Array
    left_m: Array
    undetermined: tuple[str, ...]
    patches: int
    sightings: int
    slope_rms_deg: float
    definition: str


def sightings_of(
    looks: Looks, faces: Faces, legs: Sequence[Leg], sensor: Sensor, usable: Mask, pulse_sd_m: npt.ArrayLike
) -> Sightings:
    """Return the sightings of a sample of the patches that are seen twice or more.

    Of more than `MOST_PATCHES`, half are drawn from ground steeper than 5 degrees, where there is so much; the draw is
    the same each time.

    Parameters
    ----------
    looks, faces, legs
        A flight, and the faces that stand for its cells.
    sensor : Sensor
        Says how it is mounted.
    usable : ndarray of bool, shape (cells,)
        Cells whose ground is firm and bare enough for a plane.
    pulse_sd_m : float or ndarray, shape (n,)
        Standard deviation of one return along the face's normal, of each look [m].
    """
    cell = looks.cell
    steep = np.hypot(*faces.slopes.T)
    good = (looks.returns >= LEAST_RETURNS) & usable[cell] & (steep[cell] <= STEEPEST)
    seen = np.bincount(cell[good], minlength=len(steep)) >= 2
    drawn = np.zeros(len(steep), dtype=bool)
    drawn[_draw(np.flatnonzero(seen & (steep > GENTLE)), np.flatnonzero(seen & (steep <= GENTLE)))] = True
    kept = good & drawn[cell]
    cell, leg, sample = cell[kept], looks.leg[kept].astype(np.int64), looks.sample[kept]
    spread = np.broadcast_to(np.asarray(pulse_sd_m, dtype=np.float64), kept.shape)[kept]
    normals = np.column_stack([-faces.slopes[cell], np.ones(len(cell))])
    place = np.empty((len(cell), 7))
    for number in np.unique(leg):
        mine = leg == number
        place[mine] = _places(legs[number], sample[mine], faces.centres_m[cell[mine]])
    return Sightings(
        patch=np.unique(cell, return_inverse=True)[1],
        leg=leg,
        origins_m=place[:, :3],
        angles_rad=place[:, 3:6],
        courses_rad=place[:, 6],
        targets_m=faces.centres_m[cell],
        normals=normals / np.linalg.norm(normals, axis=1, keepdims=True),
        noise_m=np.hypot(spread / np.sqrt(looks.returns[kept]), MISFIT_M),
        mount=mount_rotation(sensor),
    )


def usual_limits(sightings: Sightings, navigation: Navigation) -> CalibrationSd:
    """Return what a calibration is to reach: the card's boresight, or what moves a point at the edge by `EDGE_M`.

    The greater of the two for each angle; for the range offset `EDGE_M`.
    """
    card = np.append(np.radians(navigation.boresight_sd_deg), 0.0)
    return _sd_of(np.maximum(card, EDGE_M / _levers(sightings)))


def calibration_strength(sightings: Sightings, navigation: Navigation, limits: CalibrationSd) -> Calibration:
    """Return how well sightings determine boresight and range offset.

    The misclosure of a point along the normal n of its patch is linear in small errors (georeferencing equation:
    Jozkow et al. 2017, ISPRS Archives XLII-2/W6, eq. 1). With d from sensor to patch and B the attitude of the inertial
    unit, boresight w gives w . B'(d x n), a range offset gives n . d / |d|, the lever arm B'n; errors of a leg's
    position and attitude likewise; and the height of the patch is unknown. Normal equations of all of them, everything
    but the four eliminated.

    Parameters
    ----------
    sightings : Sightings
        What is seen from where.
    navigation : Navigation
        How well position and attitude of each leg, and the lever arm, are known before.
    limits : CalibrationSd
        What each value should be determined to, from `usual_limits` say; greater than 0.
    """
    limit = limits.plain()
    ratios, correlations = _ratios(_reduced(sightings, navigation) * np.outer(limit, limit))
    sd = ratios * limit
    patches = len(np.unique(sightings.patch))
    return Calibration(
        sd=_sd_of(sd),
        correlations=correlations,
        left_m=sd * _levers(sightings),
        undetermined=tuple(name for name, ratio in zip(PARAMETERS, ratios, strict=True) if ratio > 1),
        patches=patches,
        sightings=len(sightings.patch),
        slope_rms_deg=_slope_rms_deg(sightings),
        definition=(
            f"formal standard deviations of a least-squares adjustment of {patches} plane patches seen twice or more, "
            "with boresight and range offset common to all legs, the lever arm and each leg's position and attitude "
            "known to the navigation card's standard deviations, the height of each patch unknown, and no control "
            "points; clock and scan-angle errors are left out"
        ),
    )


def _draw(steep: Whole, gentle: Whole) -> Whole:
    """Return at most `MOST_PATCHES` of both, half from each where there are so many."""
    generator = np.random.default_rng(0)
    half = MOST_PATCHES // 2
    of_steep = min(len(steep), max(half, MOST_PATCHES - len(gentle)))
    of_gentle = min(len(gentle), MOST_PATCHES - of_steep)
    draws = [generator.choice(steep, of_steep, replace=False), generator.choice(gentle, of_gentle, replace=False)]
    return np.concatenate(draws)


def _places(leg: Leg, samples: npt.NDArray[np.int32], targets_m: Array) -> Array:
    """Return origin, angles and course of looks of one leg, shape (n, 7).

    A look is known to the nearest sample; where the beams lie in one plane the sensor is moved along its track until
    the target is in it, for else half a sample would pass for a view forward or back.
    """
    origins, angles = leg.origins_m[samples], leg.angles_rad[samples]
    step = leg.origins_m[-1] - leg.origins_m[0]
    course = np.full(len(samples), np.arctan2(step[0], step[1]))
    leans = forward_leans(leg.pattern)
    if leg.pattern.planar and len(leans) == 1:
        turns = to_world(angles)
        forward, aside, down = np.einsum("nij,ni->jn", turns, targets_m - origins)
        along = step / np.hypot(step[0], step[1])
        ahead = forward - leans[0] * np.hypot(aside, down)
        origins = origins + np.outer(ahead / (turns[:, :, 0] @ along), along)
    return np.column_stack([origins, angles, course])


def _design(sightings: Sightings) -> Array:
    """Return what a unit of each error moves a point along its normal, shape (n, 13).

    The four; lever arm forward, right, down; of the leg its position east, north, up and its roll, pitch, heading.
    """
    to_patch, normals = sightings.targets_m - sightings.origins_m, sightings.normals
    moment = np.cross(to_patch, normals)
    level = np.column_stack([sightings.courses_rad, np.zeros((len(moment), 2))])
    bodies = sightings.bodies
    boresight, lever, attitude = (
        np.einsum("nij,ni->nj", axes, vector)
        for axes, vector in ((bodies, moment), (bodies, normals), (to_world(level), moment))
    )
    outward = np.einsum("ni,ni->n", to_patch, normals) / np.linalg.norm(to_patch, axis=1)
    # Positive roll turns the view to the right: about the forward axis it goes against the right-hand rule.
    return np.column_stack([boresight * [-1.0, 1.0, 1.0], outward, lever, normals, attitude])


def _reduced(sightings: Sightings, navigation: Navigation) -> Array:
    """Return the normal matrix of the four [1/rad2, 1/m2 and mixed], all else eliminated, shape (4, 4)."""
    legs, number = np.unique(sightings.leg, return_inverse=True)
    own = COMMON + OWN * number[:, None] + np.arange(OWN)
    slots = np.column_stack([np.tile(np.arange(COMMON), (len(number), 1)), own])
    bounds = np.append(np.unique(sightings.patch, return_index=True)[1], len(number))
    normal = np.zeros((COMMON + OWN * len(legs),) * 2)
    _accumulate(bounds, slots, _design(sightings), sightings.noise_m**-2.0, normal)
    place, height = navigation.position_horizontal_sd_m, navigation.position_vertical_sd_m
    tilt, turn = np.radians([navigation.roll_pitch_sd_deg, navigation.heading_sd_deg])
    spread = np.array([*navigation.lever_arm_sd_m, *[place, place, height, tilt, tilt, turn] * len(legs)])
    # What is known without error is no unknown; the others are counted in units of what is known of them.
    loose, scale = 4 + np.flatnonzero(spread > 0), spread[spread > 0]
    rest = normal[np.ix_(loose, loose)] * np.outer(scale, scale) + np.eye(len(loose))
    shared = normal[:4, loose] * scale
    return np.asarray(normal[:4, :4] - shared @ np.linalg.solve(rest, shared.T))


def _ratios(information: Array) -> tuple[Array, Array]:
    """Return standard deviations, shape (4,), and correlations of an information matrix, both in units of the limits.

    What is past `HOPELESS` limits is infinite, its correlations nan.
    """
    shares, axes = np.linalg.eigh(information)
    covariance = (axes / np.maximum(shares, HOPELESS**-2 / 100)) @ axes.T
    ratios = np.sqrt(np.diag(covariance))
    lost = ratios > HOPELESS
    unknown = lost[:, None] | lost
    correlations = np.where(unknown, np.nan, covariance / np.outer(ratios, ratios))
    return np.where(lost, np.inf, ratios), correlations


@kernel
def _accumulate(bounds: Whole, slots: Whole, design: Array, weights: Array, normal: Array) -> None:
    """Add the normal equations of each patch, its unknown height eliminated: weights less their mean's share."""
    for patch in range(len(bounds) - 1):
        first, last = bounds[patch], bounds[patch + 1]
        total = weights[first:last].sum()
        for i in range(first, last):
            for j in range(first, last):
                share = (weights[i] if i == j else 0.0) - weights[i] * weights[j] / total
                for a in range(design.shape[1]):
                    row, pull = slots[i, a], share * design[i, a]
                    for b in range(design.shape[1]):
                        normal[row, slots[j, b]] += pull * design[j, b]


def _levers(sightings: Sightings) -> Array:
    """Return how far a unit of each of the four moves the point it moves most, shape (4,) [m per rad, or m per m]."""
    rays = np.einsum("nij,ni->nj", sightings.bodies, sightings.targets_m - sightings.origins_m)
    forward, aside, down = np.abs(rays).T
    arms = [np.hypot(aside, down), np.hypot(forward, down), np.hypot(forward, aside)]
    return np.array([*(arm.max(initial=LEAST_ARM_M) for arm in arms), 1.0])


def _sd_of(plain: Array) -> CalibrationSd:
    """Return four standard deviations from radians and metres."""
    roll, pitch, heading = (float(angle) for angle in np.degrees(plain[:3]))
    return CalibrationSd(roll, pitch, heading, float(plain[3]))


def _slope_rms_deg(sightings: Sightings) -> float:
    """Return the root mean square slope of the patches [deg], each counted once; 0 where there is none."""
    firsts = np.unique(sightings.patch, return_index=True)[1]
    angles = np.degrees(np.arccos(np.clip(sightings.normals[firsts, 2], -1.0, 1.0)))
    return float(np.sqrt(np.mean(angles**2))) if len(firsts) else 0.0
