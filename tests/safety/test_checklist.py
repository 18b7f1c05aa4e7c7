"""The crew's checklist: nothing unsettled goes unnamed, nothing is promised, and it fits on a page."""

import ast
import dataclasses
import datetime as dt
import functools
import re
from pathlib import Path

import pytest

import planner
from planner.safety.cautions import Caution
from planner.safety.checkfacts import Facts
from planner.safety.checklist import BLANKS, checklist
from planner.safety.checktasks import LONGEST, OPEN, SECTIONS, TASKS

FACTS = Facts(
    date=dt.date(2027, 4, 12),
    lines=14,
    lowest_agl_m=58.0,
    highest_agl_m=71.0,
    clearance_m=30.0,
    sorties=3,
    take_off_places=2,
    checkpoints=20,
    sensor="B",
    laser_classes=("1M",),
    hazard_distance_m=12.0,
    batteries=6,
    wind_mps=4.0,
    wind_most_mps=10.0,
    alignment_s=30.0,
    tallest="chimney",
    tallest_agl_m=42.0,
    keep_outs=("school", "substation"),
    sensitive=("nests",),
    overflown=("the lane",),
)
PROMISES = re.compile(
    r"\b(safe|safely|clear|cleared|legal|legally|lawful|approved|compliant|guaranteed?|no risk)\b", re.I
)


@functools.cache
def caution_ids():
    """Return every name under which a caution is made anywhere in the package; rules are called by their profiles."""
    found = set()
    for path in Path(planner.__file__).parent.rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        set_ = [node for node in tree.body if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant)]
        constants = {node.targets[0].id: node.value.value for node in set_}
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("Caution", "_measured"):
                name = node.args[0] if node.args else None
                found.add(constants.get(name.id) if isinstance(name, ast.Name) else getattr(name, "value", None))
    return sorted(name for name in found if isinstance(name, str))


def usual_cautions():
    """Return the cautions of an invented job as they are usually found."""
    return (
        Caution("not a clearance", "note", "A calculation."),
        Caution("unlisted obstacles", "note", "Look up."),
        Caution("airspace", "note", "Ask."),
        Caution("ceiling", "over", "Lines over.", 131.24, 120.0, "m above ground"),
        Caution("laser", "within", "At 200 kHz.", 58.0, 12.0, "m above ground, least"),
        Caution("wires", "cannot tell", "Nobody looked."),
        Caution("terrain age", "note", "Old.", 192.0, None, "days"),
        Caution("sensitive area", "note", "nests", 120.0, None, "m"),
        Caution("daylight", "cannot tell", "No start."),
        Caution("base station", "over", "Far.", 10_400.0, 10_000.0, "m"),
        Caution("logging", "note", "Log."),
        Caution("sight line", "over", "Out of sight.", 640.0, 420.0, "m from the pilot"),
        Caution("ground risk", "cannot tell", "Wide.", 71.0, None, "m, widest buffer"),
        Caution("ground risk", "note", "Roads.", 8.0, None, "m flown over roads"),
        Caution("recorder space", "within", "Fits.", 20.0, 64.0, "GB"),
        Caution("recorder rate", "cannot tell", "Unknown.", 12.0, None, "MB/s"),
        Caution("inputs", "note", "a.geojson: closed."),
        Caution("inputs", "note", "b.geojson: closed."),
    )


def test_every_caution_that_is_not_settled_is_named():
    ids = caution_ids()
    assert {"ceiling", "wires", "laser", "ground risk", "unsafe line", "frame of marks"} <= set(ids)
    for caution_id in ids:
        for status in OPEN:
            items = checklist([Caution(caution_id, status, "Found.")], FACTS)
            named = [one for one in items if caution_id in f"{one.text} {one.why}" and one.status == status]
            assert named, f"{caution_id} {status}"
            assert all(one.is_open for one in named)


def test_a_caution_nobody_knows_is_named_too():
    items = checklist([Caution("solar storm", "over", "Found."), Caution("ice", "cannot tell", "Found.")], FACTS)
    assert [one.text for one in items if one.is_open] == [
        "Read in the report and weigh, over a limit: solar storm.",
        "Read in the report and weigh, cannot be told: ice.",
    ]


def test_rules_are_settled_with_the_authority_all_by_name():
    rules = [f"rule {number:02d} of the profile" for number in range(20)]
    cautions = [Caution(name, "cannot tell", "Rule.", citation="art. 1") for name in rules]
    # a rule may be called as a caution is: it stays a rule
    cautions.append(Caution("daylight", "over", "Rule.", citation="art. 2"))
    items = [one for one in checklist(cautions, FACTS) if one.is_open]
    assert items[0].text.startswith("Settle these rules of the report, not kept as planned: daylight.")
    assert {one.with_whom for one in items} == {"authority in charge"}
    assert all(len(one.text) <= LONGEST for one in items)
    assert all(any(name in one.text for one in items) for name in rules)
    assert len(items) < 12


