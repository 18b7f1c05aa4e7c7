"""Flight lines: where the aircraft flies straight and keeps its data.

Lives here: the line itself and its layout over an area. Must not know the forecast.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class FlightLine:
    """One straight leg with its lead-in and lead-out.

    Attributes
    ----------
    line_id : str
        Name of the line, unique in a plan, for example ``"L01"``.
    points_m : ndarray, shape (k, 3)
        East, north, up in the order flown, lead-in and lead-out included; local frame, scene heights [m].
    kept_m : (float, float)
        Horizontal distance along `points_m` at which data begin and cease to be kept [m].
    speed_mps : float
        Horizontal ground speed [m/s].
    pulse_rate_hz, line_rate_hz : float
        Pulses and scan lines per second [Hz]; `line_rate_hz` is 0 for a fixed beam.
    usable_half_angle_rad : float
        Largest accepted angle from the middle of the scan [rad].
    """

    line_id: str
    points_m: Array
    kept_m: tuple[float, float]
    speed_mps: float
    pulse_rate_hz: float
    line_rate_hz: float
    usable_half_angle_rad: float

    def along_m(self) -> Array:
        """Return the horizontal distance of each point from the first [m], shape (k,)."""
        steps = np.hypot(*np.diff(self.points_m[:, :2], axis=0).T)
        return np.concatenate([[0.0], np.cumsum(steps)])

    def kept_points_m(self) -> Array:
        """Return the kept part as east, north, up [m], shape (j, 3), its ends interpolated."""
        along = self.along_m()
        start, end = self.kept_m
        stations = np.concatenate([[start], along[(along > start) & (along < end)], [end]])
        return np.column_stack([np.interp(stations, along, self.points_m[:, axis]) for axis in range(3)])

    @property
    def kept_length_m(self) -> float:
        """Horizontal length of the kept part [m]."""
        return self.kept_m[1] - self.kept_m[0]

    @property
    def track_rad(self) -> float:
        """Direction flown from first to last point, clockwise from grid north [rad]."""
        east, north = self.points_m[-1, :2] - self.points_m[0, :2]
        return float(np.arctan2(east, north))
