"""What the outputs say of what a flight costs, and of what its clauses cost.

Lives here: these figures by the names of the schema, amounts as text so that no cent is lost; and the line that the
report has on costs. Must not know how any of it was found.
"""

from dataclasses import asdict
from decimal import Decimal
from typing import Any

from planner.assessment import Assessment


def cost_figures(assessment: Assessment) -> dict[str, Any]:
    """Return the keys of summary.json on costs and tradeoffs, each null where there are none."""
    costs, traded = assessment.costs, assessment.tradeoffs
    return {
        "costs": None if costs is None else _plain(asdict(costs) | {"total": costs.total}),
        "tradeoffs": None if traded is None else _plain(asdict(traded)),
    }


def cost_text(assessment: Assessment) -> str | None:
    """Return what the flight costs in one line, each amount with what it is for; None without rates."""
    costs, rates = assessment.costs, assessment.mission.rates
    if costs is None:
        return None
    flown = "take-off" if costs.sorties == 1 else "take-offs"
    parts = [
        (rates.flight_hour, f"{costs.flight_hours} h in the air at {rates.flight_hour or 0:.2f}", costs.flight),
        (rates.sortie, f"{costs.sorties} {flown} at {rates.sortie or 0:.2f}", costs.handling),
        (rates.mobilise, "mobilisation", costs.mobilise),
    ]
    said = ", ".join(f"{words}: {amount_text(amount)}" for rate, words, amount in parts if rate)
    text = f"{costs.currency} {amount_text(costs.total)} ({said})"
    return text if assessment.plan.sorties else f"{text}; no sorties are planned, so none are counted"


def amount_text(amount: Decimal) -> str:
    """Return an amount to the hundredth, thousands set apart by a narrow space."""
    return f"{amount:,.2f}".replace(",", "\u202f")


def _plain(value: Any) -> Any:
    """Return a value with each amount as text."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return str(value) if isinstance(value, Decimal) else value
