"""What the briefing says of safety: cautions sorted for its front page, light of the laser and of the day on a sortie.

Lives here: which caution is told whole, which by its numbers, and what a sortie is marked with. Must not know pages.
"""

import datetime as dt
import math
import re
from collections.abc import Sequence
from typing import Any

import numpy as np

from planner.assessment import Assessment
from planner.files.safetywords import OPEN, cited_text, counted, grouped, value_text
from planner.flight.sorties import Sortie
from planner.ruleprofiles import MARKS
from planner.safety.cautions import Caution
from planner.safety.daylight import LightWindow, SortieLight, sorties_in_light
from planner.survey.hours import sortie_spans

Row = dict[str, Any]

TOLD_AT_THE_FOOT, TOLD_WITH_SORTIES = "not a clearance", "laser switching"
"""Notes that the foot of the front page says in words of its own, and that the page of each sortie does."""

NOTE_ROOM = 175
"""Most letters of a note on the front page, unless its first sentence is longer."""

_SENTENCES = re.compile(r"(?<=[.!?]) (?=[A-Z])")


def front_cautions(assessment: Assessment) -> Row:
    """Return what the front page says of cautions: `open_groups`, how many are `open`, `within` and `notes`.

    What is to be settled is told whole, by its groups; what keeps within by its numbers and `sources`; all else by as
    much of its text as is short. The day on which all rules were read is `read_on`, None where days differ.
    """
    groups = grouped(assessment.cautions, assessment.safety.rules)
    heights = [light_on_m(assessment, sortie) for sortie in assessment.plan.sorties]
    switched = bool(heights) and None not in heights
    elsewhere = (TOLD_AT_THE_FOOT, TOLD_WITH_SORTIES) if switched else (TOLD_AT_THE_FOOT,)
    rest = [one for group in groups for one in group.folded if one.caution_id not in elsewhere]
    numbered = [one for one in rest if one.status == "within" and _measure(one)]
    days = {one.read_on for one in assessment.cautions if one.read_on is not None}
    (same,) = days if len(days) == 1 else (None,)
    return {
        "read_on": None if same is None else same.isoformat(),
        "open_groups": [
            {"title": group.title, "cautions": [_told(one, same) for one in group.open]}
            for group in groups
            if group.open
        ],
        "open": [f"{count} {stand}" for stand, count in counted(assessment.cautions) if stand in OPEN],
        "within": _halves([_within(one) for one in numbered]),
        "sources": [(one.caution_id, _cited(one, same)) for one in numbered if _cited(one, same)],
        "notes": [_told(one, same) | {"text": brief_text(one.text)} for one in rest if one not in numbered],
    }


def _told(caution: Caution, same: dt.date | None) -> Row:
    """Return a caution whole; the day on which all were read is not said with each."""
    return {
        "name": caution.caution_id,
        "status": caution.status,
        "measure": _measure(caution),
        "text": caution.text,
        "where": caution.where,
        "cited": _cited(caution, same),
    }


def _within(caution: Caution) -> Row:
    """Return a caution as a row of numbers."""
    numbers = {"measured": value_text(caution.measured), "limit": value_text(caution.limit)}
    return {"name": caution.caution_id, "unit": caution.unit} | numbers


def _measure(caution: Caution) -> str:
    """Return what is known of the measured value and of its limit."""
    named = (("measured", caution.measured), ("limit", caution.limit))
    said = ", ".join(f"{name} {value_text(value)}" for name, value in named if value is not None)
    return f"{said} {caution.unit}".strip() if said else ""


def _cited(caution: Caution, same: dt.date | None) -> str:
    """Return the rule that a limit stands in, in few words how its text was read, and when where days differ."""
    cited = caution.citation if caution.read_on == same else cited_text(caution)
    return cited.replace(f"({MARKS['R']})", "(read)")


def brief_text(text: str, room: int = NOTE_ROOM) -> str:
    """Return the first sentence of a text, and those after it that end within so many letters."""
    sentences = _SENTENCES.split(text)
    kept = sentences[0]
    for sentence in sentences[1:]:
        if len(kept) + 1 + len(sentence) > room:
            return f"{kept} …"
        kept += f" {sentence}"
    return kept


def _halves(rows: Sequence[Row]) -> list[Sequence[Row]]:
    """Return rows as two tables that stand side by side, one where there are few."""
    middle = (len(rows) + 1) // 2 if len(rows) > 2 else len(rows)
    return [half for half in (rows[:middle], rows[middle:]) if half]


def light_on_m(assessment: Assessment, sortie: Sortie) -> tuple[float, float] | None:
    """Return above which heights over the take-off place the light may be on, for naked and aided eyes [m].

    The greatest at any pulse rate of the sortie, raised to a tenth of a metre; None where one of them is not known.
    """
    rates = {line.pulse_rate_hz for line in sortie.lines}
    known = {eye.pulse_rate_hz: eye.light_on_m for eye in assessment.safety.eyes}
    heights = [known.get(rate) for rate in rates]
    told = [one for one in heights if one is not None]
    if not told or len(told) < len(heights):
        return None
    naked, aided = (math.ceil(10 * max(one[which] for one in told) - 1e-6) / 10 for which in (0, 1))
    return naked, aided


def light_words(assessment: Assessment) -> list[Row | None]:
    """Return for each sortie what is said of daylight, by the sun alone; None where it flies between rise and set.

    Without a start of the mission nothing is said. A flight declared as one by night is told, not marked.
    """
    mission, scene, sorties = assessment.mission, assessment.scene, assessment.plan.sorties
    spans = sortie_spans(mission, sorties)
    if not spans:
        return [None] * len(sorties)
    centre = scene.area.centroid
    lon, lat = (float(value) for value in scene.frame.to_lonlat(centre.x, centre.y))
    clock = np.array([(span.begins, span.ends) for span in spans])
    return [_dark(light, declared=mission.conditions.night) for light in sorties_in_light(clock, lon, lat, "sunrise")]


def _dark(light: SortieLight, *, declared: bool) -> Row | None:
    if light.outside_min == 0:
        return None
    return {"minutes": math.ceil(light.outside_min), "day": _day(light.window), "declared": declared}


def _day(window: LightWindow) -> str:
    """Return sunrise and sunset for people."""
    if np.isnat(window.opens):
        return "the sun does not rise that day"
    rise, sets = (f"{moment.item():%H:%M}" for moment in (window.opens, window.closes))
    return f"sunrise {rise}, sunset {sets} UTC"
