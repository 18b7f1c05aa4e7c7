"""What stands in the way of a flight, and where it may not go: the mission's [hazards].

Lives here: a plain noun of file names and doubts, checked once on construction. Must not know files, terrain or paths.
"""

from typing import Annotated

from pydantic import Field, field_validator

from planner.equipment import frozen

Doubt = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]


@frozen
class Hazards:
    """Obstacles, keep-out and sensitive areas, and how well they are known.

    Attributes
    ----------
    obstacles : str or None
        Vector file of points, lines and polygons with heights, relative to the mission file.
    keep_out : str or None
        Vector file of polygons that no path may enter, relative to the mission file.
    sensitive : str or None
        Vector file of polygons that paths had better not cross, each with its cost, relative to the mission file.
    default_vertical_sd_m, default_horizontal_sd_m : float
        One standard deviation of height and place of an obstacle that states none [m]: common practice, no source.
    keep_out_margin_m : float
        Least distance to keep-out areas [m].
    wires_checked : bool or str
        Whether someone looked for wires on the site, or who did, when and how. Unless it is true or says so, wires
        are unknown, which is not the same as absent.
    """

    obstacles: str | None = None
    keep_out: str | None = None
    sensitive: str | None = None
    default_vertical_sd_m: Doubt = 2.0
    default_horizontal_sd_m: Doubt = 2.0
    keep_out_margin_m: Annotated[float, Field(ge=0, le=10_000, allow_inf_nan=False)] = 10.0
    wires_checked: bool | Annotated[str, Field(max_length=500)] = False

    @field_validator("wires_checked")
    @classmethod
    def _says_something(cls, value: bool | str) -> bool | str:
        if isinstance(value, str) and not value.strip():
            msg = "wires_checked is an empty text\nsay who looked for wires, when and how, or leave it out"
            raise ValueError(msg)
        return value
