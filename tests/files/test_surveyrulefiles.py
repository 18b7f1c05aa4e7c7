"""Rules of survey work: read from data, and a mission held to them before anything is planned."""

import dataclasses
from pathlib import Path

import pytest
from test_missionfile import LEAST, faults_of, mission

from planner.errors import InputError
from planner.files.cards import bundled
from planner.files.surveyrulefiles import held_to, load_survey_rules
from planner.mission import Site
from planner.requirement import Requirement

GSI = load_survey_rules("gsi_uav_laser_2025", Path())

# Public Survey Work Rules 2025 (Geospatial Information Authority of Japan), Part 4 Ch. 4, arts. 444-466, and 467: R
ARTICLES = {
    "gnss_logging": ("448", 1, "Hz"),
    "test_age": ("449", 6, "months"),
    "point_spacing": ("451", None, ""),
    "incidence": ("451", 45, "deg"),
    "distance": ("451", 80, "%"),
    "sidelap": ("451", 30, "%"),
    "extent": ("453", 10, "m"),
    "course": ("458", None, ""),
    "check_areas": ("464", 2, "areas"),
    "inspection": ("467", 5, "%"),
}

OWN = """\
name = "own"
document = "Rules of our own house"
part = "all of them"
read_on = 2026-11-25
beyond = "nothing else is asked"
[[rules]]
article = "1"
measure = "sidelap"
text = "Courses share a fifth of their swaths."
citation = "Rules of our own house, 1"
mark = "own"
value = 20
unit = "%"
"""


def own(tmp_path, text):
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")
    return load_survey_rules("own.toml", tmp_path)


def ruled(lines, text=LEAST):
    return text.replace("density_per_m2 = 200", f"density_per_m2 = 200\n{lines}")


def test_the_bundled_document_says_what_its_articles_say():
    assert {rule.measure: (rule.article, rule.value, rule.unit) for rule in GSI.rules} == ARTICLES
    assert GSI.theta == (1.1, 1.5)
    assert GSI.rule("extent").swath_pct == 50
    assert GSI.rule("check_areas").spacings == 5
    assert (GSI.range_share, GSI.least_sidelap, GSI.off_normal_deg) == (0.8, 0.3, 45)
    assert {rule.mark for rule in GSI.rules} == {"R"}


@pytest.mark.parametrize("name", bundled("survey_rules"))
def test_every_bundled_document_reads_in_any_case(name):
    rules = load_survey_rules(name.upper(), Path())
    assert rules.name == name
    assert all(f"art. {rule.article}" in rule.citation for rule in rules.rules)


def test_an_unknown_name_is_refused_with_the_nearest(tmp_path):
    [fault] = faults_of(tmp_path, ruled('survey_rules = "gsi_uav_2025"'))
    assert fault.code == "E18"
    assert fault.what == 'no rules of survey work are called "gsi_uav_2025"'
    assert fault.where == "job.toml:14"
    assert fault.fix.startswith('did you mean "gsi_uav_laser_2025"? bundled: gsi_uav_laser_2025;')


def test_rules_of_ones_own_are_data_too(tmp_path):
    rules = own(tmp_path, OWN)
    assert (rules.theta, rules.range_share, rules.least_sidelap) == ((1, 1), 1, 0.2)
    assert rules.rule("incidence") is None
    assert rules.off_normal_deg == 90


@pytest.mark.parametrize(
    ("old", "new", "code", "what"),
    [
        ("value = 20\n", "", "E34", "measure sidelap needs a value in %"),
        ('unit = "%"', 'unit = "m"', "E34", 'measure sidelap takes its value in "%", unit says "m"'),
        ('measure = "sidelap"\n', 'measure = "side_lap"\n', "E18", 'measure` is "side_lap"'),
        ('measure = "sidelap"', 'measure = "course"', "E34", "measure course compares nothing: leave value out"),
        ('measure = "sidelap"', 'measure = "extent"', "E34", "measure extent takes its value in"),
        ("article", "artikel", "E18", "unknown key `artikel`"),
        ('mark = "own"', 'mark = "X"', "E18", '`mark` is "X"'),
        ("read_on = 2026-11-25\n", "", "E18", "`read_on` is missing"),
        (OWN, OWN + OWN[OWN.index("[[rules]]") :], "E34", "two rules have the measure sidelap"),
    ],
)
def test_unsound_rules_are_refused(tmp_path, old, new, code, what):
    with pytest.raises(InputError, match=r"own\.toml") as caught:
        own(tmp_path, OWN.replace(old, new))
    assert any(fault.code == code and what in fault.what for fault in caught.value.faults)


