"""The words that requirement text is made of, and how a text falls into clauses of them.

Lives here: spelling, units and the forms of words. Must not know what any of them asks for.
"""

import re
from dataclasses import dataclass, replace

_NUMBER = r"(\d+(?:\.\d+)?|\.\d+)"
_RANGE = rf"{_NUMBER}(?:\s*(?:-|to)\s*{_NUMBER})?"
_LENGTH = (
    rf"{_RANGE}[ -]*(us[ -]?survey[ -](?:ft|feet|foot)|us[ -]?ft|mm|cm|met(?:er|re)s?|m|ft|feet|foot|inch(?:es)?"
    r"|in(?!\s+(?:\d|an? |all|any|each|every|the|one|single)))(?![\w^])"
)
_WORDS: tuple[tuple[str, str], ...] = (
    ("level", r"(?:ql|quality[ -]level)[ -]?([0-3])"),
    ("contours", rf"{_LENGTH}[ -]*contours?(?: intervals?)?"),
    ("cells of", rf"{_LENGTH}[ -]*(?:judging |grid |square )?cells?|(?:judging |grid )?cells? of {_LENGTH}"),
    ("percentile", rf"{_NUMBER}(?:st|nd|rd|th)[ -]percentile"),
    ("sigma", r"(?:([123])[ -]*)?(?:sigma|sd|standard deviations?)"),
    ("limit", r"(le|ce)[ -]?(\d\d)"),
    ("length", _LENGTH),
    ("areal", r"(?:/|per)\s*(?:m|ft)\^?2|pps[mf]|m\^?-2"),
    ("most", r"at most|(?:no|not) (?:more|greater|worse|larger) than|not (?:to )?exceed(?:ing)?|max(?:imum)?|up to"),
    ("most", r"under|below|within|or (?:less|fewer)|(?:less|fewer|smaller) than"),
    ("least", r"at least|(?:no|not) (?:less|fewer|lower) than|min(?:imum)?|or (?:more|denser)"),
    ("least", r"more than|above|over|exceed(?:s|ing)?"),
    ("vva", r"vva"),
    ("nva", r"nva"),
    ("rmse", r"rmse?[_-]?(z|v|r|h|xy|3d|x|y)?"),
    ("class", r"(?:accuracy )?class"),
    ("aggregate spacing", r"anps|aggregate nominal (?:pulse|point) spacing"),
    ("single spacing", r"nps|nominal (?:pulse|point) spacing"),
    ("spacing", r"(?:pulse |point )?spacing"),
    ("aggregate density", r"anpd|aggregate nominal pulse density"),
    ("single density", r"npd|nominal pulse density"),
    ("sidelap", r"sidelap|(?:side |lateral |swath )?overlap"),
    ("single", r"(?:single|one|per|each|every|any)[ -](?:single )?(?:swath|pass|flight line|line|strip)"),
    ("aggregate", r"aggregate|pooled|all (?:swaths|passes|lines|strips)(?: pooled| together)?"),
    ("every", r"(?:each|every|all)(?=(?:\s+[\d.]+ ?c?m)?\s+cells?\b)"),
    ("cells", r"(?:judging |grid )?cells?|of (?:the )?(?:area|site)"),
    ("first", r"first"),
    ("ground", r"bare[ -](?:earth|ground)|ground"),
    ("other returns", r"(?:last|only|any|all|intermediate)[ -](?:returns?|echo(?:es)?|points?)"),
    ("pulses", r"pulses?|pls|shots?"),
    ("mean", r"mean|average|nominal"),
    ("vague", r"(?:survey|engineering|mapping|construction|inspection|research)[ -](?:grade|quality)(?: accuracy)?"),
    ("vague", r"(?:very |highly? )?(?:accurate|dense)|high[ -](?:accuracy|density|precision|resolution)"),
    ("detail", r"(?:lod|level of detail)[ -]?(?:\d(?:\.\d)?)?"),
    ("accuracy", r"accuracy|precision|tolerance|error|uncertainty"),
    ("vertical", r"vertical(?:ly)?|heights?|elevations?|z"),
    ("horizontal", r"horizontal(?:ly)?|planimetric|radial|xy"),
    ("per", r"per"),
    ("points", r"points?|pts?|p(?=\s*/)|returns?|echo(?:es)?"),
    ("density", r"density"),
    ("idle", r"asprs|usgs|lidar|confidence(?: level)?|checkpoints?|(?:or )?better(?: than)?|equal to|level|required?"),
    ("idle", r"coverage|of|at|the|an?|is|are|be|shall|must|with|in|to|on|for|than|from|by|data"),
)
# Signs, which need no gap after them, and bare numbers, which no unit follows.
_SIGNS: tuple[tuple[str, str], ...] = (
    ("percent", rf"{_RANGE}\s*%"),
    ("most", r"<=|=<|<"),
    ("least", r">=|=>|>"),
    ("spread", r"\+/?-"),
    ("idle", r"=|:(?=\s)|[()]"),
)
_FORMS = tuple(
    (kind, re.compile(form, re.IGNORECASE))
    for kind, form in (*_SIGNS, *((kind, rf"(?:{form})(?!\w)") for kind, form in _WORDS), ("number", _RANGE))
)

