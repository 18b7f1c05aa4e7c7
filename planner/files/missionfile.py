"""The mission file in: TOML to the frozen inputs of a job.

Lives here: which tables and keys a mission file has, and every fault of it at once. Must not know geometry,
rasters or plans; the files a mission names are not opened, cards apart.
"""

import dataclasses
import datetime as dt
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any, TypeVar

from planner.aircraft import Aircraft
from planner.cover import Surface
from planner.equipment import Sensor
from planner.errors import Fault, InputError
from planner.files.cards import (
    Declared,
    checked,
    field_names,
    finite,
    load_aircraft,
    load_navigation,
    load_sensor,
    read_declared,
    unknown_keys,
)
from planner.files.missiontables import (
    COMPARE,
    HOMES,
    KEYS,
    MOUNT,
    RATES,
    TABLES,
    TAKEN,
    AircraftTable,
    CaseName,
    Heading,
)
from planner.files.rulefiles import load_profile
from planner.files.surfacecards import declared_surfaces
from planner.files.surveyrulefiles import held_to, rules_of_mission
from planner.mission import Case, Conditions, Limits, Mission, usual_cases
from planner.navigation import Navigation
from planner.rulechoice import RuleChoice
from planner.ruleprofiles import Profile
from planner.wording import read_wording

Card = TypeVar("Card", Sensor, Navigation, Aircraft)


def read_mission(path: str | Path) -> Mission:
    """Return the job that a mission file declares.

    Parameters
    ----------
    path : str or Path
        TOML file; the paths it names are relative to its folder.

    Raises
    ------
    InputError
        With every fault of the file and of the cards it names: E00 unreadable file, E05 take-off point off the
        globe, E14 no raster, E18 key missing, unknown or of the wrong kind, E25 no height between clearance and
        ceiling, E33 number outside its limits, E34 values that contradict each other, E43 rate not on the card,
        E45 malformed TOML.
    """
    path = Path(path)
    declared = read_declared(path)
    tables, faults = _tables(declared)
    heading, more = checked(Heading, declared, (), _heading_values(declared), ("E33", "E34"))
    faults += more
    parts: dict[str, Any] = {}
    notes, more = _read_text(declared, tables["requirement"])
    faults += more
    surfaces, more = _own_surfaces(declared, tables["cover"])
    faults += more
    for name, kind in TABLES.items():
        parts[name], more = checked(kind, declared, (name,), tables[name], ("E33", "E34"))
        faults += more
    sensor, more = _card(declared, tables, "sensor", load_sensor, path.parent)
    navigation, others = _card(declared, tables, "navigation", load_navigation, path.parent)
    faults += [*more, *others]
    aircraft, more = _card(declared, tables, "aircraft", load_aircraft, path.parent)
    faults += [*more, *_contradictions(declared, tables, sensor, aircraft), *_strays(declared, parts["aircraft"])]
    profile, more = _profile(declared, parts["rules"], path.parent)
    survey_rules, others = rules_of_mission(declared, parts["requirement"], path.parent)
    faults += [*more, *others]
    cases, more = _cases(declared, parts["conditions"] or Conditions())
    faults += more
    if faults or heading is None or sensor is None or navigation is None or aircraft is None:
        raise InputError(*faults)
    setting = parts["sensor"]
    mount = {key: getattr(setting, key) for key in MOUNT}
    site, requirement, raised = held_to(survey_rules, parts["site"], parts["requirement"])
    return Mission(
        name=heading.name,
        date=heading.date,
        file=path,
        assumptions=(*_assumptions(tables, raised), *notes, *_compared(declared, cases)),
        take_off_deg=parts["aircraft"].take_off,
        take_off_area=parts["aircraft"].take_off_area,
        site=site,
        terrain=parts["terrain"],
        cover=dataclasses.replace(parts["cover"], surfaces=surfaces),
        sensor=dataclasses.replace(sensor, **{key: value for key, value in mount.items() if value is not None}),
        navigation=navigation,
        base_distance_m=parts["navigation"].base_distance_m,
        aircraft=aircraft,
        requirement=requirement,
        checkpoints=parts["checkpoints"],
        faces=parts["faces"],
        limits=parts["limits"],
        flight=dataclasses.replace(parts["flight"], **{key: getattr(setting, key) for key in RATES}),
        hazards=parts["hazards"],
        conditions=parts["conditions"],
        marks=parts["marks"],
        window=parts["window"],
        rules=parts["rules"],
        rule_profile=profile,
        survey_rules=survey_rules,
        sensor_tested_on=setting.tested_on,
        rates=parts["rates"],
        compare=cases,
        doubts=parts["doubts"],
    )


def _heading_values(declared: Declared) -> dict[str, Any]:
    return {key: value for key, value in declared.tables.items() if key in field_names(Heading)}


