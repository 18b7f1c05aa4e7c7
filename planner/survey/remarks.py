"""What a reader must be told of a job beside its figures: cautions, and what the method takes for granted.

Lives here: the cautions of all rooms gathered, and assumptions of the method in words. Must not know files.
"""

from collections.abc import Iterator, Sequence

import numpy as np

from planner.assessment import Plan, Safety
from planner.errors import Fault
from planner.flight.cuts import drifting_lines
from planner.flight.stepping import beyond_band
from planner.flight.steps import BAND
from planner.forecast.accuracy import TESTED_SLOPE_DEG, AccuracyFigures
from planner.ground.clearance import heights_above_m
from planner.ground.surface import Scene
from planner.mission import Mission
from planner.ranging.air import range_error_mm_per_100m
from planner.ranging.beams import scan_pattern
from planner.ranging.cases import sun_elevation_deg
from planner.ranging.detection import Seeing
from planner.ranging.zones import Receiver, check_zones, clear_rates_hz
from planner.safety.airspace import (
    ceiling_caution,
    sensitive_cautions,
    standing_cautions,
    terrain_age_caution,
    wires_caution,
)
from planner.safety.cautions import Caution, Status
from planner.safety.daylight import daylight_caution
from planner.safety.eyesafety import laser_caution
from planner.safety.marks import marks_caution
from planner.safety.positions import base_caution, logging_caution
from planner.safety.ranges import range_cautions
from planner.safety.recorder import recorder_cautions
from planner.survey.flying import legs_of, over_unknown, sensitive_m
from planner.survey.legs import rating_of
from planner.survey.oneswath import one_swath_caution
from planner.survey.watching import sight_cautions

NOTED_SHARE = 0.01
"""Share by which the speed of a line may be off before the reader is told."""


def method(mission: Mission, scene: Scene) -> Iterator[str]:
    """Yield what the method takes for granted on this job."""
    sensor, aircraft, air = mission.sensor, mission.aircraft, mission.conditions
    if scene.cover is None:
        yield "every surface reflects as the card's rated range assumes; darker ground returns less than forecast"
    elif (scene.cover.codes == 0).any():
        yield "ground without a class reflects as the card's rated range assumes"
    yield f"a pulse is detected with chance {Seeing().rated_chance:g} at its rated range, more surely nearer"
    left_mm = float(range_error_mm_per_100m(sensor.wavelength_nm, (air.temperature_c, air.pressure_hpa)))
    yield (
        f"ranges are taken as right; in air of {air.temperature_c:g} C and {air.pressure_hpa:g} hPa a sensor "
        f"that applies a nominal air (15 degrees, 1013.25 hPa) is off by {left_mm:+.1f} mm in 100 m"
    )
    if sensor.receiver is None and sun_elevation_deg(air, mission, scene) is not None:
        yield "the card does not state its receiver: a usual one is taken, and a low sun or night is given no credit"
    moves = f"its nose {'kept along the track' if aircraft.nose == 'along_track' else 'turned into the wind'}"
    moves += f", a steady wind of {air.wind_mps:g} m/s from {air.wind_from_deg:g} deg" if air.wind_mps else ", no wind"
    yield f"the aircraft keeps its line and speed, {moves}"
    angles = ("heading",) if not sensor.tilts_with_aircraft else ("roll", "pitch", "heading")
    rms = ", ".join(f"{name} {getattr(aircraft, f'sway_{name}_deg'):g} deg" for name in angles)
    levelled = "" if sensor.tilts_with_aircraft else "; the mount takes out roll and pitch"
    yield (
        f"attitude moves at random about its mean, root mean square {rms}, correlation time "
        f"{aircraft.sway_correlation_s:g} s, seed {air.seed}{levelled}"
    )
    if scene.foliage is None:
        yield "whatever stands on the ground is opaque"
    else:
        yield "crowns let light through as their class says, leaves spread evenly; all else that stands there is opaque"
    yield "first returns are counted where a pulse meets the top surface, crowns included"
    if scan_pattern(sensor, sensor.ratings[0].pulse_rate_hz, 1.0).planar:
        yield "within a scan line the sensor stands still, at its place in the middle of the line"


