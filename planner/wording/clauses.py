"""What a client's words ask for, or the readings between which the client has to choose.

Lives here: the forms that requirement text takes, and their conversions. Must not know missions, plans or forecasts.
"""

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field, fields
from typing import Any

from planner.errors import Fault, InputError
from planner.wording.readings import axes_read, cm, counts_read, errors_read, refusal, rmse_per_limit
from planner.wording.words import FOOT_M, IDLE, QUANTITIES, Clause, Word, read_words, split_clauses

QUALITY_LEVEL_RMSE_M = {"QL0": 0.05, "QL1": 0.10, "QL2": 0.10, "QL3": 0.20}
"""Largest vertical RMSE on open ground [m]: USGS Lidar Base Specification 2025 rev. A, T&M 11-B4, table 4."""

LEAST_NUMBER, MOST_NUMBER = 1e-6, 1e6
"""Limits of all numbers in a text, in whatever unit."""


@dataclass(frozen=True)
class Wording:
    """What a text asks for; None where it says nothing. Fields are named as in the mission's requirement table.

    Attributes
    ----------
    density_per_m2 : float or None
        Least density [1/m2].
    quality_level : str or None
        ``"QL0"`` to ``"QL3"``.
    returns, coverage : str or None
        ``"first"`` or ``"ground"``; ``"aggregate"`` or ``"single"``.
    percentile : float or None
        Share of cells that may lie below the density [percent].
    cell_m : float or None
        Side of the judging cell [m].
    sidelap_min : float or None
        Least share of a swath that its neighbour covers, 0-1.
    vertical_rmse_m, horizontal_rmse_m : float or None
        Largest RMSE of height, and of place (radial: both axes together) [m].
    vertical_class_cm : float or None
        Vertical accuracy class [cm]: ASPRS Positional Accuracy Standards, Edition 2, sec. 7.
    notes : tuple of str
        How the words were read where they leave something open or a number was converted.
    """

    density_per_m2: float | None = None
    quality_level: str | None = None
    returns: str | None = None
    coverage: str | None = None
    percentile: float | None = None
    cell_m: float | None = None
    sidelap_min: float | None = None
    vertical_rmse_m: float | None = None
    horizontal_rmse_m: float | None = None
    vertical_class_cm: float | None = None
    notes: tuple[str, ...] = ()

    def declared(self) -> dict[str, float | str]:
        """Return what the text asks for, by field, without what it leaves open and without the notes."""
        values = {part.name: getattr(self, part.name) for part in fields(self) if part.name != "notes"}
        return {name: value for name, value in values.items() if value is not None}


def read_wording(text: str) -> Wording:
    """Return what a requirement text asks for.

    Clauses are parted by comma, semicolon, line, full stop or "and"; within one, words may stand in any order.

    Parameters
    ----------
    text : str
        For example ``"QL1"``, ``">= 200 pts/m2 in 95 % of cells; RMSEz 5 cm"``.

    Raises
    ------
    InputError
        All faults of the text at once. E35 words that can be read in several ways, with the readings, and words that
        are not known; E34 clauses that contradict each other; E33 a number outside its limits.
    """
    said = _Said()
    for clause in split_clauses(text):
        _read_clause(clause, said)
    said.compare()
    if not said.values and not said.faults:
        said.doubt(text.strip(), "asks for nothing", (), 'write for example "200 pts/m2" or "QL1"')
    if said.faults:
        raise InputError(*said.faults)
    return Wording(**said.values, notes=tuple(said.notes))


