"""The bench, an apparatus as one TOML file describes it: light, panel, optics, camera and lattice; what follows from them, and warnings.

Lengths are um unless a name says otherwise, phases rad, aberrations waves rms by Noll index. Arrays over the panel are
``[row, column]`` with row 0 on top; pixel ``(r, c)`` has its centre at ``x = (c - (columns - 1)/2) pitch``,
``y = (r - (rows - 1)/2) pitch``, y downwards. Chapters and sections of books are cited from memory.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from holo.cards import card
from holo.checks import check_finite
from holo.errors import InputError
from holo.exposure import beam_caution
from holo.files import digest_of, read_text
from holo.lattice import Lattice, read_lattice
from holo.parts import Camera, Light, Optics, Panel, read_camera, read_light, read_optics, read_panel
from holo.tables import REQUIRED, Table, parse_toml

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from holo.registration import Sites

AIRY_RADIUS = 0.6098349456
"""First dark ring of the Airy pattern over wavelength / NA: first zero of J1 over 2 pi (Born & Wolf, 7th ed., sec. 8.5.2)."""

MIN_PUPIL_PIXELS = 16
"""Fewest panel pixels inside the pupil that make a usable bench."""


@dataclass(frozen=True, eq=False)
class Bench:
    """The whole apparatus, with the text it was read from.

    Notes
    -----
    The panel lies in a Fourier plane: its pixel at ``x`` is seen by the objective as a lens of focal length
    ``effective_focal_length_um`` would see it (J. W. Goodman, Introduction to Fourier Optics, sec. 5.2).
    """

    name: str
    light: Light
    panel: Panel
    optics: Optics
    camera: Camera | None
    lattice: Lattice
    text: str
    """The bench file as it was read."""
    digest: str
    """SHA-256 over `text` and the digests of the side files, as ``sha256:<hex>``."""
    files: dict[str, str]
    """Side files as the bench file names them, with their digests."""

    def _repr_html_(self) -> str:
        """Show the bench in a notebook."""
        panel, optics, vectors = self.panel, self.optics, self.lattice.vectors_um
        rows = [
            ("light", f"{self.light.wavelength_nm:g} nm, {self.light.power_mw:g} mW on the panel"),
            ("panel", f"{panel.columns} x {panel.rows} pixels of {panel.pitch_um:g} um, {panel.levels} levels"),
            ("objective", f"{optics.focal_length_mm:g} mm, NA {optics.numerical_aperture:g}, relay {optics.relay_magnification:g}"),
            ("Airy radius, field", f"{self.airy_radius_um:.4g} um, {self.field_um:.4g} um"),
            ("lattice vectors", "; ".join(f"({x:g}, {y:g}) um" for x, y in vectors.tolist())),
            ("camera", None if self.camera is None else f"{self.camera.columns} x {self.camera.rows} pixels"),
            ("digest", self.digest),
        ]
        return card(f"Bench: {self.name}", rows, warnings=bench_warnings(self))

    @property
    def wavelength_um(self) -> float:
        """Vacuum wavelength."""
        return self.light.wavelength_nm * 1e-3

    @property
    def effective_focal_length_um(self) -> float:
        """Focal length as seen from the panel: focal length over relay magnification."""
        return self.optics.focal_length_mm * 1e3 / self.optics.relay_magnification

    @property
    def pupil_radius_um(self) -> float:
        """Radius of the objective's pupil, imaged back onto the panel."""
        return self.optics.numerical_aperture * self.optics.focal_length_mm * 1e3 / self.optics.relay_magnification

    @property
    def wavenumber_scale(self) -> float:
        """Phase per panel um and objective um, ``2 pi / (lambda f)`` in rad/um^2."""
        return 2 * np.pi / (self.wavelength_um * self.effective_focal_length_um)

    @property
    def field_um(self) -> float:
        """Side of the addressable field, ``lambda f / pitch``: sites up to half of it from the axis can be reached."""
        return self.wavelength_um * self.effective_focal_length_um / self.panel.pitch_um

    @property
    def envelope_side_um(self) -> float:
        """Active side of a pixel, ``pitch sqrt(fill factor)``; its diffraction is the envelope over the field."""
        return float(self.panel.pitch_um * np.sqrt(self.panel.fill_factor))

    @property
    def focal_cell_um(self) -> tuple[float, float]:
        """(x, y) size of a Fourier cell of the whole panel in the objective plane, ``lambda f / (pixels pitch)``."""
        return self.field_um / self.panel.columns, self.field_um / self.panel.rows

    @property
    def airy_radius_um(self) -> float:
        """Radius of the first dark ring of a spot from a uniformly filled pupil, 0.609835 lambda / NA (Rayleigh's limit)."""
        return AIRY_RADIUS * self.wavelength_um / self.optics.numerical_aperture

    @property
    def lit_resolution_um(self) -> NDArray[np.float64]:
        """Airy radius along x and y of an evenly lit round pupil whose spot is as wide as that of the light there is.

        Notes
        -----
        At its peak a spot falls off as ``1 - (k X)^2 var(x)``, with the variance of the pixels' places weighted by amplitude: a fourth of
        the square of the radius for an even pupil (derived here: the second moment of a Fourier pair). Infinite for a panel of one row, or
        column, across it.
        """
        amplitude = np.where(pupil_radii(self) <= 1, np.sqrt(beam_intensity(self)), 0.0)
        radii = [2 * _deviation(places, amplitude.sum(axis=axis)) for places, axis in ((self.panel.x_um, 0), (self.panel.y_um, 1))]
        with np.errstate(divide="ignore"):
            return np.asarray(self.airy_radius_um * self.pupil_radius_um / np.array(radii))

    @property
    def spot_width_um(self) -> float:
        """Standard deviation of the Gaussian that comes nearest to a spot, 0.21 lambda / NA.

        B. Zhang, J. Zerubia and J.-C. Olivo-Marin, Appl. Opt. 46, 1819 (2007), table 1, the paraxial wide-field case; from memory.
        """
        return 0.21 * self.wavelength_um / self.optics.numerical_aperture

    @property
    def depth_of_focus_um(self) -> float:
        """``n lambda / NA^2``: half of it from the focus costs about a fifth of the peak (Born & Wolf, 7th ed., sec. 8.8.2)."""
        return self.optics.medium_index * self.wavelength_um / self.optics.numerical_aperture**2

    @property
    def resolution_um(self) -> NDArray[np.float64]:
        """Least distance of separated spots along x, y and z: the Airy radius, and the first dark point on the axis.

        The latter lies at ``2 n lambda / NA^2`` (Born & Wolf, 7th ed., sec. 8.8.2).
        """
        return np.array([self.airy_radius_um, self.airy_radius_um, 2 * self.depth_of_focus_um])


