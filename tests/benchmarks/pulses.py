"""Times the pulse engine: against Embree on the same rays in one run, and on whole jobs from process start.

    python tests/benchmarks/pulses.py [--json FILE]

Prints figures; nothing here is asserted. Ratios are one thread against one thread. Kernels are compiled before any
clock starts. Jobs are forecasts of square areas by the 300 kHz card, 600 million pulses to the square kilometre, on
terrain with 1 m squares; each runs in a process of its own.
"""

import argparse
import datetime as dt
import json
import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import shapely

sys.path[:0] = [str(Path(__file__).parents[1] / room) for room in ("", "ranging", "flight")]

REPEATS = 5
AREAS_KM2 = (0.5, 1.0, 2.0, 4.0)
SPACING_M = 62.5  # 300 kHz at 8 m/s on lines this far apart: 600 pulses to the square metre
SPEED_MPS = 8.0


def leg_over(grid, turn, lines_per_s=100.0):
    """Return a 400 m line of the 300 kHz, 80 degree card, 60 m above the highest ground."""
    from planner.ranging.attitude import straight_leg
    from planner.ranging.beams import ScanPattern

    pattern = ScanPattern("oscillating_linear", 300e3, lines_per_s, np.radians(40), np.radians(40))
    track = np.array([np.sin(turn), np.cos(turn)])
    height = grid.heights_m.max() + 60
    points = np.array([[*(side * 200 * track), height] for side in (-1, 1)])
    return straight_leg(points, SPEED_MPS, pattern, (turn, 0.0, 0.0))


def rays_of(leg, every=10):
    """Return origins and directions of every tenth scan line of a leg."""
    origins, yaw = leg.origins_m[::every], leg.angles_rad[0, 0]
    pulses = int(leg.pattern.pulses_per_line)
    angle = leg.pattern.optical_half_angle_rad * (2 * (np.arange(pulses) + 0.5) / pulses - 1)
    right = np.array([np.cos(yaw), -np.sin(yaw), 0.0])
    fan = np.sin(angle)[:, None] * right - np.cos(angle)[:, None] * np.array([0, 0, 1.0])
    return np.repeat(origins, pulses, axis=0), np.tile(fan, (len(origins), 1))


def best_of(*works):
    """Return the shortest time of each work [s], taken in turn: the machine may be busy with other things."""
    times = np.full((REPEATS, len(works)), np.inf)
    for row in times:
        for number, work in enumerate(works):
            start = time.perf_counter()
            work()
            row[number] = time.perf_counter() - start
    return times.min(axis=0)


def embree_of(grid):
    """Return a function that traces rays with Embree on one thread."""
    from embreex import rtcore_scene
    from embreex.mesh_construction import TriangleMesh
    from surfaces import triangles_of

    scene = rtcore_scene.EmbreeScene()
    mesh = TriangleMesh(scene, triangles_of(grid).astype(np.float32))

    def trace(origins, directions):
        assert mesh is not None
        return scene.run(origins, directions, output=True)

    return trace


def engine_figures():
    """Return million pulses and rays per second, and their ratios to Embree."""
    from surfaces import rough

    from planner.ground.raycast import first_hit
    from planner.ground.surface import Layers, cells_on
    from planner.ranging.linkbudget import Reach
    from planner.ranging.pulses import fire_legs

    grid = rough(size=901)
    layers, cells = Layers(grid, grid), cells_on(grid, 1.0)
    legs = [leg_over(grid, turn) for turn in (0.3, 1.1, 2.2, 3.5)]
    reaches = [Reach(150 / np.sqrt(0.1), 8.9e-5, 0.1, 3.0)] * len(legs)
    fired = fire_legs(layers, cells, legs, reaches).fired
    origins, directions = (np.concatenate(parts) for parts in zip(*(rays_of(leg) for leg in legs), strict=True))
    first_hit(grid, origins[:1000], directions[:1000])
    embree = embree_of(grid)
    small = origins.astype(np.float32), directions.astype(np.float32)
    sweep_one, sweep_two, rays_one, rays_two, reference = best_of(
        lambda: fire_legs(layers, cells, legs, reaches, threads=1),
        lambda: fire_legs(layers, cells, legs, reaches, threads=2),
        lambda: first_hit(grid, origins, directions, threads=1),
        lambda: first_hit(grid, origins, directions, threads=2),
        lambda: embree(*small),
    )
    million = len(origins) / 1e6
    return {
        "sweep_mpulses_per_s": fired / 1e6 / sweep_two,
        "sweep_one_thread_mpulses_per_s": fired / 1e6 / sweep_one,
        "raycast_mrays_per_s": million / rays_two,
        "raycast_one_thread_mrays_per_s": million / rays_one,
        "embree_mrays_per_s": million / reference,
        "embree_threads": 1,
        "sweep_over_embree": fired / 1e6 / sweep_one / (million / reference),
        "raycast_over_embree": reference / rays_one,
    }


