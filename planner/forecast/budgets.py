"""Vertical and horizontal error per cell, of one pass and of all.

Lives here: the error budget carried over the looks of a flight. Must not know how lines were planned or what is asked.

Errors are told apart by what shares them (`ranging.uncertainty`): those common to a job are averaged over passes with
their sign and so may stay or cancel, those of a pass are averaged as independent, and so is one return of each pass:
returns within a pass do not average, since a test meets single returns.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from planner.equipment import Sensor
from planner.ground.kernels import kernel, lent
from planner.navigation import Navigation
from planner.ranging.attitude import Leg
from planner.ranging.fates import Light, brightness
from planner.ranging.looks import Faces, Looks, Numbers
from planner.ranging.uncertainty import (
    COMMON,
    PASS,
    SCOPE_OF,
    SOURCES,
    TERM_OF,
    TERMS,
    ErrorModel,
    echo_noise_m,
    error_model,
    error_vectors,
)

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Codes = npt.NDArray[np.uint8]
Shares = npt.NDArray[np.float32]
Whole = npt.NDArray[np.int64]

NO_TERM = 255
"""Dominant term of a cell without returns."""

LEAST_RETURNS = 0.5
"""Returns that a leg must bring to a cell to count as a pass over it."""

_NUMBERS = 6  # per cell: vertical single and combined, horizontal likewise, disagreement, combined were it level


Numbering = tuple[Whole, Numbers, Numbers, Shares]  # the arrays of `Looks`, in order


class Flight(NamedTuple):
    """The samples of all legs, end to end: where each leg begins, places [m], angles [rad] and samples per second."""

    first: Whole
    origins_m: Array
    angles_rad: Array
    samples_hz: Array


@dataclass(frozen=True)
class CellErrors:
    """One standard deviation of points in each cell, flat, nan where no leg brings a return.

    Attributes
    ----------
    vertical_single_m, vertical_combined_m : ndarray, shape (cells,)
        Of height, along the normal of the face and read vertically: of one return of the leg that brings most returns,
        and of the height that all passes make together, weighted by their returns [m].
    horizontal_single_m, horizontal_combined_m : ndarray, shape (cells,)
        The same of place, east and north summed as squares [m].
    vertical_level_m : ndarray, shape (cells,)
        `vertical_combined_m` were the face level: what comes on top of it is the slope's [m].
    terms_m2, single_terms_m2 : ndarray of float32, shape (cells, terms)
        Variance of height by each of `uncertainty.TERMS`: combined, and single [m2].
    dominant : ndarray of uint8, shape (cells,)
        Place in `TERMS` of the largest combined one; `NO_TERM` where there is none.
    disagreement_m : ndarray, shape (cells,)
        Root mean square difference of height to expect between the two passes that bring most returns, one return each
        [m]; nan under two passes.
    """

    vertical_single_m: Array
    vertical_combined_m: Array
    horizontal_single_m: Array
    horizontal_combined_m: Array
    vertical_level_m: Array
    terms_m2: Shares
    single_terms_m2: Shares
    dominant: Codes
    disagreement_m: Array


def signal_ratios(looks: Looks, faces: Faces, legs: Sequence[Leg], lights: Sequence[Light], codes: Codes) -> Array:
    """Return the signal at each look as planned, for the one at the rated range, shape (n,); 0 from behind a face.

    Parameters
    ----------
    looks, faces
        Looks at cells, and the faces of these; leaves before a face take nothing here.
    legs, lights : sequence of Leg, of Light
        The flight, and its light, one a leg.
    codes : ndarray of uint8, shape (rows, cols) or (cells,)
        Class of surface of each cell, a place in the factors of the lights.
    """
    different = list({id(light): light for light in lights}.values())
    if not different:
        return np.zeros(0)
    place = {id(light): number for number, light in enumerate(different)}
    # Each light is made a case of one, of which kernels ask.
    as_planned = different[0]._replace(
        strength2_m2=np.array([light.strength2_m2[0] for light in different]),
        extinction_per_m=np.array([light.extinction_per_m[0] for light in different]),
        factors=np.array([light.factors[0] for light in different]),
        lobes=np.array([light.lobes[0] for light in different]),
    )
    of_leg = np.array([place[id(light)] for light in lights])
    out = np.zeros(len(looks.leg))
    _signals(numbers_of(looks), faces.centres_m, faces.slopes, flight_of(legs), as_planned, of_leg, codes.ravel(), out)
    return out


def cell_errors(
    looks: Looks,
    faces: Faces,
    legs: Sequence[Leg],
    sensor: Sensor,
    navigation: Navigation,
    signal_ratio: npt.ArrayLike,
    base_distance_m: float = 0.0,
) -> CellErrors:
    """Return the errors of points in each cell.

    Parameters
    ----------
    looks, faces, legs
        From where each leg sees each cell.
    sensor, navigation
        The cards.
    signal_ratio : array_like
        Signal at the looks, for the one at the rated range, one or (n,): see `signal_ratios`.
    base_distance_m : float
        Distance from the base station [m].
    """
    cells, numbers, flight = len(looks.starts) - 1, numbers_of(looks), flight_of(legs)
    noises = look_noises_m(looks, faces, legs, sensor, signal_ratio)
    out = np.full((cells, _NUMBERS), np.nan)
    terms, single = (np.full((cells, len(TERMS)), np.nan, dtype=np.float32) for _ in range(2))
    model = error_model(sensor, navigation, base_distance_m)
    _cells(model, numbers, faces.centres_m, faces.slopes, flight, noises, out, terms, single)
    known = ~np.isnan(out[:, 0])
    dominant = np.full(cells, NO_TERM, dtype=np.uint8)
    dominant[known] = terms[known].argmax(axis=1)
    sds = np.ascontiguousarray(np.sqrt(out).T)
    return CellErrors(sds[0], sds[1], sds[2], sds[3], sds[5], terms, single, dominant, sds[4])


def look_noises_m(
    looks: Looks, faces: Faces, legs: Sequence[Leg], sensor: Sensor, signal_ratio: npt.ArrayLike
) -> Array:
    """Return the range noise at looks, shape (n,) [m]; arguments as for `cell_errors`."""
    ranges = np.empty(len(looks.leg))
    _ranges(numbers_of(looks), faces.centres_m, flight_of(legs), ranges)
    return np.ascontiguousarray(echo_noise_m(sensor, ranges, signal_ratio))


def flight_of(legs: Sequence[Leg]) -> Flight:
    """Return the samples of legs, end to end."""
    first = np.cumsum([0, *(len(leg.origins_m) for leg in legs)])
    origins, angles = (
        np.concatenate([np.zeros((0, 3)), *(getattr(leg, name) for leg in legs)])
        for name in ("origins_m", "angles_rad")
    )
    return Flight(first, origins, angles, np.array([leg.samples_hz for leg in legs], dtype=np.float64))


def numbers_of(looks: Looks) -> Numbering:
    """Return looks as kernels read them."""
    return looks.starts, looks.leg, looks.sample, looks.returns


@kernel
def sight_at(origins: Array, row: int, centre: Array) -> tuple[float, float, float]:
    """Return the way from a sample to a cell [m]."""
    return centre[0] - origins[row, 0], centre[1] - origins[row, 1], centre[2] - origins[row, 2]


@kernel
def _ranges(numbers: Numbering, centres: Array, flight: Flight, out: Array) -> None:
    (starts, legs, samples, _), (first, origins, _, _) = numbers, flight
    for cell in range(len(starts) - 1):
        for look in range(starts[cell], starts[cell + 1]):
            east, north, up = sight_at(origins, first[legs[look]] + samples[look], centres[cell])
            out[look] = np.sqrt(east * east + north * north + up * up)


@kernel
def _signals(
    numbers: Numbering,
    centres: Array,
    slopes: Array,
    flight: Flight,
    light: Light,
    case_of: Whole,
    codes: Codes,
    out: Array,
) -> None:
    (starts, legs, samples, _), (first, origins, _, _) = numbers, flight
    for cell in range(len(starts) - 1):
        rise_e, rise_n = slopes[cell, 0], slopes[cell, 1]
        for look in range(starts[cell], starts[cell + 1]):
            case = case_of[legs[look]]
            east, north, up = sight_at(origins, first[legs[look]] + samples[look], centres[cell])
            square = east * east + north * north + up * up
            length = np.sqrt(square)
            cos = (rise_e * east + rise_n * north - up) / (length * np.sqrt(1.0 + rise_e * rise_e + rise_n * rise_n))
            if cos > 0.0:
                spread = light.strength2_m2[case] * np.exp(-2.0 * light.extinction_per_m[case] * length) / square
                out[look] = spread * brightness(light, case, codes[cell], cos) * cos


@kernel
def velocity_at(origins: Array, row: int, begin: int, end: int, samples_hz: float) -> tuple[float, float, float]:
    """Return the velocity of the sensor about a sample of a leg, whose rows run from `begin` to `end` [m/s]."""
    before, after = max(row - 1, begin), min(row + 1, end - 1)
    pace = samples_hz / max(after - before, 1)
    return (
        (origins[after, 0] - origins[before, 0]) * pace,
        (origins[after, 1] - origins[before, 1]) * pace,
        (origins[after, 2] - origins[before, 2]) * pace,
    )


@kernel
def _through_leg(
    model: ErrorModel,
    numbers: Numbering,
    face: tuple[Array, float, float],
    flight: Flight,
    noises: Array,
    span: tuple[int, int],
    vectors: Array,
    mean: Array,
    square: Array,
) -> None:
    """Fill how elementary errors show in a cell by way of one leg, its looks weighted by their returns.

    `mean`, shape (SOURCES, 4), is signed: height, east, north, height were the face level [m]; `square`, shape
    (SOURCES, 3), is that of one return: height, place, height were the face level [m2].
    """
    (_, legs, samples, returns), (first, origins, angles, samples_hz) = numbers, flight
    centre, rise_e, rise_n = face
    mean[:], square[:] = 0.0, 0.0
    whole = 0.0
    for look in range(span[0], span[1]):
        whole += returns[look]
    for look in range(span[0], span[1]):
        weight = returns[look] / whole
        if weight > 0.0:
            leg = legs[look]
            row = first[leg] + samples[look]
            turned = angles[row, 0], angles[row, 1], angles[row, 2]
            velocity = velocity_at(origins, row, first[leg], first[leg + 1], samples_hz[leg])
            error_vectors(model, turned, sight_at(origins, row, centre), velocity, noises[look], vectors)
            for source in range(SOURCES):
                east, north = vectors[source, 0], vectors[source, 1]
                height = vectors[source, 2] - rise_e * east - rise_n * north
                mean[source, 0] += weight * height
                mean[source, 1] += weight * east
                mean[source, 2] += weight * north
                mean[source, 3] += weight * vectors[source, 2]
                square[source, 0] += weight * height * height
                square[source, 1] += weight * (east * east + north * north)
                square[source, 2] += weight * vectors[source, 2] * vectors[source, 2]


@kernel
def _next_leg(legs: Numbers, returns: Shares, look: int, end: int) -> tuple[int, float]:
    """Return one past the last look of the leg that a look is of, and the returns it brings."""
    past, brought = look, 0.0
    while past < end and legs[past] == legs[look]:
        brought += returns[past]
        past += 1
    return past, brought


@kernel
def _rank(legs: Numbers, returns: Shares, start: int, end: int) -> tuple[float, int, int]:
    """Return all returns of a cell, and the first looks of the legs that bring most and second most; -1 for none."""
    whole, most, second, best, other = 0.0, 0.0, 0.0, -1, -1
    look = start
    while look < end:
        past, brought = _next_leg(legs, returns, look, end)
        whole += brought
        if brought > most:
            second, other, most, best = most, best, brought, look
        elif brought > second:
            second, other = brought, look
        look = past
    return whole, best, other if second >= LEAST_RETURNS else -1


@kernel
def _pool(weight: float, mean: Array, square: Array, signed: Array, squared: Array) -> None:
    """Add a leg of a weight to what all legs make together: `signed` for common errors, `squared` for all others."""
    for source in range(SOURCES):
        if SCOPE_OF[source] == COMMON:
            for axis in range(4):
                signed[source, axis] += weight * mean[source, axis]
        elif SCOPE_OF[source] == PASS:
            squared[source, 0] += (weight * mean[source, 0]) ** 2
            squared[source, 1] += weight * weight * (mean[source, 1] ** 2 + mean[source, 2] ** 2)
            squared[source, 2] += (weight * mean[source, 3]) ** 2
        else:
            for place in range(3):
                squared[source, place] += weight * weight * square[source, place]


@kernel
def _differ(one: Array, other: Array, one_square: Array, other_square: Array) -> float:
    """Return the mean square difference of height between one return of each of two legs [m2]."""
    total = 0.0
    for source in range(SOURCES):
        if SCOPE_OF[source] == COMMON:
            total += (one[source, 0] - other[source, 0]) ** 2
        elif SCOPE_OF[source] == PASS:
            total += one[source, 0] ** 2 + other[source, 0] ** 2
        else:
            total += one_square[source, 0] + other_square[source, 0]
    return total


@kernel
def _cells(
    model: ErrorModel,
    numbers: Numbering,
    centres: Array,
    slopes: Array,
    flight: Flight,
    noises: Array,
    out: Array,
    terms: Shares,
    single_terms: Shares,
) -> None:
    """Fill variances per cell [m2]: `out` as `_NUMBERS` says, and those of height by term."""
    model, numbers, flight = lent(model), lent(numbers), lent(flight)
    starts, legs, _, returns = numbers
    vectors, signed, squared = np.empty((SOURCES, 3)), np.empty((SOURCES, 4)), np.empty((SOURCES, 3))
    means, squares = np.empty((3, SOURCES, 4)), np.empty((3, SOURCES, 3))  # of the best leg, the second, and others
    for cell in range(len(starts) - 1):
        start, end = starts[cell], starts[cell + 1]
        whole, best, other = _rank(legs, returns, start, end)
        if whole <= 0.0:
            continue
        face = centres[cell], slopes[cell, 0], slopes[cell, 1]
        signed[:], squared[:] = 0.0, 0.0
        look = start
        while look < end:
            past, brought = _next_leg(legs, returns, look, end)
            if brought > 0.0:
                place = 0 if look == best else (1 if look == other else 2)
                mean, square = means[place], squares[place]
                _through_leg(model, numbers, face, flight, noises, (look, past), vectors, mean, square)
                _pool(brought / whole, mean, square, signed, squared)
            look = past
        out[cell, :4], out[cell, 5], terms[cell], single_terms[cell] = 0.0, 0.0, 0.0, 0.0
        for source in range(SOURCES):
            height = signed[source, 0] ** 2 + squared[source, 0]
            out[cell, 0] += squares[0, source, 0]
            out[cell, 1] += height
            out[cell, 2] += squares[0, source, 1]
            out[cell, 3] += signed[source, 1] ** 2 + signed[source, 2] ** 2 + squared[source, 1]
            out[cell, 5] += signed[source, 3] ** 2 + squared[source, 2]
            terms[cell, TERM_OF[source]] += height
            single_terms[cell, TERM_OF[source]] += squares[0, source, 0]
        if other >= 0:
            out[cell, 4] = _differ(means[0], means[1], squares[0], squares[1])
