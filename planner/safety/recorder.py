"""The recorder: whether what a sortie brings fits on it, and whether it writes as fast as the unit measures.

Lives here: raw data and its rate as cautions. Must not know missions, paths or what of the data is delivered.
"""

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from planner.equipment import Sensor
from planner.safety.cautions import Caution

Array = npt.NDArray[np.float64]

GIGA, MEGA = 1e9, 1e6


def raw_bytes_per_s(sensor: Sensor, pulse_rates_hz: npt.ArrayLike, returns_per_pulse: int | None = None) -> Array:
    """Return what a unit records while it fires [bytes a second], any shape.

    Every pulse counts, in all directions and pixels, wherever it looks.

    Parameters
    ----------
    sensor : Sensor
        The unit.
    pulse_rates_hz : array_like
        Pulses a second, all directions [Hz].
    returns_per_pulse : int or None
        Returns of each pulse; None takes the most that the unit keeps, the worst case.
    """
    returns = sensor.returns_per_pulse if returns_per_pulse is None else returns_per_pulse
    measured_hz = np.asarray(pulse_rates_hz, dtype=np.float64) * sensor.directions_per_pulse
    return np.asarray(measured_hz * returns * sensor.raw_bytes_per_return)


def recorder_cautions(sensor: Sensor, fired_s: npt.ArrayLike, pulse_rates_hz: npt.ArrayLike) -> tuple[Caution, ...]:
    """Return how the recorder stands to what each sortie brings and to how fast it comes.

    The worst case is held against the card: every pulse gives as many returns as the unit keeps. Both cautions also say
    what one return a pulse makes.

    Parameters
    ----------
    sensor : Sensor
        The unit with its recorder.
    fired_s : array_like, shape (sorties,)
        How long the unit fires in each sortie [s]; the whole sortie where it is not switched off in turns.
    pulse_rates_hz : array_like, shape (sorties,)
        Pulses a second in each sortie, the most where lines differ [Hz].
    """
    times_s, rates_hz = (np.atleast_1d(np.asarray(given, dtype=np.float64)) for given in (fired_s, pulse_rates_hz))
    if not times_s.size:
        return ()
    return _space(sensor, times_s, rates_hz), _rate(sensor, rates_hz)


def _space(sensor: Sensor, times_s: Array, rates_hz: Array) -> Caution:
    worst_gb = raw_bytes_per_s(sensor, rates_hz) * times_s / GIGA
    single_gb = raw_bytes_per_s(sensor, rates_hz, 1) * times_s / GIGA
    most = int(np.argmax(worst_gb))
    measured = float(worst_gb[most])
    brings = f"Sortie {most + 1} brings up to {measured:.3g} GB of raw data{_cases(sensor, single_gb[most], 'GB')}"
    if sensor.recorder_gb is None:
        text = f"{brings}; the card does not say what the recorder holds."
        return Caution("recorder space", "cannot tell", text, measured, None, "GB")
    holds = f"the recorder holds {sensor.recorder_gb:g} GB"
    over = np.flatnonzero(worst_gb > sensor.recorder_gb)
    if over.size:
        named = ", ".join(str(number + 1) for number in over.tolist())
        text = (
            f"{brings}; {holds}. Too much: {'sorties' if over.size > 1 else 'sortie'} {named}. Fly shorter sorties, "
            "measure fewer returns or at a lower pulse rate, or take a larger recorder."
        )
        return Caution("recorder space", "over", text, measured, sensor.recorder_gb, "GB")
    empty = ", ".join(str(number + 1) for number in _emptied(worst_gb, sensor.recorder_gb))
    text = f"{brings}; {holds}." + (f" Empty it before sortie {empty}." if empty else "")
    return Caution("recorder space", "within", text, measured, sensor.recorder_gb, "GB")


def _emptied(gigabytes: Array, holds_gb: float) -> Iterator[int]:
    """Yield the numbers of the sorties before which a recorder must be emptied to hold them."""
    held = 0.0
    for number, more in enumerate(gigabytes.tolist()):
        if held + more > holds_gb:
            yield number
            held = 0.0
        held += more


def _rate(sensor: Sensor, rates_hz: Array) -> Caution:
    most_hz = float(rates_hz.max())
    measured = float(raw_bytes_per_s(sensor, most_hz)) / MEGA
    single = float(raw_bytes_per_s(sensor, most_hz, 1)) / MEGA
    comes = f"The unit records up to {measured:.3g} MB/s{_cases(sensor, single, 'MB/s')}"
    if sensor.recorder_mb_per_s is None:
        text = f"{comes}; the card does not say how fast the recorder writes."
        return Caution("recorder rate", "cannot tell", text, measured, None, "MB/s")
    over = measured > sensor.recorder_mb_per_s
    text = f"{comes}; the recorder writes {sensor.recorder_mb_per_s:g} MB/s." + (
        " Over ground that gives many returns it may drop some: measure fewer returns, or at a lower pulse rate."
        if over
        else ""
    )
    return Caution("recorder rate", "over" if over else "within", text, measured, sensor.recorder_mb_per_s, "MB/s")


def _cases(sensor: Sensor, single: float, unit: str) -> str:
    """Return in words what is taken of each pulse, and what one return makes."""
    kept = sensor.returns_per_pulse
    return "" if kept == 1 else f" ({kept} returns of every pulse; {single:.3g} {unit} with one)"
