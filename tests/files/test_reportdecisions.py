"""What the report says of decisions."""

import dataclasses
import html
import re
from decimal import Decimal
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from files.small_job import small_assessment
from made_sorties import flown

from planner.assessment import MendStep
from planner.costing.costs import costs_of
from planner.files.bundle import summary_dict, summary_schema
from planner.files.costfigures import cost_text
from planner.files.decisioncharts import HIGH, LEFT, RIGHT, TOP, WIDE, Curve, curve_chart
from planner.files.report import write_report
from planner.files.reportdecisions import CLAUSE_WORDS, MOST_OPTIONS, SLOWEST, asked_text, decision_contents
from planner.flight.headingcurve import HeadingCurve
from planner.flight.ratecurves import RateCurve
from planner.flight.tradeoffs import ClauseCost, Option, Saving, Tradeoffs
from planner.mission import FlightChoice
from planner.rates import Rates
from planner.requirement import Requirement

CHROMIUM = next((p for p in ("/usr/bin/chromium", "/usr/bin/chromium-browser") if Path(p).exists()), None)
WORDS = dict.fromkeys(("pulse_rate_hz", "line_rate_hz", "line_spacing_m"), "shortest flight time") | {
    "agl_m": "reach <of> the sensor",
    "speed_mps": "density",
    "usable_half_angle_deg": "vertical RMSE of 3 cm out to the swath edge: quicker settings break it",
    "heading_deg": "least flight time: 3.4 min less than along the long side",
    "following": "24.3 min against 28.9 min flying level",
}
SETTINGS = small_assessment().plan.settings
SETTINGS = dataclasses.replace(
    SETTINGS, agl_m=70.0, pulse_rate_hz=300e3, heading_deg=215.0, sidelap=0.25, following="terrain", bound_by=WORDS
)
FRONT = tuple(Option(60.0, 5.0, 300e3, 100.0, 30.0, 40.0, 600.0 + k, 100.0 + k, 0.04 - k * 1e-4) for k in range(30))
COSTS = tuple(
    ClauseCost(clause, 10.0, 11.0, 0.9, Saving(max(2.0 - k, 0.0), 2 - k if k < 2 else 0), ("accuracy",) * (k == 0))
    for k, clause in enumerate(CLAUSE_WORDS)
)
AGL = (50.0, 60.0, 70.0, 80.0)
RATES = (
    RateCurve(300e3, AGL, (720.0, 660.0, 600.0, float("nan"))),
    RateCurve(150e3, AGL, (900.0, 780.0, 690.0, 660.0)),
    RateCurve(600e3, AGL, (float("nan"),) * 4, ("reach",)),
)
HEADINGS = HeadingCurve(tuple(np.arange(0.0, 180.0, 5.0)), tuple(900 + np.arange(36.0)))
TRADED = Tradeoffs(600.0, FRONT, COSTS, RATES, HEADINGS)
STEP = MendStep("patch line P01 (461 m toward 21 deg)", "to close 300 m2 shadow", ("P01",), 420.0, 120.0, 3.2)
LAST = MendStep("nothing more is changed", "unreachable: 120 m2 shadow", (), 120.0, 120.0, 0.0)


def job(settings=SETTINGS, traded=None, mending=(), **changes):
    made = flown(small_assessment())
    plan = dataclasses.replace(made.plan, settings=settings)
    return dataclasses.replace(made, plan=plan, tradeoffs=traded, mending=tuple(mending), **changes)


def told(*args, **kwargs):
    return decision_contents(job(*args, **kwargs))["decided"]


def priced(rates):
    """The job with rates, two hours in the air and two sorties."""
    made = job()
    mission = dataclasses.replace(made.mission, rates=rates)
    return dataclasses.replace(made, mission=mission, costs=costs_of(rates, 7200.0, 2))


def test_every_setting_stands_with_what_fixed_it():
    rows = {row["name"]: row for row in told()["settings"]}
    assert rows["Height above ground"]["value"] == "70 m"
    assert rows["Pulse rate"]["value"] == "300 kHz"
    assert rows["Least sidelap"] == {"name": "Least sidelap", "value": "25 %", "why": "follows from the others"}
    assert rows["Height above ground"]["why"] == "reach <of> the sensor"
    assert rows["Height along lines"]["value"] == "as the ground"


