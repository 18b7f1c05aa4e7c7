"""The composition: a plan from a mission, a forecast from lines.

Lives here: the only place where flight, forecast and safety meet. Must not know files.
"""

import zlib
from collections.abc import Callable, Iterator, Sequence

import numpy as np
import numpy.typing as npt

from planner.assessment import Assessment, Forecast, LineFigures, Plan
from planner.equipment import RangeRating
from planner.errors import Fault, SafetyError
from planner.flight.counts import grain_of
from planner.flight.flightlines import FlightLine
from planner.flight.settings import Settings, choose_flight
from planner.flight.sorties import flight_figures
from planner.forecast import density as densities
from planner.forecast.density import CoverageFigures
from planner.forecast.faces import judge_faces
from planner.forecast.gaps import CAUSES, code_of, decide_causes, outline_gaps
from planner.forecast.parts import CaseFigures, figures_by_class, figures_by_feature, judge_case, water_cells
from planner.ground.geodesy import geodesic_length_m
from planner.ground.surface import CellGrid, Scene, cells_on
from planner.mission import Mission
from planner.ranging.air import range_error_mm_per_100m
from planner.ranging.attitude import Leg, flown_leg
from planner.ranging.beams import scan_pattern, usable_share
from planner.ranging.cases import cases_named, light_for, sun_elevation_deg
from planner.ranging.detection import Seeing
from planner.ranging.fates import RETURNS, Light
from planner.ranging.principles import refuse_sensor
from planner.ranging.pulses import Tally, fire_legs
from planner.ranging.ratings import by_rate
from planner.ranging.zones import Receiver, check_zones, clear_rates_hz
from planner.safety.airspace import ceiling_caution, clearance_fault, standing_cautions
from planner.safety.cautions import Caution
from planner.safety.eyesafety import eye_fault, laser_caution
from planner.safety.ranges import range_cautions

Progress = Callable[[str, int, int], None]


def rating_of(mission: Mission, pulse_rate_hz: float) -> RangeRating:
    """Return what to trust of the card at a pulse rate [Hz]; at the nearest higher one where the rate is not listed."""
    ratings = sorted(by_rate(mission.sensor).values(), key=lambda rating: rating.pulse_rate_hz)
    return next((rating for rating in ratings if rating.pulse_rate_hz >= pulse_rate_hz * (1 - 1e-9)), ratings[-1])


def leg_of(mission: Mission, scene: Scene, line: FlightLine) -> Leg:
    """Return the kept part of a flight line as the sensor lives it; its name tells its motion from other lines'."""
    pattern = scan_pattern(mission.sensor, line.pulse_rate_hz, line.line_rate_hz, line.usable_half_angle_rad)
    points, conditions = line.kept_points_m(), mission.conditions
    convergence = scene.frame.convergence_rad(float(points[:, 0].mean()), float(points[:, 1].mean()))
    return flown_leg(
        points,
        line.speed_mps,
        pattern,
        mission.sensor,
        mission.aircraft,
        (conditions.wind_mps, float(np.radians(conditions.wind_from_deg)) - convergence),
        np.random.default_rng([conditions.seed, zlib.crc32(line.line_id.encode())]),
    )


def lights_of(mission: Mission, scene: Scene, lines: Sequence[FlightLine]) -> list[Light]:
    """Return what returns on each line, in the planned case and in those it is compared with."""
    rates = {line.pulse_rate_hz for line in lines}
    lights = {rate: light_for(mission, scene, rating_of(mission, rate)) for rate in rates}
    return [lights[line.pulse_rate_hz] for line in lines]


