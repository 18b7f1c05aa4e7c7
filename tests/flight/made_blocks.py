"""Invented blocks of lines over level ground that the tests of paths and sorties share."""

from dataclasses import replace

import numpy as np
from flat_jobs import HEXACOPTER, WING
from made_site import NAVIGATION

from planner.flight.flightlines import FlightLine
from planner.flight.paths import Flyer
from planner.flight.winds import CALM

STRAIGHT = replace(NAVIGATION, alignment="straight", alignment_s=20.0)
NO_ALIGNMENT = replace(NAVIGATION, alignment_s=0.0)


def level(height_m):
    """Return a floor at one height."""
    return lambda east, north: np.full(np.shape(east), float(height_m))


def a_line(name, start, end, up=80.0, lead=40.0, speed_mps=8.0):
    start, end = np.asarray(start, dtype=float), np.asarray(end, dtype=float)
    length = np.hypot(*(end - start))
    share = np.linspace(0, 1, int(np.ceil(length / 5)) + 1)[:, np.newaxis]
    places = start + share * (end - start)
    points = np.column_stack([places, np.full(len(places), up)])
    return FlightLine(name, points, (lead, length - lead), speed_mps, 300e3, 100.0, np.radians(40))


def a_block(count, length_m=600.0, apart_m=50.0, lead=40.0, speed_mps=8.0, up=80.0):
    """Return serpentine lines toward north and south, kept from -length / 2 to length / 2."""
    end = length_m / 2 + lead
    return [
        a_line(f"L{k + 1:02d}", (k * apart_m, s * -end), (k * apart_m, s * end), up, lead, speed_mps)
        for k in range(count)
        for s in [1 if k % 2 == 0 else -1]
    ]


def a_flyer(aircraft=HEXACOPTER, navigation=STRAIGHT, floor_m=80.0, wind=CALM):
    return Flyer(aircraft, navigation, level(floor_m), wind)


__all__ = ["HEXACOPTER", "NO_ALIGNMENT", "STRAIGHT", "WING", "a_block", "a_flyer", "a_line", "level"]
