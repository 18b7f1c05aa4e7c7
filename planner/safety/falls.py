"""How far from where it fails an aircraft out of control comes down.

Lives here: the rules of thumb and closed forms for that distance. Must not know paths, buffers or what lies beneath.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Rule = Literal["one to one", "ballistic", "glide"]

GRAVITY_MPS2 = 9.80665


@dataclass(frozen=True)
class Fall:
    """How an aircraft out of control is taken to come down.

    Attributes
    ----------
    rules : tuple of {"one to one", "ballistic", "glide"}
        What the buffer's width is found by; the widest counts at each place.
    reaction_s : float
        How long it flies on before it falls or glides [s].
    wind_mps : float
        Wind that carries it while it comes down, taken to blow to the worse side [m/s].
    glide_ratio, glide_mps : float or None
        Way through the air per height lost, and airspeed [m/s], of a wing whose motor is off.
    wings : bool
        Whether it has wings: without the rule of the glide it may come down much farther away than told.
    beside_m : float
        How far from its planned path it may fly, half its size included [m]: the buffer begins there.
    """

    rules: tuple[Rule, ...] = ("one to one",)
    reaction_s: float = 0.0
    wind_mps: float = 0.0
    glide_ratio: float | None = None
    glide_mps: float | None = None
    wings: bool = False
    beside_m: float = 1.0

    def __post_init__(self) -> None:
        """Refuse what gives no width."""
        if not self.rules:
            msg = "a fall by no rule has no width: give one to one, ballistic or glide"
            raise ValueError(msg)
        if "glide" in self.rules and not (self.glide_ratio and self.glide_mps):
            msg = "a glide needs glide_ratio and glide_mps, both above 0"
            raise ValueError(msg)
        if not (self.beside_m > 0 and self.reaction_s >= 0 and self.wind_mps >= 0):
            msg = "beside_m must be above 0, reaction_s and wind_mps not below 0"
            raise ValueError(msg)

    @property
    def glide_untold(self) -> bool:
        """Whether it may glide and nobody says how far."""
        return self.wings and "glide" not in self.rules

    @property
    def words(self) -> str:
        """What the width was found by, for people."""
        said = {
            "one to one": "as far as it is high above the ground (1:1)",
            "ballistic": "as far as it is thrown from its speed without drag",
            "glide": f"as far as it glides at {self.glide_ratio or 0:g}:1",
        }
        widest = ", the widest of these" if len(self.rules) > 1 else ""
        moved = [f"wind of {self.wind_mps:g} m/s"] if self.wind_mps else []
        moved += [f"{self.reaction_s:g} s before anybody reacts"] if self.reaction_s else []
        with_ = f", with {' and '.join(moved)}" if moved and self.rules != ("one to one",) else ""
        return " or ".join(said[rule] for rule in self.rules) + widest + with_


def thrown_m(height_m: Array, speed_mps: Array, wind_mps: float = 0.0, reaction_s: float = 0.0) -> Array:
    """Return how far a thing falls from where it fails [m]: v t_r + (v + w) sqrt(2 h / g), level and without drag.

    In still air drag only shortens the throw: it bends the path below the parabola. What falls slowly, on a parachute
    or on turning rotors, drifts longer in the wind than this.

    Parameters
    ----------
    height_m, speed_mps : ndarray, same shape
        Height above ground [m] and ground speed [m/s].
    wind_mps, reaction_s : float
        Wind [m/s] and time flown on [s].
    """
    return np.asarray(speed_mps * reaction_s + (speed_mps + wind_mps) * np.sqrt(2 * height_m / GRAVITY_MPS2))


def glide_m(height_m: Array, glide_ratio: float, glide_mps: float, wind_mps: float = 0.0) -> Array:
    """Return how far a wing without motor glides [m]: E h through the air, and with the wind for the time it takes."""
    return np.asarray(height_m * glide_ratio * (1 + wind_mps / glide_mps))


def widths_m(fall: Fall, heights_agl_m: Array, speeds_mps: Array) -> Array:
    """Return the width of the buffer at each place [m], shape (n,): the widest that the rules of a fall ask for.

    The 1:1 rule makes it as wide as the flight is high: JARUS guidelines on specific operations risk assessment, and
    the acceptable means of compliance with article 11 of (EU) 2019/947, ground risk buffer; both from memory.

    Parameters
    ----------
    fall : Fall
        The rules.
    heights_agl_m, speeds_mps : ndarray, shape (n,)
        Height above ground [m], counted as 0 below it; ground speed [m/s].
    """
    height = np.maximum(heights_agl_m, 0.0)
    asked = {"one to one": height} if "one to one" in fall.rules else {}
    if "ballistic" in fall.rules:
        asked["ballistic"] = thrown_m(height, speeds_mps, fall.wind_mps, fall.reaction_s)
    if fall.glide_ratio and fall.glide_mps and "glide" in fall.rules:
        glided = glide_m(height, fall.glide_ratio, fall.glide_mps, fall.wind_mps)
        asked["glide"] = glided + speeds_mps * fall.reaction_s
    return np.asarray(np.maximum.reduce(list(asked.values())))