def make_forecast(
    mission: Mission, scene: Scene, lines: Sequence[FlightLine], *, progress: Progress | None = None, threads: int = 2
) -> Forecast:
    """Fire every pulse of the lines at the terrain and judge the result, whoever drew the lines.

    Parameters
    ----------
    mission : Mission
        Sensor, requirement and air.
    scene : Scene
        The site.
    lines : sequence of FlightLine
        The flight.
    progress : callable, optional
        Called with what is being done, steps done and steps in all.
    threads : int
        Lines fired at the same time; the result does not depend on it.
    """
    requirement = mission.requirement
    target = requirement.target_per_m2
    legs = [leg_of(mission, scene, line) for line in lines]
    rows_hz = [grain_of(leg.pattern, requirement.percentile).lines_hz or leg.pattern.pulse_rate_hz for leg in legs]
    scan_spacing = max((line.speed_mps / rate for line, rate in zip(lines, rows_hz, strict=True)), default=0.0)
    cells = cells_on(scene.top, densities.judging_cell_m(requirement, target, scan_spacing))
    tally = fire_legs(
        scene.layers,
        cells,
        legs,
        lights_of(mission, scene, lines),
        codes=scene.cover.codes if scene.cover else None,
        threads=threads,
        progress=(lambda done, total: progress("firing pulses", done, total)) if progress else None,
    )
    judged = cells.inside(scene.area)
    water = judged & water_cells(scene.cover, cells)
    dry = judged & ~water
    known = densities.cells_known(scene.top, cells)
    first, ground = (
        densities.density_per_m2(tally, cells, known, requirement.coverage, returns) for returns in ("first", "ground")
    )
    density = first if requirement.returns == "first" else ground
    figures, met = densities.judge_density(first, ground, dry, requirement, scene, cells.cell_m)
    causes = decide_causes(density, judged, water, tally, cells, scene.top, legs, requirement)
    cases = _cases(mission, scene, tally, density, dry, cells.cell_m)
    return Forecast(
        cells=cells,
        judged=judged,
        density_per_m2=density,
        first_per_m2=first,
        ground_per_m2=ground,
        passes=tally.passes,
        cause=causes,
        gaps=outline_gaps(causes, density, cells),
        density=figures,
        faces=judge_faces(first, judged, cells, scene.layers),
        coverage=_coverage(scene, cells, judged, dry, causes),
        met=met,
        cases=cases,
        by_class=figures_by_class(scene.cover, cells, judged, cases, causes),
        by_feature=figures_by_feature(scene.features, cells, judged, cases, causes),
    )


def _cases(
    mission: Mission,
    scene: Scene,
    tally: Tally,
    density: npt.NDArray[np.float64],
    judged: npt.NDArray[np.bool_],
    cell_m: float,
) -> tuple[CaseFigures, ...]:
    """Return the figures of each case: the density as planned times what else returns from the top surface."""
    pooled = mission.requirement.coverage == "aggregate"
    counts, planned = (tally.cases, tally.aggregate) if pooled else (tally.most_cases, tally.best)
    returns = planned[..., RETURNS]
    found = []
    for number, (name, words) in enumerate(cases_named(mission, scene)):
        other = density
        if number and mission.requirement.returns == "first" and scene.foliage is None:
            other = np.where(np.isnan(density), np.nan, counts[..., number - 1] / cell_m**2)
        elif number:
            share = np.divide(counts[..., number - 1], returns, out=np.ones(returns.shape), where=returns > 0)
            other = density * share
        found.append(judge_case(name, words, other, judged, mission.requirement, cell_m))
    return tuple(found)


def _coverage(
    scene: Scene,
    cells: CellGrid,
    judged: npt.NDArray[np.bool_],
    dry: npt.NDArray[np.bool_],
    causes: npt.NDArray[np.uint8],
) -> CoverageFigures:
    cell_area = cells.cell_m**2
    water = causes == code_of("water")
    below = judged & (causes > 0) & ~water
    rim = densities.edge_rim(scene.area, cells, judged)
    judged_cells, rim_cells = int(judged.sum()), int(rim.sum())
    return CoverageFigures(
        area_m2=judged_cells * cell_area,
        below_m2=int(below.sum()) * cell_area,
        below_pct=100 * int(below.sum()) / max(int(dry.sum()), 1),
        expected_water_m2=int((judged & water).sum()) * cell_area,
        by_cause_m2={cause: int((causes == code_of(cause)).sum()) * cell_area for cause in CAUSES if cause != "water"},
        edge_below_pct=100 * int((below & rim).sum()) / max(rim_cells, 1),
    )


def line_figures(mission: Mission, scene: Scene, line: FlightLine) -> LineFigures:
    """Return what one line does, for people."""
    east, north, up = line.points_m.T
    agl = up - scene.ground.at(east, north)
    agl_known = agl[np.isfinite(agl)]
    low, mean, high = (
        (float(agl_known.min()), float(agl_known.mean()), float(agl_known.max())) if agl_known.size else (np.nan,) * 3
    )
    kept = line.kept_points_m()
    pattern = scan_pattern(mission.sensor, line.pulse_rate_hz, line.line_rate_hz, line.usable_half_angle_rad)
    swath = 2 * mean * float(np.tan(line.usable_half_angle_rad))
    returns_per_m = pattern.pulse_rate_hz * usable_share(pattern) / line.speed_mps
    convergence = scene.frame.convergence_rad(float(east.mean()), float(north.mean()))
    too_near = _clearance_fault(mission, scene, line) is not None
    return LineFigures(
        line_id=line.line_id,
        heading_deg=float(np.degrees(line.track_rad + convergence) % 360),
        length_m=geodesic_length_m(scene.frame, kept[:, 0], kept[:, 1]),
        agl_min_m=low,
        agl_mean_m=mean,
        agl_max_m=high,
        swath_m=swath,
        density_per_m2=returns_per_m / swath if swath > 0 else np.nan,
        ceiling_over_m=max(0.0, high - mission.limits.ceiling_agl_m) if agl_known.size else np.nan,
        unsafe=too_near or eye_fault(rating_of(mission, line.pulse_rate_hz), low) is not None,
    )


