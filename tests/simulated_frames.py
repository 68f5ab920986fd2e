"""Camera frames for the tests, drawn from positions alone: no code of holo takes part, so that an error there cannot hide here.

Spots are Gaussians integrated over each pixel (differences of error functions) or Airy patterns sampled on a fine grid; electrons are
Poisson distributed, read noise is Gaussian. Pixel centres lie at whole numbers (column, row).
"""

from __future__ import annotations

import numpy as np
from scipy.special import erf, j1


def gaussian_spots(xy, electrons, shape, sigma):
    """Mean electrons of Gaussian spots of standard deviation `sigma` px, shape (rows, columns)."""
    image = np.zeros(shape)
    electrons = np.broadcast_to(electrons, len(xy))
    reach = int(np.ceil(6 * sigma)) + 1
    for (x, y), total in zip(xy, electrons, strict=True):
        if not (-reach <= x < shape[1] + reach and -reach <= y < shape[0] + reach):
            continue
        left, top = max(round(x) - reach, 0), max(round(y) - reach, 0)
        columns, rows = np.arange(left, min(round(x) + reach + 1, shape[1])), np.arange(top, min(round(y) + reach + 1, shape[0]))
        across, down = (
            0.5 * (erf((axis + 0.5 - place) / (np.sqrt(2) * sigma)) - erf((axis - 0.5 - place) / (np.sqrt(2) * sigma)))
            for axis, place in ((columns, x), (rows, y))
        )
        image[rows[:, None], columns] += total * np.outer(down, across)
    return image


def airy_spots(xy, peak, shape, first_dark, fine=3):
    """Mean electrons of Airy spots whose first dark ring has the radius `first_dark` px and whose peak is `peak` electrons a pixel."""
    image = np.zeros(shape)
    peak = np.broadcast_to(peak, len(xy))
    reach = int(np.ceil(5 * first_dark))
    inner = (np.arange(fine) - (fine - 1) / 2) / fine
    for (x, y), height in zip(xy, peak, strict=True):
        left, top = max(round(x) - reach, 0), max(round(y) - reach, 0)
        columns, rows = np.arange(left, min(round(x) + reach + 1, shape[1])), np.arange(top, min(round(y) + reach + 1, shape[0]))
        if not len(columns) or not len(rows):
            continue
        across, down = (columns[:, None] + inner).ravel() - x, (rows[:, None] + inner).ravel() - y
        v = np.maximum(3.8317059702 / first_dark * np.hypot(across, down[:, None]), 1e-9)
        pattern = (2 * j1(v) / v) ** 2
        image[rows[:, None], columns] += height * pattern.reshape(len(rows), fine, len(columns), fine).mean(axis=(1, 3))
    return image


def exposed(mean, rng, *, background=2.0, read_noise=2.0, gain=1.0, offset=100.0, bits=12, shots=1):
    """Frames of a camera, uint16, shape (shots, rows, columns): `gain` counts per electron on top of `offset` counts."""
    electrons = rng.poisson(np.broadcast_to(mean + background, (shots, *mean.shape))) + rng.normal(0, read_noise, (shots, *mean.shape))
    return np.clip(np.round(electrons * gain + offset), 0, 2**bits - 1).astype(np.uint16)


def affine(rng, *, scale=5.0, degrees=None, shear=0.02, mirror=None, offset=(600.0, 450.0), wander=40.0):
    """A random plane-to-camera map: (matrix, offset), y = matrix @ x + offset."""
    turn = np.radians(rng.uniform(-180, 180) if degrees is None else degrees)
    flip = (rng.random() < 0.5) if mirror is None else mirror
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    matrix = scale * rotation @ np.array([[1, rng.uniform(-shear, shear)], [0, 1]]) @ np.diag([-1.0 if flip else 1.0, 1.0])
    return matrix, np.asarray(offset) + rng.uniform(-wander, wander, 2)