def _zone_cautions(mission: Mission, plan: Plan) -> Iterator[Caution]:
    """Yield a caution for each pulse rate at which ranges of the flight are blind or mistaken for nearer ones."""
    sensor = mission.sensor
    if sensor.principle != "time_of_flight" or not plan.lines:
        return
    before_ns, after_ns = sensor.dead_time_ns
    receiver = Receiver(before_ns * 1e-9, after_ns * 1e-9, sensor.zones_resolved)
    nearest = min((figure.agl_min_m for figure in plan.figures), default=np.nan)
    widest = min(float(np.cos(line.usable_half_angle_rad)) for line in plan.lines)
    farthest = max((figure.agl_max_m for figure in plan.figures), default=np.nan) / widest
    for rate in sorted({line.pulse_rate_hz for line in plan.lines}):
        check = check_zones(receiver, rate, nearest, farthest)
        if check.is_clear:
            continue
        free = clear_rates_hz(receiver, sensor.pulse_rates_hz, nearest, farthest)
        clear = ", ".join(f"{one / 1000:g} kHz" for one in free)
        yield Caution(
            "range ambiguity",
            "over",
            f"At {rate / 1000:g} kHz echoes from {check.zone_length_m:.1f} m meet the next pulse, and the flight has "
            f"ranges from {nearest:.0f} to {farthest:.0f} m. Pulse rates of the card free of it: {clear or 'none'}.",
        )


def _accuracy_caution(accuracy: AccuracyFigures) -> Iterator[Caution]:
    """Yield that a vertical accuracy is asked for and nothing can be said about it."""
    if accuracy.target_rmse_m is not None and accuracy.met is None:
        yield Caution(
            "vertical accuracy",
            "cannot tell",
            f"A vertical RMSE of {100 * accuracy.target_rmse_m:.3g} cm is asked for, and no judged ground with returns "
            f"is {TESTED_SLOPE_DEG:g} deg or flatter, where it could be tested. The verdict rests on density alone; "
            "the report gives the errors of steeper ground.",
        )


def _wind_caution(plan: Plan) -> Iterator[Caution]:
    """Yield that the wind makes lines faster or slower over the ground than the settings say."""
    if plan.settings is None or not plan.lines:
        return
    asked = plan.settings.speed_mps
    speeds = [line.speed_mps for line in plan.lines]
    off = [line.line_id for line in plan.lines if abs(line.speed_mps - asked) > NOTED_SHARE * asked]
    if off:
        status: Status = "over" if max(speeds) > (1 + NOTED_SHARE) * asked else "note"
        yield Caution(
            "wind on lines",
            status,
            f"The wind makes {len(off)} of {len(speeds)} lines slower or faster over the ground than the "
            f"{asked:.1f} m/s chosen, from {min(speeds):.1f} to {max(speeds):.1f} m/s: {', '.join(off)}. Points per "
            "square metre change as much the other way; the forecast counts it.",
            max(speeds),
            asked,
            "m/s over the ground",
        )


def _band_caution(scene: Scene, plan: Plan) -> Iterator[Caution]:
    """Yield where lines at heights in steps leave their band of heights above ground."""
    if plan.settings is None or plan.settings.following != "stepped":
        return
    beyond = beyond_band(scene.ground, plan.lines, plan.settings.agl_m)
    if beyond.line_ids:
        yield Caution(
            "height band",
            "note",
            f"{beyond.length_m:.0f} m of data are kept from more than {100 * BAND:.0f} % above or below the "
            f"{plan.settings.agl_m:.0f} m chosen, from {beyond.least_agl_m:.0f} to {beyond.most_agl_m:.0f} m above "
            f"ground, on {', '.join(beyond.line_ids)}: no part as long as its leads holds the band there with the "
            "clearance kept, or a line was moved or added. The forecast counts it.",
            beyond.most_agl_m,
            (1 + BAND) * plan.settings.agl_m,
            "m above ground",
        )


def _unknown_ground(mission: Mission, scene: Scene, plan: Plan) -> Iterator[Caution]:
    """Yield how much of the way lies over ground that the mission lets be unknown; else such a way is a fault."""
    if mission.terrain.holes != "unknown":
        return
    unknown = over_unknown(scene, legs_of(plan.lines, plan.sorties).places_m)
    if unknown.any():
        yield Caution(
            "unknown ground",
            "cannot tell",
            f"{100 * unknown.mean():.1f} % of the way lies over ground of unknown height: no clearance is known there.",
        )