def test_what_is_asked_is_one_sentence_of_all_that_is_asked():
    mission = small_assessment().mission
    assert asked_text(mission, 2.0) == (
        "at least 100 first returns per m², all passes together, in 95 % of cells of 2 m; heights within 5 cm RMSE at "
        "checkpoints; swaths that share 20 % or more with the next"
    )
    asked = Requirement(
        density_per_m2=8, percentile=0, coverage="single", returns="ground", sidelap_min=0, horizontal_rmse_m=0.1
    )
    assert asked_text(dataclasses.replace(mission, requirement=asked), 1.0) == (
        "at least 8 ground returns per m², from one pass alone, in all cells of 1 m; places within 10 cm RMSE"
    )


def test_what_the_mission_holds_is_named():
    assert told()["held"] == "The mission holds height and speed; all else was open."
    free = dataclasses.replace(job(), mission=dataclasses.replace(job().mission, flight=FlightChoice()))
    assert decision_contents(free)["decided"]["held"] == "The mission holds no setting: all were open."


def test_rates_that_were_not_taken_stand_with_why():
    assert told(traded=TRADED)["others"] == [
        {"name": "150 kHz", "why": "1.0 min more"},
        {"name": "600 kHz", "why": "its light does not come back from the ground"},
    ]


def test_options_are_shown_from_end_to_end_and_no_slower_than_worth_it():
    slow = dataclasses.replace(FRONT[-1], time_s=SLOWEST * 600.0 + 1)
    contents = told(traded=dataclasses.replace(TRADED, front=(*FRONT, slow)))
    assert (len(contents["options"]), contents["count"]) == (MOST_OPTIONS, len(FRONT) + 1)
    assert contents["options"][0]["minutes"] == "10.0"
    assert contents["options"][-1]["density"] == "129"


def test_clauses_stand_with_what_they_cost_and_those_that_cost_nothing_by_name():
    found = told(traded=TRADED)["clauses"]
    assert [(row["minutes"], row["sorties"], row["money"]) for row in found["rows"]] == [
        ("2.0", "2", "–"),
        ("1.0", "1", "–"),
    ]
    assert [row["opens"] for row in found["rows"]] == ["the height error", ""]
    assert found["free"] == "Least sidelap, Share of cells that may lie below, Ceiling, Clearance"
    assert found["currency"] is None


def test_what_flat_ground_cannot_price_is_named():
    made = job(traded=TRADED)
    asked = dataclasses.replace(
        made.mission.requirement, face_density_per_m2=50.0, confidence=0.9, horizontal_rmse_m=0.1, survey_rules="x"
    )
    found = decision_contents(dataclasses.replace(made, mission=dataclasses.replace(made.mission, requirement=asked)))[
        "decided"
    ]
    assert (
        found["clauses"]["unpriced"] == "density on walls, the chance asked for, horizontal RMSE, rules of survey work"
    )
    assert "50 first returns per m² of face" in found["asked"]
    assert told(traded=TRADED)["clauses"]["unpriced"] == ""


def test_savings_in_money_stand_in_the_currency():
    saved = Saving(2.0, 1, Decimal("1234.50"))
    traded = dataclasses.replace(TRADED, clauses=(dataclasses.replace(COSTS[0], saved=saved),))
    found = decision_contents(
        dataclasses.replace(job(traded=traded), costs=costs_of(Rates(currency="NOK", sortie=9), 60.0, 2))
    )["decided"]["clauses"]
    assert (found["currency"], found["rows"][0]["money"]) == ("NOK", "1\u202f234.50")


def test_steps_are_listed_and_the_last_word_stands_with_what_remains():
    out = dataclasses.replace(LAST, what="P02 is left out", below_before_m2=420.0, below_after_m2=420.0)
    contents = told(mending=[out, STEP, LAST])
    assert [row["what"] for row in contents["mending"]] == [out.what, STEP.what]
    assert contents["left"] == (
        "320 m² (0.81 %) stay below what is asked, and 5 % may: 256 m² sparse, 64 m² shadow. Nothing more was done "
        "about what may stay. Nothing more is changed: unreachable: 120 m2 shadow."
    )


