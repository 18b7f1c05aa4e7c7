"""How far the light reaches, where what is declared leaves doubt: ratings that disagree, fog, odd wavelengths.

Lives here: those doubts as cautions. Must not know the forecast, the planner or files.
"""

from collections.abc import Iterable

from planner.equipment import Sensor
from planner.ranging.ratings import AGREE, consistency
from planner.ranging.reflectance import wavelength_caution
from planner.safety.cautions import Caution, Status

FOG_KM = 1.0
"""Visibility below which haze is called fog (World Meteorological Organization, from memory)."""


def range_cautions(
    sensor: Sensor, pulse_rates_hz: Iterable[float], visibility_km: float, *, classed: bool
) -> tuple[Caution, ...]:
    """Return the cautions about how far the light of a flight reaches.

    Parameters
    ----------
    sensor, pulse_rates_hz : Sensor, iterable of float
        What flies, and the pulse rates flown [Hz].
    visibility_km : float
        Visibility by 2 % contrast [km].
    classed : bool
        Whether the reflectance of ground comes from classes of surface.
    """
    cautions = [
        *(rating_caution(sensor, rate) for rate in pulse_rates_hz),
        fog_caution(visibility_km),
        brightness_caution(sensor.wavelength_nm) if classed else None,
    ]
    return tuple(caution for caution in cautions if caution is not None)


def rating_caution(sensor: Sensor, pulse_rate_hz: float) -> Caution | None:
    """Return how the ranges that a card states for several reflectances at a pulse rate stand to each other.

    None where there is nothing to compare.
    """
    said = consistency([one for one in sensor.ratings if one.pulse_rate_hz == pulse_rate_hz], sensor.wavelength_nm)
    if said is None:
        return None
    text = f"At {pulse_rate_hz / 1000:g} kHz the card's {said}."
    if said.verdict == "bright falls short":
        text += " Something else than light may end the longer one: ask the maker."
    elif said.verdict == "bright goes too far":
        text += " One is wrong, or they were stated for different conditions: ask the maker."
    status: Status = "within" if said.verdict == "agree" else "over"
    return Caution("range ratings", status, text, said.off_pct, 100 * AGREE, "% off the range equation")


def fog_caution(visibility_km: float) -> Caution | None:
    """Return what a visibility [km] means that counts as fog; None in clearer air."""
    if visibility_km >= FOG_KM:
        return None
    text = (
        "This is fog. At one visibility it takes between half of what the forecast takes and all of it, and it drifts "
        "within minutes: measure the visibility where the flight is, and keep the aircraft in sight."
    )
    return Caution("fog", "over", text, visibility_km, FOG_KM, "km visibility, least")


def brightness_caution(wavelength_nm: float) -> Caution | None:
    """Return what to tell the reader of reflectance at a wavelength [nm]; None where it is well known."""
    text = wavelength_caution(wavelength_nm)
    return None if text is None else Caution("reflectance", "note", text)
