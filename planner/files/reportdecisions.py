"""What the report says of decisions: each setting with what bound it, the price of clauses, and what else could be.

Lives here: the rows of these tables. Must not know how anything was decided.
"""

from typing import Any

from planner.assessment import Assessment
from planner.flight.tradeoffs import Option, Tradeoffs

Row = dict[str, Any]

SETTING_WORDS = {
    "agl_m": ("Height above ground", "m", 1.0),
    "speed_mps": ("Ground speed on lines", "m/s", 1.0),
    "pulse_rate_hz": ("Pulse rate", "kHz", 1e-3),
    "line_rate_hz": ("Scan lines", "1/s", 1.0),
    "usable_half_angle_deg": ("Usable angle to each side", "deg", 1.0),
    "line_spacing_m": ("Line spacing", "m", 1.0),
    "heading_deg": ("Heading, true", "deg", 1.0),
    "sidelap": ("Least sidelap", "%", 100.0),
}
FOLLOWING_WORDS = {"terrain": "follows the ground", "level": "level", "stepped": "level in steps"}
CLAUSE_WORDS = {
    "density_per_m2": ("Density, per m²", 1.0),
    "vertical_rmse_m": ("Vertical RMSE, cm", 100.0),
    "sidelap_min": ("Least sidelap, %", 100.0),
    "percentile": ("Share of cells that may lie below, %", 1.0),
    "ceiling_agl_m": ("Ceiling, m above ground", 1.0),
    "clearance_m": ("Clearance, m", 1.0),
}
MOST_OPTIONS = 8
"""Options of the front that are shown, spread over all of it; the summary has every one."""


def decision_contents(assessment: Assessment) -> Row:
    """Return what the section on decisions says; without settings of ours there are none."""
    settings, traded = assessment.plan.settings, assessment.tradeoffs
    if settings is None:
        return {"decided": [], "traded": None}
    rows = [
        {
            "name": name,
            "value": f"{getattr(settings, key) * scale:.4g} {unit}",
            "why": settings.bound_by.get(key, ""),
        }
        for key, (name, unit, scale) in SETTING_WORDS.items()
    ]
    following = FOLLOWING_WORDS[settings.following]
    rows.append({"name": "Height along lines", "value": following, "why": settings.bound_by.get("following", "")})
    return {"decided": rows, "traded": None if traded is None else _traded(traded)}


def _traded(traded: Tradeoffs) -> Row:
    clauses = []
    for cost in traded.clauses:
        name, scale = CLAUSE_WORDS[cost.clause]
        clauses.append(
            {
                "name": name,
                "asked": f"{cost.asked * scale:.4g}",
                "relaxed": f"{cost.relaxed * scale:.4g}",
                "saved": f"{cost.saved.minutes:.1f}" if cost.saved.minutes >= 0.05 else "nothing",
                "opens": ", ".join(cost.opens),
            }
        )
    return {
        "minutes": f"{traded.time_s / 60:.1f}",
        "clauses": clauses,
        "options": [_option(option) for option in _spread(traded.front)],
        "count": len(traded.front),
    }


def _spread(front: tuple[Option, ...]) -> list[Option]:
    """Return at most so many options, from the quickest to the slowest."""
    if len(front) <= MOST_OPTIONS:
        return list(front)
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
