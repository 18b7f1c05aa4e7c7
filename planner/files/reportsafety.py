"""What the report says of safety: eyes, rules of the air, the ground beneath, and the hours of the day.

Lives here: the tables and charts of these sections, and their number formats. Must not know how any of it was found.
"""

import datetime as dt
import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.assessment import Assessment, EyeFigures
from planner.files.safetywords import (
    OPEN,
    cited_text,
    counted,
    grouped,
    measure_text,
    untold,
    value_text,
)
from planner.files.sortiefiles import takes_off_at
from planner.ground.surroundings import KINDS
from planner.ruleprofiles import MARKS
from planner.safety.cautions import Caution
from planner.safety.exposurelimits import RULE_NAMES, RULES
from planner.safety.exposures import HazardDistances
from planner.safety.groundrisk import GroundRisk
from planner.safety.windowcautions import DayWindows
from planner.safety.windows import SkyWatch, Span

Row = dict[str, Any]

NOT_KNOWN = "not known"
WIDE, HIGH = 1440.0, 100.0
"""Width and height of a chart in its own units, a unit of its width a minute of a whole day."""
_MOST_NAMED = 6  # spans in words beside their bars
_MOST_PDOP = 2.0  # times the limit: worse is drawn at the upper end


def safety_contents(assessment: Assessment) -> Row:
    """Return what the sections on safety and cautions say."""
    safety = assessment.safety
    return {
        "safety": {
            "counts": counted(assessment.cautions),
            "groups": [
                {"title": group.title, "cautions": [_caution(one) for one in (*group.open, *group.folded)]}
                for group in grouped(assessment.cautions, safety.rules)
            ],
            "untold": untold(safety),
            "eyes": [_eyes(one) for one in safety.eyes],
            "rules": _rules(assessment),
            "risk": None if safety.risk is None else _risk(safety.risk),
            "hours": None if safety.windows is None else _hours(safety.windows, assessment),
        }
    }


def distance_text(distance_m: float | None) -> str:
    """Return a computed distance [m], rounded up to a tenth, so that it never reads shorter than it is."""
    if distance_m is None or math.isnan(distance_m):
        return NOT_KNOWN
    if math.isinf(distance_m):
        return "over 1000 km"
    if distance_m == 0:
        return "0 m"
    shown = math.ceil(distance_m * 10 - 1e-9) / 10
    return f"{shown:,.1f} m".replace(",", "\u202f")


def _caution(caution: Caution) -> Row:
    return {"said": caution, "measure": measure_text(caution), "cited": cited_text(caution)}


def _eyes(figures: EyeFigures) -> Row:
    """Return what is stated and computed for eyes at one pulse rate, a row for each set of rules and beam."""
    beams = (("as flown", figures.flown), ("scanner stopped on an eye", figures.stopped))
    rate = figures.pulse_rate_hz
    light = figures.light_on_m
    return {
        "rate": f"{rate / 1000:g} kHz" if rate >= 1000 else f"{rate:g} Hz",
        "line_rate": f"{figures.line_rate_hz:g}",
        "speed": f"{figures.speed_mps:.1f}",
        "laser_class": figures.laser_class,
        "stated": NOT_KNOWN if figures.stated_m is None else f"{figures.stated_m:g} m",
        "nearest": NOT_KNOWN if math.isnan(figures.nearest_m) else f"{figures.nearest_m:.1f} m",
        "light_on": None if light is None else [distance_text(height) for height in light],
        "rows": [row for name, found in beams if found is not None for row in _distances(name, found)],
    }


def _distances(beam: str, found: HazardDistances) -> Iterable[Row]:
    """Yield the computed distances of a beam by each set of rules."""
    for number, rules in enumerate(RULES):
        kinds = (found.naked_m, found.naked_linear_m, found.naked_in_air_m, found.aided_m, found.aided_linear_m)
        yield {
            "rules": RULE_NAMES[rules],
            "beam": beam,
            "distances": [distance_text(pair[number]) for pair in kinds],
            "memory": found.from_memory[number],
        }


def _rules(assessment: Assessment) -> list[Row]:
    """Return a row for each rule, over before what cannot be told before what is within."""
    order = [*OPEN, "within"]
    return [
        {
            "figures": one,
            "measured": value_text(one.measured),
            "limit": value_text(one.limit),
            "mark": MARKS[one.mark],
            "read_on": one.date_read.isoformat(),
        }
        for one in sorted(assessment.safety.rules, key=lambda one: order.index(one.status))
    ]


def _risk(risk: GroundRisk) -> Row:
    return {
        "figures": risk,
        "unknown_pct": 100 * risk.unknown_share,
        "missing": [words for kind, words in KINDS.items() if kind not in risk.given],
        "given": [KINDS[kind] for kind in risk.given],
        "crossings": [
            {
                "figures": one,
                "kind": KINDS[one.kind],
                "over": value_text(one.over_m, "m") if one.passes else "–",
                "passes": str(len(one.passes)) if one.passes else "–",
                "seconds": f"{one.over_s:.0f} s" if one.passes else "–",
                "inside": _inside_text(one.inside_m2, one.inside_m),
            }
            for one in risk.crossings
        ],
    }


