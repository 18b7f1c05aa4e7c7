"""What no flight may do, and which limit a chosen setting came to.

Lives here: refusals before any search, height limits, the words for each bound. Must not know lines or layouts.
"""

import numpy as np

from planner.errors import Best, Fault, InfeasibleError, InputError, SafetyError
from planner.flight.demands import DarkGround, demand_words, least_eye_agl_m
from planner.flight.flat import (
    SPEED_STEP_MPS,
    flown_pattern,
    height_reached_m,
    line_rates_allowed,
    ratings_allowed,
    speeds_mps,
    used_words,
)
from planner.flight.search import Candidate
from planner.flight.swath import frames_join_mps, swath_width_m
from planner.mission import Mission
from planner.ranging.principles import refuse_height, refuse_sensor, usable_band

AMPLE = 1.2  # of the density asked for: with more it is not what drew lines together


def height_limits_m(mission: Mission) -> tuple[float, float]:
    """Return the least and greatest nominal height above ground [m]; both are the held one where there is one."""
    if mission.flight.agl_m:
        return mission.flight.agl_m, mission.flight.agl_m
    clearance = mission.limits.clearance_m + mission.terrain.vertical_sd_m
    return max(clearance, mission.sensor.min_range_m), mission.limits.ceiling_agl_m


def refuse_unflyable(mission: Mission) -> None:
    """Raise where no height, rate or speed is left to choose from, whatever the ground.

    Raises
    ------
    InputError
        E18 held rate not on the card, E33 held speed outside the aircraft's.
    InfeasibleError
        E19 frames slower than flight, E21 range, E22 minimum range, E25 no height between clearance and ceiling.
    SafetyError
        E23 held height below the clearance.
    """
    refuse_sensor(mission.sensor)
    _refuse_held_rates(mission)
    low, high = height_limits_m(mission)
    if fault := refuse_height(mission.sensor, low):
        farthest = usable_band(mission.sensor).farthest_m
        raise InfeasibleError(fault, best=Best("agl_m", asked=low, reachable=farthest, limited_by="ranging principle"))
    limits, held, sensor = mission.limits, mission.flight.agl_m, mission.sensor
    clearance = limits.clearance_m + mission.terrain.vertical_sd_m
    doubt = f"clearance {limits.clearance_m:g} m with {mission.terrain.vertical_sd_m:g} m of terrain doubt"
    if held and held < clearance:
        what = f"agl_m {held:g} is {clearance - held:.1f} m below {doubt}"
        raise SafetyError(Fault("E23", what, _where(mission, "agl_m"), f"fly at {clearance:.1f} m or higher"))
    if not held and clearance > limits.ceiling_agl_m:
        what = f"{doubt} leaves no height below the ceiling of {limits.ceiling_agl_m:g} m above ground"
        raise InfeasibleError(Fault("E25", what, fix="lower the clearance, or bring terrain that is better known"))
    if sensor.min_range_m > high * (1 + 1e-9):
        what = f"minimum range {sensor.min_range_m:g} m is above the height of {high:g} m above ground"
        fix = f"fly higher than {sensor.min_range_m:g} m, or take another sensor"
        raise InfeasibleError(Fault("E22", what, fix=fix))
    reached = max(height_reached_m(mission, rating) for rating in ratings_allowed(mission))
    if reached < low:
        heights = ", ".join(
            f"{_rate(rating.pulse_rate_hz)} up to {height_reached_m(mission, rating):.1f} m"
            for rating in ratings_allowed(mission)
        )
        raise InfeasibleError(
            Fault(
                "E21",
                f"no light returns from {low:.1f} m above ground; straight below it does at {heights}"
                f"{used_words(mission)}",
                fix="fly lower where clearance allows, hold a lower pulse rate, or take a sensor with a longer range",
            ),
            best=Best("agl_m", asked=low, reachable=reached, limited_by="range of the sensor"),
        )
    _refuse_parted_frames(mission, high)


def reasons(
    mission: Mission,
    candidate: Candidate,
    speed_mps: float,
    short: bool,
    spacing_wanted_m: float,
    lines: int,
    dark: DarkGround | None = None,
    gaps_m: tuple[float, float] | None = None,
) -> dict[str, str]:
    """Return for each setting what fixed it, in words.

    Parameters
    ----------
    mission, candidate
        What was asked, and what the search found.
    speed_mps, short
        Speed flown [m/s], and whether too much ground stays below the density at it.
    spacing_wanted_m, lines
        Most spacing that the local swaths leave [m], and how many lines were laid.
    dark : DarkGround or None
        Darkest surface that counts.
    gaps_m : (float, float) or None
        Least and most distance between neighbouring lines [m] where they do not lie evenly.
    """
    rates = {"pulse_rate_hz": len(mission.sensor.pulse_rates_hz), "line_rate_hz": len(mission.sensor.line_rates_hz)}
    words = ("the pattern has no scan lines", "the card's only rate", "shortest flight time")
    said = {
        "agl_m": _agl_bound(mission, candidate),
        "speed_mps": _speed_bound(mission, candidate, speed_mps, short),
        **{name: words[min(count, 2)] for name, count in rates.items()},
        "usable_half_angle_deg": _angle_bound(mission, candidate),
        "line_spacing_m": _spacing_bound(mission, candidate, spacing_wanted_m, lines, gaps_m),
    }
    kept = demand_words(mission, candidate.rating, dark, candidate.kept)
    said |= dict.fromkeys(candidate.moved, f"{kept}: quicker settings break it")
    if candidate.broken:
        said["usable_half_angle_deg"] += f"; {_unmet(mission, candidate, dark)}"
    return said


