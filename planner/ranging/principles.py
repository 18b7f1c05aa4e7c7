"""How a distance is measured, and what each way of measuring can and cannot tell.

Lives here: time of flight, phase shift, triangulation and returned light as relations of arrays, and the band of
ranges each leaves a sensor. Must not know beams, terrain or flights.

Unless a function says otherwise, arguments are numbers or arrays of any shape that broadcast, nan stays nan, and a
noise is one standard deviation. "Siegwart" is Siegwart and Nourbakhsh, Introduction to Autonomous Mobile Robots,
MIT Press 2004, section 4.1.6.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from planner.equipment import RangeRating, Sensor, Triangulation
from planner.errors import Fault, InfeasibleError
from planner.ranging.linkbudget import Reach, reach_of

Array = npt.NDArray[np.float64]

SPEED_OF_LIGHT_MPS = 299_792_458.0  # in vacuum, exact by the definition of the metre (17th CGPM 1983)

SURE_WRAPS = 3.0
"""Standard deviations of phase noise that must fit before a wrong wrap is picked: 0.27 % of normal noise is beyond."""

DARK, BRIGHT = 0.1, 0.5
"""Reflectances that bare ground commonly spans, near-infrared; wet asphalt and snow lie outside."""

_MOST_WRAPS = 10_000  # of the finest frequency within reach: no phase is read so well that more could be told apart
_LARGEST_GAP = 0.45  # cycles: the search of wraps is exact below this


def _floats(values: npt.ArrayLike) -> Array:
    return np.asarray(values, dtype=np.float64)


def round_trip_s(range_m: npt.ArrayLike) -> Array:
    """Return the time of light there and back [s]: 2 d / c (Siegwart eq. 4.7, p. 105); 6.67 ps per millimetre."""
    return np.asarray(2 * _floats(range_m) / SPEED_OF_LIGHT_MPS)


def range_from_time_m(time_s: npt.ArrayLike) -> Array:
    """Return the range [m] of a round trip [s]: c t / 2 (Siegwart eq. 4.7, p. 105)."""
    return np.asarray(SPEED_OF_LIGHT_MPS * _floats(time_s) / 2)


def timing_range_noise_m(jitter_s: npt.ArrayLike) -> Array:
    """Return the range noise [m] of a timing jitter [s]: c / 2 times it.

    A pulse of rise time t seen at a power signal-to-noise ratio S is timed to t / sqrt(S) (Baltsavias 1999,
    ISPRS J. 54:199-214).
    """
    return range_from_time_m(jitter_s)


def modulation_wavelength_m(modulation_hz: npt.ArrayLike) -> Array:
    """Return the wavelength of a modulation [m]: c / f (Siegwart p. 109)."""
    return np.asarray(SPEED_OF_LIGHT_MPS / _floats(modulation_hz))


def phase_rad(range_m: npt.ArrayLike, modulation_hz: npt.ArrayLike) -> Array:
    """Return the whole phase lag [rad] of a range: 4 pi d / wavelength (Siegwart eq. 4.10, p. 110).

    A receiver reads it modulo 2 pi.
    """
    return np.asarray(4 * np.pi * _floats(range_m) / modulation_wavelength_m(modulation_hz))


def range_from_phase_m(phase_lag_rad: npt.ArrayLike, modulation_hz: npt.ArrayLike) -> Array:
    """Return the range [m] of a phase lag [rad], the nearest of all that read so where it is below 2 pi.

    Wavelength times phase / (4 pi) (Siegwart eq. 4.10, p. 110).
    """
    lag = _floats(phase_lag_rad)
    return np.asarray(modulation_wavelength_m(modulation_hz) * lag / (4 * np.pi))


def phase_range_noise_m(phase_noise_rad: npt.ArrayLike, modulation_hz: npt.ArrayLike) -> Array:
    """Return the range noise [m] of a phase noise [rad]: wavelength times noise / (4 pi).

    At a power signal-to-noise ratio S the phase is read to 1 / sqrt(S) (Baltsavias 1999, ISPRS J. 54:199-214).
    """
    return range_from_phase_m(phase_noise_rad, modulation_hz)


def ambiguity_interval_m(modulation_hz: Sequence[float]) -> float:
    """Return after what distance [m] all phases of the frequencies used together [Hz] come back: c / (2 gcd).

    For one frequency that is half its wavelength, c / (2 f): the light goes there and back. Siegwart p. 110 takes
    the whole wavelength (5 m and 65 m at 60 m), against its own eq. 4.10: 5 m and 35 m are the first pair. For two
    it is c / (2 |f1 - f2|) where their difference divides both. The divisor is exact, decimals included.
    """
    return SPEED_OF_LIGHT_MPS / (2 * float(_common_hz(modulation_hz)))


def wraps(range_m: npt.ArrayLike, interval_m: npt.ArrayLike) -> Array:
    """Return how many whole ambiguity intervals [m] lie within a range [m]."""
    return np.asarray(np.floor_divide(_floats(range_m), _floats(interval_m)))


def apparent_range_m(range_m: npt.ArrayLike, interval_m: npt.ArrayLike) -> Array:
    """Return the range [m] that a target seems to have, less its whole ambiguity intervals [m]."""
    return np.asarray(np.mod(_floats(range_m), _floats(interval_m)))


def wrap_margin(modulation_hz: Sequence[float], phase_noise_rad: float, longest_m: float) -> float:
    """Return how many standard deviations of phase noise fit before a wrong wrap looks likelier than the true one.

    Phases [cycles] of all ranges trace parallel strands in a box of side 1, one a set of wraps. Noise that is alike
    on every phase, and independent, is alike in every direction: it may carry a reading half way across the gap to
    the nearest other strand. For a coarse frequency and one m times as fine the gap is 1 / sqrt(1 + m^2), the same as
    asking that the range noise of both together stay below half the fine interval. Own derivation.

    Parameters
    ----------
    modulation_hz : sequence of float
        Frequencies used together [Hz].
    phase_noise_rad : float
        Noise of each phase [rad].
    longest_m : float
        Range past which no light returns [m]: wraps farther apart are never confused.

    Returns
    -------
    float
        Standard deviations; infinite for a single frequency, which is read as it is.
    """
    if len(modulation_hz) < 2:
        return math.inf
    hertz = _floats(modulation_hz)
    finest = SPEED_OF_LIGHT_MPS / (2 * hertz.max())
    span = min(longest_m, ambiguity_interval_m(modulation_hz))
    if span > _MOST_WRAPS * finest:
        return 0.0
    between = np.arange(0.0, span, finest / 16)
    strands = np.rint(between[:, None] * hertz * 2 / SPEED_OF_LIGHT_MPS)
    common = _common_hz(modulation_hz)
    whole = [float(_exact(one) / common) for one in modulation_hz]
    strands = strands[strands.any(axis=1) & (strands != whole).any(axis=1)]
    along = strands @ hertz / (hertz @ hertz)
    gaps = np.linalg.norm(strands - along[:, None] * hertz, axis=1)
    return float(np.pi * min(gaps.min(initial=np.inf), _LARGEST_GAP) / phase_noise_rad)


def spot_m(range_m: npt.ArrayLike, unit: Triangulation) -> Array:
    """Return how far from the end that sees infinity the spot falls on the receiver [m]: f b / z.

    Siegwart eq. 4.11, p. 112, for light sent square to the baseline. Infinite at 0; places past the receiver's
    length are not seen.
    """
    with np.errstate(divide="ignore"):
        return np.asarray(unit.focal_length_m * unit.baseline_m / _floats(range_m))


def range_from_spot_m(place_m: npt.ArrayLike, unit: Triangulation) -> Array:
    """Return the range [m] of a spot's place on the receiver [m]: the inverse of `spot_m`; infinite at 0."""
    return spot_m(place_m, unit)


