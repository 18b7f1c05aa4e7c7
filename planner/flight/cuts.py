"""Parts of lines: stretches with the leads of the whole, and lines too long for the inertial unit cut with an overlap.

Lives here: the longest straight flight, names of parts, and cutting a line, by time or where its height steps. Must not
know batteries or paths.
"""

from collections.abc import Sequence
from dataclasses import replace
from string import ascii_lowercase

import numpy as np

from planner.flight.flightlines import FlightLine
from planner.navigation import Navigation

SAME_PLACE_M = 1e-6  # two vertices nearer to each other in plan are a step in height


def straight_s(line: FlightLine) -> float:
    """Return how long a line is flown straight, leads included [s]."""
    return float(line.along_m()[-1]) / line.speed_mps


def drifting_lines(lines: Sequence[FlightLine], navigation: Navigation) -> tuple[str, ...]:
    """Return the names of lines that are flown straight for longer than the inertial unit should be."""
    return tuple(line.line_id for line in lines if straight_s(line) > navigation.longest_line_s * (1 + 1e-9))


def part_name(line_id: str, number: int) -> str:
    """Return the name of a part of a line, numbers from 0: L03a to L03z, then L03aa, L03ab and so on."""
    letters = ""
    while number >= 0:
        number, last = divmod(number, len(ascii_lowercase))
        letters, number = ascii_lowercase[last] + letters, number - 1
    return f"{line_id}{letters}"


def stretch_of(line: FlightLine, line_id: str, start_m: float, end_m: float) -> FlightLine:
    """Return a line that keeps data from one distance along another to a second [m], with the leads of the whole.

    The leads lie on the line itself, and are cut off where it begins and ends.
    """
    along = line.along_m()
    lead_in, lead_out = line.kept_m[0], float(along[-1]) - line.kept_m[1]
    low, high = max(start_m - lead_in, 0.0), min(end_m + lead_out, float(along[-1]))
    inside = along[(along > low + 1e-6) & (along < high - 1e-6)]
    stations = np.concatenate([[low], inside, [high]])
    points = np.column_stack([np.interp(stations, along, line.points_m[:, axis]) for axis in range(3)])
    return replace(line, line_id=line_id, points_m=points, kept_m=(start_m - low, end_m - low))


def cut_line(line: FlightLine, count: int, overlap_m: float) -> tuple[FlightLine, ...]:
    """Return a line in equal parts, each with the leads of the whole, that share an overlap of kept data [m].

    The leads of a cut lie on the line itself. Parts are named a, b, c after the line, in the order flown.
    """
    length = (line.kept_length_m + (count - 1) * overlap_m) / count
    firsts = [line.kept_m[0] + number * (length - overlap_m) for number in range(count)]
    return tuple(
        stretch_of(line, part_name(line.line_id, number), first, first + length) for number, first in enumerate(firsts)
    )


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
        cut += cut_line(line, count, overlap_m)
    return tuple(cut)


def cut_at_steps(lines: Sequence[FlightLine], overlap_m: float) -> tuple[FlightLine, ...]:
    """Return lines of constant heights without steps: of those that have steps a part for each height.

    Parts keep data past their cuts by the overlap and have the leads of the whole, on the line itself. They are named
    a, b, c after the line, in the order flown.

    Parameters
    ----------
    lines : sequence of FlightLine
        With two vertices over the place of each step, one at the height before it and one at that after it.
    overlap_m : float
        How far data are kept past a cut, on both sides of it [m].
    """
    return tuple(part for line in lines for part in _between_steps(line, overlap_m))


def _between_steps(line: FlightLine, overlap_m: float) -> tuple[FlightLine, ...]:
    along, up = line.along_m(), line.points_m[:, 2]
    steps = np.flatnonzero(np.diff(along) < SAME_PLACE_M) + 1
    if not steps.size:
        return (line,)
    parts, (start, end) = [], line.kept_m
    cuts = [start, *along[steps].tolist(), end]
    for number, at in enumerate([0, *steps.tolist()]):
        level = np.delete(line.points_m, steps, axis=0)
        level[:, 2] = up[at]
        kept = max(cuts[number] - overlap_m, start), min(cuts[number + 1] + overlap_m, end)
        parts.append(stretch_of(replace(line, points_m=level), part_name(line.line_id, number), *kept))
    return tuple(parts)