@dataclass
class _Said:
    """What has been read so far."""

    values: dict[str, Any] = field(default_factory=dict)
    most_per_m2: float = math.inf
    done: int = 0
    notes: list[str] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)

    def put(self, name: str, value: float | str) -> None:
        """Keep a value; another one for the same field contradicts it."""
        self.done += 1
        there = self.values.setdefault(name, value)
        same = there == value if isinstance(value, str) else math.isclose(there, value, rel_tol=0.005)
        if not same:
            shown = " and ".join(item if isinstance(item, str) else f"{item:.4g}" for item in (there, value))
            self.contradict(f"`{name}` is asked for twice: {shown}", "keep one of the two, or make two missions")

    def contradict(self, what: str, fix: str) -> None:
        """Note a contradiction."""
        self.faults.append(Fault("E34", what, "", fix))

    def doubt(self, words: str, what: str, readings: tuple[str, ...], fix: str) -> None:
        """Note words that leave a choice, with the readings."""
        listed = f": {'; or '.join(readings)}" if readings else ""
        self.faults.append(Fault("E35", f'"{words}" {what}{listed}', "", fix))

    def compare(self) -> None:
        """Hold the clauses against each other."""
        least, level = self.values.get("density_per_m2"), self.values.get("quality_level")
        if least is None and self.most_per_m2 < math.inf:
            fix = 'write the least density, for example "at least 8 pts/m2"'
            self.doubt(f"at most {self.most_per_m2:g} per m2", "is a greatest density, no requirement", (), fix)
        elif least is not None and least > self.most_per_m2:
            self.contradict(f"at least {least:g} and at most {self.most_per_m2:g} returns per m2", "swap the two")
        if level and least is not None:
            what = f"{level} sets a density and {least:.4g} per m2 is asked for besides"
            self.contradict(what, "keep one of the two; the level's accuracy can be asked for as RMSEz")
        limit_m = QUALITY_LEVEL_RMSE_M[level] if level else math.inf
        if self.values.get("vertical_rmse_m", 0.0) > limit_m * 1.005:
            what = f"RMSEz {cm(self.values['vertical_rmse_m'])} is looser than the {cm(limit_m)} of {level}"
            self.contradict(what, "leave out the looser one of the two")


def _read_clause(text: str, said: _Said) -> None:
    """Take a clause apart: each step takes the words it knows, and none may be left over."""
    if re.search(r"\d,\d{3}", text):
        readings = ("the comma parts thousands", "it is a decimal comma")
        said.doubt(text, "can be read as", readings, "write the number without a comma")
        return
    words, unknown = read_words(text)
    if unknown:
        fix = "say it in other words, in the fields of the requirement table, or leave it out"
        said.doubt(text, f"holds what is not known here, from '{unknown.split()[0]}' on", (), fix)
        return
    faults, done = len(said.faults), said.done
    _check_numbers(text, words, said)
    clause = Clause(text, words)
    for step in _STEPS:
        if len(said.faults) > faults:
            return
        step(clause, said)
    left = [word.text for word in clause.words if word.kind not in IDLE]
    if len(said.faults) == faults and (left or said.done == done):
        what = f"leaves over '{' '.join(left)}'" if left else "asks for nothing"
        said.doubt(text, what, (), "put each requirement in a clause of its own, with its unit")


def _check_numbers(text: str, words: list[Word], said: _Said) -> None:
    """Refuse numbers that no requirement has, and ranges that end below their beginning."""
    for word in (word for word in words if word.kind in QUANTITIES):
        if not LEAST_NUMBER <= word.value <= MOST_NUMBER:
            what = f'"{text}": {word.text} is not in {LEAST_NUMBER:g} to {MOST_NUMBER:g}'
            said.faults.append(Fault("E33", what, "", "give a number inside the limits"))
        elif word.upper is not None and word.upper < word.value:
            said.contradict(f'"{text}": {word.text} ends below its beginning', "swap the two numbers")


def _refuse(clause: Clause, said: _Said) -> None:
    if found := refusal(clause):
        said.doubt(clause.text, *found)


def _level(clause: Clause, said: _Said) -> None:
    while found := clause.take("level"):
        said.put("quality_level", f"QL{found.parts[0]}")


