"""Declared files in: TOML with the line of every key, and the cards of sensors, aircraft and navigation.

Lives here: reading and checking one declared table at a time, all faults together, and the bundled cards.
Must not know missions, grids or what a card is used for.
"""

import dataclasses
import datetime as dt
import difflib
import json
import re
import sys
import tomllib
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import Any, Literal, TypeVar

from pydantic import TypeAdapter, ValidationError

from planner.aircraft import Aircraft
from planner.cover import Canopy
from planner.equipment import PhaseShift, RangeRating, Receiver, Sensor, Triangulation
from planner.errors import Fault, InputError
from planner.navigation import Navigation

T = TypeVar("T")
Keys = tuple[str | int, ...]

DATA = Path(__file__).parents[1] / "data"

Cards = Literal["sensors", "aircraft", "navigation", "rules", "survey_rules"]

_DEEPER = {
    "ratings": RangeRating,
    "phase_shift": PhaseShift,
    "triangulation": Triangulation,
    "receiver": Receiver,
    "canopy": Canopy,
}

_STRING = re.compile(
    r'(?P<long>"""(?:\\.|[^\\])*?"""|\'\'\'.*?\'\'\')|(?P<short>"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\')|#[^\n]*', re.DOTALL
)
_HEADER = re.compile(r"\s*(\[\[?)([^\[\]]+)\]")
_KEY = re.compile(r"\s*([^=\[\]{},]+?)\s*=")
_HOW_TO_WRITE = {
    "string_type": "write it as text in quotes",
    "float_type": "write it as a number without quotes",
    "int_type": "write it as a whole number without quotes",
    "bool_type": "write true or false",
    "tuple_type": "write it as a list in square brackets",
    "dataclass_type": "write it as a table",
    "date_type": "write it as a day, such as 2027-04-12, without quotes",
    "date_parsing": "write it as a day, such as 2027-04-12, without quotes",
    "datetime_type": "write it as a day and time, such as 2027-04-12T10:30:00+02:00, without quotes",
    "datetime_parsing": "write it as a day and time, such as 2027-04-12T10:30:00+02:00, without quotes",
    "timezone_aware": "which zone? add the offset from UTC, such as 2027-04-12T10:30:00+02:00, or Z for UTC itself",
    "literal_error": "use one of these words",
    "too_short": "give at least as many",
    "too_long": "give no more than these",
    "string_too_short": "write a longer text",
    "string_too_long": "write a shorter text",
}


@dataclasses.dataclass(frozen=True)
class Declared:
    """A TOML file together with the line on which each key stands.

    Attributes
    ----------
    shown : str
        The file's name for messages, never absolute.
    tables : dict
        What the file says.
    lines : mapping of tuple to int
        Line of each table and key; tables of an array are numbered from 0.
    """

    shown: str
    tables: dict[str, Any]
    lines: Mapping[Keys, int]

    def place(self, *keys: str | int) -> str:
        """Return ``file:line`` of a key, or of the nearest table around it."""
        while keys and keys not in self.lines:
            keys = keys[:-1]
        return f"{self.shown}:{self.lines.get(keys, 1)}"


def shown_path(path: Path) -> str:
    """Return a path for messages: as given, relative to the working folder, or the bare name; never absolute."""
    if not path.is_absolute():
        return path.as_posix()
    return path.relative_to(Path.cwd()).as_posix() if path.is_relative_to(Path.cwd()) else path.name


def read_declared(path: Path, shown: str | None = None) -> Declared:
    """Return a TOML file with its line numbers; `shown` replaces its name in messages.

    Raises
    ------
    InputError
        E00 where the file cannot be opened, E45 where it is not UTF-8 text in TOML.
    """
    shown = shown or shown_path(path)
    try:
        # universal newlines: TOML knows only LF and CRLF, and the line count must agree with an editor's
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        fault = Fault("E45", f"is not UTF-8 text: {error.reason}", shown, "save the file as UTF-8 text")
        raise InputError(fault) from error
    except OSError as error:
        what = f"cannot be read: {(error.strerror or 'unknown reason').lower()}"
        raise InputError(Fault("E00", what, shown, "check the path of the file")) from error
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        at = re.search(r"\(at line (\d+)", str(error))
        line = int(at[1]) if at else text.rstrip().count("\n") + 1
        what = f"is not TOML: {re.sub(r' *[(]at .*[)]', '', str(error))}"
        raise InputError(Fault("E45", what, f"{shown}:{line}", "correct this line, or the one before it")) from error
    return Declared(shown, tables, dict(_lines_of(text)))


