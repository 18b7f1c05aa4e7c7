"""Which pulse an echo belongs to: zones of range, and the bands in which an echo meets the next pulse.

Lives here: pulses in the air, blind bands, zones told apart, and the pulse rates that keep a span of ranges clear of
both. Must not know light, terrain or flights.

A zone is the span of ranges whose echoes come back between the same two pulses: zone 1 reaches to c / (2 F), and its
echoes belong to the last pulse. Ranges are slant ranges in metres; arguments are numbers or arrays of any shape that
broadcast, and nan stays nan.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import count

import numpy as np
import numpy.typing as npt

from planner.ranging.principles import SPEED_OF_LIGHT_MPS, apparent_range_m, wraps

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

Span = tuple[float, float]
"""Lower and upper end of ranges [m] or of pulse rates [Hz]."""


def zone_length_m(pulse_rate_hz: npt.ArrayLike) -> Array:
    """Return the length of a zone of range [m]: c / (2 F), half of what light runs between two pulses."""
    return np.asarray(SPEED_OF_LIGHT_MPS / (2 * np.asarray(pulse_rate_hz, dtype=np.float64)))


def zone_number(range_m: npt.ArrayLike, pulse_rate_hz: npt.ArrayLike) -> Array:
    """Return the zone that a range lies in, from 1: as many pulses are in the air when its echo arrives."""
    return np.asarray(wraps(range_m, zone_length_m(pulse_rate_hz)) + 1)


def unresolved_range_m(range_m: npt.ArrayLike, pulse_rate_hz: npt.ArrayLike) -> Array:
    """Return the range [m] at which a receiver puts a target if it takes the last pulse for the echo's own."""
    return apparent_range_m(range_m, zone_length_m(pulse_rate_hz))


@dataclass(frozen=True)
class Receiver:
    """What a receiver makes of several pulses in the air.

    Attributes
    ----------
    dead_before_s, dead_after_s : float
        Time before and after a pulse leaves in which no echo is seen, for the light that the instrument and the air
        near it scatter [s].
    zones : int
        Successive zones it tells apart; 1 for none but the first.
    follows : bool
        Whether those zones may start at any, by the height above ground that is expected; else they start at the first.
    """

    dead_before_s: float = 0.0
    dead_after_s: float = 0.0
    zones: int = 1
    follows: bool = False

    @property
    def blind_before_m(self) -> float:
        """Ranges lost nearer than the end of a zone [m]."""
        return SPEED_OF_LIGHT_MPS * self.dead_before_s / 2

    @property
    def blind_after_m(self) -> float:
        """Ranges lost beyond the end of a zone [m]."""
        return SPEED_OF_LIGHT_MPS * self.dead_after_s / 2

    @property
    def is_ever_blind(self) -> bool:
        """Whether there are blind bands at all."""
        return self.dead_before_s + self.dead_after_s > 0

    def is_blind(self, range_m: npt.ArrayLike, pulse_rate_hz: npt.ArrayLike) -> Mask:
        """Return whether echoes arrive while a later pulse leaves, shape of the arguments; False for nan.

        Ranges within `blind_before_m` below or `blind_after_m` above a multiple of the zone length, from the first
        multiple on: what the own pulse hides is the shortest range of the card.
        """
        distance, length = np.broadcast_arrays(np.asarray(range_m, dtype=np.float64), zone_length_m(pulse_rate_hz))
        past = np.mod(distance, length)
        after = (distance >= length) & (past <= self.blind_after_m)
        return np.asarray(self.is_ever_blind & (after | (length - past <= self.blind_before_m)))

    def blind_bands_m(self, pulse_rate_hz: float, nearest_m: float, farthest_m: float) -> Array:
        """Return the blind bands that a span of ranges meets, shape (n, 2), whole, from near to far [m]."""
        if not self.is_ever_blind:
            return np.empty((0, 2))
        length = float(zone_length_m(pulse_rate_hz))
        first = max(1, int(np.ceil((nearest_m - self.blind_after_m) / length)))
        last = int(np.floor((farthest_m + self.blind_before_m) / length))
        ends = np.arange(first, last + 1) * length
        return np.stack([ends - self.blind_before_m, ends + self.blind_after_m], axis=-1)

    def told_m(self, pulse_rate_hz: float, nearest_m: float) -> Span:
        """Return the ranges whose zone is known [m], from and below, where the nearest to be measured is given [m]."""
        length = float(zone_length_m(pulse_rate_hz))
        first = float(wraps(nearest_m, length)) if self.follows else 0.0
        return first * length, (first + self.zones) * length


