"""Frames against each other: published transformations, plate speeds, and laws."""

import datetime as dt

import numpy as np
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.ground.frames import decimal_year, frame_name, frame_shift, needs_epoch, plate_speed_m_a
from planner.marks import Marks

DAY = dt.date(2027, 1, 1)
BERLIN, KANSAS, CANBERRA = (13.4, 52.5), (-98.0, 39.0), (149.1, -35.3)

# ITRF2014 to ETRF2000 at 2010.0, position vector: shifts [m], scale, rotations [mas], and their rates a year
# (EUREF Technical Note 1, table of ETRF2000; EPSG 8405) (R)
SHIFT, SHIFT_RATE = np.array([0.0547, 0.0522, -0.0741]), np.array([0.0001, 0.0001, -0.0019])
SCALE, SCALE_RATE = 2.12e-9, 0.11e-9
TURN, TURN_RATE = np.array([1.701, 10.290, -16.632]), np.array([0.081, 0.490, -0.792])


def geocentric(lon, lat):
    return np.array(pyproj.Transformer.from_crs(4979, 4978, always_xy=True).transform(lon, lat, 0.0))


def to_etrf2000(place, year):
    """Return a place of ITRF2014 in ETRF2000, by the formula and parameters of the note."""
    since = year - 2010.0
    turn = np.radians((TURN + since * TURN_RATE) / 3.6e6)
    return place + SHIFT + since * SHIFT_RATE + (SCALE + since * SCALE_RATE) * place + np.cross(turn, place)


@pytest.mark.parametrize("year", [1989, 2000, 2010, 2027])
def test_itrf2014_to_etrf2000_is_that_of_euref(year):
    marks = Marks(frame="ITRF2014", epoch=float(year))
    shift = frame_shift(marks, "ETRF2000", dt.date(year, 1, 1), *BERLIN)
    place = geocentric(*BERLIN)
    moved = to_etrf2000(place, float(year)) - place
    assert np.hypot(shift.horizontal_m, shift.up_m) == pytest.approx(np.linalg.norm(moved), abs=1e-4)
    _, _, height_m = pyproj.Transformer.from_crs(4978, 4979, always_xy=True).transform(*(place + moved))
    assert shift.up_m == pytest.approx(height_m, abs=1e-4)


def test_onsala_in_itrf2000_and_itrf93():
    # ITRF2000 at 2017.0 against ITRF93 at 2017.0, test/gie/more_builtins.gie of PROJ, with the parameters of the
    # International Earth Rotation Service (R). Here the way leads over ITRF2014: some centimetres.
    before = np.array([3370658.37800, 711877.31400, 5349787.08600])
    after = np.array([3370658.18890, 711877.42370, 5349787.12430])
    lon, lat, _ = pyproj.Transformer.from_crs(4978, 4979, always_xy=True).transform(*before)
    shift = frame_shift(Marks(frame="ITRF2000", epoch=2017.0), "ITRF93", dt.date(2017, 1, 1), lon, lat)
    assert np.hypot(shift.horizontal_m, shift.up_m) == pytest.approx(np.linalg.norm(after - before), abs=0.03)


def test_itrf2008_and_itrf2014_lie_millimetres_apart():
    # at 2019.5, docs/source/tutorials/EUREF2019/exercises/helmert.gie of PROJ (R)
    before = np.array([2952736.3768, 1360917.6894, 5468849.5615])
    after = np.array([2952736.3744, 1360917.6871, 5468849.5586])
    lon, lat, _ = pyproj.Transformer.from_crs(4978, 4979, always_xy=True).transform(*before)
    shift = frame_shift(Marks(frame="ITRF2008", epoch=2019.5), "ITRF2014", dt.date(2019, 7, 2), lon, lat)
    assert np.hypot(shift.horizontal_m, shift.up_m) == pytest.approx(np.linalg.norm(after - before), abs=5e-4)


def test_eurasia_drifts_by_forty_centimetres_from_2010_to_2027():
    # 2.5 cm a year (M), to the north-east
    assert plate_speed_m_a(*BERLIN) == pytest.approx(0.025, abs=0.002)
    shift = frame_shift(Marks(frame="ITRF2014", epoch=2010.0), "ITRF2014", DAY, *BERLIN)
    assert shift.horizontal_m == pytest.approx(17 * 0.025, abs=0.03)
    assert min(shift.east_m, shift.north_m) > 0.2
    assert abs(shift.up_m) < 0.01


def test_australia_drifts_seven_centimetres_a_year_at_most_and_meets_its_frame_in_2020():
    # GDA2020 is ITRF2014 at 2020.0, fixed to the plate; about 7 cm a year (GDA2020 technical manual, M)
    assert plate_speed_m_a(*CANBERRA) == pytest.approx(0.065, abs=0.01)
    marks = Marks(frame="GDA2020")
    assert frame_shift(marks, "ITRF2014", dt.date(2020, 1, 1), *CANBERRA).most_m == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(("lon", "lat"), [(149.1, -35.3), (130.8, -12.5), (115.9, -32.0)])
