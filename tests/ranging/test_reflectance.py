"""Surfaces against published optics: wetting, water, glass, metal.

Marks: R read in the source, M from memory of it, C computed from stated inputs.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from planner.cover import AT_NM, HOAR_FROST, Surface
from planner.ranging.reflectance import (
    behind_glass,
    both_faces,
    covered,
    facet_lobe,
    film_transmission,
    fresnel,
    matt_reflectance,
    reflectance_at,
    reflectance_factor,
    slope_variance,
    water_absorption_per_cm,
    water_index,
    wavelength_caution,
    wetted,
)

SHARE = st.floats(0, 1)
ANGLE = st.floats(0, math.pi / 2)
WAVELENGTH = st.floats(900, 1600)

ASPHALT = Surface(reflectance=(0.111, 0.114, 0.141))
LAKE = Surface(kind="water", reflectance=(0.016, 0.0, 0.0))
PANE = Surface(kind="glass", reflectance=(0.01,) * 3, transmittance=(0.8, 0.78, 0.85), facet_variance=1e-5)
SHEET = Surface(kind="metal", reflectance=(0.05,) * 3, mirror=(0.85, 0.9, 0.93), facet_variance=0.001, soaks=False)
PAINT = Surface(reflectance=(0.512, 0.511, 0.489), soaks=False)


def test_stated_wavelengths_come_back_and_straight_lines_join_them():
    shares = (0.2, 0.4, 0.1)
    assert reflectance_at(shares, AT_NM) == pytest.approx(shares)
    assert float(reflectance_at(shares, 984.5)) == pytest.approx(0.3)
    assert float(reflectance_at(shares, 1307.0)) == pytest.approx(0.25)
    assert reflectance_at(shares, [[808, 900], [1600, 2000]]).tolist() == [[0.2, 0.2], [0.1, 0.1]]


@pytest.mark.parametrize("wavelength_nm", [900, 905, 940, 1064, 1310, 1535, 1550, 1600])
def test_no_caution_where_the_table_serves(wavelength_nm):
    assert wavelength_caution(wavelength_nm) is None


def test_cautions_name_the_wavelength_and_what_is_taken():
    assert "at 808 nm the values of 905 nm" in str(wavelength_caution(808))
    assert "at 2000 nm the values of 1550 nm" in str(wavelength_caution(2000))
    assert "1450 nm is read between 1064 and 1550 nm" in str(wavelength_caution(1450))


@pytest.mark.parametrize(
    ("dry", "wet"),
    # Angstrom 1925, rho / (n^2 (1 - rho) + rho) with n = 1.33 [M]; numbers [C]
    [(0.05, 0.0289), (0.1, 0.0591), (0.2, 0.1238), (0.3, 0.1950), (0.4, 0.2737), (0.5, 0.3612)],
)
def test_wetting_by_angstrom(dry, wet):
    assert float(wetted(dry)) == pytest.approx(wet, abs=6e-5)


@given(SHARE)
def test_wetting_darkens_all_but_black_and_white_and_keeps_the_order(dry):
    wet = float(wetted(dry))
    assert 0 <= wet <= dry <= 1
    assert wetted(0.0) == 0
    assert wetted(1.0) == 1
    if 0.01 < dry < 0.99:
        assert wet < dry
        assert float(wetted(dry + 0.005)) > wet


@pytest.mark.parametrize(
    ("wavelength_nm", "per_cm"),
    # Table with PROSPECT-D (Feret and others 2017) [R]
    [(905, 0.067), (940, 0.182), (970, 0.480), (1064, 0.1438), (1535, 12.65), (1550, 10.64)],
)
def test_absorption_of_water_is_that_of_the_table(wavelength_nm, per_cm):
    assert float(water_absorption_per_cm(wavelength_nm)) == pytest.approx(per_cm, rel=2e-3)


@pytest.mark.parametrize(("wavelength_nm", "per_cm"), [(1310, 1.532), (1450, 30.54), (1540, 11.93)])
def test_absorption_between_knots_stays_within_four_percent(wavelength_nm, per_cm):
    # the same table, wavelengths that are no knots here [R]
    assert float(water_absorption_per_cm(wavelength_nm)) == pytest.approx(per_cm, rel=0.04)


@pytest.mark.parametrize(
    ("wavelength_nm", "left"),
    [
        # exp(-2 k d) at 0.1, 0.2, 0.5 and 1 mm, k of the table with PROSPECT-D [C]
        (905, (0.9987, 0.9973, 0.9933, 0.9867)),
        (1064, (0.9971, 0.9943, 0.9857, 0.9716)),
        (1535, (0.7765, 0.6029, 0.2822, 0.0797)),
        (1550, (0.8083, 0.6534, 0.3451, 0.1191)),
    ],
)
def test_light_left_after_a_film_of_water(wavelength_nm, left):
    assert film_transmission([0.1, 0.2, 0.5, 1.0], wavelength_nm) == pytest.approx(left, abs=6e-5)


@given(st.floats(0, 50), st.floats(0, 50), WAVELENGTH)
def test_two_films_take_what_one_of_their_thickness_takes(one_mm, other_mm, wavelength_nm):
    both = film_transmission(one_mm + other_mm, wavelength_nm)
    parts = film_transmission(one_mm, wavelength_nm) * film_transmission(other_mm, wavelength_nm)
    assert float(both) == pytest.approx(float(parts), rel=1e-9)
    assert 0 <= both <= 1


def test_wet_asphalt_is_its_median_wetted_under_a_fifth_of_a_millimetre():
    # .0659 x .997, .0678 x .994, .0849 x .653: Angstrom 1925 with n = 1.33, and the film [C]
    assert matt_reflectance(ASPHALT, AT_NM, wet=True, film_mm=0.2) == pytest.approx([0.066, 0.067, 0.055], abs=5e-4)


@given(st.floats(0.01, 1), st.booleans(), st.floats(0.01, 5))
def test_wetting_takes_more_at_1550_nm_than_at_905(share, soaks, film_mm):
    surface = Surface(reflectance=(share,) * 3, soaks=soaks)
    left = matt_reflectance(surface, AT_NM, wet=True, film_mm=film_mm)
    assert (left <= share).all()
    assert left[0] > left[1] > left[2]


def test_a_class_says_how_thick_its_film_is_unless_told():
    soil = Surface(reflectance=0.3, wet_film_mm=0.35)
    pores = float(wetted(0.3))
    assert float(matt_reflectance(soil, 1550, wet=True)) == pytest.approx(pores * float(film_transmission(0.35, 1550)))
    assert float(matt_reflectance(soil, 1550, wet=True, film_mm=0.0)) == pytest.approx(pores)
    assert float(matt_reflectance(soil, 1550, film_mm=1.0)) == pytest.approx(0.3)


def test_paint_sheds_water_and_loses_light_in_the_film_alone():
    wet = matt_reflectance(PAINT, AT_NM, wet=True)
    assert wet == pytest.approx(np.array(PAINT.reflectance) * film_transmission(0.2, AT_NM))


def test_water_does_not_get_wet():
    assert matt_reflectance(LAKE, AT_NM, wet=True, film_mm=3.0) == pytest.approx(LAKE.reflectance)


@pytest.mark.parametrize(
    ("index", "share"),
    # ((n - 1) / (n + 1))^2; water: Hale and Querry 1973 [M], glass per surface; numbers [C]
    [(1.328, 0.01985), (1.326, 0.01964), (1.318, 0.01882), (1.51, 0.04129)],
)
def test_fresnel_straight_on(index, share):
    assert float(fresnel(0.0, index)) == pytest.approx(share, abs=6e-6)
    assert float(fresnel(0.0, index)) == pytest.approx(((index - 1) / (index + 1)) ** 2, rel=1e-12)


def test_fresnel_of_water_over_the_angle():
    # unpolarised, n = 1.328 [C]
    angles = np.radians([10, 20, 30, 45, 60, 75])
    shares = [0.01986, 0.02003, 0.02090, 0.02727, 0.05875, 0.21079]
    assert fresnel(angles, 1.328) == pytest.approx(shares, abs=6e-6)


@given(ANGLE, st.floats(1.05, 4), st.floats(0, 10))
def test_a_boundary_mirrors_a_share(angle, index, absorbing):
    assert -1e-12 <= float(fresnel(angle, index + 1j * absorbing)) <= 1 + 1e-12


@given(st.floats(1.05, 4))
def test_a_boundary_mirrors_all_at_grazing_and_one_polarisation_at_brewsters_angle(index):
    assert float(fresnel(math.pi / 2, index)) == pytest.approx(1)
    # Brewster: light along the plane is not mirrored; the other part is ((n^2 - 1) / (n^2 + 1))^2
    across = ((index**2 - 1) / (index**2 + 1)) ** 2
    assert float(fresnel(math.atan(index), index)) == pytest.approx(across / 2, rel=1e-9)


def test_index_of_water():
    # 905 and 1064 nm: IAPWS 1997 form [R, C]; 1550 nm: Hale and Querry 1973 [M]
    assert water_index(AT_NM).real == pytest.approx([1.32689, 1.32447, 1.318])
    # absorption x wavelength / 4 pi: too small to matter to what is mirrored [C]
    assert float(water_index(1550).imag) == pytest.approx(10.64 * 1550e-7 / (4 * math.pi))
    assert float(fresnel(0.0, water_index(1550))) == pytest.approx(0.01882, abs=1e-5)


@pytest.mark.parametrize(("wind_mps", "variance"), [(0, 0.003), (0.5, 0.00556), (5, 0.02860), (10, 0.05420)])
def test_slopes_of_the_sea_by_cox_and_munk(wind_mps, variance):
    # Cox and Munk 1954: 0.003 + 0.00512 W [R in a copy; numbers C]
    assert float(slope_variance(wind_mps)) == pytest.approx(variance, rel=1e-9)


@pytest.mark.parametrize(
    ("wind_mps", "factors"),
    [
        # R exp(-tan^2 / s2) / (4 s2 cos^6), R = 0.02, Cox and Munk 1954 slopes, at 0, 5, 10, 15, 20 and 30 deg [C]
        (0.5, (0.899, 0.232, 3.67e-3, 2.73e-6, 5.9e-11, 0.0)),
        (5, (0.175, 0.137, 0.0646, 0.0175, 2.47e-3, 3.6e-6)),
        (10, (0.0923, 0.0820, 0.0570, 0.0302, 0.0116, 4.7e-4)),
    ],
)
def test_lobe_of_a_wavy_sea(wind_mps, factors):
    angles = np.radians([0, 5, 10, 15, 20, 30])
    assert facet_lobe(0.02, angles, slope_variance(wind_mps)) == pytest.approx(
        factors, rel=1e-2, abs=1e-12
    )  # two digits printed


@given(st.floats(1e-2, 0.3), st.floats(0, 0.35), st.floats(1e-3, 0.1))
def test_a_lobe_falls_with_the_angle_and_is_the_same_both_ways(variance, angle, more):
    assert facet_lobe(0.02, angle, variance) == facet_lobe(0.02, -angle, variance)
    assert facet_lobe(0.02, angle + more, variance) < facet_lobe(0.02, angle, variance)


@pytest.mark.parametrize("variance", [0.003, 0.0286, 0.0542])
def test_facets_of_a_lobe_make_up_the_mean_surface(variance):
    # Facets projected on the mean surface cover it once: p = 4 cos^6 factor / (pi share) integrates to 1 over slopes.
    slope = np.linspace(0, 12 * math.sqrt(variance), 20001)
    cos = 1 / np.sqrt(1 + slope**2)
    density = 4 * cos**6 * facet_lobe(1.0, np.arctan(slope), variance) / math.pi
    assert np.trapezoid(density * 2 * math.pi * slope, slope) == pytest.approx(1, rel=1e-6)


def test_nothing_returns_from_a_lobe_at_or_past_grazing():
    assert facet_lobe(0.5, [math.pi / 2, 1.8, math.pi], 0.5).tolist() == [0, 0, 0]


def test_a_pane_mirrors_by_both_faces():
    # endless echoes between two faces of share R: R + (1 - R)^2 R (1 + R^2 + R^4 + ...)
    face = float(fresnel(0.0, 1.51))
    echoes = face + sum((1 - face) ** 2 * face ** (2 * n + 1) for n in range(20))
    assert float(both_faces(face)) == pytest.approx(echoes, rel=1e-12)


@given(ANGLE, WAVELENGTH, SHARE)
def test_what_lies_behind_glass_is_dimmed_twice(angle, wavelength_nm, behind):
    pane = replace(PANE, behind=behind)
    straight = float(behind_glass(pane, wavelength_nm, 0.0))
    assert straight == pytest.approx(float(reflectance_at(PANE.transmittance, wavelength_nm)) ** 2 * behind)
    # the share mirrored is level to the fifth digit near the normal: it first dips by less than that
    assert 0 <= float(behind_glass(pane, wavelength_nm, angle)) <= straight * (1 + 1e-4)


def test_a_usual_room_lies_behind_glass_unless_told():
    # a fifth, common practice, no source; through 80 % twice [C]
    assert float(behind_glass(PANE, 905, 0.0)) == pytest.approx(0.8**2 * 0.2)


def test_less_is_seen_behind_glass_off_the_normal():
    # n = 1.51 at 60 deg: sin^2(i - t) / sin^2(i + t) = 0.1800 and tan^2 / tan^2 = 0.0017, a face mirrors 0.0908, the
    # pane 0.1666; straight on 0.0793: (0.8334 / 0.9207)^2 = 0.8194 [C]
    ratio = float(behind_glass(PANE, 905, math.radians(60)) / behind_glass(PANE, 905, 0.0))
    assert ratio == pytest.approx(0.8194, abs=1e-4)


def test_nothing_is_seen_behind_glass_at_grazing_nor_behind_a_wall():
    assert float(behind_glass(PANE, 905, math.pi / 2)) == pytest.approx(0, abs=1e-9)
    with pytest.raises(ValueError, match="kind diffuse is not looked through"):
        behind_glass(ASPHALT, 905, 0.0)


def test_past_its_mirror_lobe_glass_returns_itself_and_what_lies_behind():
    # 0.01 of the pane, 0.8 x 0.8 x 0.2 of the room; a film of 0.2 mm leaves 0.653 at 1550 nm of both [C]
    angle = math.radians(10)
    assert float(reflectance_factor(PANE, 905, angle)) == pytest.approx(0.01 + 0.128, abs=1e-4)
    dry, wet = (float(reflectance_factor(replace(PANE, soaks=False), 1550, angle, wet=wet)) for wet in (False, True))
    assert wet / dry == pytest.approx(0.6534, abs=1e-4)


@pytest.mark.parametrize("surface", [replace(PANE, behind=0.0), SHEET], ids=["glass", "metal"])
def test_mirrors_shine_near_normal_only(surface):
    factor = reflectance_factor(surface, 905, np.radians([0, 1, 15, 45]))
    assert factor[0] > 10
    assert (np.diff(factor) <= 0).all()
    assert factor[2:] == pytest.approx(surface.reflectance[0], abs=1e-6)


def test_lobes_stand_on_what_each_kind_mirrors():
    # both faces of glass, n = 1.51: 2 x .041285 / 1.041285 [C]; what the class says of metal
    pane, sheet = (float(reflectance_factor(surface, 905, 0.0)) for surface in (PANE, SHEET))
    assert pane == pytest.approx(0.01 + 0.079297 / (4 * 1e-5), rel=1e-4)
    assert sheet == pytest.approx(0.05 + 0.85 / (4 * 0.001))


def test_open_water_off_nadir_returns_what_leaves_the_water():
    # 6S, lake water: 0.016 at 905 nm, none beyond about 0.99 um [R]
    assert reflectance_factor(LAKE, AT_NM, math.radians(40), wind_mps=5) == pytest.approx([0.016, 0, 0], abs=1e-6)


def test_wind_dims_the_water_at_nadir_and_spreads_its_light():
    calm, windy = (reflectance_factor(LAKE, 1064, np.radians([0, 20]), wind_mps=wind) for wind in (2, 12))
    assert calm[0] > windy[0]
    assert calm[1] < windy[1]


def test_a_class_with_facets_of_its_own_does_not_hear_the_wind():
    film = Surface(kind="water", reflectance=(0.1, 0.08, 0.0), facet_variance=0.003)
    angles = np.radians([0, 5, 10])
    assert (reflectance_factor(film, 905, angles) == reflectance_factor(film, 905, angles, wind_mps=9)).all()


def test_a_matt_surface_is_the_same_from_every_side_and_shapes_broadcast():
    factor = reflectance_factor(ASPHALT, np.array([905.0, 1550.0])[:, None], np.radians([0, 30, 60]))
    assert factor.tolist() == [[0.111] * 3, [0.141] * 3]
    factor[0, 0] = 0  # a whole array of its own, not a view of one number
    assert factor[0, 1] == 0.111
    for surface in (ASPHALT, LAKE, PANE, SHEET):
        assert reflectance_factor(surface, np.full((4, 1), 905.0), np.zeros((1, 3))).shape == (4, 3)
        assert reflectance_factor(surface, 905, 0.0).shape == ()


@given(SHARE, WAVELENGTH, ANGLE, st.booleans(), st.floats(0, 10))
def test_a_matt_surface_returns_a_share(share, wavelength_nm, angle, wet, film_mm):
    surface = Surface(reflectance=(share,) * 3)
    assert 0 <= float(reflectance_factor(surface, wavelength_nm, angle, wet=wet, film_mm=film_mm)) <= 1


def test_frost_lies_on_the_ground_and_not_on_water():
    assert covered(ASPHALT, HOAR_FROST) is HOAR_FROST
    assert covered(LAKE, HOAR_FROST) is LAKE


def test_one_number_holds_at_every_wavelength():
    assert Surface(reflectance=0.06).reflectance == (0.06, 0.06, 0.06)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"reflectance": 35}, r"E33 reflectance 35 is above 1.*\n.*35 % is 0\.35"),
        ({"reflectance": (0.2, 25, 0.3)}, r"E33 reflectance 25 is above 1"),
        ({"reflectance": -0.1}, r"E33 reflectance -0\.1 is not a share"),
        ({"reflectance": math.nan}, r"E33 reflectance nan is not a share"),
        ({"reflectance": 0.2, "high": 40}, r"E33 high 40 is above 1"),
        ({"reflectance": (0.2, 0.3, 0.4), "low": (0.1, 0.31, 0.1)}, r"0\.3 at 1064 nm lies outside low 0\.31 to high"),
        ({"reflectance": 0.2, "mirror": 0.5}, r"mirror is none of kind diffuse"),
        ({"reflectance": 0.2, "kind": "metal", "mirror": 0.5}, r"kind metal needs facet_variance"),
        ({"reflectance": 0.2, "kind": "glass", "facet_variance": 1e-5}, r"kind glass needs transmittance"),
        ({"reflectance": 0.2, "kind": "water", "transmittance": 0.5}, r"transmittance is none of kind water"),
        ({"reflectance": 0.2, "behind": 0.5}, r"behind is none of kind diffuse"),
        ({"reflectance": 0.2, "behind": 20}, r"E33 behind 20 is above 1"),
        ({"reflectance": (0.1, 0.2)}, r"reflectance\.2"),
        ({"reflectance": True}, r"reflectance"),
        ({"reflectance": 0.2, "kind": "metal", "mirror": 0.5, "facet_variance": 0.4}, r"facet_variance"),
        ({"reflectance": 0.2, "wet_film_mm": -1}, r"wet_film_mm"),
        ({"reflectance": 0.2, "colour": "red"}, r"colour"),
    ],
)
def test_a_surface_that_cannot_be_is_refused(values, message):
    with pytest.raises(ValidationError, match=message):
        Surface(**values)
