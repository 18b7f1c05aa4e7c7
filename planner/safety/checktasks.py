"""What a crew verifies: the noun of it, and what each caution asks for, with whom and when.

Lives here: items, the table of tasks by caution, and the order in which a crew works. Must not know flights, files or
pages.
"""

from dataclasses import dataclass
from typing import Literal

from planner.safety.cautions import Status

Section = Literal["Before the day", "At the site", "Before each take-off", "In flight", "After landing"]
Person = Literal["pilot", "observer", "laser safety officer", "surveyor", "land owner", "authority in charge"]

SECTIONS: tuple[Section, ...] = (
    "Before the day",
    "At the site",
    "Before each take-off",
    "In flight",
    "After landing",
)
BEFORE, SITE, TAKE_OFF, FLIGHT, AFTER = SECTIONS

OPEN: tuple[Status, ...] = ("over", "cannot tell")
"""Status of what is to be settled, the more pressing first."""
ANY: tuple[Status, ...] = (*OPEN, "note", "within")

LONGEST = 160
"""Most letters of a text: an item takes two lines on paper."""


@dataclass(frozen=True)
class Task:
    """What a caution of a status asks for.

    Attributes
    ----------
    caution_id : str
        Whose task it is.
    statuses : tuple of str
        With which status it is asked.
    section, with_whom : str
        When, and with whom to verify it.
    text : str
        What to verify.
    """

    caution_id: str
    statuses: tuple[Status, ...]
    section: Section
    with_whom: Person
    text: str


@dataclass(frozen=True)
class Item:
    """One thing to verify.

    Attributes
    ----------
    section : str
        When, one of `SECTIONS`.
    text, with_whom, why : str
        What, with whom, and what was found that asks for it.
    status : {"over", "cannot tell", "note"}
        The first two are still to be settled.
    """

    section: Section
    text: str
    with_whom: Person
    why: str
    status: Status = "note"

    @property
    def is_open(self) -> bool:
        """Whether it is to be settled before the flight."""
        return self.status in OPEN


