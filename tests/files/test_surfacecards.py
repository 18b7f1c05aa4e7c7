"""The classes of surfaces: against the measured spectra they stand for, and what is wrong with a declared one.

Marks: R read in the source, M from memory of it, C computed from stated inputs.
"""

import numpy as np
import pytest

from planner.cover import AT_NM, Surface
from planner.errors import InputError
from planner.files.cards import DATA, read_declared
from planner.files.surfacecards import bundled_surfaces, declared_surfaces, surface_classes, surface_named
from planner.ranging.reflectance import matt_reflectance, reflectance_factor

SURFACES = bundled_surfaces()

# 10th, 50th and 90th percentile at 905, then 1064, then 1550 nm [R from the data, C]: spectra of earthlib 1.1.0
# (soils of ICRAF-ISRIC, urban field spectra of Santa Barbara, burnt ground); the canopies are simulated.
MEASURED = {
    "asphalt road": (0.067, 0.111, 0.160, 0.073, 0.114, 0.170, 0.099, 0.141, 0.200),
    "sealed road": (0.058, 0.062, 0.068, 0.057, 0.062, 0.069, 0.059, 0.063, 0.071),
    "concrete road": (0.166, 0.264, 0.321, 0.171, 0.276, 0.322, 0.200, 0.321, 0.357),
    "parking": (0.079, 0.093, 0.111, 0.079, 0.097, 0.116, 0.080, 0.102, 0.137),
    "dark parking": (0.054, 0.062, 0.125, 0.056, 0.062, 0.132, 0.061, 0.066, 0.139),
    "asphalt roof": (0.046, 0.081, 0.098, 0.052, 0.104, 0.120, 0.074, 0.121, 0.161),
    "pavement": (0.263, 0.337, 0.396, 0.271, 0.346, 0.397, 0.313, 0.389, 0.450),
    "bridge": (0.164, 0.206, 0.253, 0.164, 0.203, 0.245, 0.173, 0.219, 0.238),
    "shingle": (0.069, 0.166, 0.234, 0.068, 0.162, 0.230, 0.067, 0.151, 0.216),
    "concrete tile": (0.081, 0.112, 0.146, 0.080, 0.110, 0.144, 0.077, 0.111, 0.147),
    "clay tile": (0.234, 0.255, 0.338, 0.313, 0.391, 0.527, 0.425, 0.528, 0.687),
    "metal": (0.084, 0.191, 0.333, 0.085, 0.184, 0.328, 0.085, 0.269, 0.335),
    "paint": (0.137, 0.314, 0.513, 0.133, 0.323, 0.531, 0.127, 0.318, 0.504),
    "gravel roof": (0.119, 0.178, 0.190, 0.120, 0.204, 0.214, 0.121, 0.198, 0.272),
    "dark gravel": (0.027, 0.028, 0.039, 0.033, 0.034, 0.046, 0.064, 0.065, 0.081),
    "light gravel": (0.398, 0.411, 0.424, 0.405, 0.418, 0.432, 0.424, 0.431, 0.443),
    "sand": (0.295, 0.300, 0.310, 0.304, 0.311, 0.319, 0.363, 0.370, 0.378),
    "soil in the laboratory": (0.222, 0.365, 0.519, 0.257, 0.408, 0.553, 0.294, 0.472, 0.621),
    "soil in the field": (0.213, 0.236, 0.243, 0.229, 0.247, 0.256, 0.275, 0.296, 0.305),
    "litter": (0.187, 0.252, 0.511, 0.233, 0.300, 0.628, 0.209, 0.314, 0.476),
    "bark": (0.270, 0.370, 0.510, 0.323, 0.467, 0.615, 0.408, 0.458, 0.509),
    "char": (0.027, 0.084, 0.201, 0.039, 0.116, 0.229, 0.086, 0.177, 0.289),
    "canopy": (0.355, 0.445, 0.549, 0.360, 0.445, 0.544, 0.077, 0.130, 0.252),
}

STANDS_FOR = {
    "asphalt_old": "asphalt road",
    "asphalt_new": "sealed road",
    "concrete_road": "concrete road",
    "asphalt_parking": "parking",
    "tar_roof": "asphalt roof",
    "concrete": "pavement",
    "bridge_deck": "bridge",
    "shingle_roof": "shingle",
    "tile_roof_concrete": "concrete tile",
    "tile_roof_clay": "clay tile",
    "painted_metal": "metal",
    "metal_roof": "metal",
    "road_marking": "paint",
    "white_paint": "paint",
    "gravel_roof": "gravel roof",
    "gravel_dark": "dark gravel",
    "gravel_light": "light gravel",
    "sand_dry": "sand",
    "bare_soil_pale": "soil in the laboratory",
    "bare_soil_dry": "soil in the field",
    "grass_dry": "litter",
    "stubble": "litter",
    "leaf_litter": "litter",
    "leafless_wood": "bark",
    "burnt_ground": "char",
    "grass_green": "canopy",
    "crops_green": "canopy",
    "tall_crop": "canopy",
    "broadleaf_dense": "canopy",
    "broadleaf_open": "canopy",
    "orchard": "canopy",
    "mixed_wood": "canopy",
    "conifer_dense": "canopy",
    "conifer_open": "canopy",
    "scrub": "canopy",
}


