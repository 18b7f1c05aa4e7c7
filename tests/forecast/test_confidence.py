"""Chances of cells: closed forms against flights that are really flown otherwise, and against chances worked out."""

import math
from dataclasses import replace

import numpy as np
import pytest

from planner.forecast import perturbed
from planner.forecast.confidence import Ground, Seen, judge_confidence, kernel_inputs
from planner.forecast.draws import PASSED, SOURCES, SPEED, SiteDoubts, course_of, make_draws, patchy
from planner.ground.surface import CellGrid, HeightGrid, Layers, cells_on
from planner.ranging.attitude import angles_of, rotation, straight_leg
from planner.ranging.beams import ScanPattern
from planner.ranging.detection import Seeing
from planner.ranging.fates import light_of
from planner.ranging.linkbudget import Reach
from planner.ranging.looks import Looks, faces_of, leg_looks, looks_of
from planner.ranging.palette import LOBE_STEPS, Palette
from planner.ranging.pulses import fire_legs
from planner.requirement import Requirement

SIDE_M, RIM_M, HEIGHT_M, SPEED_MPS = 40.0, 60.0, 60.0, 8.0
NOTHING = dict.fromkeys(
    (
        "terrain_sd_m",
        "aside_sd_m",
        "up_sd_m",
        "speed_log_sd",
        "wind_sd_mps",
        "roll_sd_deg",
        "pitch_sd_deg",
        "heading_sd_deg",
        "reflectance_log_sd",
        "leaf_area_log_sd",
        "visibility_log_sd",
        "error_log_sd",
    ),
    0.0,
)


def only(**doubts):
    return SiteDoubts(**{**NOTHING, **doubts})


