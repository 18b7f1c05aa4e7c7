"""What is traded for what over flat ground: settings that nothing beats in all, and what each clause costs.

Lives here: the front of time, density and height error, and what relaxing a clause saves. Must not know terrain, nor
how a share of time becomes minutes, sorties or money.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np
import numpy.typing as npt

from planner.flight.bounds import height_limits_m
from planner.flight.demands import PENALTY_S
from planner.flight.flat import Task
from planner.flight.grids import Grid, grids
from planner.flight.headingcurve import HeadingCurve
from planner.flight.ratecurves import RateCurve, rate_curves
from planner.flight.search import search
from planner.mission import Mission
from planner.requirement import Requirement

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

DENSITY_SHARES = (0.5, 0.71, 1.0, 1.41, 2.0)
"""Densities that are looked at, for the one asked."""

EASED = 0.1
"""Share by which a clause is relaxed to tell what it costs."""

APART = 0.05


@dataclass(frozen=True)
class Option:
    """Settings over flat ground, and what they bring.

    Attributes
    ----------
    agl_m, speed_mps, pulse_rate_hz, line_rate_hz, usable_half_angle_deg, line_spacing_m : float
        The settings, as in `planner.flight.settings.Settings`.
    time_s : float
        Lines, leads and turns [s].
    density_per_m2 : float
        What the emptiest cells that count hold [1/m2].
    vertical_rmse_m : float
        Height error, checkpoints included, as from `planner.flight.demands.edge_rmse_m` [m].
    """

    agl_m: float
    speed_mps: float
    pulse_rate_hz: float
    line_rate_hz: float
    usable_half_angle_deg: float
    line_spacing_m: float
    time_s: float
    density_per_m2: float
    vertical_rmse_m: float


@dataclass(frozen=True)
class Saving:
    """What a plan would save if its lines took less time.

    Attributes
    ----------
    minutes : float
        From the first take-off to the last landing [min]; without sorties, of lines and turns.
    sorties : int or None
        Take-offs; None where the plan has no sorties.
    money : Decimal or None
        In the currency of the mission's rates; None without rates.
    """

    minutes: float
    sorties: int | None = None
    money: Decimal | None = None


SavingOf = Callable[[float, float], Saving]
"""Tells what a plan saves where its lines and turns over flat ground take but a share of their time, and where the time
along one line changes to another share."""


@dataclass(frozen=True)
class ClauseCost:
    """What a clause costs.

    Attributes
    ----------
    clause : str
        Name of the key in the mission that it stands under, with its unit.
    asked, relaxed : float
        Its value, and the one that is easier to keep by a tenth.
    flat_share : float
        Share of the time over flat ground that the latter leaves, everything chosen anew, 0-1.
    saved : Saving
        What the plan saves with it.
    opens : tuple of str
        Demands that no settings keep as asked, and some do with the latter; see `planner.flight.demands`.
    """

    clause: str
    asked: float
    relaxed: float
    flat_share: float
    saved: Saving
    opens: tuple[str, ...]


@dataclass(frozen=True)
class Tradeoffs:
    """What is traded for what; all but savings over flat ground, without climbs, ferries and batteries.

    Attributes
    ----------
    time_s : float
        Lines, leads and turns of the quickest settings that keep all that is asked [s].
    front : tuple of Option
        Settings that no others beat in time, density and height error at once, the quickest first.
    clauses : tuple of ClauseCost
        What each clause costs, the dearest first.
    rates : tuple of RateCurve
        How long each pulse rate takes from each height.
    headings : HeadingCurve or None
        How long the plan's settings take along each heading; None along a centreline and where lines run several ways.
    """

    time_s: float
    front: tuple[Option, ...]
    clauses: tuple[ClauseCost, ...]
    rates: tuple[RateCurve, ...]
    headings: HeadingCurve | None = None


def tradeoffs(mission: Mission, task: Task, saving_of: SavingOf) -> Tradeoffs:
    """Return what a job trades for what.

    Parameters
    ----------
    mission : Mission
        What is asked; what it holds is held.
    task : Task
        As from `planner.flight.settings.flat_task`, for the heading of the plan.
    saving_of : callable
        What the plan makes of quicker lines.

    Raises
    ------
    InfeasibleError
        As `planner.flight.search.search`, where nothing keeps what is asked.
    """
    return Tradeoffs(
        time_s=search(mission, task).time_s,
        front=pareto(mission, task),
        clauses=clause_costs(mission, task, saving_of),
        rates=rate_curves(mission, task),
    )


def pareto(mission: Mission, task: Task, apart: float = APART) -> tuple[Option, ...]:
    """Return the settings that no others beat in time, density and height error at once, the quickest first.

    Of all that the search looks at, and for densities from half to twice the one asked. Demands other than accuracy are
    kept where any settings keep them.

    Parameters
    ----------
    mission, task
        What is asked.
    apart : float
        Options that differ from a quicker one by less than this share in everything are left out; 0 returns all.
    """
    asked = [replace(task, target_per_m2=share * task.target_per_m2) for share in DENSITY_SHARES]
    tried = [grid for one in asked for grid in grids(mission, one)]
    penalties = [_penalty_s(grid) for grid in tried]
    least_s = min((float(penalty.min()) for penalty in penalties), default=np.inf)
    if not np.isfinite(least_s):
        return ()
    options = [
        option for grid, penalty in zip(tried, penalties, strict=True) for option in _options(grid, penalty <= least_s)
    ]
    values = np.array([_judged(option) for option in options])
    front = [options[k] for k in np.flatnonzero(unbeaten(values)).tolist()]
    return _spread(sorted(front, key=_judged), apart)


def unbeaten(values: Array) -> Mask:
    """Return which rows no other beats, shape (n,): is as low everywhere and lower somewhere; of equal ones the first.

    Parameters
    ----------
    values : ndarray, shape (n, k)
        What is to be low.
    """
    order = np.lexsort(values.T[::-1])  # a row is only ever beaten by one that comes before it
    kept = np.zeros(len(values), dtype=bool)
    while order.size:
        first, rest = order[0], order[1:]
        kept[first] = True
        order = rest[np.any(values[rest] < values[first], axis=1)]
    return kept


def clause_costs(mission: Mission, task: Task, saving_of: SavingOf) -> tuple[ClauseCost, ...]:
    """Return what each clause costs: what is saved where it alone is relaxed by a tenth, the dearest first.

    Raises
    ------
    InfeasibleError
        As `planner.flight.search.search`, where nothing keeps what is asked.
    """
    base = search(mission, task)
    costs = []
    for clause, asked, relaxed, other_mission, other_task in _relaxed(mission, task):
        found = search(other_mission, other_task)
        quicker = found.time_s < base.time_s
        share = found.time_s / base.time_s if quicker else 1.0
        saved = saving_of(share, base.speed_mps / found.speed_mps if quicker else 1.0)
        opens = tuple(name for name in base.broken if name not in found.broken)
        costs.append(ClauseCost(clause, asked, relaxed, share, saved, opens))
    return tuple(sorted(costs, key=lambda cost: (-cost.saved.minutes, cost.flat_share)))


def _relaxed(mission: Mission, task: Task) -> Iterator[tuple[str, float, float, Mission, Task]]:
    """Yield each clause, its value, the relaxed one, and what is asked with it."""
    asked, limits, less, more = mission.requirement, mission.limits, 1 - EASED, 1 + EASED
    target = task.target_per_m2
    yield "density_per_m2", target, less * target, mission, replace(task, target_per_m2=less * target)
    if (rmse := asked.target_rmse_m) is not None:
        yield "vertical_rmse_m", rmse, more * rmse, _asking(mission, _with_rmse(asked, more * rmse)), task
    if asked.sidelap_min > 0:
        share = less * asked.sidelap_min
        yield "sidelap_min", asked.sidelap_min, share, _asking(mission, replace(asked, sidelap_min=share)), task
    if 0 < asked.percentile < 50:
        percent = min(more * asked.percentile, 50.0)
        yield "percentile", asked.percentile, percent, _asking(mission, replace(asked, percentile=percent)), task
    if mission.flight.agl_m is None:
        ceiling, clearance = more * limits.ceiling_agl_m, less * limits.clearance_m
        for name, value, other in (
            ("ceiling_agl_m", limits.ceiling_agl_m, ceiling),
            ("clearance_m", limits.clearance_m, clearance),
        ):
            eased = replace(mission, limits=replace(limits, **{name: other}))
            (low, high), (least, greatest) = height_limits_m(mission), height_limits_m(eased)
            wider = task.least_agl_m + least - low, task.greatest_agl_m + greatest - high
            yield name, value, other, eased, replace(task, least_agl_m=wider[0], greatest_agl_m=wider[1])


def _asking(mission: Mission, requirement: Requirement) -> Mission:
    return replace(mission, requirement=requirement)


def _with_rmse(asked: Requirement, rmse_m: float) -> Requirement:
    """Return a requirement whose height error is this one [m], whatever its level or class brings."""
    density = asked.target_per_m2
    return replace(
        asked, density_per_m2=density, quality_level=None, vertical_class_cm=None, vertical_rmse_m=min(rmse_m, 10.0)
    )


def _penalty_s(grid: Grid) -> Array:
    """Return what broken demands other than accuracy count for; inf where settings do not fit or fall short."""
    penalty = np.where(grid.fits & (grid.short <= 0), 0.0, np.inf)
    for name, mask in grid.broken.items():
        if name != "accuracy":
            penalty = penalty + PENALTY_S[name] * mask
    return penalty


def _options(grid: Grid, wanted: Mask) -> Iterator[Option]:
    """Yield the options of a grid that are wanted and that none of the same grid beats."""
    values = np.stack([grid.time_s, -grid.density_per_m2, grid.rmse_m], axis=-1)
    rows, cols = np.nonzero(wanted & np.isfinite(grid.rmse_m))
    for k in np.flatnonzero(unbeaten(values[rows, cols])).tolist():
        row, at = rows[k], (rows[k], cols[k])
        yield Option(
            agl_m=float(grid.agl_m[row]),
            speed_mps=float(grid.speed_mps[at]),
            pulse_rate_hz=grid.rating.pulse_rate_hz,
            line_rate_hz=grid.line_rate_hz,
            usable_half_angle_deg=float(np.degrees(grid.half_angle_rad)),
            line_spacing_m=float(grid.spacing_m[at]),
            time_s=float(grid.time_s[at]),
            density_per_m2=float(grid.density_per_m2[at]),
            vertical_rmse_m=float(grid.rmse_m[at]),
        )


def _judged(option: Option) -> tuple[float, float, float]:
    """Return what is to be low."""
    return option.time_s, -option.density_per_m2, option.vertical_rmse_m


def _spread(front: list[Option], apart: float) -> tuple[Option, ...]:
    """Return options of which no two are alike within a share in everything; the quicker one stays."""
    kept: list[Option] = []
    seen = np.zeros((0, 3))
    for option in front:
        values = np.log([option.time_s, option.density_per_m2, option.vertical_rmse_m])
        if apart <= 0 or not np.any(np.all(np.abs(seen - values) < apart, axis=1)):
            kept.append(option)
            seen = np.concatenate([seen, values[np.newaxis]])
    return tuple(kept)