def _deviation(places: NDArray[np.float64], weights: NDArray[np.float64]) -> float:
    """Standard deviation of weighted places."""
    shares = weights / weights.sum()
    return float(np.sqrt(shares @ (places - shares @ places) ** 2))


def demo_bench_text() -> str:
    """Text of the demo bench file.

    Examples
    --------
    >>> parse_bench(demo_bench_text(), "bench.toml").name
    'demo bench'
    """
    return resources.files("holo").joinpath("demo_bench.toml").read_text(encoding="utf-8")


def read_bench(path: str | os.PathLike[str]) -> Bench:
    """Read and check a bench file.

    Parameters
    ----------
    path : path
        The TOML file; relative paths in it start at its folder.

    Raises
    ------
    InputError
        With file, key, value found and values allowed, for anything that is missing, unknown, of the wrong type, out of range or
        inconsistent, in the bench file or in a file that it names.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "bench.toml"
    ...     _ = path.write_text(demo_bench_text())
    ...     bench = read_bench(path)
    >>> bench.panel.shape, round(bench.field_um, 3)
    ((1000, 1200), 781.667)
    """
    return parse_bench(read_text(path), path)


def parse_bench(text: str, path: str | os.PathLike[str], *, confined: bool = False) -> Bench:
    """Check the TOML `text` of a bench; `path` names it in messages, and its folder is where relative paths start.

    With `confined` no file that it names may lie outside that folder: for text that comes from somebody else.

    Raises
    ------
    InputError
        As `read_bench`.

    Examples
    --------
    >>> parse_bench('name = "empty"', "bench.toml")
    Traceback (most recent call last):
    ...
    holo.errors.InputError: bench.toml: panel: missing; needed: a table [panel]
    """
    table = parse_toml(text, Path(path), confined=confined)
    files: dict[str, str] = {}
    name = table.text("name", default=REQUIRED)
    panel = read_panel(table.table("panel", REQUIRED), files)
    light = read_light(table.table("light", REQUIRED), panel, files)
    optics = read_optics(table.table("optics", REQUIRED), panel, files)
    camera_table = table.table("camera")
    camera = None if camera_table is None else read_camera(camera_table, files)
    lattice = read_lattice(table.table("lattice", REQUIRED))
    table.close()
    whole = digest_of("\n".join([text, *files.values()]).encode())
    bench = Bench(name, light, panel, optics, camera, lattice, text, whole, files)
    _check_pupil(table, bench)
    return bench


