"""The caution: one thing a crew must weigh, with what was measured and what it was held against.

Lives here: the noun all safety rooms make. Must not know files, plans or forecasts.
"""

import datetime as dt
from dataclasses import dataclass
from typing import Literal

Status = Literal["within", "over", "cannot tell", "note"]


@dataclass(frozen=True)
class Caution:
    """One caution; never a clearance.

    Attributes
    ----------
    caution_id : str
        Stable name, for example ``"ceiling"``.
    status : {"within", "over", "cannot tell", "note"}
        How the measured value stands to the limit with the data given; ``"note"`` where nothing is measured.
    text : str
        What the crew must know, in one or two sentences.
    measured, limit : float or None
        Value found and value it was held against, in `unit`.
    unit : str
        Unit of both, with the height reference where it is a height, for example ``"m above ground"``.
    citation, read_on : str, date or None
        Rule that the limit stands in, and the day it was last looked at.
    where : str
        Where the value was found.
    """

    caution_id: str
    status: Status
    text: str
    measured: float | None = None
    limit: float | None = None
    unit: str = ""
    citation: str = ""
    read_on: dt.date | None = None
    where: str = ""
