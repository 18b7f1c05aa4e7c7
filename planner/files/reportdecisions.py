"""What the report says of decisions, as a story on one page: asked, chosen, weighed, mended, left, and at what price.

Lives here: its words and the rows of its tables. Must not know how anything was decided.
"""

from collections.abc import Iterator, Sequence
from itertools import takewhile
from typing import Any

import numpy as np

from planner.assessment import Assessment, MendStep
from planner.files.costfigures import amount_text
from planner.files.decisioncharts import Curve, curve_chart
from planner.files.reportflight import mending_rows
from planner.flight.ratecurves import RateCurve
from planner.flight.settings import Settings
from planner.flight.tradeoffs import ClauseCost, Option, Tradeoffs
from planner.mission import Mission
from planner.requirement import Requirement

Row = dict[str, Any]

SETTING_WORDS = {
    "agl_m": ("Height above ground", "m", 1.0),
    "speed_mps": ("Ground speed", "m/s", 1.0),
    "pulse_rate_hz": ("Pulse rate", "kHz", 1e-3),
    "line_rate_hz": ("Scan lines", "1/s", 1.0),
    "usable_half_angle_deg": ("Usable angle, each side", "deg", 1.0),
    "line_spacing_m": ("Line spacing", "m", 1.0),
    "heading_deg": ("Heading, true", "deg", 1.0),
    "sidelap": ("Least sidelap", "%", 100.0),
}
FOLLOWING_WORDS = {"terrain": "as the ground", "level": "level", "stepped": "in steps"}
HELD_WORDS = {
    "agl_m": "height",
    "speed_mps": "speed",
    "heading_deg": "heading",
    "heading_along": "heading",
    "pulse_rate_hz": "pulse rate",
    "line_rate_hz": "scan lines",
    "line_spacing_m": "line spacing",
    "following": "whether height follows the ground",
}
NOTHING_HELD = "The mission holds no setting: all were open."
CLAUSE_WORDS = {
    "density_per_m2": ("Density, per m²", 1.0),
    "vertical_rmse_m": ("Vertical RMSE, cm", 100.0),
    "sidelap_min": ("Least sidelap, %", 100.0),
    "percentile": ("Share of cells that may lie below, %", 1.0),
    "ceiling_agl_m": ("Ceiling, m above ground", 1.0),
    "clearance_m": ("Clearance, m", 1.0),
}
LACK_WORDS = {
    "reach": "its light does not come back from the ground",
    "density": "too few pulses come back from the lowest ground",
    "accuracy": "heights would be less accurate than asked",
    "eyes": "it would be nearer to eyes than its stated hazard distance",
    "zones": "ranges would fall into its blind bands",
    "dark": "its light does not come back from the darkest ground that counts",
}
DEMAND_WORDS = {
    "accuracy": "the height error",
    "eyes": "the stated hazard distance",
    "zones": "ranges clear of blind bands",
    "dark": "reach to the darkest ground",
}
MOST_OPTIONS = 4
"""Options of the front that are shown, spread over all of it; the summary has every one."""

SLOWEST = 2.0
"""Options that take more than so many times as long as what keeps all that is asked are left to the summary."""

NOTICED_MIN = 0.05
"""Less than this many minutes reads as none."""


def decision_contents(assessment: Assessment) -> Row:
    """Return what the section on decisions says; without settings of ours there are none."""
    settings, traded = assessment.plan.settings, assessment.tradeoffs
    if settings is None:
        return {"decided": None}
    steps, held = assessment.mending, _held_text(assessment.mission)
    return {
        "decided": {
            "asked": asked_text(assessment.mission, assessment.forecast.density.cell_m),
            "held": held,
            "holds": held != NOTHING_HELD,
            "settings": [*_settings(settings)],
            "others": [] if traded is None else [*_other_rates(settings, traded)],
            "by_height": None if traded is None else _by_height(settings, traded),
            "by_heading": None if traded is None else _by_heading(settings, traded),
            "options": [] if traded is None else [_option(option) for option in _shown(traded)],
            "count": 0 if traded is None else len(traded.front),
            "mending": mending_rows(steps[: len(steps) - len(_last_words(steps))]),
            "left": left_text(assessment),
            "clauses": None if traded is None else _clauses(assessment, traded),
        }
    }


