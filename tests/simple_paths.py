"""Light paths without a bench file, lattices about the axis, and the retrieval as the tests call it."""

from __future__ import annotations

import numpy as np

from holo.field.path import LightPath
from holo.retrieve.spots import retrieve_spots

WAVELENGTH, FOCAL, PITCH = 0.938, 8333.3, 10.0


def panel(side, *, uniform=False, envelope=True):
    """A square panel of `side` pixels: a Gaussian beam in a round pupil, or a uniform beam on all pixels."""
    x = (np.arange(side) - (side - 1) / 2) * PITCH
    rho = np.hypot(x, x[:, None]) / (side / 2 * PITCH)
    amplitude = np.ones((side, side)) if uniform else np.exp(-(rho**2)) * (rho <= 1)
    defocus = np.where(amplitude > 0, -0.8 * (rho**2 - 0.5), 0)
    scale = 2 * np.pi / (WAVELENGTH * FOCAL)
    width = 0.96 * PITCH if envelope else 0.0
    return LightPath(x, x, amplitude, np.zeros((side, side)), defocus, scale, width, float(amplitude.sum()), amplitude > 0, 1.0)


def lattice(columns, rows, spacing_um, degrees=12.3, centre=(0.0, 0.0)):
    i, j = np.meshgrid(np.arange(columns) - (columns - 1) / 2, np.arange(rows) - (rows - 1) / 2)
    a = np.deg2rad(degrees)
    x, y = np.cos(a) * i - np.sin(a) * j, np.sin(a) * i + np.cos(a) * j
    return np.column_stack([spacing_um * x.ravel() + centre[0], spacing_um * y.ravel() + centre[1], np.zeros(x.size)])


def level(intensity):
    return 1 - (intensity.max() - intensity.min()) / (intensity.max() + intensity.min())


def retrieve(path, xyz, target=None, seed=0, **options):
    target = np.ones(len(xyz)) if target is None else target
    return retrieve_spots(path, xyz, target, rng=np.random.default_rng(seed), **options)
