"""What flying costs: prices of the crew that flies, checked once on construction.

Lives here: a plain noun of prices in one currency. Must not know flights, hours or how an amount is rounded.
"""

import re
from typing import Annotated, Self

from pydantic import Field, model_validator

from planner.equipment import frozen

Price = Annotated[float, Field(ge=0, le=1e7, allow_inf_nan=False)]


@frozen
class Rates:
    """What flying is charged at; without a currency nothing has a price.

    Attributes
    ----------
    currency : str or None
        Three capital letters, as ISO 4217 has them; None for a job without prices.
    flight_hour : float or None
        An hour in the air, from take-off to landing; None charges none.
    sortie : float or None
        A sortie: swapping batteries and handling; None charges none.
    mobilise : float or None
        Getting to the site and away, once a job; None charges none.
    """

    currency: str | None = None
    flight_hour: Price | None = None
    sortie: Price | None = None
    mobilise: Price | None = None

    @property
    def prices(self) -> dict[str, float]:
        """Prices that are given, by their names."""
        named = {"flight_hour": self.flight_hour, "sortie": self.sortie, "mobilise": self.mobilise}
        return {name: price for name, price in named.items() if price is not None}

    @model_validator(mode="after")
    def _in_a_currency(self) -> Self:
        if self.currency is not None and not re.fullmatch("[A-Z]{3}", self.currency):
            raise ValueError(f'`currency` is "{self.currency}", not three capital letters\nwrite it as in "EUR"')
        if self.prices and self.currency is None:
            name = next(iter(self.prices))
            raise ValueError(f'E18 `currency` is missing: `{name}` is a price in nothing\ngive it, as in "EUR"')
        if self.currency is not None and not self.prices:
            msg = "E18 `currency` is given, and no price in it\ngive flight_hour, sortie or mobilise, or leave it out"
            raise ValueError(msg)
        return self

    @model_validator(mode="after")
    def _in_hundredths(self) -> Self:
        for name, price in self.prices.items():
            if round(price, 2) != price:
                raise ValueError(f"`{name}` is {price:.10g}, finer than a hundredth\nround it to two decimals")
        return self
