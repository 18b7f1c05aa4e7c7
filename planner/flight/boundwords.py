"""What fixed each setting of a chosen flight, in words.

Lives here: the words for height, heading and the rest of a flight as laid. Must not know how it was chosen.
"""

from collections.abc import Sequence

from planner.flight.bounds import reasons
from planner.flight.laying import CEILING_EASE_M, Flown, SiteFlown
from planner.flight.stepping import beyond_band
from planner.flight.steps import BAND


def turned_words(best: Flown, first: Flown, along: str) -> str:
    """Return what another heading, told as what it runs along, has over the long side, in words."""
    if best.faults == first.faults:
        return f"least flight time: {(first.time_s - best.time_s) / 60:.1f} min less than along the long side"
    kept = "the ceiling" if first.over_ceiling_m > CEILING_EASE_M >= best.over_ceiling_m else "the density"
    return f"along {along}: keeps {kept}, along the long side no flight does"


def bound_by(site: SiteFlown, best: Flown, others: Sequence[Flown], heading_words: str) -> dict[str, str]:
    """Return for each setting what fixed it, in words.

    Parameters
    ----------
    site, best : SiteFlown, Flown
        Where, and the flight chosen.
    others : sequence of Flown
        The best flights of other ways to keep heights.
    heading_words : str
        What fixed the heading.
    """
    mission, judged = site.mission, (best.speed_mps, best.short, best.spacing_wanted_m, best.abreast)
    gaps = None if best.even else (best.closest_m, best.spacing_m)
    words = reasons(mission, best.candidate, *judged, site.dark, gaps) | {"heading_deg": heading_words}
    words["following"] = _following_words(best, others)
    if site.pieces and best.abreast == 1:
        words["line_spacing_m"] = "one swath covers each piece"
    held = [name for name in words if name != "heading_deg" and getattr(mission.flight, name, None) is not None]
    words |= dict.fromkeys(held, "held by the mission")
    if best.following == "stepped":
        words["following"] += _steps_words(site, best)
    return words


def _steps_words(site: SiteFlown, best: Flown) -> str:
    """Return how many levels there are, and how much they leave their band, in words that go on from others."""
    levels = len({round(float(line.points_m[0, 2]), 3) for line in best.lines})
    beyond = beyond_band(site.scene.ground, best.lines, best.candidate.agl_m)
    left = f", {beyond.length_m:.0f} m of data from beyond {100 * BAND:.0f} % of the height" if beyond.line_ids else ""
    return f"; {levels} level{'s' if levels > 1 else ''}{left}"


def _following_words(best: Flown, others: Sequence[Flown]) -> str:
    """Return what a kind of heights has over the quickest of the others, in words."""
    if not others:
        return "no other kind meets any settings"
    other = min(others, key=lambda option: (option.faults, option.time_s))
    if (other.over_ceiling_m > CEILING_EASE_M) != (best.over_ceiling_m > CEILING_EASE_M):
        return f"keeps the ceiling, {other.following} exceeds it by {other.over_ceiling_m:.0f} m"
    if other.short != best.short:
        return f"keeps the density, {other.following} does not"
    return f"{best.time_s / 60:.1f} min against {other.time_s / 60:.1f} min flying {other.following}"
