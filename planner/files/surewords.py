"""How a plan stands to the confidence that its mission asks for, in figures and in a sentence.

Lives here: these, as summary, report, briefing and terminal say them. Must not know how chances were found.
"""

from typing import Any

import numpy as np

from planner.assessment import Assessment
from planner.forecast.gaps import code_of


def sure_figures(assessment: Assessment) -> dict[str, Any] | None:
    """Return what summary.json says of the confidence asked for; None where none is."""
    forecast = assessment.forecast
    if forecast.sure is None:
        return None
    cells = forecast.judged & (forecast.cause != code_of("water"))
    dense = np.nan_to_num(forecast.density_per_m2[cells]) >= forecast.density.target_per_m2
    return {
        "chance": forecast.sure.confidence,
        "draws": forecast.sure.draws,
        "doubt": forecast.sure.doubt,
        "met_pct": 100 - forecast.coverage.below_pct,
        "needed_pct": 100 - forecast.density.judged_percentile,
        "as_forecast_pct": 100 * float(dense.mean()) if dense.size else 0.0,
        "minutes_added": sum(step.minutes_added for step in assessment.mending),
    }


def sure_text(assessment: Assessment) -> str | None:
    """Return how the plan stands to the confidence asked for, in sentences without the last stop; None without one."""
    figures = sure_figures(assessment)
    if figures is None:
        return None
    chance, doubt = f"{100 * figures['chance']:g} %", f"{100 * figures['doubt']:.1g} %"
    met, dense = _share(figures["met_pct"]), _share(figures["as_forecast_pct"])
    said = (
        f"Judged with a confidence of {chance}: {met} % of the cells have what is asked with a chance of {chance} or "
        f"more, {figures['needed_pct']:g} % have to; as forecast {dense} % have their density. Counted over "
        f"{figures['draws']} draws, which tell such a chance to {doubt}: that is taken off"
    )
    if assessment.mending:
        minutes = f"{figures['minutes_added']:+.1f} min"
        said += f". Against the first plan, made for the flight as forecast, mending took {minutes}"
    return said


def _share(share_pct: float) -> str:
    """Return a share [percent] that reads as all only where it is all."""
    return f"{share_pct:.1f}" if share_pct < 99.95 or share_pct == 100 else f"{np.floor(100 * share_pct) / 100:.2f}"