def read(tmp_path, text):
    (tmp_path / "job.toml").write_text(text, encoding="utf-8")
    declared = read_declared(tmp_path / "job.toml", "job.toml")
    return declared_surfaces(declared, ("cover", "surfaces"), declared.tables["cover"]["surfaces"], ("E33", "E34"))


@pytest.mark.parametrize("name", STANDS_FOR)
def test_a_class_lies_among_the_spectra_it_stands_for(name):
    spread = np.reshape(MEASURED[STANDS_FOR[name]], (3, 3))
    assert (spread[:, 0] <= SURFACES[name].reflectance).all()
    assert (spread[:, 2] >= SURFACES[name].reflectance).all()


@pytest.mark.parametrize(
    ("name", "factor"),
    [
        # Laser table at about 900 nm, Wehr and Lohr 1999, ISPRS J. 54:68-82 [M]
        ("snow_new", (0.80, 0.93)),
        ("white_masonry", (0.85, 0.85)),
        ("limestone", (0.0, 0.75)),
        ("lava", (0.08, 0.08)),
        ("rubber_roof", (0.05, 0.05)),
        # Orders of magnitude of dark matter [M]
        ("coal", (0.03, 0.08)),
        ("tyre_rubber", (0.02, 0.05)),
        ("black_paint", (0.03, 0.05)),
        # 6S built-in surfaces [R]: sand, lake and clear water at 905 nm
        ("sand_dry", (0.288, 0.308)),
        ("water_open", (0.016, 0.016)),
        ("water_clear", (0.0, 0.0)),
    ],
)
def test_a_class_agrees_with_older_tables_at_905_nm(name, factor):
    assert factor[0] <= SURFACES[name].reflectance[0] <= factor[1]


@pytest.mark.parametrize(
    ("name", "within"),
    [
        # Wehr and Lohr 1999 at about 900 nm [M]; measured and simulated spectra win, these stay inside the spread
        ("broadleaf_dense", (0.60,)),
        ("conifer_dense", (0.30,)),
        ("snow_old", (0.80,)),
        ("sand_wet", (0.41,)),
        ("concrete_road", (0.24,)),
        ("timber", (0.25,)),
        # 6S built-in sand [R]
        ("sand_dry", (0.298, 0.317, 0.377)),
        # dry soil of prosail 2.0.5 [R]; PROSPECT-D needle and dry leaf [C]
        ("bare_soil_pale", (0.4267, 0.4653, 0.5077)),
        ("conifer_dense", (0.4434, 0.4384, 0.2045)),
        ("grass_dry", (0.4886, 0.5063, 0.4214)),
    ],
)
def test_other_tables_lie_within_the_spread(name, within):
    surface = SURFACES[name]
    for low, value, high in zip(surface.low, within, surface.high, strict=False):
        assert low <= value <= high


def test_the_spread_of_snow_is_that_of_its_grains():
    # two-stream model, 30 and 4 m2/kg [C]
    assert SURFACES["snow_new"].low == SURFACES["snow_old"].high == (0.863, 0.754, 0.077)
    assert SURFACES["snow_old"].low == (0.671, 0.471, 0.039)


@pytest.mark.parametrize(
    ("name", "shares"),
    [
        # Two-stream snow of 60 and 10 m2/kg [C]
        ("snow_new", (0.901, 0.818, 0.130)),
        ("snow_old", (0.776, 0.616, 0.043)),
        # Wet soil of prosail 2.0.5 [R]
        ("mud", (0.0801, 0.1129, 0.1405)),
        # PROSPECT-D leaves, broad and grass [C]
        ("broadleaf_open", (0.4408, 0.4354, 0.2308)),
        ("grass_green", (0.4213, 0.4159, 0.2390)),
    ],
)
def test_a_class_agrees_with_its_model(name, shares):
    assert SURFACES[name].reflectance == pytest.approx(shares, abs=6e-4)


def test_fresh_snow_is_brighter_than_old_and_both_are_near_loss_at_1550_nm():
    # 4 to 13 % at 1550 nm, two-stream model [C]; ageing tells most in the near infrared (O'Brien and Munis 1975 [R])
    new, old = (np.array(SURFACES[name].reflectance) for name in ("snow_new", "snow_old"))
    assert (new > old).all()
    assert 0.04 <= old[2] < new[2] <= 0.13
    assert old[2] / new[2] < old[0] / new[0]


def test_wet_sand_is_dry_sand_wetted():
    wet = matt_reflectance(SURFACES["sand_dry"], AT_NM, wet=True)
    assert SURFACES["sand_wet"].reflectance == pytest.approx(wet, abs=1e-3)


