"""How far things may turn out to be from what a forecast takes them for.

Lives here: a plain noun of spreads, checked once on construction. Must not know terrain, lines or how they are drawn.
"""

from typing import Annotated

from pydantic import Field

from planner.equipment import NotNegative, Positive, frozen

Share = Annotated[float, Field(ge=0, le=1)]


@frozen
class Doubts:
    """How far things may be from what the forecast takes them for, one standard deviation each.

    All defaults are common practice, no source; measured figures of the crew's own flights are better.

    Attributes
    ----------
    draws : int
        How many flights are drawn from them; 0 for none.
    terrain_common_share : float
        Share of the variance of the terrain's own vertical error that is the same all over the site, 0-1; the rest
        changes from place to place.
    patch_m : float
        Distance over which errors of terrain, brightness and leaves change: a correlation of 0.3 is left there [m].
    aside_sd_m, up_sd_m : float
        Offset of a whole leg from its track, sideways and in height [m].
    speed_log_sd : float
        Ratio of a leg's ground speed to the planned, as ln.
    wind_sd_mps : float
        Each component of the wind against the declared one, the same for all legs: it turns the nose [m/s].
    roll_sd_deg, pitch_sd_deg, heading_sd_deg : float
        Offset of the sensor during a whole leg, beside the motion that the forecast simulates [deg].
    reflectance_log_sd : float
        Spread of brightness, as ln, of classes that state none.
    reflectance_patch_share : float
        Share of the variance of a class that lies between patches of it, 0-1; the rest is common to the class.
    leaf_area_log_sd : float
        Ratio of leaf area to the class's, as ln, patch by patch.
    visibility_log_sd : float
        Ratio of visibility to the planned, as ln.
    error_log_sd : float
        Ratio of each term of the height error to its specification, as ln.
    """

    draws: Annotated[int, Field(ge=0, le=10_000)] = 100
    terrain_common_share: Share = 0.25
    patch_m: Positive = 50.0
    aside_sd_m: NotNegative = 0.5
    up_sd_m: NotNegative = 0.5
    speed_log_sd: NotNegative = 0.03
    wind_sd_mps: NotNegative = 1.5
    roll_sd_deg: NotNegative = 0.3
    pitch_sd_deg: NotNegative = 0.3
    heading_sd_deg: NotNegative = 0.5
    reflectance_log_sd: NotNegative = 0.3
    reflectance_patch_share: Share = 0.5
    leaf_area_log_sd: NotNegative = 0.3
    visibility_log_sd: NotNegative = 0.3
    error_log_sd: NotNegative = 0.2
