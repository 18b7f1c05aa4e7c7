"""The frozen inputs of a job: what the user declares, checked once on construction.

Lives here: plain nouns with their units and limits. Must not know files, grids, flight lines or forecasts;
paths are kept as declared, relative to the mission's folder.
"""

import datetime as dt
from pathlib import Path
from typing import Annotated, Literal, Self, TypeVar, cast, dataclass_transform

from pydantic import ConfigDict, Field, model_validator
from pydantic.dataclasses import dataclass

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]

QUALITY_LEVEL_DENSITY_PER_M2 = {"QL0": 8.0, "QL1": 8.0, "QL2": 2.0, "QL3": 0.5}
"""Least aggregate density of first returns [1/m2]: USGS Lidar Base Specification 2025 rev. A, T&M 11-B4, table 1."""

T = TypeVar("T")


@dataclass_transform(frozen_default=True, kw_only_default=True)
def frozen(noun: type[T]) -> type[T]:
    """Make a class an immutable noun, checked on construction, that refuses unknown fields."""
    return cast("type[T]", dataclass(frozen=True, kw_only=True, config=ConfigDict(extra="forbid"))(noun))


Principle = Literal["time_of_flight", "phase_shift", "triangulation"]
Pattern = Literal["rotating", "oscillating_linear", "oscillating_sine", "polygon", "profiling"]
DivergenceWidth = Literal["1/e2", "1/e", "fwhm"]
LaserClass = Literal["1", "1M", "2", "2M", "3R", "3B", "4", "unknown"]
Following = Literal["terrain", "level"]


@frozen
class Site:
    """Where the job is.

    Attributes
    ----------
    area : str
        Vector file with the area of interest, relative to the mission file.
    layer, features : str or None, tuple of str or None
        Layer to read where the file holds several; names of the features to keep, None keeps all.
    buffer_m : float
        Strip round the area that is flown but not judged [m].
    working_crs : str
        ``"auto"`` (transverse Mercator centred on the site, scale 1) or any projected CRS in metres.
    """

    area: str
    layer: str | None = None
    features: tuple[str, ...] | None = None
    buffer_m: Annotated[float, Field(ge=0, le=5000)] = 0.0
    working_crs: str = "auto"


@frozen
class Terrain:
    """The height rasters and what their numbers mean.

    Attributes
    ----------
    ground, surface : str or None
        Bare-earth raster (DTM) and top-surface raster (DSM: roofs, crowns), path or URL.
    heights : {"orthometric", "ellipsoidal"}
        What the raster heights are measured from.
    geoid : str or None
        ``"egm96"``, a geoid grid file, or None where the vertical datum is unknown.
    vertical_unit : {"metre", "foot", "us_survey_foot"} or None
        Unit of the raster values; None reads it from the file, metre if the file is silent.
    vertical_sd_m : float
        One standard deviation of the terrain's own vertical error [m].
    surveyed : date or None
        Day the terrain was measured.
    holes : {"refuse", "unknown"}
        What to do where the flown ground has no data: refuse the job, or go on and leave it unknown.
    """

    ground: str | None = None
    surface: str | None = None
    heights: Literal["orthometric", "ellipsoidal"]
    geoid: str | None = None
    vertical_unit: Literal["metre", "foot", "us_survey_foot"] | None = None
    vertical_sd_m: NotNegative = 0.3
    surveyed: dt.date | None = None
    holes: Literal["refuse", "unknown"] = "refuse"

    @model_validator(mode="after")
    def _needs_a_raster(self) -> Self:
        if self.ground is None and self.surface is None:
            msg = "E14 no raster declared: name `ground` (bare earth) or `surface` (top surface)"
            raise ValueError(msg)
        return self


@frozen
class RangeRating:
    """What the maker states for one pulse rate.

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
    pulse_energy_uj : float or None
        Energy of one pulse [microjoule].
    laser_class : str
        Class as the maker states it, ``"unknown"`` where the sheet is silent.
    hazard_distance_m : float or None
        Nominal ocular hazard distance as the maker states it [m].
    """

    pulse_rate_hz: Annotated[float, Field(gt=0, le=1e8)]
    range_m: Positive
    reflectance: Annotated[float, Field(gt=0, le=1)]
    visibility_km: Positive = 23.0
    light: Literal["day", "night"] = "day"
    pulse_energy_uj: Positive | None = None
    laser_class: LaserClass = "unknown"
    hazard_distance_m: NotNegative | None = None


