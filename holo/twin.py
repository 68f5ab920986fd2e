"""The twin: a simulated bench with the imperfections of a real one, hidden from what it is used to test.

A twin file (TOML) names the bench that the user believes in and says how the true one differs from it. `Twin.show` takes the
camera's frame of a mask, `Twin.atoms` one of the atoms' fluorescence. Nothing that calibrates may look into a twin or its file.

Axes, signs and units: DEVELOPERS.md, Conventions. Camera points are (column, row), pixel centres at whole numbers.
"""

from __future__ import annotations

import operator
import os
from dataclasses import dataclass, replace
from functools import cached_property
from importlib import resources
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING, Any

import numpy as np

from holo.affine import Affine, affine_of
from holo.bench import Bench, beam_intensity, demo_bench_text, parse_bench, pupil_radii, read_bench
from holo.errors import InputError
from holo.field.path import light_path
from holo.field.pixels import CameraView
from holo.files import MAX_PIXELS, read_text
from holo.lattice import Lattice
from holo.mask import phase_of_levels, response_of_levels
from holo.parts import Light, read_aberration
from holo.tables import REQUIRED, Table, parse_toml

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from holo.parts import Camera

EXPOSED_BEYOND_UM = 3.0
"""The exposure is set by the brightest pixel that lies farther than this from the undiffracted spot."""

LUMPS = 6
"""Half waves per axis, at most, of the lumps of a beam."""

LAST_STEP = 10**6
"""Largest number of a frame."""

SPOT_SIGMA = 0.21
"""Standard deviation, over wavelength / NA, of the Gaussian nearest to an Airy pattern.

B. Zhang, J. Zerubia and J.-C. Olivo-Marin, Appl. Opt. 46, 1819 (2007), from memory.
"""

_LIGHT, _OCCUPATION, _FLUORESCENCE, _DRIFT, _HOT, _LUMPS, _UNDIFFRACTED = range(7)  # what random numbers are for: part of their seed


@dataclass(frozen=True)
class CameraMap:
    """Where the camera sees the objective plane, relative to the bench's magnification and pixels."""

    rotation_deg: float
    """From columns (x) towards rows (y), clockwise in a picture; done last."""
    shear: float
    """x grows by this times y; done after the mirroring."""
    mirror: bool
    """Whether x is reversed."""
    scale: float
    offset_px: tuple[float, float]
    """Where the optical axis is seen, (columns, rows) from the camera's middle."""
    distortion: float
    """What would be seen at the radius r about the axis is seen at ``r (1 + distortion (r / R)^2)``, R half the frame's diagonal."""


@dataclass(frozen=True)
class PanelFaults:
    """What the panel does besides its response, which is in the hidden bench."""

    response_tilt: tuple[float, float]
    """Relative change of the phase from the middle of the panel to its right and to its lower edge."""
    crosstalk_px: float
    """Standard deviation of the Gaussian that blurs the phase, pixels."""
    flicker: float
    """Relative rms, from shot to shot, of a factor that all phases share."""
    undiffracted: float
    """Share of the power that stays unmodulated."""
    ghost: float
    """Brightness of a second, incoherent picture over that of the first."""
    ghost_um: tuple[float, float]
    """How far it is displaced."""


@dataclass(frozen=True)
class Sensor:
    """The camera's sensor and exposure."""

    electrons_at_peak: float
    """Mean electrons of the brightest pixel that lies farther than `EXPOSED_BEYOND_UM` from the undiffracted spot."""
    electrons_per_count: float
    read_noise_electrons: float
    offset_counts: float
    vignetting: float
    """Loss in the corners; it grows with the square of the distance from the camera's middle."""
    hot_pixels: int
    shots: int


