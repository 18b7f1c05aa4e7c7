"""The way from a plan to the job it belongs to: the lines in an output folder, and the mission they were made from.

Lives here: which files of an output folder are read again, and where the mission is looked for. Must not read either.
"""

import json
from collections.abc import Iterable
from pathlib import Path

from planner.errors import Fault, InputError

_FIX = "name a folder that `plan` or `review` wrote, or a file of lines"
_FIX_MISSION = "name the mission file by --mission FILE"


def plan_file(plan: Path) -> Path:
    """Return the file of lines of an output folder, or the file itself where one is named; E00 where it is missing."""
    path = plan / "plan.geojson" if plan.is_dir() else plan
    if not path.is_file():
        what = "no output folder: it lacks plan.geojson" if plan.is_dir() else "the file does not exist"
        raise InputError(Fault("E00", what, str(plan), _FIX))
    return path


def mission_of(plan: Path) -> Path:
    """Return the mission that the output folder of a file of lines was made from.

    The folder's summary tells its name; it is looked for beside the folder, and above it.

    Raises
    ------
    InputError
        E00 where there is no summary or no such mission, E45 where the summary is broken.
    """
    summary = plan.parent / "summary.json"
    if not summary.is_file():
        raise InputError(Fault("E00", "no summary.json beside it tells the mission", str(plan), _FIX_MISSION))
    try:
        recorded = [str(each["path"]) for each in json.loads(summary.read_text(encoding="utf-8"))["inputs"]]
    except (ValueError, LookupError, TypeError) as error:
        raise InputError(Fault("E45", f"not a summary of a job: {error}", str(summary), _FIX_MISSION)) from error
    return mission_beside(plan.parent, recorded)


def mission_beside(folder: Path, recorded: Iterable[str]) -> Path:
    """Return the mission file among the recorded inputs of an output folder: beside the folder or above it, else E00.

    Inputs whose names hold a folder do not lie in the mission's own.
    """
    named = sorted(name for name in recorded if name.endswith(".toml") and "/" not in name)
    here = folder.resolve()
    for name in named[:1]:
        for above in (here.parent.parent, here.parent):
            if (above / name).is_file():
                return above / name
    what = f"{named[0] if named else 'the mission'} lies neither beside the output folder nor in the folder above"
    raise InputError(Fault("E00", what, str(folder), _FIX_MISSION))