def _flight_cautions(mission: Mission, scene: Scene, plan: Plan) -> Iterator[Caution]:
    """Yield what the reader must be told of obstacles, areas and batteries."""
    yield wires_caution(mission.hazards.wires_checked, sum(thing.kind == "wire" for thing in scene.obstacles))
    yield from sensitive_cautions([area.name for area in scene.sensitive], sensitive_m(scene, plan.lines, plan.sorties))
    yield terrain_age_caution(mission.terrain.surveyed, mission.date)
    conditions, centre, lasts_s = mission.conditions, scene.area.centroid, float(plan.flight["time_s"]["total"])
    lon, lat = (float(value) for value in scene.frame.to_lonlat(centre.x, centre.y))
    yield daylight_caution(mission.date, lon, lat, conditions.start, lasts_s, night=conditions.night)
    yield base_caution(mission.base_distance_m, mission.navigation.base_ppm)
    yield marks_caution(mission.marks, scene.frame_name, scene.marks_shift)
    yield from recorder_cautions(
        mission.sensor,
        [sortie.path.duration_s for sortie in plan.sorties],
        [max(line.pulse_rate_hz for line in sortie.lines) for sortie in plan.sorties],
    )
    yield logging_caution(conditions.start, lasts_s)
    yield from _wind_caution(plan)
    yield from _band_caution(scene, plan)
    yield from _unknown_ground(mission, scene, plan)
    yield from one_swath_caution(scene, plan)
    if not plan.sorties:
        why = "; ".join(str(fault.what) for fault in plan.unflown) or "no take-off place is given"
        yield Caution(
            "batteries",
            "cannot tell",
            f"Sorties, ferries and batteries are not planned: {why}. Only the lines were held against terrain, "
            "obstacles and keep-out areas.",
        )
    yield from sight_cautions(mission, scene, plan.sorties)
    if longest := drifting_lines(plan.lines, mission.navigation):
        yield Caution(
            "long lines",
            "over",
            f"Straight flight on {', '.join(longest)} lasts longer than the {mission.navigation.longest_line_s:g} s "
            "that the navigation card allows before the inertial unit drifts: break them with a turn or a cross line.",
        )


def _highest_agl_m(scene: Scene, plan: Plan) -> float:
    """Return the greatest height above the ground beneath of all that is flown [m]; nan where it is unknown."""
    legs = legs_of(plan.lines, plan.sorties)
    most = heights_above_m(scene.ground, legs.places_m, legs.leg, len(legs.names))[:, 2]
    known = most[np.isfinite(most)]
    return float(known.max()) if known.size else float("nan")


def cautions_of(
    mission: Mission,
    scene: Scene,
    plan: Plan,
    safety: Safety,
    unsafe: Sequence[Fault],
    accuracy: AccuracyFigures | None = None,
) -> tuple[Caution, ...]:
    """Return the cautions of a flight in the order to be read.

    Parameters
    ----------
    mission, scene, plan, safety : Mission, Scene, Plan, Safety
        The job.
    unsafe : sequence of Fault
        Of its lines.
    accuracy : AccuracyFigures or None
        What is forecast of heights; None where nothing is.
    """
    rates = sorted({line.pulse_rate_hz for line in plan.lines})
    lowest = min((figure.agl_min_m for figure in plan.figures), default=np.nan)
    highest = _highest_agl_m(scene, plan)
    over = sum(figure.ceiling_over_m > 0 for figure in plan.figures)
    return (
        *standing_cautions(),
        *_zone_cautions(mission, plan),
        ceiling_caution(highest, mission.limits.ceiling_agl_m, over),
        *(laser_caution(rating_of(mission, rate), lowest) for rate in rates),
        *safety.cautions,
        *_flight_cautions(mission, scene, plan),
        *(_accuracy_caution(accuracy) if accuracy is not None else ()),
        *range_cautions(mission.sensor, rates, mission.conditions.visibility_km, classed=scene.cover is not None),
        *(Caution("unsafe line", "over", fault.what, where=fault.where) for fault in unsafe),
        *(Caution("inputs", "note", text) for text in scene.cautions),
    )
