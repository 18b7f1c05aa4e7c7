"""A plan held against rules of survey work, article by article, by what its lines are and what its forecast sees.

Lives here: what each rule asks of a job, what is found, and the cautions of both. Must not know files. A table of what
was computed, never an acceptance: the surveyor in charge decides.
"""

import calendar
import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.articles import Article, Articles, ArticleStatus, CheckAreas
from planner.assessment import Forecast, Plan, Quality
from planner.flight.flightlines import FlightLine
from planner.forecast.acceptance import SIDELAP
from planner.forecast.density import cells_known
from planner.forecast.footing import read_footing
from planner.forecast.parts import water_cells
from planner.forecast.sightlines import SightLines, least_by_cell, sight_lines
from planner.ground.surface import Scene
from planner.mission import Mission
from planner.safety.cautions import Caution
from planner.survey.checkareas import place_check_areas
from planner.survey.legs import rating_of
from planner.surveyrules import Measure, SurveyRule

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Verdict = tuple[str, str, ArticleStatus, str]
"""Asked, found, status and note of one rule."""

ROUNDING = 1e-9
STRAIGHT_M = 1.0
"""Most that a straight course departs from its chord: own choice, the document names none."""
LEVEL_M = 1.0
"""Most that a course of one height changes it: own choice."""
AGL_SHARE = 0.1
"""Part by which height above the ground may differ from its mean, on nine tenths of a course: own choice."""


@dataclass(frozen=True)
class _Facts:
    """What rules are judged by."""

    mission: Mission
    scene: Scene
    plan: Plan
    forecast: Forecast
    quality: Quality
    sight: SightLines
    longest_m: Array
    areas: CheckAreas

    @property
    def allowed_pct(self) -> float:
        """Share of cells that may miss an angle or a distance: what the requirement lets fall short [percent]."""
        return self.mission.requirement.percentile

    @property
    def neighbours(self) -> bool:
        """Whether any two courses run side by side and see the same ground."""
        return bool(self.areas.overlaps)

    @property
    def dry(self) -> Mask:
        """Judged cells without declared water, flat."""
        return (self.forecast.judged & ~water_cells(self.scene.cover, self.forecast.cells)).ravel()


def articles_of(mission: Mission, scene: Scene, plan: Plan, forecast: Forecast, quality: Quality) -> Articles | None:
    """Return how a plan stands to the rules of survey work of its mission; None where it names none.

    Angles and distances are those at which the forecast's lines see each cell, not those of the settings.
    """
    rules = mission.survey_rules
    if rules is None:
        return None
    legs = forecast.seen.legs
    longest = np.array([rating_of(mission, leg.pattern.pulse_rate_hz).range_m for leg in legs])
    sight = sight_lines(forecast.seen.looks, forecast.seen.faces, legs)
    areas = _check_areas(mission, scene, plan, forecast)
    facts = _Facts(mission, scene, plan, forecast, quality, sight, longest, areas)
    found = tuple(Article(rule, *_JUDGES[rule.measure](rule, facts)) for rule in rules.rules)
    return Articles(rules, mission.theta, mission.requirement.target_per_m2, mission.planned_per_m2, found, areas)


def article_cautions(articles: Articles | None) -> Iterator[Caution]:
    """Yield a caution for each rule that the plan does not satisfy, and one on those that somebody must show."""
    if articles is None:
        return
    rules = articles.rules
    for one in articles.articles:
        if one.status == "not satisfied":
            text = f"Article {one.rule.article} of {rules.name}: asked {one.asked}; found {one.found}."
            yield Caution("survey rules", "over", text, citation=one.rule.citation, read_on=rules.read_on)
    to_show = [f"{one.rule.article} ({one.found})" for one in articles.articles if one.status == "declare"]
    if to_show:
        text = f"What a plan cannot show of {rules.name}, the surveyor in charge has to: article {', '.join(to_show)}."
        yield Caution("survey rules", "cannot tell", text, citation=rules.document, read_on=rules.read_on)


