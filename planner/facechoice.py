"""Which walls a survey has to show: the mission's [faces], checked once on construction.

Lives here: a plain noun of a file's name, a height and a slope. Must not know files, terrain or what is counted.
"""

from typing import Annotated, Self

from pydantic import Field, model_validator

from planner.equipment import Positive, frozen


@frozen
class FaceChoice:
    """Where the faces are.

    Attributes
    ----------
    walls : str or None
        Vector file of named lines along foot or crest of walls, relative to the mission file; None takes all that is
        steep as faces.
    height_m : float or None
        Height of the walls whose lines state no `height_m` of their own [m].
    steeper_than_deg : float
        What is steeper than this on the mean of a judging cell is a face [deg].
    """

    walls: str | None = None
    height_m: Positive | None = None
    steeper_than_deg: Annotated[float, Field(ge=20, le=85)] = 45.0

    @model_validator(mode="after")
    def _height_of_something(self) -> Self:
        if self.height_m is not None and self.walls is None:
            raise ValueError(f"height_m {self.height_m:g} of no walls\nname their lines as `walls`, or leave it out")
        return self
