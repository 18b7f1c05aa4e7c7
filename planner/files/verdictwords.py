"""The verdict of a job for a terminal: a few lines.

Lives here: which figures they hold, and how they are said. Must not know how anything was found.
"""

from collections.abc import Iterator
from pathlib import Path

from planner.assessment import Assessment, Plan
from planner.files.surewords import sure_text
from planner.forecast.confidence import SURE_CHANCE


def verdict_text(assessment: Assessment, folder: Path) -> str:
    """Return the result in a few lines."""
    plan, density, coverage = assessment.plan, assessment.forecast.density, assessment.forecast.coverage
    lines = [
        f"{assessment.mission.name}: requirement {'met' if assessment.met else 'NOT MET'}",
        f"  {density.judged_percentile:g}th percentile {density.judged_per_m2:.0f} of {density.target_per_m2:g} per m2"
        f"; {coverage.below_pct:.2f} % of {coverage.area_m2 / 1e4:.2f} ha below",
        f"  mean and 5th percentile per m2: first returns {density.first_mean_per_m2:.0f} and "
        f"{density.first_p05_per_m2:.0f}, ground returns {density.ground_mean_per_m2:.0f} and "
        f"{density.ground_p05_per_m2:.0f}",
    ]
    if faces := assessment.forecast.faces:
        lines.append(
            f"  faces over {faces.limit_deg:g} deg, per m2 of face: {faces.mean_per_m2:.0f} and {faces.p05_per_m2:.0f} "
            f"({faces.face_area_m2:.0f} m2); {faces.coverage_pct:.1f} % have {faces.target_per_m2:g} or more"
        )
    lines += _worth(assessment)
    causes = {cause: area for cause, area in coverage.by_cause_m2.items() if area > 0}
    if causes:
        lines.append("  below for: " + ", ".join(f"{cause} {area:.0f} m2" for cause, area in causes.items()))
    lines.append(_flown(plan))
    if plan.settings is not None:
        chosen = plan.settings
        closest = "" if chosen.closest_spacing_m is None else f"{chosen.closest_spacing_m:.1f} to "
        lines.append(
            f"  {chosen.agl_m:.0f} m above ground, {chosen.speed_mps:.1f} m/s, {chosen.pulse_rate_hz / 1000:g} kHz, "
            f"lines {closest}{chosen.line_spacing_m:.1f} m apart, heading {chosen.heading_deg:.0f} deg"
        )
    lines += [f"  UNSAFE {fault}" for fault in assessment.unsafe]
    over = [one for one in assessment.cautions if one.status == "over" and one.caution_id != "unsafe line"]
    lines += [f"  over: {caution.text}" for caution in over]
    lines.append("  cautions: in the summary and on the map; none of this replaces local rules and licensed practice")
    lines.append(f"  written to {folder}")
    return "\n".join(lines)


def _flown(plan: Plan) -> str:
    """Return what flying the lines takes: sorties and the time from first take-off to last landing."""
    count, minutes = len(plan.lines), plan.flight["time_s"]["total"] / 60
    said = f"  {count} {'line' if count == 1 else 'lines'}, {plan.flight['line_length_m'] / 1000:.2f} km"
    if not plan.sorties:
        why = "; ".join(str(fault.what) for fault in plan.unflown) or "no take-off place is given"
        return f"{said}, {minutes:.1f} min in the air; no sorties: {why}"
    sorties, batteries = len(plan.sorties), plan.flight["batteries"]
    words = f"{sorties} {'sortie' if sorties == 1 else 'sorties'} on {batteries}"
    words += f" {'battery' if batteries == 1 else 'batteries'}"
    return f"{said}; {words}, {minutes:.1f} min from first take-off to last landing"


def _worth(assessment: Assessment) -> Iterator[str]:
    """Yield what is expected of heights, acceptance, chances and checkpoints, a line each."""
    accuracy, quality = assessment.forecast.accuracy, assessment.quality
    if accuracy.rmse_m is not None and accuracy.tested_rmse_m is not None:
        target = "" if accuracy.target_rmse_m is None else f" of {100 * accuracy.target_rmse_m:g}"
        yield (
            f"  vertical RMSE as tested {100 * accuracy.tested_rmse_m:.1f}{target} cm, of points "
            f"{100 * accuracy.rmse_m:.1f} cm; most of it: {accuracy.dominant_term}"
        )
    status = [clause.status for clause in quality.acceptance]
    broken = ": " + ", ".join(clause.clause for clause in quality.acceptance if clause.status == "not met")
    yield (
        f"  acceptance: {status.count('met')} clauses met, {status.count('assumed')} assumed, "
        f"{status.count('not met')} not met{broken if 'not met' in status else ''}"
    )
    if asked := sure_text(assessment):
        yield f"  {asked[0].lower()}{asked[1:]}"
    if sure := quality.confidence:
        source = sure.costliest
        most = f"; {source} costs most, {sure.by_source_m2[source]:.0f} m2" if source else ""
        yield f"  chance under {SURE_CHANCE:g} to meet what is asked on {sure.area_under_pct:.1f} % of the area{most}"
    layout = quality.checkpoints
    bound = f", bound by {layout.bound_by}" if layout.bound_by else ""
    yield f"  checkpoints: {len(layout.points)} of {layout.wanted} placed{bound}"
