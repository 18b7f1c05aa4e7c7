"""Requirement text in the client's words."""

from planner.wording.clauses import QUALITY_LEVEL_RMSE_M, Wording, read_wording
from planner.wording.readings import rmse_per_limit

__all__ = ["QUALITY_LEVEL_RMSE_M", "Wording", "read_wording", "rmse_per_limit"]