def structured_light_m(place_m: npt.ArrayLike, unit: Triangulation, projection_rad: npt.ArrayLike) -> Array:
    """Return where a projected beam meets the target [m], shape (..., 2): along the baseline, and away from it.

    x = b u / (f cot(alpha) - u), z = b f / (f cot(alpha) - u) (Siegwart eq. 4.12, p. 114): the lens is at 0,
    the light at -b, alpha [rad] from the baseline, u [m] signed from the lens axis on an upright image. A beam square
    to the baseline has u = -f b / z.
    """
    place = _floats(place_m)
    scale = unit.baseline_m / (unit.focal_length_m / np.tan(_floats(projection_rad)) - place)
    return np.stack(np.broadcast_arrays(place * scale, unit.focal_length_m * scale), axis=-1)


def triangulation_noise_m(range_m: npt.ArrayLike, unit: Triangulation) -> Array:
    """Return the range noise [m] of the spot's noise: z^2 sigma / (b f) (Siegwart eq. 4.13, p. 114)."""
    distance = _floats(range_m)
    return np.asarray(distance**2 * unit.spot_noise_m / (unit.baseline_m * unit.focal_length_m))


def projection_noise_m(
    range_m: npt.ArrayLike, angle_noise_rad: npt.ArrayLike, unit: Triangulation, projection_rad: npt.ArrayLike
) -> Array:
    """Return the range noise [m] of the projection angle's noise [rad]: z^2 sigma / (b sin^2(alpha)).

    Siegwart eq. 4.14, p. 115.
    """
    distance = _floats(range_m)
    return np.asarray(distance**2 * _floats(angle_noise_rad) / (unit.baseline_m * np.sin(_floats(projection_rad)) ** 2))


