"""What the popups of the offline map say.

Lives here: titles, rows and sentences of lines, gaps, features, checkpoints and take-off points. Must not know pages or
pictures.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from planner.assessment import Assessment, LineFigures
from planner.files.checkpointfiles import checkpoint_row, crs_words, grid_crs
from planner.files.mapclasses import unjudged_returns
from planner.flight.flightlines import FlightLine
from planner.forecast.checkpoints import Checkpoint
from planner.forecast.gaps import Gap
from planner.forecast.parts import CaseFigures, PartFigures
from planner.ground.surface import Scene

Row = tuple[str, str]

REASONS = {
    "no terrain": "The terrain has no heights here, so nothing can be forecast.",
    "no line": "No line passes abeam of here.",
    "outside swath": "Lines pass by, but none scans this far aside.",
    "minimum range": "The surface is nearer than the sensor can measure.",
    "shadow": "Something that stands in between hides it.",
    "range ambiguity": "At this distance and pulse rate, echoes come while the sensor is deaf, or are taken for those "
    "of another pulse.",
    "over range": "Farther than the sensor reaches even on a surface as bright as its card assumes.",
    "water": "Expected, no failure: open water sends little light back.",
    "dim surface": "Beyond reach at this surface's own brightness; one as bright as the card assumes would return.",
    "canopy": "Crowns let too little light through to the ground.",
    "sparse": "Pulses return, but there are too few of them.",
    "height error": "Dense enough, but its height is not sure enough to be as exact as is asked.",
}
"""Why cells of a cause are below their target, one plain sentence each."""


@dataclass(frozen=True)
class Said:
    """A popup.

    Attributes
    ----------
    title : str
        Its heading.
    rows : tuple of (str, str)
        Names and values.
    note : str
        A sentence beneath, empty for none.
    """

    title: str
    rows: tuple[Row, ...] = ()
    note: str = ""


def thousands(value: float) -> str:
    """Return a whole number, thousands set apart by a narrow space."""
    return f"{value:,.0f}".replace(",", "\u202f")


def gap_said(gap: Gap, other_mean_per_m2: float, assessment: Assessment) -> Said:
    """Return what a gap says; `other_mean_per_m2` is the mean of the returns that the requirement does not count."""
    judged = assessment.mission.requirement.returns
    means = {judged: gap.mean_density_per_m2, unjudged_returns(assessment): other_mean_per_m2}
    rows = (
        ("Cause", gap.cause),
        ("Area", f"{thousands(gap.area_m2)} m²"),
        ("First returns, mean", f"{means['first']:.1f} per m²"),
        ("Ground returns, mean", f"{means['ground']:.1f} per m²"),
        (f"{judged.capitalize()} returns, required", f"{assessment.forecast.density.target_per_m2:g} per m²"),
    )
    return Said(f"{'Open water' if gap.cause == 'water' else 'Gap'} {gap.gap_id}", rows, REASONS[gap.cause])


def feature_said(part: PartFigures, cases: Sequence[CaseFigures]) -> Said:
    """Return what a named feature says: its area below the target in each case, why, and what helps."""
    if part.area_m2 <= 0:
        return Said(part.name, (), "None of it lies in the judged area.")
    below = (
        (f"Below target, {case.name}", f"{thousands(area_m2)} m² ({100 * area_m2 / part.area_m2:.0f} %)")
        for case, area_m2 in zip(cases, part.below_m2, strict=True)
    )
    causes = ((f"… for {cause}", f"{thousands(area_m2)} m²") for cause, area_m2 in part.by_cause_m2.items())
    planned, *others = below
    rows = (
        ("Area judged", f"{thousands(part.area_m2)} m²"),
        ("5th percentile as planned", f"{part.p05_per_m2:.1f} per m²"),
        planned,
        *causes,
        *others,
    )
    return Said(part.name, rows, f"What helps: {part.advice}." if part.advice else "")


def line_said(line: FlightLine, figures: LineFigures, ceiling_agl_m: float, sortie: int | None = None) -> Said:
    """Return what a flight line says; `sortie` is the number of the one that flies it."""
    over = figures.ceiling_over_m
    heights = f"{figures.agl_min_m:.0f} / {figures.agl_mean_m:.0f} / {figures.agl_max_m:.0f} m"
    unsafe = ("Unsafe as drawn", "too near to ground, obstacles or a closed area, or below the stated hazard distance")
    rows = (
        *((unsafe,) if figures.unsafe else ()),
        *((("Sortie", str(sortie)),) if sortie is not None else ()),
        ("Heading, true", f"{figures.heading_deg % 360:.1f}°"),
        ("Length kept", f"{thousands(figures.length_m)} m"),
        ("Height above ground, min / mean / max", heights),
        ("Ceiling above ground", f"{ceiling_agl_m:g} m, " + (f"over by {over:.1f} m" if over > 0 else "not exceeded")),
        ("Ground speed", f"{line.speed_mps:.1f} m/s"),
        ("Pulse rate", f"{line.pulse_rate_hz / 1e3:g} kHz"),
        ("Density of this line alone, mean", f"{figures.density_per_m2:.1f} first returns per m²"),
    )
    return Said(f"Line {line.line_id}", rows)


def checkpoint_said(point: Checkpoint, scene: Scene) -> Said:
    """Return what a checkpoint says: where it stands, in the user's own grid where there is one, and why there."""
    grid = grid_crs(scene.grid_crs, scene.frame)
    row = checkpoint_row(point, scene, grid)
    heights = {"Height, orthometric": row["height_ortho_m"], "Height, ellipsoidal": row["height_ellip_m"]}
    rows = (
        ("Easting", f"{row['easting']:.3f}"),
        ("Northing", f"{row['northing']:.3f}"),
        ("Grid", crs_words(grid)),
        ("Latitude, WGS 84", f"{row['latitude']:.7f}°"),
        ("Longitude, WGS 84", f"{row['longitude']:.7f}°"),
        *((name, f"{height_m:.2f} m") for name, height_m in heights.items() if height_m is not None),
        ("Slope", f"{point.slope_deg:.1f}°"),
        ("Cover", point.cover or "not known"),
        ("Setting", point.setting or "cannot be told from one surface"),
        ("Quadrant of the area", point.quadrant),
    )
    return Said(f"Checkpoint {point.point_id}", rows, f"Why here: {point.reason}.")


def take_off_said(number: int, lon_deg: float, lat_deg: float) -> Said:
    """Return what a take-off point says; the first is number 1."""
    rows: tuple[Row, ...] = (("Latitude, WGS 84", f"{lat_deg:.6f}°"), ("Longitude, WGS 84", f"{lon_deg:.6f}°"))
    if number == 1:
        rows += (("Heights above take-off", "start from this point"),)
    return Said(f"Take-off point {number}", rows)