def _class(clause: Clause, said: _Said) -> None:
    if not clause.has("class"):
        return
    found = clause.take("length")
    if found is None or found.upper or found.relation == "least" or clause.has("horizontal"):
        said.doubt(clause.text, "names no vertical class", (), 'write for example "5 cm vertical class"')
        return
    clause.drop("class", "vertical", "accuracy")
    said.put("vertical_class_cm", 100 * found.metres)
    said.put("vertical_rmse_m", found.metres)
    said.notes.append(f'"{clause.text}": class # means vertical RMSE up to # (ASPRS Edition 2, sec. 7)')


def _sidelap(clause: Clause, said: _Said) -> None:
    if not clause.has("sidelap"):
        return
    found = clause.take("percent")
    if found is None or found.relation == "most" or found.value >= 90:
        said.doubt(clause.text, "gives no least overlap under 90 %", (), 'write for example "sidelap at least 30 %"')
        return
    clause.take("sidelap")
    said.put("sidelap_min", found.value / 100)


def _cells(clause: Clause, said: _Said) -> None:
    share = clause.take("percentile")
    if share is not None:
        said.put("percentile", share.value)
    side = clause.take("cells of")
    if side is not None:
        said.put("cell_m", side.metres)
    if side is None and not clause.has("cells"):
        return
    if clause.has("length"):
        what = "speaks of cells and of a length that is not their side"
        said.doubt(clause.text, what, (), 'part them by a comma: "200 pts/m2 in 95 % of 1 m cells, RMSEz 5 cm"')
        return
    every, share = clause.take("every"), clause.take("percent")
    if share is not None and (share.value < 50 or share.value > 100 or share.relation == "most" or share.upper):
        what = f'"{clause.text}": {share.text} of cells have to reach the density; 50 to 100 % can be asked for'
        said.faults.append(Fault("E33", what, "", 'write for example "in 95 % of cells"'))
        return
    if every is not None or share is not None:
        said.put("percentile", 0.0 if share is None else 100 - share.value)
    clause.take("cells")


def _density(clause: Clause, said: _Said) -> None:
    spaced = clause.take("single spacing", "aggregate spacing", "spacing")
    by_name = None if spaced else clause.take("single density", "aggregate density")
    length = clause.take("length") if spaced or (clause.has("per") and clause.has("number")) else None
    area = clause.take("areal")
    if spaced or length:
        clause.take("per")
        _spacing(clause, length, area, said)
    elif area or by_name or clause.has("number"):
        _count(clause, area, by_name is not None, said)
    named = spaced or by_name
    if named and named.kind != "spacing":
        said.put("coverage", named.kind.split()[0])
        said.put("returns", "first")
        said.notes.append(f'"{clause.text}": by definition of first returns (USGS Lidar Base Specification, glossary)')


def _spacing(clause: Clause, length: Word | None, area: Word | None, said: _Said) -> None:
    one = clause.take("number")
    if length is None or length.upper or length.relation == "least" or area or (one and one.value != 1):
        fix = 'write for example "point spacing at most 0.35 m" or "8 pts/m2"'
        said.doubt(clause.text, "gives no largest spacing with its unit", (), fix)
        return
    said.put("density_per_m2", length.metres**-2)
    note = f"a spacing of {length.metres:.4g} m is {length.metres**-2:.4g} per m2 (1 / spacing squared)"
    said.notes.append(f'"{clause.text}": {note}')


def _count(clause: Clause, area: Word | None, by_name: bool, said: _Said) -> None:
    number = clause.take("number")
    if number is None:
        said.doubt(clause.text, "has no number", (), 'write for example "8 pts/m2"')
    elif area or by_name:
        clause.take("density")
        unit_m2 = FOOT_M**2 if area and "f" in area.text.lower() else 1.0
        _bounds(clause.text, number, unit_m2, said)
    elif clause.has("points", "density", "pulses", "first", "ground"):
        said.doubt(clause.text, "can be read as", counts_read(number.value), 'write for example "8 pts/m2"')
    else:
        readings = tuple(f"{number.value:g} {unit}" for unit in ("cm", "mm", "in", "points per m2"))
        said.doubt(clause.text, "has a number without a unit; it can be", readings, "write the unit")


