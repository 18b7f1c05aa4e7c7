"""Cautions as plain text, from a job or from the summary of an output folder.

Lives here: the words and order in which a terminal shows them. Must not know how anything was measured.
"""

import json
import textwrap
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from planner.errors import Fault, InputError
from planner.files.cards import shown_path
from planner.safety.checkfacts import number_text

HEADS = {
    "over": "Over a limit, or to be settled",
    "cannot tell": "Cannot be told from the data given",
    "within": "Within limits, with the data given",
    "note": "To be known",
}
_WIDTH, _UNDER = 110, " " * 6
STANDING = (
    "None of this is a clearance or a classification. Local rules, the documents of sensor and aircraft, and the "
    "judgement of pilot, laser safety officer and surveyor come first."
)


def safety_of_folder(folder: Path) -> dict[str, Any]:
    """Return what the summary of an output folder says of safety.

    Raises
    ------
    InputError
        E00 where the folder holds no summary.json, E45 where that is none of ours.
    """
    path = folder / "summary.json"
    if not path.is_file():
        fix = "name an output folder of plan, review or resume, or a mission file"
        raise InputError(Fault("E00", "holds no summary.json", shown_path(folder), fix))
    try:
        safety = json.loads(path.read_text(encoding="utf-8"))["safety"]
        _ = [caution["status"] for caution in safety["cautions"]]
    except (ValueError, KeyError, TypeError) as error:
        what = f"is not a summary that this version reads ({type(error).__name__}: {error})"
        raise InputError(Fault("E45", what, shown_path(path), "plan the mission again")) from error
    return dict(safety)


def caution_text(safety: Mapping[str, Any]) -> str:
    """Return the cautions of a job for a terminal, what is to be settled first; `safety` as in summary.json."""
    lines = [f"UNSAFE {fault['code']} {fault['what']}" for fault in safety["unsafe"]]
    for status, head in HEADS.items():
        held = [caution for caution in safety["cautions"] if caution["status"] == status]
        if held:
            lines += ["", f"{head} ({len(held)})"]
            lines += [line for caution in held for line in _lines(caution)]
    lines += ["", *textwrap.wrap(STANDING, _WIDTH)]
    return "\n".join(lines).lstrip("\n")


def _lines(caution: Mapping[str, Any]) -> Iterator[str]:
    yield from textwrap.wrap(
        f"{caution['caution_id']}: {caution['text']}", _WIDTH, initial_indent="  ", subsequent_indent=_UNDER
    )
    measured, limit = caution["measured"], caution["limit"]
    if measured is not None or limit is not None:
        found = "not known" if measured is None else number_text(measured)
        held = "" if limit is None else f", limit {number_text(limit)}"
        yield f"      measured {found}{held} {caution['unit']}"
    if caution["citation"]:
        read = f", read on {caution['read_on']}" if caution["read_on"] else ""
        yield from textwrap.wrap(
            f"{caution['citation']}{read}", _WIDTH, initial_indent=_UNDER, subsequent_indent=_UNDER
        )
    if caution["where"]:
        yield f"      at {caution['where']}"
