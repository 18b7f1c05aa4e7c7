"""Heights of what is planned, above the geoid and above the ellipsoid.

Lives here: the way from scene heights to those that files state. Must not know plans or files.
"""

import numpy as np
import numpy.typing as npt

from planner.ground.surface import Scene

Array = npt.NDArray[np.float64]


def line_heights_m(points_m: Array, scene: Scene) -> tuple[Array | None, Array | None]:
    """Return orthometric and ellipsoidal heights of points [m], shape (k,), each None where it is not known.

    `points_m` has shape (k, 3), local frame, scene heights.
    """
    east, north, up = points_m.T
    if scene.heights == "ellipsoidal":
        separation = None if scene.geoid is None else scene.geoid.at(*scene.frame.to_lonlat(east, north))
        return (None if separation is None or np.isnan(separation).any() else up - separation), up
    separation = scene.separation_m(east, north)
    return up, (None if separation is None or np.isnan(separation).any() else up + separation)
