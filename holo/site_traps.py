"""Traps of a mask's sites: from the power on the panel to depth, frequencies and scattering at each site.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from holo.errors import InputError
from holo.field.curvature import Curvature, light_curvature
from holo.field.path import LightPath, light_path
from holo.field.vector import focus_weights
from holo.mask import phase_of_levels
from holo.polarizability import polarizability_doubts
from holo.predict import Prediction, predict
from holo.trap import AtomInLight, Traps, check_power, curvature_frequencies_hz, gaussian_frequencies_hz, held_against_gravity, sag_m

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from holo.bench import Bench
    from holo.registration import Sites

STRONG_LENS = 0.5
"""Numerical aperture from which frequencies by the scalar model are several per cent off."""

OFF_PEAK = 0.25
"""Distance of a site from its brightest place, over the Airy radius, that is told."""


@dataclass(frozen=True)
class Step:
    """One step of the power on its way to the sites: what it is, what share of the power passes, and how much is left after it."""

    step: str
    share: float
    power_mw: float


@dataclass(frozen=True, eq=False)
class SiteTraps:
    """Traps on the n bright sites of a mask.

    Attributes
    ----------
    light : AtomInLight
    polarisation : str
        Of the light on the panel, for the vector model; scalar for the other.
    power_mw : float
        On the panel.
    ij : ndarray of float, shape (n, 2)
    xyz_um : ndarray of float, shape (n, 3)
    target : ndarray of float, shape (n,)
    intensity_w_m2 : ndarray of float, shape (n,)
        At the sites.
    traps : Traps
        Of arrays of shape (n,).
    curvature : Curvature
        Of the predicted light about the sites.
    frequencies_hz : ndarray of float, shape (n, 3)
        Along x, y and z, from the curvature of the predicted light; NaN where it does not hold the atom.
    gaussian_hz : ndarray of float, shape (n, 2)
        Across and along, by the formula for a Gaussian beam of `waist_um` and the same depths.
    waist_um : float
        1/e^2 radius of the Gaussian that comes nearest to a spot, twice `Bench.spot_width_um`.
    budget : tuple of Step
    """

    light: AtomInLight
    polarisation: str
    power_mw: float
    ij: NDArray[np.float64]
    xyz_um: NDArray[np.float64]
    target: NDArray[np.float64]
    intensity_w_m2: NDArray[np.float64]
    traps: Traps
    curvature: Curvature
    frequencies_hz: NDArray[np.float64]
    gaussian_hz: NDArray[np.float64]
    waist_um: float
    budget: tuple[Step, ...]

    def summary(self) -> dict[str, Any]:
        """All single figures, JSON-compatible: means over the sites unless the name says otherwise.

        Returns
        -------
        dict
            Units stand at the ends of the names.
        """
        depth, relative = self.traps.depth_uk, self.traps.depth_uk / self.target
        frequencies = 1e-3 * _means(self.frequencies_hz)
        return {
            **self.traps.mean(),
            "depth_error_uk": float(np.abs(depth.mean()) * self.light.error_au / abs(self.light.seen_au)),
            "depth_lowest_uk": float(depth.min()),
            "depth_highest_uk": float(depth.max()),
            "depth_spread": float(relative.std() / abs(relative.mean())),
            **dict(zip(("frequency_x_khz", "frequency_y_khz", "frequency_z_khz"), frequencies.tolist(), strict=True)),
            "gaussian_across_khz": 1e-3 * float(self.gaussian_hz[:, 0].mean()),
            "gaussian_along_khz": 1e-3 * float(self.gaussian_hz[:, 1].mean()),
            "gaussian_waist_um": self.waist_um,
            **dict(zip(("sag_x_nm", "sag_y_nm", "sag_z_nm"), (1e9 * sag_m(1e3 * frequencies)).tolist(), strict=True)),
            "intensity_w_cm2": 1e-4 * float(self.intensity_w_m2.mean()),
        }

    def rows(self) -> list[dict[str, float]]:
        """Site by site: place, depth, frequencies, scattering.

        Returns
        -------
        list of dict of str to float
            Units stand at the ends of the names; all rows have the same keys.
        """
        names = (
            *("i", "j", "x_um", "y_um", "z_um", "target", "depth_uk", "frequency_x_khz", "frequency_y_khz", "frequency_z_khz"),
            *("scattering_per_s", "heating_uk_per_s", "peak_x_um", "peak_y_um", "peak_z_um"),
        )
        light = (self.traps.scattering_per_s, self.traps.heating_uk_per_s, self.curvature.peak_um)
        columns = (self.ij, self.xyz_um, self.target, self.traps.depth_uk, 1e-3 * self.frequencies_hz, *light)
        return [dict(zip(names, row, strict=True)) for row in np.column_stack(columns).tolist()]


def at_power(bench: Bench, power_mw: float | None) -> Bench:
    """A bench with another power on the panel; the same bench for None.

    Parameters
    ----------
    bench : Bench
    power_mw : float or None
        On the panel.

    Returns
    -------
    Bench

    Raises
    ------
    InputError
        If it cannot be a power.

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> at_power(parse_bench(demo_bench_text(), "bench.toml"), 50.0).light.power_mw
    50.0
    """
    if power_mw is None:
        return bench
    return replace(bench, light=replace(bench.light, power_mw=check_power(power_mw)))


def site_traps(bench: Bench, levels: NDArray[np.integer[Any]], sites: Sites, light: AtomInLight, polarisation: str = "scalar") -> SiteTraps:
    """Work out the traps that the levels of a mask make.

    Parameters
    ----------
    bench : Bench
    levels : ndarray of int, shape (rows, columns)
        As the panel shows them.
    sites : Sites
        At least one of them bright.
    light : AtomInLight
        The atom in light of the bench's wavelength.
    polarisation : str
        Of the light on the panel (`holo.field.vector.transverse`), for intensity and curvature by the vector model; scalar for none.

    Returns
    -------
    SiteTraps
        Site by site; intensities in W/m^2, frequencies in Hz.

    Raises
    ------
    InputError
        If the wavelengths differ, or as `holo.predict.predict`.

    Notes
    -----
    The intensity follows from `peak_intensity_w_m2`, the frequencies from the exact second derivatives of the predicted light at the
    sites (`holo.field.curvature`). In vacuum. The vector model adds the intensities of the three components of the field, which is right
    for the scalar polarizability. The budget is that of the scalar model.
    """
    if light.wavelength_nm != bench.light.wavelength_nm:
        raise InputError(f"wavelength_nm: found {light.wavelength_nm:g}; allowed: {bench.light.wavelength_nm:g}, the bench's")
    path = light_path(bench)
    found = predict(bench, levels, sites, path)
    bright = sites.bright
    curvature = light_curvature(path, phase_of_levels(levels, bench.panel), sites.xyz_um[bright], focus_weights(bench, polarisation))
    intensity = peak_intensity_w_m2(bench, path) * curvature.intensity
    depth, waist = light.depth_hz(intensity), 2 * bench.spot_width_um
    mass = light.species.mass_kg
    own = 1e12 * np.diagonal(curvature.curvature_per_um2, axis1=1, axis2=2)
    index = bench.optics.medium_index
    gaussian = gaussian_frequencies_hz(np.maximum(depth, 0), mass, 1e-6 * waist, 1e-6 * bench.wavelength_um, index)
    return SiteTraps(
        light=light,
        polarisation=polarisation,
        power_mw=bench.light.power_mw,
        ij=sites.ij[bright],
        xyz_um=sites.xyz_um[bright],
        target=sites.target[bright],
        intensity_w_m2=intensity,
        traps=light.trap(intensity),
        curvature=curvature,
        frequencies_hz=curvature_frequencies_hz(depth, mass, own),
        gaussian_hz=np.column_stack(gaussian),
        waist_um=waist,
        budget=power_budget(bench, path, found),
    )


def peak_intensity_w_m2(bench: Bench, path: LightPath) -> float:
    """Peak intensity of an unsplit, perfect focus on the axis: what a relative intensity of 1 stands for.

    Parameters
    ----------
    bench : Bench
    path : LightPath
        Of `bench`.

    Returns
    -------
    float
        W/m^2.

    Notes
    -----
    ``P T F^2 (p / (lambda f))^2 (sum A)^2 / sum A^2``: Parseval's theorem for the panel as in `holo.predict.predict`, with the pitch p, the
    fill factor F, the second sum over the whole panel, and T the product of the bench's ``optics.transmission``. For a Gaussian
    beam that nothing cuts it is ``2 P / (pi w0^2)`` with ``w0 = lambda f / (pi w)``.

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> print(f"{peak_intensity_w_m2(bench, light_path(bench)):.3e}")
    3.749e+11
    """
    share = math.prod(share for _, share in bench.optics.transmission)
    panel_power = float((path.amplitude**2).sum()) / path.pupil_share
    density = (bench.panel.fill_factor * bench.panel.pitch_um * path.scale / (2 * np.pi) * path.amplitude_sum) ** 2 / panel_power
    return float(1e9 * bench.light.power_mw * share * density)


def power_budget(bench: Bench, path: LightPath, found: Prediction) -> tuple[Step, ...]:
    """Follow the power from the laser to the sites, every loss by its name.

    Parameters
    ----------
    bench : Bench
    path : LightPath
    found : Prediction
        Of the mask.

    Returns
    -------
    tuple of Step
        The last is the power within the Airy radii of all bright sites.

    Notes
    -----
    Dark gaps between the pixels take a share 1 - F of the light by absorption and the same share of the rest by diffraction into the
    orders of the pixel grid (`holo.predict.predict`). The mask's share is the sum of the relative intensities without the pixel envelope,
    the envelope's that with it over that without. What is left of `Prediction.power_fraction` is the share of a spot within its
    Airy radius.
    """
    bright = found.sites.bright
    intensity, envelope = found.intensity[bright], path.envelope(found.sites.xyz_um[bright]) ** 2
    mask = float((intensity / envelope).sum())
    fill = bench.panel.fill_factor
    known = fill**2 * path.pupil_share * found.figures.efficiency
    shares = [
        ("gaps between the pixels, absorbed", fill),
        ("orders of the pixel grid", fill),
        ("pupil", path.pupil_share),
        ("mask: light on other places", mask),
        ("pixel envelope at the sites", found.figures.efficiency / mask),
        ("rings beyond the Airy radius", found.power_fraction / known),
        *bench.optics.transmission,
    ]
    steps = [Step("laser", 1.0, bench.light.laser_mw)] if bench.light.transmission else []
    for name, share in bench.light.transmission:
        steps.append(Step(name, share, steps[-1].power_mw * share))
    steps.append(Step("on the panel", 1.0, bench.light.power_mw))
    for name, share in shares:
        steps.append(Step(name, share, steps[-1].power_mw * share))
    return tuple(steps)


def trap_warnings(bench: Bench, traps: SiteTraps) -> list[str]:
    """Say what a user should know about the traps of a mask.

    Parameters
    ----------
    bench : Bench
    traps : SiteTraps
        As `site_traps` gives them.

    Returns
    -------
    list of str
        One sentence or two each.
    """
    found = polarizability_doubts(traps.light.species, traps.light.wavelength_nm, traps.light.scalar_au, traps.light.error_au)
    found += _model_warnings(bench, traps.polarisation)
    loose = np.asarray(~np.isfinite(traps.frequencies_hz).all(axis=1))
    if traps.light.seen_au < 0:
        found.append(
            f"light of {traps.light.wavelength_nm:g} nm repels {traps.light.species.name} (its polarizability is"
            f" {traps.light.seen_au:.4g} a.u.): bright sites are hills and hold nothing"
        )
        return found
    if loose.any():
        x, y = traps.xyz_um[int(np.argmax(loose)), :2]
        found.append(
            f"{loose.sum()} of {len(loose)} bright sites (the first at ({x:.4g}, {y:.4g}) um) have no trap of their own: the light does not"
            " fall off to all sides, because neighbours overlap or the spot is elsewhere; their frequencies are left out"
        )
    away = np.hypot(*traps.curvature.peak_um[~loose, :2].T)
    if (away > OFF_PEAK * bench.airy_radius_um).any():
        found.append(
            f"the brightest place lies up to about {np.nanmax(away):.2g} um beside its site: depth and frequencies are those at"
            " the sites; the light moved, or the sites did (holo predict, holo track)"
        )
    lost = ~held_against_gravity(1e6 * traps.traps.depth_mhz, traps.light.species.mass_kg, 1e-6 * traps.waist_um)
    if lost.any():
        found.append(f"{lost.sum()} of {len(lost)} traps are too shallow to hold the atom against gravity across the beam: more power")
    return found


def _model_warnings(bench: Bench, polarisation: str) -> list[str]:
    """What the model leaves out on a bench."""
    found = []
    if not bench.optics.transmission:
        found.append(
            "the bench gives no optics.transmission: reflection of the panel, relay, objective and window are taken as lossless, so"
            " real traps are shallower"
        )
    if bench.optics.numerical_aperture > STRONG_LENS and polarisation == "scalar":
        found.append(
            f"at a numerical aperture of {bench.optics.numerical_aperture:g} a spot is longer along a linear polarisation, which the scalar"
            " model leaves out: give the polarisation on the panel"
        )
    if bench.optics.medium_index != 1:
        found.append(f"the medium has index {bench.optics.medium_index:g}: depths are told for vacuum, with the field's intensity as there")
    return found


def power_warnings(bench: Bench, power_mw: float) -> list[str]:
    """Say if a power would exceed the panel's limit of power density, or that the bench gives none.

    Parameters
    ----------
    bench : Bench
    power_mw : float
        On the panel.

    Returns
    -------
    list of str
        None or one.

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> power_warnings(bench, 1.0), len(power_warnings(bench, 1e5))
    (['1 mW would peak at 0.00325 W/cm^2 on the panel, whose limit the bench does not give (panel.power_limit_w_cm2)'], 1)
    """
    from holo.bench import power_density_w_cm2

    density, limit = power_density_w_cm2(bench) * power_mw / bench.light.power_mw, bench.panel.power_limit_w_cm2
    would = f"{power_mw:.4g} mW would peak at {density:.3g} W/cm^2 on the panel"
    if limit is None:
        return [f"{would}, whose limit the bench does not give (panel.power_limit_w_cm2)"]
    if density > limit:
        return [f"{would}, above the limit of {limit:g} W/cm^2 that the bench gives (panel.power_limit_w_cm2)"]
    return []


def traps_csv(traps: SiteTraps) -> str:
    """Table of the traps site by site, as text of a CSV file.

    Parameters
    ----------
    traps : SiteTraps

    Returns
    -------
    str
        A header and a line for each site, as `SiteTraps.rows`.
    """
    text, rows = io.StringIO(), traps.rows()
    table = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
    table.writeheader()
    table.writerows(rows)
    return text.getvalue()


def _means(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Means of columns over what is finite in them; NaN for none."""
    finite = np.isfinite(values)
    count = finite.sum(axis=0)
    return np.asarray(np.divide(np.where(finite, values, 0).sum(axis=0), count, out=np.full(values.shape[1], np.nan), where=count > 0))
