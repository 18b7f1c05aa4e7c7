"""The chance that an echo is seen in noise, and how well it is timed.

Lives here: thresholds, false alarms, chances of detection, light of day against night, and noise that grows as the
signal falls. Must not know ranges, surfaces or air: signals come as ratios to the rated one.

Noise is Gaussian, its root mean square the unit. A signal-to-noise ratio is one of amplitudes, peak current to noise;
its square is the ratio of powers. It is taken to go with the light returned, as it does where the receiver or the sun
sets the noise rather than the echo itself. Detectors that multiply have heavier tails than Gaussian: false alarms at
high thresholds are understated. Formulas: Rice, Bell System Technical Journal 23-24 (1944-45); Richmond and Cain,
Direct-Detection LADAR Systems (SPIE TT85, 2010), both from memory. Arguments are numbers or arrays of any shape that
broadcast; nan stays nan.
"""

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

TYPICAL_THRESHOLD = 5.0
"""Threshold where the card is silent, in noise: at 100 MHz about 215 false alarms a second."""

TYPICAL_CHANCE = 0.9
"""Chance of detection at a rated range where the card is silent."""

_ENDS = [-math.inf, math.inf]
_SURE = 4.0  # noises above the threshold past which a miss (3 in 100 000) no longer counts


_erfc = np.vectorize(math.erfc, otypes=[np.float64])
_inverse = np.vectorize(NormalDist().inv_cdf, otypes=[np.float64])


def _floats(values: npt.ArrayLike) -> Array:
    return np.asarray(values, dtype=np.float64)


def false_alarms_hz(threshold: npt.ArrayLike, bandwidth_hz: npt.ArrayLike) -> Array:
    """Return how often noise crosses a threshold upward [Hz]: B / sqrt(3) exp(-threshold^2 / 2) (Rice)."""
    return np.asarray(_floats(bandwidth_hz) / math.sqrt(3) * np.exp(-(_floats(threshold) ** 2) / 2))


def threshold_for(false_alarms_hz: npt.ArrayLike, bandwidth_hz: npt.ArrayLike) -> Array:
    """Return the threshold, in noise, of a rate of false alarms [Hz] at a bandwidth [Hz]; 0 for any higher rate."""
    crossings = _floats(bandwidth_hz) / math.sqrt(3) / _floats(false_alarms_hz)
    return np.asarray(np.sqrt(2 * np.log(np.maximum(crossings, 1.0))))


def gate_alarm_chance(false_alarms_hz: npt.ArrayLike, gate_s: npt.ArrayLike) -> Array:
    """Return the chance of a false alarm within the time a receiver listens [s]: 1 - exp(-rate time)."""
    return np.asarray(-np.expm1(-_floats(false_alarms_hz) * _floats(gate_s)))


def sample_alarm_chance(threshold: npt.ArrayLike) -> Array:
    """Return the chance that one sample of noise is above a threshold."""
    return detection_chance(0.0, threshold)


def detection_chance(signal_to_noise: npt.ArrayLike, threshold: npt.ArrayLike = TYPICAL_THRESHOLD) -> Array:
    """Return the chance that an echo is seen: erfc((threshold - signal) / sqrt(2)) / 2, one look a pulse.

    Receivers that look several times a pulse need some 0.6 dB less: this is on the safe side.
    """
    return np.asarray(_erfc((_floats(threshold) - _floats(signal_to_noise)) / math.sqrt(2)) / 2)


def signal_to_noise_for(chance: npt.ArrayLike, threshold: npt.ArrayLike = TYPICAL_THRESHOLD) -> Array:
    """Return the signal-to-noise ratio that is seen with a chance; the inverse of `detection_chance`.

    Infinite for a chance of 1, nan outside 0-1.
    """
    share = _floats(chance)
    between = (share > 0) & (share < 1)
    above = np.where(
        between, _inverse(np.where(between, share, 0.5)), np.select([share == 0, share == 1], _ENDS, np.nan)
    )
    return np.asarray(_floats(threshold) + above)


def power_db(signal_to_noise: npt.ArrayLike) -> Array:
    """Return a signal-to-noise ratio of amplitudes as one of powers [dB]: 20 log10."""
    return np.asarray(20 * np.log10(_floats(signal_to_noise)))


