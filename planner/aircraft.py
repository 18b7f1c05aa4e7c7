"""What flies: the card of an aircraft, checked once on construction.

Lives here: plain noun of the aircraft with its units and limits. Must not know sensors, missions, files or how a
figure is used.
"""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from planner.equipment import NotNegative, Positive, frozen


@frozen
class Aircraft:
    """The drone that carries the sensor.

    Attributes
    ----------
    name, description, kind : str, str, {"multirotor", "fixed_wing"}
        Short name of the card, one line for people, and which turns it can make.
    min_speed_mps, max_speed_mps : float
        Ground speeds it can hold with the sensor on [m/s].
    climb_mps, descent_mps : float
        Fastest while mapping [m/s].
    pitch_per_speed_deg_s_per_m : float
        Nose-down pitch gained per m/s of forward speed [deg / (m/s)].
    acceleration_mps2 : float
        Along-track acceleration when leaving and joining lines [m/s2].
    max_bank_deg : float
        Steepest bank in turns [deg].
    settle_s : float
        Straight flight before a line's data are kept [s]; sets lead-in and lead-out.
    endurance_s : float
        Flight time with the sensor on, battery full to empty [s].
    nose : {"along_track", "into_wind"}
        Whether the nose is kept along the track (rotors can) or crabs into the wind (wings must).
    sway_roll_deg, sway_pitch_deg, sway_heading_deg : float
        Attitude motion on a line about its mean, root mean square [deg].
    sway_correlation_s : float
        Time scale T of that motion: its correlation after t is (1 + t / T) exp(-t / T), its rate 1 / T of it [s].
    """

    name: str
    description: str = ""
    kind: Literal["multirotor", "fixed_wing"] = "multirotor"
    min_speed_mps: Positive
    max_speed_mps: Positive
    climb_mps: Positive
    descent_mps: Positive
    pitch_per_speed_deg_s_per_m: NotNegative = 0.0
    acceleration_mps2: Positive = 1.5
    max_bank_deg: Annotated[float, Field(gt=0, lt=60)] = 20.0
    settle_s: NotNegative = 5.0
    endurance_s: Positive
    nose: Literal["along_track", "into_wind"] = "along_track"
    sway_roll_deg: Annotated[float, Field(ge=0, le=20)] = 0.0
    sway_pitch_deg: Annotated[float, Field(ge=0, le=20)] = 0.0
    sway_heading_deg: Annotated[float, Field(ge=0, le=20)] = 0.0
    sway_correlation_s: Positive = 1.0

    @model_validator(mode="after")
    def _speeds_in_order(self) -> Self:
        if self.min_speed_mps > self.max_speed_mps:
            msg = f"min_speed_mps {self.min_speed_mps:g} is above max_speed_mps {self.max_speed_mps:g}"
            raise ValueError(msg)
        return self
