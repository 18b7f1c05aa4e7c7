"""A survey planner for drone-mounted rangefinders.

The public face: a flat list of names. Each is loaded when first asked for, so that the command line answers at once.
"""

from importlib import import_module
from typing import Any

_HOME = {
    "CAUSES": "planner.forecast.gaps",
    "Assessment": "planner.assessment",
    "Caution": "planner.safety.cautions",
    "CellGrid": "planner.ground.surface",
    "Fault": "planner.errors",
    "FlightLine": "planner.flight.flightlines",
    "Forecast": "planner.assessment",
    "Gap": "planner.forecast.gaps",
    "HeightGrid": "planner.ground.surface",
    "InfeasibleError": "planner.errors",
    "InputError": "planner.errors",
    "LineFigures": "planner.assessment",
    "Mission": "planner.mission",
    "Plan": "planner.assessment",
    "PlannerError": "planner.errors",
    "Safety": "planner.assessment",
    "SafetyError": "planner.errors",
    "Scene": "planner.ground.surface",
    "Settings": "planner.flight.settings",
    "Sortie": "planner.flight.sorties",
    "assess": "planner.survey",
    "lines_named": "planner.survey",
    "make_forecast": "planner.survey",
    "make_plan": "planner.survey",
    "mend": "planner.survey",
    "read_lines": "planner.files.linefiles",
    "read_mission": "planner.files.missionfile",
    "read_scene": "planner.files.geofiles",
    "resume": "planner.survey",
    "review": "planner.survey",
    "write_cloud": "planner.files.pointcloud",
    "write_outputs": "planner.files.bundle",
}

__all__ = list(_HOME)


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        msg = f"module 'planner' has no attribute {name!r}"
        raise AttributeError(msg)
    return getattr(import_module(_HOME[name]), name)