def light_gain(rated_noise: npt.ArrayLike, flown_noise: npt.ArrayLike) -> Array:
    """Return by what the signal-to-noise ratio is better than rated, for another light.

    The strength of the sensor goes with its root: in clear air so does range, and day to night is
    (night noise / day noise)^(1/2).

    Parameters
    ----------
    rated_noise, flown_noise : array_like
        Noise in the light the range was stated for, and in that of the flight, both for noise at night. A range that
        was stated in daylight has the sun's noise in it: then `rated_noise` is that of day, and the same sun costs
        nothing more. Both are 1 for a receiver whose own noise drowns the sun's.
    """
    return np.asarray(_floats(rated_noise) / _floats(flown_noise))


@dataclass(frozen=True)
class Seeing:
    """How surely a receiver sees a signal, given as a ratio to the rated one.

    Attributes
    ----------
    threshold : float
        Threshold, in noise.
    rated_chance : float
        Chance of detection that the rated range was stated for, 0-1, ends excluded.
    gain : float
        Signal-to-noise ratio in the light of the flight for that in the light of the rating: see `light_gain`.
    """

    threshold: float = TYPICAL_THRESHOLD
    rated_chance: float = TYPICAL_CHANCE
    gain: float = 1.0

    @property
    def rated_signal_to_noise(self) -> float:
        """Signal-to-noise ratio of a signal of ratio 1 in the light of the rating."""
        return float(signal_to_noise_for(self.rated_chance, self.threshold))

    def signal_to_noise(self, signal_ratio: npt.ArrayLike) -> Array:
        """Return the signal-to-noise ratio of signal ratios in the light of the flight."""
        return np.asarray(_floats(signal_ratio) * (self.gain * self.rated_signal_to_noise))

    def chance(self, signal_ratio: npt.ArrayLike) -> Array:
        """Return the chance that signals are seen; 0 where there is none, noise aside."""
        ratio = _floats(signal_ratio)
        return np.where(ratio <= 0, 0.0, detection_chance(self.signal_to_noise(ratio), self.threshold))

    def ratio_for(self, chance: npt.ArrayLike) -> Array:
        """Return the signal ratio that is seen with a chance, the inverse of `chance`; ranges go with its root."""
        needed = np.maximum(signal_to_noise_for(chance, self.threshold), 0.0)
        return np.asarray(needed / (self.gain * self.rated_signal_to_noise))

    def table(self, steps: int = 512) -> tuple[float, Array]:
        """Return the chances at even steps of signal ratio, for a kernel to look up.

        Returns
        -------
        step : float
            Signal ratio between entries.
        chances : ndarray, shape (steps + 1,)
            Chance at ratios 0, step, 2 step ...; the last is 1, and so is all beyond. Straight lines between entries
            are within 1e-4 of the curve at 512 steps.
        """
        last = (self.threshold + _SURE) / (self.gain * self.rated_signal_to_noise)
        chances = self.chance(np.linspace(0.0, last, steps + 1))
        chances[-1] = 1.0
        return last / steps, chances


def timing_noise_s(rise_time_s: npt.ArrayLike, signal_to_noise: npt.ArrayLike) -> Array:
    """Return the noise of the time at which an echo's edge crosses a threshold [s]: rise time / signal-to-noise.

    Noise over slope. With a ratio of powers S that is rise time / sqrt(S) (Baltsavias 1999, Wehr and Lohr 1999,
    ISPRS J. 54, who give the proportion only); a form with 2 S in place of S is smaller by sqrt(2).
    """
    return np.asarray(_floats(rise_time_s) / _floats(signal_to_noise))


def grown_noise_m(stated_noise_m: npt.ArrayLike, signal_ratio: npt.ArrayLike, stated_at: npt.ArrayLike) -> Array:
    """Return the range noise [m] of weaker echoes than the one a noise was stated for: it grows as the signal falls.

    Never better than stated: the clock and the scanner have noise of their own.

    Parameters
    ----------
    stated_noise_m : array_like
        Range noise as stated, one standard deviation [m].
    signal_ratio, stated_at : array_like
        Signal ratio of the echo, above 0, and of the target that the noise was stated for.
    """
    return np.asarray(_floats(stated_noise_m) * np.maximum(_floats(stated_at) / _floats(signal_ratio), 1.0))
