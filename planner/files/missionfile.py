"""The mission file in: TOML to the frozen inputs of a job.

Lives here: which tables and keys a mission file has, and every fault of it at once. Must not know geometry,
rasters or plans; the files a mission names are not opened, cards apart.
"""

import dataclasses
import datetime as dt
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import Field
from pydantic.fields import FieldInfo

from planner.equipment import Aircraft, Arm, Positive, Sensor, Slant, SmallAngle, frozen
from planner.errors import Fault, InputError
from planner.files.cards import (
    Declared,
    checked,
    field_names,
    finite,
    load_aircraft,
    load_sensor,
    read_declared,
    unknown_keys,
)
from planner.mission import Conditions, Cover, FlightChoice, Limits, Mission, Requirement, Site, Terrain

Card = TypeVar("Card", Sensor, Aircraft)


@frozen
class _Heading:
    """What stands above the first table."""

    name: Annotated[str, Field(min_length=1, max_length=120)]
    date: dt.date


@frozen
class _SensorTable:
    """A card, how it is set, and what the mount changes; None leaves the card's or the planner's value."""

    card: str
    pulse_rate_hz: Positive | None = None
    line_rate_hz: Positive | None = None
    forward_tilt_deg: Slant | None = None
    sideways_tilt_deg: Slant | None = None
    turned_deg: Annotated[float, Field(ge=-180, le=180)] | None = None
    boresight_deg: tuple[SmallAngle, SmallAngle, SmallAngle] | None = None
    lever_arm_m: tuple[Arm, Arm, Arm] | None = None
    tilts_with_aircraft: bool | None = None


@frozen
class _AircraftTable:
    """A card, and the take-off points as longitude and latitude [deg]."""

    card: str
    take_off: tuple[tuple[float, float], ...] = ()


_TABLES: dict[str, type[Any]] = {
    "site": Site,
    "terrain": Terrain,
    "cover": Cover,
    "sensor": _SensorTable,
    "aircraft": _AircraftTable,
    "requirement": Requirement,
    "limits": Limits,
    "flight": FlightChoice,
    "conditions": Conditions,
}
_RATES = ("pulse_rate_hz", "line_rate_hz")
_MOUNT = tuple(key for key in field_names(_SensorTable) if key not in ("card", *_RATES))
_KEYS = {
    name: tuple(key for key in field_names(kind) if name == "sensor" or key not in _RATES)
    for name, kind in _TABLES.items()
}
_HOMES = {key: name for name, keys in _KEYS.items() for key in keys if key != "card"}

# What is taken where a value that has no number or word as its default is left out. Values missing here are
# the planner's to choose ([flight], rates), the card's, or one of a pair of which the other is given.
_TAKEN = {
    "site.features": "all features of the area file",
    "terrain.geoid": "none, so orthometric and ellipsoidal heights are not linked",
    "terrain.vertical_unit": "the raster's own, metre where it is silent",
    "terrain.surveyed": "unknown day",
    "cover.polygons": "none",
    "cover.default": "no class, so that whatever stands on the ground is opaque",
    "aircraft.take_off": "no point",
    "requirement.cell_m": "chosen from density and scan-line spacing",
    "limits.climb_mps": "the aircraft's own",
    "limits.descent_mps": "the aircraft's own",
}


def read_mission(path: str | Path) -> Mission:
    """Return the job that a mission file declares.

    Parameters
    ----------
    path : str or Path
        TOML file; the paths it names are relative to its folder.

    Raises
    ------
    InputError
        With every fault of the file and of the cards it names: E00 unreadable file, E05 take-off point off the
        globe, E14 no raster, E18 key missing, unknown or of the wrong kind, E25 no height between clearance and
        ceiling, E33 number outside its limits, E34 values that contradict each other, E43 rate not on the card,
        E45 malformed TOML.
    """
    path = Path(path)
    declared = read_declared(path)
    tables, faults = _tables(declared)
    heading, more = checked(_Heading, declared, (), _heading_values(declared), ("E33", "E34"))
    faults += more
    parts: dict[str, Any] = {}
    for name, kind in _TABLES.items():
        parts[name], more = checked(kind, declared, (name,), tables[name], ("E33", "E34"))
        faults += more
    sensor, more = _card(declared, tables, "sensor", load_sensor, path.parent)
    faults += more
    aircraft, more = _card(declared, tables, "aircraft", load_aircraft, path.parent)
    faults += [*more, *_contradictions(declared, tables, sensor, aircraft), *_strays(declared, parts["aircraft"])]
    if faults or heading is None or sensor is None or aircraft is None:
        raise InputError(*faults)
    setting = parts["sensor"]
    mount = {key: getattr(setting, key) for key in _MOUNT}
    return Mission(
        name=heading.name,
        date=heading.date,
        file=path,
        assumptions=tuple(_assumptions(tables)),
        take_off_deg=parts["aircraft"].take_off,
        site=parts["site"],
        terrain=parts["terrain"],
        cover=parts["cover"],
        sensor=dataclasses.replace(sensor, **{key: value for key, value in mount.items() if value is not None}),
        aircraft=aircraft,
        requirement=parts["requirement"],
        limits=parts["limits"],
        flight=dataclasses.replace(parts["flight"], **{key: getattr(setting, key) for key in _RATES}),
        conditions=parts["conditions"],
    )


def _heading_values(declared: Declared) -> dict[str, Any]:
    return {key: value for key, value in declared.tables.items() if key in field_names(_Heading)}


