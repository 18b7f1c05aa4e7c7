"""Cautions and rules as a reader meets them, on the map and in the report: sorted into groups, the open ones first.

Lives here: which group a caution stands in, and how values, places and days are written. Must not know pages.
"""

import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from planner.assessment import Safety
from planner.safety.cautions import Caution, Status
from planner.safety.rules import RuleResult

OPEN: tuple[Status, ...] = ("over", "cannot tell")
"""Stands that ask something of the crew; cautions of these are told first and in full."""

STANDS: tuple[Status, ...] = (*OPEN, "within", "note")

EYES, RULES, GROUND, DAY, DATA = "Eyes", "Airspace and rules", "Ground beneath", "Flight and day", "Data"
GROUPS = (EYES, RULES, GROUND, DAY, DATA)
"""Headings of the groups, in the order to be read."""

_OF_RULES = {"airspace", "ceiling", "not a clearance", "rules profile", "rules age"}
_OF_GROUND = {"ground risk", "sensitive area"}
_OF_DATA = {
    "frame of marks", "inputs", "range ambiguity", "range ratings", "recorder rate", "recorder space", "reflectance",
    "survey rules", "terrain age", "unlisted obstacles", "vertical accuracy",
}  # fmt: skip

_PLACE = re.compile(r"lon (-?\d{1,3}(?:\.\d+)?) lat (-?\d{1,2}(?:\.\d+)?)\b")


@dataclass(frozen=True)
class Group:
    """The cautions of one heading.

    Attributes
    ----------
    title : str
        One of `GROUPS`.
    open, folded : tuple of Caution
        Those over a limit and then those that cannot be told; the rest in the order given.
    """

    title: str
    open: tuple[Caution, ...]
    folded: tuple[Caution, ...]


def grouped(cautions: Sequence[Caution], rules: Sequence[RuleResult]) -> list[Group]:
    """Return cautions by their headings, headings without any left out; none is lost.

    Parameters
    ----------
    cautions : sequence of Caution
        In the order to be read, which is kept within each stand.
    rules : sequence of RuleResult
        What tells cautions about rules of a profile, whose names are anybody's.
    """
    of_rules = {one.rule_id for one in rules}
    titles = [_title(caution.caution_id, of_rules) for caution in cautions]
    found = []
    for title in GROUPS:
        members = [one for one, its in zip(cautions, titles, strict=True) if its == title]
        first = [one for stand in OPEN for one in members if one.status == stand]
        rest = [one for one in members if one.status not in OPEN]
        if members:
            found.append(Group(title, tuple(first), tuple(rest)))
    return found


def _title(caution_id: str, of_rules: set[str]) -> str:
    if caution_id in of_rules | _OF_RULES:
        return RULES
    if caution_id.startswith("laser"):
        return EYES
    return GROUND if caution_id in _OF_GROUND else DATA if caution_id in _OF_DATA else DAY


def counted(cautions: Sequence[Caution]) -> list[tuple[Status, int]]:
    """Return how many cautions there are of each stand, worst first; stands without any are left out."""
    counts = Counter(caution.status for caution in cautions)
    return [(stand, counts[stand]) for stand in STANDS if counts[stand]]


def untold(safety: Safety) -> list[str]:
    """Return what of safety was not worked out, a sentence each."""
    said = (
        (safety.eyes, "No distances for eyes were worked out."),
        (safety.rules, "No rules of the air were held against this flight."),
        (safety.risk, "Where the aircraft may come down was not worked out."),
        (safety.windows, "No hours of satellites or tide were asked for."),
    )
    return [sentence for known, sentence in said if not known]


def value_text(value: float | None, unit: str = "") -> str:
    """Return a measured value or a limit with its unit, a dash where there is none."""
    if value is None or math.isnan(value):
        return "–"
    shown = f"{value:,.0f}".replace(",", "\u202f") if abs(value) >= 10_000 else f"{value:.4g}"
    return f"{shown.replace('-', '−')} {unit}".strip()


def measure_text(caution: Caution) -> str:
    """Return what was measured and what it was held against, empty where neither is known."""
    if caution.measured is None and caution.limit is None:
        return ""
    said = [("measured", caution.measured)]
    if caution.limit is not None:
        said.append(("limit", caution.limit))
    told = ", ".join(f"{name} {value_text(value) if value is not None else 'not known'}" for name, value in said)
    return f"{told} {caution.unit}".strip()


def cited_text(caution: Caution) -> str:
    """Return the rule that a limit stands in and the day it was read, empty where there is none."""
    read = f"read on {caution.read_on.isoformat()}" if caution.read_on is not None else ""
    return "; ".join(part for part in (caution.citation, read) if part)


def lonlat_of(where: str) -> tuple[float, float] | None:
    """Return the longitude and latitude that a place names [deg], None where it names none."""
    found = _PLACE.search(where)
    return (float(found[1]), float(found[2])) if found else None
