"""The composition: the only place where flight, forecast and safety meet."""

from planner.survey.deciding import tradeoffs_of
from planner.survey.jobs import assess, line_figures, make_plan, resume, review, unsafe_lines
from planner.survey.legs import leg_of, lights_of, rating_of
from planner.survey.mending import mend, mend_plan
from planner.survey.outlook import make_forecast
from planner.survey.resuming import lines_left, lines_named

__all__ = [
    "assess",
    "leg_of",
    "lights_of",
    "line_figures",
    "lines_left",
    "lines_named",
    "make_forecast",
    "make_plan",
    "mend",
    "mend_plan",
    "rating_of",
    "resume",
    "review",
    "tradeoffs_of",
    "unsafe_lines",
]
