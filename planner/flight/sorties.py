"""What flying the lines takes: turns, time, pulses and data.

Lives here: time and data figures of a set of lines. Must not know how lines were laid or what the forecast says.
"""

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.aircraft import Aircraft
from planner.equipment import Sensor
from planner.flight.flightlines import FlightLine
from planner.ground.geodesy import Frame, geodesic_length_m
from planner.ranging.beams import scan_pattern, usable_share

Array = npt.NDArray[np.float64]

GRAVITY_MPS2 = 9.80665
BYTES_PER_RETURN = 30  # LAS 1.4, point data record format 6


def turn_radius_m(speed_mps: npt.ArrayLike, bank_deg: float) -> Array:
    """Return the radius [m] of a level turn, v^2 / (g tan bank), any shape."""
    return np.asarray(np.asarray(speed_mps) ** 2 / (GRAVITY_MPS2 * np.tan(np.radians(bank_deg))))


def turn_time_s(aircraft: Aircraft, speed_mps: npt.ArrayLike, sideways_m: npt.ArrayLike) -> Array:
    """Return the time [s] from the end of one line to the start of the next, abeam at a distance [m], any shape.

    A multirotor brakes, moves over from rest to rest and speeds up again. A fixed wing flies arcs of its least
    radius r: a half circle, with a straight where the lines lie farther apart than 2 r; nearer ones need a swing out
    by a = acos((2 r + S) / 4 r) and back, r (pi + 4 a) in all.
    """
    speed, sideways = np.broadcast_arrays(np.asarray(speed_mps, dtype=np.float64), sideways_m)
    if aircraft.kind == "multirotor":
        push = aircraft.acceleration_mps2
        short = 2 * np.sqrt(sideways / push)
        long = sideways / speed + speed / push
        return np.asarray(2 * speed / push + np.where(sideways < speed**2 / push, short, long))
    radius = turn_radius_m(speed, aircraft.max_bank_deg)
    swing = np.arccos(np.minimum((2 * radius + sideways) / (4 * radius), 1.0))
    path = radius * (np.pi + 4 * swing) + np.maximum(sideways - 2 * radius, 0.0)
    return np.asarray(path / speed)


def flight_figures(lines: Sequence[FlightLine], aircraft: Aircraft, sensor: Sensor, frame: Frame) -> dict[str, Any]:
    """Return the figures of a flight, named as in summary.json.

    Parameters
    ----------
    lines : sequence of FlightLine
        In the order flown.
    aircraft, sensor : Aircraft, Sensor
        What flies.
    frame : Frame
        The local frame of the lines.

    Returns
    -------
    dict
        lines, line_length_m (geodesic, kept parts), turns, time_s {lines, lead, turns, total}, pulses (all directions
        and pixels, on kept parts), returns_expected (pulses sent within the usable opening), data_bytes (LAS format 6).
    """
    on_lines = sum(line.kept_length_m / line.speed_mps for line in lines)
    lead = sum((line.along_m()[-1] - line.kept_length_m) / line.speed_mps for line in lines)
    turns = sum(_turn_between_s(aircraft, before, after) for before, after in pairwise(lines))
    pulses = returns = length = 0.0
    for line in lines:
        pattern = scan_pattern(sensor, line.pulse_rate_hz, line.line_rate_hz, line.usable_half_angle_rad)
        fired = pattern.pulse_rate_hz * line.kept_length_m / line.speed_mps
        kept = line.kept_points_m()
        pulses += fired
        returns += fired * usable_share(pattern)
        length += geodesic_length_m(frame, kept[:, 0], kept[:, 1])
    on_lines, lead, turns = float(on_lines), float(lead), float(turns)
    return {
        "lines": len(lines),
        "line_length_m": length,
        "turns": max(len(lines) - 1, 0),
        "time_s": {"lines": on_lines, "lead": lead, "turns": turns, "total": on_lines + lead + turns},
        "pulses": round(pulses),
        "returns_expected": round(returns),
        "data_bytes": BYTES_PER_RETURN * round(returns),
    }


def _turn_between_s(aircraft: Aircraft, before: FlightLine, after: FlightLine) -> float:
    """Return the time [s] between two lines: the turn, the way along it adds, and the climb if that takes longer."""
    gap = after.points_m[0] - before.points_m[-1]
    track = np.array([np.sin(before.track_rad), np.cos(before.track_rad)])
    along = abs(float(gap[:2] @ track))
    sideways = (
        float(np.hypot(*gap[:2]))
        if aircraft.kind == "multirotor"
        else float(np.sqrt(max(gap[:2] @ gap[:2] - along**2, 0)))
    )
    turn = float(turn_time_s(aircraft, before.speed_mps, sideways))
    if aircraft.kind == "fixed_wing":
        turn += along / before.speed_mps
    rate = aircraft.climb_mps if gap[2] > 0 else aircraft.descent_mps
    return max(turn, abs(float(gap[2])) / rate)