def test_the_two_frames_of_australia_lie_as_far_apart_as_their_own_transformation_says(lon, lat):
    # EPSG 8048, a conformal transformation published for this pair; up to 1.8 m (GDA2020 technical manual, M)
    place = geocentric(lon, lat)
    moved = np.array(pyproj.Transformer.from_crs(4938, 7842).transform(*place)) - place
    shift = frame_shift(Marks(frame="GDA94"), "GDA2020", DAY, lon, lat)
    assert np.hypot(shift.horizontal_m, shift.up_m) == pytest.approx(np.linalg.norm(moved), abs=0.05)
    assert 1.4 < shift.horizontal_m < 1.9


def test_nad83_lies_one_to_two_metres_from_what_satellites_give():
    # 1-2 m in the conterminous states (R2)
    for epoch in (None, 2010.0):
        for plan in ("ITRF2014", "WGS 84", "WGS 84 (G2139)"):
            shift = frame_shift(Marks(frame="NAD83(2011)", epoch=epoch), plan, DAY, *KANSAS)
            assert 1.0 < shift.horizontal_m < 2.0
            assert shift.doubt_m == 0.0


def test_etrs89_lies_most_of_a_metre_from_wgs84_by_now_which_a_null_transformation_hides():
    shift = frame_shift(Marks(frame="ETRS89"), "WGS 84", DAY, *BERLIN)
    assert shift.horizontal_m == pytest.approx(38 * 0.025, abs=0.06)  # since 1989 (C)
    assert shift.doubt_m == 0.1  # which of its realisations is meant
    null = pyproj.Transformer.from_crs(4258, 4326, always_xy=True).transform(*BERLIN)
    assert null == pytest.approx(BERLIN, abs=1e-12)


@pytest.mark.parametrize("frame", ["ETRF2000", "ETRS89", "NAD83(2011)", "GDA2020", "DHDN"])
def test_a_frame_fixed_to_its_plate_is_itself_at_any_epoch(frame):
    assert not needs_epoch(frame)
    for epoch in (None, 2010.0):
        assert frame_shift(Marks(frame=frame, epoch=epoch), frame, DAY, *BERLIN).most_m == 0.0


@settings(deadline=None, max_examples=30)
@given(epoch=st.floats(1990.0, 2026.0), lon=st.floats(0.0, 25.0), lat=st.floats(44.0, 60.0), near=st.floats(0.0, 1.0))
def test_marks_as_old_as_the_flight_are_right_and_older_ones_are_farther_off(epoch, lon, lat, near):
    def off_m(year):
        return frame_shift(Marks(frame="ITRF2014", epoch=year), "ITRF2014", DAY, lon, lat).horizontal_m

    assert off_m(decimal_year(DAY)) == pytest.approx(0.0, abs=1e-6)
    later = epoch + near * (2027.0 - epoch)
    assert off_m(later) <= off_m(epoch) + 1e-6
    assert off_m(epoch) == pytest.approx((2027.0 - epoch) * plate_speed_m_a(lon, lat), rel=0.01, abs=1e-4)


@settings(deadline=None, max_examples=30)
@given(lon=st.floats(-10.0, 30.0), lat=st.floats(36.0, 70.0), year=st.integers(1995, 2030))
def test_there_and_back_is_the_same_way(lon, lat, year):
    day = dt.date(year, 1, 1)
    there = frame_shift(Marks(frame="ITRF2020", epoch=float(year)), "ETRF2014", day, lon, lat)
    back = frame_shift(Marks(frame="ETRF2014", epoch=float(year)), "ITRF2020", day, lon, lat)
    assert (there.east_m, there.north_m, there.up_m) == pytest.approx(
        (-back.east_m, -back.north_m, -back.up_m), abs=1e-5
    )


def test_nobody_can_tell_without_frame_without_epoch_or_without_a_way():
    assert frame_shift(Marks(), "WGS 84", DAY, *BERLIN) is None
    assert needs_epoch("ITRF2014")
    assert needs_epoch("WGS 84")
    assert frame_shift(Marks(frame="ITRF2014"), "WGS 84", DAY, *BERLIN) is None
    assert frame_shift(Marks(frame="DHDN"), "WGS 84", DAY, *BERLIN) is None
    assert frame_shift(Marks(frame="ETRF2000"), "no such frame", DAY, *BERLIN) is None


def test_where_no_plate_is_known_the_years_are_a_doubt():
    assert plate_speed_m_a(-160.0, 55.0) is None
    shift = frame_shift(Marks(frame="ITRF2014", epoch=2017.0), "ITRF2014", DAY, -160.0, 55.0)
    assert shift.horizontal_m == pytest.approx(0.0, abs=1e-6)
    assert shift.doubt_m == pytest.approx(10 * 0.1)


def test_the_frame_of_a_crs_is_that_of_its_datum():
    assert frame_name(pyproj.CRS.from_epsg(25833)) == "ETRS89"
    assert frame_name(pyproj.CRS.from_epsg(32633)) == "WGS 84"
    assert frame_name(pyproj.CRS.from_user_input("EPSG:25833+7837")) == "ETRS89"
    assert frame_name(None) == "WGS 84"


def test_a_date_in_years():
    assert decimal_year(dt.date(2027, 1, 1)) == 2027.0
    assert decimal_year(dt.date(2028, 7, 2)) == 2028.5  # 183 of 366 days (C)
