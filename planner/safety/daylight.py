"""The day's light against the clock of a flight.

Lives here: sunrise, sunset and civil twilight as a caution. Must not know lines, sorties or rules of a country.
"""

import datetime as dt

import numpy as np

from planner.ground.sun import SunDay, sun_day
from planner.safety.cautions import Caution, Status


def daylight_caution(
    date: dt.date, lon_deg: float, lat_deg: float, start: dt.datetime | None, lasts_s: float, *, night: bool = False
) -> Caution:
    """Return how a flight lies in the light of its day, by the sun alone: hills around are not looked at.

    Parameters
    ----------
    date : date
        Planned day, by the sun at the place.
    lon_deg, lat_deg : float
        Place on WGS 84 [deg].
    start : datetime or None
        First take-off, with its zone; None where it is not known.
    lasts_s : float
        From first take-off to last landing [s].
    night : bool
        Whether the flight is declared as one by night.
    """
    sun = sun_day(np.datetime64(date), lon_deg, lat_deg)
    window = _window(sun)
    if window is None:
        below = float(sun.noon_elevation_deg) < 0
        day = "The sun stays below the horizon all day" if below else "The sun does not set that day"
        return Caution("daylight", "over" if below and not night else "note", f"{day}. {_RULES}")
    said = (
        f"Civil dawn {_clock(sun.dawn)}, sunrise {_clock(sun.sunrise)}, sunset {_clock(sun.sunset)}, civil dusk "
        f"{_clock(sun.dusk)} UTC."
    )
    if start is None:
        return Caution("daylight", "cannot tell", f"{said} No start is given: check that landing is in time. {_RULES}")
    first = np.datetime64(start.astimezone(dt.UTC).replace(tzinfo=None), "s")
    last = first + np.timedelta64(round(lasts_s), "s")
    flown = f"The flight runs from {_clock(first)} to {_clock(last)} UTC"
    if window[0] <= first and last <= window[1]:
        return Caution("daylight", "within", f"{flown}, between sunrise and sunset. {said} {_RULES}")
    status: Status = "note" if night else "over"
    return Caution("daylight", status, f"{flown}, not all of it between sunrise and sunset. {said} {_RULES}")


_RULES = (
    "Some rules count minutes from sunrise and sunset, others degrees of the sun, and some ask for lights by night."
)


def _window(sun: SunDay) -> tuple[np.datetime64, np.datetime64] | None:
    """Return sunrise and sunset, None on a day that lacks one."""
    rise, sets = np.datetime64(sun.sunrise.item(), "s"), np.datetime64(sun.sunset.item(), "s")
    return None if np.isnat(rise) or np.isnat(sets) else (rise, sets)


def _clock(moment: np.ndarray | np.datetime64) -> str:
    """Return hours and minutes, with the day where it is not plain."""
    time = np.datetime64(np.asarray(moment).item(), "m")
    return "none" if np.isnat(time) else str(time).replace("T", " ")