@dataclass(frozen=True)
class Cloud:
    """The atoms in the lattice and their light."""

    drift_sites_per_step: float
    """Rms per axis of the steps of the lattice's random walk."""
    chromatic_px: tuple[float, float]
    """Where fluorescence is seen, from where trapping light of the same place is."""
    filling: float
    """Probability that a site holds an atom."""
    region: tuple[int, int]
    """Cells (columns, rows) of the lattice that may hold atoms."""
    centre: tuple[int, int] | None
    """The cell (i, j) in the middle of them; None for the one in the middle of the camera."""
    electrons: float
    """Mean per atom and frame."""
    spot_sigma_um: float
    background_electrons: float


@dataclass(frozen=True, eq=False)
class Twin:
    r"""A simulated bench.

    Notes
    -----
    A frame depends on the twin's file, the bench, the step and the levels alone, whatever was done before: all random numbers come from
    the seed, the step and what they are for.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     _ = (Path(folder) / "bench.toml").write_text(demo_bench_text())
    ...     twin = parse_twin('bench = "bench.toml"\nseed = 1\n[camera_map]\nmirror = true', Path(folder) / "twin.toml")
    >>> twin.to_camera([[0.0, 0.0], [10.0, 2.0]])  # 5 pixels per um
    array([[599.5, 449.5],
           [549.5, 459.5]])
    """

    bench: Bench
    """The bench that the user believes in."""
    hidden: Bench
    """The true beam, aberration, response of the panel and lattice."""
    camera: Camera
    camera_map: CameraMap
    panel: PanelFaults
    sensor: Sensor
    cloud: Cloud
    seed: int

    # -----------------------------------------------------------------------------------------------------------------
    # where things are

    @cached_property
    def plane_to_camera(self) -> Affine:
        """The true map from the objective plane, um, to the camera, but for the distortion."""
        turn = np.radians(self.camera_map.rotation_deg)
        rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        scale = self.camera.magnification / self.camera.pixel_um * self.camera_map.scale
        mirror = np.diag([-1.0 if self.camera_map.mirror else 1.0, 1.0])
        return Affine(scale * rotation @ _sheared(self.camera_map.shear) @ mirror, self._middle_px + self.camera_map.offset_px)

    @property
    def _middle_px(self) -> NDArray[np.float64]:
        return np.array([self.camera.columns - 1, self.camera.rows - 1]) / 2

    @property
    def _cubic(self) -> float:
        """Distortion over the square of half the frame's diagonal, 1 / px^2."""
        return self.camera_map.distortion / float((self.camera.columns**2 + self.camera.rows**2) / 4)

    def to_camera(self, xy_um: ArrayLike) -> NDArray[np.float64]:
        """Tell where the camera sees points of the objective plane, distortion included, shape (n, 2)."""
        return self._distorted(self.plane_to_camera.apply(xy_um))

    def _distorted(self, seen_px: NDArray[np.float64]) -> NDArray[np.float64]:
        radius = seen_px - self.plane_to_camera.offset
        return np.asarray(seen_px + radius * (self._cubic * (radius**2).sum(axis=1, keepdims=True)), np.float64)

    def from_camera(self, seen_px: ArrayLike) -> NDArray[np.float64]:
        """Tell which points of the objective plane, um, the camera sees at some places: the inverse of `to_camera`."""
        seen = np.asarray(seen_px, np.float64).reshape(-1, 2) - self.plane_to_camera.offset
        radius = seen
        for _ in range(8 if self._cubic else 0):  # at the largest distortion allowed, each gains more than a digit
            radius = seen / (1 + self._cubic * (radius**2).sum(axis=1, keepdims=True))
        return radius @ np.linalg.inv(self.plane_to_camera.matrix).T

    def lattice_to_plane(self, step: int = 0) -> Affine:
        """Give the true map from lattice coordinates to the objective plane, um, with the drift up to a step."""
        drift = np.random.default_rng([self.seed, _DRIFT]).standard_normal((_checked_step(step), 2)).sum(axis=0)
        return affine_of(self.hidden.lattice).after(Affine(np.eye(2), self.cloud.drift_sites_per_step * drift))

    def lattice_to_camera(self, step: int = 0) -> Affine:
        """Give the true map from lattice coordinates to where fluorescence is seen, but for the distortion."""
        chromatic = Affine(np.eye(2), np.array(self.cloud.chromatic_px))
        return chromatic.after(self.plane_to_camera).after(self.lattice_to_plane(step))

    # -----------------------------------------------------------------------------------------------------------------
    # the light of a mask

    @cached_property
    def view(self) -> CameraView:
        """The plan from the light behind the panel to the camera's pixels."""
        row, column = np.indices((self.camera.rows, self.camera.columns))
        places_um = self.from_camera(np.stack([column, row], axis=-1)).reshape(*row.shape, 2)
        sides_um = self.plane_to_camera.inverse().matrix
        return CameraView(light_path(self.hidden), places_um, sides_um, self.panel.ghost, self.panel.ghost_um)

    def phase(self, levels: NDArray[np.integer[Any]], scale: float = 1.0) -> NDArray[np.float32]:
        """Give the phase that levels really make, rad, shape (rows, columns).

        Parameters
        ----------
        levels : ndarray of int, shape (rows, columns)
        scale : float
            The flicker's factor.

        Raises
        ------
        InputError
            If the levels are none of the panel's.

        Notes
        -----
        The true response makes a phase of the levels, not wrapped, as the liquid crystal has it. Crosstalk mixes it between pixels
        (`blur_weights`), so that a drop by 2 pi becomes a slope. The panel's flatness comes on top.
        """
        from scipy.ndimage import convolve1d

        levels = np.asarray(levels)
        if levels.dtype.kind not in "ui":
            raise InputError(f"levels: found numbers of type {levels.dtype}; allowed: whole numbers")
        panel = self.hidden.panel
        phase = phase_of_levels(levels, replace(panel, flatness=None)).astype(np.float32) * np.float32(scale)
        if any(self.panel.response_tilt):
            x, y = (axis / (len(axis) * panel.pitch_um / 2) for axis in (panel.x_um, panel.y_um))
            phase *= (1 + self.panel.response_tilt[0] * x + self.panel.response_tilt[1] * y[:, None]).astype(np.float32)
        if self.panel.crosstalk_px:
            weights = blur_weights(self.panel.crosstalk_px)
            phase = convolve1d(convolve1d(phase, weights, axis=0, mode="nearest"), weights, axis=1, mode="nearest")
        return phase if panel.flatness is None else phase + panel.flatness.astype(np.float32)

    def picture(self, levels: NDArray[np.integer[Any]], scale: float = 1.0) -> NDArray[np.float32]:
        """Give the light on the camera, without noise.

        Parameters
        ----------
        levels : ndarray of int, shape (rows, columns) of the panel
        scale : float
            The flicker's factor.

        Returns
        -------
        ndarray of float32, shape (rows, columns) of the camera
            Mean intensity over each pixel, over that of an unsplit, perfect focus of the true beam on the axis.

        Raises
        ------
        InputError
            As `phase`.

        Notes
        -----
        With the share u of the power unmodulated, the light behind the panel is ``A exp(i psi) (sqrt(1 - u) exp(i phi) +
        sqrt(u) exp(i alpha))`` with an angle alpha from the seed. Both parts interfere, so a mask that itself leaves light on the axis
        makes their sum more or less than the whole power.
        """
        share, view = self.panel.undiffracted, self.view
        alpha = np.random.default_rng([self.seed, _UNDIFFRACTED]).uniform(0, 2 * np.pi)
        modulated = np.exp(1j * self.phase(levels, scale)[view.box])
        return view.picture(np.complex64(np.sqrt(1 - share)) * modulated + np.complex64(np.sqrt(share) * np.exp(1j * alpha)))

    def show(self, levels: NDArray[np.integer[Any]], step: int = 0) -> NDArray[np.uint16]:
        """Take the frame of a mask.

        Parameters
        ----------
        levels : ndarray of int, shape (rows, columns) of the panel
        step : int
            Number of the frame; each has its own noise.

        Returns
        -------
        ndarray of uint16, shape (shots, rows, columns)
            Counts. The exposure is set as an experimenter would by hand: in the first shot the brightest pixel farther than
            `EXPOSED_BEYOND_UM` from the undiffracted spot gets `Sensor.electrons_at_peak`; that spot itself may saturate.

        Raises
        ------
        InputError
            If the levels are none of the panel's, or the step is none.
        """
        rng = self._rng(_LIGHT, step)
        scales = 1 + self.panel.flicker * rng.standard_normal(self.sensor.shots)
        first = self.picture(levels, scales[0])
        exposure = self.sensor.electrons_at_peak / first[self._sets_exposure].max()
        pictures = (self.picture(levels, scale) if self.panel.flicker else first for scale in scales[1:])
        return np.stack([self._counts(exposure * picture, rng) for picture in (first, *pictures)])

    @cached_property
    def _sets_exposure(self) -> NDArray[np.bool_]:
        beyond = np.asarray(np.hypot(*np.moveaxis(self.view.places_um, -1, 0)) > EXPOSED_BEYOND_UM)
        return beyond if beyond.any() else ~beyond

    # -----------------------------------------------------------------------------------------------------------------
    # the light of atoms

    def occupied(self, step: int = 0) -> NDArray[np.float64]:
        """Give the lattice coordinates of the atoms of a frame, shape (n, 2); see `atoms`."""
        middle = self.cloud.centre or np.rint(self.lattice_to_camera().inverse().apply(self._middle_px)[0])
        low = int(middle[0]) - self.cloud.region[0] // 2, int(middle[1]) - self.cloud.region[1] // 2
        ij = self.hidden.lattice.sites(low, (low[0] + self.cloud.region[0], low[1] + self.cloud.region[1]))
        return np.asarray(ij[self._rng(_OCCUPATION, step).random(len(ij)) < self.cloud.filling], np.float64)

    def atoms(self, step: int = 0) -> NDArray[np.uint16]:
        """Take a frame of the fluorescence of atoms that fill sites at random.

        Parameters
        ----------
        step : int
            Number of the frame; each has its own atoms, drift and noise.

        Returns
        -------
        ndarray of uint16, shape (1, rows, columns)
            Counts. Each atom is a Gaussian spot, integrated over the pixels.

        Raises
        ------
        InputError
            If the step is none.
        """
        places_px = self.to_camera(self.lattice_to_plane(step).apply(self.occupied(step))) + self.cloud.chromatic_px
        sigma_px = self.cloud.spot_sigma_um * np.sqrt(abs(np.linalg.det(self.plane_to_camera.matrix)))
        spots = _gaussian_spots(places_px, float(sigma_px), (self.camera.rows, self.camera.columns))
        electrons = self.cloud.electrons * spots + self.cloud.background_electrons
        return self._counts(electrons, self._rng(_FLUORESCENCE, step))[None]

    # -----------------------------------------------------------------------------------------------------------------
    # the sensor

    def _rng(self, purpose: int, step: int) -> np.random.Generator:
        return np.random.default_rng([self.seed, purpose, _checked_step(step)])

    def _counts(self, electrons: NDArray[np.floating[Any]], rng: np.random.Generator) -> NDArray[np.uint16]:
        """Turn the mean electrons that a perfect sensor would get into counts of one shot."""
        found = rng.poisson(electrons * self._sensitivity + self._hot_electrons).astype(np.float32)
        found += np.float32(self.sensor.read_noise_electrons) * rng.standard_normal(found.shape, np.float32)
        counts = np.rint(found / np.float32(self.sensor.electrons_per_count) + np.float32(self.sensor.offset_counts))
        return np.asarray(np.clip(counts, 0, 2**self.camera.bits - 1), np.uint16)

    @cached_property
    def _sensitivity(self) -> NDArray[np.float32]:
        """Share of the light that the vignetting leaves to each pixel."""
        x, y = (np.arange(pixels) - (pixels - 1) / 2 for pixels in (self.camera.columns, self.camera.rows))
        share = (x**2 + y[:, None] ** 2) / (self._middle_px**2).sum()
        return np.asarray(1 - self.sensor.vignetting * share, np.float32)

    @cached_property
    def _hot_electrons(self) -> NDArray[np.float32]:
        """Mean electrons that hot pixels add: from a tenth of the range to more than all of it."""
        rng = np.random.default_rng([self.seed, _HOT])
        electrons = np.zeros((self.camera.rows, self.camera.columns), np.float32)
        places = rng.choice(electrons.size, self.sensor.hot_pixels, replace=False)
        electrons.flat[places] = rng.uniform(0.1, 1.2, len(places)) * 2**self.camera.bits * self.sensor.electrons_per_count
        return electrons


