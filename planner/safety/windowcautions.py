"""How a flight lies in the windows of its day, and when it would.

Lives here: cautions about satellites, water and both together. Must not know lines, files, or how windows are found.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.ground.satellites import Almanac, Lookout
from planner.ground.tides import Tide
from planner.safety.cautions import Caution, Status
from planner.safety.windows import (
    STEP_S,
    SkyWatch,
    Span,
    common_spans,
    holding_span,
    satellite_spans,
    tide_spans,
    watch_sky,
)
from planner.window import Window

_SECOND = np.timedelta64(1, "s")
_MOST_NAMED = 6  # spans in a sentence


@dataclass(frozen=True)
class DayWindows:
    """The windows of a day, and what they mean for a flight.

    Attributes
    ----------
    day : Span
        The day looked at.
    satellites, tide : tuple of Span or None
        Windows of each kind; None where it was not asked for.
    common : tuple of Span
        When all of them are open, daylight among them where it was given.
    watch : SkyWatch or None
        The sky over the day.
    cautions : tuple of Caution
        One for each kind, and one for all together.
    """

    day: Span
    satellites: tuple[Span, ...] | None
    tide: tuple[Span, ...] | None
    common: tuple[Span, ...]
    watch: SkyWatch | None
    cautions: tuple[Caution, ...]


@dataclass(frozen=True)
class Job:
    """The flight as the clock sees it.

    Attributes
    ----------
    sorties : tuple of Span
        From take-off to landing, in order of time; none where no start is known.
    lasts_s : float
        From the first take-off to the last landing [s].
    """

    sorties: tuple[Span, ...]
    lasts_s: float


def day_windows(
    window: Window,
    day: Span,
    job: Job,
    *,
    almanac: Almanac | None = None,
    lookouts: Sequence[Lookout] = (),
    tide: Tide | None = None,
    daylight: Span | None = None,
) -> DayWindows | None:
    """Return the windows of a day and the cautions about a flight in them; None where none is asked for.

    Parameters
    ----------
    window : Window
        Limits.
    day : Span
        Day looked at, as of `day_at`.
    job : Job
        The flight.
    almanac, lookouts : Almanac or None, sequence of Lookout
        Satellites, and the places that must all be served: the deepest ones that are flown or stood on.
    tide : Tide or None
        Levels of the water.
    daylight : Span or None
        From sunrise to sunset, which narrows what is proposed; None for a flight by night.
    """
    cautions: list[Caution] = []
    watch = satellites = waters = None
    if almanac is not None and lookouts:
        watch = watch_sky(almanac, day, lookouts, window.mask_deg)
        satellites = satellite_spans(watch, window.satellites_least, window.pdop_most)
        cautions.append(satellite_caution(watch, satellites, window, day, job))
    if tide is not None:
        waters = tide_spans(tide, day, window.tide_least_m, window.tide_most_m)
        cautions.append(tide_caution(tide, waters, window, day, job))
    asked = [spans for spans in (satellites, waters) if spans is not None]
    if not asked:
        return None
    common = common_spans(*asked, *([] if daylight is None else [(daylight,)]))
    together = "All windows together, in daylight" if daylight is not None else "All windows together"
    cautions.append(_joint_caution(common, day, job, together, {caution.status for caution in cautions}))
    return DayWindows(day, satellites, waters, common, watch, tuple(cautions))


def satellite_caution(watch: SkyWatch, spans: Sequence[Span], window: Window, day: Span, job: Job) -> Caution:
    """Return how a flight lies in the satellite windows; measured is the greatest PDOP of its sorties."""
    flown = _looked(watch, job.sorties)
    pdop = float(watch.pdop[flown].max(initial=0.0))
    text = (
        f"At least {window.satellites_least} satellites above {window.mask_deg:g} deg and the terrain, PDOP at most "
        f"{window.pdop_most:g}: {_listed(spans, day)}. {_outside(spans, day, job)}"
    )
    if flown.any():
        worst = f"PDOP up to {pdop:.1f}" if math.isfinite(pdop) else "no position at times"
        text += f" During the sorties: {worst}, {watch.satellites[flown].min()} satellites at least."
    text += " Only satellites of the almanac count; what stands off the terrain raster is not looked at."
    measured = pdop if flown.any() and math.isfinite(pdop) else None
    return Caution("satellites", _status(spans, day, job), text, measured, window.pdop_most, "PDOP")


def tide_caution(tide: Tide, spans: Sequence[Span], window: Window, day: Span, job: Job) -> Caution:
    """Return how a flight lies in the tide windows; measured is the level of its sorties farthest out of the limits."""
    least_m, most_m = window.tide_least_m, window.tide_most_m
    known = common_spans([Span(tide.utc[0], tide.utc[-1])], [day])
    limits = " and ".join(
        f"{word} {limit:g} m" for word, limit in (("at least", least_m), ("at most", most_m)) if limit is not None
    )
    datum = tide.datum or "a datum that the table does not name"
    text = f"Water {limits} above {datum}: {_listed(spans, day)}. {_outside(spans, day, job)}"
    if known != (day,):
        text += f" The table covers {_listed(known, day) if known else 'no part of the day'}."
    measured, limit = _farthest(tide, job.sorties, least_m, most_m)
    told = bool(known) and all(known[0].holds(sortie) for sortie in job.sorties)
    status = _status(spans, day, job) if told else "cannot tell"
    return Caution("tide", status, text, measured, limit, f"m above {datum}")


def _joint_caution(common: Sequence[Span], day: Span, job: Job, together: str, found: set[Status]) -> Caution:
    """Return whether all windows hold a flight together, and when they would; `found` is what each says alone."""
    status = _status(common, day, job)
    for worse in ("cannot tell", "over"):
        status = worse if worse in found and common else status
    text = f"{together}: {_listed(common, day)}. {_outside(common, day, job)}"
    if status != "within":
        fits = holding_span(common, job.sorties[0].begins if job.sorties else day.begins, job.lasts_s)
        minutes = math.ceil(job.lasts_s / 60)
        if fits is None:
            text += f" NO WINDOW holds the whole job of {minutes} min: fly it in parts, or on another day."
        else:
            text += f" The whole job of {minutes} min fits from {_clock(fits.begins)} to {_clock(fits.ends)} UTC."
    return Caution("windows", status, text)


def _status(spans: Sequence[Span], day: Span, job: Job) -> Status:
    if not spans:
        return "over"
    if not job.sorties or not all(day.holds(sortie) for sortie in job.sorties):
        return "cannot tell"
    return "within" if all(any(span.holds(sortie) for span in spans) for sortie in job.sorties) else "over"


def _outside(spans: Sequence[Span], day: Span, job: Job) -> str:
    """Return which sorties do not lie in a window, counted from 1."""
    if not job.sorties:
        return "No start is given: check that the flight lies inside."
    late = [str(number) for number, sortie in enumerate(job.sorties, 1) if not day.holds(sortie)]
    out = [
        str(number)
        for number, sortie in enumerate(job.sorties, 1)
        if day.holds(sortie) and not any(span.holds(sortie) for span in spans)
    ]
    said = f"Outside: sortie {', '.join(out)} of {len(job.sorties)}." if out else ""
    said += f" Not on the day looked at: sortie {', '.join(late)}." if late else ""
    return said.strip() or "All sorties lie inside."


def _listed(spans: Sequence[Span], day: Span) -> str:
    """Return spans as hours and minutes, inward; the date where it changes."""
    if not spans:
        return f"NO WINDOW from {_clock(day.begins)} to {_clock(day.ends)} UTC"
    said, date = [], ""
    for span in spans[:_MOST_NAMED]:
        first, last = _clock(span.begins + 59 * _SECOND), _clock(span.ends)
        said.append(
            f"{first[11:] if first[:10] == date else first} to {last[11:] if last[:10] == first[:10] else last}"
        )
        date = last[:10]
    more = f" and {len(spans) - _MOST_NAMED} more" if len(spans) > _MOST_NAMED else ""
    return f"{', '.join(said)}{more} UTC"


def _looked(watch: SkyWatch, sorties: Sequence[Span]) -> npt.NDArray[np.bool_]:
    """Return which looks at the sky fall in a sortie, one to each side with them."""
    step, flown = STEP_S * _SECOND, np.zeros(len(watch.utc), dtype=bool)
    for sortie in sorties:
        flown |= (watch.utc > sortie.begins - step) & (watch.utc < sortie.ends + step)
    return flown


def _farthest(
    tide: Tide, sorties: Sequence[Span], least_m: float | None, most_m: float | None
) -> tuple[float | None, float | None]:
    """Return the level of sorties that is worst against its limit [m], and the limit; None where none is known."""
    times = [sortie.begins + np.arange(int(sortie.lasts_s) + 1) * _SECOND for sortie in sorties]
    levels = tide.at(np.concatenate(times)) if times else np.array([])
    levels = levels[np.isfinite(levels)]
    if not len(levels):
        return None, least_m if most_m is None else most_m
    over = -np.inf if most_m is None else float(levels.max()) - most_m
    under = -np.inf if least_m is None else least_m - float(levels.min())
    return (float(levels.max()), most_m) if over >= under else (float(levels.min()), least_m)


def _clock(moment: np.datetime64) -> str:
    return str(moment.astype("datetime64[m]")).replace("T", " ")