def _plan_of(mission: Mission, scene: Scene, lines: tuple[FlightLine, ...], settings: Settings | None) -> Plan:
    figures = tuple(line_figures(mission, scene, line) for line in lines)
    return Plan(lines, settings, figures, flight_figures(lines, mission.aircraft, mission.sensor, scene.frame))


def _clearance_fault(mission: Mission, scene: Scene, line: FlightLine) -> Fault | None:
    """Return the fault of a line whose lowest point above the top surface breaks the clearance, or None."""
    east, north, up = line.points_m.T
    over = up - scene.top.at(east, north)
    if not np.isfinite(over).any():
        return None
    index = int(np.nanargmin(over))
    lon, lat = scene.frame.to_lonlat(east[index], north[index])
    return clearance_fault(
        line.line_id,
        float(over[index]) - mission.terrain.vertical_sd_m,
        mission.limits.clearance_m,
        f"lon {float(lon):.6f} lat {float(lat):.6f}",
    )


def unsafe_lines(mission: Mission, scene: Scene, plan: Plan) -> tuple[Fault, ...]:
    """Return a fault for each line that breaks the clearance and each pulse rate flown below its hazard distance."""
    faults = [_clearance_fault(mission, scene, line) for line in plan.lines]
    lowest = min((figure.agl_min_m for figure in plan.figures), default=np.nan)
    rates = sorted({line.pulse_rate_hz for line in plan.lines})
    faults.extend(eye_fault(rating_of(mission, rate), lowest) for rate in rates)
    return tuple(fault for fault in faults if fault is not None)


def make_plan(mission: Mission, scene: Scene, *, progress: Progress | None = None) -> Plan:
    """Choose settings and lay flight lines that should meet the requirement.

    Raises
    ------
    InfeasibleError
        Where no setting of sensor and aircraft meets it; carries the best achievable.
    SafetyError
        Where a line would break the clearance or the stated hazard distance.
    """
    if progress:
        progress("choosing settings and lines", 0, 1)
    requirement = mission.requirement
    cell_m = cells_on(scene.top, densities.judging_cell_m(requirement, requirement.target_per_m2, 0.0)).cell_m
    settings, lines = choose_flight(mission, scene, cell_m)
    plan = _plan_of(mission, scene, lines, settings)
    if faults := unsafe_lines(mission, scene, plan):
        raise SafetyError(*faults)
    if progress:
        progress("choosing settings and lines", 1, 1)
    return plan


def _method(mission: Mission, scene: Scene) -> Iterator[str]:
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


def assess(
    mission: Mission, scene: Scene, plan: Plan, *, progress: Progress | None = None, threads: int = 2
) -> Assessment:
    """Forecast a plan and gather all there is to say about it.

    Raises
    ------
    InfeasibleError
        E20 or E42 where the ranging principle of the sensor cannot map.
    """
    refuse_sensor(mission.sensor)
    forecast = make_forecast(mission, scene, plan.lines, progress=progress, threads=threads)
    rates = sorted({line.pulse_rate_hz for line in plan.lines})
    lowest = min((figure.agl_min_m for figure in plan.figures), default=np.nan)
    highest = max((figure.agl_max_m for figure in plan.figures), default=np.nan)
    over = sum(figure.ceiling_over_m > 0 for figure in plan.figures)
    unsafe = unsafe_lines(mission, scene, plan)
    cautions = (
        *standing_cautions(),
        *_zone_cautions(mission, plan),
        ceiling_caution(highest, mission.limits.ceiling_agl_m, over),
        *(laser_caution(rating_of(mission, rate), lowest) for rate in rates),
        *range_cautions(mission.sensor, rates, mission.conditions.visibility_km, classed=scene.cover is not None),
        *(
            Caution("unsafe line", "over", f"{fault.what} ({fault.where})" if fault.where else fault.what)
            for fault in unsafe
        ),
        *(Caution("inputs", "note", text) for text in scene.cautions),
    )
    assumptions = (*mission.assumptions, *_method(mission, scene))
    return Assessment(mission, scene, plan, forecast, cautions, assumptions, unsafe)


def review(
    mission: Mission,
    scene: Scene,
    lines: Sequence[FlightLine],
    *,
    progress: Progress | None = None,
    threads: int = 2,
) -> Assessment:
    """Assess lines that somebody drew, by the same forecast that tests our own plans."""
    return assess(mission, scene, _plan_of(mission, scene, tuple(lines), None), progress=progress, threads=threads)
