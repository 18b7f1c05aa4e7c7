"""Almanacs of navigation satellites in: the YUMA form (a line a value) and the SEM form (columns).

Lives here: reading both forms, the true week, what to beware of. Must not know orbits or what they are used for.

Both forms are described by the U.S. Coast Guard Navigation Center (Definition of a YUMA almanac; SEM almanac
description). Parameters are those of IS-GPS-200, table 20-VI.
"""

import datetime as dt
import math
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from planner.errors import Fault, InputError
from planner.files.cards import shown_path
from planner.ground.satellites import WEEK_S, Almanac, gps_seconds

Array = npt.NDArray[np.float64]

ROLL_WEEKS = 1024
"""The week is sent in ten bits (IS-GPS-200, 20.3.3.5.2.2 and 20.3.3.3.1.1)."""

STALE_DAYS = 28
"""Age from which the reader is warned: satellites are moved, added and retired; common practice, no source."""

LOST_DAYS = 180
"""Age from which windows cannot be trusted: orbits are then off by up to 1 deg (IS-GPS-200, 20.3.3.5.2.1)."""

_NOMINAL_TILT = 0.30  # semicircles, IS-GPS-200 20.3.3.5.2.1: SEM gives the inclination as a difference from it


@dataclass(frozen=True)
class _Record:
    """One satellite as its file holds it; `week` as written there."""

    number: int
    health: int
    week: int
    applies_s: float
    eccentricity: float
    inclination_rad: float
    node_rate_rad_s: float
    axis_m: float
    node_rad: float
    perigee_rad: float
    anomaly_rad: float
    where: str


def read_almanac(path: Path, date: dt.date) -> Almanac:
    """Return the healthy satellites of an almanac, YUMA or SEM, told apart by what is in the file.

    A week below 1024 is taken as the one nearest to the date with the same last ten bits. Satellites of other systems
    that come in the same form, with numbers above 32, are taken as they are.

    Parameters
    ----------
    path : Path
        The file.
    date : date
        Day of the flight.

    Raises
    ------
    InputError
        E00 unreadable, E45 malformed, E33 value that no orbit has, E02 no healthy satellite.
    """
    lines = _lines(path)
    yuma = any(_key(line) == "id" for _, line in lines)
    records = list(_yuma(lines, path) if yuma else _sem(lines, path))
    faults = [fault for record in records for fault in _value_faults(record)]
    twice = [number for number, count in Counter(record.number for record in records).items() if count > 1]
    faults += [Fault("E34", f"satellite {number} is there twice", shown_path(path), "take one out") for number in twice]
    if faults:
        raise InputError(*faults)
    healthy = [record for record in records if record.health == 0]
    if not healthy:
        what = f"no healthy satellite among {len(records)}"
        raise InputError(Fault("E02", what, shown_path(path), "take an almanac of another day"))
    return _almanac(healthy, len(records), date, path.name)


def _almanac(healthy: Sequence[_Record], of: int, date: dt.date, name: str) -> Almanac:
    def column(key: str) -> Array:
        return np.array([getattr(record, key) for record in healthy], dtype=np.float64)

    noon_s = float(gps_seconds(np.datetime64(date, "s"))) + 43200
    written, applies_s = column("week"), column("applies_s")
    rolls = np.rint(((noon_s - applies_s) / WEEK_S - written) / ROLL_WEEKS)
    week = written + ROLL_WEEKS * np.where(written < ROLL_WEEKS, rolls, 0)
    almanac = Almanac(
        number=column("number").astype(np.int64),
        week=week.astype(np.int64),
        applies_s=applies_s,
        eccentricity=column("eccentricity"),
        inclination_rad=column("inclination_rad"),
        node_rate_rad_s=column("node_rate_rad_s"),
        axis_m=column("axis_m"),
        node_rad=column("node_rad"),
        perigee_rad=column("perigee_rad"),
        anomaly_rad=column("anomaly_rad"),
    )
    return replace(almanac, cautions=tuple(_cautions(almanac, written, of, noon_s, name)))


def _cautions(almanac: Almanac, written: Array, of: int, noon_s: float, name: str) -> Iterator[str]:
    week, in_file = int(np.median(almanac.week)), int(np.median(written))
    rolled = "" if week == in_file else f", {in_file} in the file"
    yield (
        f"{name}: {len(almanac.week)} healthy satellites of {of}, GPS week {week}{rolled}, of "
        f"{str(almanac.applies_at)[:10]}."
    )
    days = (noon_s - float(np.median(almanac.week * WEEK_S + almanac.applies_s))) / 86400
    side = "older" if days > 0 else "newer"
    if abs(days) >= LOST_DAYS:
        yield (
            f"{name} is {abs(days):.0f} days {side} than the flight: satellites may stand elsewhere, and its windows "
            "cannot be trusted. Take an almanac of this month."
        )
    elif abs(days) >= STALE_DAYS:
        yield (
            f"{name} is {abs(days):.0f} days {side} than the flight: satellites are moved, added and retired, and "
            "windows drift. Take an almanac of the week."
        )


