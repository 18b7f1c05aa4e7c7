"""Why a cell is as it is, as nouns and in words.

Lives here: the story of a cell and of each line that looks at it. Must not know flight lines, nor how it was found.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from planner.ranging.fates import AMBIGUOUS, DIM, SHADOWED, TOO_FAR, TOO_NEAR, WATER
from planner.ranging.single import Obstacle

LOST = {
    "minimum range": TOO_NEAR,
    "shadow": SHADOWED,
    "range ambiguity": AMBIGUOUS,
    "over range": TOO_FAR,
    "water": WATER,
    "dim surface": DIM,
}
"""Channel of a tally in which each cause of loss is counted."""

_DOUBTFUL = 0.9
"""Mean chance of detection below which the reach of a line is spoken of."""

_UNEVEN_DEG = 20.0
"""Spread of slopes within a cell above which one incidence does not stand for it."""


@dataclass(frozen=True)
class LineStory:
    """What one line does for a cell.

    Attributes
    ----------
    line_id : str
        Name of the line.
    slant_range_m, scan_angle_deg, incidence_deg : float
        Of the pulse that points nearest to the middle of the cell: range [m], angle from the middle of the scan,
        positive to the right, and angle from the normal of the cell's face [deg]; incidence is nan for leaves, which
        face every way.
    longest_range_m : float
        Longest range to this surface at that incidence, in the air and light planned [m].
    mean_chance : float
        Chance that a pulse which meets the cell returns, mean over them; nan where none meets it.
    sent_per_m2, shadowed_per_m2 : float
        Pulses that meet the cell, and those that would, did nothing stand before it [1/m2].
    obstacle : Obstacle or None
        What stands before it.
    lost_per_m2 : mapping of str to float
        Pulses lost, by cause [1/m2].
    returns_per_m2 : float
        Returns of this line that the requirement may count [1/m2].
    share_per_m2 : float
        Its part of the density as judged: 0 where only the best pass counts, and it is another [1/m2].
    """

    line_id: str
    slant_range_m: float
    scan_angle_deg: float
    incidence_deg: float
    longest_range_m: float
    mean_chance: float
    sent_per_m2: float
    shadowed_per_m2: float
    obstacle: Obstacle | None
    lost_per_m2: Mapping[str, float]
    returns_per_m2: float
    share_per_m2: float


@dataclass(frozen=True)
class CellStory:
    """Why a cell has the density it has.

    Attributes
    ----------
    lon_deg, lat_deg, cell_m : float
        Middle of the cell [deg], and its side [m].
    returns, coverage : str
        What the requirement counts.
    density_per_m2, target_per_m2 : float
        Density as judged, nan on unknown terrain, and the one asked for [1/m2].
    cause : str
        What the cell is below its density for; ``"met"``, or ``"not judged"`` where its middle is off the area.
    surface : str
        Class at its middle.
    reflectance, wavelength_nm : float
        Matt reflectance of it, 0-1, at the wavelength of the sensor [nm].
    state : str
        Whether surfaces are dry, wet or frosted.
    slopes_deg : (float, float)
        Slope of the flattest and of the steepest piece of the cell [deg].
    case_per_m2 : mapping of str to float
        Density in each case that is compared [1/m2].
    lines : tuple of LineStory
        Lines that send pulses there or would; their shares add up to the density.
    advice : str
        What can be done, in words.
    vertical_combined_m, vertical_single_m : float
        Vertical error, one standard deviation: of all passes together, and of the pass that brings most; nan where it
        is not known [m].
    dominant_term : str
        What makes most of the variance of the first; empty where that is not known.
    confidence : float or None
        The chance with which the requirement wants cells to meet it, 0-1; None where it asks for none.
    sure_cause : str
        As `cause`, for what the cell has with that chance; empty where it is not known.
    """

    lon_deg: float
    lat_deg: float
    cell_m: float
    returns: str
    coverage: str
    density_per_m2: float
    target_per_m2: float
    cause: str
    surface: str
    reflectance: float
    wavelength_nm: float
    state: str
    slopes_deg: tuple[float, float]
    case_per_m2: Mapping[str, float]
    lines: tuple[LineStory, ...]
    advice: str
    vertical_combined_m: float = math.nan
    vertical_single_m: float = math.nan
    dominant_term: str = ""
    confidence: float | None = None
    sure_cause: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Return the story as plain values, by the names of its fields."""
        return asdict(self)

    def __str__(self) -> str:
        """Return the story in words."""
        return "\n".join((*_of_the_cell(self), *_of_the_lines(self), f"what to do: {self.advice}"))


