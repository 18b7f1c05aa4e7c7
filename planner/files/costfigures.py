"""What summary.json says of what a flight costs, and of what its clauses cost.

Lives here: these figures by the names of the schema; amounts are text, so that no cent is lost. Must not know how any
of it was found.
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


def _plain(value: Any) -> Any:
    """Return a value with each amount as text."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return str(value) if isinstance(value, Decimal) else value