def _tables(declared: Declared) -> tuple[dict[str, dict[str, Any]], list[Fault]]:
    """Return each table with its known keys only, empty where it is absent, and a fault for all that is unknown."""
    faults = unknown_keys(declared, (), declared.tables, (*field_names(_Heading), *_TABLES), _HOMES)
    tables: dict[str, dict[str, Any]] = {}
    for name, known in _KEYS.items():
        table = declared.tables.get(name, {})
        if not isinstance(table, dict):
            faults.append(Fault("E18", f"`{name}` is not a table", declared.place(name), f"open it with [{name}]"))
            table = {}
        faults += unknown_keys(declared, (name,), table, known, _HOMES)
        tables[name] = {key: value for key, value in table.items() if key in known}
    for key in _RATES:
        if tables["sensor"].get(key) == "auto":
            del tables["sensor"][key]
    if not tables["terrain"].keys() & {"ground", "surface"}:
        what = "no raster declared in [terrain]"
        fix = "name the bare earth as `ground`, or the top surface as `surface`"
        faults.append(Fault("E14", what, declared.place("terrain"), fix))
        tables["terrain"]["ground"] = ""  # reported: keeps the noun from reporting it again
    return tables, faults


def _card(
    declared: Declared,
    tables: Mapping[str, Mapping[str, Any]],
    name: str,
    load: Callable[[str, Path], Card],
    folder: Path,
) -> tuple[Card | None, list[Fault]]:
    """Return the card a table names, or None and its faults."""
    card = tables[name].get("card")
    if not isinstance(card, str):
        return None, []  # reported with the table
    try:
        return load(card, folder), []
    except InputError as error:
        place = declared.place(name, "card")
        return None, [fault if fault.where else dataclasses.replace(fault, where=place) for fault in error.faults]


def _contradictions(
    declared: Declared, tables: Mapping[str, Mapping[str, Any]], sensor: Sensor | None, aircraft: Aircraft | None
) -> Iterator[Fault]:
    """Yield a fault for each value that another table or a card rules out.

    Works on the tables as declared, so that a fault elsewhere in a table hides none of these.
    """
    if sensor:
        on_card = (sorted(rating.pulse_rate_hz for rating in sensor.ratings), sensor.line_rates_hz)
        for key, rates in zip(_RATES, on_card, strict=True):
            asked = _number(tables["sensor"], key)
            if asked is not None and asked not in rates:
                what = f"`{key}` {asked:.10g} is not on the card of sensor {sensor.name}"
                listed = ", ".join(f"{rate:.10g}" for rate in rates) or "none, the beam is fixed"
                yield Fault("E43", what, declared.place("sensor", key), f'on the card: {listed}; or "auto"')
    speed_mps, agl_m = (_number(tables["flight"], key) for key in ("speed_mps", "agl_m"))
    if aircraft and speed_mps is not None and not aircraft.min_speed_mps <= speed_mps <= aircraft.max_speed_mps:
        span = f"{aircraft.min_speed_mps:g} to {aircraft.max_speed_mps:g}"
        what = f"`speed_mps` {speed_mps:g} is outside the {span} of {aircraft.name}"
        fix = "choose a speed inside, another aircraft, or leave it out"
        yield Fault("E34", what, declared.place("flight", "speed_mps"), fix)
    if agl_m is not None:
        ceiling_m = _number(tables["limits"], "ceiling_agl_m") or Limits().ceiling_agl_m
        clearance_m = _number(tables["limits"], "clearance_m") or Limits().clearance_m
        above, below = f"above `ceiling_agl_m` {ceiling_m:g}", f"below `clearance_m` {clearance_m:g}"
        for limit, broken in ((above, agl_m > ceiling_m), (below, agl_m < clearance_m)):
            if broken:
                fix = "change the height or the limit, or leave the height out"
                yield Fault("E34", f"`agl_m` {agl_m:g} is {limit}", declared.place("flight", "agl_m"), fix)


def _number(table: Mapping[str, Any], key: str) -> float | None:
    """Return a declared number that is above 0, else None: any other value is reported with its table."""
    value = table.get(key)
    return float(value) if value is not None and finite(value) and value > 0 else None


def _strays(declared: Declared, aircraft: _AircraftTable | None) -> Iterator[Fault]:
    """Yield a fault for each take-off point that is not a longitude and latitude."""
    for number, (lon, lat) in enumerate(aircraft.take_off if aircraft else (), start=1):
        if not (abs(lon) <= 180 and abs(lat) <= 90):
            what = f"`take_off` {number} reads as longitude {lon:g}, latitude {lat:g}: outside -180 to 180, -90 to 90"
            fix = "write [longitude, latitude] in degrees"
            if abs(lat) <= 180 and abs(lon) <= 90:
                fix += f"; the other way round it is longitude {lat:g}, latitude {lon:g}"
            yield Fault("E05", what, declared.place("aircraft", "take_off"), fix)


def _assumptions(tables: Mapping[str, Mapping[str, Any]]) -> Iterator[str]:
    """Yield one line for each value that was left out and is taken from a default."""
    for name, kind in _TABLES.items():
        for field in dataclasses.fields(kind):
            label = f"{name}.{field.name}"
            default = field.default
            silent = default is None or isinstance(default, FieldInfo)  # nothing is taken for a table left out
            if field.name in tables[name] or (silent and label not in _TAKEN):
                continue
            taken = _TAKEN.get(label) or (f"{default:g}" if isinstance(default, float) else str(default))
            yield f"{label} = {taken} (not given)"