def _check_pupil(table: Table, bench: Bench) -> None:
    """Refuse a bench whose pupil holds next to no pixels, or no light."""
    inside = pupil_radii(bench) <= 1
    if inside.sum() < MIN_PUPIL_PIXELS:
        found = f"a pupil of radius {bench.pupil_radius_um:.4g} um on the panel holds {inside.sum()} pixels"
        raise InputError(
            f"{table.path}: optics: found {found}; allowed: at least {MIN_PUPIL_PIXELS}"
            " (radius = numerical_aperture focal_length / relay_magnification)"
        )
    if not (beam_intensity(bench) * inside).any():
        raise InputError(f"{table.path}: light: found no light inside the pupil; allowed: a beam that reaches the pupil")


def pupil_radii(bench: Bench) -> NDArray[np.float64]:
    """Radius of each pixel over the pupil's radius, shape (rows, columns); the pupil is where it is at most 1.

    Examples
    --------
    >>> pupil_radii(parse_bench(demo_bench_text(), "bench.toml"))[499:501, 0].round(3)
    array([1.199, 1.199])
    """
    return np.asarray(np.hypot(bench.panel.x_um[None, :], bench.panel.y_um[:, None]) / bench.pupil_radius_um)


def beam_intensity(bench: Bench) -> NDArray[np.float64]:
    """Relative intensity of the beam on each pixel, shape (rows, columns).

    Notes
    -----
    A Gaussian beam has ``exp(-2 r^2 / w^2)`` with ``w`` half its 1/e^2 diameter (A. E. Siegman, Lasers, ch. 17).

    Examples
    --------
    >>> beam = beam_intensity(parse_bench(demo_bench_text(), "bench.toml"))
    >>> beam.shape, bool(0.999 < beam.max() < 1)
    ((1000, 1200), True)
    """
    if bench.light.beam is not None:
        return bench.light.beam.astype(np.float64)
    assert bench.light.beam_diameter_mm is not None
    radius = bench.light.beam_diameter_mm * 1e3 / 2
    x, y = (1e3 * v for v in bench.light.beam_centre_mm)
    return np.exp(-2 * ((bench.panel.y_um[:, None] - y) / radius) ** 2) * np.exp(-2 * ((bench.panel.x_um[None, :] - x) / radius) ** 2)


def pixel_envelope(points_um: NDArray[np.float64], scale: float, side_um: float) -> NDArray[np.float64]:
    """Amplitude envelope that the active area of a pixel puts over the objective plane.

    Parameters
    ----------
    points_um : ndarray, shape (n, 2) or (n, 3)
        Points (X, Y) of the objective plane; a depth does not matter.
    scale : float
        ``2 pi / (lambda f)``, rad/um^2.
    side_um : float
        Active side of a pixel.

    Returns
    -------
    ndarray, shape (n,)
        ``sinc(X s / (lambda f)) sinc(Y s / (lambda f))`` with ``sinc(u) = sin(pi u) / (pi u)``; 1 on the axis. The intensity has its
        square.

    Notes
    -----
    The Fourier transform of a square (J. W. Goodman, Introduction to Fourier Optics, sec. 2.1.5).

    Examples
    --------
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> points = np.array([[0.0, 0.0], [bench.field_um / 2, 0.0]])  # the axis, and the edge of the field
    >>> pixel_envelope(points, bench.wavenumber_scale, bench.panel.pitch_um).round(4)
    array([1.    , 0.6366])
    """
    check_finite("points_um", points_um)
    u = np.asarray(points_um, float)[:, :2] * (side_um * scale / (2 * np.pi))
    return np.asarray(np.prod(np.sinc(u), axis=1))


def pupil_share(bench: Bench) -> float:
    """Share of the power on the panel that falls inside the pupil.

    Examples
    --------
    >>> round(pupil_share(parse_bench(demo_bench_text(), "bench.toml")), 3)
    0.947
    """
    intensity = beam_intensity(bench)
    return float(intensity[pupil_radii(bench) <= 1].sum() / intensity.sum())


