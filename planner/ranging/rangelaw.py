"""The range equation: how much light comes back from what distance, and how far enough of it does.

Lives here: the returned signal by range, reflectance, incidence and air, and its inverse. Must not know sensors'
cards, terrain or trajectories.

Of a pulse that widens with range R, a diffuse face that fills the beam returns a signal as
reflectance cos(incidence) exp(-2 a R) / R^2 in air of extinction a, a wire as 1 / R^3, a small target as 1 / R^4
(Jelalian, Laser Radar Systems, 1992; Baltsavias 1999, ISPRS J. 54:199-214; Wagner and others 2006, ISPRS J.
60:100-112, from memory). What the maker does not tell (power, optics, electronics) is one constant, the strength,
fixed by one stated range. Signals are ratios to the one at that range: 1 is as strong as the rating asks for.

Arguments are numbers or arrays of any shape that broadcast; nan stays nan.
"""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

AREA, LINE, POINT = 2, 3, 4
"""Powers of range by which the signal falls: a face that fills the beam, a wire across it, a target within it."""

_HALLEY_STEPS = 4  # from a start within a few per cent; each step triples the digits
_HALVINGS = 60
_NO_HAZE = 1e-16  # W(x) = x to the last digit, and a division by next to nothing is spared


def _floats(values: npt.ArrayLike) -> Array:
    return np.asarray(values, dtype=np.float64)


def lambert_w(x: npt.ArrayLike) -> Array:
    """Return the w of w exp(w) = x, for x >= 0; nan below.

    Halley's iteration (Corless and others, Advances in Computational Mathematics 5:329-359, 1996) on
    w - x exp(-w), which does not overflow.
    """
    x = np.where(_floats(x) >= 0, x, np.nan)
    finite = np.where(np.isinf(x), 1.0, x)
    log = np.log1p(finite)
    w = log * (1 - np.log1p(log) / (2 + log))
    for _ in range(_HALLEY_STEPS):
        miss = w - finite * np.exp(-w)
        w = w - miss / (w + 1 - (w + 2) * miss / (2 * w + 2))
    return np.where(np.isinf(x), np.inf, w)


def strength_m(range_m: npt.ArrayLike, reflectance: npt.ArrayLike, extinction_per_m: npt.ArrayLike) -> Array:
    """Return the strength [m] of a sensor that reaches a range [m]: R exp(a R) / sqrt(reflectance).

    It is the range to a white face in clear air, face on.
    """
    distance = _floats(range_m)
    return np.asarray(distance * np.exp(_floats(extinction_per_m) * distance) / np.sqrt(_floats(reflectance)))


def clear_air_limit_m(
    strength_m: npt.ArrayLike, reflectance: npt.ArrayLike, cos_incidence: npt.ArrayLike = 1.0
) -> Array:
    """Return the longest range [m] to a face in clear air: strength sqrt(reflectance cos); 0 where it faces away."""
    return np.asarray(_floats(strength_m) * np.sqrt(_floats(reflectance) * np.clip(cos_incidence, 0.0, 1.0)))


def signal_ratio(range_m: npt.ArrayLike, limit_m: npt.ArrayLike, extinction_per_m: npt.ArrayLike) -> Array:
    """Return the signal of a face that fills the beam, for the rated one: (limit / (R exp(a R)))^2.

    Parameters
    ----------
    range_m : array_like
        Distance to the face [m], above 0.
    limit_m : array_like
        Its longest range in clear air [m]: see `clear_air_limit_m`.
    extinction_per_m : array_like
        Extinction of the air [1/m].

    Returns
    -------
    ndarray
        Signal ratio; at least 1 within the longest range. A face that catches a share of the beam has that share of
        it.
    """
    distance = _floats(range_m)
    return np.asarray((_floats(limit_m) / (distance * np.exp(_floats(extinction_per_m) * distance))) ** 2)


