"""The composition: the only place where flight, forecast and safety meet."""

from planner.survey.jobs import assess, line_figures, make_plan, review, unsafe_lines
from planner.survey.legs import leg_of, lights_of, rating_of
from planner.survey.outlook import make_forecast

__all__ = [
    "assess",
    "leg_of",
    "lights_of",
    "line_figures",
    "make_forecast",
    "make_plan",
    "rating_of",
    "review",
    "unsafe_lines",
]