def test_wet_soil_loses_most_at_1550_nm():
    # saturated over dry: .4 to .6 in the near, .2 to .4 in the short-wave infrared (Lobell and Asner 2002) [M];
    # Angstrom's law alone keeps up to .72 [C], so only the short-wave ratio is held to theirs
    soil = SURFACES["bare_soil_dry"]
    ratio = matt_reflectance(soil, AT_NM, wet=True) / soil.reflectance
    assert 0.58 <= ratio[0] <= 0.72
    assert 0.2 <= ratio[2] <= 0.4


@pytest.mark.parametrize("name", SURFACES)
def test_every_class_is_whole(name):
    surface = SURFACES[name]
    assert surface.low is not None
    assert surface.high is not None
    assert surface.mark != "given"
    assert surface.source or surface.mark == "common practice, no source"
    angles = np.radians(np.linspace(0, 90, 31))
    for wet in (False, True):
        factor = reflectance_factor(surface, np.linspace(900, 1600, 15)[:, None], angles, wet=wet, wind_mps=4)
        assert np.isfinite(factor).all()
        assert (factor >= 0).all()
        assert (factor[:, -1] <= 1).all()
        assert surface.kind != "diffuse" or (factor <= 1).all()
    assert (matt_reflectance(surface, AT_NM, wet=True) <= surface.reflectance).all()


def test_all_kinds_and_some_forty_classes_are_there():
    assert len(SURFACES) >= 40
    assert {surface.kind for surface in SURFACES.values()} == {"diffuse", "water", "glass", "metal"}


def test_every_crown_is_also_a_surface():
    crowns = read_declared(DATA / "canopy.toml").tables
    assert not crowns.keys() - SURFACES.keys()


def test_own_classes_replace_bundled_ones_and_come_last(tmp_path):
    own, faults = read(
        tmp_path,
        "[cover.surfaces.tar_roof]\nreflectance = 0.06\n[cover.surfaces.moss]\nreflectance = 0.3\n",
    )
    assert not faults
    classes = surface_classes(own)
    assert classes["tar_roof"] == Surface(reflectance=(0.06,) * 3)
    assert classes["moss"].mark == "given"
    assert list(classes)[-1] == "moss"
    assert SURFACES["tar_roof"].reflectance[0] == 0.081
    assert surface_classes({}) == SURFACES


def test_an_unknown_class_is_refused_with_the_nearest_names():
    with pytest.raises(InputError, match=r'E18 cover\.geojson: "asfalt_old" is no surface class') as caught:
        surface_named("asfalt_old", SURFACES, "cover.geojson")
    assert 'did you mean "asphalt_old"' in caught.value.faults[0].fix
    for word, fix in (
        ("Slate Rof", 'did you mean "slate_roof" or "'),
        ("water", 'did you mean "water_open" or "water_clear"? add'),
        ("road", 'did you mean "concrete_road" or "road_marking"? add'),
    ):
        with pytest.raises(InputError, match=word) as caught:
            surface_named(word, SURFACES, "cover.geojson")
        assert caught.value.faults[0].fix.startswith(fix)
    with pytest.raises(InputError, match="zzz") as caught:
        surface_named("zzz", SURFACES, "cover.default")
    assert "surface classes: bare_soil_dry, " in caught.value.faults[0].fix
    assert surface_named("ice", SURFACES, "") is SURFACES["ice"]


def test_every_fault_of_own_classes_is_told_at_its_line(tmp_path):
    text = """[cover.surfaces]
moss = 0.3
[cover.surfaces.roof]
reflectance = 35
[cover.surfaces.wall]
reflectance = [0.2, -0.1, 0.3]
[cover.surfaces.pool]
kind = "watre"
reflectance = 0.0
[cover.surfaces.yard]
reflectence = 0.3
[cover.surfaces.fence]
kind = "metal"
reflectance = 0.3
[cover.surfaces.shed]
reflectance = nan
[cover.surfaces.pond]
kind = "water"
reflectance = 0.0
"""
    surfaces, faults = read(tmp_path, text)
    assert list(surfaces) == ["pond"]
    told = [(fault.code, fault.where) for fault in faults]
    assert told == [
        ("E18", "job.toml:2"),
        ("E33", "job.toml:4"),
        ("E33", "job.toml:6"),
        ("E18", "job.toml:8"),
        ("E18", "job.toml:11"),
        ("E18", "job.toml:10"),
        ("E34", "job.toml:13"),
        ("E33", "job.toml:16"),
    ]
    assert faults[1].what == "reflectance 35 is above 1: it is a share, 0-1"
    assert faults[1].fix == "a percentage is divided by 100: 35 % is 0.35"
    assert faults[3].fix == 'did you mean "water"?'
    assert faults[4].fix == "did you mean `reflectance`?"


def test_what_is_no_table_of_classes_is_refused(tmp_path):
    surfaces, [fault] = read(tmp_path, "[cover]\nsurfaces = 3\n")
    assert not surfaces
    assert (fault.code, fault.where) == ("E18", "job.toml:2")
    assert "cover.surfaces" in fault.what
