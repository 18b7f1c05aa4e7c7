"""What may lie on the ground: kinds of crowns, classes of surfaces, and where a mission says they are.

Lives here: plain nouns with their units and limits. Must not know the rest of a mission, files, or what light does.
"""

from dataclasses import field
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from planner.equipment import NotNegative, frozen

Season = Literal["leaf_on", "leaf_off"]
Kind = Literal["diffuse", "water", "glass", "metal"]
Mark = Literal["R", "R2", "M", "C", "common practice, no source", "given"]

AT_NM = (905.0, 1064.0, 1550.0)
"""Wavelengths at which a surface states its reflectance [nm]."""


BEHIND_GLASS = (0.2, 0.2, 0.2)
"""Reflectance of a usual room or hold behind glass, of no special colour: common practice, no source."""


def _thrice(value: Any) -> Any:
    """Return one number as three, as it holds at every wavelength, and a list as the tuple that strict checks want."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return (value,) * 3
    return tuple(value) if isinstance(value, list) else value


Shares = Annotated[tuple[float, float, float], BeforeValidator(_thrice)]


@frozen
class Canopy:
    """How much of the light a kind of crown lets through to the ground.

    Either foliage (an extinction coefficient and leaf area indices) or shares measured straight below.

    Attributes
    ----------
    k : float
        Extinction coefficient, 0.5 for leaves that face every way alike.
    lai_leaf_on, lai_leaf_off : float or None
        Leaf area index, plan area of leaves (or bare branches) over ground area.
    penetration_leaf_on, penetration_leaf_off : float or None
        Measured share of pulses that reach the ground straight below, 0-1.
    """

    k: Annotated[float, Field(gt=0, le=1)] = 0.5
    lai_leaf_on: Annotated[float, Field(ge=0, le=15)] | None = None
    lai_leaf_off: Annotated[float, Field(ge=0, le=15)] | None = None
    penetration_leaf_on: Annotated[float, Field(gt=0, le=1)] | None = None
    penetration_leaf_off: Annotated[float, Field(gt=0, le=1)] | None = None

    @model_validator(mode="after")
    def _one_way_to_say_it(self) -> Self:
        for season in ("leaf_on", "leaf_off"):
            if (getattr(self, f"lai_{season}") is None) == (getattr(self, f"penetration_{season}") is None):
                msg = f"give either lai_{season} or penetration_{season}, one of the two"
                raise ValueError(msg)
        return self


@frozen
class Surface:
    """A class of cover, as light meets it.

    Attributes
    ----------
    kind : {"diffuse", "water", "glass", "metal"}
        Matt; or matt light beside a mirror lobe: of waves, of a pane that light passes, of bright metal.
    reflectance, low, high : tuple of 3 float
        Matt part of the dry surface at 905, 1064 and 1550 nm, 0-1: typical, and what a tenth of such surfaces stay
        below and above; None where the spread is unknown. A single number holds at every wavelength.
    mirror : tuple of 3 float or None
        Metal: share of light in the mirror lobe. Water and glass follow from their index of refraction.
    transmittance : tuple of 3 float or None
        Glass: share of light that passes the whole pane once, straight through.
    behind : tuple of 3 float or None
        Glass: reflectance of what is seen through it; None takes `BEHIND_GLASS`.
    facet_variance : float or None
        Mean square slope of the facets that mirror, up to 0.3: needed for glass and metal. None leaves that of water
        to the wind.
    soaks : bool
        Whether water enters the surface and darkens it; leaves, paint, snow and ice shed it.
    wet_film_mm : float
        Water that light crosses on its way in when the surface is wet [mm].
    source, mark : str
        Where the reflectance comes from, and how well it is known: ``"R"`` read in the source, ``"R2"`` read in
        another that quotes it, ``"M"`` from memory, ``"C"`` computed, ``"given"`` by the user.
    """

    kind: Kind = "diffuse"
    reflectance: Shares
    low: Shares | None = None
    high: Shares | None = None
    mirror: Shares | None = None
    transmittance: Shares | None = None
    behind: Shares | None = None
    facet_variance: Annotated[float, Field(gt=0, le=0.3)] | None = None
    soaks: bool = True
    wet_film_mm: NotNegative = 0.2
    source: str = ""
    mark: Mark = "given"

    @model_validator(mode="after")
    def _shares(self) -> Self:
        for name in ("reflectance", "low", "high", "mirror", "transmittance", "behind"):
            for share in getattr(self, name) or ():
                if share > 1:
                    msg = (
                        f"E33 {name} {share:g} is above 1: it is a share, 0-1\n"
                        f"a percentage is divided by 100: {share:g} % is {share / 100:g}"
                    )
                    raise ValueError(msg)
                if not share >= 0:
                    msg = f"E33 {name} {share:g} is not a share, 0-1\ngive a number from 0 to 1"
                    raise ValueError(msg)
        return self

    @model_validator(mode="after")
    def _spread_holds_the_value(self) -> Self:
        low, high = self.low or self.reflectance, self.high or self.reflectance
        for at_nm, least, typical, most in zip(AT_NM, low, self.reflectance, high, strict=True):
            if not least <= typical <= most:
                msg = f"reflectance {typical:g} at {at_nm:g} nm lies outside low {least:g} to high {most:g}"
                raise ValueError(msg)
        return self

    @model_validator(mode="after")
    def _kind_is_whole(self) -> Self:
        needs = {"glass": ("transmittance", "facet_variance"), "metal": ("mirror", "facet_variance")}
        may = {"water": ("facet_variance",), "glass": ("behind",)}
        for name in ("mirror", "transmittance", "behind", "facet_variance"):
            given, needed = getattr(self, name) is not None, name in needs.get(self.kind, ())
            if needed and not given:
                raise ValueError(f"kind {self.kind} needs {name}")
            if given and not needed and name not in may.get(self.kind, ()):
                raise ValueError(f"{name} is none of kind {self.kind}\nleave it out, or change the kind")
        return self


FROST = "frost"
HOAR_FROST = Surface(
    reflectance=(0.55, 0.50, 0.12),
    low=(0.30, 0.28, 0.05),
    high=(0.85, 0.78, 0.17),
    soaks=False,
    mark="common practice, no source",
)
"""The class of that name: rime of a few millimetres, through which the ground still shows; it may lie on any other."""


@frozen
class Cover:
    """What lies on the ground, and where.

    Where several say it, polygons win over the class raster, and a reflectance raster over both.

    Attributes
    ----------
    polygons, raster, reflectance : str or None
        Vector file of cover polygons; raster of class codes; raster of reflectance 0-1 at the sensor's wavelength.
        Vectors relative to the mission file, rasters too, or by URL.
    class_field : str
        Field of the polygons that names the class.
    classes : mapping of str to str
        Class of each code of the raster, the code written as a whole number.
    default : str or None
        Class where nothing else says; None leaves the rated reflectance of the sensor, and takes what stands there
        for opaque.
    season : {"leaf_on", "leaf_off"}
        Whether broad leaves are out.
    canopy : mapping of str to Canopy
        Classes of crowns of the user's own, beside the bundled ones.
    surfaces : mapping of str to Surface
        Classes of surfaces of the user's own, beside the bundled ones.
    """

    polygons: str | None = None
    raster: str | None = None
    reflectance: str | None = None
    class_field: str = "cover"
    classes: dict[str, str] = field(default_factory=dict)
    default: str | None = None
    season: Season = "leaf_on"
    canopy: dict[str, Canopy] = field(default_factory=dict)
    surfaces: dict[str, Surface] = field(default_factory=dict)

    @property
    def frost(self) -> Surface:
        """What hoar frost is taken for: the class of that name, the user's own before the bundled one."""
        return self.surfaces.get(FROST, HOAR_FROST)

    @model_validator(mode="after")
    def _raster_has_its_lookup(self) -> Self:
        if self.raster is not None and not self.classes:
            msg = "E18 raster without classes: nothing says what its codes mean\n"
            msg += 'add [cover.classes], one line a code, such as 1 = "grass_green"'
            raise ValueError(msg)
        if self.classes and self.raster is None:
            msg = "classes without raster: no file holds these codes\nname the raster, or leave out [cover.classes]"
            raise ValueError(msg)
        for code in self.classes:
            if not code.removeprefix("-").isdecimal():
                msg = f'E18 classes has "{code}", no whole number\nwrite each code as in the raster, such as 12'
                raise ValueError(msg)
        return self