def _tables(declared: Declared) -> tuple[dict[str, dict[str, Any]], list[Fault]]:
    """Return each table with its known keys only, empty where it is absent, and a fault for all that is unknown."""
    faults = unknown_keys(declared, (), declared.tables, (*field_names(Heading), *TABLES, COMPARE), HOMES)
    tables: dict[str, dict[str, Any]] = {}
    for name, known in KEYS.items():
        table = declared.tables.get(name, {})
        if not isinstance(table, dict):
            faults.append(Fault("E18", f"`{name}` is not a table", declared.place(name), f"open it with [{name}]"))
            table = {}
        faults += unknown_keys(declared, (name,), table, known, HOMES)
        tables[name] = {key: value for key, value in table.items() if key in known}
    for key in RATES:
        if tables["sensor"].get(key) == "auto":
            del tables["sensor"][key]
    if not tables["terrain"].keys() & {"ground", "surface"}:
        what = "no raster declared in [terrain]"
        fix = "name the bare earth as `ground`, or the top surface as `surface`"
        faults.append(Fault("E14", what, declared.place("terrain"), fix))
        tables["terrain"]["ground"] = ""  # reported: keeps the noun from reporting it again
    return tables, faults


def _card(
    declared: Declared,
    tables: Mapping[str, Mapping[str, Any]],
    name: str,
    load: Callable[[str, Path], Card],
    folder: Path,
) -> tuple[Card | None, list[Fault]]:
    """Return the card a table names, or the usual one where it may be left out; or None and its faults."""
    card = tables[name].get("card", getattr(TABLES[name], "card", None))
    if not isinstance(card, str):
        return None, []  # reported with the table
    try:
        return load(card, folder), []
    except InputError as error:
        place = declared.place(name, "card")
        return None, [fault if fault.where else dataclasses.replace(fault, where=place) for fault in error.faults]


def _profile(declared: Declared, rules: RuleChoice | None, folder: Path) -> tuple[Profile | None, list[Fault]]:
    """Return the rules of the air that a mission names; or None and why there are none."""
    if rules is None:
        return None, []  # reported with the table
    try:
        return load_profile(rules.profile, folder), []
    except InputError as error:
        place = declared.place("rules", "profile")
        own = ("", "rules.profile")
        return None, [dataclasses.replace(one, where=place) if one.where in own else one for one in error.faults]


def _read_text(declared: Declared, requirement: dict[str, Any]) -> tuple[list[str], list[Fault]]:
    """Add what the client's words ask for to the table; return how they were read, and every fault of them."""
    text, place = requirement.get("text"), declared.place("requirement", "text")
    if not isinstance(text, str):
        return [], []  # reported with the table
    try:
        wording = read_wording(text)
    except InputError as error:
        if not requirement.keys() & {"density_per_m2", "quality_level"}:
            requirement["density_per_m2"] = 1.0  # reported: keeps the noun from asking for a target as well
        return [], [dataclasses.replace(fault, where=place) for fault in error.faults]
    faults = []
    for key, value in wording.declared().items():
        given = requirement.setdefault(key, value)
        if given != value:
            what = f"`text` asks for `{key}` {_written(value)}, the table says {_written(given)}"
            faults.append(Fault("E34", what, declared.place("requirement", key), "leave one of the two out"))
    return [f"requirement.text: {note}" for note in wording.notes], faults


def _own_surfaces(declared: Declared, cover: dict[str, Any]) -> tuple[dict[str, Surface], list[Fault]]:
    """Take the classes of surfaces out of the cover table: they are checked one by one, each with its faults."""
    return declared_surfaces(declared, ("cover", "surfaces"), cover.pop("surfaces", {}), ("E33", "E34"))


def _cases(declared: Declared, planned: Conditions) -> tuple[tuple[Case, ...], list[Fault]]:
    """Return the cases to compare with the planned conditions, and every fault of their tables."""
    if COMPARE not in declared.tables:
        return usual_cases(planned), []
    tables = declared.tables[COMPARE]
    if not (isinstance(tables, list) and all(isinstance(table, dict) for table in tables)):
        what = f"`{COMPARE}` is not a list of tables"
        fix = f"open each case with [[{COMPARE}]] and give its name and what differs"
        # a table [compare.wet] has no line of its own for `compare`
        inner = [] if (COMPARE,) in declared.lines or not isinstance(tables, dict) else list(tables)[:1]
        return (), [Fault("E18", what, declared.place(COMPARE, *inner), fix)]
    cases: dict[str, Case] = {}
    faults: list[Fault] = []
    for number, table in enumerate(tables):
        at = (COMPARE, number)
        own = {key: value for key, value in table.items() if key in field_names(Conditions)}
        named, more = checked(CaseName, declared, at, {k: v for k, v in table.items() if k == "name"}, ("E33", "E34"))
        # checked as a whole: what a case changes may disagree with what it keeps
        conditions, others = checked(Conditions, declared, at, dataclasses.asdict(planned) | own, ("E33", "E34"))
        faults += [*unknown_keys(declared, at, table, ("name", *field_names(Conditions)), {}), *more, *others]
        if named and named.name in cases:
            what = f'`name` "{named.name}" is given to two cases'
            faults.append(Fault("E34", what, declared.place(*at, "name"), "give each case a name of its own"))
        if named and conditions:
            cases[named.name] = Case(name=named.name, conditions=conditions)
    return tuple(cases.values()), faults


