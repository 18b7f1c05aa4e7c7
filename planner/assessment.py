"""All there is to say about a job, as the writers of outputs receive it.

Lives here: the nouns plan, forecast and assessment. Must not know how any of it was found, nor files.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.articles import Articles
from planner.costing.costs import Costs
from planner.errors import Fault
from planner.flight.flightlines import FlightLine
from planner.flight.settings import Settings
from planner.flight.sorties import Sortie
from planner.flight.tradeoffs import Tradeoffs
from planner.forecast.acceptance import SIDELAP, Clause
from planner.forecast.accuracy import AccuracyFigures
from planner.forecast.budgets import CellErrors
from planner.forecast.calibration import Calibration
from planner.forecast.calibrationlines import Help
from planner.forecast.checkpoints import Layout
from planner.forecast.confidence import Confidence, Seen
from planner.forecast.density import CoverageFigures, DensityFigures
from planner.forecast.faces import FaceFigures
from planner.forecast.gaps import Gap
from planner.forecast.parts import CaseFigures, PartFigures
from planner.forecast.sure import Sure
from planner.forecast.volumes import ChangeForecast, VolumeForecast
from planner.ground.surface import CellGrid, Scene
from planner.mission import Mission
from planner.safety.cautions import Caution
from planner.safety.exposures import HazardDistances
from planner.safety.groundrisk import GroundRisk
from planner.safety.rules import RuleResult
from planner.safety.windowcautions import DayWindows


@dataclass(frozen=True)
class LineFigures:
    """What one line does, for people.

    Attributes
    ----------
    line_id : str
        Name of the line.
    heading_deg : float
        Direction flown, clockwise from true north [deg].
    length_m : float
        Geodesic length of the kept part [m].
    agl_min_m, agl_mean_m, agl_max_m : float
        Height above the ground beneath, over the whole line with lead-in and lead-out [m].
    swath_m : float
        Swath width at the mean height over flat ground [m]; 0 for a fixed beam.
    density_per_m2 : float
        Expected returns of this line over its swath, mean [1/m2].
    ceiling_over_m : float
        Most by which the line exceeds the ceiling above ground, 0 where it does not [m].
    unsafe : bool
        Whether it breaks the clearance, or flies below the hazard distance that the card states.
    """

    line_id: str
    heading_deg: float
    length_m: float
    agl_min_m: float
    agl_mean_m: float
    agl_max_m: float
    swath_m: float
    density_per_m2: float
    ceiling_over_m: float
    unsafe: bool = False


@dataclass(frozen=True)
class Plan:
    """Flight lines and what flying them takes.

    Attributes
    ----------
    lines : tuple of FlightLine
        In the order flown.
    settings : Settings or None
        Nominal settings; None for lines that somebody else drew.
    figures : tuple of LineFigures
        One entry a line, in the same order.
    flight : mapping
        Figures named as in summary.json: lines, line_length_m, turns, time_s, pulses, returns_expected, data_bytes,
        with sorties also sorties and batteries.
    sorties : tuple of Sortie
        Who flies the lines on which battery, and the whole path; none where no take-off place is given.
    path_faults : tuple of Fault
        Legs that come too near to anything, enter a keep-out area or leave the terrain.
    unflown : tuple of Fault
        Why batteries or wind do not allow lines that somebody drew.
    changes : tuple of str
        What was done to lines that met keep-out areas, each a sentence without its stop.
    nearest_eye_m : float
        Shortest distance in space from what is flown to an eye of whoever stands there, doubt taken off [m].
    """

    lines: tuple[FlightLine, ...]
    settings: Settings | None
    figures: tuple[LineFigures, ...]
    flight: Mapping[str, Any]
    sorties: tuple[Sortie, ...] = ()
    path_faults: tuple[Fault, ...] = ()
    unflown: tuple[Fault, ...] = ()
    changes: tuple[str, ...] = ()
    nearest_eye_m: float = float("nan")


@dataclass(frozen=True)
class Forecast:
    """What will come back, cell by cell.

    Attributes
    ----------
    cells : CellGrid
        The judging cells.
    judged : ndarray of bool, shape (rows, cols)
        Cells whose centre lies in the area of interest.
    density_per_m2 : ndarray, shape (rows, cols)
        Density as the requirement counts it [1/m2]; nan where the terrain is unknown.
    first_per_m2, ground_per_m2 : ndarray, shape (rows, cols)
        Density of first returns and of ground returns, passes pooled as the requirement asks [1/m2].
    passes : ndarray of uint8, shape (rows, cols)
        Lines that bring at least one return.
    cause : ndarray of uint8, shape (rows, cols)
        0 met, 1.. position in `CAUSES` + 1, 255 outside the area; by `sure` where that is asked for.
    gaps : tuple of Gap
        Largest first.
    density, faces, coverage
        The figures; no `faces` where nothing is steep.
    met : bool
        The verdict on the requirement.
    cases : tuple of CaseFigures
        As planned first, then the same flight in other air, light and wetness.
    by_class, by_feature : tuple of PartFigures
        Classes of surface, and named features of the site.
    pooled_first_per_m2, single_first_per_m2 : ndarray, shape (rows, cols)
        First returns of all legs, and of the one that brings most to the cell, whichever is judged [1/m2].
    seen : Seen
        From where each leg sees each judged cell.
    errors : CellErrors
        Errors of heights and places, cell by cell.
    accuracy : AccuracyFigures
        What they say about the requirement.
    sure : Sure or None
        What cells have with the confidence asked for, by which they are judged; None where none is asked for.
    """

    cells: CellGrid
    judged: npt.NDArray[np.bool_]
    density_per_m2: npt.NDArray[np.float64]
    first_per_m2: npt.NDArray[np.float64]
    ground_per_m2: npt.NDArray[np.float64]
    passes: npt.NDArray[np.uint8]
    cause: npt.NDArray[np.uint8]
    gaps: tuple[Gap, ...]
    density: DensityFigures
    faces: FaceFigures | None
    coverage: CoverageFigures
    met: bool
    cases: tuple[CaseFigures, ...]
    by_class: tuple[PartFigures, ...]
    by_feature: tuple[PartFigures, ...]
    pooled_first_per_m2: npt.NDArray[np.float64]
    single_first_per_m2: npt.NDArray[np.float64]
    seen: Seen
    errors: CellErrors
    accuracy: AccuracyFigures
    sure: Sure | None = None

    @property
    def vertical_rmse_m(self) -> npt.NDArray[np.float64]:
        """Vertical error of each cell from all passes, shape (rows, cols) [m]; nan without returns."""
        return self.errors.vertical_combined_m.reshape(self.judged.shape)


@dataclass(frozen=True)
class Pad:
    """What a volume over a named feature, and a change of its height, can be told to.

    Attributes
    ----------
    name : str
        The feature.
    volume, change
        Error of its volume, and the smallest change that two surveys like this one show.
    """

    name: str
    volume: VolumeForecast
    change: ChangeForecast


@dataclass(frozen=True)
class Quality:
    """What the forecast is worth when it comes to acceptance.

    Attributes
    ----------
    acceptance : tuple of Clause
        The compliance table.
    checkpoints : Layout
        Where the heights are to be tested, and what that can prove.
    calibration, helpful : Calibration or None, Help or None
        How well the lines determine boresight and range offset, and which line would help; None where no two lines
        see the same ground.
    pads : tuple of Pad
        Volumes and changes of the named features.
    confidence : Confidence or None
        How sure all this is; None where no draws are asked for, or a beam has no swath.
    """

    acceptance: tuple[Clause, ...]
    checkpoints: Layout
    calibration: Calibration | None
    helpful: Help | None
    pads: tuple[Pad, ...]
    confidence: Confidence | None


@dataclass(frozen=True)
class EyeFigures:
    """What is stated and computed for eyes at one pulse rate.

    Attributes
    ----------
    pulse_rate_hz, line_rate_hz, speed_mps : float
        Pulses and scan lines per second [Hz] and ground speed [m/s], the slowest flown.
    laser_class, stated_m : str, float or None
        Class and hazard distance [m] as the card states them.
    flown, stopped : HazardDistances or None
        Computed distances of the beam as flown, and of one that a failed scanner leaves at rest; None where the card
        states no energy.
    nearest_m : float
        Shortest distance in space from the flight to an eye [m].
    light_on_m : tuple of float or None
        Heights above take-off from which light may be on over people there, for naked and aided eyes [m].
    """

    pulse_rate_hz: float
    line_rate_hz: float
    speed_mps: float
    laser_class: str
    stated_m: float | None
    flown: HazardDistances | None
    stopped: HazardDistances | None
    nearest_m: float
    light_on_m: tuple[float, float] | None


@dataclass(frozen=True)
class Exposure:
    """Exposure of the eyes of whoever stands in a cell, by the stricter set of rules; arrays of shape (rows, cols).

    Attributes
    ----------
    cells : CellGrid
        The cells.
    nearest_m : ndarray
        Shortest distance from the way on which light may be on [m]; nan where none is known or it is far.
    naked, aided, stopped : ndarray
        How often exposure goes into its limit: of a naked eye and of one behind glasses as flown, and of a naked eye on
        which a failed scanner rests. Over 1 is too much.
    """

    cells: CellGrid
    nearest_m: npt.NDArray[np.float64]
    naked: npt.NDArray[np.float64]
    aided: npt.NDArray[np.float64]
    stopped: npt.NDArray[np.float64]


@dataclass(frozen=True)
class Safety:
    """What a flight may do to others, and when it may be flown; never a clearance.

    Attributes
    ----------
    cautions : tuple of Caution
        About eyes, rules, the ground and the hours, in the order to be read.
    eyes : tuple of EyeFigures
        One for each pulse rate flown.
    exposure : Exposure or None
        Cell by cell; None where no energy is known.
    rules : tuple of RuleResult
        How the flight stands to each rule of the mission's profile.
    risk : GroundRisk or None
        Where the aircraft may fall; None where nothing is flown.
    windows : DayWindows or None
        Of satellites and water; None where neither is asked for.
    """

    cautions: tuple[Caution, ...] = ()
    eyes: tuple[EyeFigures, ...] = ()
    exposure: Exposure | None = None
    rules: tuple[RuleResult, ...] = ()
    risk: GroundRisk | None = None
    windows: DayWindows | None = None


@dataclass(frozen=True)
class MendStep:
    """One thing that was done to a plan whose forecast fell short, or why nothing more is.

    Attributes
    ----------
    what, why : str
        What was done, and for what reason.
    lines_added : tuple of str
        Names of patch lines that came with it.
    below_before_m2, below_after_m2 : float
        Area below the requirement by the forecasts before and after it [m2].
    minutes_added : float
        What it adds to the time of the whole flight [min].
    """

    what: str
    why: str
    lines_added: tuple[str, ...]
    below_before_m2: float
    below_after_m2: float
    minutes_added: float


@dataclass(frozen=True)
class Assessment:
    """All there is to say about a job: what the writers of outputs receive.

    Attributes
    ----------
    mission, scene, plan, forecast
        The parts.
    cautions : tuple of Caution
        In the order to be read.
    assumptions : tuple of str
        What was taken for granted: defaults of the mission, and what the method leaves out.
    quality : Quality
        What the forecast is worth.
    unsafe : tuple of Fault
        Lines that break the clearance, a keep-out area or a hazard distance.
    safety : Safety
        What the flight may do to others.
    mending : tuple of MendStep
        How the plan was mended, in order; none where it met the requirement at once, or nobody asked.
    tradeoffs : Tradeoffs or None
        What the settings trade for what; None for lines that somebody drew, or where nobody asked.
    survey_articles : Articles or None
        How the plan stands to published rules of survey work; None where the mission names none.
    costs : Costs or None
        What the flight costs; None without rates.
    """

    mission: Mission
    scene: Scene
    plan: Plan
    forecast: Forecast
    quality: Quality
    cautions: tuple[Caution, ...]
    assumptions: tuple[str, ...]
    unsafe: tuple[Fault, ...] = ()
    safety: Safety = Safety()
    mending: tuple[MendStep, ...] = ()
    tradeoffs: Tradeoffs | None = None
    survey_articles: Articles | None = None
    costs: Costs | None = None

    @property
    def met(self) -> bool:
        """Whether the flight meets the requirement: what the forecast judges, and the sidelap of lines of ours."""
        return self.forecast.met and all(
            clause.status != "not met" for clause in self.quality.acceptance if clause.clause == SIDELAP
        )