def test_costs_and_trades_are_in_the_summary_and_its_schema():
    made = dataclasses.replace(priced(Rates(currency="EUR", flight_hour=100.1)), tradeoffs=TRADED)
    summary = summary_dict(made, ())
    jsonschema.validate(summary, summary_schema())
    assert (summary["costs"]["total"], summary["costs"]["flight_hours"]) == ("200.20", "2.00")
    assert summary["tradeoffs"]["rates"][0]["time_s"] == [720.0, 660.0, 600.0, None]
    assert summary["tradeoffs"]["clauses"][0]["saved"] == {"minutes": 2.0, "sorties": 2, "money": None}
    bare = summary_dict(job(), ())
    jsonschema.validate(bare, summary_schema())
    assert (bare["costs"], bare["tradeoffs"]) == (None, None)


def test_what_a_flight_costs_is_one_line_that_adds_up():
    costs = priced(Rates(currency="EUR", flight_hour=600.25, sortie=35, mobilise=800))
    assert cost_text(costs) == (
        "EUR 2\u202f070.50 (2.00 h in the air at 600.25: 1\u202f200.50, 2 take-offs at 35.00: 70.00, "
        "mobilisation: 800.00)"
    )
    assert cost_text(priced(Rates(currency="EUR", sortie=35))) == "EUR 70.00 (2 take-offs at 35.00: 70.00)"
    assert cost_text(priced(Rates())) is None


@pytest.mark.parametrize("traded", [None, TRADED])
def test_the_report_tells_it_and_text_stays_text(tmp_path, traded):
    write_report(tmp_path / "report.html", job(traded=traded, mending=[STEP, LAST]))
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert html.escape("reach <of> the sensor") in page
    assert ("What each clause costs" in page) == (traded is not None)
    assert STEP.what in page
    assert page.index("What was found") < page.index("What was decided") < page.index("The site</h2>")


def test_lines_that_somebody_drew_were_not_decided_here(tmp_path):
    write_report(tmp_path / "report.html", job(settings=None))
    assert "What was decided" not in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_curves_lie_within_their_chart_and_the_ring_on_the_first():
    short, whole = (12.0, 11.0, 10.0, float("nan")), (15.0, 13.0, 12.0, 11.0)
    chart = curve_chart([Curve("a", AGL, short), Curve("b", AGL, whole)], 72.0)
    places = np.array(re.findall(r"[ML]([\d.]+) ([\d.]+)", chart["curves"][1]["path"]), dtype=float)
    assert places[:, 0].tolist() == pytest.approx(np.linspace(LEFT, WIDE - RIGHT, 4), abs=0.06)
    assert np.all(np.diff(places[:, 1]) > 0)  # less time lies lower on the page
    assert np.all((places[:, 1] >= TOP) & (places[:, 1] <= HIGH))
    assert chart["curves"][0]["path"].count("L") == 2
    assert list(chart["ring"]) == [float(one) for one in re.findall(r"[\d.]+", chart["curves"][0]["path"])[4:6]]
    ups = [tick["at"] for tick in chart["up"]]
    assert ups == sorted(ups, reverse=True)


def test_one_place_makes_no_chart_and_a_plan_off_its_curve_no_ring():
    assert curve_chart([Curve("a", (60.0,), (12.0,))], 60.0) is None
    assert curve_chart([Curve("a", AGL, (12.0, 11.0, 10.0, float("nan")))], 80.0)["ring"] is None


@pytest.mark.browser
def test_the_story_is_printed_on_one_page(tmp_path):
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine")
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    steps = [dataclasses.replace(STEP, what=f"{STEP.what}, number {number}") for number in range(2)]
    write_report(tmp_path / "report.html", job(traded=TRADED, mending=[*steps, LAST]))
    with sync_api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--headless", "--no-sandbox", "--disable-gpu"])
        tab = browser.new_context(offline=True).new_page()
        tab.goto((tmp_path / "report.html").as_uri())
        tab.emulate_media(media="print")
        tab.evaluate("for (const e of document.querySelectorAll('main > *')) e.matches('.story') || e.remove()")
        pages = len(re.findall(rb"/Type\s*/Page\b", tab.pdf(prefer_css_page_size=True)))
        browser.close()
    assert pages == 1
