from dataclasses import replace

import numpy as np
import pytest
import shapely
from flat_jobs import HEXACOPTER

from planner.flight.flightlines import Manner, lay_out
from planner.flight.headingcurve import heading_curve
from planner.flight.headings import Going, layout_time_s
from planner.flight.winds import Wind

STRIP = shapely.MultiPolygon([shapely.box(0.0, 0.0, 900.0, 240.0)])
GOING = Going(HEXACOPTER, Manner(6.0, 300e3, 100.0, 0.6, 30.0, 0.0, 0.3, 0.3, None))


def curve(going=GOING, convergence_rad=0.0, heading_deg=90.0):
    return heading_curve((STRIP, STRIP), 60.0, (30.0, 30.0), going, convergence_rad, heading_deg)


def test_a_strip_is_flown_quickest_along_and_slowest_across():
    found = curve()
    times = dict(zip(found.heading_deg, found.time_s, strict=True))
    assert min(times, key=times.get) == 90
    # along: 4 lines of 900 m; across: 15 lines of 240 m, as much way but eleven turns and leads more
    assert times[90] < 0.75 * times[0]


def test_a_point_is_the_time_of_its_layout():
    found = curve(convergence_rad=np.radians(2), heading_deg=213.5)
    assert 33.5 in found.heading_deg
    at = found.heading_deg.index(33.5)
    assert found.time_s[at] == pytest.approx(
        layout_time_s(lay_out(STRIP, STRIP, np.radians(31.5), 60.0, (30.0, 30.0)), GOING)
    )
    assert list(found.heading_deg) == sorted(found.heading_deg)
    assert len(found.heading_deg) == 37


def test_a_heading_against_which_no_headway_is_made_has_no_time():
    found = curve(replace(GOING, wind=Wind(11.0, 0.0)))
    times = dict(zip(found.heading_deg, found.time_s, strict=True))
    assert np.isnan(times[0])
