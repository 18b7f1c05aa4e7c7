"""The best flight of one way to keep heights: settings laid over the ground height by height.

Lives here: which of the candidates over flat ground are laid, and which is taken. Must not know headings.
"""

from dataclasses import replace

import numpy as np

from planner.errors import InfeasibleError
from planner.flight.flat import Task
from planner.flight.laying import Flown, SiteFlown, lay_over
from planner.flight.search import Candidate, search_heights
from planner.mission import Following

LOWER = 0.85  # heights that are laid: each so much lower than the last one, or as much as that is over the ceiling
MOST_LAID = 6
SPARED = 0.5  # of the share of the ground that may lie below: what is hidden from lines is not known here


def fly_heights(site: SiteFlown, task: Task, following: Following) -> Flown:
    """Return the best flight of one kind.

    The quickest settings of each height over flat ground are laid over the ground as it is, the cheapest first, until
    one keeps density and ceiling in less time than any of those that are left takes over flat ground. Where none keeps
    both, the one that lacks least is taken: the forecast then says where it falls short.

    Parameters
    ----------
    site : SiteFlown
        What all flights share.
    task : Task
        What a search over flat ground is asked.
    following : {"terrain", "level", "stepped"}
        The kind.

    Raises
    ------
    InfeasibleError
        E19: no settings meet the density over flat ground. E41: the held spacing is wider than any swath.
    """
    percent = 100.0 - SPARED * site.mission.requirement.percentile
    candidates = _candidates(site, task, following, percent)
    lowest_m = min(candidate.agl_m for candidate in candidates)
    found: list[Flown] = []
    most_m = np.inf
    for candidate in candidates:
        if len(found) == MOST_LAID or (found and _is_settled(min(found, key=_cost), candidate)):
            break
        if candidate.agl_m <= most_m:
            flown = lay_over(site, task, candidate, following, percent)
            found.append(flown)
            lower_m = min(LOWER * candidate.agl_m, candidate.agl_m - flown.over_ceiling_m)
            most_m = max(lower_m, lowest_m) if candidate.agl_m > lowest_m else -np.inf
    return min(found, key=_cost)


def _candidates(site: SiteFlown, task: Task, following: Following, percent: float) -> tuple[Candidate, ...]:
    """Return the settings of each height; those of level flight, and of steps, reach the deepest ground that counts.

    That is where any do. What lies deeper than the band of steps is what the quickest of all settings leave there.
    """
    if following == "terrain":
        return _searched(site, task)
    ceiling_m = task.greatest_agl_m
    if following == "level":
        ceiling_m = max(task.greatest_agl_m - float(np.ptp(site.ground_m)), task.least_agl_m)
        deeper_m = site.highest_m - float(np.percentile(site.ground_m, 100 - percent))
    else:
        first = _searched(site, task)[0]
        deepest_m = lay_over(site, task, first, following, percent).swaths.deepest_m(percent)
        deeper_m = max(deepest_m - first.agl_m, 0.0)
    try:
        return _searched(site, replace(task, greatest_agl_m=ceiling_m, deeper_m=deeper_m))
    except InfeasibleError:
        return _searched(site, replace(task, greatest_agl_m=ceiling_m))


def _searched(site: SiteFlown, task: Task) -> tuple[Candidate, ...]:
    """Return what a search finds; what was asked of it before for the same site, in pieces or not, it is not again."""
    if task not in site.searched:
        site.searched[task] = search_heights(site.mission, task)
    return site.searched[task]


def _is_settled(best: Flown, candidate: Candidate) -> bool:
    """Return whether a flight has no faults and costs no more than a candidate, or any after it, over flat ground."""
    return not any(best.faults) and candidate.cost >= _cost(best)[1]


def _cost(flown: Flown) -> tuple[tuple[bool, bool], float]:
    """Return faults, and the time of a flight with what its settings cost beside it [s]."""
    candidate = flown.candidate
    return flown.faults, flown.time_s + (candidate.cost - candidate.time_s)
