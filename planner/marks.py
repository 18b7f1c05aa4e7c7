"""In which frame, and as of when, base station and checkpoints are known: checked once on construction.

Lives here: plain noun of the marks' frame and epoch, and the names of frames. Must not know sites, missions or files.
"""

from collections.abc import Mapping
from difflib import get_close_matches
from functools import cache
from typing import Annotated, Self

from pydantic import AfterValidator, Field, model_validator
from pyproj.database import query_crs_info
from pyproj.enums import PJType

from planner.equipment import frozen

_KINDS = (PJType.GEOGRAPHIC_2D_CRS, PJType.GEOGRAPHIC_3D_CRS, PJType.GEOCENTRIC_CRS)  # the last is what is taken


@cache
def frame_codes() -> Mapping[str, int]:
    """Return the EPSG code of each frame by its name: of the geocentric system where there is one."""
    ranked = sorted(query_crs_info(auth_name="EPSG", pj_types=list(_KINDS)), key=lambda one: _KINDS.index(one.type))
    return {one.name: int(one.code) for one in ranked}


def _known(name: str) -> str:
    """Return the name of a frame as the EPSG registry writes it."""
    plain = {_plain(each): each for each in frame_codes()}
    if _plain(name) in plain:
        return plain[_plain(name)]
    near = get_close_matches(_plain(name), plain, n=3, cutoff=0.5)
    names = " or ".join(plain[each] for each in near)
    meant = f"did you mean {names}?" if near else "ITRF2014 and ETRF2000 are such names"
    raise ValueError(f'"{name}" is no geodetic frame of the EPSG registry\n{meant}')


def _plain(name: str) -> str:
    return "".join(letter for letter in name.lower() if letter not in " _-")


@frozen
class Marks:
    """Frame and epoch of the marks that base station and checkpoints stand on.

    Attributes
    ----------
    frame : str or None
        Name of a geodetic frame in the EPSG registry, for example ``"ETRF2000"``; None where it is not known.
    epoch : float or None
        When the coordinates held, in years [decimal year]; None where it is not known, or the frame moves with its
        plate.
    """

    frame: Annotated[str, AfterValidator(_known)] | None = None
    epoch: Annotated[float, Field(ge=1980, le=2100)] | None = None

    @model_validator(mode="after")
    def _epoch_has_a_frame(self) -> Self:
        if self.epoch is not None and self.frame is None:
            raise ValueError(f"epoch {self.epoch:g} of no frame\nname the frame as well, or leave the epoch out")
        return self
