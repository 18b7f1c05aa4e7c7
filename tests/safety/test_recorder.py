"""The recorder against what sorties bring: worked by hand, and by laws."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from planner.equipment import Sensor
from planner.files.cards import bundled, load_sensor
from planner.safety.recorder import raw_bytes_per_s, recorder_cautions

HALF_HOUR_S = 1800.0


def unit(**changes) -> Sensor:
    """Return card B with a recorder of its own: 300 kHz, one return a pulse, 30 bytes each."""
    plain = {"returns_per_pulse": 1, "raw_bytes_per_return": 30.0, "recorder_gb": 32.0, "recorder_mb_per_s": 20.0}
    return replace(load_sensor("B", Path()), **plain | changes)


def test_half_an_hour_at_300_khz_is_sixteen_gigabytes():
    # 300 kHz x 1800 s = 0.54 G pulses; x 30 bytes = 16.2 GB, 9 MB/s (C)
    space, rate = recorder_cautions(unit(), [HALF_HOUR_S], [300_000])
    assert (space.caution_id, space.status, space.limit, space.unit) == ("recorder space", "within", 32.0, "GB")
    assert space.measured == pytest.approx(16.2)
    assert "up to 16.2 GB of raw data; the recorder holds 32 GB." in space.text
    assert (rate.caution_id, rate.status, rate.limit, rate.unit) == ("recorder rate", "within", 20.0, "MB/s")
    assert rate.measured == pytest.approx(9.0)


def test_the_worst_case_is_as_many_returns_as_the_unit_keeps_and_the_text_says_so():
    # five returns of each pulse: 81 GB and 45 MB/s (C)
    space, rate = recorder_cautions(unit(returns_per_pulse=5), [HALF_HOUR_S], [300_000])
    assert (space.status, rate.status) == ("over", "over")
    assert "81 GB of raw data (5 returns of every pulse; 16.2 GB with one)" in space.text
    assert "45 MB/s (5 returns of every pulse; 9 MB/s with one); the recorder writes 20 MB/s" in rate.text
    assert "may drop some" in rate.text


def test_a_frame_counts_all_its_pixels():
    # 128 x 64 pixels x 20 frames a second x 20 bytes = 3.2768 MB/s (C)
    camera = load_sensor("M", Path())
    assert float(raw_bytes_per_s(camera, 20.0)) == pytest.approx(128 * 64 * 20 * camera.raw_bytes_per_return)


def test_sorties_that_do_not_fit_are_named():
    space, _ = recorder_cautions(unit(recorder_gb=16.0), [600.0, 1800.0, 900.0, 2000.0], [300_000] * 4)
    assert space.status == "over"
    assert "Too much: sorties 2, 4." in space.text
    space, _ = recorder_cautions(unit(recorder_gb=16.3), [600.0, 1800.0, 2000.0], [300_000] * 3)
    assert "Too much: sortie 3." in space.text


def test_a_recorder_is_emptied_before_the_sortie_that_would_fill_it():
    # 5.4 GB each on 12 GB: two fit (C)
    space, _ = recorder_cautions(unit(recorder_gb=12.0), [600.0] * 5, [300_000] * 5)
    assert space.status == "within"
    assert "Empty it before sortie 3, 5." in space.text
    assert "Empty" not in recorder_cautions(unit(recorder_gb=28.0), [600.0] * 5, [300_000] * 5)[0].text


def test_a_silent_card_cannot_be_judged_and_no_sortie_needs_no_recorder():
    silent = unit(recorder_gb=None, recorder_mb_per_s=None)
    cautions = recorder_cautions(silent, [HALF_HOUR_S], [300_000])
    assert [caution.status for caution in cautions] == ["cannot tell", "cannot tell"]
    assert [caution.limit for caution in cautions] == [None, None]
    assert "does not say what the recorder holds" in cautions[0].text
    assert "does not say how fast the recorder writes" in cautions[1].text
    assert recorder_cautions(silent, [], []) == ()


@settings(deadline=None)
@given(
    time_s=st.floats(1.0, 7200.0),
    rate_hz=st.floats(1e3, 2e6),
    returns=st.integers(1, 15),
    size=st.floats(2.0, 200.0),
    more=st.floats(1.0, 5.0),
)
def test_more_of_anything_never_needs_less(time_s, rate_hz, returns, size, more):
    plain = unit(returns_per_pulse=returns, raw_bytes_per_return=size)
    (space, rate) = recorder_cautions(plain, [time_s], [rate_hz])
    grown = [
        recorder_cautions(plain, [time_s * more], [rate_hz]),
        recorder_cautions(plain, [time_s], [rate_hz * more]),
        recorder_cautions(replace(plain, returns_per_pulse=min(returns + 1, 15)), [time_s], [rate_hz]),
        recorder_cautions(replace(plain, raw_bytes_per_return=size * more), [time_s], [rate_hz]),
        recorder_cautions(plain, [time_s, time_s], [rate_hz, rate_hz]),
    ]
    for larger in grown:
        assert larger[0].measured >= space.measured * (1 - 1e-12)
        assert larger[1].measured >= rate.measured * (1 - 1e-12)
        assert not (space.status == "over" and larger[0].status == "within")
    # Twice as long is twice the data, at the same rate.
    twice = recorder_cautions(plain, [2 * time_s], [rate_hz])
    assert twice[0].measured == pytest.approx(2 * space.measured)
    assert twice[1].measured == rate.measured


def test_bundled_cards_record_as_usual_and_keep_up_with_one_return_a_pulse():
    silent = []
    for name in bundled("sensors"):
        sensor = load_sensor(name, Path())
        assert 15 <= sensor.raw_bytes_per_return <= 40  # common practice, no source
        if sensor.recorder_mb_per_s is None:
            silent.append(name)
            continue
        single = np.max(raw_bytes_per_s(sensor, sensor.pulse_rates_hz, 1)) / 1e6
        assert single <= sensor.recorder_mb_per_s, name
    assert 0 < len(silent) < len(bundled("sensors"))


@pytest.mark.parametrize(
    ("key", "bad", "message"),
    [
        ("recorder_gb", 512_000, r"512000 GB is over 50000 GB.*\nwas it stated in megabytes\? then write 512"),
        ("recorder_gb", 0.5, r"0\.5 GB is under 1 GB.*\nwas it stated in terabytes\? then write 500"),
        (
            "recorder_mb_per_s",
            60_000,
            r"60000 MB/s is over 20000 MB/s.*\nwas it stated in kilobytes per second\? then write 60",
        ),
        (
            "recorder_mb_per_s",
            0.001,
            r"0\.001 MB/s is under 0\.01 MB/s.*\nwas it stated in gigabytes per second\? then write 1",
        ),
        ("raw_bytes_per_return", 8000.0, r"8000 bytes is over 4000 bytes.*\nwas it stated in bits\? then write 1000"),
        ("raw_bytes_per_return", 0.03, r"0\.03 bytes is under 2 bytes.*\nwas it stated in kilobytes\? then write 30"),
    ],
)
def test_what_no_recorder_has_is_taken_for_another_unit(key, bad, message):
    with pytest.raises(ValidationError, match=rf"{key} of {message}"):
        unit(**{key: bad})
    with pytest.raises(ValidationError, match=rf"{key}(.|\n)*greater than 0"):
        unit(**{key: -1.0})
