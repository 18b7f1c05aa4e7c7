"""Which lines of a plan are done: names and ranges as a crew writes them, and what is left.

Lives here: the reading of such lists. Must not know missions, sorties or files.
"""

import difflib
import re
from collections.abc import Collection, Sequence

from planner.errors import Fault, InputError
from planner.flight.flightlines import FlightLine

WHERE = "--done"
_NUMBERED = re.compile(r"([^\W\d_]*)0*(\d{1,9})")
_RANGE = re.compile(r"(.+?)\s*[-\N{EN DASH}]\s*(.+)")
_OWN_LETTER = "L"
"""A number alone means a line of this letter where the plan has any: X01, a cross line, is not line 1."""


def lines_named(lines: Sequence[FlightLine], said: str) -> tuple[str, ...]:
    """Return the names of lines that a list like ``1-9,12`` or ``L01-L09,X02`` means, in the order of the plan.

    Parameters
    ----------
    lines : sequence of FlightLine
        The plan.
    said : str
        Names (7 for L07), and ranges of either, with commas between.

    Raises
    ------
    InputError
        E18 a line that the plan does not have, E33 nothing named or a number that several lines have, E34 a range that
        runs backward or from one kind of line to another; the faults of all entries at once.
    """
    names = [line.line_id for line in lines]
    entries = [entry.strip() for entry in said.split(",") if entry.strip()]
    found: set[str] = set()
    faults: list[Fault] = []
    if not entries:
        faults.append(Fault("E33", f"{said!r} names no line", WHERE, "give lines as in 1-9,12 or L01-L09"))
    for entry in entries:
        try:
            found |= _meant(names, entry)
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(*faults)
    return tuple(name for name in names if name in found)


def lines_left(lines: Sequence[FlightLine], done: Collection[str]) -> tuple[FlightLine, ...]:
    """Return the lines that are not done, in order."""
    return tuple(line for line in lines if line.line_id not in done)


def _meant(names: Sequence[str], entry: str) -> set[str]:
    """Return the names that one entry means: a name, a number or a range."""
    ends = _RANGE.fullmatch(entry)
    if ends is None or entry in names:
        return {_one(names, entry)}
    first, last = _one(names, ends[1]), _one(names, ends[2])
    start, end = _NUMBERED.fullmatch(first), _NUMBERED.fullmatch(last)
    if start is None or end is None or start[1] != end[1]:
        what = f"{entry}: there is no counting from {first} to {last}"
        raise InputError(Fault("E34", what, WHERE, "name the lines one by one, with commas between"))
    if int(start[2]) > int(end[2]):
        what = f"{entry} runs backward"
        raise InputError(Fault("E34", what, WHERE, f"write {ends[2]}-{ends[1]}"))
    numbered = ((name, _NUMBERED.fullmatch(name)) for name in names)
    return {
        name
        for name, match in numbered
        if match and match[1] == start[1] and int(start[2]) <= int(match[2]) <= int(end[2])
    }


def _one(names: Sequence[str], word: str) -> str:
    """Return the one name that a word means."""
    same = [name for name in names if name.casefold() == word.casefold()] or _numbered_as(names, word)
    if len(same) > 1:
        what = f"{word} may be {' or '.join(same)}"
        raise InputError(Fault("E33", what, WHERE, "give the whole name"))
    if not same:
        near = difflib.get_close_matches(f"{_OWN_LETTER}{word}" if word.isdecimal() else word, names, 1)
        meant = f"did you mean {near[0]}? " if near else ""
        raise InputError(Fault("E18", f"the plan has no line {word}", WHERE, f"{meant}its lines are {_told(names)}"))
    return same[0]


def _numbered_as(names: Sequence[str], word: str) -> list[str]:
    """Return the names that have the letters and the number of a word; of a number alone, see `_OWN_LETTER`."""
    numbered = {name: match for name in names if (match := _NUMBERED.fullmatch(name))}
    wanted = _NUMBERED.fullmatch(word)
    if wanted is None:
        return []
    letters = wanted[1] or (_OWN_LETTER if any(match[1] == _OWN_LETTER for match in numbered.values()) else "")
    return [
        name
        for name, match in numbered.items()
        if int(match[2]) == int(wanted[2]) and (not letters or match[1].casefold() == letters.casefold())
    ]


def _told(names: Sequence[str]) -> str:
    """Return names for people, the middle of many left out."""
    ordered = sorted(names)
    return ", ".join(ordered) if len(ordered) <= 8 else f"{', '.join(ordered[:3])} ... {ordered[-1]}"
