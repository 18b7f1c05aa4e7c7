"""What the report says of decisions."""

import dataclasses
import html

import pytest
from files.small_job import small_assessment

from planner.files.report import write_report
from planner.files.reportdecisions import CLAUSE_WORDS, MOST_OPTIONS, decision_contents
from planner.flight.settings import Settings
from planner.flight.tradeoffs import ClauseCost, Option, Saving, Tradeoffs

WORDS = {"agl_m": "reach <of> the sensor", "speed_mps": "density"}
SETTINGS = Settings(70.0, 6.5, 300e3, 100.0, 40.0, 52.5, 35.0, 0.25, "terrain", WORDS)
FRONT = tuple(Option(60.0, 5.0, 300e3, 100.0, 30.0, 40.0, 600.0 + k, 100.0 + k, 0.04 - k * 1e-4) for k in range(30))
COSTS = tuple(ClauseCost(clause, 10.0, 11.0, 0.9, Saving(2.0 - k), ("accuracy",)) for k, clause in enumerate(CLAUSE_WORDS))


def job(settings=SETTINGS, traded=None):
    made = small_assessment()
    return dataclasses.replace(made, plan=dataclasses.replace(made.plan, settings=settings), tradeoffs=traded)


def test_every_setting_stands_with_its_bound():
    rows = {row["name"]: row for row in decision_contents(job())["decided"]}
    assert rows["Height above ground"]["value"] == "70 m"
    assert rows["Pulse rate"]["value"] == "300 kHz"
    assert rows["Least sidelap"]["value"] == "25 %"
    assert rows["Height above ground"]["why"] == "reach <of> the sensor"
    assert rows["Heading, true"]["why"] == ""
    assert rows["Height along lines"]["value"] == "follows the ground"


def test_the_front_is_shown_from_end_to_end_and_costs_as_they_are():
    traded = decision_contents(job(traded=Tradeoffs(600.0, FRONT, COSTS, ())))["traded"]
    assert (len(traded["options"]), traded["count"]) == (MOST_OPTIONS, len(FRONT))
    assert traded["options"][0]["minutes"] == "10.0"
    assert traded["options"][-1]["density"] == "129"
    assert [row["saved"] for row in traded["clauses"][:3]] == ["2.0", "1.0", "nothing"]
    assert traded["clauses"][0]["opens"] == "accuracy"


@pytest.mark.parametrize("traded", [None, Tradeoffs(600.0, FRONT, COSTS, ())])
def test_the_report_tells_it_and_text_stays_text(tmp_path, traded):
    write_report(tmp_path / "report.html", job(traded=traded))
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert html.escape("reach <of> the sensor") in page
    assert ("Were one clause easier" in page) == (traded is not None)


def test_lines_that_somebody_drew_were_not_decided_here(tmp_path):
    write_report(tmp_path / "report.html", job(settings=None))
    assert "What was decided" not in (tmp_path / "report.html").read_text(encoding="utf-8")