def _bounds(text: str, number: Word, unit_m2: float, said: _Said) -> None:
    least, most = number.value / unit_m2, (number.upper or number.value) / unit_m2
    if number.relation != "most":
        said.put("density_per_m2", least)
    if number.upper or number.relation == "most":
        said.most_per_m2 = min(said.most_per_m2, most)
        said.notes.append(f'"{text}": the greatest density, {most:.4g} per m2, is not judged')
        said.done += 1


def _accuracy(clause: Clause, said: _Said) -> None:
    """Read a length as an error, if the clause says which statistic it is."""
    length = clause.take("length")
    if length is None:
        return
    rmse, share, sigma, limit = (clause.take(kind) for kind in ("rmse", "percent", "sigma", "limit"))
    open_ground = clause.take("nva")
    stats = [word for word in (rmse, share, sigma, limit) if word]
    axis = _axis(clause, rmse, limit, open_ground)
    clause.drop("vertical", "horizontal", "accuracy", "spread")
    if len(stats) != 1 or axis not in ("", "vertical", "horizontal") or length.upper or (share and share.upper):
        said.doubt(clause.text, "can be read as", errors_read(length, axis, rmse), _ERROR_FIX)
        return
    if length.relation == "least":
        said.doubt(clause.text, "asks for an error of at least that much", (), 'write "RMSEz at most 5 cm"')
        return
    if sigma and axis == "horizontal":
        readings = axes_read(length.metres / float(sigma.parts[0] or 1), "x")
        said.doubt(clause.text, "can be read as", readings, 'write for example "RMSEr 5 cm"')
        return
    if not axis:
        said.notes.append(f'"{clause.text}": no axis is named, height is taken')
    axis = axis or "vertical"
    percent = share.value if share else float(limit.parts[1] or 0) if limit else None
    if percent is not None and not 50 <= percent < 100:
        said.faults.append(Fault("E33", f'"{clause.text}": {percent:g} % is not in 50 to 99.9 %', "", _ERROR_FIX))
        return
    factor = rmse_per_limit(percent, axis) if percent is not None else float((sigma and sigma.parts[0]) or 1)
    said.put(f"{axis}_rmse_m", length.metres / factor)
    if not rmse:
        how = f"divided by {factor:g}" if factor != 1 else "as it stands"
        note = f"{how} it is {axis} RMSE {cm(length.metres / factor)}, if errors are normal with zero mean"
        said.notes.append(f'"{clause.text}": {note}')


_ERROR_FIX = 'write for example "RMSEz 5 cm" or "95 % within 10 cm vertical"'
_RMSE_AXES = {"z": "vertical", "v": "vertical", "r": "horizontal", "h": "horizontal", "xy": "horizontal"}


def _axis(clause: Clause, rmse: Word | None, limit: Word | None, open_ground: Word | None) -> str:
    """Return the axis that a clause names, "" for none, "both" where it names several or one that is not judged."""
    named = {word.kind for word in clause.words if word.kind in ("vertical", "horizontal")}
    if rmse and rmse.parts[0]:
        named.add(_RMSE_AXES.get(rmse.parts[0], "both"))
    if limit:
        named.add("vertical" if limit.parts[0] == "le" else "horizontal")
    if open_ground:
        named.add("vertical")
    return named.pop() if len(named) == 1 else "both" if named else ""


def _modifiers(clause: Clause, said: _Said) -> None:
    if clause.take("pulses"):
        said.put("returns", "first")
        said.notes.append(f'"{clause.text}": pulses are counted by their first returns')
    for kind, name in (("first", "returns"), ("ground", "returns"), ("single", "coverage"), ("aggregate", "coverage")):
        while clause.take(kind):
            said.put(name, kind)


_STEPS: tuple[Callable[[Clause, _Said], None], ...] = (
    _refuse, _level, _class, _sidelap, _cells, _density, _accuracy, _modifiers,
)  # fmt: skip
