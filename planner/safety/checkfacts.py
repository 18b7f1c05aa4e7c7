"""What a flight itself asks a crew to verify, whatever its cautions say.

Lives here: plain facts of a job, and the items they make. Must not know missions, files or pages.
"""

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from planner.safety.checktasks import AFTER, BEFORE, FLIGHT, LONGEST, SITE, TAKE_OFF, Item, Person

Said = Iterator[tuple[str, Person, str]]

COLD_C = 10.0
"""Batteries are warmed below this [deg C]: common practice, no source."""


@dataclass(frozen=True)
class Facts:
    """What of a job shapes its checklist, in plain values; None is not known.

    Attributes
    ----------
    date : date
        Planned day.
    lines, sorties, take_off_places, checkpoints : int
        How many there are; 0 sorties are not planned.
    sensor : str
        Name of its card.
    laser_classes : tuple of str
        As the card states them at the pulse rates flown, ``"unknown"`` where it is silent.
    hazard_distance_m : float or None
        Longest that the card states at these rates [m].
    lowest_agl_m, highest_agl_m, clearance_m : float
        Least and greatest height of the lines above ground, and the clearance asked for [m].
    reserve_share : float
        Share of a battery that is kept, 0 to 1.
    batteries : int or None
        Sets at hand.
    wind_mps, wind_most_mps : float, float or None
        Wind planned for, and that against which the planned speed can still be held [m/s].
    temperature_c : float
        Air at the ground [deg C].
    surfaces : {"dry", "wet", "frosted"}
        What the forecast takes the ground to be.
    falling : bool
        Whether rain or snow falls during the flight as planned.
    night : bool
        Whether it is declared as a flight by night.
    alignment_s : float
        Manoeuvre before the first and after the last line of a sortie [s].
    tallest, tallest_agl_m : str, float or None
        Tallest obstacle given, and how far it stands above its ground [m]; empty where none is given.
    keep_outs, sensitive, overflown, permissions : tuple of str
        Names of areas not to be entered, of those flown over though sensitive, of roads, buildings and people flown
        over, and of volumes for which a permission is said to be held.
    """

    date: dt.date
    lines: int
    lowest_agl_m: float
    highest_agl_m: float
    clearance_m: float
    sorties: int = 0
    take_off_places: int = 0
    checkpoints: int = 0
    sensor: str = "the sensor"
    laser_classes: tuple[str, ...] = ("unknown",)
    hazard_distance_m: float | None = None
    reserve_share: float = 0.25
    batteries: int | None = None
    wind_mps: float = 0.0
    wind_most_mps: float | None = None
    temperature_c: float = 15.0
    surfaces: str = "dry"
    falling: bool = False
    night: bool = False
    alignment_s: float = 0.0
    tallest: str = ""
    tallest_agl_m: float | None = None
    keep_outs: tuple[str, ...] = ()
    sensitive: tuple[str, ...] = ()
    overflown: tuple[str, ...] = ()
    permissions: tuple[str, ...] = ()


def number_text(value: float) -> str:
    """Return a figure for people, three digits of it."""
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"


def listed(head: str, names: Sequence[str], tail: str = ".") -> str:
    """Return a sentence with as many names as there is room for, one at least."""
    kept = list(names)
    while True:
        more = f" and {len(names) - len(kept)} more" if len(kept) < len(names) else ""
        text = f"{head}{', '.join(kept)}{more}{tail}"
        if len(text) <= LONGEST or len(kept) == 1:
            return text if len(text) <= LONGEST else f"{text[: LONGEST - 1]}…"
        kept.pop()


def plural(count: int, word: str) -> str:
    """Return how many there are of a thing."""
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def fact_items(facts: Facts) -> Iterator[Item]:
    """Yield what the plan itself asks for."""
    for section, found in (
        (BEFORE, _before(facts)),
        (SITE, _at_site(facts)),
        (TAKE_OFF, _before_take_off(facts)),
        (FLIGHT, _in_flight(facts)),
        (AFTER, _after(facts)),
    ):
        yield from (Item(section, text, whom, why) for text, whom, why in found)


def _before(facts: Facts) -> Said:
    day = f"flight planned for {facts.date}"
    held = listed(f"{day}, permissions said to be held: ", facts.permissions, "")
    yield (
        "Have the papers at hand that the rules ask for: permissions, registration, insurance, proofs of competence.",
        "authority in charge",
        held if facts.permissions else f"{day}, no permission named",
    )
    places = plural(facts.take_off_places, "take-off place")
    yield (
        "Agree access, take-off and landing with whoever owns or uses the land.",
        "land owner",
        f"{places} planned" if facts.take_off_places else "no take-off place planned",
    )
    if facts.keep_outs:
        yield (
            listed("Show the crew on the map where not to fly: ", facts.keep_outs),
            "pilot",
            f"{plural(len(facts.keep_outs), 'keep-out area')} given",
        )
    if facts.sensitive:
        head = "Ask when and how these may be flown over: "
        yield listed(head, facts.sensitive), "land owner", "sensitive area: crossed by the flight"
    if facts.overflown:
        yield (
            listed("Agree who watches, stops or warns at what is flown over: ", facts.overflown),
            "authority in charge",
            f"flown over: {len(facts.overflown)} of what is given",
        )
    if facts.sorties:
        at_hand = "" if facts.batteries is None else f", {plural(facts.batteries, 'set')} at hand"
        yield (
            f"Charge batteries for {plural(facts.sorties, 'sortie')}, of aircraft, controller, base and radios.",
            "pilot",
            f"{plural(facts.sorties, 'sortie')} planned{at_hand}",
        )
    if facts.night:
        text = "Fit and try the lights of the aircraft and of the take-off place; walk the site by day."
        yield text, "pilot", "flight by night declared"


