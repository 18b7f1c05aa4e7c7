"""A short invented flight for tests of rules: one straight line over level ground, and sets of rules of one."""

import dataclasses
import datetime as dt

import numpy as np

from planner.ground.geodesy import site_frame
from planner.ruleprofiles import Profile, Rule
from planner.safety.flightfacts import FlightFacts
from planner.safety.rules import measure_rules

FRAME = site_frame(9.3, 47.2)
DATE = dt.date(2027, 4, 12)
GROUND_M = 500.0


def flight(agl_m=100.0, length_m=400.0, slope_deg=0.0, **changes):
    """Return the facts of a line due east from the origin, a place every metre, at a height over a plane of a slope.

    The plane falls away sideways, so that the ground beneath is level along the line.
    """
    east = np.arange(0.0, length_m + 0.5)
    agl = np.broadcast_to(np.asarray(agl_m, dtype=float), east.shape)
    places = np.column_stack([east, np.zeros_like(east), GROUND_M + agl])
    lonlat = np.column_stack(FRAME.to_lonlat(places[:, 0], places[:, 1]))
    lon, lat = lonlat[0].tolist()
    made = FlightFacts(
        date=DATE,
        lon_deg=lon,
        lat_deg=lat,
        places_m=places,
        lonlat_deg=lonlat,
        legs=("line L01",),
        leg=np.zeros(len(east), dtype=np.int64),
        agl_m=agl,
        to_ground_m=agl * np.cos(np.radians(slope_deg)),
        speed_mps=np.full(len(east), 8.0),
    )
    return dataclasses.replace(made, **changes)


def profile(*rules, read_on=dt.date(2027, 1, 1)):
    """Return rules as a profile."""
    return Profile(
        name="made",
        jurisdiction="an invented country",
        read_on=read_on,
        source="invented",
        beyond="nothing",
        rules=rules,
    )


def rule(measure, **changes):
    """Return a rule of a measure."""
    said = {"rule_id": "x", "text": "A rule.", "citation": "invented", "mark": "own", "measure": measure}
    return Rule(**(said | changes))


def measure(one, facts):
    """Return the result of one rule."""
    [result] = measure_rules(profile(one), facts)
    return result