def hills():
    """Rolling ground with a terrace, far wider than what is judged: a flight meets ground wherever it looks."""
    size = int(SIDE_M + 2 * RIM_M) + 1
    rng = np.random.default_rng(2)
    z = np.cumsum(np.cumsum(rng.normal(0, 0.05, (size, size)), 0), 1)
    z = (z - z.min()) / np.ptp(z) * 6.0
    z[:, size // 2 :] += 3.0
    return HeightGrid(z, np.ones(z.shape, dtype=bool), -RIM_M, SIDE_M + RIM_M, 1.0)


def pattern(kind="oscillating_linear", half_deg=20.0):
    half = np.radians(half_deg)
    return ScanPattern(kind, 150e3, 101.3, np.pi if kind == "rotating" else half, half)


def sway_of(leg, sway_deg):
    """Heading, pitch and roll that swing, the same at the same place however fast the leg is flown."""
    t = np.hypot(*(leg.origins_m - leg.points_m[0])[:, :2].T) / SPEED_MPS
    return np.radians(sway_deg) * np.column_stack([np.sin(t * 2.1), 0.6 * np.sin(t * 3.3 + 1), np.sin(t * 4.1 + 2)])


def flown(points, speed, scan, turn=(0.0, 0.0, 0.0), sway_deg=0.0):
    """A leg whose nose points along it, turned by heading, pitch and roll besides."""
    leg = straight_leg(points, speed, scan)
    course = np.arctan2(*(points[1] - points[0])[:2])
    heading, pitch, roll = turn
    swung = rotation(*(sway_of(leg, sway_deg) + np.array([course + heading, 0.0, 0.0])).T)
    return replace(leg, angles_rad=angles_of(swung @ rotation(0.0, pitch, roll)))


def flight(scan, sway_deg=0.0):
    """Two lines over the site there and back, each narrower than it."""
    ends = [np.array([[-40.0, north, HEIGHT_M], [SIDE_M + 40.0, north, HEIGHT_M]]) for north in (8.0, 32.0)]
    return [flown(points, SPEED_MPS, scan, sway_deg=sway_deg) for points in (ends[0], ends[1][::-1].copy())]


def light(strength_m=1e4, shares=(0.3, 0.1), air_per_m=2e-3):
    none = np.zeros(len(shares), dtype=bool)
    palette = Palette(np.array(shares), np.zeros((len(shares), LOBE_STEPS)), none, none)
    return light_of([Reach(strength_m, air_per_m, shares[0], 1.0, seeing=Seeing())], [palette])


class Job:
    """A small site, its flight, and what was forecast of it."""

    def __init__(self, scan=None, lit=None, sway_deg=0.0):
        self.grid, self.scan, self.sway_deg = hills(), scan or pattern(), sway_deg
        self.layers = Layers(self.grid, self.grid)
        self.legs, self.lights = flight(self.scan, sway_deg), [lit or light()] * 2
        self.squares = np.zeros(tuple(n - 1 for n in self.grid.heights_m.shape), dtype=np.uint8)
        self.squares[:, self.squares.shape[1] // 2 :] = 1
        self.cells = cells_on(self.grid, 2.0)
        east, north = self.cells.centres_m()
        self.judged = ((north > 0) & (north < SIDE_M))[:, None] & ((east > 0) & (east < SIDE_M))[None]
        faces = faces_of(self.layers, self.cells, self.judged)
        counts = [self.fire([leg], [lit]) for leg, lit in zip(self.legs, self.lights, strict=True)]
        one_by_one = [
            leg_looks(faces, self.cells, leg, lambda cells, of=count: of.ravel()[cells])
            for leg, count in zip(self.legs, counts, strict=True)
        ]
        self.looks = looks_of(one_by_one, self.judged.size)
        self.seen = Seen(self.looks, faces, self.legs, self.lights)
        self.counts = sum(counts)
        self.ground = Ground(self.judged, self.counts / self.cells.cell_m**2, self.squares[1::2, 1::2])

    def fire(self, legs, lights, layers=None):
        return fire_legs(layers or self.layers, self.cells, legs, lights, codes=self.squares).first

    def draw(self, doubts, count=4, seed=3, **more):
        sds = np.full(2, doubts.reflectance_log_sd)
        return make_draws(doubts, self.cells, self.legs, sds, count=count, seed=seed, into_wind=True, **more)

    def expected(self, draws, requirement):
        """Returns of judged cells by the closed forms, shape (draws, cells)."""
        inputs = kernel_inputs(self.seen, self.ground, self.cells, requirement, draws)
        work = np.ones((draws.count, 5)), *(np.zeros((draws.count, perturbed.VARIANTS)) for _ in range(2))
        found = []
        for cell in np.flatnonzero(self.judged):
            scale = perturbed.draw_cell(cell, *inputs, work)
            found.append(scale * work[1][:, perturbed.ALL] * work[0][:, PASSED])
        return np.array(found).T

    def truth(self, draws, draw=0):
        """Returns of judged cells when the draw is really flown, shape (cells,)."""
        grid, doubts = self.grid, draws.doubts
        assert doubts.reflectance_patch_share == 0 or doubts.reflectance_log_sd == 0
        rows, cols = grid.heights_m.shape
        east, north = np.meshgrid(grid.west_m + np.arange(cols), grid.north_m - np.arange(rows))
        bumps = patchy(draws, draws.bumps_m, draw, east, north)
        ground = replace(grid, heights_m=grid.heights_m + draws.rise_m[draw] + bumps)
        _, right, speeds = course_of(self.legs)
        legs = []
        for number, leg in enumerate(self.legs):
            aside, up, faster = draws.legs[draw, number, : SPEED + 1]
            crab, heading, pitch, roll = draws.angles_rad[draw, number]
            points = leg.points_m + np.array([*(right[number] * aside), up])
            turn = crab + heading, pitch, roll
            legs.append(flown(points, speeds[number] * faster, self.scan, turn, self.sway_deg))
        return self.fire(legs, [self.otherwise(lit, draws, draw) for lit in self.lights], Layers(ground, ground))[
            self.judged
        ]

    @staticmethod
    def otherwise(lit, draws, draw):
        """The light of a draw, with all that surely returned as planned asked anew."""
        factors = lit.factors * np.exp(draws.class_log[draw])
        air = lit.extinction_per_m * draws.extinction[draw]
        never = np.full(factors.shape[1], 1e300)
        return lit._replace(factors=factors, extinction_per_m=air, sure_m2=0 * never, asked=never)


@pytest.fixture(scope="module")
def job():
    return Job()


@pytest.fixture(scope="module")
def dim_job():
    """So little light that chances of return are seldom 1."""
    return Job(lit=light(215.0))


def asked(job, share=1.5, **more):
    """What a cell under one line lacks and a cell under two has."""
    one_line = np.median([job.looks.returns[job.looks.returns > 0]])
    return Requirement(density_per_m2=float(share * one_line / job.cells.cell_m**2), **more)


def compare(job, doubts, mean=0.01, points=1.0, gain=0.5):
    """Hold the closed forms against sweeps: mean, share below what is asked, and cell by cell against the plan."""
    requirement = asked(job)
    need = requirement.target_per_m2 * job.cells.cell_m**2
    draws = job.draw(doubts)
    expected = job.expected(draws, requirement)
    truths = np.array([job.truth(draws, draw) for draw in range(draws.count)])
    np.testing.assert_allclose(expected.mean(axis=1), truths.mean(axis=1), rtol=mean)
    below = 100 * np.abs((expected < need).mean(axis=1) - (truths < need).mean(axis=1))
    assert below.mean() <= points
    if gain:
        plan = job.counts[job.judged]
        assert np.abs(expected - truths).mean() < gain * np.abs(plan - truths).mean()


@pytest.mark.parametrize(
    "doubts",
    [
        {"terrain_sd_m": 3.0},
        {"aside_sd_m": 3.0},
        {"up_sd_m": 4.0},
        {"speed_log_sd": 0.15},
        {"wind_sd_mps": 2.0},
        {"roll_sd_deg": 2.0},
    ],
    ids=lambda doubts: next(iter(doubts)),
)
def test_a_flight_a_little_off_brings_what_a_sweep_of_it_brings(job, doubts):
    compare(job, only(**doubts))


@pytest.mark.parametrize(
    "doubts", [{"pitch_sd_deg": 3.0}, {"heading_sd_deg": 4.0}], ids=lambda doubts: next(iter(doubts))
)
def test_turns_that_mostly_move_points_along_the_track(job, doubts):
    """Cells change by no more than where scan lines happen to fall, so only the whole is compared."""
    compare(job, only(**doubts), gain=None)


@pytest.mark.parametrize(
    "doubts",
    [{"visibility_log_sd": 1.0}, {"reflectance_log_sd": 0.3, "reflectance_patch_share": 0.0}, {"terrain_sd_m": 3.0}],
    ids=lambda doubts: next(iter(doubts)),
)
def test_little_light(dim_job, doubts):
    """The chance at the middle of a cell stands for all of it: 3 percent where half of the site fades out."""
    compare(dim_job, only(**doubts), mean=0.03)


def test_all_at_once_with_motion():
    """Attitude that swings by 1.5 degrees makes edges of swaths uneven, which a look at a cell's middle smooths.

    Little wind: a strong crab moves what swings over the edges of the site.
    """
    compare(Job(sway_deg=1.5), SiteDoubts(reflectance_patch_share=0.0, wind_sd_mps=0.4), points=2.0, gain=None)


@pytest.mark.parametrize("kind", ["rotating", "oscillating_sine", "conical"])
def test_other_patterns(kind):
    """Chords of a cone change their length at the edge, where the closed form takes the density there for even."""
    edge = kind == "conical"
    compare(
        Job(pattern(kind)), only(terrain_sd_m=2.0, aside_sd_m=1.0, roll_sd_deg=0.5), 0.03 if edge else 0.01, 4, None
    )


def test_bands_hold_the_truth_as_often_as_they_say(job):
    """Truths are sweeps of flights drawn from the same doubts with other seeds: 90 percent bands hold 85 to 95."""
    doubts = SiteDoubts(terrain_sd_m=1.0, aside_sd_m=1.0, roll_sd_deg=0.5, reflectance_patch_share=0.0)
    requirement = asked(job)
    confidence = judge_confidence(job.seen, job.ground, job.cells, requirement, job.draw(doubts, 400, seed=1))
    need = requirement.target_per_m2 * job.cells.cell_m**2
    truths = np.array([job.truth(job.draw(doubts, 1, seed=1000 + number)) for number in range(160)])
    below = 100 * (truths < need).mean(axis=1)
    held = (below >= confidence.below_pct_p05) & (below <= confidence.below_pct_p95)
    assert 0.85 <= held.mean() <= 0.95
    assert abs(np.median(below) - confidence.below_pct_p50) < 1.0
    # Cell by cell: of cells with a chance of about p, about p of the truths meet what is asked.
    chance, met = confidence.chance[job.judged], (truths >= need).mean(axis=0)
    for low, high in ((0.0, 0.2), (0.2, 0.5), (0.5, 0.8), (0.8, 1.0)):
        some = (chance >= low) & (chance <= high)
        assert some.sum() > 10
        assert met[some].mean() == pytest.approx(chance[some].mean(), abs=0.05)


def normal_below(z):
    return 0.5 * (1 + math.erf(z / math.sqrt(2)))


def flat_case(returns=40.0, legs=1, **ground):
    """One cell straight below straight legs that bring it some returns each."""
    cells = CellGrid(1, 1, -1.0, 1.0, 1, 2.0)
    ends = np.array([[-50.0, 0.0, 80.0], [50.0, 0.0, 80.0]])
    flights = [flown(ends, SPEED_MPS, pattern(half_deg=40.0)) for _ in range(legs)]
    middle = len(flights[0].origins_m) // 2
    looks = Looks(
        np.array([0, legs]),
        np.arange(legs, dtype=np.int32),
        np.full(legs, middle, np.int32),
        np.full(legs, returns, np.float32),
    )
    grid = HeightGrid(np.zeros((2, 2)), np.ones((2, 2), dtype=bool), -1.0, 1.0, 2.0)
    faces = faces_of(Layers(grid, grid), cells, np.ones((1, 1), bool))
    # The middle of the cell lies beneath the middle of the legs but for half a sample.
    known = Ground(
        np.ones((1, 1), bool), np.full((1, 1), ground.pop("density", legs * returns / 4.0)), np.zeros((1, 1), np.uint8)
    )
    return Seen(looks, faces, flights, [light()] * legs), replace(known, **ground), cells


def chance_of(case, requirement, doubts, terms=0, target_sd_m=None, count=4000):
    seen, ground, cells = case
    draws = make_draws(doubts, cells, seen.legs, np.zeros(2), count=count, seed=5, terms=terms)
    return judge_confidence(seen, ground, cells, requirement, draws, target_sd_m=target_sd_m)


@pytest.mark.parametrize("target", [9.5, 10.0, 10.6])
def test_speed_alone_is_a_lognormal_chance(target):
    """Density goes with 1 / speed: C, the chance that ln of the ratio stays under ln(density / target)."""
    found = chance_of(flat_case(), Requirement(density_per_m2=target), only(speed_log_sd=0.05))
    assert found.chance[0, 0] == pytest.approx(normal_below(np.log(10 / target) / 0.05), abs=0.025)


def test_height_alone():
    """Straight below, density goes with 1 / height: C, the chance of h < 80 m times 10 / 9.8."""
    found = chance_of(flat_case(), Requirement(density_per_m2=9.8), only(terrain_sd_m=2.0, terrain_common_share=1.0))
    assert found.chance[0, 0] == pytest.approx(normal_below((80 * 10 / 9.8 - 80) / 2.0), abs=0.025)


def test_passes_pool_or_the_best_one_counts():
    case = flat_case(legs=2)
    doubts = only(speed_log_sd=0.05)
    pooled = chance_of(case, Requirement(density_per_m2=20.0), doubts)
    single = replace(case[1], density_per_m2=np.full((1, 1), 10.0))
    best = chance_of((case[0], single, case[2]), Requirement(density_per_m2=10.0, coverage="single"), doubts)
    assert pooled.chance[0, 0] == pytest.approx(0.5, abs=0.03)
    # C: the better of two passes falls short only where both do.
    assert best.chance[0, 0] == pytest.approx(0.75, abs=0.03)


def test_leaves_take_ground_returns_by_beer_and_lambert():
    """Share exp(-depth f) instead of exp(-depth) with ln f normal: C, the chance that depth (f - 1) < ln(10 / 6)."""
    case = flat_case(density=10.0, optical_depth=np.full((1, 1), 1.5))
    ground = Requirement(density_per_m2=6.0, returns="ground")
    found = chance_of(case, ground, only(leaf_area_log_sd=0.3))
    assert found.chance[0, 0] == pytest.approx(normal_below(np.log1p(np.log(10 / 6) / 1.5) / 0.3), abs=0.025)
    assert found.costliest == "canopy"
    assert found.by_source_m2["canopy"] == 4.0
    assert chance_of(case, replace(ground, returns="first"), only(leaf_area_log_sd=0.3)).chance[0, 0] == 1


def test_a_term_of_the_height_error_is_as_doubtful_as_its_specification():
    """C: one term of 4 cm, each draw times a lognormal factor, against 5 cm."""
    case = flat_case(variances_m2=np.array([[[0.04**2, 0.0]]]))
    found = chance_of(case, Requirement(density_per_m2=1.0), only(error_log_sd=0.2), 2, target_sd_m=0.05)
    assert found.chance[0, 0] == pytest.approx(normal_below(np.log(5 / 4) / 0.2), abs=0.025)
    assert found.chance_density[0, 0] == 1
    assert found.costliest == "navigation"
    assert "0.05 m" in found.definition


def test_without_doubts_the_chance_is_the_forecast(job):
    requirement = asked(job)
    found = judge_confidence(job.seen, job.ground, job.cells, requirement, job.draw(only()))
    met = job.ground.density_per_m2 >= requirement.target_per_m2
    same = found.chance == met
    # Where an edge of a swath cuts a cell, the closed form shares it out.
    assert same[job.judged].mean() > 0.97
    assert np.isnan(found.chance[~job.judged]).all()
    assert found.costliest == ""
    assert set(found.by_source_m2) == set(SOURCES)
    assert found.below_pct_p05 == found.below_pct_p95


def test_what_is_hidden_stays_hidden_and_what_comes_into_view_is_filled():
    seen, ground, cells = flat_case(returns=0.0)
    wide = Requirement(density_per_m2=1.0)
    doubts = only(speed_log_sd=0.1, roll_sd_deg=0.5)
    assert chance_of((seen, ground, cells), wide, doubts, count=50).chance[0, 0] == 0
    # The same cell stands 2 degrees outside a swath that leans aside: it comes into view where a leg rolls back.
    leaning = [flown(leg.points_m, SPEED_MPS, leg.pattern, (0.0, 0.0, np.radians(42.0))) for leg in seen.legs]
    outside = Seen(seen.looks, seen.faces, leaning, seen.lights)
    found = chance_of((outside, ground, cells), wide, only(roll_sd_deg=2.0)).chance[0, 0]
    assert found == pytest.approx(normal_below(-1.0), abs=0.15)
    assert found > 0.05


def test_unknown_terrain_meets_nothing():
    seen, ground, cells = flat_case(density=np.nan)
    found = chance_of((seen, ground, cells), Requirement(density_per_m2=1.0), only())
    assert found.chance[0, 0] == 0
    assert found.chance_met == 0
    assert found.area_under_m2 == 4.0
    assert found.area_under_pct == 100.0


def test_the_site_meets_its_percentile_as_often_as_few_enough_cells_fail(job):
    doubts = only(terrain_sd_m=2.0, terrain_common_share=1.0)
    draws = job.draw(doubts, 60)
    requirement = asked(job, 1.0, percentile=30.0)
    found = judge_confidence(job.seen, job.ground, job.cells, requirement, draws)
    density = job.expected(draws, requirement) / job.cells.cell_m**2
    at = np.percentile(density, 30.0, axis=1, method="lower")
    assert found.chance_met == pytest.approx((at >= requirement.target_per_m2).mean(), abs=1e-12)
    assert 0.05 < found.chance_met < 0.95


def test_the_only_doubt_is_the_costliest(job):
    found = judge_confidence(job.seen, job.ground, job.cells, asked(job), job.draw(only(roll_sd_deg=1.5), 60))
    assert found.costliest == "attitude"
    assert found.area_under_m2 > found.by_source_m2["attitude"] > 0
    assert all(found.by_source_m2[name] == 0 for name in SOURCES if name != "attitude")


def test_threads_do_not_matter_and_seeds_do(job):
    requirement = asked(job)
    one, three = (
        judge_confidence(job.seen, job.ground, job.cells, requirement, job.draw(SiteDoubts(), 20), threads=threads)
        for threads in (1, 3)
    )
    np.testing.assert_array_equal(one.chance, three.chance)
    assert replace(one, chance=0, chance_density=0) == replace(three, chance=0, chance_density=0)
    other = judge_confidence(job.seen, job.ground, job.cells, requirement, job.draw(SiteDoubts(), 20, seed=9))
    assert (one.chance[job.judged] != other.chance[job.judged]).any()


def test_a_fixed_beam_has_no_swath_to_be_off():
    seen, ground, cells = flat_case()
    beam = replace(seen, legs=[replace(leg, pattern=replace(leg.pattern, kind="profiling")) for leg in seen.legs])
    with pytest.raises(ValueError, match="no angular pulse rate"):
        chance_of((beam, ground, cells), Requirement(density_per_m2=1.0), only())


def test_the_definition_says_what_was_drawn(job):
    found = judge_confidence(job.seen, job.ground, job.cells, asked(job), job.draw(SiteDoubts(), 5))
    assert "5 draws (seed 3)" in found.definition
    assert SiteDoubts().in_words() in found.definition
