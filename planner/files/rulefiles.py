"""Profiles of aviation rules in: bundled ones by name, or TOML files of the user's own.

Lives here: reading a profile and refusing rules that nothing can measure. Must not know flights or what was found.
"""

import difflib
from pathlib import Path
from typing import Any

from planner.errors import Fault, InputError
from planner.files.cards import DATA, Declared, bundled, checked, field_names, read_declared, unknown_keys
from planner.ruleprofiles import UNITS, Profile, Rule
from planner.safety.rules import COMPARING, MEASURES

_UNIT_OF = {
    "ground_speed": "m/s",
    "mass": "kg",
    "aircraft_class": "kg",
}
"""What a measure that does not measure metres measures in."""


def load_profile(name_or_path: str, folder: Path) -> Profile:
    """Return a profile by name, in any case, or from a TOML file relative to `folder`.

    Raises
    ------
    InputError
        E18 where no profile has the name, and unknown keys, E34 values that disagree, E00 and E45 where the file
        cannot be read; all faults of a file at once.
    """
    names = bundled("rules")
    if name_or_path.lower() in names:
        path = DATA / "rules" / f"{name_or_path.lower()}.toml"
        return _profile(read_declared(path, f"rules/{path.name}"))
    if name_or_path.lower().endswith(".toml"):
        return _profile(read_declared(folder / name_or_path))
    near = difflib.get_close_matches(name_or_path.lower(), names, 3, 0.5)
    fix = f"did you mean {' or '.join(near)}? " if near else ""
    fix += f"profiles: {', '.join(names)}; one of your own is named by its file, ending in .toml"
    raise InputError(Fault("E18", f'no profile of rules is called "{name_or_path}"', "rules.profile", fix))


def _profile(declared: Declared) -> Profile:
    head = {key: value for key, value in declared.tables.items() if key in field_names(Profile)}
    faults = unknown_keys(declared, (), declared.tables, field_names(Profile), {})
    rules = head.get("rules")
    sound = []
    if isinstance(rules, list) and all(isinstance(rule, dict) for rule in rules):
        for number, table in enumerate(rules):
            wrong = _rule_faults(declared, number, table)
            faults += wrong
            sound += [] if wrong else [table]
        head["rules"] = sound
    found: Profile | None = None
    if sound or not faults:
        found, more = checked(Profile, declared, (), head, ("E18", "E34"))
        faults += more
    if found is None or faults:
        raise InputError(*faults)
    return found


def _rule_faults(declared: Declared, number: int, table: dict[str, Any]) -> list[Fault]:
    """Return what is wrong with one rule."""
    at = ("rules", number)
    known = {key: value for key, value in table.items() if key in field_names(Rule)}
    faults = unknown_keys(declared, at, table, field_names(Rule), {})
    rule, more = checked(Rule, declared, at, known, ("E18", "E34"))
    return faults + more + ([] if rule is None else list(_measure_faults(declared, at, rule)))


def _measure_faults(declared: Declared, at: tuple[str | int, ...], rule: Rule) -> list[Fault]:
    """Return why a rule cannot be measured."""
    place = declared.place(*at, "measure")
    if rule.measure not in MEASURES:
        near = difflib.get_close_matches(rule.measure, MEASURES, 1)
        fix = f"did you mean {near[0]}?" if near else f"measures: {', '.join(sorted(MEASURES))}"
        return [Fault("E18", f'{rule.rule_id}: no measure is called "{rule.measure}"', place, fix)]
    bounds = COMPARING.get(rule.measure, ())
    if bounds and rule.bound not in bounds:
        said = f'its bound is "{rule.bound}"' if rule.bound else "none is given"
        what = f"{rule.rule_id}: {rule.measure} holds what it finds against a value; {said}"
        return [Fault("E18", what, place, f"add value and unit, with bound {' or '.join(bounds)}")]
    if rule.measure == "daylight" and rule.window is None:
        fix = "add window: sunrise or civil_twilight"
        return [Fault("E18", f"{rule.rule_id}: daylight without a window", place, fix)]
    wanted = _UNIT_OF.get(rule.measure, "m")
    if rule.value is not None and UNITS[rule.unit][0] != wanted:
        units = ", ".join(unit for unit, (base, _) in UNITS.items() if base == wanted)
        what = f'{rule.rule_id}: {rule.measure} measures in {wanted}, the value is in "{rule.unit}"'
        return [Fault("E34", what, declared.place(*at, "unit"), f"give the value in one of {units}")]
    return []
