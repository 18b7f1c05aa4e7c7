"""What the outputs say of rules of survey work."""

import html
import re
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest
from files.small_job import small_assessment

from planner.articles import Article, Articles, CheckArea, CheckAreas
from planner.files.articlefigures import MEASURE_WORDS, NO_ACCEPTANCE, article_contents, check_areas_geojson
from planner.files.briefing import write_briefing
from planner.files.bundle import summary_dict, summary_schema, write_outputs
from planner.files.report import write_report
from planner.files.surveyrulefiles import load_survey_rules
from planner.surveyrules import UNIT_OF

RULES = load_survey_rules("gsi_uav_laser_2025", Path())
STATUS = {"extent": "not satisfied", "inspection": "declare"}
AREAS = (
    CheckArea("CA01", ("L01", "L02"), -1250.0, 750.0, 17.5, 2.5, 6.4),
    CheckArea("CA02", ("L01", "L02"), -1150.0, 850.0, 22.5, 2.5, 6.4),
)


def job():
    """Return a small job of two lines that is held against the rules, with a place and words that pages must mask."""
    found = tuple(
        Article(
            rule, f"asked <{rule.measure}>", f"found {rule.measure}", STATUS.get(rule.measure, "satisfied"), "so & so"
        )
        for rule in RULES.rules
    )
    areas = CheckAreas(AREAS, (("L01", "L02"),), (("L02", "L03"),))
    return replace(small_assessment(), survey_articles=Articles(RULES, 1.1, 4.0, 4.84, found, areas))


def text_of(path):
    return html.unescape(re.sub(r"\s+", " ", re.sub("<[^>]+>", " ", path.read_text(encoding="utf-8"))))


def test_the_summary_tells_every_article_and_place():
    summary = summary_dict(job(), ())
    jsonschema.Draft202012Validator(summary_schema()).validate(summary)
    told = summary["survey_rules"]
    assert (told["name"], told["theta"], told["required_per_m2"], told["planned_per_m2"]) == (
        RULES.name,
        1.1,
        4.0,
        4.84,
    )
    assert [(one["article"], one["measure"]) for one in told["articles"]] == [
        (rule.article, rule.measure) for rule in RULES.rules
    ]
    assert {one["measure"]: one["status"] for one in told["articles"]} == {
        rule.measure: STATUS.get(rule.measure, "satisfied") for rule in RULES.rules
    }
    assert (told["overlaps"], told["overlaps_lacking"]) == (1, [["L02", "L03"]])
    assert [one["courses"] for one in told["check_areas"]] == [["L01", "L02"]] * 2


def test_a_job_without_rules_says_none():
    summary = summary_dict(small_assessment(), ())
    jsonschema.Draft202012Validator(summary_schema()).validate(summary)
    assert summary["survey_rules"] is None
    assert article_contents(small_assessment()) == {"articles": None}


def test_check_areas_are_points_where_they_were_placed():
    made = job()
    found = check_areas_geojson(made.survey_articles, made.scene)
    for area, feature in zip(AREAS, found["features"], strict=True):
        east, north = made.scene.frame.from_lonlat(*feature["geometry"]["coordinates"])
        assert (float(east), float(north)) == pytest.approx((area.east_m, area.north_m), abs=0.02)
        assert feature["properties"]["heights"] == "orthometric"
        assert (feature["id"], feature["properties"]["side_m"]) == (area.area_id, 2.5)


def test_report_and_briefing_hold_the_table_and_claim_no_acceptance(tmp_path):
    for write in (write_report, write_briefing):
        page = tmp_path / f"{write.__name__}.html"
        write(page, job())
        said = text_of(page)
        for rule in RULES.rules:
            assert f"{rule.article} {MEASURE_WORDS[rule.measure]}" in said
            assert f"found {rule.measure}" in said
        assert NO_ACCEPTANCE in said
        assert "<extent>" not in page.read_text(encoding="utf-8")
        plain = tmp_path / "plain.html"
        write(plain, small_assessment())
        assert "survey work" not in text_of(plain)
    report = text_of(tmp_path / "write_report.html")
    assert "asked <extent>" in report
    assert "8 satisfied, 1 not satisfied and 1 to be shown by the surveyor." in re.sub(r" +([,.])", r"\1", report)
    assert "CA02 L01 and L02" in report


def test_check_areas_have_a_file_only_where_rules_are_named(tmp_path):
    pages = {name: lambda path, _: path.write_text("") for name in ("write_map", "write_report", "write_briefing")}
    for name, made in (("with", job()), ("without", small_assessment())):
        write_outputs(tmp_path / name, made, replace=False, input_files=(), **pages)
        assert (tmp_path / name / "check_areas.geojson").exists() == (name == "with")


def test_every_measure_has_words():
    measures = {rule.measure for rule in RULES.rules}
    assert set(MEASURE_WORDS) == measures
    assert set(UNIT_OF) < measures
