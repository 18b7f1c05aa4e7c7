"""Who sees what: straight sight from an eye over the triangulated ground.

Lives here: which places are seen, hidden, or cannot be told. Must not know pilots, paths or limits.
"""

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from planner.ground.raycast import first_hit
from planner.ground.surface import HeightGrid

Array = npt.NDArray[np.float64]
Verdicts = npt.NDArray[np.int8]

SEEN, HIDDEN, UNTOLD = 1, 0, -1

AT_HAND_M = 5.0
"""What is this near to an eye is seen: grass and steps of the surface between the two are looked over."""

_TOUCH_M = 0.05  # a place that lies on the surface is not hidden by it


def seen_from(top: HeightGrid, eye_m: Array, places_m: Array, threads: int = 2) -> Verdicts:
    """Return which places an eye sees over a surface: 1 seen, 0 hidden, -1 cannot tell.

    Whatever the surface holds hides, crowns included. A place cannot be told where the surface is unknown beneath the
    sight line, or the line leaves the surface, unless known surface hides it already. An earth that is flat is taken:
    over 1 km its curve hides less than 0.1 m.

    Parameters
    ----------
    top : HeightGrid
        The surface.
    eye_m : ndarray, shape (3,)
        East, north, up of the eye [m].
    places_m : ndarray, shape (n, 3)
        East, north, up of the places [m]; nan cannot be told.
    threads : int
        Threads that share the rays; the answer does not depend on it.

    Returns
    -------
    ndarray of int8, shape (n,)
    """
    verdicts = np.full(len(places_m), UNTOLD, dtype=np.int8)
    eye = np.asarray(eye_m, dtype=np.float64)
    if not _on(top, eye[np.newaxis])[0] or np.isnan(eye[2]):
        return verdicts
    away = places_m - eye
    distance = np.linalg.norm(away, axis=1)
    verdicts[distance <= AT_HAND_M] = SEEN
    far = np.flatnonzero(distance > AT_HAND_M)  # nan is neither
    directions = away[far] / distance[far, np.newaxis]

    def hidden(heights_m: Array) -> npt.NDArray[np.bool_]:
        hits = first_hit(replace(top, heights_m=heights_m), np.tile(eye, (len(far), 1)), directions, threads)
        return np.asarray(hits < distance[far] - _TOUCH_M)

    if top.known.all():
        surely = perhaps = hidden(top.heights_m)
    else:
        # Unknown ground may be as low as nothing at all, or higher than every sight line.
        highest = float(max(top.heights_m.max(), eye[2], places_m[far, 2].max(initial=eye[2]))) + 1.0
        surely = hidden(np.where(top.known, top.heights_m, top.heights_m.min() - 1e4))
        perhaps = hidden(np.where(top.known, top.heights_m, highest))
    perhaps = perhaps | ~_on(top, places_m[far])
    verdicts[far] = np.where(surely, HIDDEN, np.where(perhaps, UNTOLD, SEEN))
    return verdicts


def _on(grid: HeightGrid, places_m: Array) -> npt.NDArray[np.bool_]:
    """Return which places lie over the lattice, known or not."""
    east, north = places_m[:, 0], places_m[:, 1]
    return np.asarray((east >= grid.west_m) & (east <= grid.east_m) & (north >= grid.south_m) & (north <= grid.north_m))
