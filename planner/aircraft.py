"""What flies: the card of an aircraft, checked once on construction.

Lives here: plain noun of the aircraft with its units and limits. Must not know sensors, missions, files or how a
figure is used.
"""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from planner.equipment import Count, NotNegative, Positive, frozen

GRAVITY_MPS2 = 9.80665
CLIMB_EFFICIENCY = 0.5  # lift gained per energy drawn, propellers and motors together: common practice, no source
CLIMB_COST_S_PER_M = {"multirotor": 0.15, "fixed_wing": 0.4}  # where a card is silent: common practice, no source
MOST_RESERVE = 0.6


@frozen
class Aircraft:
    """The drone that carries the sensor.

    Energy is counted in seconds of level flight: a full battery holds `endurance_s` of them at 15 deg C and sea level.

    Attributes
    ----------
    name, description, kind : str, str, {"multirotor", "fixed_wing"}
        Short name of the card, one line for people, and which turns it can make.
    min_speed_mps, max_speed_mps : float
        Ground speeds it can hold with the sensor on [m/s].
    min_airspeed_mps, max_airspeed_mps : float or None
        Speeds through the air [m/s]; None takes the ground speeds (a multirotor has no least).
    ferry_airspeed_mps : float or None
        Speed through the air on the way to the lines and back [m/s]; None takes max_speed_mps.
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
    power_w, mass_kg : float or None
        Power drawn in level flight with the sensor on [W], and mass with the sensor [kg]: the price of climbing.
    hover_power_w : float or None
        Power drawn in hover [W]; None takes power_w.
    battery_reserve_share : float
        Share of a battery that is left after the worst return, 0 to 0.6.
    batteries : int or None
        Sets at hand; None is as many as it takes.
    chargers : int
        Sets that charge at one time.
    charge_s, swap_s : float
        Charging a set from empty to full, and the time from landing to take-off with another [s].
    cold_loss_per_deg_c : float
        Share of the endurance lost per degree below 15 deg C.
    height_loss_per_km : float
        Share of the endurance lost per kilometre above sea level.
    max_dimension_m : float or None
        Largest dimension [m], which tells how far it can be seen.
    glide_ratio : float or None
        Way through the air per height lost by a wing whose motor is off; None where nobody says.
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
    min_airspeed_mps: NotNegative | None = None
    max_airspeed_mps: Positive | None = None
    ferry_airspeed_mps: Positive | None = None
    climb_mps: Positive
    descent_mps: Positive
    pitch_per_speed_deg_s_per_m: NotNegative = 0.0
    acceleration_mps2: Positive = 1.5
    max_bank_deg: Annotated[float, Field(gt=0, lt=60)] = 20.0
    settle_s: NotNegative = 5.0
    endurance_s: Positive
    power_w: Positive | None = None
    mass_kg: Positive | None = None
    hover_power_w: Positive | None = None
    battery_reserve_share: float = 0.25  # 20-30 % is usual: common practice, no source
    batteries: Count | None = None
    chargers: Annotated[int, Field(ge=0, le=100)] = 1
    charge_s: Positive = 4500.0  # 60-90 min is usual: common practice, no source
    swap_s: NotNegative = 300.0  # 3-8 min is usual: common practice, no source
    cold_loss_per_deg_c: Annotated[float, Field(ge=0, le=0.05)] = 0.01  # common practice, no source
    height_loss_per_km: Annotated[float, Field(ge=0, le=0.5)] = 0.10  # common practice, no source
    max_dimension_m: Annotated[float, Field(gt=0, le=30)] | None = None
    glide_ratio: Annotated[float, Field(gt=0, le=40)] | None = None
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

    @model_validator(mode="after")
    def _airspeeds_in_order(self) -> Self:
        least, most = self.airspeeds_mps
        if least > most:
            raise ValueError(
                f"min_airspeed_mps {least:g} is above max_airspeed_mps {most:g}\n"
                "speeds through the air that a card leaves out are its ground speeds"
            )
        if not least <= self.ferry_mps <= most:
            raise ValueError(
                f"ferry_airspeed_mps {self.ferry_mps:g} is outside the airspeeds {least:g} to {most:g}\n"
                f"give ferry_airspeed_mps inside, or leave it out for max_speed_mps {self.max_speed_mps:g}"
            )
        return self

    @model_validator(mode="after")
    def _reserve_leaves_a_flight(self) -> Self:
        if not 0 <= self.battery_reserve_share <= MOST_RESERVE:
            raise ValueError(
                f"E29 battery_reserve_share is {self.battery_reserve_share:g}, from 0 to {MOST_RESERVE:g} allowed\n"
                "give the share of a battery that is kept, 0.25 for a quarter"
            )
        return self

    @model_validator(mode="after")
    def _power_is_whole(self) -> Self:
        if (self.mass_kg is not None or self.hover_power_w is not None) and self.power_w is None:
            given = "mass_kg" if self.mass_kg is not None else "hover_power_w"
            raise ValueError(f"{given} without power_w tells no price\ngive power_w too, or leave {given} out")
        return self

    @model_validator(mode="after")
    def _wings_glide(self) -> Self:
        if self.glide_ratio is not None and self.kind != "fixed_wing":
            msg = f"a {self.kind} does not glide\nleave glide_ratio out"
            raise ValueError(msg)
        return self

    @property
    def airspeeds_mps(self) -> tuple[float, float]:
        """Least and greatest speed through the air [m/s]."""
        least = self.min_speed_mps if self.kind == "fixed_wing" else 0.0
        return (
            least if self.min_airspeed_mps is None else self.min_airspeed_mps,
            self.max_speed_mps if self.max_airspeed_mps is None else self.max_airspeed_mps,
        )

    @property
    def ferry_mps(self) -> float:
        """Speed through the air on the way to the lines and back [m/s]."""
        return self.max_speed_mps if self.ferry_airspeed_mps is None else self.ferry_airspeed_mps

    @property
    def climb_cost_s_per_m(self) -> float:
        """Energy of one metre of climb, on top of the time it takes [s of level flight per m]: m g / (efficiency P)."""
        if self.mass_kg is None or self.power_w is None:
            return CLIMB_COST_S_PER_M[self.kind]
        return self.mass_kg * GRAVITY_MPS2 / (CLIMB_EFFICIENCY * self.power_w)

    @property
    def hover_weight(self) -> float:
        """Power in hover as a multiple of that in level flight."""
        if self.hover_power_w is None or self.power_w is None:
            return 1.0
        return self.hover_power_w / self.power_w
