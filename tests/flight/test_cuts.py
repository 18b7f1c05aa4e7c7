import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_blocks import NO_ALIGNMENT, a_block, a_line

from planner.flight.cuts import cut_drifting, cut_line, drifting_lines, part_name, straight_s, stretch_of


def test_parts_of_a_line_share_their_overlap_and_cover_the_whole():
    line = a_line("L03", (0, 0), (300, 1000))
    parts = cut_line(line, 3, 30.0)
    assert [part.line_id for part in parts] == ["L03a", "L03b", "L03c"]
    along = np.array([np.sin(line.track_rad), np.cos(line.track_rad)])
    spans = np.array([part.kept_points_m()[[0, -1], :2] @ along for part in parts])
    assert spans[0, 0] == pytest.approx(line.kept_m[0])
    assert spans[-1, 1] == pytest.approx(line.kept_m[1])
    assert spans[:-1, 1] - spans[1:, 0] == pytest.approx([30, 30])
    assert np.ptp([part.kept_length_m for part in parts]) == pytest.approx(0, abs=1e-9)
    for part in parts:
        assert part.kept_m[0] == pytest.approx(40)
        assert part.along_m()[-1] - part.kept_m[1] == pytest.approx(40)
        assert part.points_m[:, 2] == pytest.approx(80)


def test_lines_are_cut_until_none_drifts():
    # 3 km at 8 m/s take 375 s, 120 allowed: 960 m with 80 m of lead
    line = a_line("L01", (0, 0), (0, 3000))
    card = NO_ALIGNMENT
    assert straight_s(line) == pytest.approx(375)
    assert drifting_lines([line, *a_block(1)], card) == ("L01",)
    cut = cut_drifting([line, *a_block(2)], card, 20.0)
    # (2920 - 20) / (880 - 20) = 3.4: four parts; lines of 680 m stay whole
    assert [part.line_id for part in cut] == ["L01a", "L01b", "L01c", "L01d", "L01", "L02"]
    assert drifting_lines(cut, card) == ()


def test_a_line_whose_leads_use_up_the_time_stays_whole():
    line = a_line("L01", (0, 0), (0, 1000), lead=470.0)
    assert cut_drifting([line], NO_ALIGNMENT) == (line,)


def test_parts_have_different_names_however_many_there_are():
    names = [part_name("L03", number) for number in range(800)]
    assert names[:3] == ["L03a", "L03b", "L03c"]
    assert (names[25], names[26], names[27], names[52]) == ("L03z", "L03aa", "L03ab", "L03ba")
    assert len(set(names)) == 800


def test_more_parts_than_letters():
    # 30 km at 8 m/s, 880 m of data a part, 20 m shared: (29920 - 20) / 860 = 34.8 (C)
    cut = cut_drifting([a_line("L01", (0, 0), (0, 30_000))], NO_ALIGNMENT, 20.0)
    assert len(cut) == 35
    assert drifting_lines(cut, NO_ALIGNMENT) == ()


@settings(deadline=None, max_examples=50)
@given(st.floats(0, 500), st.floats(20, 400), st.floats(0, 60))
def test_a_stretch_is_a_piece_of_the_line_with_its_leads(start, length, lead):
    line = a_line("L01", (20, 10), (700, 900), up=70.0, lead=lead)
    start, end = lead + start, lead + start + length
    part = stretch_of(line, "L01a", start, end)
    track = np.array([np.sin(line.track_rad), np.cos(line.track_rad)])
    at = (part.kept_points_m()[[0, -1], :2] - line.points_m[0, :2]) @ track
    assert at == pytest.approx([start, end])
    assert part.along_m()[-1] == pytest.approx(length + 2 * lead)
    assert part.track_rad == pytest.approx(line.track_rad)