def asked_text(mission: Mission, cell_m: float) -> str:
    """Return what is asked of cells of a side [m], as the main part of a sentence."""
    asked = mission.requirement
    share = f"{100 - asked.percentile:g} % of" if asked.percentile else "all"
    passes = "all passes together" if asked.coverage == "aggregate" else "from one pass alone"
    said = [
        f"at least {asked.target_per_m2:g} {asked.returns} returns per m², {passes}, in {share} cells of {cell_m:g} m"
    ]
    if asked.confidence is not None:
        said[0] += f", with a chance of {100 * asked.confidence:g} %"
    if asked.face_density_per_m2 is not None:
        said.append(f"{asked.face_density_per_m2:g} first returns per m² of face on walls and steep ground")
    if asked.target_rmse_m is not None:
        said.append(f"heights within {100 * asked.target_rmse_m:.3g} cm RMSE at checkpoints")
    if asked.horizontal_rmse_m is not None:
        said.append(f"places within {100 * asked.horizontal_rmse_m:.3g} cm RMSE")
    if asked.sidelap_min > 0:
        said.append(f"swaths that share {100 * asked.sidelap_min:.3g} % or more with the next")
    if asked.survey_rules is not None:
        said.append(f"the rules of {asked.survey_rules}")
    return "; ".join(said)


def _held_text(mission: Mission) -> str:
    """Return what the mission holds, and what that leaves open."""
    held = dict.fromkeys(words for name, words in HELD_WORDS.items() if getattr(mission.flight, name) is not None)
    if not held:
        return NOTHING_HELD
    listed = " and ".join([*filter(None, [", ".join([*held][:-1])]), [*held][-1]])
    return f"The mission holds {listed}; all else was open."


def _settings(settings: Settings) -> Iterator[Row]:
    for key, (name, unit, scale) in SETTING_WORDS.items():
        number = getattr(settings, key)
        value = "no neighbours" if number is None else f"{number * scale:.4g} {unit}"
        yield {"name": name, "value": value, "why": settings.bound_by.get(key, "follows from the others")}
    following = FOLLOWING_WORDS[settings.following]
    yield {"name": "Height along lines", "value": following, "why": settings.bound_by.get("following", "")}


def _other_rates(settings: Settings, traded: Tradeoffs) -> Iterator[Row]:
    """Yield the pulse rates that were not taken, with why."""
    taken = next((curve for curve in traded.rates if curve.pulse_rate_hz == settings.pulse_rate_hz), None)
    for curve in traded.rates:
        if curve is taken:
            continue
        yield {"name": f"{curve.pulse_rate_hz / 1000:g} kHz", "why": _why_not(curve, taken)}


def _why_not(curve: RateCurve, taken: RateCurve | None) -> str:
    if curve.lacks:
        return ", ".join(LACK_WORDS[name] for name in curve.lacks)
    more_min = (curve.least_s - (np.nan if taken is None else taken.least_s)) / 60
    if not np.isfinite(more_min):
        return "possible too"
    if abs(more_min) < NOTICED_MIN:
        return "as quick"
    return f"{abs(more_min):.1f} min {'more' if more_min > 0 else 'less over flat ground, but not over this ground'}"


def _by_height(settings: Settings, traded: Tradeoffs) -> Row | None:
    """Return the chart of the time from each height, the rate of the plan first."""
    rates = [curve for curve in traded.rates if not curve.lacks]
    rates.sort(key=lambda curve: (curve.pulse_rate_hz != settings.pulse_rate_hz, curve.pulse_rate_hz))
    curves = [
        Curve(f"{one.pulse_rate_hz / 1000:g} kHz", one.agl_m, tuple(time / 60 for time in one.time_s)) for one in rates
    ]
    return curve_chart(curves, settings.agl_m) if curves else None


def _by_heading(settings: Settings, traded: Tradeoffs) -> Row | None:
    if traded.headings is None:
        return None
    minutes = tuple(time / 60 for time in traded.headings.time_s)
    return curve_chart([Curve("", traded.headings.heading_deg, minutes)], settings.heading_deg % 180, 45.0)


