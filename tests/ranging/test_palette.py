"""Classes of surface in one case of wetness, frost and wind, as pulses meet them.

Marks: R read in the source, M from memory of it, C computed from stated inputs.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from planner.cover import HOAR_FROST, Surface
from planner.files.cards import load_sensor
from planner.files.surfacecards import bundled_surfaces
from planner.ranging.detection import Seeing
from planner.ranging.fates import chance_of, light_of
from planner.ranging.linkbudget import reach_of
from planner.ranging.palette import LOBE_STEPS, palette_of, rated_palette
from planner.ranging.rangelaw import clear_air_limit_m, longest_range_m

SURFACES = bundled_surfaces()
ASPHALT, LAKE, PANE, METAL = (SURFACES[name] for name in ("asphalt_new", "water_open", "glass", "bare_metal"))
ALL = (ASPHALT, LAKE, PANE, METAL)


def longest_m(reach, reflectance):
    """Return the longest range to a matt surface, face on [m]."""
    return float(longest_range_m(clear_air_limit_m(reach.strength_m, reflectance), reach.extinction_per_m))


@pytest.mark.parametrize(
    ("wavelength_nm", "bare", "frosted"),
    # sealed road, measured spectra [R]; rime, common practice, no source
    [(905, 0.062, 0.55), (1064, 0.062, 0.50), (1550, 0.063, 0.12)],
)
def test_dark_asphalt_under_frost_returns_from_farther(wavelength_nm, bare, frosted):
    before, after = (palette_of([ASPHALT], 0.1, wavelength_nm, frost=frost).matt[1] for frost in (None, HOAR_FROST))
    assert (before, after) == pytest.approx((bare, frosted))
    reach = reach_of(load_sensor("C", Path()).ratings[0], wavelength_nm, 5.0, 1e6)
    # by the range equation as the root of reflectance in clear air: 2.98 times at 905 nm, 1.38 times at 1550 nm [C]
    assert longest_m(reach, after) / longest_m(reach, before) == pytest.approx((frosted / bare) ** 0.5, rel=1e-3)


def test_green_grass_under_frost_is_brighter_at_905_and_dimmer_at_1550_nm():
    grass = SURFACES["grass_green"]
    for wavelength_nm, brighter in ((905, True), (1550, False)):
        before, after = (palette_of([grass], 0.1, wavelength_nm, frost=frost).matt[1] for frost in (None, HOAR_FROST))
        assert (after > before) == brighter


def test_frost_hides_mirrors_and_leaves_water_open_and_ground_of_no_class_as_rated():
    bare, frosted = (palette_of(ALL, 0.17, 905, frost=frost) for frost in (None, HOAR_FROST))
    assert frosted.matt == pytest.approx([0.17, 0.55, LAKE.reflectance[0], 0.55, 0.55])
    assert not frosted.lobes[[0, 1, 3, 4]].any()
    assert (frosted.lobes[2] == bare.lobes[2]).all()
    # the same in every case of a leg: another case may lie bare
    assert (frosted.shiny == bare.shiny).all()
    assert frosted.water.tolist() == [False, False, True, False, False]


def test_unclassed_ground_is_as_bright_as_the_card_rates():
    rated = rated_palette(0.2)
    assert (rated.matt[0], rated.lobes.shape, rated.shiny.any()) == (0.2, (1, LOBE_STEPS), False)


def test_no_part_beside_the_matt_one_is_negative():
    # what surely returns is settled by the matt part alone
    for wet in (False, True):
        for wavelength_nm in (905, 1550):
            assert (palette_of(tuple(SURFACES.values()), 0.1, wavelength_nm, wet=wet, wind_mps=3).lobes >= 0).all()


def test_what_lies_behind_glass_is_seen_by_pulses():
    # Through 80 % twice, a white wall returns as a matt face of 0.64 + 0.01 does: 10 deg off the pane, past its own
    # glint [C]
    cos = np.cos(np.radians(10))
    rating = load_sensor("A", Path()).ratings[0]
    reach = replace(reach_of(rating, 905, 3.0, 23.0), seeing=Seeing())
    room, blind, matt = (
        replace(PANE, behind=1.0),
        replace(PANE, behind=0.0),
        Surface(reflectance=0.65),
    )
    light = light_of([reach], [palette_of([room, blind, matt], 0.1, 905)])
    far_m = longest_m(reach, 0.65 * cos)
    through, nothing, wall = (chance_of.py_func(light, 0, code, far_m, cos) for code in (1, 2, 3))
    assert through == pytest.approx(wall, abs=2e-3)
    assert nothing < 0.01 < wall