@dataclass(frozen=True)
class ZoneCheck:
    """How a span of ranges lies to the zones of one pulse rate.

    Attributes
    ----------
    pulse_rate_hz : float
        Pulse rate [Hz].
    zone_length_m : float
        Length of a zone [m].
    first_zone, last_zone : int
        Zones of the nearest and the farthest range; the last is the most pulses in the air.
    blind_m : tuple of Span
        Blind bands that the span meets, cut to it [m].
    unresolved_from_m : float or None
        Range from which the zone is not known [m]; None where all of the span is.
    """

    pulse_rate_hz: float
    zone_length_m: float
    first_zone: int
    last_zone: int
    blind_m: tuple[Span, ...]
    unresolved_from_m: float | None

    @property
    def is_clear(self) -> bool:
        """Whether every range of the span is seen and belongs to a known pulse."""
        return not self.blind_m and self.unresolved_from_m is None


def check_zones(receiver: Receiver, pulse_rate_hz: float, nearest_m: float, farthest_m: float) -> ZoneCheck:
    """Return how a span of slant ranges [m] lies to the zones of a pulse rate [Hz].

    The span should hold relief, the edge of the swath, sway and a margin.
    """
    bands = receiver.blind_bands_m(pulse_rate_hz, nearest_m, farthest_m)
    cut = np.clip(bands, nearest_m, farthest_m)
    end = receiver.told_m(pulse_rate_hz, nearest_m)[1]
    return ZoneCheck(
        pulse_rate_hz=pulse_rate_hz,
        zone_length_m=float(zone_length_m(pulse_rate_hz)),
        first_zone=int(zone_number(nearest_m, pulse_rate_hz)),
        last_zone=int(zone_number(farthest_m, pulse_rate_hz)),
        blind_m=tuple((float(near), float(far)) for near, far in cut),
        unresolved_from_m=max(end, nearest_m) if farthest_m >= end else None,
    )


def clear_rates_hz(
    receiver: Receiver, pulse_rates_hz: Iterable[float], nearest_m: float, farthest_m: float
) -> tuple[float, ...]:
    """Return those of a card's pulse rates [Hz] at which a span of slant ranges [m] is all clear, in their order."""
    return tuple(rate for rate in pulse_rates_hz if check_zones(receiver, rate, nearest_m, farthest_m).is_clear)


def clear_spans_hz(receiver: Receiver, pulse_rates_hz: Span, nearest_m: float, farthest_m: float) -> tuple[Span, ...]:
    """Return the pulse rates within limits [Hz] at which a span of slant ranges [m] is all clear: open intervals.

    Between blind bands k and k + 1 lie spans with k L + after < nearest and farthest < (k + 1) L - before, L = c / 2F;
    each k allows the pulse rates c k / 2 (nearest - after) < F < c (k + 1) / 2 (farthest + before). A receiver that is
    never blind may also see a span across the ends of zones that it tells apart. Own derivation.

    Parameters
    ----------
    receiver : Receiver
        Its dead time and the zones it tells apart.
    pulse_rates_hz : Span
        Lowest and highest pulse rate that can be set [Hz].
    nearest_m, farthest_m : float
        Slant ranges to be measured [m].

    Returns
    -------
    tuple of Span
        Intervals of pulse rates from low to high [Hz], ends excluded unless they are those of `pulse_rates_hz`.
    """
    lowest, highest = pulse_rates_hz
    across = 1 if receiver.is_ever_blind else receiver.zones
    near, far = max(nearest_m - receiver.blind_after_m, 0.0), farthest_m + receiver.blind_before_m
    found = []
    for before in count() if receiver.follows else range(receiver.zones - across + 1):  # whole zones nearer than it
        if before and near == 0:
            break
        low = SPEED_OF_LIGHT_MPS * before / (2 * near) if before else 0.0
        high = min(SPEED_OF_LIGHT_MPS * (before + across) / (2 * far), highest)
        if low >= high:
            break
        if high > lowest:
            found.append((max(low, lowest), high))
    return _joined(found)


def _joined(spans: Sequence[Span]) -> tuple[Span, ...]:
    """Return spans, sorted by their lower ends, with those that overlap made one."""
    joined: list[Span] = []
    for low, high in spans:
        if joined and low < joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], high))
        else:
            joined.append((low, high))
    return tuple(joined)
