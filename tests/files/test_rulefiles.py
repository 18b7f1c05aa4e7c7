"""Profiles of rules from TOML: names, the user's own, and what is refused."""

import pytest

from planner.errors import InputError
from planner.files.cards import DATA, bundled
from planner.files.rulefiles import load_profile

OWN = """
name = "ours"
jurisdiction = "an invented country"
read_on = 2027-01-02
source = "an invented law"
beyond = "nothing"

[[rules]]
rule_id = "height"
text = "Fly at most 90 m above the ground."
citation = "invented law, 1"
mark = "own"
measure = "height_above_ground"
bound = "most"
value = 90
unit = "m"
"""


def refused(folder, text, *codes):
    (folder / "ours.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=codes[0]) as caught:
        load_profile("ours.toml", folder)
    assert tuple(fault.code for fault in caught.value.faults) == codes
    assert all(fault.fix for fault in caught.value.faults)
    return caught.value.faults


def test_bundled_profiles_load_by_name_in_any_case(tmp_path):
    names = bundled("rules")
    assert {"neutral", "us_part107", "eu_open_a1", "eu_open_a2", "eu_open_a3", "uk_open"} < set(names)
    for name in names:
        assert load_profile(name.upper(), tmp_path).name == name


def test_bundled_profiles_name_texts_and_no_makers():
    for path in (DATA / "rules").glob("*.toml"):
        text = path.read_text(encoding="utf-8").lower()
        assert "http" not in text
        assert "in our own words" in text or "no country" in text


def test_a_profile_of_the_users_own(tmp_path):
    (tmp_path / "ours.toml").write_text(OWN, encoding="utf-8")
    found = load_profile("ours.toml", tmp_path)
    assert (found.name, str(found.read_on), found.rules[0].limit) == ("ours", "2027-01-02", 90.0)


def test_an_unknown_profile_is_refused_with_near_names_and_the_list(tmp_path):
    with pytest.raises(InputError, match=r'E18 rules.profile: no profile of rules is called "us_part_107"') as caught:
        load_profile("us_part_107", tmp_path)
    [fault] = caught.value.faults
    assert fault.fix.startswith("did you mean us_part107? profiles: australia, canada_advanced")
    assert "ending in .toml" in fault.fix
    with pytest.raises(InputError, match="E18") as caught:
        load_profile("zzz", tmp_path)
    assert caught.value.faults[0].fix.startswith("profiles: australia")


def test_a_file_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"E00 .*ours\.toml"):
        load_profile("ours.toml", tmp_path)


@pytest.mark.parametrize(
    ("old", "new", "code", "what", "fix"),
    [
        (
            '"height_above_ground"',
            '"height_above_grond"',
            "E18",
            "no measure is called",
            "did you mean height_above_ground?",
        ),
        ('"height_above_ground"', '"zzz"', "E18", "no measure is called", "measures: aerodrome_distance, "),
        ('bound = "most"\nvalue = 90\n', "", "E18", "none is given", "with bound most"),
        ('bound = "most"', 'bound = "least"', "E18", 'its bound is "least"', "with bound most"),
        ('bound = "most"\n', "", "E34", "value without bound", "give bound too"),
        (
            'unit = "m"',
            'unit = "kg"',
            "E34",
            'measures in m, the value is in "kg"',
            "give the value in one of m, km, ft",
        ),
        ('unit = "m"', 'unit = "meters"', "E18", '`unit` is "meters"', "use one of these words"),
        ('"height_above_ground"', '"daylight"', "E18", "daylight without a window", "sunrise or civil_twilight"),
        ('mark = "own"', 'mark = "seen"', "E18", '`mark` is "seen"', "use one of these words"),
        ("value = 90", "value = -1", "E18", "`value` is -1", "inside the limit"),
        ("value = 90", "value = 90\ngreatest = 3", "E18", "unknown key `greatest`", "known names here"),
        ('citation = "invented law, 1"\n', "", "E18", "`citation` is missing", "add `citation`"),
        ("read_on = 2027-01-02", 'read_on = "soon"', "E18", "`read_on`", "write it as a day"),
        ("beyond", "beyound", "E18", "unknown key `beyound`", "did you mean `beyond`?"),
    ],
)
def test_rules_that_cannot_be_measured_are_refused(tmp_path, old, new, code, what, fix):
    assert old in OWN
    (tmp_path / "ours.toml").write_text(OWN.replace(old, new), encoding="utf-8")
    with pytest.raises(InputError, match=code) as caught:
        load_profile("ours.toml", tmp_path)
    told = [one for one in caught.value.faults if what in one.what]
    assert [one.code for one in told] == [code]
    assert fix in told[0].fix
    assert "ours.toml:" in told[0].where


def test_all_faults_of_a_profile_come_at_once(tmp_path):
    second = OWN[OWN.index("[[rules]]") :].replace("height_above_ground", "nothing").replace('"height"', '"second"')
    faults = refused(tmp_path, OWN.replace('unit = "m"', 'unit = "kg"') + second + "more = 3\n", "E34", "E18", "E18")
    assert len({fault.where for fault in faults}) == 3


def test_two_rules_of_one_name_are_refused(tmp_path):
    second = OWN[OWN.index("[[rules]]") :]
    [fault] = refused(tmp_path, OWN + second, "E34")
    assert fault.what == "two rules are called height"


def test_a_profile_needs_rules(tmp_path):
    faults = refused(tmp_path, OWN[: OWN.index("[[rules]]")], "E18")
    assert "`rules` is missing" in faults[0].what
    faults = refused(tmp_path, OWN[: OWN.index("[[rules]]")] + "rules = 3\n", "E18")
    assert "`rules` is 3" in faults[0].what