def _last_words(steps: Sequence[MendStep]) -> list[MendStep]:
    """Return the steps at the end that change nothing: they say why nothing more was done."""
    idle = takewhile(
        lambda step: step.below_after_m2 == step.below_before_m2 and not step.lines_added and not step.minutes_added,
        reversed(steps),
    )
    return [*idle][::-1]


def left_text(assessment: Assessment) -> str:
    """Return what stays below the target, and why nothing more was done."""
    coverage, asked = assessment.forecast.coverage, assessment.mission.requirement
    if coverage.below_m2 == 0:
        said = "Nothing stays below what is asked."
    else:
        areas = {cause: area for cause, area in coverage.by_cause_m2.items() if area and cause != "water"}
        causes = ", ".join(f"{_whole(area)} m² {cause}" for cause, area in areas.items())
        may = f"{asked.percentile:g} % may" if asked.percentile else "none may"
        said = f"{_whole(coverage.below_m2)} m² ({coverage.below_pct:.2g} %) stay below what is asked, and {may}"
        said += f": {causes}." if causes else "."
        if coverage.below_pct <= asked.percentile:
            said += " Nothing more was done about what may stay."
    if assessment.met and not assessment.mending:
        said += " The forecast of the plan as first laid met it, so nothing was mended."
    words = [f"{step.what[0].upper()}{step.what[1:]}: {step.why}." for step in _last_words(assessment.mending)]
    return " ".join([said, *words])


def _whole(area_m2: float) -> str:
    return f"{area_m2:,.0f}".replace(",", "\u202f")


def _clauses(assessment: Assessment, traded: Tradeoffs) -> Row:
    """Return the clauses that cost anything, dearest first, and the names of those that do not."""
    dear = [cost for cost in traded.clauses if _costs(cost)]
    free = [CLAUSE_WORDS[cost.clause][0].split(",")[0] for cost in traded.clauses if not _costs(cost)]
    costs = assessment.costs
    return {
        "rows": [_clause(cost) for cost in dear],
        "free": ", ".join(free),
        "unpriced": ", ".join(_unpriced(assessment.mission.requirement)),
        "sorties": bool(assessment.plan.sorties),
        "currency": None if costs is None else costs.currency,
    }


def _unpriced(asked: Requirement) -> Iterator[str]:
    """Yield what is asked that closed forms over flat ground cannot price."""
    if asked.face_density_per_m2 is not None:
        yield "density on walls"
    if asked.confidence is not None:
        yield "the chance asked for"
    if asked.horizontal_rmse_m is not None:
        yield "horizontal RMSE"
    if asked.survey_rules is not None:
        yield "rules of survey work"


def _costs(cost: ClauseCost) -> bool:
    return cost.saved.minutes >= NOTICED_MIN or bool(cost.saved.sorties) or bool(cost.opens)


def _clause(cost: ClauseCost) -> Row:
    name, scale = CLAUSE_WORDS[cost.clause]
    saved = cost.saved
    return {
        "name": name,
        "asked": f"{cost.asked * scale:.4g}",
        "eased": f"{cost.relaxed * scale:.4g}",
        "minutes": f"{saved.minutes:.1f}",
        "sorties": "–" if saved.sorties is None else f"{saved.sorties}",
        "money": "–" if saved.money is None else amount_text(saved.money),
        "opens": ", ".join(DEMAND_WORDS[name] for name in cost.opens),
    }


def _shown(traded: Tradeoffs) -> list[Option]:
    """Return at most so many options of the front, from the quickest to the slowest that may still be worth it."""
    front = [option for option in traded.front if option.time_s <= SLOWEST * traded.time_s]
    if len(front) <= MOST_OPTIONS:
        return front
    step = (len(front) - 1) / (MOST_OPTIONS - 1)
    return [front[round(number * step)] for number in range(MOST_OPTIONS)]


def _option(option: Option) -> Row:
    return {
        "minutes": f"{option.time_s / 60:.1f}",
        "density": f"{option.density_per_m2:.0f}",
        "rmse": f"{100 * option.vertical_rmse_m:.1f}",
        "agl": f"{option.agl_m:.0f}",
        "speed": f"{option.speed_mps:.1f}",
        "rate": f"{option.pulse_rate_hz / 1000:g}",
        "angle": f"{option.usable_half_angle_deg:.0f}",
        "spacing": f"{option.line_spacing_m:.0f}",
    }