def _lines(path: Path) -> list[tuple[int, str]]:
    """Return the lines that are not empty, with their numbers."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        what = f"is not text: {error.reason}"
        raise InputError(Fault("E45", what, shown_path(path), "give the almanac as text, YUMA or SEM")) from error
    except OSError as error:
        what = f"cannot be read: {(error.strerror or 'unknown reason').lower()}"
        fix = "check window.almanac; it starts from the mission"
        raise InputError(Fault("E00", what, shown_path(path), fix)) from error
    return [(number, line.strip()) for number, line in enumerate(text.splitlines(), 1) if line.strip()]


def _key(line: str) -> str:
    """Return the letters before the colon or the unit of a YUMA line, small and without spaces; else nothing."""
    found = re.match(r"([A-Za-z0-9 ]+?)\s*(\([^)]*\)\s*)*:", line)
    return re.sub(r"\s", "", found[1]).lower() if found else ""


_YUMA = {
    "id": "number",
    "health": "health",
    "eccentricity": "eccentricity",
    "timeofapplicability": "applies_s",
    "orbitalinclination": "inclination_rad",
    "rateofrightascen": "node_rate_rad_s",
    "sqrt": "axis_m",
    "rightascenatweek": "node_rad",
    "argumentofperigee": "perigee_rad",
    "meananom": "anomaly_rad",
    "week": "week",
}
"""Key of a line, without its unit, and what it becomes; clock terms are not read."""


def _yuma(lines: Sequence[tuple[int, str]], path: Path) -> Iterator[_Record]:
    """Yield the satellites of a YUMA file; each begins with its ID."""
    blocks: list[tuple[int, dict[str, float]]] = []
    for number, line in lines:
        name = _YUMA.get(_key(line))
        if name is None:
            continue
        if name == "number":
            blocks.append((number, {}))
        if not blocks:
            raise _malformed(path, number, "a value before the first ID")
        blocks[-1][1][name] = _number(line.split(":", 1)[1], path, number)
    for number, values in blocks:
        missing = [key for key, name in _YUMA.items() if name not in values]
        if missing:
            raise _malformed(path, number, f"the satellite that begins here lacks {', '.join(missing)}")
        yield _record(values | {"axis_m": values["axis_m"] ** 2}, f"{shown_path(path)}:{number}")


def _sem(lines: Sequence[tuple[int, str]], path: Path) -> Iterator[_Record]:
    """Yield the satellites of a SEM file: two head lines, then eight lines of 1, 1, 1, 3, 3, 3, 1, 1 numbers each."""
    if len(lines) < 2 or not re.match(r"\d+(\s|$)", lines[0][1]):
        raise _malformed(path, lines[0][0] if lines else 1, "neither a YUMA nor a SEM almanac")
    count = int(lines[0][1].split()[0])
    week, applies_s = _numbers(lines[1], 2, path)
    body = lines[2:]
    if len(body) != 8 * count:
        what = f"{count} satellites need {8 * count} lines after the head, and there are {len(body)}"
        raise _malformed(path, lines[0][0], what)
    for first in range(0, len(body), 8):
        rows = [_numbers(line, 3 if 3 <= at <= 5 else 1, path) for at, line in enumerate(body[first : first + 8])]
        values = {
            "number": rows[0][0],
            "health": rows[6][0],
            "week": week,
            "applies_s": applies_s,
            "eccentricity": rows[3][0],
            "inclination_rad": (_NOMINAL_TILT + rows[3][1]) * math.pi,
            "node_rate_rad_s": rows[3][2] * math.pi,
            "axis_m": rows[4][0] ** 2,
            "node_rad": rows[4][1] * math.pi,
            "perigee_rad": rows[4][2] * math.pi,
            "anomaly_rad": rows[5][0] * math.pi,
        }
        yield _record(values, f"{shown_path(path)}:{body[first][0]}")


def _record(values: dict[str, float], where: str) -> _Record:
    whole = {name: int(values[name]) for name in ("number", "health", "week")}
    return _Record(**(values | whole), where=where)  # type: ignore[arg-type]


def _value_faults(record: _Record) -> Iterator[Fault]:
    """Yield which values no navigation satellite has: a shifted column or another unit."""
    for name, value, least, most in (
        ("eccentricity", record.eccentricity, 0.0, 0.3),
        ("semi-major axis [m]", record.axis_m, 2.0e7, 5.0e7),
        ("inclination [rad]", record.inclination_rad, 0.0, math.pi),
        ("time of applicability [s]", record.applies_s, 0.0, WEEK_S),
        ("week", record.week, 0, 8191),
    ):
        if not least <= value <= most:
            what = f"satellite {record.number}: {name} is {value:g}, outside {least:g} to {most:g}"
            yield Fault("E33", what, record.where, "download the almanac again")


def _numbers(line: tuple[int, str], count: int, path: Path) -> list[float]:
    values = [_number(value, path, line[0]) for value in line[1].split()]
    if len(values) != count:
        raise _malformed(path, line[0], f"{len(values)} numbers where {count} belong")
    return values


def _number(value: str, path: Path, line: int) -> float:
    try:
        number = float(value)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise _malformed(path, line, f"{value.strip()!r} is not a number")
    return number


def _malformed(path: Path, line: int, what: str) -> InputError:
    return InputError(Fault("E45", what, f"{shown_path(path)}:{line}", "download the almanac again, as YUMA or SEM"))
