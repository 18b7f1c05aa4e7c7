"""Hours and sorties into money; an invented price list."""

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from planner.costing.costs import costs_of
from planner.rates import Rates

PRICES = st.integers(0, 10**9).map(lambda cents: cents / 100)
TIMES_S = st.floats(0, 1e6)
RATES = Rates(currency="EUR", flight_hour=240.5, sortie=35, mobilise=800)


def test_amounts_are_hours_and_sorties_by_their_rates():
    # 5000 s are 1.3888 h, charged as 1.39 h: 1.39 x 240.50 = 334.295, half up 334.30 (C)
    costs = costs_of(RATES, 5000.0, 3)
    assert (costs.flight_hours, costs.sorties) == (Decimal("1.39"), 3)
    assert (costs.flight, costs.handling, costs.mobilise) == (Decimal("334.30"), Decimal("105.00"), Decimal("800.00"))
    assert costs.total == Decimal("1239.30")


@settings(max_examples=200, deadline=None)
@given(PRICES, PRICES, PRICES, TIMES_S, st.integers(0, 500))
def test_the_total_is_reconciled_to_the_cent_from_what_is_printed(hour, sortie, mobilise, air_s, count):
    costs = costs_of(Rates(currency="EUR", flight_hour=hour, sortie=sortie, mobilise=mobilise), air_s, count)
    in_cents = [round(price * 100) for price in (hour, sortie, mobilise)]
    hundredths = int(costs.flight_hours * 100)
    assert abs(hundredths - air_s / 36) <= 0.5 + 1e-6
    flight_cents = (hundredths * in_cents[0] + 50) // 100  # whole numbers alone, half up
    assert int(costs.flight * 100) == flight_cents
    assert int(costs.total * 100) == flight_cents + count * in_cents[1] + in_cents[2]


@settings(max_examples=100, deadline=None)
@given(PRICES, PRICES, TIMES_S, TIMES_S, st.integers(0, 50), st.integers(0, 50))
def test_more_time_or_more_sorties_never_cost_less(hour, sortie, air_s, more_s, count, more):
    rates = Rates(currency="EUR", flight_hour=hour, sortie=sortie)
    assert costs_of(rates, air_s, count).total <= costs_of(rates, air_s + more_s, count + more).total


def test_without_a_currency_nothing_has_a_price():
    assert costs_of(Rates(), 5000.0, 3) is None


def test_what_has_no_rate_is_not_charged():
    costs = costs_of(Rates(currency="CHF", sortie=35), 5000.0, 3)
    assert (costs.flight, costs.mobilise, costs.total) == (0, 0, Decimal("105.00"))


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"sortie": 35}, "E18 `currency` is missing: `sortie` is a price in nothing"),
        ({"currency": "EUR"}, "E18 `currency` is given, and no price in it"),
        ({"currency": "euro", "sortie": 35}, '`currency` is "euro", not three capital letters'),
        ({"currency": "EUR\n", "sortie": 35}, "not three capital letters"),
        ({"currency": "EUR", "sortie": -1}, "greater than or equal to 0"),
        ({"currency": "EUR", "sortie": float("nan")}, "finite number"),
        ({"currency": "EUR", "flight_hour": 12.345}, "`flight_hour` is 12.345, finer than a hundredth"),
    ],
)
def test_prices_that_mean_nothing_are_refused(given, said):
    with pytest.raises(ValidationError, match=said):
        Rates(**given)
