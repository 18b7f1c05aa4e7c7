"""What stands on a site beside its terrain, and where a flight may not go.

Lives here: obstacles, keep-out and sensitive areas as plain nouns in the local frame. Must not know files or paths.
"""

from dataclasses import dataclass
from typing import Literal

import shapely

SIGMAS = 2.0
"""Standard deviations by which an obstacle is grown, upward, downward and sideways: common practice, no source."""


@dataclass(frozen=True)
class Obstacle:
    """One thing to stay away from; heights are the scene's, uncertainty not included.

    Attributes
    ----------
    name : str
        What the reader calls it.
    kind : {"point", "wire", "area"}
        Upright cylinder, wire between supports, or prism.
    outline : shapely Point, LineString or Polygon
        Where it stands, local coordinates [m]. That of a wire has a third coordinate: the height of the wire at its
        supports, which are the vertices.
    base_m, top_m : float
        Lowest and highest part [m]; those of a wire are the lowest its sag may reach and its highest support.
    radius_m : float
        How far it reaches sideways from its outline [m].
    vertical_sd_m, horizontal_sd_m : float
        One standard deviation of its height and place [m].
    sag_m : float
        Most that a wire may hang below the straight line between its supports [m]; 0 for anything else.
    """

    name: str
    kind: Literal["point", "wire", "area"]
    outline: shapely.Point | shapely.LineString | shapely.Polygon
    base_m: float
    top_m: float
    radius_m: float = 0.0
    vertical_sd_m: float = 0.0
    horizontal_sd_m: float = 0.0
    sag_m: float = 0.0

    @property
    def reach_m(self) -> float:
        """How far it may stand out sideways from its outline, doubt included [m]."""
        return self.radius_m + SIGMAS * self.horizontal_sd_m

    @property
    def doubt_m(self) -> float:
        """How far its heights may be off [m]."""
        return SIGMAS * self.vertical_sd_m


@dataclass(frozen=True)
class KeepOut:
    """A volume that no path may enter.

    Attributes
    ----------
    name : str
        What the reader calls it.
    polygon : shapely Polygon or MultiPolygon
        Its outline, local coordinates [m].
    floor_m, top_m : float or None
        Scene heights between which it holds [m]; None where it has no end downward or upward.
    """

    name: str
    polygon: shapely.Polygon | shapely.MultiPolygon
    floor_m: float | None = None
    top_m: float | None = None


@dataclass(frozen=True)
class Sensitive:
    """An area that paths had better not cross.

    Attributes
    ----------
    name : str
        What the reader calls it.
    polygon : shapely Polygon or MultiPolygon
        Its outline, local coordinates [m].
    cost : float
        What a metre flown across it costs beside one elsewhere, 1 for twice as much.
    """

    name: str
    polygon: shapely.Polygon | shapely.MultiPolygon
    cost: float = 1.0