def _unmet(mission: Mission, candidate: Candidate, dark: DarkGround | None) -> str:
    """Return what no settings keep, in words."""
    words = f"no settings keep {demand_words(mission, candidate.rating, dark, candidate.broken)}"
    if "accuracy" not in candidate.broken:
        return words
    words += f": {100 * candidate.rmse_m:.3g} cm here"
    return f"{words}, {100 * candidate.least_rmse_m:.3g} cm at best" if np.isfinite(candidate.least_rmse_m) else words


def _refuse_held_rates(mission: Mission) -> None:
    flight, sensor, aircraft = mission.flight, mission.sensor, mission.aircraft
    if not ratings_allowed(mission):
        rates = ", ".join(f"{rate:g}" for rate in sensor.pulse_rates_hz)
        what = f"pulse_rate_hz {flight.pulse_rate_hz:g} is none of the rates of card {sensor.name}"
        raise InputError(Fault("E18", what, _where(mission, "pulse_rate_hz"), f"hold one of {rates}, or none"))
    if not line_rates_allowed(mission):
        rates = ", ".join(f"{rate:g}" for rate in sensor.line_rates_hz)
        what = f"line_rate_hz {flight.line_rate_hz:g} is none of the rates of card {sensor.name}"
        raise InputError(Fault("E18", what, _where(mission, "line_rate_hz"), f"hold one of {rates}, or none"))
    low, high = aircraft.min_speed_mps, aircraft.max_speed_mps
    if flight.speed_mps and not low <= flight.speed_mps <= high:
        what = f"speed_mps {flight.speed_mps:g} is outside what {aircraft.name} flies, {low:g} to {high:g} m/s"
        raise InputError(Fault("E33", what, _where(mission, "speed_mps"), "hold a speed within, or none"))


def _refuse_parted_frames(mission: Mission, highest_m: float) -> None:
    """Raise where frames come so slowly that even the slowest flight leaves gaps between them."""
    slowest, sensor = speeds_mps(mission)[0], mission.sensor
    heights = {rating: min(highest_m, height_reached_m(mission, rating)) for rating in ratings_allowed(mission)}
    fastest = {rating: float(frames_join_mps(flown_pattern(mission, rating), h)) for rating, h in heights.items()}
    rating, joined = max(fastest.items(), key=lambda item: item[1])
    if joined < slowest:
        whose = "the held speed" if mission.flight.speed_mps else f"the least speed of {mission.aircraft.name}"
        what = (
            f"frames {rating.pulse_rate_hz:g} times a second, {sensor.frame_along_fov_deg:g} deg along the flight, "
            f"join up to {joined:.2f} m/s at {joined / rating.pulse_rate_hz:.1f} m a frame; {whose} is {slowest:g} m/s"
        )
        needed = slowest / joined * rating.pulse_rate_hz
        fix = f"take {needed:.2f} frames a second or more, a longer frame, or an aircraft that flies slower"
        limit = "frame rate of the sensor at the greatest height"
        raise InfeasibleError(Fault("E19", what, fix=fix), best=Best("speed_mps", slowest, joined, limit))


def _rate(pulse_rate_hz: float) -> str:
    return f"{pulse_rate_hz / 1000:g} kHz" if pulse_rate_hz >= 1000 else f"{pulse_rate_hz:g} Hz"


def _where(mission: Mission, key: str) -> str:
    return f"{mission.file.name} [flight] {key}"


def _agl_bound(mission: Mission, candidate: Candidate) -> str:
    low, high = height_limits_m(mission)
    if candidate.agl_m < low + 1:
        floor = mission.limits.clearance_m + mission.terrain.vertical_sd_m
        return "clearance with terrain doubt" if floor >= mission.sensor.min_range_m else "minimum range of the sensor"
    if candidate.agl_m < least_eye_agl_m(mission, candidate.rating) + 1:
        return "stated hazard distance"
    return "ceiling above ground" if candidate.agl_m > high - 1 else "shortest flight time"


def _speed_bound(mission: Mission, candidate: Candidate, speed_mps: float, short: bool) -> str:
    if short:
        return "density at nominal height; too much of the ground lies deeper and stays below it"
    if speed_mps > frames_join_mps(flown_pattern(mission, candidate.rating), candidate.agl_m) - SPEED_STEP_MPS:
        return "frames that join"
    return "greatest speed of the aircraft" if speed_mps >= mission.aircraft.max_speed_mps else "density"


def _angle_bound(mission: Mission, candidate: Candidate) -> str:
    degrees = np.degrees(candidate.half_angle_rad)
    if degrees > mission.sensor.usable_fov_deg / 2 - 0.01:
        return "usable opening of the card"
    reached = np.degrees(candidate.reach_angle_rad)
    return "range to flat ground at nominal height" if degrees > reached - 1 else "shortest flight time"


def _spacing_bound(
    mission: Mission, candidate: Candidate, wanted_m: float, lines: int, gaps_m: tuple[float, float] | None
) -> str:
    if gaps_m is not None:
        least, most = (f"{gap:.1f}" for gap in gaps_m)
        apart = "" if least == most else f"from {least} to {most} m, "
        return f"{apart}by the local swath"
    if lines == 1:
        return "one swath covers the area"
    if not candidate.half_angle_rad:
        return "one line to each judging cell"
    nominal = float(swath_width_m(candidate.agl_m, candidate.half_angle_rad))
    if candidate.spacing_m < nominal * (1 - mission.requirement.sidelap_min) * (1 - 1e-6) <= wanted_m:
        ample = candidate.density_per_m2 > AMPLE * mission.requirement.target_per_m2
        return "no more lines than wider spacing takes" if ample else "density: closer lines even it out"
    return "least sidelap on the local swath"