def power_density_w_cm2(bench: Bench) -> float:
    """Highest power density of the beam on the panel, W/cm^2.

    Notes
    -----
    The beam's share on the brightest pixel times the power on the panel, over the pixel's area. For a Gaussian beam that lies on
    the panel as a whole this is ``2 P / (pi w^2)`` (A. E. Siegman, Lasers, ch. 17).

    Examples
    --------
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> round(power_density_w_cm2(bench), 2)  # 1.26 if none of the beam fell beside the panel
    1.3
    """
    intensity = beam_intensity(bench)
    return float(bench.light.power_mw * 1e-3 * intensity.max() / intensity.sum() / (bench.panel.pitch_um * 1e-4) ** 2)


def derived_numbers(bench: Bench, sites: Sites | None = None) -> dict[str, float]:
    """Work out what follows from a bench, and from the sites of an arrangement if there is one.

    Parameters
    ----------
    bench : Bench
    sites : Sites, optional
        Placed sites; only their places ``xyz_um`` and targets are looked at.

    Returns
    -------
    dict of str to float
        Names end in their unit; a name without one is a ratio or a count. ``power_density_share_of_limit`` is there only if the
        bench has a limit, ``lowest_envelope`` and ``farthest_site_um`` (largest of |x| and |y|) only with sites.

    Notes
    -----
    ``undiffracted_share_estimate`` is ``(1 - F)^2`` for a fill factor F: the light of gaps of constant phase between the pixels
    under a mask that itself leaves no light on the axis, over all light that the panel returns. Derived here (the mean field is that
    of the gaps alone), not from a publication; it holds for ideal pixels, and real panels leave more.

    Examples
    --------
    >>> numbers = derived_numbers(parse_bench(demo_bench_text(), "bench.toml"))
    >>> round(numbers["airy_radius_um"], 4), round(numbers["pupil_diameter_mm"], 3), numbers["phase_steps_per_2pi"]
    (0.9534, 10.0, 212.0)
    """
    density, limit = power_density_w_cm2(bench), bench.panel.power_limit_w_cm2
    numbers = {
        "effective_focal_length_mm": bench.effective_focal_length_um * 1e-3,
        "focal_cell_x_um": bench.focal_cell_um[0],
        "focal_cell_y_um": bench.focal_cell_um[1],
        "airy_radius_um": bench.airy_radius_um,
        "depth_of_focus_um": bench.depth_of_focus_um,
        "field_um": bench.field_um,
        "lattice_spacing_um": bench.lattice.spacing_um,
        "lattice_spacing_airy_radii": bench.lattice.spacing_um / bench.airy_radius_um,
        "pupil_diameter_mm": 2e-3 * bench.pupil_radius_um,
        "pupil_diameter_pixels": 2 * bench.pupil_radius_um / bench.panel.pitch_um,
        "power_share_in_pupil": pupil_share(bench),
        "phase_steps_per_2pi": bench.panel.phase_steps,
        "undiffracted_share_estimate": (1 - bench.panel.fill_factor) ** 2,
        "power_density_w_cm2": density,
    }
    if limit is not None:
        numbers["power_density_share_of_limit"] = density / limit
    if sites is not None and len(sites.target):
        numbers["farthest_site_um"] = float(np.abs(sites.xyz_um[:, :2]).max())
        envelope = pixel_envelope(sites.xyz_um, bench.wavenumber_scale, bench.envelope_side_um)
        numbers["lowest_envelope"] = float((envelope**2).min())
    return numbers


def bench_warnings(bench: Bench, sites: Sites | None = None) -> list[str]:
    """Say what a user should know before working with a bench, and with the sites of an arrangement if there is one.

    Parameters
    ----------
    bench : Bench
    sites : Sites, optional
        Placed sites; only their places ``xyz_um`` and targets (0 = dark) are looked at.

    Returns
    -------
    list of str
        One sentence or two each; empty when nothing was found. An empty list does not say that anything is safe.

    Examples
    --------
    >>> for warning in bench_warnings(parse_bench(demo_bench_text(), "bench.toml")):
    ...     print(warning.split(":")[0])
    light of 938 nm is outside the visible (400 to 700 nm) and the beam cannot be seen
    the panel's limit of power density is not given
    """
    found = [*_light_warnings(bench), *_optics_warnings(bench)]
    return found if sites is None else [*found, *_site_warnings(bench, sites)]


BLURRED = 1.5
"""Width of the spots, over that of an evenly lit pupil, from which on a user is told."""