TASKS = (
    Task(
        "airspace",
        ANY,
        BEFORE,
        "authority in charge",
        "Ask for airspace, aerodromes and notices at the place and on the day; ask for or announce what has to be.",
    ),
    Task(
        "ceiling",
        ("over",),
        BEFORE,
        "authority in charge",
        "Ask for a permission to fly above the ceiling given, or plan the lines lower.",
    ),
    Task(
        "ceiling",
        ("cannot tell",),
        BEFORE,
        "surveyor",
        "Find terrain heights for the way: how high it is above the ground is unknown.",
    ),
    Task(
        "rules age",
        OPEN,
        BEFORE,
        "authority in charge",
        "Read the rules in force on the day: those the plan was held against are old.",
    ),
    Task("unsafe line", OPEN, BEFORE, "pilot", "Leave out the lines marked unsafe, or plan them anew."),
    Task(
        "ground risk",
        OPEN,
        BEFORE,
        "pilot",
        "Find out which roads, buildings and people lie under the flight and in the buffer beside it.",
    ),
    Task(
        "ground risk",
        ANY,
        SITE,
        "observer",
        "Walk or watch the buffer beside the way: who is there, who comes, and who has to be asked to keep out.",
    ),
    Task(
        "wires",
        ("cannot tell",),
        BEFORE,
        "land owner",
        "Ask the land owner and the owners of power and telephone lines where wires run.",
    ),
    Task("wires", ANY, SITE, "observer", "Walk the site and look up for wires, listed or not; mark them on the map."),
    Task(
        "unlisted obstacles",
        ANY,
        SITE,
        "pilot",
        "Look for masts, cranes, trees and whatever else the plan does not know of.",
    ),
    Task("terrain age", ("cannot tell",), BEFORE, "surveyor", "Find out when the terrain used was measured."),
    Task(
        "terrain age",
        ANY,
        SITE,
        "surveyor",
        "Look for what was dug, heaped up, built or grown since the terrain was measured.",
    ),
    Task(
        "unknown ground",
        OPEN,
        BEFORE,
        "surveyor",
        "Find terrain for the ground of unknown height, or keep the way off it.",
    ),
    Task(
        "laser",
        ("over",),
        BEFORE,
        "laser safety officer",
        "Have the flight judged: it comes lower than the hazard distance that the card states.",
    ),
    Task(
        "laser",
        ("cannot tell",),
        BEFORE,
        "laser safety officer",
        "Find the maker's sheet with laser class and hazard distance at the pulse rate flown; do not fly without it.",
    ),
    Task(
        "laser computed",
        ("over",),
        BEFORE,
        "laser safety officer",
        "Have the flight judged: it comes nearer to eyes than the hazard distance computed from the card.",
    ),
    Task(
        "laser computed",
        ("cannot tell",),
        BEFORE,
        "laser safety officer",
        "Ask the maker for pulse energy or mean power and divergence, so that a hazard distance can be computed.",
    ),
    Task(
        "laser figures differ",
        OPEN,
        BEFORE,
        "laser safety officer",
        "Ask the maker which figure of the card is wrong; keep to the longer hazard distance until then.",
    ),
    Task(
        "laser through optics",
        OPEN,
        BEFORE,
        "laser safety officer",
        "Agree how nobody beneath looks up through binoculars, telescope or theodolite.",
    ),
    Task(
        "laser with stopped scanner",
        OPEN,
        BEFORE,
        "laser safety officer",
        "Ask the maker what shuts the laser off when the scanner stops, and how fast.",
    ),
    Task(
        "laser switching",
        ("over", "cannot tell"),
        TAKE_OFF,
        "laser safety officer",
        "Keep people off for as long as light is on: no height is known above which it could be switched on.",
    ),
    Task(
        "laser switching",
        ("note", "within"),
        TAKE_OFF,
        "laser safety officer",
        "Switch the laser on above this height over people at the take-off place, and off below it.",
    ),
    Task(
        "windows",
        OPEN,
        BEFORE,
        "pilot",
        "Choose another hour or day, or fly in parts: light, satellites and water do not agree with the plan.",
    ),
    Task(
        "satellites",
        OPEN,
        BEFORE,
        "surveyor",
        "Choose hours with enough satellites; the report lists them.",
    ),
    Task(
        "tide",
        OPEN,
        BEFORE,
        "surveyor",
        "Choose hours with the water between the levels asked for; find a table for that day and its datum.",
    ),
    Task("tide", ANY, SITE, "surveyor", "Compare the level of the water with the table."),
    Task(
        "daylight",
        ("over",),
        BEFORE,
        "authority in charge",
        "Move the flight between sunrise and sunset, or ask what flying outside of it takes.",
    ),
    Task(
        "daylight",
        ("cannot tell", "within", "note"),
        TAKE_OFF,
        "pilot",
        "Compare the time of landing with the light left, hills around counted.",
    ),
    Task("batteries", OPEN, BEFORE, "pilot", "Plan batteries and ways back by hand: no sorties are planned."),
    Task(
        "long lines",
        OPEN,
        BEFORE,
        "surveyor",
        "Break the lines too long for the inertial unit, or accept in writing what it drifts.",
    ),
    Task(
        "vertical accuracy",
        OPEN,
        BEFORE,
        "surveyor",
        "Agree with the client where the vertical accuracy is to be tested.",
    ),
    Task(
        "base station",
        ("over", "cannot tell"),
        BEFORE,
        "surveyor",
        "Find a nearer base station, or plan one of your own on site.",
    ),
    Task(
        "base station",
        ANY,
        SITE,
        "surveyor",
        "Set up or call the base; write down its point, antenna height, frame and epoch.",
    ),
    Task(
        "frame of marks",
        OPEN,
        BEFORE,
        "surveyor",
        "Find out frame and epoch of base and checkpoints; bring them and the plan into one.",
    ),
    Task("range ratings", OPEN, BEFORE, "surveyor", "Ask the maker which of the stated ranges holds."),
    Task(
        "range ambiguity",
        OPEN,
        BEFORE,
        "surveyor",
        "Choose a pulse rate or height whose ranges are not mistaken for others; the report names rates.",
    ),
    Task(
        "fog",
        OPEN,
        TAKE_OFF,
        "pilot",
        "Measure the visibility where the flight is; wait while the aircraft would fade from sight.",
    ),
    Task(
        "recorder space",
        OPEN,
        BEFORE,
        "surveyor",
        "Find out what the recorder holds; take a larger one, or plan to empty it between sorties.",
    ),
    Task(
        "recorder rate",
        OPEN,
        BEFORE,
        "surveyor",
        "Find out how fast the recorder writes; lower the pulse rate or the returns kept if it is too slow.",
    ),
    Task(
        "wind on lines",
        OPEN,
        TAKE_OFF,
        "surveyor",
        "Compare the wind with the plan's: the ground speed of lines hangs on it, and with it the density.",
    ),
    Task(
        "sight line",
        OPEN,
        SITE,
        "observer",
        "Post observers where the pilot loses sight of the aircraft or it cannot be told; try the radio from there.",
    ),
    Task(
        "sight line",
        ANY,
        FLIGHT,
        "observer",
        "Keep the aircraft in sight; say at once when it is lost, or when another aircraft comes.",
    ),
    Task("logging", ANY, TAKE_OFF, "surveyor", "Start logging at base and aircraft as early as the report says."),
    Task("logging", ANY, AFTER, "surveyor", "Let base and aircraft log on for as long as the report says."),
    Task(
        "survey rules",
        OPEN,
        BEFORE,
        "surveyor",
        "Settle the articles of the survey rules that are not satisfied, and gather what the plan cannot show.",
    ),
    Task("inputs", ANY, BEFORE, "surveyor", "Read the remarks on the files given; mend what is wrong in them."),
)
"""In the order to be worked off within each section."""

RULES_TEXT = "Settle these rules of the report"
"""Head of the list of rules that are not kept, or where nothing can be told."""
OTHERS_TEXT = "Read in the report and weigh"
"""Head of the list of cautions that have no task of their own."""
