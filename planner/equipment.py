"""What the aircraft carries: the card of a sensor, checked once on construction.

Lives here: plain nouns of the sensor with their units and limits, and the `frozen` decorator of all inputs.
Must not know missions, files or how a figure is used.
"""

from itertools import combinations
from typing import Annotated, Literal, Self, TypeVar, cast, dataclass_transform

import numpy as np
from pydantic import ConfigDict, Field, model_validator
from pydantic.dataclasses import dataclass

OpenShare = Annotated[float, Field(gt=0, le=1)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Count = Annotated[int, Field(ge=1, le=4096)]
Arm = Annotated[float, Field(gt=-20, lt=20)]
SmallAngle = Annotated[float, Field(gt=-10, lt=10)]
Slant = Annotated[float, Field(gt=-60, lt=60)]
ExitWidth = Annotated[float, Field(ge=0.1, le=200)]

T = TypeVar("T")


@dataclass_transform(frozen_default=True, kw_only_default=True)
def frozen(noun: type[T]) -> type[T]:
    """Make a class an immutable noun, checked on construction, that refuses unknown fields."""
    return cast("type[T]", dataclass(frozen=True, kw_only=True, config=ConfigDict(extra="forbid"))(noun))


Principle = Literal["time_of_flight", "phase_shift", "triangulation", "reflected_intensity"]
Pattern = Literal[
    "rotating", "oscillating_linear", "oscillating_sine", "polygon", "conical", "rosette", "matrix", "profiling"
]
DivergenceWidth = Literal["1/e2", "1/e", "fwhm"]
LaserClass = Literal["1", "1M", "2", "2M", "3R", "3B", "4", "unknown"]

WHOLE_OPENING = ("conical", "rosette", "matrix")
"""Patterns whose points are accepted all or none: no part of their opening can be chosen."""

SOON_TURNS = 20  # a rosette that closes within so many turns draws the same few petals over and over
CLOSES_TURNS = 0.01  # and it closes where the second wedge is this near to a whole turn
MOST_MEAN_MW = 2e5  # no drone feeds a laser of more mean light: common practice, no source


@frozen
class RangeRating:
    """What the maker states for one pulse rate and one target.

    Attributes
    ----------
    pulse_rate_hz : float
        Laser pulses per second, all directions [Hz].
    range_m : float
        Longest range [m] at `reflectance`, normal incidence, `visibility_km` and `light`.
    reflectance : float
        Diffuse reflectance the range was stated for, 0-1.
    visibility_km, light : float, {"day", "night"}
        Visibility [km] and background light the range was stated for.
    pulse_energy_uj, mean_power_mw : float or None
        Energy of one pulse, all its light [microjoule]; mean power, for light without pulses above all [mW].
    laser_class, hazard_distance_m : str, float or None
        Class, ``"unknown"`` where the sheet is silent, and nominal ocular hazard distance [m], as the maker says.
    """

    pulse_rate_hz: Annotated[float, Field(gt=0, le=1e8)]
    range_m: Positive
    reflectance: Annotated[float, Field(gt=0, le=1)]
    visibility_km: Positive = 23.0
    light: Literal["day", "night"] = "day"
    pulse_energy_uj: Positive | None = None
    mean_power_mw: Positive | None = None
    laser_class: LaserClass = "unknown"
    hazard_distance_m: NotNegative | None = None


@frozen
class PhaseShift:
    """How a phase-shift unit measures.

    Attributes
    ----------
    modulation_hz : tuple of float
        Modulation frequencies that are used together [Hz].
    phase_noise_deg : float
        One standard deviation of one phase measurement at the noise the card is rated for [deg].
    """

    modulation_hz: Annotated[tuple[Positive, ...], Field(min_length=1)]
    phase_noise_deg: Positive


@frozen
class Triangulation:
    """How a triangulating unit measures.

    Attributes
    ----------
    baseline_m, focal_length_m, receiver_length_m : float
        Light to receiver, focal length, and length of the linear receiver, whose far end sees infinity [m].
    spot_noise_m, most_noise_m : float
        One standard deviation of the spot's place on the receiver, and range noise past which a range is useless [m].
    """

    baseline_m: Positive
    focal_length_m: Positive
    receiver_length_m: Positive
    spot_noise_m: Positive
    most_noise_m: Positive


@frozen
class Receiver:
    """What of a receiver decides how much the sun disturbs it.

    Attributes
    ----------
    aperture_m, field_of_view_mrad, filter_width_nm : float
        Diameter of the opening [m], full angle that falls on the detector [mrad], width of the optical filter [nm].
    transmission, quantum_efficiency : float
        Share of light from opening to detector, and electrons freed per photon, 0-1.
    gain, ionization_ratio : float
        Electrons out per electron freed, and the ratio of hole to electron ionization that sets its noise.
    dark_current_a, amplifier_noise_a_per_rthz : float
        Current of the dark detector before its gain [A], and noise of the amplifier at its input [A / sqrt(Hz)].
    """

    aperture_m: Positive
    field_of_view_mrad: Positive
    filter_width_nm: Positive
    transmission: OpenShare
    quantum_efficiency: OpenShare
    gain: Annotated[float, Field(ge=1, le=1e7)]
    ionization_ratio: Annotated[float, Field(ge=0, le=1)]
    dark_current_a: NotNegative
    amplifier_noise_a_per_rthz: Positive


# Least and largest believable value of a key, its unit, and the units it was likely stated in where it is below or
# above, each with how many of the key's units it holds.
_RECORDER_LIMITS = {
    "recorder_gb": (1.0, 50_000.0, "GB", ("terabytes", 1000.0), ("megabytes", 1e-3)),
    "recorder_mb_per_s": (0.01, 20_000.0, "MB/s", ("gigabytes per second", 1000.0), ("kilobytes per second", 1e-3)),
    "raw_bytes_per_return": (2.0, 4000.0, "bytes", ("kilobytes", 1000.0), ("bits", 0.125)),
}


@frozen
class Sensor:
    """A rangefinder, as its card describes it.

    Attributes
    ----------
    name, description : str
        Short name of the card, and one line for people.
    principle : {"time_of_flight", "phase_shift", "triangulation", "reflected_intensity"}
        How range is measured.
    phase_shift, triangulation : PhaseShift or None, Triangulation or None
        The figures of that principle; None for the others.
    wavelength_nm : float
        Laser wavelength [nm].
    pattern : str
        ``rotating`` (full turn, one beam or several), ``oscillating_linear`` (mirror at constant angular rate),
        ``oscillating_sine`` (resonant mirror), ``polygon`` (one-way, constant rate), ``conical`` (a constant angle
        off the axis, all round), ``rosette`` (two wedges that turn against each other), ``matrix`` (a frame of pixels
        a pulse), ``profiling`` (fixed beam).
    line_rates_hz : tuple of float
        Scan lines (turns, for ``rotating``, ``conical`` and the first wedge of ``rosette``) per second that can be
        set [Hz]; empty for ``profiling`` and ``matrix``.
    optical_fov_deg, usable_fov_deg : float
        Full opening across the flight, and the part whose points are accepted [deg]; 0 for ``profiling``.
    beam_elevations_deg : tuple of float
        For ``rotating``: one beam an entry, its angle ahead of the plane that is square to the axis [deg]; the beams
        fire in turn.
    wedge_ratio : float or None
        For ``rosette``: turns of the second wedge, the other way round, to one of the first.
    frame_pixels : tuple of int or None
        For ``matrix``: pixels across and along the flight.
    frame_along_fov_deg : float or None
        For ``matrix``: full opening along the flight [deg].
    forward_tilt_deg, sideways_tilt_deg, turned_deg : float
        How the sensor is mounted: tilt from straight down, positive forward; tilt in the scan plane, positive to the
        right; turn about the vertical, clockwise from above [deg].
    boresight_deg : tuple of float
        Small misalignment of the sensor in its mount: roll, pitch, heading [deg].
    lever_arm_m : tuple of float
        From the place whose track is planned to the sensor: forward, right, down [m].
    tilts_with_aircraft : bool
        Whether the aircraft's roll and pitch tilt the sensor (rigid mount) or are taken out (levelled mount).
    divergence_mrad, divergence_across_mrad, divergence_width : float, float or None, {"1/e2", "1/e", "fwhm"}
        Full beam divergence [mrad], the one square to it where the beam is not round, and the width they state.
    exit_beam_mm, beam_profile, pulse_length_ns, scan_safeguard_s : each or None, unknown: the strictest is taken
        Width of the beam at the exit along both axes, stated as divergence is [mm]; ``"gaussian"`` or ``"top_hat"``;
        length of a pulse [ns]; longest that light leaves after the scanner fails [s].
    min_range_m : float
        Shortest valid range [m].
    range_noise_m : float or None
        One standard deviation of range [m]; None where it follows from the principle.
    angle_noise_deg : float
        One standard deviation of the scan angle [deg].
    returns_per_pulse : int
        Most returns kept of one pulse.
    dead_time_ns, zones_resolved : tuple of float, int
        Before and after a pulse leaves, time in which no earlier echo is seen [ns]; spans of range between two pulses,
        from the first on, in which an echo is given to its own pulse.
    receiver : Receiver or None
        What decides how much the sun disturbs it; None takes a usual one.
    recorder_gb, recorder_mb_per_s : float or None
        What the recorder holds [GB, 1e9 bytes] and writes [MB/s, 1e6 bytes a second]; None where the sheet is silent.
    raw_bytes_per_return : float
        What the recorder writes of one return [bytes].
    ratings : tuple of RangeRating
        One entry a pulse rate, or several where the maker states ranges to several reflectances.
    """

    name: str
    description: str = ""
    principle: Principle = "time_of_flight"
    phase_shift: PhaseShift | None = None
    triangulation: Triangulation | None = None
    wavelength_nm: Annotated[float, Field(ge=400, le=4000)]
    pattern: Pattern
    line_rates_hz: tuple[Positive, ...] = ()
    optical_fov_deg: Annotated[float, Field(ge=0, le=360)]
    usable_fov_deg: Annotated[float, Field(ge=0, lt=180)]
    beam_elevations_deg: Annotated[tuple[Slant, ...], Field(min_length=1)] = (0.0,)
    wedge_ratio: Positive | None = None
    frame_pixels: tuple[Count, Count] | None = None
    frame_along_fov_deg: Annotated[float, Field(gt=0, lt=180)] | None = None
    forward_tilt_deg: Slant = 0.0
    sideways_tilt_deg: Slant = 0.0
    turned_deg: Annotated[float, Field(ge=-180, le=180)] = 0.0
    boresight_deg: tuple[SmallAngle, SmallAngle, SmallAngle] = (0.0, 0.0, 0.0)
    lever_arm_m: tuple[Arm, Arm, Arm] = (0.0, 0.0, 0.0)
    tilts_with_aircraft: bool = False
    divergence_mrad: Positive
    divergence_across_mrad: Positive | None = None
    divergence_width: DivergenceWidth
    exit_beam_mm: tuple[ExitWidth, ExitWidth] | None = None
    beam_profile: Literal["gaussian", "top_hat"] | None = None
    pulse_length_ns: Annotated[float, Field(ge=0.01, le=1000)] | None = None
    scan_safeguard_s: Annotated[float, Field(gt=0, le=10)] | None = None
    min_range_m: NotNegative
    range_noise_m: Positive | None = None
    angle_noise_deg: NotNegative = 0.0
    returns_per_pulse: Annotated[int, Field(ge=1, le=15)] = 1
    dead_time_ns: tuple[NotNegative, NotNegative] = (0.0, 0.0)
    zones_resolved: Annotated[int, Field(ge=1, le=100)] = 1
    receiver: Receiver | None = None
    recorder_gb: Positive | None = None
    recorder_mb_per_s: Positive | None = None
    raw_bytes_per_return: Positive = 30.0  # 15-40 is usual: common practice, no source
    ratings: Annotated[tuple[RangeRating, ...], Field(min_length=1)]

    @property
    def directions_per_pulse(self) -> int:
        """Ranges measured by one pulse: the pixels of a frame, else 1."""
        return int(np.prod(self.frame_pixels)) if self.frame_pixels else 1

    @property
    def pulse_rates_hz(self) -> tuple[float, ...]:
        """Pulse rates that can be set [Hz], each once, in the order of the card."""
        return tuple(dict.fromkeys(rating.pulse_rate_hz for rating in self.ratings))

    @model_validator(mode="after")
    def _openings_agree(self) -> Self:
        pattern, usable, optical = f"pattern {self.pattern}", self.usable_fov_deg, self.optical_fov_deg
        if usable > optical:
            raise ValueError(f"usable_fov_deg {usable:g} is wider than optical_fov_deg {optical:g}")
        if self.pattern == "rotating" and optical != 360:
            raise ValueError(f"{pattern} turns through 360 degrees, optical_fov_deg says {optical:g}")
        if self.pattern not in ("rotating", "profiling") and optical >= 180:
            raise ValueError(f"E33 optical_fov_deg {optical:g} is at or over 180 for {pattern}")
        if self.pattern in WHOLE_OPENING and usable != optical:
            whole = f"{pattern} is accepted whole"
            raise ValueError(f"usable_fov_deg {usable:g} differs from optical_fov_deg {optical:g}: {whole}")
        if self.pattern != "profiling" and usable == 0:
            raise ValueError(f"{pattern} needs usable_fov_deg above 0")
        return self

    @model_validator(mode="after")
    def _light_is_possible(self) -> Self:
        for one in self.ratings:
            rate, power = one.pulse_rate_hz, one.mean_power_mw
            sent = (one.pulse_energy_uj or 0) * rate / 1e3
            if max(sent, power or 0) > MOST_MEAN_MW:
                key, unit = ("pulse_energy_uj", "uJ") if sent > MOST_MEAN_MW else ("mean_power_mw", "mW")
                raise ValueError(f"E34 {key} makes over {MOST_MEAN_MW / 1e3:g} W at {rate:g} Hz\nis it in {unit}?")
            if sent and power and not 0.8 < sent / power < 1.25:
                raise ValueError(f"E34 mean_power_mw {power:g}, but pulse_energy_uj makes {sent:.4g} mW\nkeep one")
            if (length := self.pulse_length_ns or 0) * 1e-9 * rate >= 1:
                raise ValueError(f"E34 pulse_length_ns {length:g} leaves no gap at {rate:g} Hz\nis it in ns?")
        return self

    @model_validator(mode="after")
    def _pattern_is_whole(self) -> Self:
        if (self.pattern in ("profiling", "matrix")) == bool(self.line_rates_hz):
            need = "needs at least one of" if not self.line_rates_hz else "has no"
            raise ValueError(f"pattern {self.pattern} {need} line_rates_hz")
        if self.pattern != "rotating" and self.beam_elevations_deg != (0.0,):
            raise ValueError(f"beam_elevations_deg belongs to pattern rotating, not {self.pattern}")
        for key, owner in (("wedge_ratio", "rosette"), ("frame_pixels", "matrix"), ("frame_along_fov_deg", "matrix")):
            if (getattr(self, key) is not None) != (self.pattern == owner):
                need = f"needs {key}" if self.pattern == owner else f"has no {key}, which belongs to {owner}"
                raise ValueError(f"pattern {self.pattern} {need}")
        return self

    @model_validator(mode="after")
    def _ratings_of_a_rate_agree(self) -> Self:
        for (first, one), (second, other) in combinations(enumerate(self.ratings, start=1), 2):
            if one.pulse_rate_hz != other.pulse_rate_hz:
                continue
            pair = f"ratings {first} and {second} name the same pulse_rate_hz {one.pulse_rate_hz:.10g}"
            if all(getattr(one, key) == getattr(other, key) for key in ("reflectance", "visibility_km", "light")):
                raise ValueError(f"{pair}, reflectance, visibility_km and light\nkeep the one of the shorter range_m")
            for key in ("pulse_energy_uj", "mean_power_mw", "laser_class", "hazard_distance_m"):
                said = {getattr(one, key), getattr(other, key)} - {None, "unknown"}
                if len(said) > 1:
                    fix = "one pulse rate has one laser: state it alike in both, or once"
                    raise ValueError(f"{pair} and contradict each other in {key}\n{fix}")
        return self

    @model_validator(mode="after")
    def _rosette_stays_open(self) -> Self:
        turns = np.arange(1, SOON_TURNS + 1) * (self.wedge_ratio or np.nan)
        closes = np.flatnonzero(np.abs(turns - np.round(turns)) < CLOSES_TURNS)
        if closes.size:
            first = int(closes[0]) + 1
            raise ValueError(
                f"wedge_ratio {self.wedge_ratio:g}, {round(turns[first - 1])} to {first}, draws the same petals again "
                f"after {first} {'turns' if first > 1 else 'turn'} of the first wedge\n"
                "take a ratio near no ratio of small whole numbers, such as 0.618034"
            )
        return self

    @model_validator(mode="after")
    def _edge_meets_the_ground(self) -> Self:
        reach = max(rating.range_m for rating in self.ratings)

        def greatest_agl_m(fov_deg: float) -> float:
            # a pulse from h above flat ground crosses h / cos, and returns from reach * sqrt(cos)
            return float(reach * max(self._lowest_look(fov_deg), 0.0) ** 1.5)

        fov, edge_m = self.usable_fov_deg, greatest_agl_m(self.usable_fov_deg)
        if edge_m >= self.min_range_m and edge_m > 0:
            return self
        narrower = range(int(fov), 0, -1)
        fits = next((less for less in narrower if greatest_agl_m(less) >= max(self.min_range_m, 1e-9)), None)
        keys = "usable_fov_deg and optical_fov_deg" if self.pattern in WHOLE_OPENING else "usable_fov_deg"
        fix = f"bring {keys} to {fits} or less" if fits else "tilt it less, or give a longer range_m"
        if edge_m == 0:
            off = np.degrees(np.arccos(self._lowest_look(fov)))
            what = f"E33 usable_fov_deg {fov:g}, as mounted, looks past the horizon: {off:.1f} deg off straight down"
        else:
            what = (
                f"usable_fov_deg {fov:g} sees flat ground at its edge from at most {edge_m:.1f} m at any pulse rate, "
                f"less than min_range_m {self.min_range_m:g}"
            )
        raise ValueError(f"{what}\n{fix}")

    def _lowest_look(self, usable_fov_deg: float) -> float:
        """Return the cosine off straight down of the farthest pulse of an opening [deg], mounted, in level flight."""
        aside, ahead = np.radians([usable_fov_deg / 2, (self.frame_along_fov_deg or 0.0) / 2])
        tilt, sideways = np.radians([self.forward_tilt_deg, self.sideways_tilt_deg])
        down = np.array([-np.sin(tilt), -np.cos(tilt) * np.sin(sideways), np.cos(tilt) * np.cos(sideways)])
        if self.pattern in ("conical", "rosette"):
            return float(np.cos(min(aside + np.arccos(down[2]), np.pi)))
        if self.pattern == "matrix":
            looks = [(a * np.tan(ahead), b * np.tan(aside), 1.0) for a in (-1, 1) for b in (-1, 1)]
        else:
            beams = np.radians(self.beam_elevations_deg)
            looks = [(np.tan(beam), np.sin(side), np.cos(side)) for beam in beams for side in (-aside, aside)]
        return float(np.min(looks / np.linalg.norm(looks, axis=1, keepdims=True) @ down))

    @model_validator(mode="after")
    def _principle_is_whole(self) -> Self:
        for owner in ("phase_shift", "triangulation"):
            if (getattr(self, owner) is not None) != (self.principle == owner):
                need = f"needs a table [{owner}]" if self.principle == owner else f"has no table [{owner}]"
                raise ValueError(f"principle {self.principle} {need}")
        follows = self.principle in ("phase_shift", "triangulation")
        if (self.range_noise_m is None) != follows:
            need = "sets the range noise itself: leave out" if follows else "needs"
            raise ValueError(f"principle {self.principle} {need} range_noise_m")
        return self

    @model_validator(mode="after")
    def _recorder_is_believable(self) -> Self:
        for key, (least, most, unit, low, high) in _RECORDER_LIMITS.items():
            stated = getattr(self, key)
            if stated is None or least <= stated <= most:
                continue
            (other, holds), limit = (low, f"under {least:g}") if stated < least else (high, f"over {most:g}")
            raise ValueError(
                f"{key} of {stated:g} {unit} is {limit} {unit}, believable of no recorder\n"
                f"was it stated in {other}? then write {stated * holds:g}"
            )
        return self