FAINT = 100.0
"""Light wanted on a site, over what rounding to levels scatters to any place, below which a user is told. Here that makes it uneven by a
seventh, rms, before levels are trimmed: the root of 2 over it."""

HOPELESS = 0.5
"""Distance to a bright site, over the resolution, below which no mask keeps a dark site dark."""


def drowned(bench: Bench, sites: Sites, share: float = 1.0) -> NDArray[np.bool_]:
    """Tell which dark sites lie so close to a bright one that separated spots cannot keep its light away, shape (n,).

    Closer, that is, than a share of the resolution (`Bench.resolution_um`); or as close to a place one field's width away from a bright
    site, where the panel's pixels put the same light (Goodman, Introduction to Fourier Optics, sec. 2.4: the spectrum of samples repeats).

    Examples
    --------
    >>> from holo.registration import Sites
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")  # its Airy radius is 0.95 um
    >>> sites = Sites(np.zeros((3, 2)), np.array([[60.0, 40, 0], [60.9, 40, 0], [61, 40, 0]]), np.array([1.0, 0, 0]))
    >>> drowned(bench, sites)
    array([False,  True, False])
    """
    from scipy.spatial import KDTree

    bright, places = sites.target > 0, sites.xyz_um / bench.resolution_um
    if not bright.any():
        return bright
    period = np.array([bench.field_um, bench.field_um, 0.0]) / bench.resolution_um  # 0 for an axis without one
    around = np.where(period > 0, places - period * np.floor(places / np.where(period > 0, period, 1)), places)
    around[(period > 0) & (around >= period)] = 0.0
    tree = KDTree(around[bright], boxsize=period)
    return np.asarray(~bright & (tree.query(around)[0] < share * (1 - 1e-9)))


def scattered_by_levels(bench: Bench) -> float:
    """Relative intensity that rounding to levels leaves at any place, in the mean.

    Notes
    -----
    Errors even over a step of phase ``s`` have the variance ``s^2 / 12``, and the fields that they make on the pixels add up at random:
    ``s^2 / 12  sum A^2 / (sum A)^2``. The mean over places follows from Parseval's theorem (Goodman, Introduction to Fourier Optics,
    sec. 2.1.3); that neighbouring pixels err independently is an assumption.

    Examples
    --------
    >>> print(f"{scattered_by_levels(parse_bench(demo_bench_text(), 'bench.toml')):.1e}")
    1.0e-10
    """
    intensity = np.where(pupil_radii(bench) <= 1, beam_intensity(bench), 0.0)
    return float((2 * np.pi / bench.panel.phase_steps) ** 2 / 12 * intensity.sum() / np.sqrt(intensity).sum() ** 2)


def _light_warnings(bench: Bench) -> list[str]:
    found = []
    wavelength, density, limit = bench.light.wavelength_nm, power_density_w_cm2(bench), bench.panel.power_limit_w_cm2
    caution = beam_caution(wavelength, bench.light.laser_mw)
    if caution is not None:
        found.append(caution)
    if limit is None:
        found.append(
            f"the panel's limit of power density is not given: the beam peaks at {density:.3g} W/cm^2 on the panel; compare with the"
            " panel's data sheet and enter its limit as panel.power_limit_w_cm2"
        )
    elif density > limit:
        found.append(
            f"the beam peaks at {density:.3g} W/cm^2 on the panel, above the limit of {limit:g} W/cm^2 that the bench gives"
            " (panel.power_limit_w_cm2): lower the power or widen the beam"
        )
    return found


def _optics_warnings(bench: Bench) -> list[str]:
    found = []
    spacing, airy, radius, panel = bench.lattice.spacing_um, bench.airy_radius_um, bench.pupil_radius_um, bench.panel
    half = min(panel.columns, panel.rows) * panel.pitch_um / 2
    share = pupil_share(bench)
    if spacing < airy:
        found.append(
            f"the lattice spacing of {spacing:.4g} um is below the resolution (Airy radius {airy:.4g} um): the light of neighbouring sites"
            " overlaps, so look at the crosstalk"
        )
    if radius > half + panel.pitch_um / 2:
        found.append(
            f"the pupil reaches beyond the panel (radius {radius / 1e3:.4g} mm, half the panel's shorter side {half / 1e3:.4g} mm): spots"
            " are larger than the Airy radius says"
        )
    lit = bench.lit_resolution_um
    if lit.max() > BLURRED * airy:
        alone = [f"set them apart along {axis}" for axis, width in zip("yx", lit, strict=True) if np.isinf(width)]
        remedy = alone[0] if alone else "widen the beam, or set them apart"
        found.append(
            f"the light fills too little of the pupil for its Airy radius of {airy:.3g} um: spots are as wide as those of {lit[0]:.3g} um"
            f" along x and {lit[1]:.3g} um along y, and sites closer than that blur; {remedy}"
        )
    if share < 0.5:
        found.append(f"only {share:.1%} of the power on the panel falls inside the pupil: the beam overfills the pupil or lies beside it")
    return found


