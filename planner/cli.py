"""The command line: one function a command.

Lives here: arguments, progress, exit codes. Must not do any work of its own. Heavy imports stay inside the commands,
so that ``--help`` answers at once.
"""

import json
import sys
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from planner.errors import InfeasibleError, PlannerError, SafetyError

if TYPE_CHECKING:
    from planner.assessment import Assessment, Plan
    from planner.mission import Mission

app = typer.Typer(
    name="swathwright",
    help="Plan survey flights for drone-mounted rangefinders and forecast their coverage.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

MissionFile = Annotated[Path, typer.Argument(metavar="MISSION", help="Mission file (TOML).")]
OutFolder = Annotated[Path | None, typer.Option("--out", help="Output folder [default: out/NAME beside the mission].")]
Replace = Annotated[bool, typer.Option("--replace", help="Replace an existing output folder.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print the summary, or the error, as JSON.")]
Threads = Annotated[int, typer.Option("--threads", min=1, max=64, help="Lines fired at the same time.")]


MANY_POINTS = 100e6
BYTES_PER_POINT = {".las": 30, ".laz": 6}
"""Point format 6 is 30 bytes; compressed, simulated flights came to 2 over smooth ground and 6 through crowns."""


@contextmanager
def _progress() -> Iterator[Callable[[str, int, int], None]]:
    """Show a bar on standard error for work that says what it does, steps done and steps in all."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = TextColumn("{task.description:<32}"), BarColumn(), TimeElapsedColumn()
    console = Console(stderr=True)
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("starting", total=None)

        def tell(what: str, done: int, total: int) -> None:
            bar.update(task, description=what, completed=done, total=total)

        yield tell


def _default_folder(mission: "Mission") -> Path:
    name = "".join(letter if letter.isalnum() else "-" for letter in mission.name.lower()).strip("-")
    return mission.file.parent / "out" / "-".join(filter(None, name.split("-")))


def _run(
    mission_file: Path,
    out: Path | None,
    replace: bool,
    as_json: bool,
    drawn_lines: Path | None,
    work: "Callable[[Mission, Any, Callable[[str, int, int], None]], Assessment]",
) -> None:
    """Read a mission, do the work, write the outputs, say the verdict and leave with its exit code."""
    with _progress() as tell:
        tell("reading the mission", 0, 1)
        from planner.files.briefing import write_briefing
        from planner.files.bundle import check_target, summary_dict, write_outputs
        from planner.files.geofiles import input_files, read_scene
        from planner.files.missionfile import read_mission
        from planner.files.report import write_report
        from planner.files.verdictwords import verdict_text
        from planner.files.webmap import write_map
        from planner.ground.kernels import CACHE

        mission = read_mission(mission_file)
        folder = out or _default_folder(mission)
        check_target(folder, replace=replace)
        tell("reading area and terrain", 0, 1)
        scene = read_scene(mission)
        if not CACHE.exists():
            tell("first run: compiling kernels", 0, 1)
        assessment = work(mission, scene, tell)
        tell("writing outputs", 0, 1)
        files = input_files(mission) + (((drawn_lines.name, drawn_lines),) if drawn_lines else ())
        write_outputs(
            folder,
            assessment,
            replace=replace,
            input_files=files,
            write_map=write_map,
            write_report=write_report,
            write_briefing=write_briefing,
        )
    if as_json:
        typer.echo(json.dumps(summary_dict(assessment, files), indent=2))
    else:
        typer.echo(verdict_text(assessment, folder))
    if assessment.unsafe:
        raise typer.Exit(SafetyError.exit_code)
    if not assessment.met:
        raise typer.Exit(InfeasibleError.exit_code)


@app.command()
def plan(
    mission: MissionFile, out: OutFolder = None, replace: Replace = False, as_json: AsJson = False, threads: Threads = 2
) -> None:
    """Plan a mission, forecast its coverage, mend what falls short and write the outputs."""

    def work(declared: "Mission", scene: Any, tell: Callable[[str, int, int], None]) -> "Assessment":
        import dataclasses

        from planner.survey import make_plan, mend, tradeoffs_of

        found = mend(declared, scene, make_plan(declared, scene, progress=tell), progress=tell, threads=threads)
        return dataclasses.replace(found, tradeoffs=tradeoffs_of(declared, scene, found.plan))

    _run(mission, out, replace, as_json, None, work)


@app.command()
def review(
    mission: MissionFile,
    lines: Annotated[Path, typer.Argument(metavar="LINES", help="Lines: GeoJSON, KML, GeoPackage or Shapefile.")],
    out: OutFolder = None,
    replace: Replace = False,
    as_json: AsJson = False,
    threads: Threads = 2,
) -> None:
    """Forecast the coverage of lines that anyone drew."""

    def work(declared: "Mission", scene: Any, tell: Callable[[str, int, int], None]) -> "Assessment":
        from planner.files.linefiles import read_lines
        from planner.survey import review as review_lines

        drawn = read_lines(lines, declared, scene)
        return review_lines(declared, scene, drawn, progress=tell, threads=threads)

    _run(mission, out, replace, as_json, lines, work)


@app.command()
def resume(
    plan: Annotated[Path, typer.Argument(metavar="PLAN", help="Output folder of a plan or review, or its lines.")],
    done: Annotated[str, typer.Option("--done", help="Lines that are flown, as in 1-9,12 or L01-L09,X02.")],
    mission: Annotated[
        Path | None,
        typer.Option("--mission", help="Mission file, where it lies neither beside PLAN nor in the folder above."),
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", help="Output folder [default: PLAN-left, beside it].")] = None,
    replace: Replace = False,
    as_json: AsJson = False,
    threads: Threads = 2,
) -> None:
    """Go on where a flight stopped: new sorties for the lines left, the forecast of all."""
    from planner.files.planfolder import mission_of, plan_file

    lines = plan_file(plan)
    folder = lines.resolve().parent

    def work(declared: "Mission", scene: Any, tell: Callable[[str, int, int], None]) -> "Assessment":
        from planner import survey
        from planner.files.linefiles import read_lines

        planned = read_lines(lines, declared, scene)
        flown = survey.lines_named(planned, done)
        if len(flown) == len(planned):
            said = f"all {len(planned)} lines are done: nothing is left to fly, nothing is written"
            typer.echo(json.dumps({"lines_left": [], "said": said}) if as_json else said)
            raise typer.Exit
        return survey.resume(declared, scene, planned, flown, progress=tell, threads=threads)

    _run(mission or mission_of(lines), out or folder.with_name(f"{folder.name}-left"), replace, as_json, lines, work)


@app.command()
def cautions(
    source: Annotated[Path, typer.Argument(metavar="MISSION|OUT", help="Mission file, or output folder of a plan.")],
    as_json: AsJson = False,
    threads: Threads = 2,
) -> None:
    """Say what a crew must weigh before a flight: eyes, airspace, ground, light and hours, with measured values."""
    from planner.files.cautionwords import caution_text, safety_of_folder
    from planner.files.planfiles import json_value

    safety = safety_of_folder(source) if source.is_dir() else _safety_of_mission(source, threads)
    typer.echo(json.dumps(json_value(safety), indent=2) if as_json else caution_text(safety))
    if safety["unsafe"]:
        raise typer.Exit(SafetyError.exit_code)


def _safety_of_mission(mission_file: Path, threads: int) -> dict[str, Any]:
    """Return what summary.json would say of safety: planned and forecast, without chances and other conditions."""
    with _progress() as tell:
        tell("reading the mission", 0, 1)
        from dataclasses import replace

        from planner.files.geofiles import read_scene
        from planner.files.missionfile import read_mission
        from planner.files.safetyfigures import safety_figures
        from planner.survey import make_plan, mend

        mission = read_mission(mission_file)
        mission = replace(mission, doubts=replace(mission.doubts, draws=0), compare=())
        tell("reading area and terrain", 0, 1)
        scene = read_scene(mission)
        plan = make_plan(mission, scene, progress=tell)
        return safety_figures(mend(mission, scene, plan, progress=tell, threads=threads))


@app.command()
def simulate(
    mission_file: MissionFile,
    target: Annotated[Path, typer.Argument(metavar="OUT", help="Point cloud to write: .laz or .las.")],
    drawn: Annotated[Path | None, typer.Option("--lines", help="Lines that anyone drew, instead of a plan.")] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an existing file.")] = False,
) -> None:
    """Write the points that the flight would bring, to try what comes after before it is flown."""
    with _progress() as tell:
        tell("reading the mission", 0, 1)
        from planner.files.geofiles import read_scene
        from planner.files.missionfile import read_mission
        from planner.files.pointcloud import check_cloud, write_cloud
        from planner.ground.kernels import CACHE

        check_cloud(target, replace=replace)
        mission = read_mission(mission_file)
        tell("reading area and terrain", 0, 1)
        scene = read_scene(mission)
        if not CACHE.exists():
            tell("first run: compiling kernels", 0, 1)
        plan = _plan_for_points(mission, scene, drawn, tell)
        if plan.flight["returns_expected"] > MANY_POINTS:
            typer.echo(_size_ahead(plan.flight["returns_expected"], target.suffix.lower()), err=True)
        cloud = write_cloud(target, mission, scene, plan.lines, replace=replace, progress=tell)
    typer.echo(
        f"{cloud.points} points of {cloud.pulses} pulses, {cloud.size_bytes / 1e6:.1f} MB, written to {target}\n"
        "  simulated: a forecast, not a survey"
    )


def _plan_for_points(
    mission: "Mission", scene: Any, drawn: Path | None, tell: Callable[[str, int, int], None]
) -> "Plan":
    """Return the plan to simulate, our own or of drawn lines; an unsafe one is refused."""
    from planner.survey import make_plan, mend_plan, review

    if drawn is None:
        return mend_plan(mission, scene, make_plan(mission, scene, progress=tell), progress=tell).plan
    from planner.files.linefiles import read_lines

    assessment = review(mission, scene, read_lines(drawn, mission, scene), progress=tell)
    if assessment.unsafe:
        raise SafetyError(*assessment.unsafe)
    return assessment.plan


def _size_ahead(points: int, suffix: str) -> str:
    """Return a warning of how large a point cloud will be."""
    size = points * BYTES_PER_POINT[suffix]
    return (
        f"about {points / 1e6:.0f} million points, one a pulse, and so some {size / 1e9:.1f} GB; more through crowns\n"
        "  Ctrl-C stops and leaves nothing"
    )


@app.command()
def sensors(
    template: Annotated[bool, typer.Option("--template", help="Print a commented card to fill in.")] = False,
) -> None:
    """List the sensor cards with swath, density and reach at three heights above flat ground."""
    from planner.files.cards import bundled, load_sensor, sensor_template
    from planner.files.cardwords import TABLE_SPEED_MPS, card_lines

    if template:
        typer.echo(sensor_template(), nl=False)
        return
    for name in bundled("sensors"):
        typer.echo(card_lines(load_sensor(name, Path())))
    typer.echo(
        f"Over flat ground of the rated reflectance, one pass at {TABLE_SPEED_MPS:g} m/s; density is the mean over "
        "the swath.\nAll bundled cards are invented: fill in your own with --template."
    )


@app.command()
def new(
    area: Annotated[Path, typer.Argument(metavar="AREA", help="Area: GeoJSON, GeoPackage, KML, Shapefile.")],
    terrain: Annotated[Path, typer.Option("--terrain", help="Bare-earth height raster.")],
    target: Annotated[Path | None, typer.Option("--target", help="File to write [default: AREA with .toml].")] = None,
) -> None:
    """Write a commented mission file that runs."""
    from planner.files.newmission import write_new_mission

    typer.echo(f"written to {write_new_mission(area, terrain, target or area.with_suffix('.toml'))}")


# Unknown options are let through as arguments: a negative longitude looks like one.
@app.command(context_settings={"ignore_unknown_options": True})
def why(
    folder: Annotated[Path, typer.Argument(metavar="OUT", help="Output folder of a plan or review.")],
    lon: Annotated[float, typer.Argument(metavar="LON", help="Longitude of a place in the area, degrees.")],
    lat: Annotated[float, typer.Argument(metavar="LAT", help="Latitude of it, degrees.")],
    mission: Annotated[
        Path | None,
        typer.Option("--mission", help="Mission file, where it lies neither beside OUT nor in the folder above."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the answer, or the error, as JSON.")] = False,
) -> None:
    """Say why a place has the density it has: line by line, and what to do."""
    with _progress() as tell:
        from planner.files.planfiles import json_value
        from planner.why import explain

        story = explain(folder, lon, lat, mission_file=mission, progress=tell)
    typer.echo(json.dumps(json_value(story.as_dict()), indent=2) if as_json else str(story))


def main() -> None:
    """Run a command; turn every error into one clear message and its exit code."""
    try:
        app(standalone_mode=True)
    except PlannerError as error:
        if "--json" in sys.argv:
            typer.echo(json.dumps(error.as_dict(), indent=2))
        typer.echo(str(error), err=True)
        if isinstance(error, InfeasibleError) and error.best is not None:
            best = error.best
            typer.echo(
                f"  best reachable {best.quantity}: {best.reachable:g} of {best.asked:g}, limited by {best.limited_by}",
                err=True,
            )
        raise SystemExit(error.exit_code) from None
    except Exception:  # the last door: anything else is a bug of ours, and says so
        traceback.print_exc()
        typer.echo("This is a bug in swathwright. Please report it with the text above and the mission file.", err=True)
        raise SystemExit(PlannerError.exit_code) from None
