"""Who sees the flight from where: pilots at their take-off places, over the top surface.

Lives here: what choosing take-off places and the sight-line caution need of a mission. Must not know the forecast.
"""

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from planner.flight.loads import Sight
from planner.flight.sorties import Sortie
from planner.ground.clearance import upper_surface
from planner.ground.sight import SEEN, seen_from
from planner.ground.surface import Scene
from planner.mission import Mission
from planner.safety.cautions import Caution
from planner.safety.sightline import sight_caution, sight_limit_m, too_far

Array = npt.NDArray[np.float64]

EYE_M = np.array([0.0, 0.0, 1.7])
"""A pilot's eye over the take-off place: a person who stands [m]; common practice, no source."""


def limit_m_of(mission: Mission) -> float | None:
    """Return how far the aircraft is made out on the day [m], None where the card does not say how large it is."""
    aircraft = mission.aircraft
    rotors = aircraft.kind == "multirotor"
    return sight_limit_m(aircraft.max_dimension_m, rotors=rotors, visibility_km=mission.conditions.visibility_km)


def sight_of(mission: Mission, scene: Scene, take_offs_m: Sequence[Array]) -> Sight:
    """Return what tells, of points, which are surely in sight of a pilot at each take-off place."""
    top, limit_m = upper_surface(scene), limit_m_of(mission)

    def sight(points_m: Array) -> npt.NDArray[np.bool_]:
        eyes = [place + EYE_M for place in take_offs_m]
        near = [~too_far(np.linalg.norm(points_m - eye, axis=1), limit_m) for eye in eyes]
        seen = [seen_from(top, eye, points_m) == SEEN for eye in eyes]
        return np.asarray(np.column_stack(near) & np.column_stack(seen))

    return sight


def sight_cautions(mission: Mission, scene: Scene, sorties: Sequence[Sortie]) -> Iterator[Caution]:
    """Yield the caution about sight from the pilots over all sorties, of each from where it takes off."""
    if not sorties:
        why = "Whether the aircraft stays in sight cannot be told: no sorties are planned, so nobody stands anywhere."
        yield Caution("sight line", "cannot tell", why)
        return
    top = upper_surface(scene)
    places = np.concatenate([sortie.path.points_m[1:] for sortie in sorties])
    eyes = [sortie.take_off_m + EYE_M for sortie in sorties]
    far = [np.linalg.norm(sortie.path.points_m[1:] - eye, axis=1) for sortie, eye in zip(sorties, eyes, strict=True)]
    seen = [seen_from(top, eye, sortie.path.points_m[1:]) for sortie, eye in zip(sorties, eyes, strict=True)]

    def where(number: int) -> str:
        lon, lat = scene.frame.to_lonlat(places[number, 0], places[number, 1])
        return f"lon {float(lon):.6f} lat {float(lat):.6f}"

    yield sight_caution(
        np.concatenate(far),
        np.concatenate(seen),
        np.concatenate([np.diff(sortie.path.times_s) for sortie in sorties]),
        limit_m_of(mission),
        where,
        [name for sortie in sorties for name in leg_names(sortie)],
    )


def leg_names(sortie: Sortie) -> list[str]:
    """Return what the reader calls the leg that each segment of a sortie belongs to."""
    names, last = [], ""
    for part, line_id in zip(sortie.path.parts, sortie.path.line_ids, strict=True):
        last = line_id or last
        if line_id:
            names.append(f"line {line_id}")
        elif part in ("turn", "hover"):
            names.append(f"turn after line {last}")
        else:
            names.append(f"{part} of sortie {sortie.number}")
    return names
