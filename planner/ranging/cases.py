"""Air, light and wetness of a job, as the pulses of one rate meet them.

Lives here: the light of a pulse rate in the planned case and in those it is compared with, and cases in words.
Must not know flight lines, cells or files.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from planner.equipment import RangeRating
from planner.ground.sun import sun_day, sun_position
from planner.ground.surface import Scene
from planner.mission import Conditions, Mission
from planner.ranging.air import extinction_per_m
from planner.ranging.background import background_of, range_ratio, usual_receiver
from planner.ranging.detection import Seeing
from planner.ranging.fates import Light, light_of
from planner.ranging.linkbudget import Reach
from planner.ranging.palette import palette_of, rated_palette
from planner.ranging.principles import reach_within

NIGHT_DEG = -90.0
"""Elevation of the sun that stands for night."""


def sun_elevation_deg(conditions: Conditions, mission: Mission, scene: Scene) -> float | None:
    """Return the refracted elevation of the sun over the site [deg]; None where nobody says when."""
    if conditions.night:
        return NIGHT_DEG
    centre = scene.area.centroid
    lon, lat = scene.frame.to_lonlat(centre.x, centre.y)
    if conditions.noon:
        return float(sun_day(np.datetime64(mission.date), float(lon), float(lat)).noon_elevation_deg)
    if conditions.start is None:
        return None
    at = np.datetime64(conditions.start.replace(tzinfo=None), "s")
    return float(sun_position(at, float(lon), float(lat)).apparent_elevation_deg)


def reach_in(mission: Mission, scene: Scene, rating: RangeRating, conditions: Conditions) -> Reach:
    """Return the reach of a rated pulse rate in some conditions, to ground as bright as the rating's.

    Sunlight changes it against the light that the rating was stated in. Where the card does not state its receiver, a
    usual one is taken, and a sun lower than rated is given no credit.
    """
    sensor = mission.sensor
    reach = replace(reach_within(sensor, rating, conditions.visibility_km), seeing=Seeing())
    air = extinction_per_m(
        sensor.wavelength_nm, conditions.visibility_km, conditions.rain_mm_h, 0.0, conditions.snow_mm_h
    )
    strength = reach.strength_m
    elevation = sun_elevation_deg(conditions, mission, scene)
    if elevation is not None and scene.sunlight is not None:
        receiver = sensor.receiver or usual_receiver(sensor.wavelength_nm, sensor.divergence_mrad)
        seen = background_of(scene.sunlight, receiver, sensor.wavelength_nm)
        ratio = float(range_ratio(seen.threshold_factor(rating, elevation, rating.reflectance)))
        strength *= ratio if sensor.receiver else min(ratio, 1.0)
    return replace(reach, extinction_per_m=air, strength_m=strength)


def light_for(mission: Mission, scene: Scene, rating: RangeRating) -> Light:
    """Return the light of a rated pulse rate: the planned case first, then those of the mission's comparison."""
    every = [mission.conditions, *(case.conditions for case in mission.compare)]
    reaches = [reach_in(mission, scene, rating, conditions) for conditions in every]
    if scene.cover is None:
        return light_of(reaches, [rated_palette(rating.reflectance)] * len(every))
    palettes = [
        palette_of(
            scene.cover.surfaces,
            rating.reflectance,
            mission.sensor.wavelength_nm,
            wet=conditions.surfaces_wet,
            frost=mission.cover.frost if conditions.frost else None,
            wind_mps=conditions.wind_mps,
        )
        for conditions in every
    ]
    return light_of(reaches, palettes)


def in_words(conditions: Conditions, mission: Mission, scene: Scene) -> str:
    """Return conditions in a few words."""
    words = [
        f"{conditions.surfaces} surfaces",
        f"visibility {conditions.visibility_km:g} km",
    ]
    words += [f"rain {conditions.rain_mm_h:g} mm/h"] if conditions.rain_mm_h else []
    words += [f"snowfall {conditions.snow_mm_h:g} mm/h"] if conditions.snow_mm_h else []
    elevation = sun_elevation_deg(conditions, mission, scene)
    if elevation is None:
        words.append("light as each range is rated")
    elif elevation < 0:
        words.append("night")
    else:
        words.append(f"sun {elevation:.0f} deg high")
    return ", ".join(words)


def cases_named(mission: Mission, scene: Scene) -> Sequence[tuple[str, str]]:
    """Return name and description of each case, the planned one first."""
    planned = ("as planned", in_words(mission.conditions, mission, scene))
    return [planned, *((case.name, in_words(case.conditions, mission, scene)) for case in mission.compare)]