def receiver_reading_m(place_m: npt.ArrayLike, spot_width_m: npt.ArrayLike, unit: Triangulation) -> Array:
    """Return the place [m] that a receiver reports: the mean place of the light that falls on it, per light sent.

    While the whole spot is on the receiver that is the place itself. Nearer targets push the spot over the end: light
    is lost, the reading falls again, and a target too near reads as one farther away. Own derivation, for a spot of
    even brightness.
    """
    width, place = _floats(spot_width_m), _floats(place_m)
    first = np.clip(place - width / 2, 0.0, unit.receiver_length_m)
    last = np.clip(place + width / 2, 0.0, unit.receiver_length_m)
    return np.asarray((last**2 - first**2) / (2 * width))


def triangulation_nearest_m(unit: Triangulation) -> float:
    """Return the range [m] at which a narrow spot leaves the receiver, and the reading folds: f b / length."""
    return float(spot_m(unit.receiver_length_m, unit))


def triangulation_farthest_m(unit: Triangulation) -> float:
    """Return the range [m] past which noise is above `most_noise_m`: Siegwart eq. 4.13, p. 114, solved for z."""
    return math.sqrt(unit.most_noise_m * unit.baseline_m * unit.focal_length_m / unit.spot_noise_m)


def intensity_guess_m(range_m: npt.ArrayLike, assumed: npt.ArrayLike, true: npt.ArrayLike) -> Array:
    """Return the range [m] guessed from the light that returns: d sqrt(assumed / true reflectance).

    Returned power goes with reflectance / d^2 in clear air (Wehr and Lohr 1999, ISPRS J. 54:68-82). A dark surface
    seems too far, a bright one too near.
    """
    ratio = _floats(assumed) / _floats(true)
    return np.asarray(_floats(range_m) * np.sqrt(ratio))


def worst_guess_error_m(range_m: npt.ArrayLike, darkest: npt.ArrayLike, brightest: npt.ArrayLike) -> Array:
    """Return the greatest error [m] of a range guessed from light, where any reflectance of a span may be assumed.

    It is made where the darkest surface is taken for the brightest: d (sqrt(brightest / darkest) - 1).
    """
    return np.asarray(intensity_guess_m(range_m, brightest, darkest) - _floats(range_m))


@dataclass(frozen=True)
class Band:
    """The ranges that a principle can tell, whatever the light.

    Attributes
    ----------
    min_range_m : float
        Nothing nearer is told right [m].
    longest_m : float
        Range past which noise makes it useless [m]; infinite where only light limits.
    ambiguity_m : float
        Range at which readings start again from 0 [m]; infinite where they do not.
    """

    min_range_m: float
    longest_m: float = math.inf
    ambiguity_m: float = math.inf

    @property
    def farthest_m(self) -> float:
        """The end of the band [m]."""
        return min(self.longest_m, self.ambiguity_m)


def usable_band(sensor: Sensor) -> Band:
    """Return the ranges that the principle of a sensor can tell."""
    if sensor.phase_shift:
        return Band(sensor.min_range_m, ambiguity_m=ambiguity_interval_m(sensor.phase_shift.modulation_hz))
    if sensor.triangulation:
        unit = sensor.triangulation
        return Band(max(sensor.min_range_m, triangulation_nearest_m(unit)), longest_m=triangulation_farthest_m(unit))
    return Band(sensor.min_range_m)


def reach_within(sensor: Sensor, rating: RangeRating, visibility_km: float) -> Reach:
    """Return the reach of a rated pulse rate in air of a visibility [km], within the band that the principle can tell.

    The surface is as bright as the rating's.
    """
    band = usable_band(sensor)
    lit = reach_of(rating, sensor.wavelength_nm, band.min_range_m, visibility_km)
    zone = SPEED_OF_LIGHT_MPS / (2 * rating.pulse_rate_hz)
    before, after = (SPEED_OF_LIGHT_MPS * time_ns * 1e-9 / 2 for time_ns in sensor.dead_time_ns)
    pulsed = sensor.principle == "time_of_flight"
    return replace(
        lit,
        longest_valid_m=band.longest_m,
        ambiguity_m=min(band.ambiguity_m, zone * sensor.zones_resolved if pulsed else np.inf),
        returns_per_pulse=sensor.returns_per_pulse,
        zone_m=zone if pulsed else np.inf,
        blind_before_m=before,
        blind_after_m=after,
    )