def test_what_is_within_is_not_told_as_open():
    cautions = [dataclasses.replace(one, status="within") for one in usual_cautions()]
    assert not any(one.is_open for one in checklist(cautions, FACTS))


def test_sections_follow_the_work_and_open_items_come_first():
    items = checklist(usual_cautions(), FACTS)
    order = [(SECTIONS.index(one.section), ["over", "cannot tell", "note"].index(one.status)) for one in items]
    assert order == sorted(order)
    assert {one.section for one in items} == set(SECTIONS)
    assert "ceiling" in items[0].why


def test_findings_are_told_with_their_numbers():
    why = {one.why for one in checklist(usual_cautions(), FACTS)}
    assert "ceiling: 131 against 120 m above ground" in why
    assert "base station: 10400 against 10000 m" in why
    assert "terrain age: 192 days" in why
    assert "wires: cannot be told" in why
    assert "recorder rate: 12 MB/s; the rest cannot be told" in why
    assert "inputs: see the report (2 cautions)" in why


def test_the_worst_of_several_cautions_counts():
    lasers = [
        Caution("laser", "within", "At 100 kHz.", 58.0, 12.0, "m above ground, least"),
        Caution("laser", "over", "At 200 kHz.", 58.0, 70.0, "m above ground, least"),
    ]
    [item] = [one for one in checklist(lasers, FACTS) if one.why.startswith("laser: ")]
    assert (item.status, item.with_whom) == ("over", "laser safety officer")
    assert item.why == "laser: 58 against 70 m above ground, least"


def test_the_order_of_cautions_changes_nothing():
    cautions = usual_cautions()
    assert checklist(cautions, FACTS) == checklist(cautions[::-1], FACTS)


def test_a_usual_job_fits_on_a_page_without_repeating_itself():
    items = checklist(usual_cautions(), FACTS)
    assert 20 <= len(items) <= 40
    texts = [one.text for one in items]
    assert len(set(texts)) == len(texts)
    assert max(len(one.text) for one in items) <= LONGEST
    assert max(len(one.why) for one in items) <= LONGEST
    assert len(set(BLANKS)) == len(BLANKS)


def test_nothing_is_promised():
    facts = dataclasses.replace(FACTS, night=True, falling=True, temperature_c=-3.0)
    everything = [Caution(one, status, "Found.") for one in caution_ids() for status in (*OPEN, "note", "within")]
    for item in checklist(everything, facts):
        assert not PROMISES.search(f"{item.text} {item.why}"), item.text
    for task in TASKS:
        assert not PROMISES.search(task.text), task.text


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"night": True}, "lights"),
        ({"falling": True}, "rain or snow"),
        ({"temperature_c": 2.0}, "Warm the batteries"),
        ({"keep_outs": ("the silo yard",)}, "the silo yard"),
        ({"sensitive": ("the heronry",)}, "the heronry"),
        ({"overflown": ("the mill road",)}, "the mill road"),
        ({"tallest": "the silo"}, "the silo"),
        ({"surfaces": "frosted"}, "frosted"),
        ({"hazard_distance_m": 33.0}, "33 m"),
        ({"reserve_share": 0.35}, "35 %"),
        ({"wind_most_mps": 7.5}, "7.5 m/s at most"),
        ({"permissions": ("zone 4",)}, "zone 4"),
        ({"checkpoints": 31}, "31 checkpoints"),
        ({"lines": 77}, "77 lines"),
        ({"sorties": 9}, "9 sorties"),
        ({"alignment_s": 45.0}, "45 s of alignment"),
    ],
)
def test_what_was_found_shapes_the_list(changed, said):
    def words(facts):
        return " ".join(f"{one.text} {one.why}" for one in checklist((), facts))

    plain = Facts(date=dt.date(2027, 4, 12), lines=1, lowest_agl_m=50, highest_agl_m=60, clearance_m=30)
    assert said not in words(plain)
    assert said in words(dataclasses.replace(plain, **changed))


def test_many_names_are_cut_with_their_number():
    facts = dataclasses.replace(FACTS, keep_outs=tuple(f"paddock number {n}" for n in range(60)))
    [item] = [one for one in checklist((), facts) if one.text.startswith("Show the crew")]
    assert len(item.text) <= LONGEST
    shown = item.text.count("paddock number")
    assert item.text.endswith(f"and {60 - shown} more.")
    long = dataclasses.replace(FACTS, keep_outs=("x" * 300,))
    assert max(len(one.text) for one in checklist((), long)) <= LONGEST
