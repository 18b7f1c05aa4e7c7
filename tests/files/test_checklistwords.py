"""The checklist of a job as rows: facts read from an assessment, and what a page is given."""

import dataclasses

import jinja2
import pytest
import shapely
from files.small_job import small_assessment
from made_sorties import flown, made_hazards

from planner.files.checklistwords import checklist_contents, facts_of
from planner.ground.obstacles import Obstacle
from planner.safety.cautions import Caution
from planner.safety.checklist import BLANKS
from planner.safety.checktasks import SECTIONS
from planner.safety.groundrisk import Crossing, GroundRisk, Span


@pytest.fixture(scope="module")
def job():
    return flown(small_assessment(met=True))


def risk_over(*names):
    none = shapely.Polygon()
    crossings = tuple(Crossing(name, "roads", 8.0, (Span("sortie 1", 1.0, 2.0),), None, 40.0) for name in names)
    beside = Crossing("the barn", "buildings", 0.0, (), 30.0, None)
    return GroundRisk(none, none, none, 0.0, 0.0, 60.0, "1:1", 0.0, (*crossings, beside), False, ("roads", "buildings"))


def test_facts_are_those_of_the_job(job):
    facts = facts_of(job)
    assert (facts.lines, facts.sorties) == (2, 2)
    assert facts.lowest_agl_m == min(one.agl_min_m for one in job.plan.figures)
    assert facts.checkpoints == len(job.quality.checkpoints.points)
    # ratings of this card state neither class nor distance
    assert (facts.laser_classes, facts.hazard_distance_m) == (("unknown",), None)
    # 12 m/s through the air at most, less 6.1 m/s of the faster line [C]
    assert facts.wind_most_mps == pytest.approx(12 - 6.1)
    assert facts.overflown == ()
    assert facts_of(job, risk_over("lane", "track", "lane")).overflown == ("lane", "track")


def test_the_tallest_obstacle_is_told_by_its_height_above_ground(job):
    ground = float(job.scene.ground.at(-1200, 800)), float(job.scene.ground.at(-1300, 800))
    things = [
        Obstacle("mast", "point", shapely.Point(-1200, 800), ground[0], ground[0] + 20),
        # stands lower, reaches less high above the sea, and is the taller of the two
        Obstacle("chimney", "point", shapely.Point(-1300, 800), ground[1], ground[1] + 25),
    ]
    facts = facts_of(dataclasses.replace(job, scene=dataclasses.replace(job.scene, obstacles=tuple(things))))
    assert (facts.tallest, facts.tallest_agl_m) == ("chimney", pytest.approx(25.0))
    beyond = dataclasses.replace(things[0], outline=shapely.Point(9e4, 0))
    unknown = facts_of(dataclasses.replace(job, scene=dataclasses.replace(job.scene, obstacles=(beyond,))))
    assert (unknown.tallest, unknown.tallest_agl_m) == ("mast", None)


def test_rows_stand_in_sections_with_their_marks(job):
    cautions = (
        Caution("wires", "cannot tell", "Nobody looked."),
        Caution("ceiling", "over", "Over.", 131.0, 120.0, "m above ground"),
    )
    contents = checklist_contents(dataclasses.replace(job, cautions=cautions), risk_over("lane"))
    sections = contents["sections"]
    assert [one.title for one in sections] == list(SECTIONS)
    marks = [row.mark for one in sections for row in one.rows]
    assert [mark for mark in marks if mark] == ["over", "cannot tell", "cannot tell"]
    assert contents["open"] == 3
    assert contents["blanks"] == BLANKS
    assert any("lane" in row.text for row in sections[0].rows)
    assert checklist_contents(dataclasses.replace(job, cautions=cautions), risk_over("lane")) == contents


def test_names_of_the_user_reach_a_page_escaped(job):
    scene = dataclasses.replace(job.scene, **made_hazards(job.scene.area, "<b>&"))
    contents = checklist_contents(dataclasses.replace(job, scene=scene))
    page = jinja2.Environment(autoescape=True).from_string(
        "{% for section in sections %}{% for row in section.rows %}<p>{{ row.text }}</p>{% endfor %}{% endfor %}"
    )
    text = page.render(contents)
    assert "&lt;b&gt;&amp;" in text
    assert "<b>" not in text
