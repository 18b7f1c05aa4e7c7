"""Lines that are too long: what the inertial unit allows, and parts with an overlap.

Lives here: the longest straight flight, and cutting a line. Must not know batteries or paths.
"""

from collections.abc import Sequence
from dataclasses import replace
from string import ascii_lowercase

import numpy as np

from planner.flight.flightlines import FlightLine
from planner.navigation import Navigation


def straight_s(line: FlightLine) -> float:
    """Return how long a line is flown straight, leads included [s]."""
    return float(line.along_m()[-1]) / line.speed_mps


def drifting_lines(lines: Sequence[FlightLine], navigation: Navigation) -> tuple[str, ...]:
    """Return the names of lines that are flown straight for longer than the inertial unit should be."""
    return tuple(line.line_id for line in lines if straight_s(line) > navigation.longest_line_s * (1 + 1e-9))


def cut_line(line: FlightLine, count: int, overlap_m: float) -> tuple[FlightLine, ...]:
    """Return a line in equal parts, each with the leads of the whole, that share an overlap of kept data [m].

    The leads of a cut lie on the line itself. Parts are named a, b, c after the line, in the order flown.
    """
    along, (start, end) = line.along_m(), line.kept_m
    lead_in, lead_out = start, float(along[-1]) - end
    length = (line.kept_length_m + (count - 1) * overlap_m) / count
    parts = []
    for number in range(count):
        first = start + number * (length - overlap_m)
        low, high = max(first - lead_in, 0.0), min(first + length + lead_out, float(along[-1]))
        inside = along[(along > low + 1e-6) & (along < high - 1e-6)]
        stations = np.concatenate([[low], inside, [high]])
        points = np.column_stack([np.interp(stations, along, line.points_m[:, axis]) for axis in range(3)])
        name = f"{line.line_id}{ascii_lowercase[number]}"
        parts.append(replace(line, line_id=name, points_m=points, kept_m=(first - low, first - low + length)))
    return tuple(parts)


def cut_drifting(
    lines: Sequence[FlightLine], navigation: Navigation, overlap_m: float = 20.0
) -> tuple[FlightLine, ...]:
    """Return lines of which none is flown straight for longer than the inertial unit should be, leads included.

    A line whose leads alone leave no time for data stays whole.
    """
    cut: list[FlightLine] = []
    for line in lines:
        lead = float(line.along_m()[-1]) - line.kept_length_m
        room = navigation.longest_line_s * line.speed_mps - lead
        if straight_s(line) <= navigation.longest_line_s * (1 + 1e-9) or room <= overlap_m:
            cut.append(line)
            continue
        count = int(np.ceil((line.kept_length_m - overlap_m) / (room - overlap_m) - 1e-9))
        cut += cut_line(line, count, overlap_m) if count <= len(ascii_lowercase) else (line,)
    return tuple(cut)