def _at_site(facts: Facts) -> Said:
    if facts.take_off_places:
        yield (
            "Stand on the take-off place: level, firm, open sky, room to land beside it, people kept off.",
            "pilot",
            f"{plural(facts.take_off_places, 'take-off place')} planned",
        )
    if facts.tallest:
        high = "height unknown" if facts.tallest_agl_m is None else f"{number_text(facts.tallest_agl_m)} m"
        yield (
            listed("Find the tallest thing and compare it with the plan: ", (facts.tallest,)),
            "observer",
            f"tallest obstacle given: {high} above its ground",
        )
    yield (
        f"Look whether the ground is {facts.surfaces} as forecast, and what stands in water or snow.",
        "surveyor",
        f"forecast for {facts.surfaces} surfaces",
    )
    if facts.checkpoints:
        yield (
            f"Measure {plural(facts.checkpoints, 'checkpoint')} or make sure of date and frame of those that exist.",
            "surveyor",
            f"{plural(facts.checkpoints, 'checkpoint')} laid out",
        )


def _before_take_off(facts: Facts) -> Said:
    yield (
        "Battery full and latched, propellers and sensor firm, card in with room left, nothing loose.",
        "pilot",
        f"{100 * facts.reserve_share:.0f} % of each battery are kept as reserve",
    )
    yield (
        "Read out pulse rate, scan rate, speed and height from the sheet and compare with what is set.",
        "surveyor",
        listed("", (f"{plural(facts.lines, 'line')} with {facts.sensor}",), ""),
    )
    yield (
        "Laser on in the air only, off before landing; keep people away; nobody looks at it through optics.",
        "laser safety officer",
        _laser_why(facts),
    )
    yield (
        "Set what the aircraft does when the link is lost: a height over all that is known there, a way home, a place.",
        "pilot",
        f"lines {number_text(facts.lowest_agl_m)} to {number_text(facts.highest_agl_m)} m above ground, "
        f"clearance {number_text(facts.clearance_m)} m",
    )
    yield (
        "Measure wind and gusts, aloft if possible; hold them against the maker's limit.",
        "pilot",
        _wind_text(facts),
    )
    if facts.alignment_s > 0:
        text = "Wait for the position fix; fly the alignment before the first line and after the last."
        yield text, "surveyor", f"{facts.alignment_s:g} s of alignment planned"
    if facts.temperature_c < COLD_C:
        yield "Warm the batteries and watch their voltage.", "pilot", f"{facts.temperature_c:g} deg C planned"
    if facts.falling:
        text = "Ask the makers whether aircraft and sensor stand rain or snow; dry the window."
        yield text, "pilot", "rain or snow planned for"


def _laser_why(facts: Facts) -> str:
    distance_m = facts.hazard_distance_m
    reach = "unknown" if distance_m is None else f"{number_text(distance_m)} m"
    return f"class {', '.join(facts.laser_classes)}, hazard distance {reach} as the card states"


def _wind_text(facts: Facts) -> str:
    most = facts.wind_most_mps
    against = "" if most is None else f"; lines keep their speed against {number_text(most)} m/s at most"
    return f"planned for {number_text(facts.wind_mps)} m/s{against}"


def _in_flight(facts: Facts) -> Said:
    yield (
        "Abort when link, position or sight is lost or someone comes beneath; agree before who calls it and how.",
        "pilot",
        f"{plural(facts.sorties, 'sortie')} planned" if facts.sorties else "no sorties planned",
    )
    reserve = f"{100 * facts.reserve_share:.0f} %"
    reserve = f"{100 * facts.reserve_share:.0f} %"
    yield (
        f"Land when wind or gusts pass the limit agreed on; be back with {reserve} of the battery, lines flown or not.",
        "pilot",
        f"{reserve} kept as reserve, {_wind_text(facts)}",
    )
    if facts.keep_outs:
        text = listed("Watch turns and ways back beside: ", facts.keep_outs)
        yield text, "observer", f"{plural(len(facts.keep_outs), 'keep-out area')} given"


def _after(facts: Facts) -> Said:
    yield (
        f"Compare what was recorded with the {plural(facts.lines, 'line')} planned; look at coverage before leaving.",
        "surveyor",
        f"{plural(facts.lines, 'line')} planned",
    )
    yield (
        "Copy raw data and base files twice before anything is wiped.",
        "surveyor",
        f"{plural(facts.sorties, 'sortie')} planned" if facts.sorties else "no sorties planned",
    )
    yield (
        "Write down what went otherwise than planned; report what the rules ask to be reported.",
        "pilot",
        f"flight planned for {facts.date}",
    )
