"""Lines that would make a flight's calibration surer, tried out before they are flown.

Lives here: candidate lines over the patches of a flight, what each would see, what it would add. Must not know how
lines were planned.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.forecast.calibration import PARAMETERS, Calibration, CalibrationSd, Sightings, calibration_strength
from planner.navigation import Navigation
from planner.ranging.attitude import angles_of, rotation, to_world

Array = npt.NDArray[np.float64]

OTHER_HEIGHT = 0.25  # by which share lines at another height differ
WORTH = 0.05  # a line that takes off less than this share of the doubt is not worth flying
LEAN_APART = 0.02  # tangents ahead and behind that differ by more are two looks
GRAZING = 0.1  # cosine of the incidence on the faintest face a line that is tried is taken to see
LEVEL_DEG = 10.0  # ground this gentle on the mean is named as the reason


@dataclass(frozen=True)
class CandidateLine:
    """A straight line that might be flown besides, at a constant height over the trend of the ground.

    Attributes
    ----------
    words : str
        What it is.
    start_m, end_m : ndarray, shape (2,)
        East and north where it begins and ends [m].
    agl_m : float
        Height over the plane through all patches [m].
    """

    words: str
    start_m: Array
    end_m: Array
    agl_m: float


@dataclass(frozen=True)
class Trial:
    """A line that was tried, and the calibration with it."""

    line: CandidateLine
    strength: Calibration


@dataclass(frozen=True)
class Help:
    """Which lines would help.

    Attributes
    ----------
    trials : tuple of Trial
        All that were tried, best first.
    best : Trial or None
        The best where it is worth flying.
    advice : str
        The same in words.
    """

    trials: tuple[Trial, ...]
    best: Trial | None
    advice: str


def with_lines(sightings: Sightings, lines: Sequence[CandidateLine], reach_m: float = np.inf) -> Sightings:
    """Return sightings with those that lines would add of the same patches, the sensor mounted as it is.

    The sensor sees to the same angles aside as now, and whatever lies between goes unnoticed.

    Parameters
    ----------
    sightings : Sightings
        Those of the flight as it is.
    lines : sequence of CandidateLine
        What is flown besides.
    reach_m : float
        Longest range at which patches return [m].
    """
    last = int(sightings.leg.max())
    parts = [sightings, *(_seen_from(sightings, line, last + k, reach_m) for k, line in enumerate(lines, start=1))]
    order = np.argsort(np.concatenate([part.patch for part in parts]), kind="stable")
    names = (name for name in sightings.__dataclass_fields__ if name != "mount")
    joined = {name: np.concatenate([getattr(part, name) for part in parts])[order] for name in names}
    return replace(sightings, **joined)


def candidate_lines(sightings: Sightings, agl_limits_m: tuple[float, float] = (0.0, np.inf)) -> list[CandidateLine]:
    """Return single lines worth trying: opposed, across, and at other heights.

    The first and the last kind lie on the track that sees most patches, the cross line goes through the middle of all.
    Lines out of the limits of height [m] and lines without length are left out; nothing seen, none to try.
    """
    if not len(sightings.leg):
        return []
    busiest = int(np.argmax(np.bincount(sightings.leg)))
    mine = sightings.leg == busiest
    course = float(sightings.courses_rad[mine][0])
    agl = float((sightings.origins_m - sightings.targets_m)[mine, 2].mean())
    start, end = _extent(sightings.origins_m[mine, :2], course)
    across = _extent(sightings.targets_m[:, :2], course + np.pi / 2)
    higher, lower = (1 + OTHER_HEIGHT) * agl, (1 - OTHER_HEIGHT) * agl
    lines = [
        CandidateLine("an opposed line, back along the track that sees most", end, start, agl),
        CandidateLine("a cross line through the middle", *across, agl),
        CandidateLine(f"a line {OTHER_HEIGHT:.0%} higher along the track that sees most", start, end, higher),
        CandidateLine(f"a line {OTHER_HEIGHT:.0%} lower along the track that sees most", start, end, lower),
    ]
    lowest, highest = agl_limits_m
    fit = [one for one in lines if lowest <= one.agl_m <= highest and (one.start_m != one.end_m).any()]
    return [replace(one, words=one.words.replace("%", " %")) for one in fit]


def what_would_help(
    sightings: Sightings,
    navigation: Navigation,
    limits: CalibrationSd,
    lines: Sequence[CandidateLine],
    reach_m: float = np.inf,
) -> Help:
    """Return what each line by itself would add to the calibration, best first.

    They are ranked by the doubt that is left: were the limits what is known before, the share of their variance that
    remains, summed over the four values. Parameters are those of `calibration_strength` and `with_lines`.
    """
    now = calibration_strength(sightings, navigation, limits)
    more = [with_lines(sightings, [one], reach_m) for one in lines]
    tried = [Trial(one, calibration_strength(both, navigation, limits)) for one, both in zip(lines, more, strict=True)]
    ranked = tuple(sorted(tried, key=lambda trial: _doubt(trial.strength, limits)))
    worth = bool(ranked) and _doubt(ranked[0].strength, limits) <= (1 - WORTH) * _doubt(now, limits)
    best = ranked[0] if worth else None
    return Help(ranked, best, _advice(now, best))


def _extent(places_m: Array, course_rad: float) -> tuple[Array, Array]:
    """Return the ends of the straight line along a course through the middle of places, shape (2,) each."""
    along = np.array([np.sin(course_rad), np.cos(course_rad)])
    middle = places_m.mean(axis=0)
    off = (places_m - middle) @ along
    return middle + off.min() * along, middle + off.max() * along


def _seen_from(sightings: Sightings, line: CandidateLine, leg: int, reach_m: float) -> Sightings:
    """Return the sightings that one line adds."""
    firsts = np.unique(sightings.patch, return_index=True)[1]
    targets, normals = sightings.targets_m[firsts], sightings.normals[firsts]
    plan = line.end_m - line.start_m
    length, course = float(np.hypot(*plan)), float(np.arctan2(*plan))
    trend = np.linalg.lstsq(np.column_stack([targets[:, :2], np.ones(len(targets))]), targets[:, 2], rcond=None)[0]
    track = np.array([*plan, trend[:2] @ plan]) / length
    start = np.array([*line.start_m, trend[:2] @ line.start_m + trend[2] + line.agl_m])
    rays = sightings.rays_m
    leans, sides = rays[:, 0] / rays[:, 2], rays[:, 1] / rays[:, 2]
    angles = _mounted(sightings, course)
    turn = to_world(angles[None])[0]
    found = []
    for lean in _apart(leans):
        across = turn[:, 0] - lean * turn[:, 2]
        along = (targets - start) @ across / (across @ track)
        origins = start + np.outer(along, track)
        aside, down = ((targets - origins) @ turn)[:, 1:].T
        away = targets - origins
        facing = -np.einsum("ni,ni->n", away, normals) > GRAZING * np.linalg.norm(away, axis=1)
        inside = (aside >= sides.min() * down) & (aside <= sides.max() * down) & (down > 0)
        seen = (along >= 0) & (along <= length) & inside & facing & (np.linalg.norm(away, axis=1) <= reach_m)
        found.append((np.flatnonzero(seen), origins[seen]))
    patch = np.concatenate([one for one, _ in found])
    count = len(patch)
    return Sightings(
        patch=sightings.patch[firsts][patch],
        leg=np.full(count, leg),
        origins_m=np.concatenate([origins for _, origins in found]),
        angles_rad=np.tile(angles, (count, 1)),
        courses_rad=np.full(count, course),
        targets_m=targets[patch],
        normals=normals[patch],
        noise_m=np.full(count, np.median(sightings.noise_m)),
        mount=sightings.mount,
    )


def _mounted(sightings: Sightings, course_rad: float) -> Array:
    """Return yaw, tilt, roll of the sensor on another course, mounted as on the mean of all sightings, shape (3,)."""
    level = np.column_stack([sightings.courses_rad, np.zeros((len(sightings.leg), 2))])
    own = angles_of(np.swapaxes(to_world(level), 1, 2) @ to_world(sightings.angles_rad))
    mean = np.angle(np.exp(1j * own).mean(axis=0))
    return angles_of(rotation(course_rad, 0.0, 0.0) @ rotation(*mean))


def _apart(leans: Array) -> list[float]:
    """Return the lean of the looks, or one ahead and one behind where they differ."""
    if leans.std() < LEAN_APART:
        return [float(leans.mean())]
    return [float(leans[leans >= leans.mean()].mean()), float(leans[leans < leans.mean()].mean())]


def _doubt(strength: Calibration, limits: CalibrationSd) -> float:
    """Return how much of the four variances of the limits is left, 0 to 4."""
    return float((1 / (1 + (limits.plain() / strength.sd.plain()) ** 2)).sum())


def _figure(name: str, sd: CalibrationSd) -> str:
    """Return one standard deviation in words."""
    value, unit = (sd.range_m, "m") if name == "range" else (getattr(sd, f"{name}_deg"), "deg")
    return f"{value:.4f} {unit}" if np.isfinite(value) else "undetermined"


def _advice(now: Calibration, best: Trial | None) -> str:
    """Return what would help, in words."""
    after = best.strength if best else now
    said = "none of the lines tried would help much"
    if best:
        gains = (f"{name} {_figure(name, now.sd)} to {_figure(name, after.sd)}" for name in PARAMETERS)
        said = f"{best.line.words} would help most: {', '.join(gains)} (one standard deviation)"
    lost = [name for name in PARAMETERS if name in after.undetermined]
    if not lost:
        return said
    doubtful = f"{said}; still less sure than the limits: {', '.join(lost)}"
    if now.slope_rms_deg > LEVEL_DEG or not {"pitch", "heading"} & set(lost):
        return doubtful
    slopes = f"here {now.slope_rms_deg:.1f} deg root mean square"
    return f"{doubtful}; pitch and heading show only where ground or roofs slope ({slopes})"
