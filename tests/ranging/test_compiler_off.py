"""The kernels are plain Python as well: with the compiler off they give the same counts, on tiny inputs."""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from surfaces import grid_of

from planner.ground.surface import Layers, cells_on
from planner.ranging.attitude import straight_leg
from planner.ranging.beams import ScanPattern
from planner.ranging.linkbudget import Reach
from planner.ranging.pulses import fire_legs

PATTERNS = {
    "oscillating_sine": ScanPattern("oscillating_sine", 4e3, 20.0, 0.6, 0.5),
    "polygon": ScanPattern("polygon", 4e3, 20.0, 0.6, 0.6),
    "heads": ScanPattern("rotating", 8e3, 10.0, np.pi, 0.6, beam_elevations_rad=(-0.2, 0.0, 0.2)),
    "conical": ScanPattern("conical", 4e3, 20.0, 0.4, 0.4),
    "rosette": ScanPattern("rosette", 4e3, 20.0, 0.4, 0.4, wedge_ratio=0.618034),
    "matrix": ScanPattern("matrix", 4e3, 4e3 / 96, 0.4, 0.4, frame_pixels=(12, 8), along_half_angle_rad=0.2),
    "profiling": ScanPattern("profiling", 4e3, 0.0, 0.0, 0.0),
}


def tallies():
    """Return the counts of a tenth of a second of each pattern over a hut and a bush on a slope."""
    slope = np.add.outer(np.arange(31) * 0.3, np.arange(31) * 0.1)
    top = slope.copy()
    top[8:14, 8:14] += 5.0
    top[16:24, 16:24] += 4.0
    foliage = np.zeros((30, 30))
    foliage[16:23, 16:23] = 0.7
    layers = Layers(grid_of(top), grid_of(slope), foliage)
    reach = Reach(60.0, 1e-4, 1.0, 15.0, ambiguity_m=35.0, returns_per_pulse=3)
    points = np.array([[-0.5, -1.0, 32.0], [0.3, 1.0, 32.0]])
    found = {}
    for name, pattern in PATTERNS.items():
        leg = straight_leg(points, 8.0, pattern, (0.4, 0.1, -0.1))
        tally = fire_legs(layers, cells_on(layers.top, 2.0), [leg], [reach])
        ground = [round(float(value), 6) for value in (tally.first.sum(), tally.ground.sum(), tally.open_ground.max())]
        found[name] = [tally.fired, *tally.aggregate.sum(axis=(0, 1)).tolist(), *ground]
    return found


def test_counts_are_those_of_plain_python():
    found = subprocess.run(
        [sys.executable, __file__],
        env={**os.environ, "NUMBA_DISABLE_JIT": "1"},
        capture_output=True,
        text=True,
        check=True,
    )
    plain = json.loads(found.stdout)
    compiled = tallies()
    assert plain.keys() == compiled.keys()
    for name, counts in compiled.items():
        assert counts[0] > 0
        assert plain[name] == pytest.approx(counts, abs=1e-4), name


if __name__ == "__main__":
    sys.stdout.write(json.dumps(tallies()))
