"""Base station and logging: what positions after the flight hang on.

Lives here: base distance and logging window as cautions. Must not know lines, receivers or how errors add up.
"""

import datetime as dt

from planner.safety.cautions import Caution

FARTHEST_BASE_M = 10_000.0
"""Distance from the base station past which a nearer one is advised [m]: common practice, no source."""

LOG_MARGIN_S = 600.0
"""Logging before first take-off and after last landing [s]: common practice for drones, no source; crewed surveys take
half an hour."""


def base_caution(distance_m: float, ppm: float) -> Caution:
    """Return how the base station's distance stands to the usual limit.

    Parameters
    ----------
    distance_m : float
        Farthest distance of the flight from it [m].
    ppm : float
        Error that grows with it [parts per million].
    """
    grows = f"its distance adds {distance_m * ppm * 1e-4:.1f} cm to each axis"
    far = distance_m > FARTHEST_BASE_M
    text = f"The flight goes as far as {distance_m / 1000:.3g} km from the base station; {grows}."
    text += " Take a nearer base, or set one up on site." if far else ""
    return Caution("base station", "over" if far else "within", text, distance_m, FARTHEST_BASE_M, "m")


def logging_caution(start: dt.datetime | None, lasts_s: float) -> Caution:
    """Return when base and aircraft log positions.

    Parameters
    ----------
    start : datetime or None
        First take-off, with its zone; None where it is not known.
    lasts_s : float
        From first take-off to last landing [s].
    """
    margin = f"{LOG_MARGIN_S / 60:g} min before first take-off to {LOG_MARGIN_S / 60:g} min after last landing"
    text = f"Log positions at base and aircraft from {margin}, {(lasts_s + 2 * LOG_MARGIN_S) / 60:.0f} min in all."
    if start is not None:
        first = start.astimezone(dt.UTC)
        begin, end = first - dt.timedelta(seconds=LOG_MARGIN_S), first + dt.timedelta(seconds=lasts_s + LOG_MARGIN_S)
        text += f" By the plan that is {begin:%Y-%m-%d %H:%M} to {end:%Y-%m-%d %H:%M} UTC."
    return Caution("logging", "note", text)
