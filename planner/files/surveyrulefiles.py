"""Published rules of survey work in: bundled ones by name, or TOML files of the user's own; and a mission held to them.

Lives here: reading a set of rules, and what of a mission they raise before anything is planned. Must not know plans or
how a rule is judged.
"""

import dataclasses
import difflib
from pathlib import Path
from typing import Any, Literal

from planner.errors import Fault, InputError
from planner.files.cards import DATA, Declared, bundled, checked, field_names, read_declared, unknown_keys
from planner.mission import Site
from planner.requirement import Requirement
from planner.surveyrules import SurveyRule, SurveyRules

FOLDER: Literal["survey_rules"] = "survey_rules"
WHERE = "requirement.survey_rules"


def load_survey_rules(name_or_path: str, folder: Path) -> SurveyRules:
    """Return rules of survey work by name, in any case, or from a TOML file relative to `folder`.

    Raises
    ------
    InputError
        E18 where none have the name, and unknown keys, E34 values that disagree, E00 and E45 where the file cannot be
        read; all faults of a file at once.
    """
    names = bundled(FOLDER)
    if name_or_path.lower() in names:
        path = DATA / FOLDER / f"{name_or_path.lower()}.toml"
        return _rules(read_declared(path, f"{FOLDER}/{path.name}"))
    if name_or_path.lower().endswith(".toml"):
        return _rules(read_declared(folder / name_or_path))
    near = difflib.get_close_matches(name_or_path.lower(), names, 1, 0.4)
    fix = f'did you mean "{near[0]}"? ' if near else ""
    fix += f"bundled: {', '.join(names)}; rules of your own are named by their file, ending in .toml"
    raise InputError(Fault("E18", f'no rules of survey work are called "{name_or_path}"', WHERE, fix))


def _rules(declared: Declared) -> SurveyRules:
    head = {key: value for key, value in declared.tables.items() if key in field_names(SurveyRules)}
    faults = unknown_keys(declared, (), declared.tables, field_names(SurveyRules), {})
    listed = head.get("rules")
    if isinstance(listed, list) and all(isinstance(rule, dict) for rule in listed):
        for number, table in enumerate(listed):
            faults += _rule_faults(declared, number, table)
        head["rules"] = [] if faults else listed
    found: SurveyRules | None = None
    if not faults:
        found, faults = checked(SurveyRules, declared, (), head, ("E18", "E34"))
    if found is None or faults:
        raise InputError(*faults)
    return found


def _rule_faults(declared: Declared, number: int, table: dict[str, Any]) -> list[Fault]:
    """Return what is wrong with one rule."""
    at, names = ("rules", number), field_names(SurveyRule)
    known = {key: value for key, value in table.items() if key in names}
    _, faults = checked(SurveyRule, declared, at, known, ("E18", "E34"))
    return unknown_keys(declared, at, table, names, {}) + faults


def rules_of_mission(
    declared: Declared, requirement: Requirement | None, folder: Path
) -> tuple[SurveyRules | None, list[Fault]]:
    """Return the rules that a mission names, None where it names none; or why there are none."""
    if requirement is None or requirement.survey_rules is None:
        return None, []
    place = declared.place("requirement", "survey_rules")
    try:
        rules = load_survey_rules(requirement.survey_rules, folder)
    except InputError as error:
        return None, [
            dataclasses.replace(one, where=place) if one.where in ("", WHERE) else one for one in error.faults
        ]
    (least, most), theta = rules.theta, requirement.theta
    if theta is not None and not least <= theta <= most:
        what = f"`theta` is {theta:g}; {rules.name} divides the point spacing by {least:g} to {most:g}"
        place = declared.place("requirement", "theta")
        return None, [Fault("E33", what, place, "give a value inside, or leave it out")]
    return rules, []


def held_to(
    rules: SurveyRules | None, site: Site, requirement: Requirement
) -> tuple[Site, Requirement, dict[str, str]]:
    """Return a mission's site and requirement with what the rules raise, and a line on each value they set, by key.

    The strip round the area that is flown, and the least sidelap; the density asked for stays what it is.
    """
    if rules is None:
        return site, requirement, {}
    said = {}
    extent, sidelap = rules.rule("extent"), rules.rule("sidelap")
    if extent is not None and extent.value is not None and site.buffer_m < extent.value:
        said["site.buffer_m"] = f"{extent.value:g} ({_raised(rules, extent)} from {site.buffer_m:g})"
        site = dataclasses.replace(site, buffer_m=extent.value)
    if sidelap is not None and requirement.sidelap_min < rules.least_sidelap:
        said["requirement.sidelap_min"] = (
            f"{rules.least_sidelap:g} ({_raised(rules, sidelap)} from {requirement.sidelap_min:g})"
        )
        requirement = dataclasses.replace(requirement, sidelap_min=rules.least_sidelap)
    if requirement.theta is None and rules.rule("point_spacing") is not None:
        said["requirement.theta"] = f"{rules.theta[0]:g} (not given: the least of {rules.name})"
    return site, requirement, said


def _raised(rules: SurveyRules, rule: SurveyRule) -> str:
    return f"raised by {rules.name}, article {rule.article},"
