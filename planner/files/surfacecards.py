"""Classes of surfaces in: the bundled ones, the user's own over them, and the one a word names.

Lives here: which classes there are and what is wrong with a declared one. Must not know grids or optics.
"""

import difflib
from collections.abc import Collection, Mapping
from functools import cache
from types import MappingProxyType
from typing import Any

from planner.cover import FROST, HOAR_FROST, Surface
from planner.errors import Fault, InputError
from planner.files.cards import DATA, Declared, Keys, checked, field_names, read_declared, unknown_keys

BUNDLED = "surfaces.toml"


@cache
def bundled_surfaces() -> Mapping[str, Surface]:
    """Return the bundled classes by name, in the order of their file; frost, which may lie on any other, is last."""
    declared = read_declared(DATA / BUNDLED, BUNDLED)
    surfaces, faults = declared_surfaces(declared, (), declared.tables, ("E18", "E18"))
    if faults:
        raise InputError(*faults)
    return MappingProxyType({**surfaces, FROST: HOAR_FROST})


def declared_surfaces(
    declared: Declared, at: Keys, tables: Any, codes: tuple[str, str]
) -> tuple[dict[str, Surface], list[Fault]]:
    """Return the sound classes of a file and the faults of all others.

    Parameters
    ----------
    declared, at, tables
        The file, the keys that lead to its classes, and what stands there: one table a class.
    codes : tuple of str
        Code of a number outside its limits, and of values that disagree with each other.

    Returns
    -------
    surfaces : dict of str to Surface
        In the order of the file.
    faults : list of Fault
        E18 what is no table, missing, unknown or of the wrong kind; E33 a share outside 0-1, such as a percentage;
        and `codes`.
    """
    if not isinstance(tables, Mapping):
        return {}, [_no_table(declared, at)]
    surfaces: dict[str, Surface] = {}
    faults: list[Fault] = []
    for name, table in tables.items():
        here = (*at, name)
        if not isinstance(table, Mapping):
            faults.append(_no_table(declared, here))
            continue
        known = field_names(Surface)
        faults += unknown_keys(declared, here, table, known, {})
        surface, more = checked(
            Surface, declared, here, {key: value for key, value in table.items() if key in known}, codes
        )
        faults += more
        if surface is not None:
            surfaces[name] = surface
    return surfaces, faults


def surface_classes(own: Mapping[str, Surface]) -> dict[str, Surface]:
    """Return the bundled classes and the user's own, which replace bundled ones of the same name."""
    return {**bundled_surfaces(), **own}


def surface_named(name: str, classes: Mapping[str, Surface], where: str) -> Surface:
    """Return the class of that name, letter for letter.

    Raises
    ------
    InputError
        E18 with the nearest name, and `where` it was read.
    """
    if name in classes:
        return classes[name]
    raise InputError(unknown_surface(name, classes, where))


def unknown_surface(name: str, classes: Collection[str], where: str) -> Fault:
    """Return the fault of a word that names no class, with the classes that bear it in their name, or the nearest."""
    word = name.strip().lower().replace(" ", "_")
    near = [one for one in classes if word in one.split("_")] or difflib.get_close_matches(word, classes)
    meant = " or ".join(f'"{one}"' for one in near)
    fix = f"did you mean {meant}? " if near else f"surface classes: {', '.join(classes)}; "
    fix += "add one of your own as [cover.surfaces.<class>] with its reflectance"
    return Fault("E18", f'"{name}" is no surface class', where, fix)


def _no_table(declared: Declared, at: Keys) -> Fault:
    dotted = ".".join(map(str, at))
    fix = f"open it with [{dotted}] and give its reflectance, at 905, 1064 and 1550 nm or one for all"
    return Fault("E18", f"`{dotted}` is not a table", declared.place(*at), fix)