def months_later(day: dt.date, months: int) -> dt.date:
    """Return the same day so many calendar months later, or the last of that month where it has none such."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    return dt.date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


def _limit(rule: SurveyRule) -> float:
    return float(rule.value or 0.0)


def _status(holds: bool) -> ArticleStatus:
    return "satisfied" if holds else "not satisfied"


def _gnss_logging(rule: SurveyRule, facts: _Facts) -> Verdict:
    card = facts.mission.navigation
    rate, bands = card.gnss_rate_hz, card.gnss_frequencies
    asked = f"two frequencies, at least {_limit(rule):g} Hz"
    note = f"as the card {card.name} states"
    if (rate is not None and rate < _limit(rule)) or (bands is not None and bands < 2):
        status: ArticleStatus = "not satisfied"
    else:
        status = "satisfied" if rate is not None and bands is not None else "declare"
    said = f"{'frequencies not stated' if bands is None else f'{bands} frequencies' if bands > 1 else '1 frequency'}"
    return asked, f"{said}, {'rate not stated' if rate is None else f'{rate:g} Hz'}", status, note


def _test_age(rule: SurveyRule, facts: _Facts) -> Verdict:
    tested, flown, months = facts.mission.sensor_tested_on, facts.mission.date, int(_limit(rule))
    asked, note = f"tested at most {months} months before {flown}", "calendar months, from the day the mission states"
    if tested is None:
        return asked, "day of the test not stated", "declare", note
    if tested > flown:
        return asked, f"tested on {tested}, after the flight", "declare", note
    last = months_later(tested, months)
    return asked, f"tested on {tested}, good until {last}", _status(flown <= last), note


def _point_spacing(rule: SurveyRule, facts: _Facts) -> Verdict:
    mission, density = facts.mission, facts.forecast.density
    required, planned, found = density.target_per_m2, mission.planned_per_m2, density.judged_per_m2
    asked = f"{_spacing(planned)}: {_spacing(required)} asked for, theta {mission.theta:g}"
    said = f"{_spacing(found)} in the {density.judged_percentile:g}th percentile of cells"
    note = (
        f"the plan aims at the planned spacing; the verdict on the job is that on the {required:.4g} per m2 asked for, "
        f"which is {'kept' if found >= required * (1 - ROUNDING) else 'not kept'}"
    )
    return asked, said, _status(found >= planned * (1 - ROUNDING)), note


def _spacing(density_per_m2: float) -> str:
    if density_per_m2 <= 0:
        return "no points"
    return f"{1 / np.sqrt(density_per_m2):.4f} m ({density_per_m2:.4g} per m2)"


def _incidence(rule: SurveyRule, facts: _Facts) -> Verdict:
    least_deg, dry = _limit(rule), facts.dry
    steepest = 90 - least_by_cell(facts.sight, facts.sight.off_normal_deg, len(dry))[dry]
    reached_pct = 100 * float(np.mean(steepest >= least_deg - 1e-6)) if dry.any() else 0.0
    asked = f"at least {least_deg:g} deg in {100 - facts.allowed_pct:g} % of cells"
    seen = steepest[np.isfinite(steepest)]
    low = f"; {np.percentile(seen, 5):.1f} deg in the 5th percentile of cells seen" if seen.size else ""
    note = "between surface and line of sight, by the line that sees a cell most steeply; unseen cells count as missed"
    return asked, f"{_pct(reached_pct)} of cells{low}", _status(reached_pct >= 100 - facts.allowed_pct), note


def _distance(rule: SurveyRule, facts: _Facts) -> Verdict:
    sight, dry, most = facts.sight, facts.dry, _limit(rule) / 100 * (1 + ROUNDING)
    share = sight.distance_m / facts.longest_m[sight.leg]
    longest = " and ".join(f"{one:g} m" for one in np.unique(facts.longest_m))
    asked = f"at most {_limit(rule):g} % of {longest} in {100 - facts.allowed_pct:g} % of cells"
    nearest = least_by_cell(sight, share, len(dry))[dry]
    within_pct = 100 * float(np.mean(nearest <= most)) if dry.any() else 0.0
    returns = sight.returns * dry[sight.cell]
    beyond_pct = 100 * float(returns[share > most].sum() / returns.sum()) if returns.any() else 0.0
    said = f"{_pct(within_pct)} of cells"
    if beyond_pct:
        kept = np.bincount(sight.cell, sight.returns * (share <= most), len(dry))[dry] / facts.forecast.cells.cell_m**2
        said += (
            f"; {_pct(beyond_pct)} of returns come from farther, up to {sight.distance_m.max():.1f} m: without them "
            f"{np.percentile(kept, facts.allowed_pct):.4g} first returns per m2 at percentile {facts.allowed_pct:g}"
        )
    note = (
        "by the line that comes nearest to a cell, unseen cells count as missed; the longest range is the card's at "
        "the pulse rate flown"
    )
    return asked, said, _status(within_pct >= 100 - facts.allowed_pct), note


def _sidelap(rule: SurveyRule, facts: _Facts) -> Verdict:
    asked, note = f"at least {_limit(rule):g} %", "as in the table of acceptance"
    if not facts.neighbours:
        return asked, "no two courses run side by side over the same ground", "declare", note
    clause = next((one for one in facts.quality.acceptance if one.clause == SIDELAP), None)
    if clause is None or clause.forecast_value is None:
        return asked, "not forecast", "declare", note
    held = clause.forecast_value >= _limit(rule) * (1 - ROUNDING)
    return asked, f"{clause.forecast_value:.1f} %", _status(held), clause.note or note


def _extent(rule: SurveyRule, facts: _Facts) -> Verdict:
    """Judge the strip beyond the boundary by the cells of it that a line brings returns to."""
    swath_m = min((one.swath_m for one in facts.plan.figures if np.isfinite(one.swath_m)), default=0.0)
    strip_m = min(_limit(rule), (rule.swath_pct or 100) / 100 * swath_m)
    asked = f"{strip_m:.1f} m beyond the area: the less of {_limit(rule):g} m and {rule.swath_pct:g} % of a swath"
    cells, area = facts.forecast.cells, facts.scene.area
    strip = cells.inside(area.buffer(strip_m)) & ~cells.inside(area) & cells_known(facts.scene.top, cells)
    note = f"cells of the strip with a return from any line; {facts.allowed_pct:g} % may have none"
    if not strip.any():
        return asked, "no cell of known ground lies in the strip", "declare", note
    seen_pct = 100 * float(np.mean(facts.forecast.passes[strip] > 0))
    return asked, f"{_pct(seen_pct)} of the strip seen", _status(seen_pct >= 100 - facts.allowed_pct), note


def _course(rule: SurveyRule, facts: _Facts) -> Verdict:
    """Judge each course by its own points; one speed it has by construction."""
    lines = facts.plan.lines
    bent_m = max((_bend_m(line) for line in lines), default=0.0)
    uneven = [(off, line.line_id) for line in lines if not (off := _uneven(line, facts.scene)) <= AGL_SHARE]
    said = f"{len(lines)} courses, off a straight line by {bent_m:.2f} m at most, each at one speed"
    if uneven:
        off, name = max(uneven)
        said += f"; {len(uneven)} change their height above the ground, {name} by {100 * off:.3g} % of its mean"
    else:
        said += " and one height, or one above the ground"
    held = bent_m <= STRAIGHT_M and not uneven
    note = f"height above the ground counts as one within {100 * AGL_SHARE:g} % on nine tenths of a course: own choice"
    return "straight, one speed, one height or one height above the ground", said, _status(held), note


def _bend_m(line: FlightLine) -> float:
    """Return how far the kept part of a line departs from its chord [m]."""
    places = line.kept_points_m()[:, :2]
    chord = places[-1] - places[0]
    length = float(np.hypot(*chord))
    off = places - places[0]
    return float(np.abs(off[:, 0] * chord[1] - off[:, 1] * chord[0]).max() / length) if length > 0 else 0.0


def _uneven(line: FlightLine, scene: Scene) -> float:
    """Return by which part of its mean the height above ground departs from it on a tenth of a line; 0 if level."""
    east, north, up = line.kept_points_m().T
    if np.ptp(up) <= LEVEL_M:
        return 0.0
    above = up - scene.ground.at(east, north)
    known = above[np.isfinite(above)]
    return float(np.percentile(np.abs(known / known.mean() - 1), 90)) if known.size else np.inf


def _areas(rule: SurveyRule, facts: _Facts) -> Verdict:
    found, count = facts.areas, round(_limit(rule))
    side_m = _side_m(rule, facts.mission)
    asked = f"{count} in each overlap of courses, squares or circles of {side_m:.2f} m"
    note = f"{rule.spacings:g} times the {_spacing(facts.mission.requirement.target_per_m2)} asked for; places proposed"
    if not facts.neighbours:
        return asked, "no two courses run side by side over the same ground", "declare", note
    said = f"{len(found.areas)} places in {len(found.overlaps)} overlap{'s' * (len(found.overlaps) > 1)}"
    if found.lacking:
        said += f"; too few on open, gentle ground between {', '.join('–'.join(pair) for pair in found.lacking[:3])}"
        said += f" and {len(found.lacking) - 3} more pairs" if len(found.lacking) > 3 else ""
    return asked, said, _status(not found.lacking), note


def _inspection(rule: SurveyRule, facts: _Facts) -> Verdict:
    area_m2 = facts.forecast.coverage.area_m2
    asked = f"at least {_limit(rule):g} % of the area"
    return asked, f"{_limit(rule) / 100 * area_m2:.0f} m2 of {area_m2:.0f} m2 to inspect", "declare", "after the flight"


def _side_m(rule: SurveyRule, mission: Mission) -> float:
    """Return the side of a check area [m], in spacings of the density that is asked for."""
    return float((rule.spacings or 0.0) / np.sqrt(mission.requirement.target_per_m2))


def _check_areas(mission: Mission, scene: Scene, plan: Plan, forecast: Forecast) -> CheckAreas:
    """Return proposed check areas; none where the rules ask for none."""
    rule = None if mission.survey_rules is None else mission.survey_rules.rule("check_areas")
    if rule is None:
        return CheckAreas((), (), ())
    footing = read_footing(forecast.cells, scene.layers)
    return place_check_areas(plan.lines, forecast, footing, round(_limit(rule)), _side_m(rule, mission))


def _pct(share_pct: float) -> str:
    """Return a share in which what is not all, or not none, never reads so."""
    shown = f"{share_pct:.1f}"
    if (shown == "100.0") == (share_pct == 100) and (shown == "0.0") == (share_pct == 0):
        return f"{share_pct:.3g} %" if share_pct in (0, 100) else f"{shown} %"
    return f"{'over' if share_pct > 50 else 'under'} {'99.9' if share_pct > 50 else '0.1'} %"


_JUDGES: dict[Measure, Callable[[SurveyRule, _Facts], Verdict]] = {
    "gnss_logging": _gnss_logging,
    "test_age": _test_age,
    "point_spacing": _point_spacing,
    "incidence": _incidence,
    "distance": _distance,
    "sidelap": _sidelap,
    "extent": _extent,
    "course": _course,
    "check_areas": _areas,
    "inspection": _inspection,
}
