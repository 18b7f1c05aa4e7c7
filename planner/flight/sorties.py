"""What flying the lines takes: sorties on the day's clock, time, pulses and data.

Lives here: sorties from paths and battery loads, and the figures of a flight. Must not know how lines were laid or
what the forecast says.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.aircraft import Aircraft
from planner.equipment import Sensor
from planner.errors import Best, Fault, InfeasibleError, InputError
from planner.flight.cuts import cut_line
from planner.flight.energy import MILD_C, battery_s
from planner.flight.flightlines import FlightLine
from planner.flight.loads import Sight, split_tour, start_times_s
from planner.flight.ordering import tour_candidates
from planner.flight.paths import Flyer, Path, line_speed_mps
from planner.flight.tours import Tour, load_drawn_s, load_path, tour_of
from planner.flight.turns import turn_radius_m, turn_time_s
from planner.ground.geodesy import Frame, geodesic_length_m
from planner.ranging.beams import scan_pattern, usable_share

__all__ = [
    "Day",
    "Sortie",
    "as_flown",
    "flight_figures",
    "plan_sorties",
    "quickest_sorties",
    "turn_radius_m",
    "turn_time_s",
]

Array = npt.NDArray[np.float64]

BYTES_PER_RETURN = 30  # LAS 1.4, point data record format 6
MOST_CUTS = 20
_ORDERED_LINES = 200  # in all orders that are planned to the end
_NAMES = {"lines": ("line",), "lead": ("lead",), "turns": ("turn", "hover"), "climb": ("climb",), "ferry": ("ferry",)}
_NAMES |= {"align": ("align",), "return": ("return",), "descent": ("descent",)}


@dataclass(frozen=True)
class Day:
    """What a day does to batteries, and what becomes of lines that are too long for one.

    Attributes
    ----------
    temperature_c : float
        Air where the batteries fly [deg C].
    elevation_m : float
        Elevation of the site above the sea [m].
    overlap_m : float or None
        Lines that no battery can fly are cut into parts that share so much [m]; None refuses them.
    """

    temperature_c: float = MILD_C
    elevation_m: float = 0.0
    overlap_m: float | None = None


@dataclass(frozen=True)
class Sortie:
    """One take-off to one landing, on one battery.

    Attributes
    ----------
    number : int
        From 1, in the order flown.
    lines : tuple of FlightLine
        In the order flown, with the ground speeds flown.
    take_off_m : ndarray, shape (3,)
        East, north, ground height of take-off and landing [m].
    path : Path
        What is flown, with times from take-off.
    time_s : dict
        Time of lines, lead, turns, climb, ferry, align, return, descent, and their total [s].
    battery_share_used : float
        Share of the day's battery used at landing, as planned.
    reserve_share_left : float
        Share left were the return that from its farthest point, straight against the wind.
    distance_m : float
        Way flown over the ground, geodesic [m].
    starts_s : float
        Take-off on the clock of the day, whose first is at 0 [s].
    """

    number: int
    lines: tuple[FlightLine, ...]
    take_off_m: Array
    path: Path
    time_s: dict[str, float]
    battery_share_used: float
    reserve_share_left: float
    distance_m: float
    starts_s: float

    @property
    def line_ids(self) -> tuple[str, ...]:
        """Names of the lines in the order flown."""
        return tuple(line.line_id for line in self.lines)


def quickest_sorties(
    lines: Sequence[FlightLine],
    flyer: Flyer,
    frame: Frame,
    take_offs_m: Sequence[Array],
    day: Day | None = None,
    sight: Sight | None = None,
) -> tuple[Sortie, ...]:
    """Return the sorties of the order, among several good ones, that ends the day first with most in sight.

    Lines may be flown the other way round; `Sortie.lines` holds them as they are flown. Parameters and errors are
    those of `plan_sorties`; an order whose lines batteries cannot fly is passed over while another is left.
    """
    if not len(take_offs_m):
        return plan_sorties(lines, flyer, frame, take_offs_m, day, sight)
    tried = []
    given = tuple(lines)
    orders = tour_candidates(flyer, lines, np.asarray(take_offs_m, dtype=np.float64)) if given else []
    for order in [given, *orders[: max(2, _ORDERED_LINES // max(len(given), 1))]]:
        try:
            tried.append(_planned(order, flyer, frame, take_offs_m, day, sight))
        except InfeasibleError as error:
            refused = error
    if not tried:
        raise refused
    return min(tried, key=lambda each: (each[0], _day_s(each[1])))[1]


def as_flown(flyer: Flyer, lines: Sequence[FlightLine]) -> tuple[FlightLine, ...]:
    """Return lines with the ground speeds flown on them; raises E32 where the wind beats the airspeed."""
    return tuple(replace(line, speed_mps=line_speed_mps(flyer, line)) for line in lines)


def _day_s(sorties: Sequence[Sortie]) -> float:
    """Return when the last sortie lands on the clock of the day [s]."""
    return round(sorties[-1].starts_s + sorties[-1].path.duration_s, 6) if sorties else 0.0


def plan_sorties(
    lines: Sequence[FlightLine],
    flyer: Flyer,
    frame: Frame,
    take_offs_m: Sequence[Array],
    day: Day | None = None,
    sight: Sight | None = None,
) -> tuple[Sortie, ...]:
    """Return the sorties that fly lines in the order given, in the least time that batteries and reserve allow.

    Parameters
    ----------
    lines : sequence of FlightLine
        In the order and direction flown, see `planner.flight.ordering.order_lines`.
    flyer : Flyer
        What flies, in which wind, above what.
    frame : Frame
        The local frame.
    take_offs_m : sequence of ndarray, shape (3,)
        Places to take off from, with their ground height [m]; each sortie lands where it took off.
    day : Day, optional
        Temperature, elevation and whether long lines are cut.
    sight : Sight, optional
        What is in sight of each place: where several are given, lines are flown from places that see them, where there
        are such, however long it takes.

    Raises
    ------
    InputError
        E30 without a place to take off from.
    InfeasibleError
        E28 where a line alone is more than a battery gives and is not to be cut, or batteries run out; E32 where
        the wind beats the airspeed on a course.
    """
    return _planned(lines, flyer, frame, take_offs_m, day, sight)[1]


def _planned(
    lines: Sequence[FlightLine],
    flyer: Flyer,
    frame: Frame,
    take_offs_m: Sequence[Array],
    day: Day | None,
    sight: Sight | None,
) -> tuple[int, tuple[Sortie, ...]]:
    """Return how much is out of sight, see `unseen_pieces`, and the sorties of `plan_sorties`."""
    if not len(take_offs_m):
        raise InputError(Fault("E30", "no place to take off from is given", fix="give aircraft.take_off"))
    if not lines:
        return 0, ()
    day = day or Day()
    places = [np.asarray(place, dtype=np.float64) for place in take_offs_m]
    full_s = battery_s(flyer.aircraft, day.temperature_c, day.elevation_m)
    tour = _flyable(flyer, lines, places, full_s * (1 - flyer.aircraft.battery_reserve_share), day.overlap_m, sight)
    loads = split_tour(tour.costs)
    shares = [load_drawn_s(tour, load) for load in loads]
    paths = [load_path(tour, load) for load in loads]
    starts = start_times_s(
        flyer.aircraft, [path.duration_s for path in paths], [planned / full_s for planned, _ in shares]
    )
    unseen = sum(int(tour.costs.unseen[load.first : load.last, load.place].sum()) for load in loads)
    return unseen, tuple(
        Sortie(
            number=number,
            lines=as_flown(flyer, tour.lines[load.first : load.last]),
            take_off_m=places[load.place],
            path=path,
            time_s=_named_times_s([path]),
            battery_share_used=planned / full_s,
            reserve_share_left=1 - worst / full_s,
            distance_m=geodesic_length_m(frame, path.points_m[:, 0], path.points_m[:, 1]),
            starts_s=start,
        )
        for number, (load, path, (planned, worst), start) in enumerate(
            zip(loads, paths, shares, starts, strict=True), start=1
        )
    )


def _flyable(
    flyer: Flyer,
    lines: Sequence[FlightLine],
    places: Sequence[Array],
    usable_s: float,
    overlap_m: float | None,
    sight: Sight | None,
) -> Tour:
    """Return the tour of all lines, those that are too long for a battery cut."""
    tour = tour_of(flyer, lines, places, usable_s, sight)
    needed = tour.costs.single_s()
    if (needed <= usable_s).all():
        return tour
    if overlap_m is None or usable_s <= 0:
        which = int(np.argmax(needed))
        raise _too_long(flyer, lines[which], float(needed[which]), usable_s, "split the line with an overlap")
    cut: list[FlightLine] = []
    for line, needed_s in zip(lines, needed.tolist(), strict=True):
        cut += (line,) if needed_s <= usable_s else _fewest_parts(flyer, line, places, usable_s, overlap_m)
    return tour_of(flyer, cut, places, usable_s, sight)


def _fewest_parts(
    flyer: Flyer, line: FlightLine, places: Sequence[Array], usable_s: float, overlap_m: float
) -> tuple[FlightLine, ...]:
    """Return the fewest equal parts of a line that batteries can fly one by one."""
    longest_s = np.inf
    for count in range(2, MOST_CUTS + 1):
        parts = cut_line(line, count, overlap_m)
        longest_s = float(tour_of(flyer, parts, places, usable_s).costs.single_s().max())
        if longest_s <= usable_s:
            return parts
    raise _too_long(flyer, line, longest_s, usable_s, f"{MOST_CUTS} parts are still too long")


def _too_long(flyer: Flyer, line: FlightLine, needed_s: float, usable_s: float, first_way: str) -> InfeasibleError:
    reserve = flyer.aircraft.battery_reserve_share
    what = (
        f"line {line.line_id} needs {needed_s / 60:.1f} min of battery with its way there and back, "
        f"{usable_s / 60:.1f} min are usable after the reserve of {100 * reserve:.0f} %"
    )
    fix = f"{first_way}, take off nearer to it, fly faster, or use a larger battery"
    return InfeasibleError(
        Fault("E28", what, fix=fix), best=Best("battery_s", needed_s, usable_s, "battery less its reserve")
    )


def _named_times_s(paths: Sequence[Path]) -> dict[str, float]:
    """Return the time of each part of flights under its public name, and their total [s]."""
    of_parts = [path.parts_s() for path in paths]
    named = {
        name: float(sum(times.get(part, 0.0) for times in of_parts for part in parts)) for name, parts in _NAMES.items()
    }
    return named | {"total": sum(named.values())}


def flight_figures(
    lines: Sequence[FlightLine], aircraft: Aircraft, sensor: Sensor, frame: Frame, sorties: Sequence[Sortie] = ()
) -> dict[str, Any]:
    """Return the figures of a flight, named as in summary.json.

    Parameters
    ----------
    lines : sequence of FlightLine
        In the order flown.
    aircraft, sensor : Aircraft, Sensor
        What flies.
    frame : Frame
        The local frame of the lines.
    sorties : sequence of Sortie
        That fly the lines; without any, times are those of lines and turns in calm air.

    Returns
    -------
    dict
        lines, line_length_m (geodesic, kept parts), turns, time_s {lines, lead, turns, total}, pulses (all directions
        and pixels, on kept parts), returns_expected (pulses sent within the usable opening), data_bytes (LAS format 6);
        with sorties also sorties, batteries (sets that take part), and in time_s climb, ferry, align, return, descent
        and swap (from landing to the next take-off), which add up to the total with the others.
    """
    pulses = returns = length = 0.0
    for line in lines:
        pattern = scan_pattern(sensor, line.pulse_rate_hz, line.line_rate_hz, line.usable_half_angle_rad)
        fired = pattern.pulse_rate_hz * line.kept_length_m / line.speed_mps
        kept = line.kept_points_m()
        pulses += fired
        returns += fired * usable_share(pattern)
        length += geodesic_length_m(frame, kept[:, 0], kept[:, 1])
    figures = {
        "lines": len(lines),
        "line_length_m": length,
        "turns": max(len(lines) - 1, 0),
        "time_s": _calm_times_s(lines, aircraft),
        "pulses": round(pulses),
        "returns_expected": round(returns),
        "data_bytes": BYTES_PER_RETURN * round(returns),
    }
    if not sorties:
        return figures
    flown = _named_times_s([sortie.path for sortie in sorties])
    swap = sum(after.starts_s - before.starts_s - before.path.duration_s for before, after in pairwise(sorties))
    return figures | {
        "turns": sum(len(sortie.lines) - 1 for sortie in sorties),
        "time_s": flown | {"swap": swap, "total": flown["total"] + swap},
        "sorties": len(sorties),
        "batteries": min(aircraft.batteries or len(sorties), len(sorties)),
    }


def _calm_times_s(lines: Sequence[FlightLine], aircraft: Aircraft) -> dict[str, float]:
    """Return the time of lines, leads and turns in calm air, and their total [s]."""
    on_lines = float(sum(line.kept_length_m / line.speed_mps for line in lines))
    lead = float(sum((line.along_m()[-1] - line.kept_length_m) / line.speed_mps for line in lines))
    turns = float(sum(_turn_between_s(aircraft, before, after) for before, after in pairwise(lines)))
    return {"lines": on_lines, "lead": lead, "turns": turns, "total": on_lines + lead + turns}


def _turn_between_s(aircraft: Aircraft, before: FlightLine, after: FlightLine) -> float:
    """Return the time [s] between two lines: the turn, the way along it adds, and the climb if that takes longer."""
    gap = after.points_m[0] - before.points_m[-1]
    track = np.array([np.sin(before.track_rad), np.cos(before.track_rad)])
    along = abs(float(gap[:2] @ track))
    sideways = (
        float(np.hypot(*gap[:2]))
        if aircraft.kind == "multirotor"
        else float(np.sqrt(max(gap[:2] @ gap[:2] - along**2, 0)))
    )
    turn = float(turn_time_s(aircraft, before.speed_mps, sideways))
    if aircraft.kind == "fixed_wing":
        turn += along / before.speed_mps
    rate = aircraft.climb_mps if gap[2] > 0 else aircraft.descent_mps
    return max(turn, abs(float(gap[2])) / rate)
