"""What falls short of a requirement, and what one more pass would bring there, in closed form.

Lives here: the cells that a line may help, the ways to fly it that a mission leaves open, and what a pass along a track
brings. Must not know how tracks are chosen, or files.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.assessment import Forecast
from planner.flight.avoidance import Profile
from planner.flight.bounds import height_limits_m
from planner.flight.flightlines import FlightLine
from planner.flight.ordering import reversed_line
from planner.flight.patches import Cells, Mask, Pass, Track
from planner.flight.paths import Flyer
from planner.flight.profile import lowest_profile_m
from planner.flight.settings import Settings
from planner.flight.sorties import turn_time_s
from planner.flight.swath import along_half_angle_rad, single_pass_density_per_m2, swath_width_m
from planner.forecast.gaps import code_of
from planner.forecast.parts import cell_classes
from planner.ground.raycast import first_hit
from planner.ground.surface import HeightGrid, Scene
from planner.mission import Mission
from planner.ranging.beams import ScanPattern, scan_pattern, scan_tilt_rad
from planner.ranging.cases import light_for
from planner.ranging.fates import Light
from planner.ranging.ratings import by_rate
from planner.survey.clearing import profile_of
from planner.survey.legs import rating_of

Array = npt.NDArray[np.float64]

CLOSED_BY_LINES = ("no line", "outside swath", "shadow", "over range", "dim surface", "canopy", "sparse")
"""Causes that a line may take away: from another side, from nearer, or by its pulses alone."""

RANGE_LOST = ("over range", "dim surface")

SOUND_SHARE = 0.9
"""Of what closed forms promise, so much is counted on: legs sway, and cells hold whole returns."""

LOWER_SHARES, SLOWER_SHARES = (0.75, 0.5), (0.7, 0.5)
"""Heights and speeds of patch lines that are tried besides those of the plan, where the mission holds neither."""

MOST_CELLS = 5000
"""Cells that patch lines are laid over; of more, an even sample."""

DETOUR_SHARE = 0.5
"""Of the side of a square as large as the area: the way that a patch line is taken to lie aside of others."""

_STATION_M = 10.0  # between places at which the height of a track is looked up
_SEED = 1


@dataclass(frozen=True)
class Shortfall:
    """Judged cells that fall short and that a line may help; the order is that of the cells, row by row.

    Attributes
    ----------
    places_m : ndarray, shape (n, 3)
        East, north, up on the surface that counts [m].
    areas_m2 : ndarray, shape (n,)
        What each stands for: more than its own area where this is a sample [m2].
    slopes : ndarray, shape (n, 2)
        Rise per metre toward east and north.
    codes : ndarray of uint8, shape (n,)
        Class of surface.
    lacking_per_m2 : ndarray, shape (n,)
        Density of first returns that a pass must bring [1/m2].
    causes : ndarray of uint8, shape (n,)
        Codes as in cause.tif.
    flat : ndarray of int64, shape (n,)
        Flat number of each cell.
    cell_m : float
        Side of a cell [m].
    """

    places_m: Array
    areas_m2: Array
    slopes: Array
    codes: npt.NDArray[np.uint8]
    lacking_per_m2: Array
    causes: npt.NDArray[np.uint8]
    flat: Cells
    cell_m: float

    def at(self, which: Cells | Mask) -> "Shortfall":
        """Return some of the cells."""
        return Shortfall(
            places_m=self.places_m[which],
            areas_m2=self.areas_m2[which],
            slopes=self.slopes[which],
            codes=self.codes[which],
            lacking_per_m2=self.lacking_per_m2[which],
            causes=self.causes[which],
            flat=self.flat[which],
            cell_m=self.cell_m,
        )

    def sample(self) -> "Shortfall":
        """Return an even sample of at most `MOST_CELLS` that stands for all."""
        count = len(self.flat)
        if count <= MOST_CELLS:
            return self
        which = np.sort(np.random.default_rng(_SEED).choice(count, MOST_CELLS, replace=False))
        few = self.at(which)
        return replace(few, areas_m2=few.areas_m2 * (count / MOST_CELLS))


def shortfall_of(mission: Mission, scene: Scene, forecast: Forecast) -> Shortfall:
    """Return the cells below the requirement for a cause that a line may take away."""
    requirement, cells = mission.requirement, forecast.cells
    codes = [code_of(cause) for cause in CLOSED_BY_LINES]
    flat = np.flatnonzero(np.isin(forecast.cause, codes))
    centres = forecast.seen.faces.centres_m[flat]
    up = surface_of(mission, scene).at(centres[:, 0], centres[:, 1])
    first, ground = (values.ravel()[flat] for values in (forecast.first_per_m2, forecast.ground_per_m2))
    lacking = np.full(len(flat), requirement.target_per_m2)
    has = forecast.density_per_m2 if forecast.sure is None else forecast.sure.density_per_m2
    if requirement.coverage == "aggregate":
        lacking = lacking - np.nan_to_num(has.ravel()[flat])
    lacking /= _sure_share(forecast)
    if requirement.returns == "ground":
        share = np.divide(ground, first, out=np.ones(len(flat)), where=first > 0)
        lacking = np.divide(lacking, share, out=np.full(len(flat), np.inf), where=share > 0)
    known = np.isfinite(up)
    return Shortfall(
        places_m=np.column_stack([centres[:, :2], up])[known],
        areas_m2=np.full(int(known.sum()), cells.cell_m**2),
        slopes=np.nan_to_num(forecast.seen.faces.slopes[flat][known]),
        codes=cell_classes(scene.cover, cells).ravel()[flat][known],
        lacking_per_m2=lacking[known],
        causes=forecast.cause.ravel()[flat][known],
        flat=flat[known],
        cell_m=cells.cell_m,
    )


def _sure_share(forecast: Forecast) -> float:
    """Return the share of its density that a cell usually has with the confidence asked for; 1 where none is."""
    if forecast.sure is None:
        return 1.0
    met = (forecast.cause == 0) & (forecast.density_per_m2 > 0)
    shares = forecast.sure.density_per_m2[met] / forecast.density_per_m2[met]
    return float(np.clip(np.median(shares), 0.5, 1.0)) if shares.size else 1.0


def surface_of(mission: Mission, scene: Scene) -> HeightGrid:
    """Return the surface that the judged returns come from, which hides what lies behind it."""
    return scene.top if mission.requirement.returns == "first" else scene.layers.solid()


@dataclass(frozen=True)
class Way:
    """One way to fly a patch line, and what it brings.

    Attributes
    ----------
    agl_m, speed_mps, pulse_rate_hz : float
        Nominal height above ground [m], ground speed [m/s], pulses per second [Hz].
    settings : Settings
        Those of the plan, which hold for the rest.
    profile : Profile
        Gives lines their heights.
    pattern : ScanPattern
        As tilted in flight.
    light : Light
        What returns.
    lead_m : float
        Straight flight before and after the data [m].
    most_agl_m : float
        Greatest height above the ground beneath [m].
    """

    agl_m: float
    speed_mps: float
    pulse_rate_hz: float
    settings: Settings
    profile: Profile
    pattern: ScanPattern
    light: Light
    lead_m: float
    most_agl_m: float

    @property
    def extend_m(self) -> float:
        """How much farther data are kept for beams that look ahead or back [m]."""
        return self.agl_m * float(np.tan(along_half_angle_rad(self.pattern)))

    def brings_per_m2(self, track: Track, cells: Shortfall) -> Array:
        """Return the first returns that a pass brings to cells nothing hides, shape (n,) [1/m2]."""
        origins, aside = self._origins_m(track, cells.places_m)
        sight = cells.places_m - origins
        drop, distance = -sight[:, 2], np.linalg.norm(sight, axis=1)
        seen = (drop > 1.0) & (np.arctan2(np.abs(aside), drop) < self.pattern.usable_half_angle_rad)
        drop = np.where(seen, drop, 1.0)
        toward = drop + (cells.slopes * sight[:, :2]).sum(axis=1)  # face-on share of the slant way, taken vertically
        incidence = toward / (distance * np.sqrt(1 + (cells.slopes**2).sum(axis=1)))
        flat = single_pass_density_per_m2(self.pattern, np.where(seen, aside, 0.0), drop, self.speed_mps)
        chance = chance_of_return(self.light, cells.codes, distance, np.maximum(incidence, 0.0))
        return np.where(seen, flat * np.maximum(toward / drop, 0.0) * chance, 0.0)

    def hidden(self, track: Track, cells: Shortfall, surface: HeightGrid) -> Mask:
        """Return which cells something hides from a pass, shape (n,)."""
        origins, _ = self._origins_m(track, cells.places_m)
        away = cells.places_m - origins
        distance = np.linalg.norm(away, axis=1)
        met = first_hit(surface, origins, away / distance[:, np.newaxis])
        # What is met within a cell's side of its middle is the cell itself.
        return np.asarray(met < distance - cells.cell_m)

    def line(self, line_id: str, track: Track) -> FlightLine:
        """Return the line along a track at the lowest heights allowed, flown the way that lets it lie lower."""
        start, end = track.span_m[0] - self.extend_m - self.lead_m, track.span_m[1] + self.extend_m + self.lead_m
        places = track.places_m(np.linspace(start, end, max(int(np.ceil((end - start) / 5.0)), 2) + 1))
        points = np.column_stack([places, np.full(len(places), -np.inf)])
        angle, scan_rate = np.radians(self.settings.usable_half_angle_deg), self.settings.line_rate_hz
        kept = self.lead_m, end - start - self.lead_m
        flat = FlightLine(line_id, points, kept, self.speed_mps, self.pulse_rate_hz, scan_rate, float(angle))
        return min(
            (self.profile.relaid(way) for way in (flat, reversed_line(flat))),
            key=lambda line: _mean_m(line.points_m[:, 2]),
        )

    def _origins_m(self, track: Track, places_m: Array) -> tuple[Array, Array]:
        """Return from where on a track places are seen, shape (n, 3), and how far aside they lie, shape (n,) [m].

        A track that is too steep to be followed below the ceiling has no heights: nan.
        """
        along, aside = track.seen_m(places_m)
        stations = np.linspace(*track.span_m, max(int(np.ceil(track.length_m / _STATION_M)), 1) + 1)
        stops = track.places_m(stations)
        floor = self.profile.floor.at(stops[:, 0], stops[:, 1])
        climb, descent = (rate / self.speed_mps for rate in (self.profile.climb_mps, self.profile.descent_mps))
        up = np.full(len(floor), floor.max())
        if not self.profile.level:
            ways = lowest_profile_m(stations, floor, climb, descent), lowest_profile_m(stations, floor, descent, climb)
            up = min(ways, key=_mean_m)
        if (up - self.profile.floor.ground_m(stops[:, 0], stops[:, 1])).max() > self.most_agl_m:
            up = np.full(len(up), np.nan)
        return np.column_stack([track.places_m(along), np.interp(along, stations, up)]), aside


def ways_of(
    mission: Mission, scene: Scene, settings: Settings, flyer: Flyer, causes: Sequence[str], most_agl_m: float
) -> tuple[Way, ...]:
    """Return the ways to fly a patch line that the mission leaves open below a height [m], the plan's own first.

    Lower, slower, and where light is what lacks at the pulse rate that reaches farthest; none for a beam without a
    swath.
    """
    if not settings.usable_half_angle_deg:
        return ()
    held, low_m = mission.flight, height_limits_m(mission)[0]
    heights = [settings.agl_m]
    if held.agl_m is None:
        heights += [max(share * settings.agl_m, low_m) for share in LOWER_SHARES]
    speeds = [settings.speed_mps]
    if held.speed_mps is None:
        speeds += [max(share * settings.speed_mps, mission.aircraft.min_speed_mps) for share in SLOWER_SHARES]
    rates = [settings.pulse_rate_hz]
    if held.pulse_rate_hz is None and any(cause in RANGE_LOST for cause in causes):
        farthest = max(by_rate(mission.sensor).values(), key=lambda one: one.range_m / np.sqrt(one.reflectance))
        rates.append(farthest.pulse_rate_hz)
    flown = {(agl, settings.speed_mps, rates[0]) for agl in heights} | {
        (heights[0], speed, rates[0]) for speed in speeds
    }
    flown |= {
        (heights[-1], speeds[-1], rates[0]),
        (heights[0], speeds[0], rates[-1]),
        (heights[0], speeds[-1], rates[-1]),
    }
    ordered = sorted(flown, key=lambda way: (way[2] != rates[0], -way[0], -way[1]))
    profile = profile_of(mission, scene, settings.agl_m, flyer, level=settings.following != "terrain")
    return tuple(_way(mission, scene, settings, profile, most_agl_m, *way) for way in ordered)


def _way(
    mission: Mission,
    scene: Scene,
    settings: Settings,
    profile: Profile,
    most_agl_m: float,
    agl_m: float,
    speed_mps: float,
    pulse_rate_hz: float,
) -> Way:
    angle = float(np.radians(settings.usable_half_angle_deg))
    pattern = scan_pattern(mission.sensor, pulse_rate_hz, settings.line_rate_hz, angle)
    tilt = scan_tilt_rad(mission.sensor, mission.aircraft, speed_mps)
    return Way(
        agl_m=agl_m,
        speed_mps=speed_mps,
        pulse_rate_hz=pulse_rate_hz,
        settings=settings,
        profile=replace(profile, floor=replace(profile.floor, agl_m=agl_m)),
        pattern=replace(pattern, forward_tilt_rad=tilt),
        light=light_for(mission, scene, rating_of(mission, pulse_rate_hz)),
        lead_m=mission.aircraft.settle_s * speed_mps,
        most_agl_m=most_agl_m,
    )


def pass_of(mission: Mission, scene: Scene, way: Way, cells: Shortfall) -> Pass:
    """Return a way to fly as what chooses tracks needs it."""
    surface = surface_of(mission, scene)
    turn_s = float(turn_time_s(mission.aircraft, way.speed_mps, 0.0))
    aside_s = DETOUR_SHARE * float(np.sqrt(scene.area.area)) / way.speed_mps

    def closes(track: Track, which: Cells) -> Mask:
        some = cells.at(which)
        return np.asarray(SOUND_SHARE * way.brings_per_m2(track, some) >= some.lacking_per_m2)

    def sees(track: Track, which: Cells) -> Mask:
        return ~way.hidden(track, cells.at(which), surface)

    return Pass(
        half_width_m=float(swath_width_m(way.agl_m, way.pattern.usable_half_angle_rad)) / 2,
        speed_mps=way.speed_mps,
        fixed_s=2 * (way.lead_m + way.extend_m) / way.speed_mps + turn_s + aside_s,
        closes=closes,
        sees=sees,
    )


def _mean_m(heights_m: Array) -> float:
    """Return the mean of heights, rounded such that equal ones compare equal [m]."""
    return round(float(heights_m.mean()), 3)


def chance_of_return(light: Light, codes: npt.NDArray[np.uint8], distance_m: Array, incidence: Array) -> Array:
    """Return the chance that faces return a pulse as planned, mirrors left out, shape (n,)."""
    spread = light.strength2_m2[0] * np.exp(-2 * light.extinction_per_m[0] * distance_m) / distance_m**2
    ratio = spread * light.factors[0][codes] * incidence
    chance = np.interp(ratio, light.step * np.arange(len(light.chances)), light.chances)
    valid = (distance_m >= light.nearest_m) & (distance_m <= min(light.longest_m, light.told_m))
    return np.where(valid, chance, 0.0)
