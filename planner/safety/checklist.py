"""The crew's checklist of one flight, drawn from its cautions and facts.

Lives here: who verifies what, when and why. Must not know missions, files or pages; promises nothing and is no legal
advice.
"""

from collections.abc import Iterator, Sequence

from planner.safety.cautions import Caution, Status
from planner.safety.checkfacts import Facts, fact_items, listed, number_text
from planner.safety.checktasks import BEFORE, LONGEST, OPEN, OTHERS_TEXT, RULES_TEXT, SECTIONS, TASKS, Item

BLANKS = (
    "pilot in command",
    "second pilot",
    "observer",
    "laser safety officer",
    "surveyor",
    "site contact",
    "land owner",
    "authority or air traffic",
    "owner of power lines",
    "emergency services",
    "nearest hospital",
)
"""Whose names and telephone numbers the crew fills in by hand."""


def checklist(cautions: Sequence[Caution], facts: Facts) -> tuple[Item, ...]:
    """Return what a crew verifies, by section; in each what is to be settled first, then in the order of the work.

    Every caution that is over or cannot be told is named by an item.

    Parameters
    ----------
    cautions : sequence of Caution
        All that were found, in any order.
    facts : Facts
        What else shapes the work.
    """
    found = (*fact_items(facts), *_of_cautions(cautions), *_of_others(cautions))
    return tuple(
        item
        for section in SECTIONS
        for status in (*OPEN, "note")
        for item in found
        if (item.section, item.status) == (section, status)
    )


def _of_cautions(cautions: Sequence[Caution]) -> Iterator[Item]:
    """Yield the tasks of cautions that have some, one for all cautions of a name."""
    for task in TASKS:
        asked = [
            one
            for one in cautions
            if (one.caution_id, one.citation) == (task.caution_id, "") and one.status in task.statuses
        ]
        if asked:
            worst = min(asked, key=lambda one: OPEN.index(one.status) if one.status in OPEN else len(OPEN))
            status: Status = worst.status if worst.status in OPEN else "note"
            yield Item(task.section, task.text, task.with_whom, _why(worst, len(asked)), status)


def _why(caution: Caution, count: int) -> str:
    """Return what was found, under the name by which the report tells it."""
    if caution.measured is None:
        found = {"over": "over what is given", "cannot tell": "cannot be told", "within": "within what is given"}
        said = found.get(caution.status, "see the report")
    else:
        against = "" if caution.limit is None else f" against {number_text(caution.limit)}"
        rest = "; the rest cannot be told" if caution.status == "cannot tell" else ""
        said = f"{number_text(caution.measured)}{against} {caution.unit}".rstrip() + rest
    return listed("", [f"{caution.caution_id}: {said}"], f" ({count} cautions)" if count > 1 else "")


def _of_others(cautions: Sequence[Caution]) -> Iterator[Item]:
    """Yield lists of what is to be settled and has no task: rules by their names, and other cautions."""
    known = {(task.caution_id, status) for task in TASKS for status in task.statuses}
    for status in OPEN:
        left = [one for one in cautions if one.status == status]
        rules = sorted({one.caution_id for one in left if one.citation})
        others = sorted({one.caution_id for one in left if not one.citation and (one.caution_id, status) not in known})
        words = "not kept as planned" if status == "over" else "it cannot be told whether they are kept"
        for names in _lines(rules, LONGEST - len(RULES_TEXT) - len(words) - 5):
            text = f"{RULES_TEXT}, {words}: {names}."
            yield Item(BEFORE, text, "authority in charge", "held against the profile of rules chosen", status)
        words = "over a limit" if status == "over" else "cannot be told"
        for names in _lines(others, LONGEST - len(OTHERS_TEXT) - len(words) - 5):
            yield Item(BEFORE, f"{OTHERS_TEXT}, {words}: {names}.", "pilot", "told by the report's cautions", status)


def _lines(names: Sequence[str], room: int) -> Iterator[str]:
    """Yield names in lines that are no longer than the room, where no name is."""
    line = ""
    for name in names:
        if line and len(line) + 2 + len(name) > room:
            yield line
            line = ""
        line += f", {name}" if line else name
    if line:
        yield line