def _inside_text(area_m2: float | None, length_m: float | None) -> str:
    """Return how much of a thing lies in the buffer; a point lies in it whole."""
    said = ((area_m2, "m²"), (length_m, "m"))
    told = [f"{value:,.0f} {unit}".replace(",", "\u202f") for value, unit in said if value is not None]
    return " and ".join(told) or "its place"


def _hours(windows: DayWindows, assessment: Assessment) -> Row:
    """Return the windows of the day as bars, with the course of PDOP where the sky was looked at."""
    day, limits = windows.day, assessment.mission.window
    sorties = _sortie_spans(assessment)
    kinds = (
        ("Satellites", windows.satellites, "window"),
        ("Tide", windows.tide, "window"),
        ("All together", windows.common, "window common"),
        ("Sorties", sorties, "sortie"),
    )
    return {
        "from": _clock(day.begins),
        "to": _clock(day.ends),
        "bars": [
            {"name": name, "kind": kind, "spans": span_bars(spans, day), "text": _spans_text(spans)}
            for name, spans, kind in kinds
            if spans is not None and (spans or name != "Sorties")
        ],
        "ticks": hour_ticks(day),
        "limits": limits,
        "tide_limits": _tide_words(limits.tide_least_m, limits.tide_most_m),
        "sky": None if windows.watch is None else _sky(windows.watch, day, limits.pdop_most),
    }


def _sortie_spans(assessment: Assessment) -> tuple[Span, ...]:
    """Return take-off to landing of each sortie in UTC, to the second; none where no start is given."""
    found = []
    for sortie in assessment.plan.sorties:
        leaves = takes_off_at(sortie, assessment)
        if leaves is not None:
            begins = np.datetime64(leaves.astimezone(dt.UTC).replace(tzinfo=None), "s")
            found.append(Span(begins, begins + np.timedelta64(math.ceil(sortie.path.duration_s), "s")))
    return tuple(found)


def span_bars(spans: Sequence[Span], day: Span) -> list[Row]:
    """Return where spans lie in a day, in units of the chart; what lies outside it is cut."""
    bars = []
    for span in spans:
        left, right = (_across(min(max(end, day.begins), day.ends), day) for end in (span.begins, span.ends))
        if right > left:
            bars.append({"x": round(left, 2), "width": round(right - left, 2)})
    return bars


def hour_ticks(day: Span) -> list[Row]:
    """Return the whole hours of UTC that divide by three in a day, with their places in percent."""
    first = day.begins.astype("datetime64[h]")
    hours = [first + np.timedelta64(number, "h") for number in range(27)]
    held = [hour for hour in hours if day.begins <= hour <= day.ends and hour.item().hour % 3 == 0]
    return [
        {"label": f"{hour.item():%H}", "left": round(100 * _across(hour.astype("datetime64[s]"), day) / WIDE, 3)}
        for hour in held
    ]


def _across(moment: np.datetime64, day: Span) -> float:
    return WIDE * Span(day.begins, moment).lasts_s / day.lasts_s


def _spans_text(spans: Sequence[Span]) -> str:
    """Return spans as hours and minutes of UTC, inward: no minute is told that is not wholly in one."""
    minute = np.timedelta64(59, "s")
    told = [f"{_clock(span.begins + minute)[11:]} to {_clock(span.ends)[11:]}" for span in spans[:_MOST_NAMED]]
    more = f" and {len(spans) - _MOST_NAMED} more" if len(spans) > _MOST_NAMED else ""
    return (", ".join(told) or "none") + more


def _sky(watch: SkyWatch, day: Span, most: float) -> Row:
    """Return the course of PDOP as a path, up to so many times its limit, and the fewest satellites."""
    top = _MOST_PDOP * most
    x = [_across(moment, day) for moment in watch.utc]
    y = HIGH * (1 - np.minimum(watch.pdop, top) / top)
    known = watch.pdop[np.isfinite(watch.pdop)]
    return {
        "path": "M" + "L".join(f"{at:.0f} {up:.1f}" for at, up in zip(x, y.tolist(), strict=True)),
        "limit_y": round(HIGH * (1 - most / top), 2),
        "top": f"{top:g}",
        "least": f"{known.min():.1f}" if len(known) else NOT_KNOWN,
        "worst": _worst_text(watch.pdop),
        "satellites": f"{watch.satellites.min()} to {watch.satellites.max()}",
    }


def _worst_text(pdop: npt.NDArray[np.float64]) -> str:
    """Return the worst of a day; a tenth means nothing where no position is of use."""
    worst = float(pdop.max())
    return "no position at times" if math.isinf(worst) else f"{worst:.1f}" if worst < 100 else "over 100"


def _tide_words(least_m: float | None, most_m: float | None) -> str:
    said = (("at least", least_m), ("at most", most_m))
    return " and ".join(f"{word} {level:g} m" for word, level in said if level is not None)


def _clock(moment: np.datetime64) -> str:
    return str(moment.astype("datetime64[m]")).replace("T", " ")
