"""Names of frames and epochs, as declared."""

import pyproj
import pytest
from pydantic import ValidationError

from planner.marks import Marks, frame_codes


@pytest.mark.parametrize(
    ("given", "name"),
    [
        ("ETRF2000", "ETRF2000"),
        ("etrf 2000", "ETRF2000"),
        ("WGS84 (G2139)", "WGS 84 (G2139)"),
        ("nad83(2011)", "NAD83(2011)"),
        ("GDA2020", "GDA2020"),
    ],
)
def test_a_frame_is_found_however_it_is_spaced(given, name):
    assert Marks(frame=given).frame == name


def test_the_code_of_a_frame_is_that_of_its_geocentric_system():
    # EPSG 7789 is ITRF2014, 7930 ETRF2000, 6317 NAD83(2011), all geocentric (R, EPSG registry)
    assert [frame_codes()[name] for name in ("ITRF2014", "ETRF2000", "NAD83(2011)")] == [7789, 7930, 6317]
    assert pyproj.CRS.from_epsg(frame_codes()["ITRF2020"]).is_geocentric


@pytest.mark.parametrize(
    ("given", "near"),
    [("ITFR2014", "ITRF2014"), ("NAD83 2011", r"NAD83\(2011\)"), ("ETRF 20000", "ETRF2000"), ("???", "ITRF2014")],
)
def test_an_unknown_frame_is_refused_with_near_names(given, near):
    with pytest.raises(ValidationError, match=rf"is no geodetic frame of the EPSG registry\n.*{near}"):
        Marks(frame=given)


@pytest.mark.parametrize(("epoch", "limit"), [(1979.9, "equal to 1980"), (2100.5, "equal to 2100"), (10.0, "1980")])
def test_an_epoch_is_a_year(epoch, limit):
    with pytest.raises(ValidationError, match=rf"epoch(.|\n)*{limit}"):
        Marks(frame="ITRF2014", epoch=epoch)


def test_an_epoch_belongs_to_a_frame():
    with pytest.raises(ValidationError, match=r"epoch 2010 of no frame\nname the frame as well"):
        Marks(epoch=2010.0)
    assert Marks() == Marks(frame=None, epoch=None)
