"""Hours and sorties into money, such that every amount can be checked with a pencil.

Lives here: quantities, amounts and their rounding. Must not know plans, files or who pays.
"""

from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from planner.rates import Rates

HUNDREDTH = Decimal("0.01")


@dataclass(frozen=True)
class Costs:
    """What a flight costs; amounts in hundredths of the currency.

    Attributes
    ----------
    currency : str
        Three letters.
    flight_hours : Decimal
        Time in the air, rounded to a hundredth of an hour, half up: this is what is charged.
    sorties : int
        Sorties charged.
    flight, handling, mobilise : Decimal
        Flight hours, sorties and mobilisation, each by its rate and rounded half up; 0 where there is no rate.
    """

    currency: str
    flight_hours: Decimal
    sorties: int
    flight: Decimal
    handling: Decimal
    mobilise: Decimal

    @property
    def total(self) -> Decimal:
        """Sum of all amounts."""
        return self.flight + self.handling + self.mobilise


def costs_of(rates: Rates, air_s: float, sorties: int) -> Costs | None:
    """Return what time in the air [s] and sorties cost; None where the rates have no currency."""
    if rates.currency is None:
        return None
    hours = _rounded(Decimal(repr(float(air_s))) / 3600)
    return Costs(
        currency=rates.currency,
        flight_hours=hours,
        sorties=sorties,
        flight=_rounded(hours * _exact(rates.flight_hour)),
        handling=_rounded(sorties * _exact(rates.sortie)),
        mobilise=_rounded(_exact(rates.mobilise)),
    )


def _exact(price: float | None) -> Decimal:
    """Return a price as it was written, which a float holds only nearly."""
    return Decimal(repr(float(price or 0.0)))


def _rounded(value: Decimal) -> Decimal:
    return value.quantize(HUNDREDTH, ROUND_HALF_UP)