def _lines_of(text: str) -> Iterator[tuple[Keys, int]]:
    """Yield the line of every table header and key; tomllib keeps none."""
    table: Keys = ()
    counts: dict[Keys, int] = {}
    depth = 0
    for number, line in enumerate(_STRING.sub(_masked, text).split("\n"), start=1):
        header, key = _HEADER.match(line), _KEY.match(line)
        if depth == 0 and header:
            table = _split(header[2])
            if header[1] == "[[":
                if table not in counts:
                    yield table, number
                counts[table] = counts.get(table, -1) + 1
                table = (*table, counts[table])
            yield table, number
        elif depth == 0 and key:
            keys = (*table, *_split(key[1]))
            yield from ((keys[:end], number) for end in range(len(table) + 1, len(keys) + 1))
        depth += sum(map(line.count, "[{")) - sum(map(line.count, "]}"))


def _masked(token: re.Match[str]) -> str:
    """Return a comment or string with all that could be taken for structure removed, its lines kept.

    A long string becomes a bracket that spans the same lines.
    """
    if token["long"]:
        return "[" + "\n" * token["long"].count("\n") + "]"
    return re.sub(r"[\[\]{}=]", "_", token["short"]) if token["short"] else ""


def _split(dotted: str) -> Keys:
    return tuple(part.strip().strip("\"'") for part in dotted.split("."))


def field_names(kind: type[Any]) -> tuple[str, ...]:
    """Return the names of the fields of a noun."""
    return tuple(field.name for field in dataclasses.fields(kind))


def unknown_keys(
    declared: Declared, at: Keys, table: Mapping[str, Any], known: Collection[str], homes: Mapping[str, str]
) -> list[Fault]:
    """Return a fault for each key of a table that is not known.

    Parameters
    ----------
    declared, at, table
        The file, the keys that lead to the table, and the table.
    known : collection of str
        Names that may stand in the table.
    homes : mapping of str to str
        For names that belong elsewhere, the table they belong in.
    """
    faults = []
    for key in (key for key in table if key not in known):
        near = difflib.get_close_matches(key, known, 1)
        if key in homes:
            fix = f"it belongs in [{homes[key]}]"
        elif near:
            fix = f"did you mean `{near[0]}`?"
        else:
            fix = f"known names here: {', '.join(known)}"
        kind = "table" if isinstance(table[key], dict) else "key"
        faults.append(Fault("E18", f"unknown {kind} `{key}`{_inside(at)}", declared.place(*at, key), fix))
    return faults


def checked(
    kind: type[T], declared: Declared, at: Keys, table: Mapping[str, Any], codes: tuple[str, str]
) -> tuple[T | None, list[Fault]]:
    """Return a noun built from a table, or None and every fault of the table.

    Parameters
    ----------
    kind : type
        The noun, a pydantic dataclass.
    declared, at, table
        The file, the keys that lead to the table, and the table, free of unknown keys.
    codes : tuple of str
        Code of a number outside its limits, and of values that disagree with each other.
    """
    faults = {
        keys: Fault(
            codes[0],
            f"{_named(keys)} is {str(value)[:60]}, not a finite number",
            declared.place(*at, *keys),
            "give one",
        )
        for keys, value in _not_finite(table)
    }
    noun, errors = _build(kind, table)
    for error in errors:
        keys = error["loc"]
        # an array whose items are at fault is also reported as too short
        echo = error["type"] == "too_short" and any(bad[: len(keys)] == keys for bad in faults)
        if keys and not echo:
            faults.setdefault(keys, _fault_of(declared, at, error, codes[0]))
    # How values agree is only checked once each is sound: leave the faulted ones out and look again. What a noun says
    # of values that disagree may begin with its own code, and may name a way out on a second line.
    bad = {keys[0] for keys in faults}
    sound = {key: value for key, value in table.items() if key not in bad}
    for error in _build(kind, sound)[1]:
        what, _, fix = error["msg"].removeprefix("Value error, ").partition("\n")
        # a disagreement that names a faulted key only follows from that fault
        if not error["loc"] and not any(str(key) in what for key in bad):
            code, what = (what[:3], what[4:]) if re.match(r"E\d\d ", what) else (codes[1], what)
            place = declared.place(*at, *[word for word in re.findall(r"\w+", what) if word in table][:1])
            faults[(what,)] = Fault(code, what, place, fix or "change one of the values so that they agree")
    return (None, list(faults.values())) if faults else (noun, [])


def _build(kind: type[T], table: Mapping[str, Any]) -> tuple[T | None, list[Any]]:
    # JSON, because pydantic's strict mode then still takes a list for a tuple and a table for a noun. A day becomes
    # text only where a day is wanted, else a list: a name must not be a day without quotes.
    days = [name for name, held in kind.__annotations__.items() if "datetime" in str(held).lower()]
    plain = {key: str(value) if key in days and isinstance(value, dt.date) else value for key, value in table.items()}
    try:
        return TypeAdapter(kind).validate_json(json.dumps(plain, default=lambda day: [str(day)]), strict=True), []
    except ValidationError as error:
        return None, list(error.errors())