QUANTITIES = ("percent", "length", "number", "cells of")
"""Kinds that carry a number to which words of limit are bound."""

IDLE = ("idle", "points")
"""Kinds that may stand beside others without asking for anything."""

FOOT_M = 0.3048
SURVEY_FOOT_M = 1200 / 3937

_SPELLING = (
    (r"[²]", "2"), (r"[−–]", "-"), (r"±", "+/-"), (r"≥", ">="), (r"≤", "<="), (r"σ", " sigma"),
    (r"per ?cent\b", "%"), (r"\b(min|max|sq|pts?)\.", r"\1"),
    (r"\b(?:sq(?:uare)? ?)(?:m|met(?:er|re)s?)\b", "m2"), (r"\b(?:sq(?:uare)? ?)(?:ft|feet|foot)\b", "ft2"),
    (r"between\s+([\d.]+)\s+and\s+", r"\1 to "), (r"\bone (?=p)", "1 "),
)  # fmt: skip


@dataclass(frozen=True)
class Word:
    """A word or phrase of a clause.

    Attributes
    ----------
    kind, text : str
        Which form it has, and how it is written.
    parts : tuple of str or None
        Numbers and letters that the form picks out.
    relation : {"", "least", "most"}
        The words of limit that are bound to a number.
    """

    kind: str
    text: str
    parts: tuple[str | None, ...]
    relation: str = ""

    @property
    def value(self) -> float:
        """Return the number as it stands, the first of a range."""
        return float(self.parts[0] or 0.0)

    @property
    def metres(self) -> float:
        """Return the length [m], the first of a range."""
        return self.value * self.unit_m

    @property
    def unit_m(self) -> float:
        """Return the unit of a length [m]."""
        unit = (self.parts[2] or "")[:2]
        by_letters = {"mm": 0.001, "cm": 0.01, "in": FOOT_M / 12, "us": SURVEY_FOOT_M}
        return by_letters.get(unit, FOOT_M if unit.startswith("f") else 1.0)

    @property
    def upper(self) -> float | None:
        """Return the second number of a range."""
        return float(self.parts[1]) if len(self.parts) > 1 and self.parts[1] else None


@dataclass
class Clause:
    """The words of a clause that are still to be accounted for."""

    text: str
    words: list[Word]

    def has(self, *kinds: str) -> bool:
        """Return whether a word of these kinds is left."""
        return any(word.kind in kinds for word in self.words)

    def drop(self, *kinds: str) -> None:
        """Remove all words of these kinds."""
        self.words = [word for word in self.words if word.kind not in kinds]

    def take(self, *kinds: str) -> Word | None:
        """Remove and return the first word of these kinds."""
        for word in self.words:
            if word.kind in kinds:
                self.words.remove(word)
                return word
        return None


def split_clauses(text: str) -> tuple[str, ...]:
    """Return the clauses in one spelling; a comma between digits is a decimal one."""
    plain = " ".join(line.strip() + ";" for line in text.splitlines())
    for form, instead in _SPELLING:
        plain = re.sub(form, instead, plain, flags=re.IGNORECASE)
    plain = re.sub(r"(?<![\w.])(\d+),(?!\d{3}(?!\d))(\d+)", r"\1.\2", plain)
    parts = re.split(r"(?<!\d),|,(?!\d)|;|&|\band\b|\.(?=[\s;]|$)", plain, flags=re.IGNORECASE)
    return tuple(" ".join(part.split()) for part in parts if part.strip())


def read_words(clause: str) -> tuple[list[Word], str]:
    """Return the words of a clause and, where one is not known, the letters from there on.

    Words of limit ("at least") are bound to the number that follows, else to the last one.
    """
    words: list[Word] = []
    at, relation = 0, ""
    while at < len(clause):
        if clause[at] == " ":
            at += 1
            continue
        kind, found = next(((kind, m) for kind, form in _FORMS if (m := form.match(clause, at))), ("", None))
        if found is None:
            return words, clause[at:]
        at = found.end()
        if kind in ("least", "most"):
            relation = kind
            continue
        parts = tuple(part and part.lower() for part in found.groups())
        parts = parts[3:] if kind == "cells of" and parts[0] is None else parts
        words.append(Word(kind, found.group().strip(), parts, relation if kind in QUANTITIES else ""))
        relation = "" if kind in QUANTITIES else relation
    last = max((at for at, word in enumerate(words) if word.kind in QUANTITIES), default=None)
    if relation and last is not None:
        words[last] = replace(words[last], relation=relation)
    return words, ""
