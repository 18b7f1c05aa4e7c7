"""Limits of exposure against published tables, chart readings and each other.

Marks: [R] read in the source, [M] from memory of it, [C] computed from the formula shown. Rows of IEC 60825-1:2014
rest on memory, so what is checked of them is arithmetic and consistency, and one chart that was read.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.safety import exposurelimits as limits
from planner.safety.exposurelimits import RULES

LAW = settings(deadline=None, max_examples=80)
WAVELENGTHS = st.sampled_from(
    [400.0, 488.0, 532.0, 650.0, 808.0, 905.0, 1030.0, 1064.0, 1180.0, 1310.0, 1450.0, 1550.0]
)
AREA_7_MM = math.pi / 4 * 7e-3**2


def optical_density(exposure, limit):
    return math.log10(exposure / limit)


@pytest.mark.parametrize("pulse_s", [1.01e-9, 5e-9, 1e-8])
@pytest.mark.parametrize(
    ("nm", "iec_j_m2", "eu_j_m2", "class_1_j", "class_1_w", "group_s", "aperture_mm"),
    # IEC 60825-1:2014 tables 2, 3, A.1 [M]; Directive 2006/25/EC table 2.2 [R]; numbers [C]
    [
        (905, 5.140792e-3, 1.285198e-2, 1.979205e-7, 1.002454e-3, 5e-6, 7),
        (1064, 2.0e-2, 5.0e-2, 7.70e-7, 1.95e-3, 1.3e-5, 7),
        (1535, 1.0e4, 1.0e4, 8.0e-3, 1.0e-2, 10, 1),
        (1550, 1.0e4, 1.0e4, 8.0e-3, 1.0e-2, 10, 1),
    ],
)
def test_limits_of_one_pulse(pulse_s, nm, iec_j_m2, eu_j_m2, class_1_j, class_1_w, group_s, aperture_mm):
    assert limits.eye_limit_j_m2(nm, pulse_s, "iec2014") == pytest.approx(iec_j_m2, rel=1e-6)
    assert limits.eye_limit_j_m2(nm, pulse_s, "eu2006") == pytest.approx(eu_j_m2, rel=1e-6)
    assert limits.class_1_limit_j(nm, pulse_s) == pytest.approx(class_1_j, rel=1e-6)
    assert limits.class_1_limit_j(nm, 100) / 100 == pytest.approx(class_1_w, rel=1e-6)
    assert limits.grouping_s(nm, "iec2014") == group_s
    assert limits.limiting_aperture_m(nm, pulse_s, "iec2014") == pytest.approx(aperture_mm * 1e-3)


@pytest.mark.parametrize(
    ("nm", "duration_s", "rules", "j_cm2", "rel"),
    [
        # 488 nm, 0.25 s: 0.64 mJ/cm2, university sample calculation, AS/NZS IEC 60825.1:2011 [R]
        (488, 0.25, "eu2006", 0.64e-3, 0.006),
        (488, 0.25, "iec2014", 0.64e-3, 0.006),
        # 0.25 s visible: 6.36e-4 J/cm2, ANSI Z136.1 table 5 as quoted on a health physics list [R]
        (633, 0.25, "eu2006", 6.36e-4, 0.001),
        # 1064 nm, 1 ns, 5 ns: 5e-6 J/cm2; 500 ps: 3e-6 J/cm2, laser safety course text, pp. 111 and 147 [R]
        (1064, 1e-9, "eu2006", 5e-6, 1e-6),
        (1064, 5e-9, "eu2006", 5e-6, 1e-6),
        (1064, 5e-10, "eu2006", 3e-6, 0.05),
        # 1064 nm, 80 ns: 5e-6 J/cm2, university sample sheet [M]
        (1064, 8e-8, "eu2006", 5e-6, 1e-6),
        # 1064 nm, 3 ns: 2e-6 J/cm2, a public reading of the chart of IEC 60825-1 [R]
        (1064, 3e-9, "iec2014", 2e-6, 1e-6),
    ],
)
def test_published_limits(nm, duration_s, rules, j_cm2, rel):
    assert limits.eye_limit_j_m2(nm, duration_s, rules) / 1e4 == pytest.approx(j_cm2, rel=rel)


def test_published_irradiances_and_optical_densities():
    # 2.55 mW/cm2 for 0.25 s and OD 3.2 against 3.8 W/cm2, university sample calculation [R]
    w_cm2 = float(limits.eye_limit_j_m2(488, 0.25, "eu2006")) / 0.25 / 1e4
    assert w_cm2 == pytest.approx(2.55e-3, rel=0.002)
    assert optical_density(3.8, w_cm2) == pytest.approx(3.2, abs=0.03)
    # 12.5 J/cm2 at 1064 nm, 1 ns: OD 6.4, laser safety course text p. 111 [R]; by IEC 60825-1:2014 6.80 [C]
    assert optical_density(12.5e4, float(limits.eye_limit_j_m2(1064, 1e-9, "eu2006"))) == pytest.approx(6.4, abs=0.005)
    assert optical_density(12.5e4, float(limits.eye_limit_j_m2(1064, 1e-9, "iec2014"))) == pytest.approx(6.8, abs=0.005)


def test_classic_limits_of_irradiance():
    # ANSI Z136.1 appendix B [M]: Nd:YAG 10 s 5.1e-3 W/cm2, 8 h 1.6e-3 (with CA = 5: 50 W/m2 now), CO2 0.1 W/cm2
    assert limits.eye_limit_j_m2(1064, 10, "eu2006") / 10 == pytest.approx(51, rel=0.01)
    assert limits.eye_limit_j_m2(1064, 3e4, "eu2006") / 3e4 == pytest.approx(50)
    assert limits.eye_limit_j_m2(3900, 100, "eu2006") / 100 == pytest.approx(1000)


@pytest.mark.parametrize(("nm", "factor"), [(690, 1), (700, 1), (905, 2.570396), (1050, 5), (1064, 5), (1399, 5)])
def test_c4(nm, factor):
    # Directive 2006/25/EC table 2.5 [R], numbers [C]
    assert limits.c4(nm) == pytest.approx(factor, rel=1e-6)


@pytest.mark.parametrize(
    ("nm", "iec", "eu"),
    # IEC 60825-1:2014 [M], directive [R], numbers [C]; at 1200 nm IEC steps from 7.943 to 8.01
    [(1150, 1, 1), (1199.999, 7.943, 7.943), (1200, 8.01, 8), (1250, 9, 8), (1310, 259.2, 8), (1400, 1.000008e6, 8)],
)
def test_c7(nm, iec, eu):
    assert limits.c7(nm, "iec2014") == pytest.approx(iec, rel=3e-4)
    assert limits.c7(nm, "eu2006") == pytest.approx(eu, rel=3e-4)


@pytest.mark.parametrize(
    ("mrad", "duration_s", "iec", "eu"),
    # IEC stops at 5 mrad below 625 us, 200 sqrt(t), 100 mrad from 0.25 s [M]; a / 1.5, a^2 / 150 over 100 mrad [R]
    [
        (0.5, 10, 1, 1),
        (1.5, 10, 1, 1),
        (3, 1e-9, 2, 2),
        (30, 1e-9, 5 / 1.5, 20),
        (30, 0.01, 20 / 1.5, 20),
        (30, 10, 20, 20),
        (200, 10, 100 / 1.5, 200**2 / 150),
    ],
)
def test_c6_of_extended_sources(mrad, duration_s, iec, eu):
    assert limits.c6(mrad, duration_s, "iec2014") == pytest.approx(iec)
    assert limits.c6(mrad, duration_s, "eu2006") == pytest.approx(eu)
    for rules, factor in (("iec2014", iec), ("eu2006", eu)):
        point, skin = limits.eye_limit_j_m2(905, duration_s, rules), limits.skin_limit_j_m2(905, duration_s)
        assert limits.eye_limit_j_m2(905, duration_s, rules, mrad) == pytest.approx(min(factor * point, skin))


def test_t2_runs_from_10_to_100_s():
    # Directive 2006/25/EC table 2.5 [R]
    assert [limits.t2_s(mrad) for mrad in (0.1, 1.5, 100, 500)] == pytest.approx([10, 10, 100, 100])
    assert limits.t2_s(50.75) == pytest.approx(10 * 10**0.5)


@pytest.mark.parametrize(
    ("nm", "iec_s", "eu_s"),
    # Ti: IEC 60825-1:2014 table 2 [M]; Tmin: Directive 2006/25/EC table 2.6 [R]
    [
        (532, 5e-6, 18e-6),
        (1049, 5e-6, 18e-6),
        (1050, 13e-6, 50e-6),
        (1450, 1e-3, 1e-3),
        (1500, 10, 10),
        (1799, 10, 10),
        (1800, 1e-3, 1e-3),
        (2600, 1e-7, 1e-7),
    ],
)
def test_grouping_times(nm, iec_s, eu_s):
    assert limits.grouping_s(nm, "iec2014") == iec_s
    assert limits.grouping_s(nm, "eu2006") == eu_s


@pytest.mark.parametrize(
    ("duration_s", "mm"),
    # 1 mm, 1.5 t^0.375 mm, 3.5 mm: directive [R] (10 s: [M]), numbers [C]
    [(1e-9, 1), (0.3, 1), (1, 1.5), (5, 2.743), (9.999, 3.557), (10, 3.5), (100, 3.5)],
)
def test_apertures_past_1400_nm(duration_s, mm):
    for rules in RULES:
        assert limits.limiting_aperture_m(1550, duration_s, rules) == pytest.approx(mm * 1e-3, rel=3e-4)
        assert limits.limiting_aperture_m(905, duration_s, rules) == 7e-3


def test_the_aperture_bends_at_035_s_by_iec_and_at_03_s_by_the_directive():
    assert limits.limiting_aperture_m(1550, 0.34, "iec2014") == 1e-3
    assert limits.limiting_aperture_m(1550, 0.34, "eu2006") == pytest.approx(1.5e-3 * 0.34**0.375)
    assert limits.limiting_aperture_m(1550, 0.350001, "iec2014") == pytest.approx(1.012e-3, rel=2e-4)  # [C]


@pytest.mark.parametrize(
    ("nm", "duration_s", "j"),
    # IEC 60825-1:2014 table 3 [M], numbers [C]
    [
        (1550, 0.1, 8e-3),
        (1550, 0.25, 8e-3),
        (1550, 1, 18e-3),
        (1550, 10, 101.2e-3),
        (905, 0.25, 0.25 * 2.545e-3),
        (905, 1, 1.799e-3),
        (905, 10, 10 * 1.012e-3),
        (1064, 0.25, 0.25 * 4.950e-3),
        (1064, 1, 3.5e-3),
        (1064, 10, 10 * 1.968e-3),
        (1450, 1e-3, 8e-4),
        (1450, 5, 5e-2),
        (2100, 5, 5e-2),
        (3000, 5e-8, 8e-5),
    ],
)
def test_class_1_over_time(nm, duration_s, j):
    assert limits.class_1_limit_j(nm, duration_s) == pytest.approx(j, rel=4e-4)


@pytest.mark.parametrize("nm", [532, 905, 1064, 1180])
@pytest.mark.parametrize("duration_s", [5e-9, 1e-3, 0.25, 10, 100])
def test_class_1_is_the_eye_limit_through_7_mm(nm, duration_s):
    # One is made from the other; rounding of the tables, 2 % [C].
    through = float(limits.eye_limit_j_m2(nm, duration_s, "iec2014")) * AREA_7_MM
    assert through == pytest.approx(float(limits.class_1_limit_j(nm, duration_s)), rel=0.02)


@pytest.mark.parametrize("duration_s", [5e-9, 0.1, 1, 5, 9.999, 100])
def test_class_1_is_the_eye_limit_through_small_apertures_past_1400_nm(duration_s):
    through = limits.eye_limit_j_m2(1550, duration_s, "iec2014") * np.pi / 4
    through *= limits.limiting_aperture_m(1550, duration_s, "iec2014") ** 2
    assert through == pytest.approx(float(limits.class_1_limit_j(1550, duration_s)), rel=0.04)


@pytest.mark.parametrize(("nm", "rules"), [(nm, rules) for nm in (532, 905, 1064, 1450, 1550, 3000) for rules in RULES])
def test_tables_join_up_to_their_rounding(nm, rules):
    # 18 (5e-6)^0.75 = 1.903e-3 for 2e-3, 90 (13e-6)^0.75 = 1.948e-2 for 2e-2 [C]; the directive's 90 (50e-6)^0.75 is
    # 7 % over its 5e-2, 5600 (1e-7)^0.25 = 99.6 for 100, and the joint at 10 s is 1.3 % wide.
    for joint in (1e-9, limits.grouping_s(nm, rules), 1e-3, 10.0):
        below, above = (float(limits.eye_limit_j_m2(nm, joint * part, rules)) for part in (1 - 1e-6, 1 + 1e-6))
        assert above == pytest.approx(below, rel=0.05 if rules == "iec2014" else 0.075)


def test_skin_limits():
    # Directive 2006/25/EC table 2.4 [R]: 200 CA, 1.1e4 CA t^0.25, 2e3 CA W/m2; past 1400 nm as the eye
    assert limits.skin_limit_j_m2(1064, 5e-9) == pytest.approx(1000)
    assert limits.skin_limit_j_m2(532, 1.0) == pytest.approx(1.1e4)
    assert limits.skin_limit_j_m2(905, 100) == pytest.approx(2e5 * 2.570396)
    assert limits.skin_limit_j_m2(1550, 5e-9) == limits.eye_limit_j_m2(1550, 5e-9, "eu2006")


def test_the_front_of_the_eye_binds_where_the_lens_keeps_light_from_the_retina():
    # C7 of a million at 1400 nm would let pass what burns skin (IEC 60825-1:2014 caps it too [M]).
    assert limits.eye_limit_j_m2(1395, 5e-9, "iec2014") == limits.skin_limit_j_m2(1395, 5e-9)
    assert limits.eye_limit_j_m2(1300, 5e-9, "iec2014") < limits.skin_limit_j_m2(1300, 5e-9)
    assert limits.class_1_limit_j(1395, 5e-9) == pytest.approx(1000 * math.pi / 4 * 3.5e-3**2)


def test_long_looks_into_blue_light_bleach():
    # 100 C3 J/m2 to 100 s, then C3 W/m2; C3 = 10^(0.02 (wavelength - 450)) [M]
    for rules in RULES:
        assert limits.eye_limit_j_m2(440, 50, rules) == pytest.approx(100)
        assert limits.eye_limit_j_m2(460, 1000, rules) == pytest.approx(1000 * 10**0.2)
        assert limits.eye_limit_j_m2(590, 1000, rules) == pytest.approx(1e4)
    assert limits.class_1_limit_j(440, 50) == pytest.approx(3.9e-3)
    assert limits.class_1_limit_j(440, 1000) == pytest.approx(3.9e-2)


def test_one_set_is_stricter_for_a_pulse_and_neither_for_all():
    # 905 and 1064 nm: IEC 60825-1:2014 is 2.5 times stricter for one short pulse, equal for long looks [C]
    for nm in (905, 1064):
        iec, eu = (limits.eye_limit_j_m2(nm, np.array([5e-9, 1.0]), rules) for rules in RULES)
        assert eu / iec == pytest.approx([2.5, 1.0])


def test_each_limit_says_whether_it_rests_on_memory():
    assert not limits.from_memory(905, 5e-9, "eu2006")
    assert not limits.from_memory(1550, 1.0, "eu2006")
    assert limits.from_memory(905, 100, "eu2006")
    assert limits.from_memory(532, 5e-10, "eu2006")
    assert all(limits.from_memory(nm, t, "iec2014") for nm in (532, 905, 1550) for t in (5e-9, 1.0, 100))


@pytest.mark.parametrize("nm", [399.9, 4000.1, 90])
def test_other_wavelengths_are_refused(nm):
    for call in (
        lambda: limits.eye_limit_j_m2(nm, 1e-9, "iec2014"),
        lambda: limits.skin_limit_j_m2(nm, 1e-9),
        lambda: limits.class_1_limit_j(nm, 1e-9),
        lambda: limits.grouping_s(nm, "eu2006"),
        lambda: limits.limiting_aperture_m(nm, 1.0, "eu2006"),
        lambda: limits.from_memory(nm, 1.0, "eu2006"),
    ):
        with pytest.raises(ValueError, match=rf"no exposure limit here for {nm:g} nm: tables hold 400 to 4000 nm"):
            call()


@pytest.mark.parametrize("duration_s", [1e-12, 4e4])
def test_other_durations_are_refused(duration_s):
    with pytest.raises(ValueError, match=r"no exposure limit here for .* s and the like: tables hold 1e-11 to 3e4 s"):
        limits.eye_limit_j_m2(905, duration_s, "iec2014")


@LAW
@given(WAVELENGTHS, st.floats(-11, 4.4), st.floats(0, 2), st.sampled_from(RULES))
def test_longer_light_may_bring_more_energy_and_no_more_power(nm, log_s, longer, rules):
    short, long = 10**log_s, min(10 ** (log_s + longer), 3e4)
    first, then = limits.eye_limit_j_m2(nm, np.array([short, long]), rules)
    assert then >= first * 0.92  # tables are rounded
    assert then / long <= first / short * 1.08


@LAW
@given(WAVELENGTHS, st.floats(-11, 4.4), st.floats(1.5, 400), st.sampled_from(RULES))
def test_a_point_is_the_strictest_source(nm, log_s, mrad, rules):
    assert limits.eye_limit_j_m2(nm, 10**log_s, rules, mrad) >= limits.eye_limit_j_m2(nm, 10**log_s, rules)
