"""The wind triangle: what a steady wind makes of speeds through the air and over the ground.

Lives here: the wind and both ways through the triangle. Must not know lines, paths or batteries.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from planner.aircraft import Aircraft
from planner.errors import Fault, InfeasibleError

Array = npt.NDArray[np.float64]

Hold = Literal["ground", "air"]

CREEPING_MPS = 0.5  # what moves no faster over the ground gets nowhere


@dataclass(frozen=True)
class Wind:
    """A steady wind, the same at all heights.

    Attributes
    ----------
    speed_mps : float
        How fast it blows [m/s].
    from_rad : float
        Where it comes from, clockwise from grid north [rad].
    """

    speed_mps: float = 0.0
    from_rad: float = 0.0


CALM = Wind()


def airspeed_mps(ground_mps: npt.ArrayLike, course_rad: npt.ArrayLike, wind: Wind) -> Array:
    """Return the speed through the air [m/s] that a ground speed [m/s] along a course [rad] takes, any shape."""
    off = wind.from_rad - np.asarray(course_rad)
    return np.hypot(np.asarray(ground_mps) + wind.speed_mps * np.cos(off), wind.speed_mps * np.sin(off))


def ground_speed_mps(airspeed_mps: npt.ArrayLike, course_rad: npt.ArrayLike, wind: Wind) -> Array:
    """Return the ground speed [m/s] along a course [rad] at a speed through the air [m/s], any shape.

    Raises
    ------
    InfeasibleError
        E32 where the wind beats the airspeed on a course: it blows the aircraft aside or backward.
    """
    air, course = np.broadcast_arrays(np.asarray(airspeed_mps, dtype=np.float64), np.asarray(course_rad))
    off = wind.from_rad - course
    aside = wind.speed_mps * np.sin(off)
    ground = np.sqrt(np.maximum(air**2 - aside**2, 0.0)) - wind.speed_mps * np.cos(off)
    beaten = (np.abs(aside) >= air) | (ground < CREEPING_MPS)
    if beaten.any():
        which = int(np.argmax(beaten))
        heading, speed = float(np.degrees(course.flat[which])) % 360, float(air.flat[which])
        from_deg = float(np.degrees(wind.from_rad)) % 360
        what = f"wind of {wind.speed_mps:g} m/s from {from_deg:.0f} deg beats an airspeed of {speed:.1f} m/s"
        fix = "fly on a calmer day, on another heading, or with a faster aircraft"
        raise InfeasibleError(Fault("E32", f"{what} on a course of {heading:.0f} deg (grid)", fix=fix))
    return np.asarray(ground)


def held_speed_mps(aircraft: Aircraft, asked_mps: float, course_rad: float, wind: Wind, hold: Hold = "ground") -> float:
    """Return the ground speed [m/s] flown on a line where one is asked for: held as far as the airspeeds allow.

    Up-wind it may fall short of what is asked, down-wind a wing may exceed it.

    Parameters
    ----------
    aircraft : Aircraft
        Its airspeeds bound what can be held.
    asked_mps : float
        Ground speed asked for [m/s].
    course_rad : float
        Course of the line, clockwise from grid north [rad].
    wind : Wind
        Steady.
    hold : {"ground", "air"}
        Held is the ground speed, whichever way the line is flown; or one airspeed both ways, with which the faster way
        is flown at the speed asked for, so that no line gets fewer points than asked.

    Raises
    ------
    InfeasibleError
        E32 where the wind beats the greatest airspeed.
    """
    least, most = aircraft.airspeeds_mps
    courses = (course_rad,) if hold == "ground" else (course_rad, course_rad + np.pi)
    needed = min(float(airspeed_mps(asked_mps, course, wind)) for course in courses)
    if least - 1e-9 <= needed <= most + 1e-9:
        return asked_mps if hold == "ground" else float(ground_speed_mps(needed, course_rad, wind))
    return float(ground_speed_mps(most if needed > most else least, course_rad, wind))
