"""The errors a user can meet, and the exit code each one means.

    PlannerError                 exit 5 on its own: a bug
    ├── InputError (ValueError)  exit 2: a file or a value cannot be used
    ├── InfeasibleError          exit 3: no flight can do what is asked
    └── SafetyError              exit 4: the flight would endanger someone

Lives here: the tree and the `Fault` it carries. Must not know files, numbers of the trade or the command line.
"""

from dataclasses import asdict, dataclass
from typing import Any, ClassVar


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong, said so that the reader can mend it.

    Attributes
    ----------
    code : str
        Stable code, for example ``"E04"`` (file has no coordinate reference system).
    what : str
        What was given and which limit it breaks.
    where : str
        ``file:line``, coordinates, or an empty string where there is no place.
    fix : str
        The way out.
    """

    code: str
    what: str
    where: str = ""
    fix: str = ""

    def __str__(self) -> str:
        """Return the fault in at most three lines."""
        head = f"{self.code} {self.where}: {self.what}" if self.where else f"{self.code} {self.what}"
        return f"{head}\n  way out: {self.fix}" if self.fix else head


class PlannerError(Exception):
    """Root of all errors raised on purpose; carries one or more faults."""

    exit_code: ClassVar[int] = 5

    def __init__(self, *faults: Fault) -> None:
        super().__init__("\n".join(map(str, faults)))
        self.faults = faults

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON twin of the message."""
        return {"exit_code": self.exit_code, "faults": [asdict(fault) for fault in self.faults]}


class InputError(PlannerError, ValueError):
    """A file or a value that cannot be used."""

    exit_code = 2


@dataclass(frozen=True, slots=True)
class Best:
    """The best that can be reached when the requirement cannot.

    Attributes
    ----------
    quantity : str
        What is limited, with its unit in the name, for example ``"density_per_m2"``.
    asked, reachable : float
        The requirement and the best achievable value.
    limited_by : str
        The limit that binds.
    """

    quantity: str
    asked: float
    reachable: float
    limited_by: str


class InfeasibleError(PlannerError):
    """No flight can do what is asked; carries the best that can be reached."""

    exit_code = 3

    def __init__(self, *faults: Fault, best: Best | None = None) -> None:
        super().__init__(*faults)
        self.best = best

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON twin, with the best achievable value."""
        return super().as_dict() | {"best": asdict(self.best) if self.best else None}


class SafetyError(PlannerError):
    """The flight would break a clearance, a keep-out area or an eye limit."""

    exit_code = 4
