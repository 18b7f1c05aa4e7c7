"""When the job can be flown beside the light of day: satellites overhead and the level of the water.

Lives here: a plain noun of file names and limits, checked once on construction. Must not know files, orbits or tides.
"""

from typing import Annotated, Self

from pydantic import Field, model_validator

from planner.equipment import frozen

Level = Annotated[float, Field(ge=-50, le=50)]


@frozen
class Window:
    """What narrows the hours of the day.

    Attributes
    ----------
    almanac : str or None
        Almanac of satellites, relative to the mission file; None looks at none.
    mask_deg : float
        Least elevation of a satellite that is used, over the horizon of the terrain or with it [deg].
    pdop_most : float
        Greatest dilution of precision in position; 3 is usual for surveys: common practice, no source.
    satellites_least : int
        Fewest satellites in use.
    tide : str or None
        Table of water levels, relative to the mission file; None looks at none.
    tide_least_m, tide_most_m : float or None
        Levels between which the job is flown, above the datum of the table [m].
    """

    almanac: str | None = None
    mask_deg: Annotated[float, Field(ge=0, lt=90)] = 15.0
    pdop_most: Annotated[float, Field(gt=0, le=100)] = 3.0
    satellites_least: Annotated[int, Field(ge=4, le=100)] = 6
    tide: str | None = None
    tide_least_m: Level | None = None
    tide_most_m: Level | None = None

    @model_validator(mode="after")
    def _levels_leave_room(self) -> Self:
        least, most = self.tide_least_m, self.tide_most_m
        if self.tide is None and (least is not None or most is not None):
            msg = "tide_least_m or tide_most_m without a tide table\nname the table as `tide`, or leave the levels out"
            raise ValueError(msg)
        if self.tide is not None and least is None and most is None:
            msg = "a tide table without a level\ngive tide_most_m, tide_least_m or both, or leave `tide` out"
            raise ValueError(msg)
        if least is not None and most is not None and least >= most:
            raise ValueError(f"tide_least_m {least:g} is not below tide_most_m {most:g}\nchange one of the two")
        return self
