"""Tables of water levels in: CSV of readings, or of high and low waters.

Lives here: reading and checking the table. Must not know what levels a job needs.
"""

import csv
import datetime as dt
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from planner.errors import Fault, InputError
from planner.files.cards import shown_path
from planner.ground.tides import Tide

READINGS_APART_S = 1800
"""Readings farther apart are not joined by a straight line: 30 min."""

EXTREMES_APART_S = 16 * 3600
"""High and low water farther apart lack one between them: 12.4 h where there is one tide a day, and some room."""

MOST_LEVEL_M = 50.0
"""No water stands so far from its datum: other units, or no level."""

_FORM = "write `time,level_m`, or `time,level_m,kind` with kind high or low, and a row for each time"


def read_tide(path: Path) -> Tide:
    """Return the water levels of a table.

    Columns are `time` (ISO 8601 with its zone) and `level_m`; with a third one, `kind` (high or low), the table is one
    of high and low waters. A line `# datum: ...` names what the levels are above.

    Raises
    ------
    InputError
        E00 unreadable, E45 malformed, E33 value out of range, E34 rows that contradict each other; the faults of all
        rows at once.
    """
    lines = list(enumerate(_text(path).splitlines(), 1))
    datum = next((found[1].strip() for _, line in lines if (found := _DATUM.match(line))), None) or None
    rows = [(number, line) for number, line in lines if line.strip() and not line.lstrip().startswith("#")]
    columns = _split(rows[0][1]) if rows else []
    if columns not in (["time", "level_m"], ["time", "level_m", "kind"]):
        said = f"the first row names {', '.join(columns)}" if rows else "the table is empty"
        raise InputError(Fault("E45", said, f"{shown_path(path)}:{rows[0][0] if rows else 1}", _FORM))
    extremes = len(columns) == 3
    tried: list[_Row | None] = []
    faults: list[Fault] = []
    for number, line in rows[1:]:
        try:
            tried.append(_row(_split(line), len(columns), f"{shown_path(path)}:{number}"))
        except InputError as error:
            tried.append(None)
            faults += error.faults
    for before, after in pairwise(tried):
        if before and after:
            faults += _pair_faults(before, after, extremes=extremes)
    if len(tried) < 2:
        faults.append(Fault("E45", f"{len(tried)} level in the table, two are needed", shown_path(path), _FORM))
    if faults:
        raise InputError(*faults)
    read = [row for row in tried if row]
    utc = np.array([row.time.replace(tzinfo=None) for row in read], dtype="datetime64[s]")
    return Tide(utc, np.array([row.level_m for row in read]), extremes, datum, tuple(_cautions(path, datum)))


_DATUM = re.compile(r"\s*#\s*datum\s*:(.*)", re.IGNORECASE)


@dataclass(frozen=True)
class _Row:
    """One row of the table; `kind` is empty for a reading."""

    time: dt.datetime
    level_m: float
    kind: str
    where: str


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        what = f"is not UTF-8 text: {error.reason}"
        raise InputError(Fault("E45", what, shown_path(path), "save the file as UTF-8 text")) from error
    except OSError as error:
        what = f"cannot be read: {(error.strerror or 'unknown reason').lower()}"
        raise InputError(
            Fault("E00", what, shown_path(path), "check window.tide; it starts from the mission")
        ) from error


def _split(line: str) -> list[str]:
    return [value.strip() for value in next(csv.reader([line]))]


def _row(values: list[str], columns: int, where: str) -> _Row:
    """Return a row, or refuse it with what is wrong first."""
    if len(values) != columns:
        raise InputError(Fault("E45", f"{len(values)} values in a table of {columns} columns", where, _FORM))
    try:
        time = dt.datetime.fromisoformat(values[0])
    except ValueError as error:
        what = f"{values[0]!r} is not a time"
        raise InputError(Fault("E45", what, where, "write it like 2027-04-12T06:10Z")) from error
    if time.tzinfo is None:
        what = f"the time {values[0]} has no zone"
        raise InputError(Fault("E45", what, where, "add Z for UTC, or the clock's own, like +02:00"))
    kind = values[2].lower() if columns == 3 else ""
    if columns == 3 and kind not in ("high", "low"):
        raise InputError(Fault("E45", f"the kind is {values[2]!r}", where, "write high or low"))
    return _Row(time.astimezone(dt.UTC).replace(microsecond=0), _level_m(values[1], where), kind, where)


def _level_m(value: str, where: str) -> float:
    try:
        level = float(value)
    except ValueError:
        level = math.nan
    if not math.isfinite(level):
        raise InputError(Fault("E45", f"the level {value!r} is not a number", where, "give it in metres"))
    if abs(level) > MOST_LEVEL_M:
        what = f"the level {level:g} m is off by more than {MOST_LEVEL_M:g} m from its datum"
        raise InputError(Fault("E33", what, where, "give levels in metres"))
    return level


def _pair_faults(before: _Row, after: _Row, *, extremes: bool) -> Iterator[Fault]:
    """Yield what is wrong between two rows that follow each other."""
    apart_s = (after.time - before.time).total_seconds()
    most_s = EXTREMES_APART_S if extremes else READINGS_APART_S
    if apart_s <= 0:
        yield Fault("E34", "its time is not after that of the row before", after.where, "put the rows in order of time")
    elif apart_s > most_s:
        what = f"it comes {apart_s / 60:.0f} min after the row before, and {most_s / 60:.0f} min is the most"
        fix = "fill in the waters that are missing" if extremes else "give readings more often, or high and low waters"
        yield Fault("E34", what, after.where, fix)
    if not extremes:
        return
    if before.kind == after.kind:
        fix = f"fill in the {'low' if after.kind == 'high' else 'high'} water between them"
        yield Fault("E34", f"two {after.kind} waters follow each other", after.where, fix)
    elif (after.level_m - before.level_m) * (1 if after.kind == "high" else -1) <= 0:
        what = f"{after.kind} water at {after.level_m:g} m follows {before.kind} water at {before.level_m:g} m"
        yield Fault("E34", what, after.where, "correct the kind or the level of one of the two")


def _cautions(path: Path, datum: str | None) -> Iterator[str]:
    """Yield what must be told of the datum: neither is what terrain heights are above."""
    if datum is None:
        yield (
            f"{path.name} does not say what its levels are above: add a line `# datum: ...`. Tide tables count from "
            "chart datum, which is not that of terrain heights."
        )
    else:
        yield (
            f"Levels of {path.name} are above {datum}. Heights of the terrain are above another datum unless it is the "
            "same: a level of the one is no height of the other."
        )
