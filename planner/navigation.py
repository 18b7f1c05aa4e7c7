"""What tells where the sensor is and how it is turned: the navigation card, checked once on construction.

Lives here: plain noun of satellite positioning, inertial unit and calibration with their errors. Must not know
sensors, missions, files or what becomes of an error on the ground.
"""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from planner.equipment import Count, NotNegative, Positive, frozen

Three = tuple[NotNegative, NotNegative, NotNegative]

# Largest believable value of a key, its unit, the unit it was likely stated in, and how many of those make one.
_MISTAKES = {
    "position_horizontal_sd_m": (10.0, "m", "millimetres", 1000),
    "position_vertical_sd_m": (10.0, "m", "millimetres", 1000),
    "base_ppm": (100.0, "ppm", "parts per billion", 1000),
    "roll_pitch_sd_deg": (5.0, "deg", "arc seconds", 3600),
    "heading_sd_deg": (10.0, "deg", "arc seconds", 3600),
    "boresight_sd_deg": (5.0, "deg", "arc seconds", 3600),
    "lever_arm_sd_m": (1.0, "m", "millimetres", 1000),
    "timing_sd_s": (0.1, "s", "milliseconds", 1000),
}


@frozen
class Navigation:
    """Satellite positioning, inertial unit and calibration, as processed after the flight; errors are one sigma.

    Attributes
    ----------
    name, description : str
        Short name of the card, and one line for people.
    position_horizontal_sd_m, position_vertical_sd_m : float
        Error of the trajectory near the base station: per horizontal axis, and of height [m].
    base_ppm : float
        Error of each axis that comes on top with the distance from the base station [parts per million of it].
    roll_pitch_sd_deg, heading_sd_deg : float
        Error of roll and of pitch, each, and of heading [deg].
    boresight_sd_deg : tuple of float
        Error left after calibration in how the sensor is turned against the inertial unit: roll, pitch, heading [deg].
    lever_arm_sd_m : tuple of float
        Error of the arm from the place that the trajectory is of to the sensor: forward, right, down [m].
    timing_sd_s : float
        Error of the sensor's clock against the trajectory's [s].
    longest_line_s : float
        Longest straight flight before the inertial unit drifts too far and a turn must bring it back [s].
    alignment_s : float
        Manoeuvre before the first and after the last line of a sortie, in which the trajectory converges [s].
    alignment : {"figure_eight", "straight"}
        How that is flown: whole figures of eight, or straight at the speed of the line.
    opposed_pair : bool
        Whether one line is flown back as well, for calibration.
    cross_lines_every : int or None
        One cross line for so many lines, and at both ends of a block at least; None flies none.
    gnss_rate_hz, gnss_frequencies : float or None, int or None
        How often the satellite receiver logs [Hz], and on how many frequencies; None where the sheet is silent.
    """

    name: str
    description: str = ""
    position_horizontal_sd_m: NotNegative
    position_vertical_sd_m: NotNegative
    base_ppm: NotNegative = 1.0
    roll_pitch_sd_deg: NotNegative
    heading_sd_deg: NotNegative
    boresight_sd_deg: Three
    lever_arm_sd_m: Three
    timing_sd_s: NotNegative
    longest_line_s: Positive = 120.0  # 60-180 s is usual for drones: common practice, no source
    alignment_s: NotNegative = 30.0  # 20-60 s is usual: common practice, no source
    alignment: Literal["figure_eight", "straight"] = "figure_eight"
    opposed_pair: bool = False
    cross_lines_every: Count | None = None
    gnss_rate_hz: Annotated[float, Field(gt=0, le=1000)] | None = None
    gnss_frequencies: Annotated[int, Field(ge=1, le=5)] | None = None

    @model_validator(mode="after")
    def _errors_are_believable(self) -> Self:
        for key, (limit, unit, other, per_unit) in _MISTAKES.items():
            stated = getattr(self, key)
            largest = max(stated) if isinstance(stated, tuple) else stated
            if largest > limit:
                raise ValueError(
                    f"{key} of {largest:g} {unit} is over {limit:g} {unit}, worse than any navigation for mapping\n"
                    f"was it stated in {other}? then write {largest / per_unit:g}"
                )
        return self
