"""How sure a volume will be, and what change of height two surveys can show.

Lives here: errors of heights added up over an area by what they share, levels of detection.
Must not know how lines were planned, or where the errors of a height come from.

A volume is a sum of heights. What all heights share grows with the area, what a pass shares grows with the part of the
area that it measures, and what is new with each return averages out.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.ranging.looks import Faces, Looks

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Whole = npt.NDArray[np.int64]

TO_95 = 1.96
"""Standard deviations either way that hold 95 % of normally distributed errors."""


@dataclass(frozen=True)
class PadErrors:
    """The errors of the heights of an area, cell by cell, and within a cell pass by pass.

    A cell's height is the mean of its returns.

    Attributes
    ----------
    cell, leg : ndarray of int64, shape (n,)
        Which cell of the area, counted from 0, each pass measures, and from which leg; a leg that sees a cell twice
        has two entries.
    returns : ndarray, shape (n,)
        Returns that it brings to the cell.
    pass_sd_m, pulse_sd_m : ndarray, shape (n,)
        Vertical standard deviations: of what all returns of the pass share, and of what is new with each [m].
    common_sd_m : ndarray, shape (cells,)
        Vertical standard deviation of what all passes share [m].
    slope : ndarray, shape (cells,)
        Rise per metre along the steepest way.
    cell_m : float
        Side of the cells [m].
    roughness_sd_m : float
        Standard deviation of the surface about each cell's plane [m].
    """

    cell: Whole
    leg: Whole
    returns: Array
    pass_sd_m: Array
    pulse_sd_m: Array
    common_sd_m: Array
    slope: Array
    cell_m: float
    roughness_sd_m: float = 0.0


@dataclass(frozen=True)
class VolumeForecast:
    """How far a volume over an area may be off.

    Attributes
    ----------
    definition : str
        What is included, in words.
    area_m2, unmeasured_m2 : float
        Plan area of the cells that are measured, and of those that no return reaches, which are left out [m2].
    sd_m3, error_95_m3 : float
        Standard deviation of the volume, and what it is off by at most with a chance of 95 % [m3].
    common_m3, pass_m3, pulse_m3, sampling_m3 : float
        Standard deviations of its parts: shared by all passes, by each pass, new with each return, and from where the
        returns happen to fall on slopes and rough ground [m3].
    base_m3 : float
        Standard deviation of the part of the surface beneath; 0 where its error is not known [m3].
    mean_sd_m : float
        Standard deviation of the mean height of the area, the surface beneath not included [m].
    cell_sd_m : ndarray, shape (cells,)
        That of the height of each cell; nan where nothing returns [m].
    """

    definition: str
    area_m2: float
    unmeasured_m2: float
    sd_m3: float
    error_95_m3: float
    common_m3: float
    pass_m3: float
    pulse_m3: float
    sampling_m3: float
    base_m3: float
    mean_sd_m: float
    cell_sd_m: Array


@dataclass(frozen=True)
class ChangeForecast:
    """The smallest change that two surveys can show with a confidence of 95 %.

    Attributes
    ----------
    definition : str
        What is compared, in words.
    cell_m : ndarray, shape (cells,)
        Change of height of single cells; nan where one of the surveys has none [m].
    median_cell_m, p95_cell_m : float
        The middle and the 95th percentile of these; nan where there is none [m].
    mean_m : float
        Change of the mean height of the area [m].
    volume_m3 : float
        The same as a volume [m3].
    """

    definition: str
    cell_m: Array
    median_cell_m: float
    p95_cell_m: float
    mean_m: float
    volume_m3: float


def pad_errors(
    looks: Looks,
    faces: Faces,
    inside: Mask,
    sds_m: tuple[Array, Array, Array],
    cell_m: float,
    roughness_sd_m: float = 0.0,
) -> PadErrors:
    """Return the errors of the heights of an area within a flight.

    Parameters
    ----------
    looks, faces
        The flight, and the faces of all its cells.
    inside : ndarray of bool, shape (cells,)
        Cells of the area, among all.
    sds_m : tuple of ndarray, shapes (cells,), (n,), (n,)
        Vertical standard deviations: common to all passes, of each cell; shared by a pass, and new with each return, of
        each look [m].
    cell_m, roughness_sd_m : float
        Side of the cells, and standard deviation of the surface about each cell's plane [m].
    """
    common, of_pass, of_pulse = sds_m
    cell = looks.cell
    kept = inside[cell] & (looks.returns > 0)
    return PadErrors(
        cell=(np.cumsum(inside) - 1)[cell[kept]],
        leg=looks.leg[kept].astype(np.int64),
        returns=looks.returns[kept].astype(np.float64),
        pass_sd_m=of_pass[kept],
        pulse_sd_m=of_pulse[kept],
        common_sd_m=common[inside],
        slope=np.hypot(*faces.slopes[inside].T),
        cell_m=cell_m,
        roughness_sd_m=roughness_sd_m,
    )


def volume_error(errors: PadErrors, base_sd_m: float | None = None) -> VolumeForecast:
    """Return how far the volume over an area may be off.

    With A the area of a cell, h = sum of w z the mean of its returns (w the share of a pass in them): what is common
    adds up linearly, A sum(s); what a leg shares adds up linearly within the leg and in quadrature over legs; the rest
    adds up in quadrature over returns. The two limits are A n s and A sqrt(n) s for n cells alike (Anderson 2019, Earth
    Surf. Process. Landforms 44, 1015-1033, eq. 11 for the latter).

    The mean of n returns that fall anywhere in a square of side c on a slope g is off by g c / sqrt(12 n): the spread
    of an even distribution. Lines spread returns more evenly, and triangles through them take the slope out, so that
    this is an upper figure.

    Parameters
    ----------
    errors : PadErrors
        The errors of heights.
    base_sd_m : float or None
        Standard deviation of the height of the surface beneath, shared by all of it [m]; None where it is not known.
    """
    cells, cell_m2 = len(errors.common_sd_m), errors.cell_m**2
    total = np.bincount(errors.cell, errors.returns, minlength=cells)
    measured = total > 0
    count = np.where(measured, total, 1.0)
    share = errors.returns / count[errors.cell]
    of_pass = share * errors.pass_sd_m
    of_pulse = np.bincount(errors.cell, errors.returns * errors.pulse_sd_m**2, minlength=cells) / count**2
    of_sampling = ((errors.slope * errors.cell_m) ** 2 / 12 + errors.roughness_sd_m**2) / count
    common = np.where(measured, errors.common_sd_m, 0.0)
    parts = cell_m2 * np.array(
        [
            common.sum(),
            np.linalg.norm(np.bincount(errors.leg, of_pass)),
            np.sqrt(of_pulse[measured].sum()),
            np.sqrt(of_sampling[measured].sum()),
        ]
    )
    area = float(np.count_nonzero(measured) * cell_m2)
    base = area * (base_sd_m or 0.0)
    alone = float(np.linalg.norm(parts))
    variances = common**2 + _pass_variances(errors, of_pass) + of_pulse + of_sampling
    return VolumeForecast(
        definition=_volume_definition(base_sd_m),
        area_m2=area,
        unmeasured_m2=cells * cell_m2 - area,
        sd_m3=float(np.hypot(alone, base)),
        error_95_m3=TO_95 * float(np.hypot(alone, base)),
        common_m3=float(parts[0]),
        pass_m3=float(parts[1]),
        pulse_m3=float(parts[2]),
        sampling_m3=float(parts[3]),
        base_m3=base,
        mean_sd_m=alone / area if area else float("nan"),
        cell_sd_m=np.where(measured, np.sqrt(variances), np.nan),
    )


def level_of_detection_m(first_sd_m: npt.ArrayLike, second_sd_m: npt.ArrayLike) -> Array:
    """Return the smallest change of height that differs from none at 95 %: 1.96 sqrt(s1^2 + s2^2) [m].

    Brasington, Langham and Rumsby 2003, Geomorphology 53, 306-314; Lane, Westaway and Hicks 2003, Earth Surf. Process.
    Landforms 28, 250-256.

    Parameters
    ----------
    first_sd_m, second_sd_m : array_like
        Standard deviations of height in both surveys, of shapes that broadcast [m].
    """
    return np.asarray(TO_95 * np.hypot(first_sd_m, second_sd_m), dtype=np.float64)


def smallest_change(this: VolumeForecast, earlier_sd_m: float | None = None) -> ChangeForecast:
    """Return the smallest change over an area that two surveys can show.

    Parameters
    ----------
    this : VolumeForecast
        The survey that is forecast.
    earlier_sd_m : float or None
        Standard deviation of the heights of an earlier survey, shared by all of them [m]; None: two surveys like this
        one, independent of each other.
    """
    other_cells, other_mean = (this.cell_sd_m, this.mean_sd_m) if earlier_sd_m is None else (earlier_sd_m,) * 2
    cells = level_of_detection_m(this.cell_sd_m, other_cells)
    mean = float(level_of_detection_m(this.mean_sd_m, other_mean))
    known = cells[np.isfinite(cells)]
    median, p95 = np.percentile(known, [50, 95]) if known.size else (np.nan, np.nan)
    other = (
        "two surveys flown like this one, taken as independent; what both share, such as one calibration, cancels and "
        "lets smaller changes show"
        if earlier_sd_m is None
        else f"this survey and an earlier one of {earlier_sd_m:g} m standard deviation, the same all over"
    )
    return ChangeForecast(
        definition=(
            "smallest change that differs from none at 95 %: 1.96 times the root of the summed variances of both "
            f"surveys; {other}"
        ),
        cell_m=cells,
        median_cell_m=float(median),
        p95_cell_m=float(p95),
        mean_m=mean,
        volume_m3=mean * this.area_m2,
    )


def _pass_variances(errors: PadErrors, of_pass: Array) -> Array:
    """Return the variance of each cell from what passes share, shape (cells,): linear within a leg [m2]."""
    legs = int(errors.leg.max(initial=0)) + 1
    pairs, entry = np.unique(errors.cell * legs + errors.leg, return_inverse=True)
    by_leg = np.bincount(entry, of_pass, minlength=len(pairs))
    return np.asarray(np.bincount(pairs // legs, by_leg**2, minlength=len(errors.common_sd_m)), dtype=np.float64)


def _volume_definition(base_sd_m: float | None) -> str:
    """Return what a volume's error includes."""
    base = (
        "the error of the surface beneath is not known and not included"
        if base_sd_m is None
        else f"the surface beneath, with {base_sd_m:g} m standard deviation all over, is included"
    )
    return (
        "error of the volume between the surface and what lies beneath, 95 % within 1.96 standard deviations; heights "
        "are means of the returns in a cell; what all passes share is taken to lift all cells alike, what a leg shares "
        "all of its cells, which is the worst case, the rest averages over returns; cells without returns are left "
        f"out; {base}"
    )
