"""The output folder: all files of a job, whole or not at all.

Lives here: summary.json with its schema, the hashes of inputs, the folder that appears in one step.
Must not know how figures were found, nor how a map is drawn or a report is laid out.
"""

import hashlib
import json
import math
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from importlib import resources
from pathlib import Path
from typing import Any

from planner.assessment import Assessment
from planner.cover import AT_NM
from planner.errors import Fault, InputError
from planner.files.articlefigures import article_figures, check_areas_geojson
from planner.files.checkpointfiles import checkpoints_csv, checkpoints_geojson
from planner.files.costfigures import cost_figures
from planner.files.planfiles import (
    collection_text,
    gaps_geojson,
    heights_statement,
    json_value,
    plan_geojson,
    write_grid,
)
from planner.files.qualityfigures import quality_figures
from planner.files.safetyfigures import safety_figures
from planner.files.sortiefiles import hazard_figures, sortie_figures, sortie_of_lines
from planner.forecast.budgets import NO_TERM
from planner.forecast.gaps import CAUSES, NOT_JUDGED
from planner.forecast.parts import CaseFigures, PartFigures
from planner.ground.surface import Scene
from planner.mission import Conditions
from planner.ranging.uncertainty import TERMS

CAUSE_CODES = ", ".join(f"{code} {cause}" for code, cause in enumerate(("met", *CAUSES))) + f", {NOT_JUDGED} not judged"

TERM_CODES = ", ".join(f"{code} {term}" for code, term in enumerate(TERMS)) + f", {NO_TERM} no returns"

CASE_NAMES = ("name", "description", "judged_per_m2", "below_m2", "below_pct", "met")


def check_target(folder: Path, *, replace: bool, input_files: Sequence[tuple[str, Path]] = ()) -> None:
    """Refuse (E44) a folder that would be lost: without leave, not of our making, or with inputs of this job in it."""
    if not (folder.exists() or folder.is_symlink()):
        return
    what, fix = "", "choose another output folder"
    if not replace:
        what, fix = "the output folder exists", "add --replace, or choose another output folder"
    elif folder.is_symlink() or not (folder / "summary.json").is_file():
        what = "what is to be replaced does not look like an output folder: it holds no summary.json"
    elif any(path.resolve().is_relative_to(folder.resolve()) for _, path in input_files):
        what = "what is to be replaced holds input files of this job"
    if what:
        raise InputError(Fault("E44", what, str(folder), fix))


def write_outputs(
    folder: Path,
    assessment: Assessment,
    *,
    replace: bool,
    input_files: Sequence[tuple[str, Path]],
    write_map: Callable[[Path, Assessment], None],
    write_report: Callable[[Path, Assessment], None],
    write_briefing: Callable[[Path, Assessment], None],
) -> None:
    """Write all output files of a job; the folder appears, or is replaced, only when every file is there.

    Parameters
    ----------
    folder : Path
        Output folder; its parents are made where missing.
    assessment : Assessment
        What to write.
    replace : bool
        Whether an output folder that exists may be replaced, with all that lies in it.
    input_files : sequence of (str, Path)
        Name as the mission declares it, and place, of every file that was read.
    write_map, write_report, write_briefing : callable
        Write map.html, report.html and briefing.html to the path they are given.

    Raises
    ------
    InputError
        E44 the folder exists and may not be replaced.
    """
    check_target(folder, replace=replace, input_files=input_files)
    with _workshop(folder) as workshop:
        fresh = workshop / "fresh"
        fresh.mkdir()
        _write_files(fresh, assessment, input_files)
        write_map(fresh / "map.html", assessment)
        write_report(fresh / "report.html", assessment)
        write_briefing(fresh / "briefing.html", assessment)
        old = workshop / "old"
        if folder.exists():
            folder.rename(old)
        try:
            fresh.rename(folder)
        except BaseException:  # an interrupt, too, must not cost the folder that was there
            if old.exists():
                old.rename(folder)
            raise