def range_noise_m(sensor: Sensor, range_m: npt.ArrayLike) -> Array:
    """Return the range noise of a sensor [m] at ranges [m], any shape.

    For phase shift the finest frequency carries it, the others only count its wraps. Its rated noise is that of the
    weakest echo that counts, so nearer and brighter targets do better than this says. Noise of returned light is that
    at a known reflectance.
    """
    distance = _floats(range_m)
    if sensor.triangulation:
        return triangulation_noise_m(distance, sensor.triangulation)
    if sensor.phase_shift:
        noise_rad = math.radians(sensor.phase_shift.phase_noise_deg)
        noise = float(phase_range_noise_m(noise_rad, max(sensor.phase_shift.modulation_hz)))
    else:
        noise = float(sensor.range_noise_m or 0.0)
    return np.where(np.isnan(distance), np.nan, noise)


def refuse_sensor(sensor: Sensor) -> None:
    """Raise where the ranging principle of a sensor cannot map at all.

    Raises
    ------
    InfeasibleError
        As `refuse_principle` says.
    """
    if fault := refuse_principle(sensor):
        raise InfeasibleError(fault)


def refuse_principle(sensor: Sensor) -> Fault | None:
    """Return why a sensor cannot map at all, or None.

    E20: ranges guessed from light. E42: wraps that noise confuses, or ranges that all repeat. E18: noise too high at
    every range.
    """
    band = usable_band(sensor)
    if sensor.principle == "reflected_intensity":
        away = max(rating.range_m for rating in sensor.ratings)
        what = (
            f"card {sensor.name} guesses range from returned light: at {away:g} m, a surface of reflectance {DARK:g} "
            f"taken for one of {BRIGHT:g} is placed {worst_guess_error_m(away, DARK, BRIGHT):.1f} m too far"
        )
        return Fault("E20", what, fix="take a sensor that measures time of flight, phase shift or triangulation")
    if sensor.phase_shift and (margin := _margin(sensor)) < SURE_WRAPS:
        what = (
            f"card {sensor.name}: phase noise of {sensor.phase_shift.phase_noise_deg:g} deg leaves "
            f"{math.floor(margin * 100) / 100:g} standard deviations before {_listed_mhz(sensor)} give a wrong number "
            f"of wraps; {SURE_WRAPS:g} are needed"
        )
        return Fault("E42", what, fix="check the card against its sheet, or take another sensor")
    if band.farthest_m <= band.min_range_m:
        what = f"card {sensor.name}: {_end_of_band(sensor)}, nearer than its shortest range, {band.min_range_m:.3g} m"
        return Fault("E42" if sensor.phase_shift else "E18", what, fix="check the card against its sheet")
    return None


def refuse_height(sensor: Sensor, least_agl_m: float) -> Fault | None:
    """Return why a sensor cannot map from the lowest height allowed above ground [m], or None.

    E21: range noise is too high there. E42: ranges repeat before.
    """
    if least_agl_m < usable_band(sensor).farthest_m:
        return None
    what = f"card {sensor.name}: {_end_of_band(sensor)}; the lowest flight allowed is {least_agl_m:.1f} m above ground"
    fix = "take a sensor with a longer range, or ask for less clearance where the site and its rules allow"
    return Fault("E42" if sensor.phase_shift else "E21", what, fix=fix)


def _common_hz(modulation_hz: Sequence[float]) -> Fraction:
    """Return the greatest common divisor of frequencies [Hz]."""
    exact = [_exact(one) for one in modulation_hz]
    scale = math.lcm(*(one.denominator for one in exact))
    return Fraction(math.gcd(*(int(one * scale) for one in exact)), scale)


def _exact(hertz: float) -> Fraction:
    """Return a frequency [Hz] as the decimal it was written as."""
    return Fraction(repr(float(hertz)))


def _margin(sensor: Sensor) -> float:
    """Return the wrap margin of a phase-shift sensor, for targets as far as its light can return from at all."""
    if sensor.phase_shift is None:
        return math.inf
    # In clear air and off a white surface: farther than any ground the planner counts.
    farthest = max(
        reach_of(rating, sensor.wavelength_nm, sensor.min_range_m, rating.visibility_km).strength_m
        for rating in sensor.ratings
    )
    return wrap_margin(sensor.phase_shift.modulation_hz, math.radians(sensor.phase_shift.phase_noise_deg), farthest)


def _listed_mhz(sensor: Sensor) -> str:
    tones = sensor.phase_shift.modulation_hz if sensor.phase_shift else ()
    return ", ".join(f"{hertz / 1e6:.10g}" for hertz in tones) + " MHz"


def _end_of_band(sensor: Sensor) -> str:
    """Return in words where the band of a sensor ends."""
    end = usable_band(sensor).farthest_m
    if sensor.triangulation:
        return f"range noise passes {sensor.triangulation.most_noise_m:g} m beyond {end:.3g} m"
    return f"ranges at {_listed_mhz(sensor)} repeat after {end:.4g} m"
