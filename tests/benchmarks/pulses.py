"""Times the pulse engine against Embree on the same rays, thread for thread, in one run.

    python tests/benchmarks/pulses.py [--json FILE]

Prints ratios; nothing here is asserted. The first pass over each kernel is thrown away (compilation).
"""

import argparse
import json
import resource
import sys
import time
from pathlib import Path

import numpy as np
from embreex import rtcore_scene
from embreex.mesh_construction import TriangleMesh

sys.path.insert(0, str(Path(__file__).parents[1] / "ranging"))
from surfaces import rough, triangles_of

from planner.ground.raycast import first_hit
from planner.ground.surface import cells_on
from planner.ranging.beams import ScanPattern
from planner.ranging.linkbudget import Reach
from planner.ranging.pulses import Leg, fire_legs

REPEATS = 3
REACH = Reach(150 / np.sqrt(0.1), 8.9e-5, 0.1, 3.0)


def leg_over(grid, turn, lines_per_s=100.0):
    """Return a 400 m line of the 300 kHz, 80 degree card, 80 m above the highest ground."""
    pattern = ScanPattern("oscillating_linear", 300e3, lines_per_s, np.radians(40), np.radians(40))
    track = np.array([np.sin(turn), np.cos(turn)])
    height = grid.heights_m.max() + 60
    points = np.array([[*(side * 200 * track), height] for side in (-1, 1)])
    return Leg(points, 8.0, turn, 0.0, 0.0, pattern)


def rays_of(leg, every=10):
    """Return origins and directions of every tenth scan line of a leg."""
    origins = leg.origins_m()[::every]
    pulses = int(leg.pattern.pulses_per_line)
    angle = leg.pattern.optical_half_angle_rad * (2 * (np.arange(pulses) + 0.5) / pulses - 1)
    right = np.array([np.cos(leg.yaw_rad), -np.sin(leg.yaw_rad), 0.0])
    fan = np.sin(angle)[:, None] * right - np.cos(angle)[:, None] * np.array([0, 0, 1.0])
    return np.repeat(origins, pulses, axis=0), np.tile(fan, (len(origins), 1))


def best_of(work):
    """Return the shortest of a few times [s]; the machine may be busy with other things."""
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def embree_of(grid):
    """Return a function that traces rays with Embree on one thread."""
    scene = rtcore_scene.EmbreeScene()
    mesh = TriangleMesh(scene, triangles_of(grid).astype(np.float32))

    def trace(origins, directions):
        assert mesh is not None
        return scene.run(origins, directions, output=True)

    return trace


def main():
    """Print the table, and write it as JSON where asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", type=Path)
    target = parser.parse_args().json
    grid = rough(size=901)
    cells = cells_on(grid, 1.0)
    legs = [leg_over(grid, turn) for turn in (0.3, 1.1, 2.2, 3.5)]
    reaches = [REACH] * len(legs)
    fired = fire_legs(grid, cells, legs, reaches).fired
    origins, directions = (np.concatenate(parts) for parts in zip(*(rays_of(leg) for leg in legs), strict=True))
    first_hit(grid, origins[:1000], directions[:1000])
    embree = embree_of(grid)
    small = origins.astype(np.float32), directions.astype(np.float32)
    one = fired / best_of(lambda: fire_legs(grid, cells, legs, reaches, threads=1)) / 1e6
    two = fired / best_of(lambda: fire_legs(grid, cells, legs, reaches, threads=2)) / 1e6
    cast = len(origins) / best_of(lambda: first_hit(grid, origins, directions)) / 1e6
    reference = len(origins) / best_of(lambda: embree(*small)) / 1e6
    table = {
        "sweep_one_thread_mpulses_per_s": one,
        "sweep_mpulses_per_s": two,
        "raycast_mrays_per_s": cast,
        "embree_mrays_per_s": reference,
        "embree_threads": 1,
        "sweep_over_embree": one / reference,
        "raycast_over_embree": cast / reference,
        "peak_memory_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }
    for name, value in table.items():
        print(f"{name:<34}{value:>12.2f}")
    if target:
        target.write_text(json.dumps(table, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
