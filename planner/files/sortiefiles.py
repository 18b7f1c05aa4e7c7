"""Sorties as plain values: who flies which line, when, and paths thinned to be written.

Lives here: what files and pages say of sorties and hazards. Must not know how sorties were planned, nor files.
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.assessment import Assessment
from planner.files.planheights import line_heights_m
from planner.flight.paths import Path
from planner.flight.sorties import Sortie

Array = npt.NDArray[np.float64]

THINNED_M = 0.1
"""A thinned path tells where the aircraft is at each moment to better than this [m]."""

ON_LINES = ("line", "lead")
"""Parts of a path that belong to a flight line."""


@dataclass(frozen=True)
class ThinPath:
    """A path without the points that only repeat what their neighbours say.

    Attributes
    ----------
    points_m : ndarray, shape (n, 3)
        East, north, up [m].
    times_s : ndarray, shape (n,)
        Since take-off [s].
    parts : tuple of str, length n - 1
        What is flown from each point to the next.
    """

    points_m: Array
    times_s: Array
    parts: tuple[str, ...]


def thinned(path: Path, tolerance_m: float = THINNED_M) -> ThinPath:
    """Return a path with as few points as tell where the aircraft is at any time, each part kept apart.

    The place at a moment, straight between two points that are kept, is off by less than `tolerance_m`, so that the
    course is too.
    """
    starts = [0, *(k for k in range(1, len(path.parts)) if path.parts[k] != path.parts[k - 1]), len(path.parts)]
    kept = [0]
    for first, last in pairwise(starts):
        kept += _corners(path.points_m, path.times_s, first, last, tolerance_m)
    return ThinPath(path.points_m[kept], path.times_s[kept], tuple(path.parts[k] for k in kept[:-1]))


def _corners(points_m: Array, times_s: Array, first: int, last: int, tolerance_m: float) -> list[int]:
    """Return the points after `first` that are kept, `last` among them: Douglas and Peucker 1973, in step with time."""
    kept, waiting = [], [(first, last)]
    while waiting:
        start, end = waiting.pop()
        inner = slice(start + 1, end)
        span_s = times_s[end] - times_s[start]
        share = (times_s[inner] - times_s[start]) / span_s if span_s > 0 else np.zeros(end - start - 1)
        straight = points_m[start] + share[:, np.newaxis] * (points_m[end] - points_m[start])
        off_m = np.linalg.norm(points_m[inner] - straight, axis=1)
        if off_m.size and off_m.max() >= tolerance_m:
            worst = start + 1 + int(off_m.argmax())
            waiting += [(worst, end), (start, worst)]
        else:
            kept.append(end)
    return kept


def between_lines(path: ThinPath) -> list[Array]:
    """Return the pieces of a path off the flight lines, shape (n, 3) each [m]; those on the spot are left out."""
    pieces: list[list[int]] = []
    for k, part in enumerate(path.parts):
        if part in ON_LINES:
            continue
        if pieces and pieces[-1][-1] == k:
            pieces[-1].append(k + 1)
        else:
            pieces.append([k, k + 1])
    found = [path.points_m[piece] for piece in pieces]
    return [piece for piece in found if np.ptp(piece[:, :2], axis=0).max() > THINNED_M]


def sortie_of_lines(sorties: Sequence[Sortie]) -> dict[str, int]:
    """Return the number of the sortie that flies each line."""
    return {line_id: sortie.number for sortie in sorties for line_id in sortie.line_ids}


def takes_off_at(sortie: Sortie, assessment: Assessment) -> dt.datetime | None:
    """Return when a sortie takes off, to the second; None where the mission does not say when the flight begins."""
    start = assessment.mission.conditions.start
    return None if start is None else start + dt.timedelta(seconds=round(sortie.starts_s))


def sortie_figures(assessment: Assessment) -> list[dict[str, Any]]:
    """Return the sorties by the names of summary.json."""
    scene, rows = assessment.scene, []
    for sortie in assessment.plan.sorties:
        lon, lat = scene.frame.to_lonlat(*sortie.take_off_m[:2])
        ortho_m, ellip_m = line_heights_m(sortie.take_off_m[np.newaxis], scene)
        leaves = takes_off_at(sortie, assessment)
        take_off = {
            "lon_deg": float(lon),
            "lat_deg": float(lat),
            "ground_ortho_m": None if ortho_m is None else float(ortho_m[0]),
            "ground_ellip_m": None if ellip_m is None else float(ellip_m[0]),
        }
        figures = ("time_s", "battery_share_used", "reserve_share_left", "distance_m", "starts_s")
        rows.append(
            {"number": sortie.number, "lines": sortie.line_ids, "take_off": take_off}
            | {name: getattr(sortie, name) for name in figures}
            | {"takes_off_at": None if leaves is None else leaves.isoformat()}
        )
    return rows


def hazard_figures(assessment: Assessment) -> dict[str, Any]:
    """Return what stands in the way, counted, by the names of summary.json; wires are not among the obstacles."""
    scene, hazards = assessment.scene, assessment.mission.hazards
    wires = sum(thing.kind == "wire" for thing in scene.obstacles)
    return {
        "obstacles": len(scene.obstacles) - wires,
        "wires": wires,
        "wires_checked": hazards.wires_checked,
        "keep_outs": len(scene.keep_outs),
        "keep_out_margin_m": hazards.keep_out_margin_m,
        "sensitive": len(scene.sensitive),
    }