def finite(value: Any) -> bool:
    """Return whether a declared value is a number that a float can hold; true and false are none."""
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= sys.float_info.max


def _not_finite(value: Any, keys: Keys = ()) -> Iterator[tuple[Keys, float]]:
    if isinstance(value, int | float) and not isinstance(value, bool) and not finite(value):
        yield keys, value
    elif isinstance(value, Mapping | list):
        for key, item in value.items() if isinstance(value, Mapping) else enumerate(value):
            yield from _not_finite(item, (*keys, key))


def _fault_of(declared: Declared, at: Keys, error: Any, range_code: str) -> Fault:
    """Return the fault that a pydantic error stands for."""
    keys, place, key = error["loc"], declared.place(*at, *error["loc"]), str(error["loc"][-1])
    if error["type"] == "missing" and isinstance(keys[-1], int):
        return Fault("E18", f"{_named(keys[:-1])} has no item {keys[-1] + 1}", place, "give it")
    if error["type"] == "missing":
        return Fault("E18", f"`{key}` is missing{_inside((*at, *keys[:-1]))}", place, f"add `{key}`")
    if error["type"] == "unexpected_keyword_argument":  # deeper than the table itself
        names = field_names(_DEEPER[next(str(step) for step in reversed(keys[:-1]) if step in _DEEPER)])
        return unknown_keys(declared, (*at, *keys[:-1]), {key: error["input"]}, names, {})[0]
    limit = re.sub("^(Input|String|Tuple)", "it", error["msg"]).replace(" after validation", "")
    what = f"{_named(keys)} is {json.dumps(error['input'], ensure_ascii=False, default=str)[:60]}; {limit}"
    near = difflib.get_close_matches(str(error["input"]), re.findall("'(.+?)'", limit), 1)
    if near:
        return Fault("E18", what, place, f'did you mean "{near[0]}"?')
    if error["type"] in _HOW_TO_WRITE:
        return Fault("E18", what, place, _HOW_TO_WRITE[error["type"]])
    return Fault("E33" if key.endswith("_fov_deg") else range_code, what, place, "give a value inside the limit")


def _named(keys: Keys) -> str:
    """Return keys as a reader writes them, list items counted from 1."""
    return "`" + "".join(f" {key + 1}" if isinstance(key, int) else f".{key}" for key in keys)[1:] + "`"


def _inside(at: Keys) -> str:
    return f" in [{_named(at)[1:-1]}]" if at else ""


def bundled(kind: Cards) -> tuple[str, ...]:
    """Return the names of the bundled cards, sorted."""
    return tuple(sorted(path.stem for path in (DATA / kind).glob("[!_]*.toml")))


def load_sensor(name_or_path: str, folder: Path) -> Sensor:
    """Return a sensor from a bundled card, by name in any case, or from a TOML file relative to `folder`.

    Raises
    ------
    InputError
        E18 with every fault of the card or where no card has the name, E00 and E45 where the file cannot be read.
    """
    return _load(Sensor, "sensors", name_or_path, folder)


def load_aircraft(name_or_path: str, folder: Path) -> Aircraft:
    """Return an aircraft; as `load_sensor`."""
    return _load(Aircraft, "aircraft", name_or_path, folder)


def load_navigation(name_or_path: str, folder: Path) -> Navigation:
    """Return a navigation card; as `load_sensor`."""
    return _load(Navigation, "navigation", name_or_path, folder)


def _load(kind: type[T], cards: Cards, name_or_path: str, folder: Path) -> T:
    names = bundled(cards)
    if name_or_path.lower() in names:
        path = DATA / cards / f"{name_or_path.lower()}.toml"
        declared = read_declared(path, f"{cards}/{path.name}")
    elif name_or_path.endswith(".toml"):
        declared = read_declared(folder / name_or_path)
    else:
        near = difflib.get_close_matches(name_or_path.lower(), names, 1)
        fix = f'did you mean "{near[0]}"? ' if near else ""
        fix += f"bundled cards: {', '.join(names)}; a card of your own is named by its file, ending in .toml"
        raise InputError(Fault("E18", f'no card of {cards} is called "{name_or_path}"', fix=fix))
    known = field_names(kind)
    faults = unknown_keys(declared, (), declared.tables, known, {})
    table = {key: value for key, value in declared.tables.items() if key in known}
    noun, more = checked(kind, declared, (), table, ("E18", "E18"))
    if noun is None or faults:
        raise InputError(*faults, *more)
    return noun


def sensor_template() -> str:
    """Return a commented sensor card to fill in; it loads as it stands."""
    return (DATA / "sensors" / "_template.toml").read_text(encoding="utf-8")
