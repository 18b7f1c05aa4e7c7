"""The day's light against the clock of a flight.

Lives here: sunrise, sunset and civil twilight as a caution, and the windows in which rules let aircraft fly. Must not
know lines, paths or rules of a country.
"""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.ground.sun import CIVIL_DEG, RISEN_DEG, SunDay, sun_day
from planner.ruleprofiles import Edge
from planner.safety.cautions import Caution, Status

Times = npt.NDArray[np.datetime64]


@dataclass(frozen=True)
class LightWindow:
    """The hours of one day, by the sun at the place, in which there is light enough for a rule.

    Attributes
    ----------
    opens, closes : datetime64
        UTC, to the second; NaT where the light does not change that day.
    always : bool
        Whether a day without opening and closing is light all through; else it is dark.
    """

    opens: np.datetime64
    closes: np.datetime64
    always: bool

    @property
    def said(self) -> str:
        """The window for people."""
        if np.isnat(self.opens):
            return "There is light enough all day" if self.always else "There is not light enough all day"
        return f"The window runs from {_clock(self.opens)} to {_clock(self.closes)} UTC"


@dataclass(frozen=True)
class SortieLight:
    """How one sortie lies in the light.

    Attributes
    ----------
    number : int
        Of the sortie, from 1.
    window : LightWindow
        That of its day.
    outside_min : float
        How long it is flown outside the window [min].
    """

    number: int
    window: LightWindow
    outside_min: float


def light_window(
    date: dt.date | np.datetime64, lon_deg: float, lat_deg: float, edge: Edge, minutes: float = 0.0
) -> LightWindow:
    """Return the window of a day.

    Parameters
    ----------
    date : date
        By the sun at the place.
    lon_deg, lat_deg : float
        Place on WGS 84 [deg].
    edge : {"sunrise", "civil_twilight"}
        From sunrise to sunset, or from civil dawn to civil dusk: sun 6 deg below the horizon.
    minutes : float
        How much wider it is at each end [min].
    """
    sun = sun_day(np.asarray(date, dtype="datetime64[D]"), lon_deg, lat_deg)
    ends = (sun.sunrise, sun.sunset) if edge == "sunrise" else (sun.dawn, sun.dusk)
    opens, closes = (np.datetime64(end.item(), "s") for end in ends)
    if np.isnat(opens) or np.isnat(closes):
        never = np.datetime64("NaT", "s")
        limit_deg = RISEN_DEG if edge == "sunrise" else CIVIL_DEG
        return LightWindow(never, never, bool(sun.noon_elevation_deg > limit_deg))
    wider = np.timedelta64(round(60 * minutes), "s")
    return LightWindow(opens - wider, closes + wider, False)


def sorties_in_light(
    sorties: Times, lon_deg: float, lat_deg: float, edge: Edge, minutes: float = 0.0
) -> tuple[SortieLight, ...]:
    """Return how each sortie lies in the window of the day, by the sun at the place, on which it takes off.

    Parameters
    ----------
    sorties : ndarray of datetime64, shape (m, 2)
        Take-off and landing, UTC.
    lon_deg, lat_deg, edge, minutes
        As in `light_window`.
    """
    found = []
    for number, (take_off, landing) in enumerate(np.asarray(sorties, dtype="datetime64[s]"), start=1):
        by_the_sun = take_off + np.timedelta64(round(240 * lon_deg), "s")
        window = light_window(by_the_sun.astype("datetime64[D]"), lon_deg, lat_deg, edge, minutes)
        found.append(SortieLight(number, window, _outside_min(take_off, landing, window)))
    return tuple(found)


def _outside_min(take_off: np.datetime64, landing: np.datetime64, window: LightWindow) -> float:
    """Return the time of a sortie outside a window [min]."""
    flown = landing - take_off
    if np.isnat(window.opens):
        inside = flown if window.always else np.timedelta64(0, "s")
    else:
        inside = max(min(landing, window.closes) - max(take_off, window.opens), np.timedelta64(0, "s"))
    return float((flown - inside) / np.timedelta64(60, "s"))


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
