"""How much sunlight a receiver sees beside its own pulses, and how far that shortens its range.

Lives here: sunlight of a band by sun elevation, the noise it makes, and what of it a rated range already holds. Must
not know times, places or terrain: the sun's elevation is handed in.

Background does not fall with range: the ground that fills the field of view is as bright from any height.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from planner.equipment import RangeRating, Receiver
from planner.ground.sun import SolarSpectrum

Array = npt.NDArray[np.float64]

PLANCK_J_S, LIGHT_MPS, ELECTRON_C = 6.62607015e-34, 299_792_458.0, 1.602176634e-19  # exact: SI brochure, 2019

RATED_AIR_MASS = 1.5
"""Air mass of the bundled spectrum (ASTM G173-03): sun 48.19 deg from the zenith."""

_SUN_OFF_TILTED_DEG = 48.19 - 37.0  # of that sun from the normal of the tilted plane that faces it
_SUN_OFF_LEVEL_DEG = 48.19
_DARKEST = 1e-9  # W / (m2 nm): the heart of an absorption band; keeps its optical depth finite


def photon_energy_j(wavelength_nm: npt.ArrayLike) -> Array:
    """Return the energy of one photon [J]: h c / wavelength."""
    return np.asarray(PLANCK_J_S * LIGHT_MPS / (np.asarray(wavelength_nm, dtype=np.float64) * 1e-9))


def relative_air_mass(apparent_elevation_deg: npt.ArrayLike) -> Array:
    """Return how much more air sunlight crosses than from the zenith; nan below the horizon.

    1 / (sin h + 0.50572 (h + 6.07995)^-1.6364), h the refracted elevation [deg] (Kasten and Young 1989, Applied Optics
    28:4735-4738).
    """
    elevation = np.asarray(apparent_elevation_deg, dtype=np.float64)
    shown = np.where(elevation >= 0, elevation, np.nan)
    return np.asarray(1 / (np.sin(np.radians(shown)) + 0.50572 * (shown + 6.07995) ** -1.6364))


@dataclass(frozen=True)
class Band:
    """Sunlight that a filter lets through, per nanometre of its width.

    Attributes
    ----------
    share : ndarray, shape (n,)
        Weight of each wavelength in the mean of the band; they add up to 1.
    extraterrestrial, global_tilted, direct : ndarray, shape (n,)
        As in `SolarSpectrum`, at those wavelengths.
    """

    share: Array
    extraterrestrial: Array
    global_tilted: Array
    direct: Array

    @property
    def above_air_w_m2_nm(self) -> float:
        """Irradiance above the air."""
        return float(self.share @ self.extraterrestrial)

    @property
    def full_sun_w_m2_nm(self) -> float:
        """Irradiance of a surface that faces a high sun: the global column, 1000 W/m2 over the whole spectrum."""
        return float(self.share @ self.global_tilted)

    @cached_property
    def _depth(self) -> Array:
        """Optical depth of one air mass, by wavelength."""
        passed = np.maximum(self.direct, _DARKEST) / np.maximum(self.extraterrestrial, _DARKEST)
        return np.maximum(-np.log(passed) / RATED_AIR_MASS, 0.0)

    def direct_w_m2_nm(self, apparent_elevation_deg: npt.ArrayLike) -> Array:
        """Return the direct beam on a plane square to it, any shape of elevation [deg]; 0 below the horizon.

        Beer and Lambert at each wavelength, with the depth that the spectrum has at air mass 1.5.
        """
        passed = np.exp(-np.multiply.outer(relative_air_mass(apparent_elevation_deg), self._depth))
        return np.nan_to_num(passed @ (self.share * self.extraterrestrial))

    def level_w_m2_nm(self, apparent_elevation_deg: npt.ArrayLike) -> Array:
        """Return the irradiance of level ground, any shape of elevation [deg]; 0 below the horizon.

        Direct beam times sin(h), and light of the sky: what the spectrum has beyond its direct beam at air mass 1.5,
        scaled as the light that the air takes out of the beam, E0 sin(h) (1 - exp(-depth m)). Own model. Twilight is
        left out: at sunset the sky gives level ground less than a hundredth of noon.
        """
        elevation = np.asarray(apparent_elevation_deg, dtype=np.float64)
        sine = np.sin(np.radians(np.maximum(elevation, 0.0)))
        tilted, level = np.cos(np.radians([_SUN_OFF_TILTED_DEG, _SUN_OFF_LEVEL_DEG]))
        sky = np.maximum(self.global_tilted - self.direct * tilted, 0.0)
        taken = np.maximum(1 - np.exp(-self._depth * RATED_AIR_MASS), 1e-6)
        now = 1 - np.exp(-np.multiply.outer(relative_air_mass(elevation), self._depth))
        scattered = np.nan_to_num(now @ (self.share * sky / taken / level))
        return np.asarray(sine * (self.direct_w_m2_nm(elevation) + scattered))


def band_of(spectrum: SolarSpectrum, wavelength_nm: float, width_nm: float) -> Band:
    """Return the sunlight between `width_nm` / 2 below and above a wavelength [nm], taken as a straight-edged filter.

    The mean is that of straight lines between the table's wavelengths; ends beyond the table are cut off.
    """
    known = spectrum.wavelength_nm
    ends = np.clip([wavelength_nm - width_nm / 2, wavelength_nm + width_nm / 2], known[0], known[-1])
    within = known[(known > ends[0]) & (known < ends[1])]
    at = np.concatenate([ends[:1], within, ends[1:]])
    steps = np.diff(at)
    share = (np.append(steps, 0.0) + np.append(0.0, steps)) / 2
    share = share / share.sum() if share.sum() > 0 else np.array([0.5, 0.5])
    columns = (spectrum.extraterrestrial, spectrum.global_tilted, spectrum.direct)
    return Band(share, *(np.interp(at, known, column) for column in columns))


SILICON_ENDS_NM = 1100.0
"""Wavelength past which silicon sees no light, and receivers are of indium gallium arsenide."""

_VIEW_PER_BEAM = 1.5


def usual_receiver(wavelength_nm: float, divergence_mrad: float) -> Receiver:
    """Return the receiver taken where a card tells nothing of it; list it among the assumptions.

    An avalanche photodiode behind 40 mm that sees one and a half times the beam: silicon with a 20 nm filter up to
    1000 nm (laser diodes drift with temperature) and a 10 nm filter above, indium gallium arsenide from 1100 nm. Round
    numbers of common practice, no source.
    """
    silicon = wavelength_nm <= SILICON_ENDS_NM
    diode = wavelength_nm <= 1000
    return Receiver(
        aperture_m=0.04,
        field_of_view_mrad=_VIEW_PER_BEAM * divergence_mrad,
        filter_width_nm=20.0 if diode else 10.0,
        transmission=0.6,
        quantum_efficiency=0.8 if diode else 0.4 if silicon else 0.7,
        gain=100.0 if silicon else 10.0,
        ionization_ratio=0.02 if silicon else 0.4,
        dark_current_a=1e-10 if silicon else 1e-9,
        amplifier_noise_a_per_rthz=2e-12,
    )


def excess_noise(gain: float, ionization_ratio: float) -> float:
    """Return by how much an avalanche adds to shot noise: k M + (1 - k) (2 - 1 / M).

    McIntyre 1966, IEEE Transactions on Electron Devices 13:164-168.
    """
    return ionization_ratio * gain + (1 - ionization_ratio) * (2 - 1 / gain)


@dataclass(frozen=True)
class Background:
    """A receiver of one wavelength in sunlight.

    Attributes
    ----------
    receiver : Receiver
        What sees it.
    wavelength_nm : float
        Of the laser [nm].
    band : Band
        Sunlight within the receiver's filter.
    """

    receiver: Receiver
    wavelength_nm: float
    band: Band

    def power_w(self, irradiance_w_m2_nm: npt.ArrayLike, reflectance: npt.ArrayLike) -> Array:
        """Return the sunlight on the detector [W], arguments broadcast.

        E rho / pi  x  pi D^2 / 4  x  pi fov^2 / 4  x  filter width  x  transmission, for diffuse ground that fills
        the field of view (Kamerman 1993, The Infrared and Electro-Optical Systems Handbook vol. 6, from memory).

        Parameters
        ----------
        irradiance_w_m2_nm : array_like
            On the ground [W / (m2 nm)].
        reflectance : array_like
            Of the ground within view, 0-1.
        """
        unit = self.receiver
        radiance = np.asarray(irradiance_w_m2_nm, dtype=np.float64) * np.asarray(reflectance, dtype=np.float64) / np.pi
        opening_m2 = np.pi * unit.aperture_m**2 / 4
        view_sr = np.pi * (unit.field_of_view_mrad * 1e-3) ** 2 / 4
        return np.asarray(radiance * opening_m2 * view_sr * unit.filter_width_nm * unit.transmission)

    def photons_per_s(self, power_w: npt.ArrayLike) -> Array:
        """Return the photons a second of a power [W]."""
        return np.asarray(np.asarray(power_w, dtype=np.float64) / photon_energy_j(self.wavelength_nm))

    @property
    def responsivity_a_per_w(self) -> float:
        """Current per light before the gain: quantum efficiency x charge / photon energy."""
        return float(self.receiver.quantum_efficiency * ELECTRON_C / photon_energy_j(self.wavelength_nm))

    def _shot_a2_per_hz(self, current_a: npt.ArrayLike) -> Array:
        """Return the noise density after the gain of a current before it [A]: 2 q M^2 F I (McIntyre 1966)."""
        unit = self.receiver
        multiplied = unit.gain**2 * excess_noise(unit.gain, unit.ionization_ratio)
        return np.asarray(2 * ELECTRON_C * multiplied * np.asarray(current_a, dtype=np.float64))

    def sun_noise_a2_per_hz(self, power_w: npt.ArrayLike) -> Array:
        """Return the noise density of a background power [W]."""
        return self._shot_a2_per_hz(self.responsivity_a_per_w * np.asarray(power_w, dtype=np.float64))

    @property
    def own_noise_a2_per_hz(self) -> float:
        """Noise density of the receiver in the dark: detector and amplifier."""
        dark = self._shot_a2_per_hz(self.receiver.dark_current_a)
        return float(dark + self.receiver.amplifier_noise_a_per_rthz**2)

    def noise_ratio(self, irradiance_w_m2_nm: npt.ArrayLike, reflectance: npt.ArrayLike) -> Array:
        """Return the sun's noise to the receiver's own, as powers; arguments as of `power_w`."""
        return np.asarray(
            self.sun_noise_a2_per_hz(self.power_w(irradiance_w_m2_nm, reflectance)) / self.own_noise_a2_per_hz
        )

    def threshold_factor(
        self, rating: RangeRating, apparent_elevation_deg: npt.ArrayLike, reflectance: npt.ArrayLike
    ) -> Array:
        """Return by how much more light an echo needs than where its range was rated; arguments broadcast.

        sqrt((1 + s) / (1 + rated s)), s the sun's noise to the receiver's own: a threshold is set a number of
        standard deviations above the noise. A range rated by day holds full sun on a target of the rated reflectance
        that fills the view, so the sun is not counted twice; one rated by night holds none.

        Parameters
        ----------
        rating : RangeRating
            What the card states, and in which light.
        apparent_elevation_deg : array_like
            Of the sun now [deg]; below 0 is night.
        reflectance : array_like
            Of the ground around the target now, 0-1: a dim target amid bright ground fares worst.
        """
        rated_w_m2_nm = self.band.full_sun_w_m2_nm if rating.light == "day" else 0.0
        now = self.noise_ratio(self.band.level_w_m2_nm(apparent_elevation_deg), reflectance)
        return np.asarray(np.sqrt((1 + now) / (1 + self.noise_ratio(rated_w_m2_nm, rating.reflectance))))


def background_of(spectrum: SolarSpectrum, receiver: Receiver, wavelength_nm: float) -> Background:
    """Return a receiver of a wavelength [nm] in the sunlight of a spectrum."""
    return Background(receiver, wavelength_nm, band_of(spectrum, wavelength_nm, receiver.filter_width_nm))


def range_ratio(threshold_factor: npt.ArrayLike) -> Array:
    """Return the range to the range where an echo needs so many times less light, in clear air: factor^-1/2.

    In air it is the constant of `linkbudget.Reach`, `strength_m`, that takes this factor.
    """
    return np.asarray(np.asarray(threshold_factor, dtype=np.float64) ** -0.5)
