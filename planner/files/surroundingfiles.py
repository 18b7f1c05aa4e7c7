"""What lies around a site and over it in: airspace, people, buildings and roads, satellites and water.

Lives here: which of these files a mission names. Must not know how any of them is read, or what a flight makes of it.
"""

from dataclasses import replace
from pathlib import Path

from planner.files.airspacefiles import read_airspace
from planner.files.almanacs import read_almanac
from planner.files.groundfiles import read_beneath
from planner.files.tides import read_tide
from planner.ground.surface import Scene
from planner.ground.surroundings import KINDS
from planner.mission import Mission


def read_surroundings(mission: Mission, folder: Path, scene: Scene) -> Scene:
    """Return a scene with what the mission names of its surroundings, file names starting from a folder.

    Raises
    ------
    InputError
        As `read_airspace`, `read_beneath`, `read_almanac` and `read_tide`.
    """
    rules, window = mission.rules, mission.window
    named = rules.airspace
    airspace = read_airspace(folder / named, scene.frame, rules.airspace_date) if named else None
    beneath = read_beneath({kind: getattr(rules, kind) for kind in KINDS}, folder, scene.frame)
    almanac = read_almanac(folder / window.almanac, mission.date) if window.almanac else None
    tide = read_tide(folder / window.tide) if window.tide else None
    said = (text for given in (almanac, tide) if given for text in given.cautions)
    return replace(
        scene,
        airspace=airspace,
        beneath=beneath,
        almanac=almanac,
        tide=tide,
        cautions=(*scene.cautions, *said),
    )