def _contradictions(
    declared: Declared, tables: Mapping[str, Mapping[str, Any]], sensor: Sensor | None, aircraft: Aircraft | None
) -> Iterator[Fault]:
    """Yield a fault for each value that another table or a card rules out.

    Works on the tables as declared, so that a fault elsewhere in a table hides none of these.
    """
    if sensor:
        on_card = (sorted(sensor.pulse_rates_hz), sensor.line_rates_hz)
        for key, rates in zip(RATES, on_card, strict=True):
            asked = _number(tables["sensor"], key)
            if asked is not None and asked not in rates:
                what = f"`{key}` {asked:.10g} is not on the card of sensor {sensor.name}"
                listed = ", ".join(f"{rate:.10g}" for rate in rates) or "none, the beam is fixed"
                yield Fault("E43", what, declared.place("sensor", key), f'on the card: {listed}; or "auto"')
    start, date = tables["conditions"].get("start"), declared.tables.get("date")
    if isinstance(start, dt.datetime) and isinstance(date, dt.date) and start.date() != date:
        what = f"`start` {start} is not on the mission's `date`, {date}"
        yield Fault("E34", what, declared.place("conditions", "start"), "change one of the two")
    speed_mps, agl_m = (_number(tables["flight"], key) for key in ("speed_mps", "agl_m"))
    if aircraft and speed_mps is not None and not aircraft.min_speed_mps <= speed_mps <= aircraft.max_speed_mps:
        span = f"{aircraft.min_speed_mps:g} to {aircraft.max_speed_mps:g}"
        what = f"`speed_mps` {speed_mps:g} is outside the {span} of {aircraft.name}"
        fix = "choose a speed inside, another aircraft, or leave it out"
        yield Fault("E34", what, declared.place("flight", "speed_mps"), fix)
    if agl_m is not None:
        ceiling_m = _number(tables["limits"], "ceiling_agl_m") or Limits().ceiling_agl_m
        clearance_m = _number(tables["limits"], "clearance_m") or Limits().clearance_m
        above, below = f"above `ceiling_agl_m` {ceiling_m:g}", f"below `clearance_m` {clearance_m:g}"
        for limit, broken in ((above, agl_m > ceiling_m), (below, agl_m < clearance_m)):
            if broken:
                fix = "change the height or the limit, or leave the height out"
                yield Fault("E34", f"`agl_m` {agl_m:g} is {limit}", declared.place("flight", "agl_m"), fix)


def _number(table: Mapping[str, Any], key: str) -> float | None:
    """Return a declared number that is above 0, else None: any other value is reported with its table."""
    value = table.get(key)
    return float(value) if value is not None and finite(value) and value > 0 else None


def _strays(declared: Declared, aircraft: AircraftTable | None) -> Iterator[Fault]:
    """Yield a fault for each take-off point that is not a longitude and latitude."""
    for number, (lon, lat) in enumerate(aircraft.take_off if aircraft else (), start=1):
        if not (abs(lon) <= 180 and abs(lat) <= 90):
            what = f"`take_off` {number} reads as longitude {lon:g}, latitude {lat:g}: outside -180 to 180, -90 to 90"
            fix = "write [longitude, latitude] in degrees"
            if abs(lat) <= 180 and abs(lon) <= 90:
                fix += f"; the other way round it is longitude {lat:g}, latitude {lon:g}"
            yield Fault("E05", what, declared.place("aircraft", "take_off"), fix)


def _assumptions(tables: Mapping[str, Mapping[str, Any]], raised: Mapping[str, str]) -> Iterator[str]:
    """Yield one line for each value that was left out and is taken from a default, or that rules of survey work set."""
    for name, kind in TABLES.items():
        for field in dataclasses.fields(kind):
            label = f"{name}.{field.name}"
            default = field.default
            if label in raised:
                yield f"{label} = {raised[label]}"
                continue
            silent = default is None or default is dataclasses.MISSING  # nothing is taken for a table left out
            if field.name in tables[name] or (silent and label not in TAKEN):
                continue
            yield f"{label} = {TAKEN.get(label) or _written(default)} (not given)"


def _written(default: Any) -> str:
    if isinstance(default, bool):
        return str(default).lower()
    return f"{default:.10g}" if isinstance(default, float) else str(default)


def _compared(declared: Declared, cases: tuple[Case, ...]) -> Iterator[str]:
    """Yield the line on the cases that are compared where the mission names none."""
    if COMPARE not in declared.tables:
        yield f"{COMPARE} = {', '.join(case.name for case in cases)} (not given)"