def _of_the_cell(story: CellStory) -> Iterator[str]:
    yield f"cell of {story.cell_m:g} m at lon {story.lon_deg:.7f} lat {story.lat_deg:.7f}: {_verdict(story.cause)}"
    if story.confidence is not None and story.sure_cause:
        yield f"  with a chance of {story.confidence:g}, as is asked: {_verdict(story.sure_cause)}"
    passes = "all passes pooled" if story.coverage == "aggregate" else "the best single pass"
    yield f"  {_number(story.density_per_m2)} of {story.target_per_m2:g} {story.returns} returns per m2, {passes}"
    yield (
        f"  surface: {story.surface}, {story.state}, reflectance {story.reflectance:.3g} at {story.wavelength_nm:g} nm"
    )
    if not math.isnan(story.vertical_combined_m):
        of_all, of_one = (100 * error_m for error_m in (story.vertical_combined_m, story.vertical_single_m))
        most = f"; most of the first: {story.dominant_term}" if story.dominant_term else ""
        yield f"  vertical error, one sigma: {of_all:.1f} cm of all passes, {of_one:.1f} cm of the best one{most}"
    flattest, steepest = story.slopes_deg
    if steepest - flattest > _UNEVEN_DEG:
        yield f"  uneven: its pieces slope by {flattest:.0f} to {steepest:.0f} deg, and incidence is to their mean"
    if story.case_per_m2:
        yield "  per m2 in other cases: " + ", ".join(f"{name} {_number(n)}" for name, n in story.case_per_m2.items())


def _verdict(cause: str) -> str:
    verdict = {
        "met": "meets its density",
        "not judged": "not judged: its middle lies outside the area",
        "water": "below its density, as expected of open water",
        "height error": "meets its density, not together with the height error",
    }
    return verdict.get(cause, f"below its density, for: {cause}")


def _of_the_lines(story: CellStory) -> Iterator[str]:
    if not story.lines:
        yield "  no line sends a pulse there"
        return
    heads = ("line", "range m", "scan deg", "incid. deg", "longest m", "chance", "sent/m2", "shadow/m2", "share/m2")
    rows = [heads, *(_row(line) for line in story.lines)]
    rows.append(("all", *[""] * 5, *(_number(sum(values)) for values in _sums(story))))
    widths = [max(len(row[place]) for row in rows) for place in range(len(heads))]
    for row in rows:
        first, *others = (text.rjust(width) for text, width in zip(row, widths, strict=True))
        yield "  " + "  ".join((row[0].ljust(len(first)), *others))
    for line in story.lines:
        for text in _remarks(line, story):
            yield f"  {line.line_id}: {text}"


def _row(line: LineStory) -> tuple[str, ...]:
    return (
        line.line_id,
        f"{line.slant_range_m:.1f}",
        f"{line.scan_angle_deg:.1f}",
        "leaves" if line.incidence_deg != line.incidence_deg else f"{line.incidence_deg:.1f}",
        f"{line.longest_range_m:.1f}",
        "-" if line.mean_chance != line.mean_chance else f"{line.mean_chance:.2f}",
        _number(line.sent_per_m2),
        _number(line.shadowed_per_m2),
        _number(line.share_per_m2),
    )


def _sums(story: CellStory) -> Iterator[list[float]]:
    yield [line.sent_per_m2 for line in story.lines]
    yield [line.shadowed_per_m2 for line in story.lines]
    yield [line.share_per_m2 for line in story.lines]


def _remarks(line: LineStory, story: CellStory) -> Iterator[str]:
    """Yield what the figures of a line mean."""
    if line.obstacle is not None and line.shadowed_per_m2 > 0:
        away_m, height_m = line.obstacle.distance_m, line.obstacle.height_m
        if away_m > story.cell_m / 2:
            yield f"hidden by what stands {away_m:.1f} m away towards the sensor, {height_m:.1f} m above the cell"
        else:
            yield f"hidden by its own slope, or by what stands on it, {height_m:.1f} m above its middle"
    if line.mean_chance < _DOUBTFUL:
        beyond = "beyond" if line.slant_range_m > line.longest_range_m else "within"
        yield (
            f"flies {line.slant_range_m:.1f} m away, {beyond} the longest range of {line.longest_range_m:.1f} m "
            f"to {story.surface} at this incidence"
        )
    lost = [f"{cause} {_number(n)}" for cause, n in line.lost_per_m2.items() if n >= 0.05]
    if lost:
        yield "pulses lost per m2: " + ", ".join(lost)


def _number(value: float) -> str:
    return "unknown" if value != value else f"{value:.1f}"
