"""A plan on its way to being mended: what it is, what it was aimed at, and what was done to it.

Lives here: nouns that rounds of mending pass on. Must not know what is chosen in a round, or files.
"""

from dataclasses import dataclass, field

from planner.assessment import Forecast, MendStep, Plan
from planner.flight.patches import Track
from planner.flight.paths import Flyer
from planner.ground.surface import Scene
from planner.mission import FlightChoice, Mission
from planner.survey.firing import Fired


@dataclass(frozen=True)
class Job:
    """What all rounds share."""

    mission: Mission
    scene: Scene
    flyer: Flyer
    threads: int


@dataclass(frozen=True)
class Aim:
    """What a plan is made for, each as a share of what is asked or at hand; its forecast is held against all of it.

    Attributes
    ----------
    denser : float
        Density.
    sharper : float
        Vertical RMSE.
    reach : float
        Ranges of the sensor.
    lower : float
        Ceiling above ground.
    held : FlightChoice or None
        Settings that are tried; None leaves them to the planner, but for those that the mission holds.
    """

    denser: float = 1.0
    sharper: float = 1.0
    reach: float = 1.0
    lower: float = 1.0
    held: FlightChoice | None = None


@dataclass(frozen=True)
class State:
    """A plan, its pulses fired, and what that means; `aim` is what it was made for."""

    plan: Plan
    fired: Fired
    forecast: Forecast
    aim: Aim = field(default_factory=Aim)
    patches: int = 0
    barred: tuple[Track, ...] = ()

    @property
    def below_m2(self) -> float:
        """Area that falls short [m2]."""
        return self.forecast.coverage.below_m2

    @property
    def time_s(self) -> float:
        """Time of the whole flight [s]."""
        return float(self.plan.flight["time_s"]["total"])


def step(what: str, why: str, added: tuple[str, ...], before: State, after: State) -> MendStep:
    """Return what was done between two states."""
    minutes = (after.time_s - before.time_s) / 60
    return MendStep(what, why, added, before.below_m2, after.below_m2, minutes)
