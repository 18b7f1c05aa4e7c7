"""The quickest set of height, angle, rates, spacing and speed over flat ground that meets a density.

Lives here: the choice among all that are tried, and the refusal where none will do. Must not know terrain, lines or
layouts.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.equipment import RangeRating
from planner.errors import Best, Fault, InfeasibleError
from planner.flight.flat import Task, height_reached_m, ratings_allowed, used_words
from planner.flight.grids import Grid, grids
from planner.mission import Mission

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Candidate:
    """One set of settings; `time_s` is for flat ground and ranks candidates only.

    Attributes
    ----------
    rmse_m, least_rmse_m : float
        Vertical RMSE as from `edge_rmse_m`, and the least of any settings that meet the density [m].
    broken, kept : tuple of str
        Demands that it breaks, as any other does, and those that it keeps where the quickest settings would not.
    moved : tuple of str
        Settings that differ from the quickest ones for that.
    """

    rating: RangeRating
    line_rate_hz: float
    agl_m: float
    half_angle_rad: float
    spacing_m: float
    speed_mps: float
    density_per_m2: float
    time_s: float
    reach_angle_rad: float
    cost: float
    rmse_m: float = np.nan
    least_rmse_m: float = np.nan
    broken: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()
    moved: tuple[str, ...] = ()


def search(mission: Mission, task: Task) -> Candidate:
    """Return the quickest settings that meet the density, or raise with the best that can be reached.

    Values the mission holds are held; where they alone keep the density out of reach, the nearest is returned. Beside
    the density, demands on height and angle are kept where any settings that meet it keep them, see
    `planner.flight.demands`.

    Raises
    ------
    InfeasibleError
        E19: no settings meet the density. E41: the held spacing is wider than any swath.
    """
    return search_heights(mission, task)[0]


def search_heights(mission: Mission, task: Task) -> tuple[Candidate, ...]:
    """Return the quickest settings at each height that is tried, the cheapest first: the first is that of `search`.

    The ground may ask for others than those that are quickest over flat ground. Parameters and errors as for `search`.
    """
    best, quickest = _Cheapest(), _Cheapest()
    least_rmse_m = np.inf
    for grid in grids(mission, task):
        best.take(grid, grid.cost_s)
        quickest.take(grid, grid.density_cost_s)
        dense = grid.fits & (grid.short <= 0)
        least_rmse_m = min(least_rmse_m, float(np.min(grid.rmse_m, where=dense, initial=np.inf)))
    if not best.by_height:
        raise _no_swath(mission, task)
    found, without = best.ordered(), quickest.ordered()[0]
    _refuse_sparse(mission, task, found[0])
    return tuple(_with_demands(replace(one, least_rmse_m=least_rmse_m), without) for one in found)


class _Cheapest:
    """The cheapest settings at each height, of all grids taken so far."""

    def __init__(self) -> None:
        self.by_height: dict[float, Candidate] = {}

    def take(self, grid: Grid, cost_s: Array) -> None:
        """Take what is cheaper in a grid, whose settings cost so much [s], shape (h, s)."""
        columns = cost_s.argmin(axis=1)
        for row, (agl_m, column) in enumerate(zip(grid.agl_m.tolist(), columns.tolist(), strict=True)):
            cost, known = float(cost_s[row, column]), self.by_height.get(agl_m)
            if np.isfinite(cost) and (known is None or cost < known.cost * (1 - 1e-12)):
                self.by_height[agl_m] = _candidate(grid, cost_s, row, column)

    def ordered(self) -> list[Candidate]:
        """Return the settings of all heights, the cheapest first."""
        return sorted(self.by_height.values(), key=lambda each: each.cost)


def _candidate(grid: Grid, cost_s: Array, row: int, column: int) -> Candidate:
    at = row, column
    return Candidate(
        grid.rating,
        grid.line_rate_hz,
        agl_m=float(grid.agl_m[row]),
        half_angle_rad=grid.half_angle_rad,
        spacing_m=float(grid.spacing_m[at]),
        speed_mps=float(grid.speed_mps[at]),
        density_per_m2=float(grid.density_per_m2[at]),
        time_s=float(grid.time_s[at]),
        reach_angle_rad=float(grid.reach_angle_rad[row]),
        cost=float(cost_s[at]),
        rmse_m=float(grid.rmse_m[at]),
        broken=tuple(name for name, mask in grid.broken.items() if np.broadcast_to(mask, cost_s.shape)[at]),
    )


def _refuse_sparse(mission: Mission, task: Task, best: Candidate) -> None:
    """Raise where the best settings of all stay below the density at the least speed."""
    if best.density_per_m2 >= task.target_per_m2 * (1 - 1e-9) or mission.flight.speed_mps is not None:
        return
    raise InfeasibleError(
        Fault(
            "E19",
            f"the sensor reaches {best.density_per_m2:.4g} returns/m2 at the least speed "
            f"{best.speed_mps:g} m/s and {best.agl_m + task.deeper_m:.0f} m above the lowest ground, "
            f"{task.target_per_m2:.4g} asked",
            fix="ask for less, judge larger cells, hold fewer settings, or take a sensor with a higher pulse rate",
        ),
        best=Best(
            "density_per_m2",
            asked=task.target_per_m2,
            reachable=best.density_per_m2,
            limited_by=f"least speed {best.speed_mps:g} m/s at pulse rate {best.rating.pulse_rate_hz:g} Hz, "
            "over flat ground",
        ),
    )


def _with_demands(best: Candidate, quickest: Candidate) -> Candidate:
    """Return a candidate that tells which demands it keeps beside the quickest, and which settings that moved."""
    kept = tuple(set(quickest.broken) - set(best.broken))
    return replace(best, kept=kept, moved=_moved(best, quickest) if kept else ())


def _moved(best: Candidate, quickest: Candidate) -> tuple[str, ...]:
    """Return the settings, by their names in a plan, in which two candidates differ."""
    pairs = {
        "agl_m": (best.agl_m, quickest.agl_m),
        "pulse_rate_hz": (best.rating.pulse_rate_hz, quickest.rating.pulse_rate_hz),
        "line_rate_hz": (best.line_rate_hz, quickest.line_rate_hz),
        "usable_half_angle_deg": (best.half_angle_rad, quickest.half_angle_rad),
        "line_spacing_m": (best.spacing_m, quickest.spacing_m),
    }
    return tuple(name for name, (one, other) in pairs.items() if abs(one - other) > 1e-9 * max(abs(one), 1.0))


def _no_swath(mission: Mission, task: Task) -> InfeasibleError:
    """Return why no swath will do: the held spacing is too wide, or the light hardly reaches the ground."""
    heights = f"{task.least_agl_m:.0f} to {task.greatest_agl_m:.0f} m above ground"
    if mission.flight.line_spacing_m:
        what = f"lines {mission.flight.line_spacing_m:g} m apart leave a gap: no swath is as wide at {heights}"
        return InfeasibleError(Fault("E41", what, fix="leave line_spacing_m out, or hold a smaller one"))
    reached = max(height_reached_m(mission, rating, task.dark) for rating in ratings_allowed(mission))
    return InfeasibleError(
        Fault(
            "E21",
            f"the light reaches the ground from at most {reached:.1f} m straight below{used_words(mission)}; "
            f"no swath is left at {heights}",
            fix="fly lower, hold a lower pulse rate, or take a sensor with a longer range",
        ),
        best=Best("agl_m", asked=task.least_agl_m, reachable=reached, limited_by="range of the sensor"),
    )