def blur_weights(sigma_px: float) -> NDArray[np.float64]:
    """How crosstalk mixes the phases of neighbouring pixels.

    Parameters
    ----------
    sigma_px : float
        Standard deviation of a Gaussian, pixels, above 0.

    Returns
    -------
    ndarray, shape (2 n + 1,)
        Weights of the pixels from n before to n after, of sum 1.

    Notes
    -----
    Each pixel gets the mean over its area of steps from pixel to pixel that a Gaussian has blurred: the Gaussian convolved with
    two boxes, by second differences of its second integral ``x Phi(x / sigma) + sigma^2 g(x)`` (derived here).

    Examples
    --------
    >>> blur_weights(0.3).round(4)
    array([0.    , 0.1196, 0.7607, 0.1196, 0.    ])
    """
    from scipy.special import ndtr

    reach = int(np.ceil(5 * sigma_px))
    x = np.arange(-reach - 1, reach + 2, dtype=np.float64)
    integral = x * ndtr(x / sigma_px) + sigma_px / np.sqrt(2 * np.pi) * np.exp(-((x / sigma_px) ** 2) / 2)
    weights = np.diff(integral, 2)
    return np.asarray(weights / weights.sum())


def _gaussian_spots(places_px: NDArray[np.float64], sigma_px: float, shape: tuple[int, int]) -> NDArray[np.float64]:
    """Sum of Gaussians of sum 1, integrated over the pixels, shape (rows, columns)."""
    from scipy.special import ndtr

    image = np.zeros(shape)
    near = ((places_px > -8 * sigma_px) & (places_px < np.array(shape[::-1]) + 8 * sigma_px)).all(axis=1)
    for part in np.array_split(places_px[near], len(places_px) // 2048 + 1):
        across, down = (np.diff(ndtr((np.arange(shape[1 - k] + 1) - 0.5 - part[:, [k]]) / sigma_px), axis=1) for k in (0, 1))
        image += down.T @ across
    return image


def _sheared(shear: float) -> NDArray[np.float64]:
    return np.array([[1.0, shear], [0.0, 1.0]])


def _checked_step(step: int) -> int:
    if not 0 <= operator.index(step) <= LAST_STEP:
        raise InputError(f"step: found {step}; allowed: from 0 to {LAST_STEP}")
    return operator.index(step)


# ---------------------------------------------------------------------------------------------------------------------
# files


def read_twin(path: str | os.PathLike[str]) -> Twin:
    """Read a twin file.

    Raises
    ------
    InputError
        With file and key, for anything in it, or in the bench file that it names, that is missing, unknown or out of range.

    Notes
    -----
    ``bench``, the name of the bench file from the folder of the twin file, and ``seed`` are needed; the tables ``[camera_map]``,
    ``[aberration]``, ``[beam]``, ``[panel]``, ``[sensor]``, ``[lattice]`` and ``[atoms]`` and all their keys are not: what is left out
    is as the bench has it, without fault. `twin_text` writes a file with every key explained.
    """
    return parse_twin(read_text(path), path)


def parse_twin(text: str, path: str | os.PathLike[str]) -> Twin:
    """Read a twin from the text of its file (see `read_twin`); `path` names it in messages, and the bench lies in its folder."""
    root = parse_toml(text, Path(path))
    bench = read_bench(root.file("bench", REQUIRED))
    camera = _checked_camera(root, bench)
    tables = {name: root.table(name) or Table({}, root.path, name) for name in _TABLES}
    seed = root.integer("seed", 0, 2**63 - 1, REQUIRED)
    root.close()
    twin = Twin(
        bench=bench,
        hidden=_hidden_bench(bench, tables, seed),
        camera=camera,
        camera_map=_read_camera_map(tables["camera_map"]),
        panel=_read_panel(tables["panel"]),
        sensor=_read_sensor(tables["sensor"], camera),
        cloud=_read_cloud(tables["lattice"], tables["atoms"], bench),
        seed=seed,
    )
    for table in tables.values():
        table.close()
    return twin


_MOST_PANEL_PIXELS = 2**25
_TABLES = ("camera_map", "aberration", "beam", "panel", "sensor", "lattice", "atoms")


def _checked_camera(root: Table, bench: Bench) -> Camera:
    camera = bench.camera
    if camera is None:
        raise root.problem("bench", "found a bench without a [camera]; allowed: one with the camera that the twin is to have")
    if camera.bits > 16 or min(camera.columns, camera.rows) < 8 or camera.columns * camera.rows > MAX_PIXELS:
        found = f"{camera.columns} x {camera.rows} pixels of {camera.bits} bits"
        raise root.problem("bench", f"found a camera of {found}; allowed: 8 x 8 to {MAX_PIXELS} pixels of at most 16 bits")
    if bench.panel.columns * bench.panel.rows > _MOST_PANEL_PIXELS:
        found = f"found a panel of {bench.panel.columns} x {bench.panel.rows} pixels"
        raise root.problem("bench", f"{found}; allowed: at most {_MOST_PANEL_PIXELS} for a twin, which keeps several pictures of it")
    return camera


def _read_camera_map(table: Table) -> CameraMap:
    return CameraMap(
        rotation_deg=table.number("rotation_deg", -360, 360, 0.0),
        shear=table.number("shear", -0.5, 0.5, 0.0),
        mirror=table.flag("mirror"),
        scale=table.number("scale", 0.1, 10, 1.0),
        offset_px=table.numbers("offset_px", 2, -1e4, 1e4, (0.0, 0.0)),
        distortion=table.number("distortion", -0.02, 0.02, 0.0),
    )


def _read_panel(table: Table) -> PanelFaults:
    return PanelFaults(
        response_tilt=table.numbers("response_tilt", 2, -0.4, 0.4, (0.0, 0.0)),
        crosstalk_px=table.number("crosstalk_px", 0, 10, 0.0),
        flicker=table.number("flicker", 0, 1, 0.0),
        undiffracted=table.number("undiffracted", 0, 0.9, 0.0),
        ghost=table.number("ghost", 0, 1, 0.0),
        ghost_um=table.numbers("ghost_um", 2, -1e3, 1e3, (0.0, 0.0)),
    )


def _read_sensor(table: Table, camera: Camera) -> Sensor:
    pixels = camera.columns * camera.rows
    gain = table.number("electrons_per_count", 1e-3, 1e4, camera.electrons_per_count or 1.0)
    return Sensor(
        electrons_at_peak=table.number("electrons_at_peak", 1, 1e9, 0.7 * gain * 2**camera.bits),
        electrons_per_count=gain,
        read_noise_electrons=table.number("read_noise_electrons", 0, 1e4, 0.0),
        offset_counts=table.number("offset_counts", 0, 65535, 0.0),
        vignetting=table.number("vignetting", 0, 1, 0.0),
        hot_pixels=table.integer("hot_pixels", 0, pixels, 0),
        shots=table.integer("shots", 1, MAX_PIXELS // pixels, 1),
    )


def _read_cloud(lattice: Table, atoms: Table, bench: Bench) -> Cloud:
    return Cloud(
        drift_sites_per_step=lattice.number("drift_sites_per_step", 0, 100, 0.0),
        chromatic_px=lattice.numbers("chromatic_px", 2, -1e3, 1e3, (0.0, 0.0)),
        filling=atoms.number("filling", 0, 1, 0.5),
        region=atoms.integers("region", 2, 1, 500, (20, 15)),
        centre=atoms.integers("centre", 2, -(10**5), 10**5),
        electrons=atoms.number("electrons", 0, 1e9, 2000.0),
        spot_sigma_um=atoms.number("spot_sigma_um", 1e-3, 1e3, SPOT_SIGMA * bench.wavelength_um / bench.optics.numerical_aperture),
        background_electrons=atoms.number("background_electrons", 0, 1e9, 0.0),
    )


def _hidden_bench(bench: Bench, tables: dict[str, Table], seed: int) -> Bench:
    """The bench as it is: its beam, aberration, response and lattice with the faults that the tables tell."""
    known, terms = dict(bench.optics.aberration), dict(read_aberration(tables["aberration"]))
    aberration = tuple((j, known.get(j, 0.0) + terms.get(j, 0.0)) for j in sorted(known | terms))
    return replace(
        bench,
        light=_hidden_light(tables["beam"], bench, seed),
        panel=replace(bench.panel, response=_hidden_response(tables["panel"], bench), level_for_2pi=None),
        optics=replace(bench.optics, aberration=aberration),
        lattice=_hidden_lattice(tables["lattice"], bench.lattice),
    )


def _hidden_light(table: Table, bench: Bench, seed: int) -> Light:
    shift = table.numbers("shift_mm", 2, -1e3, 1e3, (0.0, 0.0))
    size = table.number("size", 0.01, 100, 1.0)
    lumpiness = table.number("lumpiness", 0, 2, 0.0)
    light = bench.light
    if light.beam_diameter_mm is not None:
        x, y = light.beam_centre_mm
        light = replace(light, beam_centre_mm=(x + shift[0], y + shift[1]), beam_diameter_mm=light.beam_diameter_mm * size)
    elif any(shift) or size != 1:
        key = "shift_mm" if any(shift) else "size"
        raise table.wrong(key, "none beside the bench's beam_tiff, which cannot be moved; lumpiness can be")
    beam = beam_intensity(replace(bench, light=light)) * np.exp(lumpiness * _lumps(bench.panel.shape, seed))
    if not (beam * (pupil_radii(bench) <= 1)).any():
        raise table.problem(
            "shift_mm", f"found {list(shift)}, which leaves no light inside the pupil; allowed: a beam that reaches the pupil"
        )
    return replace(light, beam=beam.astype(np.float32), beam_diameter_mm=None, beam_centre_mm=(0.0, 0.0))


def _lumps(shape: tuple[int, int], seed: int) -> NDArray[np.float64]:
    """A smooth random pattern of mean about 0 and rms 1: cosines of up to `LUMPS` half waves per axis."""
    down, across = (np.cos(np.pi * np.outer(np.arange(1, LUMPS + 1), (np.arange(pixels) + 0.5) / pixels)) for pixels in shape)
    pattern = down.T @ np.random.default_rng([seed, _LUMPS]).standard_normal((LUMPS, LUMPS)) @ across
    return np.asarray(pattern / np.sqrt((pattern**2).mean()))


def _hidden_response(table: Table, bench: Bench) -> NDArray[np.float64]:
    """Level and true phase, rad, shape (levels, 2): the known phase times ``1 + gain + quadratic |phase| / 2 pi``, and a wave on top."""
    gain = table.number("response_gain", -0.5, 0.5, 0.0)
    quadratic = table.number("response_quadratic", -0.5, 0.5, 0.0)
    wave = table.number("response_wave", -3, 3, 0.0)
    known = response_of_levels(bench.panel)
    level = np.arange(len(known))
    bent = known * (1 + gain + quadratic * np.abs(known) / (2 * np.pi))
    return np.column_stack([level, bent + wave * np.sin(2 * np.pi * level / level[-1])])


def _hidden_lattice(table: Table, lattice: Lattice) -> Lattice:
    """The lattice with its vectors turned, stretched and sheared, and its origin moved by so many of these vectors."""
    turn = np.radians(table.number("rotation_deg", -360, 360, 0.0))
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    stretch, shear = table.number("stretch", 0.5, 2, 1.0), table.number("shear", -0.5, 0.5, 0.0)
    vectors = lattice.vectors_um @ (stretch * rotation @ _sheared(shear)).T
    offset = np.array(table.numbers("offset_sites", 2, -1e3, 1e3, (0.0, 0.0)))
    return Lattice(vectors, lattice.origin_um + offset @ vectors, lattice.basis)


def twin_text(bench_name: str, rng: np.random.Generator) -> str:
    """Text of a twin file for the demo bench, every key explained, with faults drawn at random.

    Parameters
    ----------
    bench_name : str
        Name of the bench file, from the folder of the twin file.
    rng : Generator

    Returns
    -------
    str

    Notes
    -----
    Rotation, mirror image and the directions of all else are anything; sizes of the faults are common practice, no source.

    Examples
    --------
    >>> import tomllib
    >>> list(tomllib.loads(twin_text("bench.toml", np.random.default_rng(0))))
    ['bench', 'seed', 'camera_map', 'aberration', 'beam', 'panel', 'sensor', 'lattice', 'atoms']
    """
    template = Template(resources.files("holo").joinpath("demo_twin.toml").read_text(encoding="utf-8"))
    camera = parse_bench(demo_bench_text(), "bench.toml").camera
    assert camera is not None
    waves, ghost = rng.standard_normal(12), rng.uniform(-np.pi, np.pi)
    waves *= 0.1 / np.sqrt((waves**2).sum())

    def about(size: float, middle: float = 0.0) -> float:
        return float(f"{middle + rng.uniform(-size, size):.5g}")

    return template.substitute(
        bench=bench_name,
        seed=int(rng.integers(2**31)),
        rotation_deg=about(180),
        shear=about(0.02),
        mirror=str(rng.random() < 0.5).lower(),
        scale=about(0.05, 1.0),
        offset_px=[about(0.1 * camera.columns), about(0.1 * camera.rows)],
        distortion=about(1e-4),
        aberration="\n".join(f"{j} = {wave:.5f}" for j, wave in enumerate(waves, 4)),
        shift_mm=[about(0.5), about(0.5)],
        size=about(0.05, 1.0),
        lumpiness=0.1,
        crosstalk_px=0.3,
        response_gain=about(0.03),
        response_quadratic=about(0.03),
        response_wave=0.0,
        response_tilt=[0.0, 0.0],
        flicker=0.003,
        undiffracted=0.03,
        ghost=0.005,
        ghost_um=[round(float(4 * part), 3) for part in (np.cos(ghost), np.sin(ghost))],
        electrons_at_peak=7000,
        electrons_per_count=2.5,
        read_noise_electrons=2.5,
        offset_counts=100,
        vignetting=0.1,
        hot_pixels=20,
        shots=1,
        lattice_rotation_deg=about(3),
        stretch=about(0.01, 1.0),
        lattice_shear=about(0.01),
        offset_sites=[about(2), about(2)],
        drift_sites_per_step=0.05,
        chromatic_px=[about(2), about(2)],
        filling=0.5,
        region=[24, 18],
        electrons=1500,
        background_electrons=10,
    )