def longest_range_m(limit_m: npt.ArrayLike, extinction_per_m: npt.ArrayLike, fall: int = AREA) -> Array:
    """Return the longest range in air [m]: the R of R exp(2 a R / n) = limit, n W(2 a limit / n) / (2 a).

    With Lambert's W (Steinvall, Applied Optics 48, 2009). In clear air the limit itself.

    Parameters
    ----------
    limit_m : array_like
        Longest range in clear air [m].
    extinction_per_m : array_like
        Extinction a of the air [1/m].
    fall : {AREA, LINE, POINT}
        Power n of range by which the signal falls.

    Returns
    -------
    ndarray
        Longest range [m].
    """
    limit, slope = np.broadcast_arrays(_floats(limit_m), 2 * _floats(extinction_per_m) / fall)
    hazy = ~(slope * limit <= _NO_HAZE)
    slope = np.where(hazy, slope, 1.0)
    return np.where(hazy, lambert_w(slope * limit) / slope, limit)


def thin_target_limit_m(face_limit_m: npt.ArrayLike, share_at_1m: npt.ArrayLike, fall: int) -> Array:
    """Return the longest range in clear air [m] to a wire (LINE) or small target (POINT) much narrower than the beam.

    Such a target catches share_at_1m / R or share_at_1m / R^2 of the light, so (limit / R)^2 share = 1 gives
    R^n = limit^2 share_at_1m. Where that is nearer than the share reaches 1, the target fills the beam, and this is
    too long: see `longest_to_part_m`.

    Parameters
    ----------
    face_limit_m : array_like
        Longest range in clear air to a face of the same brightness that fills the beam [m].
    share_at_1m : array_like
        Share of the beam on the target, law of the thin target continued to 1 m: for a wire of diameter d in a beam of
        full divergence phi 4 d / (pi phi) (even light) or 1.596 d / phi (Gaussian).
    fall : {LINE, POINT}
        Power n of range by which the signal falls.
    """
    return np.asarray((_floats(face_limit_m) ** 2 * _floats(share_at_1m)) ** (1 / fall))


def longest_to_part_m(
    face_limit_m: npt.ArrayLike, extinction_per_m: npt.ArrayLike, share: Callable[[Array], Array]
) -> Array:
    """Return the longest range [m] to a target that catches part of the beam, whatever its size.

    Parameters
    ----------
    face_limit_m, extinction_per_m : array_like
        Longest range in clear air to a face of the same brightness that fills the beam [m]; extinction [1/m].
    share : callable
        Share of the beam on the target by range [m]; must not grow with range.

    Returns
    -------
    ndarray
        Longest range [m], found by halving between 0 and the range to a face.
    """
    near = np.zeros(np.broadcast(_floats(face_limit_m), _floats(extinction_per_m)).shape)
    far = longest_range_m(face_limit_m, extinction_per_m)
    for _ in range(_HALVINGS):
        middle = (near + far) / 2
        with np.errstate(divide="ignore", invalid="ignore"):  # a target that returns nothing is sought at 0
            enough = signal_ratio(middle, face_limit_m, extinction_per_m) * share(middle) >= 1
        near, far = np.where(enough, middle, near), np.where(enough, far, middle)
    return np.asarray(near + 0 * far)  # nan of the face stays nan


def received_power_w(
    power_w: npt.ArrayLike,
    range_m: npt.ArrayLike,
    reflectance: npt.ArrayLike,
    aperture_m: npt.ArrayLike,
    efficiency: npt.ArrayLike = 1.0,
    extinction_per_m: npt.ArrayLike = 0.0,
    cos_incidence: npt.ArrayLike = 1.0,
) -> Array:
    """Return the power that a receiver gets from a diffuse face that fills the beam [W].

    P reflectance cos(incidence) A efficiency exp(-2 a R) / (pi R^2), with the area A of an aperture of the diameter
    given (Baltsavias 1999, Wehr and Lohr 1999, ISPRS J. 54:199-214 and 68-82, from memory). For cards that state
    their internals.
    """
    distance = _floats(range_m)
    caught = (_floats(aperture_m) / (2 * distance)) ** 2 * np.exp(-2 * _floats(extinction_per_m) * distance)
    bright = _floats(reflectance) * np.clip(cos_incidence, 0.0, 1.0)
    return np.asarray(_floats(power_w) * bright * caught * _floats(efficiency))
