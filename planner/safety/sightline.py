"""How far the aircraft goes from its pilot, and whether it can be seen there.

Lives here: the distance at which an aircraft of a size is still made out, and the caution about it. Must not know
paths, terrain or how sight was found.
"""

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from planner.safety.cautions import Caution, Status

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

ROUNDING_M = 0.5
"""What a distance may be over by before it counts: limits are told to the metre."""
_MOST_NAMED = 8


def sight_limit_m(max_dimension_m: float | None, *, rotors: bool, visibility_km: float) -> float | None:
    """Return how far an aircraft is seen well enough to tell how it flies [m], None where its size is unknown.

    The lesser of the attitude line of sight, 327 times the largest dimension plus 20 m with rotors, 490 times plus 30 m
    with wings, and the detection line of sight, 0.3 times the visibility: EASA, Guidelines for UAS operations in the
    open and specific category.

    Parameters
    ----------
    max_dimension_m : float or None
        Largest dimension of the aircraft [m].
    rotors : bool
        Whether it is a rotorcraft; else it has wings.
    visibility_km : float
        Meteorological visibility [km].
    """
    if max_dimension_m is None:
        return None
    attitude_m = 327.0 * max_dimension_m + 20.0 if rotors else 490.0 * max_dimension_m + 30.0
    return min(attitude_m, 300.0 * visibility_km)


def too_far(distance_m: Array, limit_m: float | None) -> Mask:
    """Return which distances are over a limit; none where there is no limit."""
    return np.asarray(distance_m > (np.inf if limit_m is None else limit_m + ROUNDING_M))


def sight_caution(
    distance_m: Array,
    seen: npt.NDArray[np.int8],
    seconds: Array,
    limit_m: float | None,
    where: Callable[[int], str],
    legs: Sequence[str],
) -> Caution:
    """Return what is to be told of sight from the pilots, for all that is flown.

    Parameters
    ----------
    distance_m : ndarray, shape (n,)
        Straight distance from the pilot to each place of the path [m].
    seen : ndarray of int8, shape (n,)
        1 seen over the terrain, 0 hidden by it, -1 cannot tell.
    seconds : ndarray, shape (n,)
        Time spent on the way to each place [s].
    limit_m : float or None
        Distance up to which the aircraft is made out, None where its size is unknown.
    where : callable
        Number of a place to words.
    legs : sequence of str
        Name of the leg that each place belongs to, shape (n,).
    """
    farthest, far = float(np.max(distance_m)), too_far(distance_m, limit_m)
    hidden, untold = (seen == 0) & ~far, (seen < 0) & ~far
    text = f"The aircraft flies up to {farthest:.0f} m from its pilot, taken to stand where it takes off. "
    if limit_m is None:
        text += "How far it can be seen cannot be told: the aircraft card gives no max_dimension_m. "
    else:
        text += (
            f"One of its size is made out up to {limit_m:.0f} m; it is farther for {_pct(far, seconds)} of the time. "
        )
    text += f"Terrain and what stands on it hide it for {_pct(hidden, seconds)} of the time"
    text += f", and for {_pct(untold, seconds)} the terrain given does not tell." if untold.any() else "."
    lost, place = far | hidden, ""
    if lost.any():
        place = where(_longest(lost, seconds))
        named = list(dict.fromkeys(leg for leg, out in zip(legs, lost.tolist(), strict=True) if out))
        more = f" and {len(named) - _MOST_NAMED} more legs" if len(named) > _MOST_NAMED else ""
        text += (
            f" Out of sight the longest at {place}; on {', '.join(named[:_MOST_NAMED])}{more}."
            " Take off elsewhere or from more places, or post observers."
        )
    unclear = limit_m is None or bool(untold.any())
    status: Status = "over" if lost.any() else "cannot tell" if unclear else "within"
    return Caution("sight line", status, text, farthest, limit_m, "m from the pilot", where=place)


def _pct(mask: Mask, seconds: Array) -> str:
    """Return the share of the time for people; what is there is never told as nothing."""
    share = 100 * float(seconds[mask].sum()) / float(seconds.sum())
    return "less than 0.1 %" if mask.any() and share < 0.1 else f"{share:.1f} %"


def _longest(mask: Mask, seconds: Array) -> int:
    """Return the middle of the run that lasts longest."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    runs = edges.reshape(-1, 2)
    first, last = max(runs.tolist(), key=lambda run: float(seconds[run[0] : run[1]].sum()))
    return int(first + last - 1) // 2