def _site_warnings(bench: Bench, sites: Sites) -> list[str]:
    found = []
    half, reach = bench.field_um / 2, 2 * bench.airy_radius_um
    beyond = np.asarray((np.abs(sites.xyz_um[:, :2]) > half).any(axis=1))
    undiffracted = np.asarray(np.hypot(*sites.xyz_um[:, :2].T) < reach)
    ghosts = _on_ghosts(sites.xyz_um, sites.xyz_um[sites.target > 0], reach)
    lost, folded = drowned(bench, sites, HOPELESS), _folded(bench, sites.xyz_um)
    if beyond.any():
        found.append(
            f"{_count(sites, beyond)} beyond the field that the panel can address, {half:.4g} um to each side of the axis: their light"
            " would come out at other places"
        )
    if folded.any():
        found.append(
            f"{_count(sites, folded)} on a place one width of the field ({bench.field_um:.4g} um) away from another one, where the panel"
            " puts the same light: they cannot get targets of their own; move the arrangement off the edge of the field"
        )
    if undiffracted.any():
        found.append(
            f"{_count(sites, undiffracted)} within {reach:.3g} um of the undiffracted spot at (0, 0): move the arrangement or the"
            " lattice's origin away from it"
        )
    if ghosts.any():
        found.append(
            f"{_count(sites, ghosts)} within {reach:.3g} um of the ghost (-x, -y) of a bright site: a panel whose response is not exact"
            " puts light there"
        )
    if lost.any():
        found.append(
            f"{_count(sites, lost)} so close to a bright site (Airy radius {bench.airy_radius_um:.3g} um) that they cannot be kept dark:"
            " their crosstalk is predicted, but the search does not care for it"
        )
    return [*found, *_faint_warnings(bench, sites)]


def _faint_warnings(bench: Bench, sites: Sites) -> list[str]:
    """Name the bright sites that are to get no more light than chance gives them."""
    whole, least = float(sites.target.sum()), FAINT * scattered_by_levels(bench)
    faint = (sites.target > 0) & (sites.target < least * whole)
    if not faint.any():
        return []
    return [
        f"{_count(sites, faint)} in so little light that what rounding to {bench.panel.phase_steps:.4g} steps of phase per 2 pi scatters"
        f" anywhere counts: give them targets of {least * whole / sites.target.max():.2g} times the brightest or more, or a mask of their"
        " own, or take a panel with more levels in 2 pi"
    ]


def _folded(bench: Bench, xyz_um: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which points share their light with another one, at the opposite edge of the field or beyond it."""
    from scipy.spatial import KDTree

    edge, field = np.abs(xyz_um[:, :2]).max(axis=1) > (bench.field_um - bench.airy_radius_um) / 2, bench.field_um
    found = np.zeros(len(xyz_um), bool)
    for shift in ((field, 0.0), (0.0, field), (field, field), (field, -field)):
        for sign in (1, -1) if edge.any() else ():
            moved = xyz_um[edge] + sign * np.array([*shift, 0.0])
            found[edge] |= KDTree(xyz_um / bench.resolution_um).query(moved / bench.resolution_um)[0] < HOPELESS
    return found


def _on_ghosts(xyz_um: NDArray[np.float64], bright_um: NDArray[np.float64], reach_um: float) -> NDArray[np.bool_]:
    """Which points lie near the mirror image (-x, -y) of a bright point."""
    from scipy.spatial import KDTree

    if not len(bright_um):
        return np.zeros(len(xyz_um), bool)
    distance, _ = KDTree(-bright_um[:, :2]).query(xyz_um[:, :2], distance_upper_bound=reach_um)
    return np.asarray(np.isfinite(distance))


def _count(sites: Sites, pick: NDArray[np.bool_]) -> str:
    """How many sites are picked, and where the first of them lies."""
    x, y = sites.xyz_um[int(np.argmax(pick)), :2]
    return f"{pick.sum()} of {len(pick)} sites (the first at ({x:.4g}, {y:.4g}) um) lie"
