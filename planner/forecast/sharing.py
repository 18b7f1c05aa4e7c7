"""How the height errors of a flight are shared: by all passes, by one pass, by no other return.

Lives here: the error budget of each look by scope, for sums over areas and for the flight's own adjustment. Must not
know how lines were planned or what is asked.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.equipment import Sensor
from planner.forecast.budgets import Flight, Numbering, flight_of, look_noises_m, numbers_of, sight_at, velocity_at
from planner.ground.kernels import kernel
from planner.navigation import Navigation
from planner.ranging.attitude import Leg
from planner.ranging.looks import Faces, Looks
from planner.ranging.uncertainty import COMMON, PASS, SCOPE_OF, SOURCES, ErrorModel, error_model, error_vectors

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class SharedErrors:
    """Standard deviations of height by what shares them, along the normal of the face and read vertically.

    Attributes
    ----------
    common_m : ndarray, shape (cells,)
        Of what all passes share, in the height that all returns of a cell make together [m]; nan without returns.
    pass_m, pulse_m : ndarray, shape (n,)
        Of what the returns of a pass share, and of what is new with each, at each look [m].
    """

    common_m: Array
    pass_m: Array
    pulse_m: Array


def shared_errors(
    looks: Looks,
    faces: Faces,
    legs: Sequence[Leg],
    sensor: Sensor,
    navigation: Navigation,
    signal_ratio: npt.ArrayLike,
    base_distance_m: float = 0.0,
) -> SharedErrors:
    """Return how the errors of heights are shared; arguments as for `budgets.cell_errors`."""
    found = SharedErrors(np.full(len(looks.starts) - 1, np.nan), np.zeros(len(looks.leg)), np.zeros(len(looks.leg)))
    model = error_model(sensor, navigation, base_distance_m)
    noises = look_noises_m(looks, faces, legs, sensor, signal_ratio)
    out = found.common_m, found.pass_m, found.pulse_m
    _share(model, numbers_of(looks), faces.centres_m, faces.slopes, flight_of(legs), noises, out)
    return found


@kernel
def _share(
    model: ErrorModel,
    numbers: Numbering,
    centres: Array,
    slopes: Array,
    flight: Flight,
    noises: Array,
    out: tuple[Array, Array, Array],
) -> None:
    (starts, legs, samples, returns), (first, origins, angles, samples_hz) = numbers, flight
    of_common, of_pass, of_pulse = out
    vectors, signed = np.empty((SOURCES, 3)), np.empty(SOURCES)
    for cell in range(len(starts) - 1):
        whole = returns[starts[cell] : starts[cell + 1]].sum()
        signed[:] = 0.0
        for look in range(starts[cell], starts[cell + 1]):
            leg = legs[look]
            row = first[leg] + samples[look]
            turned = angles[row, 0], angles[row, 1], angles[row, 2]
            velocity = velocity_at(origins, row, first[leg], first[leg + 1], samples_hz[leg])
            error_vectors(model, turned, sight_at(origins, row, centres[cell]), velocity, noises[look], vectors)
            pass2, pulse2 = 0.0, 0.0
            east_rise, north_rise = slopes[cell, 0], slopes[cell, 1]
            for source in range(SOURCES):
                height = vectors[source, 2] - east_rise * vectors[source, 0] - north_rise * vectors[source, 1]
                if SCOPE_OF[source] == COMMON:
                    signed[source] += returns[look] * height
                elif SCOPE_OF[source] == PASS:
                    pass2 += height * height
                else:
                    pulse2 += height * height
            of_pass[look], of_pulse[look] = np.sqrt(pass2), np.sqrt(pulse2)
        if whole > 0.0:
            of_common[cell] = np.sqrt((signed * signed).sum()) / whole
