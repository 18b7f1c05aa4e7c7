"""Base station and logging as cautions."""

import datetime as dt

import pytest

from planner.safety.positions import base_caution, logging_caution


@pytest.mark.parametrize(("km", "status"), [(1.0, "within"), (10.0, "within"), (12.0, "over")])
def test_a_base_far_away_is_flagged_with_the_limit(km, status):
    # 10 km: common practice, no source.
    caution = base_caution(km * 1000, 1.0)
    assert (caution.status, caution.measured, caution.limit) == (status, km * 1000, 10_000.0)
    assert ("nearer base" in caution.text) == (status == "over")


def test_one_part_per_million_is_a_centimetre_in_ten_kilometres():
    # 1 ppm of 10 km (C).
    assert "adds 1.0 cm" in base_caution(10_000.0, 1.0).text


def test_logging_encloses_the_flight():
    start = dt.datetime(2027, 4, 12, 11, 30, tzinfo=dt.timezone(dt.timedelta(hours=2)))
    text = logging_caution(start, 3600.0).text
    assert "80 min in all" in text
    assert "2027-04-12 09:20 to 2027-04-12 10:40 UTC" in text
    assert "UTC" not in logging_caution(None, 3600.0).text
