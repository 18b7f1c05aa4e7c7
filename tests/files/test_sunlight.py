"""The bundled spectrum, against another library's copy of the same standard."""

import numpy as np
import pytest
from pvlib.spectrum import get_reference_spectra

from planner.files.sunlight import read_solar_spectrum


@pytest.fixture(scope="module")
def spectrum():
    return read_solar_spectrum()


def test_every_row_is_that_of_the_standard(spectrum):
    theirs = get_reference_spectra(standard="ASTM G173-03").loc[spectrum.wavelength_nm]
    for ours, name in (("extraterrestrial",) * 2, ("global_tilted", "global"), ("direct",) * 2):
        np.testing.assert_allclose(getattr(spectrum, ours), theirs[name], rtol=1e-4)


def test_it_holds_every_wavelength_a_card_may_state(spectrum):
    assert spectrum.wavelength_nm[0] < 400
    assert spectrum.wavelength_nm[-1] == 4000
    assert set(np.diff(spectrum.wavelength_nm)) <= {1, 2, 3, 5}


# R: ASTM G173-03 [W / (m2 nm)] at nm: extraterrestrial, global, direct
@pytest.mark.parametrize(
    ("nm", "above", "tilted", "direct"),
    [
        (785, 1.1874, 1.1586, 1.0649),
        (850, 0.9100, 0.8937, 0.8290),
        (903, 0.9223, 0.6889, 0.6448),
        (904, 0.9210, 0.8446, 0.7886),
        (905, 0.9180, 0.8171, 0.7634),
        (940, 0.8400, 0.4718, 0.4441),
        (1030, 0.6921, 0.6905, 0.6509),
        (1064, 0.6462, 0.6320, 0.5972),
        (1535, 0.2775, 0.2669, 0.2592),
        (1550, 0.2696, 0.2699, 0.2623),
    ],
)
def test_known_rows(spectrum, nm, above, tilted, direct):
    row = int(np.flatnonzero(spectrum.wavelength_nm == nm)[0])
    found = [column[row] for column in (spectrum.extraterrestrial, spectrum.global_tilted, spectrum.direct)]
    assert found == pytest.approx([above, tilted, direct], abs=6e-5)