@frozen
class Sensor:
    """A rangefinder, as its card describes it.

    Attributes
    ----------
    name, description : str
        Short name of the card, and one line for people.
    principle : {"time_of_flight", "phase_shift", "triangulation"}
        How range is measured.
    wavelength_nm : float
        Laser wavelength [nm].
    pattern : str
        ``rotating`` (full turn), ``oscillating_linear`` (mirror at constant angular rate),
        ``oscillating_sine`` (resonant mirror), ``polygon`` (one-way, constant rate), ``profiling`` (fixed beam).
    line_rates_hz : tuple of float
        Scan lines (turns, for ``rotating``) per second that can be set [Hz]; empty for ``profiling``.
    optical_fov_deg, usable_fov_deg : float
        Full scan opening, and the part whose points are accepted [deg]; 0 for ``profiling``.
    forward_tilt_deg : float
        Tilt of the scan plane (or beam) from straight down, positive forward [deg].
    tilts_with_aircraft : bool
        Whether the aircraft's pitch tilts the sensor (rigid mount) or is taken out (levelled mount).
    divergence_mrad, divergence_width : float, {"1/e2", "1/e", "fwhm"}
        Full beam divergence [mrad], and the width it is stated for.
    min_range_m : float
        Shortest valid range [m].
    range_noise_m, angle_noise_deg : float
        One standard deviation of range [m] and of the scan angle [deg].
    returns_per_pulse : int
        Most returns kept of one pulse.
    ratings : tuple of RangeRating
        One entry a pulse rate.
    """

    name: str
    description: str = ""
    principle: Principle = "time_of_flight"
    wavelength_nm: Annotated[float, Field(ge=400, le=4000)]
    pattern: Pattern
    line_rates_hz: tuple[Positive, ...] = ()
    optical_fov_deg: Annotated[float, Field(ge=0, le=360)]
    usable_fov_deg: Annotated[float, Field(ge=0, lt=180)]
    forward_tilt_deg: Annotated[float, Field(gt=-60, lt=60)] = 0.0
    tilts_with_aircraft: bool = False
    divergence_mrad: Positive
    divergence_width: DivergenceWidth
    min_range_m: NotNegative
    range_noise_m: Positive
    angle_noise_deg: NotNegative = 0.0
    returns_per_pulse: Annotated[int, Field(ge=1, le=15)] = 1
    ratings: Annotated[tuple[RangeRating, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _openings_agree(self) -> Self:
        if self.usable_fov_deg > self.optical_fov_deg:
            msg = f"usable_fov_deg {self.usable_fov_deg:g} is wider than optical_fov_deg {self.optical_fov_deg:g}"
            raise ValueError(msg)
        scans = self.pattern != "profiling"
        if scans and (self.usable_fov_deg == 0 or not self.line_rates_hz):
            msg = f"pattern {self.pattern} needs usable_fov_deg above 0 and at least one of line_rates_hz"
            raise ValueError(msg)
        if self.pattern == "rotating" and self.optical_fov_deg != 360:
            msg = f"pattern rotating turns through 360 degrees, optical_fov_deg says {self.optical_fov_deg:g}"
            raise ValueError(msg)
        if self.pattern not in ("rotating", "profiling") and self.optical_fov_deg >= 180:
            msg = f"E33 optical_fov_deg {self.optical_fov_deg:g} is at or over 180 for pattern {self.pattern}"
            raise ValueError(msg)
        rates = [rating.pulse_rate_hz for rating in self.ratings]
        if len(set(rates)) != len(rates):
            msg = "two ratings name the same pulse_rate_hz"
            raise ValueError(msg)
        return self


@frozen
class Aircraft:
    """The drone that carries the sensor.

    Attributes
    ----------
    name, description : str
        Short name of the card, and one line for people.
    kind : {"multirotor", "fixed_wing"}
        Decides which turns it can make.
    min_speed_mps, max_speed_mps : float
        Ground speeds it can hold with the sensor on [m/s].
    climb_mps, descent_mps : float
        Fastest while mapping [m/s].
    pitch_per_speed_deg_s_per_m : float
        Nose-down pitch gained per m/s of forward speed [deg / (m/s)].
    acceleration_mps2 : float
        Along-track acceleration when leaving and joining lines [m/s2].
    max_bank_deg : float
        Steepest bank in turns [deg].
    settle_s : float
        Straight flight before a line's data are kept [s]; sets lead-in and lead-out.
    endurance_s : float
        Flight time with the sensor on, battery full to empty [s].
    """

    name: str
    description: str = ""
    kind: Literal["multirotor", "fixed_wing"] = "multirotor"
    min_speed_mps: Positive
    max_speed_mps: Positive
    climb_mps: Positive
    descent_mps: Positive
    pitch_per_speed_deg_s_per_m: NotNegative = 0.0
    acceleration_mps2: Positive = 1.5
    max_bank_deg: Annotated[float, Field(gt=0, lt=60)] = 20.0
    settle_s: NotNegative = 5.0
    endurance_s: Positive

    @model_validator(mode="after")
    def _speeds_in_order(self) -> Self:
        if self.min_speed_mps > self.max_speed_mps:
            msg = f"min_speed_mps {self.min_speed_mps:g} is above max_speed_mps {self.max_speed_mps:g}"
            raise ValueError(msg)
        return self


@frozen
class Requirement:
    """What the client asks for.

    Attributes
    ----------
    density_per_m2 : float or None
        Least density [1/m2], judged as the other fields say.
    quality_level : {"QL0", "QL1", "QL2", "QL3"} or None
        Quality level of the USGS Lidar Base Specification, instead of a density.
    returns : {"first"}
        Which returns count.
    coverage : {"aggregate", "single"}
        All passes pooled, or the best one pass.
    cell_m : float or None
        Side of the judging cell [m]; None chooses it from density and scan-line spacing.
    percentile : float
        The share of cells [percent] that may lie below the density.
    sidelap_min : float
        Least share of a swath that its neighbour must also cover, 0-0.9.
    """

    density_per_m2: Positive | None = None
    quality_level: Literal["QL0", "QL1", "QL2", "QL3"] | None = None
    returns: Literal["first"] = "first"
    coverage: Literal["aggregate", "single"] = "aggregate"
    cell_m: Positive | None = None
    percentile: Annotated[float, Field(ge=0, le=50)] = 5.0
    sidelap_min: Annotated[float, Field(ge=0, lt=0.9)] = 0.2

    @model_validator(mode="after")
    def _one_target(self) -> Self:
        if (self.density_per_m2 is None) == (self.quality_level is None):
            msg = "give either density_per_m2 or quality_level, one of the two"
            raise ValueError(msg)
        return self

    @property
    def target_per_m2(self) -> float:
        """Density asked for, given or by its quality level [1/m2]."""
        if self.quality_level is not None:
            return QUALITY_LEVEL_DENSITY_PER_M2[self.quality_level]
        return float(self.density_per_m2 or 0.0)


@frozen
class Limits:
    """What the flight must keep to.

    Attributes
    ----------
    ceiling_agl_m : float
        Greatest height above the ground beneath [m].
    clearance_m : float
        Least distance to ground and top surface, terrain doubt included [m].
    climb_mps, descent_mps : float or None
        Tighter climb and descent than the aircraft's own [m/s].
    """

    ceiling_agl_m: Positive = 120.0
    clearance_m: Positive = 30.0
    climb_mps: Positive | None = None
    descent_mps: Positive | None = None

    @model_validator(mode="after")
    def _room_to_fly(self) -> Self:
        if self.clearance_m >= self.ceiling_agl_m:
            msg = f"E25 clearance_m {self.clearance_m:g} leaves no height below ceiling_agl_m {self.ceiling_agl_m:g}"
            raise ValueError(msg)
        return self


@frozen
class FlightChoice:
    """Settings that the user holds fixed; None leaves the choice to the planner.

    Attributes
    ----------
    agl_m : float or None
        Nominal height above ground [m].
    speed_mps : float or None
        Ground speed on lines [m/s].
    heading_deg : float or None
        Heading of the lines, clockwise from true north [deg].
    pulse_rate_hz, line_rate_hz : float or None
        Pulses and scan lines per second, each one of the card's [Hz].
    line_spacing_m : float or None
        Distance between neighbouring lines [m].
    following : {"terrain", "level"} or None
        Height follows the ground, or stays constant.
    """

    agl_m: Positive | None = None
    speed_mps: Positive | None = None
    heading_deg: Annotated[float, Field(ge=-360, le=360)] | None = None
    pulse_rate_hz: Positive | None = None
    line_rate_hz: Positive | None = None
    line_spacing_m: Positive | None = None
    following: Following | None = None


@frozen
class Conditions:
    """The air on the day.

    Attributes
    ----------
    visibility_km : float
        Visibility by 2 % contrast [km].
    """

    visibility_km: Positive = 23.0


@frozen
class Mission:
    """A whole job as declared.

    Attributes
    ----------
    name : str
        Name of the job; names the output folder.
    date : date
        Planned day; no clock is ever read.
    file : Path
        The mission file; the paths it names start from its folder.
    assumptions : tuple of str
        One line for every value that the mission left out and a default filled.
    take_off_deg : tuple of (float, float)
        Take-off points, longitude and latitude on WGS 84 [deg]; heights above take-off refer to the first.
    site, terrain, sensor, aircraft, requirement, limits, flight, conditions
        The parts, each described by its own class.
    """

    name: Annotated[str, Field(min_length=1, max_length=120)]
    date: dt.date
    file: Path
    assumptions: tuple[str, ...] = ()
    take_off_deg: tuple[tuple[float, float], ...] = ()
    site: Site
    terrain: Terrain
    sensor: Sensor
    aircraft: Aircraft
    requirement: Requirement
    limits: Limits = Limits()
    flight: FlightChoice = FlightChoice()
    conditions: Conditions = Conditions()