def summary_dict(assessment: Assessment, input_files: Sequence[tuple[str, Path]]) -> dict[str, Any]:
    """Return the contents of summary.json, by the names of its schema; nan is null, floats keep 9 digits."""
    plan, forecast = assessment.plan, assessment.forecast
    sortie_of = sortie_of_lines(plan.sorties)
    summary: dict[str, Any] = json_value(
        {
            "mission": assessment.mission.name,
            "verdict": "met" if assessment.met else "not met",
            "settings": None if plan.settings is None else vars(plan.settings),
            "flight": {**plan.flight, "changes": plan.changes},
            "lines": [vars(figures) | {"sortie": sortie_of.get(figures.line_id)} for figures in plan.figures],
            "sorties": sortie_figures(assessment),
            "hazards": hazard_figures(assessment),
            "density": vars(forecast.density),
            "faces": None if forecast.faces is None else asdict(forecast.faces),
            "coverage": vars(forecast.coverage),
            "conditions": _conditions_dict(assessment.mission.conditions),
            "surfaces": _surface_dicts(assessment),
            "cases": [{name: getattr(case, name) for name in CASE_NAMES} for case in forecast.cases],
            "by_class": [_part_dict(part, forecast.cases) for part in forecast.by_class],
            "by_feature": [_part_dict(part, forecast.cases) for part in forecast.by_feature],
            "mending": [vars(step) for step in assessment.mending],
            "safety": safety_figures(assessment),
            "assumptions": assessment.assumptions,
            "inputs": [{"path": _portable(name), "sha256": _sha256(path)} for name, path in input_files],
        }
        | quality_figures(assessment)
        | cost_figures(assessment)
        | article_figures(assessment)
    )
    return summary | {"frame": _frame_dict(assessment.scene)}