def test_a_rule_needs_all_that_its_measure_takes(tmp_path):
    text = OWN.replace("sidelap", "extent").replace('"%"', '"m"')
    with pytest.raises(InputError, match=r"E34 .* measure extent needs swath_pct"):
        own(tmp_path, text)
    assert own(tmp_path, text + "swath_pct = 50\n").value("extent") == 20


def test_theta_keeps_to_the_document(tmp_path):
    # art. 451: theta 1.1 to 1.5 (R)
    for theta in (1.1, 1.5):
        job = mission(tmp_path, ruled(f'survey_rules = "gsi_uav_laser_2025"\ntheta = {theta}'))
        assert job.theta == theta
    for theta in (1.05, 1.51):
        [fault] = faults_of(tmp_path, ruled(f'survey_rules = "gsi_uav_laser_2025"\ntheta = {theta}'))
        assert fault.code == "E33"
        assert fault.what == f"`theta` is {theta}; gsi_uav_laser_2025 divides the point spacing by 1.1 to 1.5"
        assert fault.where == "job.toml:15"
    [fault] = faults_of(tmp_path, ruled("theta = 1.2"))
    assert (fault.code, fault.what) == ("E34", "theta 1.2 belongs to survey_rules, and none are named")


def test_planned_density_is_that_of_the_planned_spacing(tmp_path):
    # required spacing 0.5 m: 4 points/m2; over 1.1 it is 0.4545 m: 4.84; over 1.5 it is 0.3333 m: 9 (C)
    for theta, spacing_m, planned in ((1.1, 0.4545, 4.84), (1.5, 0.3333, 9.0)):
        text = ruled(f'survey_rules = "gsi_uav_laser_2025"\ntheta = {theta}').replace("200", "4")
        job = mission(tmp_path, text)
        assert job.requirement.target_per_m2 == 4
        assert job.planned_per_m2 == pytest.approx(planned, abs=1e-9)
        assert job.planned_per_m2**-0.5 == pytest.approx(spacing_m, abs=5e-5)
    job = mission(tmp_path, LEAST)
    assert (job.theta, job.planned_per_m2) == (1, 200)


def test_a_mission_is_raised_to_the_rules_and_says_so(tmp_path):
    job = mission(tmp_path, ruled('survey_rules = "gsi_uav_laser_2025"'))
    assert (job.site.buffer_m, job.requirement.sidelap_min, job.theta) == (10, 0.3, 1.1)
    assert job.requirement.density_per_m2 == 200
    said = {line.split(" = ")[0]: line for line in job.assumptions}
    assert said["site.buffer_m"].endswith("10 (raised by gsi_uav_laser_2025, article 453, from 0)")
    assert said["requirement.sidelap_min"].endswith("0.3 (raised by gsi_uav_laser_2025, article 451, from 0.2)")
    assert said["requirement.theta"].endswith("1.1 (not given: the least of gsi_uav_laser_2025)")


def test_what_is_stricter_than_the_rules_stays():
    site, wanted = Site(area="a.geojson", buffer_m=25), Requirement(density_per_m2=4, sidelap_min=0.5)
    assert held_to(GSI, site, dataclasses.replace(wanted, survey_rules="x", theta=1.2)) == (
        site,
        dataclasses.replace(wanted, survey_rules="x", theta=1.2),
        {},
    )
    assert held_to(None, Site(area="a.geojson"), wanted) == (Site(area="a.geojson"), wanted, {})


def test_the_day_of_the_sensors_test_is_kept(tmp_path):
    job = mission(tmp_path, LEAST.replace('card = "B"', 'card = "B"\ntested_on = 2027-01-10'))
    assert job.sensor_tested_on.isoformat() == "2027-01-10"
    assert mission(tmp_path, LEAST).sensor_tested_on is None
    [fault] = faults_of(tmp_path, LEAST.replace('card = "B"', 'card = "B"\ntested_on = "January"'))
    assert fault.fix == "write it as a day, such as 2027-04-12, without quotes"