def run_job(area_km2):
    """Forecast a square area in this process; print pulses, seconds in the forecast and peak memory."""
    from flat_jobs import FRAME, SENSOR, a_mission

    from planner.flight.flightlines import FlightLine
    from planner.ground.surface import HeightGrid, Scene
    from planner.survey import make_forecast

    half = np.sqrt(area_km2 * 1e6) / 2
    axis = np.arange(-np.ceil(half + 120), np.ceil(half + 120) + 1)
    hills = 12 * np.sin(axis / 90)[None, :] + 9 * np.cos(axis / 70)[:, None] + 0.3 * np.sin(axis * 1.7)[None, :]
    grid = HeightGrid(hills, np.ones(hills.shape, dtype=bool), axis[0], -axis[0], 1.0)
    area = shapely.MultiPolygon([shapely.box(-half, -half, half, half)])
    scene = Scene(FRAME, area, area, grid, grid, True, "orthometric", None)
    tracks = np.arange(SPACING_M / 2 - half, half, SPACING_M)
    lines = [
        FlightLine(
            f"L{number:02d}",
            np.array([[-half, north, 85.0], [half, north, 85.0]])[:: 1 if number % 2 else -1],
            (0.0, 2 * half),
            SPEED_MPS,
            300e3,
            100.0,
            np.radians(40),
        )
        for number, north in enumerate(tracks)
    ]
    start = time.perf_counter()
    forecast = make_forecast(a_mission(sensor=SENSOR), scene, lines)
    took = time.perf_counter() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    pulses = len(tracks) * 2 * half / SPEED_MPS * 300e3
    found = {"pulses": pulses, "forecast_s": took, "peak_memory_mb": peak, "mean_per_m2": forecast.density.mean_per_m2}
    print(json.dumps(found))


def job_figures():
    """Return the time of a 1 km2 job from process start, its peak memory, and how cost grows with size."""
    found, started = {}, {}
    for _ in range(2):  # the first round warms the machine; the better of two counts
        for area in AREAS_KM2:
            start = time.perf_counter()
            told = subprocess.run(
                [sys.executable, __file__, "--job", str(area)], check=True, capture_output=True, text=True
            )
            started[area] = min(started.get(area, np.inf), time.perf_counter() - start)
            job = json.loads(told.stdout.splitlines()[-1])
            if area not in found or job["forecast_s"] < found[area]["forecast_s"]:
                found[area] = job
    pulses = [found[area]["pulses"] for area in AREAS_KM2]
    seconds = [found[area]["forecast_s"] for area in AREAS_KM2]
    return {
        "job_1km2_s": started[1.0],
        "job_1km2_mpulses": found[1.0]["pulses"] / 1e6,
        "peak_memory_mb": found[1.0]["peak_memory_mb"],
        "cost_slope": float(np.polyfit(np.log(pulses), np.log(seconds), 1)[0]),
    }


def main():
    """Print the table, and write it as JSON where asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", type=Path)
    parser.add_argument("--job", type=float, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.job:
        run_job(asked.job)
        return
    # Jobs first: a process started later would inherit the peak memory of the rays held here.
    jobs = job_figures()
    table = {"date": dt.datetime.now(dt.UTC).date().isoformat()} | engine_figures() | jobs
    for name, value in table.items():
        print(f"{name:<34}{value:>12}" if isinstance(value, str) else f"{name:<34}{value:>12.2f}")
    if asked.json:
        asked.json.write_text(json.dumps(table, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