def summary_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of summary.json."""
    text = resources.files("planner").joinpath("data/schemas/summary.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


@contextmanager
def _workshop(folder: Path) -> Iterator[Path]:
    """Lend a temporary folder beside `folder`; take it away afterwards, and parents made in vain with it."""
    made = [parent for parent in folder.parents if not parent.exists()]
    folder.parent.mkdir(parents=True, exist_ok=True)
    workshop = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", dir=folder.parent))
    try:
        yield workshop
    finally:
        shutil.rmtree(workshop)
        for parent in made:
            if not any(parent.iterdir()):
                parent.rmdir()


def _write_files(folder: Path, assessment: Assessment, input_files: Sequence[tuple[str, Path]]) -> None:
    scene, layout = assessment.scene, assessment.quality.checkpoints
    _write_text(folder / "plan.geojson", collection_text(plan_geojson(assessment)))
    _write_text(folder / "gaps.geojson", collection_text(gaps_geojson(assessment)))
    _write_text(folder / "checkpoints.geojson", collection_text(checkpoints_geojson(layout, scene, scene.grid_crs)))
    _write_text(folder / "checkpoints.csv", checkpoints_csv(layout, scene, scene.grid_crs))
    if (articles := assessment.survey_articles) is not None:
        _write_text(folder / "check_areas.geojson", collection_text(check_areas_geojson(articles, scene)))
    summary = json.dumps(
        summary_dict(assessment, input_files), indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False
    )
    _write_text(folder / "summary.json", summary + "\n")
    _write_coverage(folder, assessment)
    _write_errors(folder, assessment)


def _write_coverage(folder: Path, assessment: Assessment) -> None:
    """Write what comes back to each cell, and the cause where it is too little."""
    forecast = assessment.forecast
    densities = {
        f"Density as judged: {forecast.density.definition}": forecast.density_per_m2,
        "First returns per square metre of plan area": forecast.first_per_m2,
        f"Ground returns per square metre of plan area: {forecast.density.ground_definition}": forecast.ground_per_m2,
    }
    write_grid(folder / "density.tif", densities, assessment, "1/m2", math.nan)
    write_grid(folder / "passes.tif", {"Lines with at least one return": forecast.passes}, assessment, "1", None)
    cause = f"Cause of a cell below its density: {CAUSE_CODES}"
    write_grid(folder / "cause.tif", {cause: forecast.cause}, assessment, "code", NOT_JUDGED)


def _write_errors(folder: Path, assessment: Assessment) -> None:
    """Write the errors of each cell, what makes most of them, and the chances to meet what is asked."""
    errors, shape = assessment.forecast.errors, assessment.forecast.judged.shape
    one_sd = "one standard deviation of points in the cell"
    bands = {
        f"Vertical error, {one_sd}: of all passes together, weighted by their returns": errors.vertical_combined_m,
        f"Vertical error, {one_sd}: of one return of the pass that brings most": errors.vertical_single_m,
        f"Horizontal error, {one_sd}, root of the summed squares of both axes: of all passes together, weighted by "
        "their returns": errors.horizontal_combined_m,
    }
    grids = {said: values.reshape(shape) for said, values in bands.items()}
    write_grid(folder / "vertical_rmse.tif", grids, assessment, "m", math.nan)
    term = f"Term that makes most of the vertical variance of all passes together: {TERM_CODES}"
    write_grid(folder / "dominant_term.tif", {term: errors.dominant.reshape(shape)}, assessment, "code", NO_TERM)
    if (sure := assessment.quality.confidence) is not None:
        chances = {
            f"Chance to meet what is asked, density and height error: {sure.definition}": sure.chance,
            "Chance to meet the density alone, over the same draws": sure.chance_density,
        }
        write_grid(folder / "confidence.tif", chances, assessment, "1", math.nan)


def _write_text(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def _frame_dict(scene: Scene) -> dict[str, Any]:
    """Return the working CRS; its origin is not rounded, since positions hang on it."""
    centre = scene.area.centroid
    convergence_deg = math.degrees(scene.frame.convergence_rad(centre.x, centre.y))
    return {
        "crs_wkt": scene.frame.crs.to_wkt(),
        "origin_east_m": float(scene.frame.origin_east_m),
        "origin_north_m": float(scene.frame.origin_north_m),
        "heights": scene.heights,
        "heights_statement": heights_statement(scene),
        "geoid": None if scene.geoid is None else scene.geoid.name,
        "frame_doubt_m": json_value(scene.frame_doubt_m),
        # Grid north and true north part by this much at the middle of the area.
        "grid_convergence_deg": round(convergence_deg, 6) + 0.0,
    }


def _conditions_dict(conditions: Conditions) -> dict[str, Any]:
    """Return air, light and wetness as planned; a start of null: the light of the card's own ratings."""
    start = None if conditions.start is None else conditions.start.isoformat()
    return asdict(conditions) | {"start": start, "wet": conditions.surfaces_wet}


def _surface_dicts(assessment: Assessment) -> list[dict[str, Any]]:
    """Return the classes of surface on the site, as bright as they were taken to be when dry, and who says so."""
    cover = assessment.scene.cover
    if cover is None:
        return []
    return [
        {
            "name": name,
            "kind": surface.kind,
            "reflectance": {f"{at_nm:g}_nm": share for at_nm, share in zip(AT_NM, surface.reflectance, strict=True)},
            "source": surface.source,
            "mark": surface.mark,
        }
        for name, surface in zip(cover.names, cover.surfaces, strict=True)
    ]


def _part_dict(part: PartFigures, cases: Sequence[CaseFigures]) -> dict[str, Any]:
    """Return the figures of a class of surface or a feature, areas below target by the name of the case."""
    below_m2 = {case.name: area_m2 for case, area_m2 in zip(cases, part.below_m2, strict=True)}
    return vars(part) | {"below_m2": below_m2}


def _portable(name: str) -> str:
    """Return a name without its folder where that is absolute: it would tell of the machine, not of the job."""
    if "://" in name:
        return name
    path = Path(name)
    return path.name if path.is_absolute() else path.as_posix()


def _sha256(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
