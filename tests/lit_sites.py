"""A bench for the tests of balance: the light of a panel on camera and sites by a plain float64 sum, without holo's code for fields.

Conventions: DEVELOPERS.md. The camera is not turned, so that the sum goes along rows and columns in turn; it may be mirrored.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import KDTree
from simulated_frames import exposed

from holo.affine import Affine
from holo.arrangement import block
from holo.bench import demo_bench_text, parse_bench
from holo.dialogue import Start
from holo.record import sources_of
from holo.registration import Registration, place

TIME = "2025-06-30T14:05:00+02:00"
SIGMA_PX = 1.75
"""Standard deviation of the Gaussian nearest to the demo bench's spots on a camera of 5 pixels per um: that of an Airy pattern is 1.64, and
the Gaussian beam, cut off by the pupil, makes them a little wider."""


def bench_of(columns, rows, coarse, told):
    """The demo bench with fewer and larger pixels on its panel, `coarse` times as large, and a camera of so many pixels.

    Its camera has 2.5 electrons per count, which the file may tell or not.
    """
    text = demo_bench_text().replace(
        "columns = 1200\nrows = 1000\npitch_um = 10.0",
        f"columns = {round(1200 / coarse)}\nrows = {round(1000 / coarse)}\npitch_um = {10.0 * coarse}",
    )
    text = text.replace("columns = 1200\nrows = 900", f"columns = {columns}\nrows = {rows}")
    assert "\nelectrons_per_count = 2.5" in text
    return parse_bench(text if told else text.replace("\nelectrons_per_count", "\n# electrons_per_count"), "bench.toml")


@dataclass
class Bench:
    """What is true of a bench and camera, hidden from holo but for the registration."""

    start: Start
    matrix: np.ndarray
    offset: np.ndarray
    factor: np.ndarray
    """Light that each site gets over what the sum gives."""
    waves: dict
    """Aberration that the bench file does not have: astigmatism and coma, waves rms."""
    electrons: float
    """In the spot of the mean site."""
    drift_px: np.ndarray
    """Column and row by which the camera moves with each frame."""
    camera: dict
    """Further options of `exposed`."""

    @property
    def xyz_um(self):
        start = self.start
        return place(start.arrangement, start.bench.lattice, start.registration).xyz_um

    def pupil_field(self, levels):
        """Field on the panel, and x and y of its pixels."""
        bench = self.start.bench
        panel, optics = bench.panel, bench.optics
        x = (np.arange(panel.columns) - (panel.columns - 1) / 2) * panel.pitch_um
        y = (np.arange(panel.rows) - (panel.rows - 1) / 2) * panel.pitch_um
        radius = optics.focal_length_mm * 1e3 * optics.numerical_aperture / optics.relay_magnification
        u, v = x / radius, y[:, None] / radius
        square = u**2 + v**2
        beam = np.exp(-(x**2 + y[:, None] ** 2) / (500 * bench.light.beam_diameter_mm) ** 2)
        astigmatism, coma = np.sqrt(6) * (u**2 - v**2), np.sqrt(8) * (3 * square - 2) * u  # Noll 6 and 8
        phase = 2 * np.pi * (levels / panel.level_for_2pi + self.waves.get(6, 0) * astigmatism + self.waves.get(8, 0) * coma)
        return np.where(square <= 1, beam * np.exp(1j * phase), 0), x, y

    def scale(self):
        """k over the focal length seen from the panel, rad/um^2."""
        bench = self.start.bench
        return 2 * np.pi / (bench.light.wavelength_nm * 1e-3 * bench.optics.focal_length_mm * 1e3 / bench.optics.relay_magnification)

    def envelope(self, x_um, y_um):
        panel = self.start.bench.panel
        side = panel.pitch_um * np.sqrt(panel.fill_factor) * self.scale() / (2 * np.pi)
        return (np.sinc(x_um * side) * np.sinc(y_um * side)) ** 2

    def light(self, levels, there=(0.0, 0.0, 0.0)):
        """Intensity on the sites, or so far from them."""
        field, x, y = self.pupil_field(levels)
        x_um, y_um, _ = (self.xyz_um + there).T
        across, down = np.exp(-1j * self.scale() * np.outer(x_um, x)), np.exp(-1j * self.scale() * np.outer(y_um, y))
        return np.abs(((down @ field) * across).sum(axis=1)) ** 2 * self.envelope(x_um, y_um) * self.factor

    def picture(self, levels, step=0):
        """Mean intensity on the pixels: of 2 x 2 points each (Gauss-Legendre); the factor of a pixel is that of the nearest site."""
        field, x, y = self.pupil_field(levels)
        camera = self.start.bench.camera
        points = 0.5 / np.sqrt(3) * np.array([-1, 1])
        away = self.offset + step * self.drift_px
        x_um = ((np.arange(camera.columns)[:, None] + points).ravel() - away[0]) / self.matrix[0, 0]
        y_um = ((np.arange(camera.rows)[:, None] + points).ravel() - away[1]) / self.matrix[1, 1]
        seen = np.exp(-1j * self.scale() * np.outer(y_um, y)) @ field @ np.exp(-1j * self.scale() * np.outer(x, x_um))
        fine = np.abs(seen) ** 2 * self.envelope(x_um, y_um[:, None])
        pixels = fine.reshape(camera.rows, 2, camera.columns, 2).mean(axis=(1, 3))
        centres = np.stack(np.meshgrid(x_um.reshape(-1, 2).mean(axis=1), y_um.reshape(-1, 2).mean(axis=1)), axis=-1)
        return pixels * self.factor[KDTree(self.xyz_um[:, :2]).query(centres)[1]]

    def take(self, levels, step):
        """A frame, its noise from the step alone."""
        return self.exposed(self.picture(levels, step), levels, step)

    def exposed(self, picture, levels, step):
        """A frame of a picture of a mask."""
        mean = self.light(levels)[self.factor > 0].mean()
        return exposed(picture * (self.electrons / (2 * np.pi * SIGMA_PX**2) / mean), np.random.default_rng([7, step]), **self.camera)

    def spread(self, levels, which=slice(None)):
        relative = (self.light(levels) / self.start.arrangement.target)[which]
        return relative.std() / relative.mean()


def bench_with(
    side=5, spread=0.15, *, arrangement=None, seed=0, waves=None, electrons=40_000.0, drift_px=(0, 0), registration=None, **options
):
    """A bench with `side` x `side` sites, 5 um apart, whose factors differ by `spread`; `options` are those of balance and the camera."""
    rng = np.random.default_rng(seed)
    camera = {"gain": 1 / 2.5} | {key: options.pop(key) for key in ("shots", "background") if key in options}
    pixels = 25 * side + 70
    bench = bench_of(pixels + 20, pixels, options.pop("coarse", 2.5), options.pop("told", True))
    arrangement = block(side, side) if arrangement is None else arrangement
    to_plane = Affine(5.0 * np.eye(2), [20.3, 14.6])
    matrix = np.diag([-5.0, 5.0])
    offset = np.array([pixels + 19, pixels - 1]) / 2 - matrix @ to_plane.apply([[(side - 1) / 2, (side - 1) / 2]])[0]
    found = Registration(lattice_to_plane=to_plane, plane_to_camera=Affine(matrix, offset), time=TIME)
    start = Start(bench, sources_of(bench, arrangement, found), found, arrangement, options, TIME)
    factor = np.exp(rng.normal(0, 1, len(arrangement)))
    factor = np.exp(np.log(factor) * (spread / np.log(factor).std() if spread else 0))
    return Bench(start, matrix, offset, factor, waves or {}, electrons, np.array(drift_px, float), camera)
