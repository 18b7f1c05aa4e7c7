"""What a battery holds on the day, and what a path draws from it.

Lives here: derating, the cost of a path, the way home against the worst wind. Must not know lines or sorties.
"""

import numpy as np
import numpy.typing as npt

from planner.aircraft import Aircraft
from planner.flight.climbs import Path
from planner.flight.winds import Wind, ground_speed_mps

Array = npt.NDArray[np.float64]

MILD_C = 15.0  # above this a battery gives all it has: common practice, no source


def battery_s(aircraft: Aircraft, temperature_c: float = MILD_C, elevation_m: float = 0.0) -> float:
    """Return what a full battery holds [s of level flight] at an air temperature [deg C] and elevation [m].

    The endurance of the card, less a share per degree below 15 deg C, less a share per kilometre of elevation, one
    after the other. Heat and depth below the sea gain nothing.
    """
    cold = aircraft.cold_loss_per_deg_c * max(MILD_C - temperature_c, 0.0)
    high = aircraft.height_loss_per_km * max(elevation_m, 0.0) / 1000
    return aircraft.endurance_s * max(1 - cold, 0.0) * max(1 - high, 0.0)


def drawn_s(aircraft: Aircraft, path: Path) -> float:
    """Return the energy that a path draws [s of level flight].

    Every second counts one, in hover as much as the card says, at any speed; each metre climbed costs lift on top
    (`Aircraft.climb_cost_s_per_m`), and sinking gives nothing back.
    """
    steps = np.diff(path.times_s)
    hovering = np.array([part == "hover" for part in path.parts], dtype=bool)
    climbed_m = float(np.maximum(np.diff(path.points_m[:, 2]), 0.0).sum())
    weights = np.where(hovering, aircraft.hover_weight, 1.0)
    return float(steps @ weights) + aircraft.climb_cost_s_per_m * climbed_m


def worst_return_s(aircraft: Aircraft, wind: Wind, distance_m: npt.ArrayLike, drop_m: npt.ArrayLike) -> Array:
    """Return the energy of the way home straight against the wind and down [s of level flight], any shape.

    Parameters
    ----------
    aircraft, wind : Aircraft, Wind
        What flies; the wind is taken to blow from the take-off place, wherever that lies.
    distance_m, drop_m : array_like
        Horizontal distance to the take-off place, and height above it [m].

    Raises
    ------
    InfeasibleError
        E32 where the wind beats the ferry airspeed.
    """
    speed = float(ground_speed_mps(aircraft.ferry_mps, wind.from_rad, wind))
    down, up = np.maximum(drop_m, 0.0), np.maximum(-np.asarray(drop_m), 0.0)
    climb = up / aircraft.climb_mps + aircraft.climb_cost_s_per_m * up
    return np.asarray(np.asarray(distance_m) / speed + down / aircraft.descent_mps + climb)
