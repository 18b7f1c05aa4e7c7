"""Walls that a flight leaves thin: lines that face them are chosen, flown in the forecast and kept where they help.

Lives here: the rounds of choosing, what they may cost, and the words. Must not know what a line brings, or files.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.assessment import Forecast, MendStep, Plan
from planner.flight.avoidance import ClosedVolumes
from planner.flight.facing import Aim, Chosen, Faces, FacingTrack, Option, choose_facing, facing_tracks
from planner.flight.paths import Flyer
from planner.flight.sorties import turn_time_s
from planner.flight.swath import swath_width_m
from planner.ground.surface import Scene
from planner.mission import Mission
from planner.survey.closing import DETOUR_SHARE, SOUND_SHARE, Way, ways_of
from planner.survey.firing import Fired, fire_changed
from planner.survey.outlook import judge
from planner.survey.patching import OVER_CEILING_M, patched_plan
from planner.survey.walls import Walls, open_to, sights, walls_of

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

ROUNDS = 4
"""Times that lines are chosen, flown in the forecast and judged."""
MOST_TIME_SHARE = 0.25
"""Of the time of the flight as it was, lines that face walls add at most so much: common practice, no source."""
MOST_LINES = 8
"""Lines that one round adds at most."""
LEAST_SHARE = 0.005
"""Of the area of all faces, a line adds at least so much to what is covered."""
MOST_VARIED = 60
"""Tracks that are tried lower and slower than the plan is flown."""
SURPLUS_PCT = 1.0
"""So much more coverage is aimed at than is asked for: what closed forms promise is not quite kept [percent]."""

_MANNERS = {"along": "along", "toward": "straight over", "aslant": "aslant over"}


@dataclass(frozen=True)
class Faced:
    """A flight with lines that face walls.

    Attributes
    ----------
    plan, fired, forecast : Plan, Fired, Forecast
        The flight, those given where nothing was added.
    steps : tuple of MendStep
        What was done, in order.
    added : int
        Lines that were tried so far.
    """

    plan: Plan
    fired: Fired
    forecast: Forecast
    steps: tuple[MendStep, ...] = ()
    added: int = 0

    @property
    def covered_pct(self) -> float:
        """Wall coverage [percent]."""
        return self.forecast.faces.coverage_pct if self.forecast.faces else 100.0

    @property
    def time_s(self) -> float:
        """Time of the whole flight [s]."""
        return float(self.plan.flight["time_s"]["total"])


def faces_wanted(mission: Mission) -> bool:
    """Return whether a mission marks walls or asks a density of faces: other flights are left alone."""
    return mission.faces.walls is not None or mission.requirement.face_density_per_m2 is not None


def face_walls(
    mission: Mission, scene: Scene, plan: Plan, fired: Fired, forecast: Forecast, flyer: Flyer, *, threads: int = 2
) -> Faced:
    """Return a flight with the lines that raise wall coverage most per second.

    Lines are added until the share of faces that may lie below the density asked for is kept, or the flight has grown
    by `MOST_TIME_SHARE`. They stay only where the forecast says that they help. What is still short is named with its
    reason.

    Parameters
    ----------
    mission, scene : Mission, Scene
        The job.
    plan, fired, forecast : Plan, Fired, Forecast
        A flight, fired and judged.
    flyer : Flyer
        What its lines are flown with.
    threads : int
        Lines fired at the same time; the result does not depend on it.
    """
    flight = Faced(plan, fired, forecast)
    if not faces_wanted(mission) or forecast.faces is None or plan.settings is None:
        return flight
    least_pct = 100 - mission.requirement.face_share_pct
    if flight.covered_pct >= least_pct or not plan.settings.usable_half_angle_deg:
        return flight
    search = _Search.over(mission, scene, flight, flyer)
    most_s = (1 + MOST_TIME_SHARE) * flight.time_s
    barred: tuple[Option, ...] = ()
    for _ in range(ROUNDS):
        before = flight
        flight, refused = _faced(search, before, most_s, barred, threads)
        barred += refused
        if flight.covered_pct >= least_pct or (flight.plan is before.plan and not refused):
            break
    if flight.covered_pct < least_pct:
        flight = replace(flight, steps=(*flight.steps, _left_over(search, flight)))
    return flight


@dataclass(frozen=True)
class _Search:
    """What all rounds share: the faces that fell short, the ways to fly, and what may be flown with what it brings."""

    mission: Mission
    scene: Scene
    flyer: Flyer
    walls: Walls
    whole_m2: float
    ways: tuple[Way, ...]
    options: tuple[Option, ...]

    @classmethod
    def over(cls, mission: Mission, scene: Scene, flight: Faced, flyer: Flyer) -> "_Search":
        """Return the search over all faces that fall short.

        Every track is tried as the plan is flown; other ways only along those that come to most.
        """
        every = walls_of(mission, scene, flight.forecast)
        walls = every.at(_share(mission, flight.forecast, every) < 1).sample()
        ways = _ways(mission, scene, flight.plan, flyer)
        half_width_m = float(swath_width_m(ways[0].agl_m, ways[0].pattern.usable_half_angle_rad)) / 2
        tracks = facing_tracks(walls.places_m, walls.outward_rad, half_width_m)
        first = [_option(mission, scene, 0, ways[0], one, walls) for one in tracks]
        worths = [float(walls.areas_m2[one.cells] @ np.minimum(one.brings, 1)) if one else 0.0 for one in first]
        best = [tracks[number] for number in np.argsort(np.negative(worths), kind="stable")[:MOST_VARIED].tolist()]
        others = [(number, way) for number, way in enumerate(ways) if number]
        more = [_option(mission, scene, number, way, one, walls) for number, way in others for one in best]
        options = tuple(one for one in (*first, *more) if one is not None)
        return cls(mission, scene, flyer, walls, float(every.areas_m2.sum()), ways, options)

    @property
    def pooled(self) -> bool:
        """Whether passes add up, or the best one counts."""
        return self.mission.requirement.coverage == "aggregate"

    def look(self, option: Option) -> None:
        """Take out of an option what is hidden from it."""
        way, track = self.ways[option.way], option.facing.track
        seen = self.walls.at(option.cells)
        line, brings = way.line("F", track), np.zeros(len(option.cells))
        for sight in sights(way, line, track, seen):
            brings += np.where(open_to(sight, seen, self.scene.top), sight.per_m2, 0.0)
        option.brings, option.looked = SOUND_SHARE * brings / self.mission.requirement.face_target_per_m2, True


def _ways(mission: Mission, scene: Scene, plan: Plan, flyer: Flyer) -> tuple[Way, ...]:
    """Return the ways that the mission leaves open, with the whole opening of the card: walls lie aside."""
    if plan.settings is None:
        return ()
    settings = replace(plan.settings, usable_half_angle_deg=mission.sensor.usable_fov_deg / 2)
    over_m = max((figures.ceiling_over_m for figures in plan.figures), default=0.0)
    most_agl_m = mission.limits.ceiling_agl_m + max(over_m, OVER_CEILING_M)
    return ways_of(mission, scene, settings, flyer, (), most_agl_m)


def _option(mission: Mission, scene: Scene, number: int, way: Way, one: FacingTrack, walls: Walls) -> Option | None:
    """Return a track as an option, hidden faces not yet taken out; None where it may not be flown.

    What would be over the ceiling or meet a keep-out area with its leads is not tried.
    """
    line = way.line("F", one.track)
    zones = ClosedVolumes(scene.keep_outs, mission.hazards.keep_out_margin_m)
    agl_m = line.points_m[:, 2] - way.profile.floor.ground_m(line.points_m[:, 0], line.points_m[:, 1])
    if float(agl_m.max()) > way.most_agl_m or zones.free_m(line.points_m)[1]:
        return None
    per_m2 = sum((sight.per_m2 for sight in sights(way, line, one.track, walls)), np.zeros(len(walls.flat)))
    cells = np.flatnonzero(per_m2 > 0)
    aside_s = DETOUR_SHARE * float(np.sqrt(scene.area.area)) / way.speed_mps
    turn_s = float(turn_time_s(mission.aircraft, way.speed_mps, 0.0))
    return Option(
        facing=one,
        way=number,
        speed_mps=way.speed_mps,
        fixed_s=2 * (way.lead_m + way.extend_m) / way.speed_mps + turn_s + aside_s,
        cells=cells,
        brings=SOUND_SHARE * per_m2[cells] / mission.requirement.face_target_per_m2,
    )


def _share(mission: Mission, forecast: Forecast, walls: Walls) -> Array:
    """Return how much of the density asked for each face has, shape (n,)."""
    per_m2 = np.nan_to_num(forecast.first_per_m2.ravel()[walls.flat]) / walls.tilts
    return np.asarray(per_m2 / mission.requirement.face_target_per_m2)


def _faced(
    search: _Search, before: Faced, most_s: float, barred: Sequence[Option], threads: int
) -> tuple[Faced, tuple[Option, ...]]:
    """Return the flight with lines of one round, or as it was; and what cannot be flown, or not in the time."""
    mission, scene = search.mission, search.scene
    chosen = _chosen(search, before, most_s, barred)
    new, added, refused, steps = _laid(search, before, most_s, chosen)
    state = replace(before, added=before.added + len(chosen), steps=(*before.steps, *steps))
    if not added:
        return state, refused
    fired = fire_changed(mission, scene, before.fired, new.lines, threads=threads)
    forecast = judge(mission, scene, fired, before=before.forecast, threads=threads)
    after = replace(state, plan=new, fired=fired, forecast=forecast)
    spoilt = forecast.accuracy.met is False and before.forecast.accuracy.met is not False
    if spoilt or after.covered_pct <= before.covered_pct:
        return state, tuple(one.option for one in chosen)
    why = f"to show walls: {_covered(mission, before)}, now {after.covered_pct:.1f} %"
    step = _step(_words(search, after.plan, added), why, tuple(sorted(added)), before, after)
    return replace(after, steps=(*state.steps, step)), refused


def _chosen(search: _Search, before: Faced, most_s: float, barred: Sequence[Option]) -> tuple[Chosen, ...]:
    """Return the tracks of one round."""
    requirement, walls = search.mission.requirement, search.walls
    have = _share(search.mission, before.forecast, walls)
    aimed_pct = min(100 - requirement.face_share_pct + SURPLUS_PCT, 100.0)
    missing_m2 = (aimed_pct - before.covered_pct) / 100 * search.whole_m2
    return choose_facing(
        [option for option in search.options if option not in barred],
        Faces(walls.places_m, walls.areas_m2, walls.cell_m, search.pooled),
        have,
        search.look,
        Aim(
            enough_m2=float(walls.areas_m2[have >= 1].sum()) + missing_m2,
            budget_s=most_s - before.time_s,
            least_m2=LEAST_SHARE * search.whole_m2,
            most=MOST_LINES,
        ),
    )


def _laid(
    search: _Search, before: Faced, most_s: float, chosen: Sequence[Chosen]
) -> tuple[Plan, dict[str, Chosen], tuple[Option, ...], list[MendStep]]:
    """Return the plan with the tracks that fit, their names, those that do not, and why some cannot be flown."""
    new, refused, steps = before.plan, list[Option](), list[MendStep]()
    added: dict[str, Chosen] = {}
    for number, one in enumerate(chosen, start=before.added + 1):
        name, way = f"F{number:02d}", search.ways[one.option.way]
        line = way.line(name, one.facing.track)
        found = patched_plan(search.mission, search.scene, new, [(line, way.profile)], search.flyer)
        if found.refused:
            refused.append(one.option)
            steps.append(_step(f"{name} is left out", found.refused[0][1], (), before, before))
        elif float(found.plan.flight["time_s"]["total"]) <= most_s:
            new = found.plan
            added |= dict.fromkeys(found.added, one)
        else:  # mostly for one more battery: another line may still fit
            refused.append(one.option)
    return new, added, tuple(refused), steps


def _covered(mission: Mission, flight: Faced) -> str:
    """Return wall coverage in words."""
    return f"{flight.covered_pct:.1f} % of their area had {mission.requirement.face_target_per_m2:g} per m2 of face"


def _words(search: _Search, plan: Plan, added: Mapping[str, Chosen]) -> str:
    """Return in words which lines were added, along what they run and how they are flown."""
    figures = {each.line_id: each for each in plan.figures}
    said = []
    for line in sorted((line for line in plan.lines if line.line_id in added), key=lambda line: line.line_id):
        one, flown = added[line.line_id], figures[line.line_id]
        by_wall = np.bincount(search.walls.wall[one.option.cells], weights=one.adds_m2)
        wall = search.walls.names[int(by_wall.argmax())]
        said.append(
            f"{line.line_id} {_MANNERS[one.facing.manner]} {'' if search.scene.walls else 'faces '}{wall} "
            f"({line.kept_length_m:.0f} m toward {flown.heading_deg:.0f} deg, {flown.agl_mean_m:.0f} m up at "
            f"{line.speed_mps:.3g} m/s)"
        )
    return f"{'facing line' if len(said) == 1 else 'facing lines'} {', '.join(said)}"


def _left_over(search: _Search, flight: Faced) -> MendStep:
    """Return the last step of walls that stay short: what no line reaches and why, and what is not worth one."""
    mission, walls = search.mission, search.walls
    has = _share(mission, flight.forecast, walls)
    in_sight, best = np.zeros(len(has), dtype=bool), np.zeros(len(has))
    for option in search.options:
        in_sight[option.cells] = True
        if not option.looked:
            search.look(option)
        best[option.cells] = np.maximum(best[option.cells], option.brings)
    then = has + best if search.pooled else np.maximum(has, best)
    limits = f"clearance {mission.limits.clearance_m:g} m and ceiling {mission.limits.ceiling_agl_m:g} m"
    limits += ", clear of keep-out areas" if search.scene.keep_outs else ""
    reasons = {
        f"out of reach, in sight of no line tried within {limits}": ~in_sight,
        f"out of reach, hidden from every line tried within {limits}": in_sight & (best <= 0),
        "reached too thinly by any line, from too far or too aslant": (best > 0) & (then < 1),
        f"left, for lines gain too little or take over {100 * MOST_TIME_SHARE:g} % more time": then >= 1,
    }
    said = []
    for number, name in enumerate(walls.names if search.scene.walls else ("faces",)):
        own = ((walls.wall == number) | (not search.scene.walls)) & (has < 1)
        areas = {why: float(walls.areas_m2[own & held].sum()) for why, held in reasons.items()}
        parts = [f"{area:.0f} m2 {why}" for why, area in areas.items() if area >= 0.5]
        said += [f"{name}: {', '.join(parts)}"] if parts else []
    what = f"walls are covered to {flight.covered_pct:.1f} %, no more lines are added"
    return _step(what, "; ".join(said), (), flight, flight)


def _step(what: str, why: str, added: tuple[str, ...], before: Faced, after: Faced) -> MendStep:
    below = before.forecast.coverage.below_m2, after.forecast.coverage.below_m2
    return MendStep(what, why, added, *below, (after.time_s - before.time_s) / 60)
