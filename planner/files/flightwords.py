"""Sorties and hazards in words, for the map and the report.

Lives here: rows of sorties, and what an obstacle or an area is called and how high it is. Must not know pages.
"""

from dataclasses import dataclass

from planner.assessment import Assessment
from planner.files.sortiefiles import takes_off_at
from planner.flight.sorties import Sortie
from planner.ground.obstacles import KeepOut, Obstacle
from planner.ground.surface import Scene

KIND_WORDS = {"point": "upright", "wire": "wire", "area": "area"}

RESERVE_WORDS = (
    "the share of the battery that would be left were the return flown from its farthest point, straight against the "
    "wind"
)


@dataclass(frozen=True)
class SortieRow:
    """One sortie in words.

    Attributes
    ----------
    number : int
        From 1.
    lines : str
        Names of its lines, in the order flown.
    leaves, minutes, used, left, distance : str
        Take-off on the clock, or after the first one; minutes to landing; percent used and left; way flown [km].
    """

    number: int
    lines: str
    leaves: str
    minutes: str
    used: str
    left: str
    distance: str


def sortie_rows(assessment: Assessment) -> list[SortieRow]:
    """Return a row for each sortie."""
    return [_row(sortie, assessment) for sortie in assessment.plan.sorties]


def _row(sortie: Sortie, assessment: Assessment) -> SortieRow:
    start = takes_off_at(sortie, assessment)
    minutes = round(sortie.starts_s / 60)
    return SortieRow(
        number=sortie.number,
        lines=", ".join(sortie.line_ids),
        leaves=f"{start:%H:%M} UTC" if start is not None else f"+{minutes // 60}:{minutes % 60:02d}",
        minutes=f"{sortie.path.duration_s / 60:.1f}",
        used=f"{100 * sortie.battery_share_used:.0f} %",
        left=f"{100 * sortie.reserve_share_left:.0f} %",
        distance=f"{sortie.distance_m / 1000:.2f} km",
    )


def above_ground_text(thing: Obstacle, scene: Scene) -> str:
    """Return how far a thing stands above the ground beneath its middle."""
    middle = thing.outline.representative_point()
    height_m = thing.top_m - float(scene.ground.at(middle.x, middle.y))
    return f"{height_m:.1f} m" if height_m == height_m else "not known"


def doubt_text(thing: Obstacle) -> str:
    """Return how far the height and the place of a thing may be off, one standard deviation."""
    return f"{thing.vertical_sd_m:.2g} m in height, {thing.horizontal_sd_m:.2g} m in place"


def span_text(area: KeepOut, scene: Scene) -> str:
    """Return between which heights an area is closed."""
    floor = "the ground" if area.floor_m is None else f"{area.floor_m:.1f} m"
    if area.top_m is None:
        return f"from {floor} up" + ("" if area.floor_m is None else f", {scene.heights}")
    return f"from {floor} to {area.top_m:.1f} m, {scene.heights}"
