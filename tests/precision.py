"""What single precision costs: one whole iteration by `SiteTransform` against the same in float64, by plain sums."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from simple_paths import lattice, retrieve

from holo.field.sites import SiteTransform
from holo.retrieve.trim import uniformity_of

STEPS = 212
"""Levels in 2 pi to which phases are rounded."""

PART = 512
"""Sites whose waves are added up at a time."""


@dataclass(frozen=True)
class Compared:
    """Differences of one iteration from its float64."""

    field: float
    """Of the fields at the sites over the largest of them, largest."""
    intensity: float
    """Of an intensity over itself, largest."""
    uniformity: float
    """Of the uniformity."""
    levels: float
    """Share of the pixels in the pupil whose phase, rounded, is another level."""
    apart: int
    """Levels that these are apart, at most."""


def superposed(path, xyz, waves):
    """Light of the waves to some sites on the panel, in float64."""
    light = np.zeros((len(path.y_um), len(path.x_um)), np.complex128)
    for start in range(0, len(xyz), PART):
        x, y = xyz[start : start + PART, 0], xyz[start : start + PART, 1]
        down = np.exp(1j * path.scale * np.outer(path.y_um, y)) * waves[start : start + PART]
        light += down @ np.exp(1j * path.scale * np.outer(x, path.x_um))
    return light


def fields_of(path, light, xyz):
    """Its fields at sites in the focal plane, without the pixel envelope."""
    across = light @ np.exp(-1j * path.scale * np.outer(path.x_um, xyz[:, 0]))
    return np.einsum("rm,rm->m", np.exp(-1j * path.scale * np.outer(path.y_um, xyz[:, 1])), across)


def levelled(path, count, turned=12.3):
    """A search's sites, a lattice over half of the field and off its axis, with the waves and targets that it ends with."""
    field, side = 2 * np.pi / (path.scale * abs(path.x_um[1] - path.x_um[0])), int(count**0.5)
    xyz = lattice(side, side, 0.55 * field / side, turned, (0.07 * field, 0.05 * field))
    found = retrieve(path, xyz, seed=1, effort="quick")
    return xyz, found.waves, 1 / path.envelope(xyz) ** 2


def compared(path, xyz, waves, target, most=200, **options):
    """Compare an iteration from some waves: fields at up to `most` of the sites, and levels on all lit pixels.

    A common tilt would not matter to the light and is left in, so that large ramps are part of what is compared.
    """
    transform = SiteTransform(path, xyz, **options)
    some = np.linspace(0, len(xyz) - 1, min(most, len(xyz))).astype(int)
    light = superposed(path, xyz, waves)
    exact = np.angle(light)
    wanted = fields_of(path, path.amplitude * np.exp(1j * exact), xyz[some])
    found = transform.project(waves)[some].astype(np.complex128)
    levels = [np.rint(phase / (2 * np.pi) * STEPS).astype(int) % STEPS for phase in (exact - path.aberration, transform.mask_phase(waves))]
    apart = np.abs(levels[0] - levels[1])[path.amplitude > 0]
    apart = np.minimum(apart, STEPS - apart)
    intensity, seen = np.abs(wanted) ** 2, np.abs(found) ** 2
    return Compared(
        field=float(np.abs(found - wanted).max() / np.abs(wanted).max()),
        intensity=float(np.abs(seen / intensity - 1).max()),
        uniformity=abs(uniformity_of(seen / target[some]) - uniformity_of(intensity / target[some])),
        levels=float(np.mean(apart > 0)),
        apart=int(apart.max()),
    )
