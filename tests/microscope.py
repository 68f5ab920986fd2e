"""An invented microscope whose lattice spacing lies below its resolution, and arrangements on it."""

from __future__ import annotations

import numpy as np

from holo.bench import parse_bench
from holo.field.path import light_path

WAVELENGTH_UM, APERTURE, SPACING_UM = 0.787, 0.68, 0.532


def microscope_text(pixels=256, beam=1.0, levels=256):
    """Bench file: the pupil is the largest circle on a square panel, `beam` the beam's 1/e^2 diameter over the pupil's."""
    side_mm = pixels * 12.5e-3
    return f"""name = "microscope"
[light]
wavelength_nm = {1e3 * WAVELENGTH_UM}
power_mw = 1.0
beam_diameter_mm = {beam * side_mm}
[panel]
columns = {pixels}
rows = {pixels}
pitch_um = 12.5
levels = {levels}
level_for_2pi = {levels}
fill_factor = 0.93
power_limit_w_cm2 = 2.0
[optics]
focal_length_mm = 4.0
numerical_aperture = {APERTURE}
relay_magnification = {8 * APERTURE / side_mm}
[lattice]
vectors_um = [[{SPACING_UM}, 0.0], [0.0, {SPACING_UM}]]
origin_um = [12.0, 9.0]
"""


def microscope(pixels=256, beam=1.0, levels=256):
    return parse_bench(microscope_text(pixels, beam, levels), "microscope.toml")


def microscope_path(pixels=256, beam=1.0):
    return light_path(microscope(pixels, beam))


PATTERNS = {
    "checkerboard": lambda i, j: (i + j) % 2 == 0,
    "stripes": lambda i, j: j % 2 == 0,
    "random half": lambda i, j: np.random.default_rng(1).random(i.shape) < 0.5,
}


def region(name, side=30):
    """Lattice coordinates, places and targets of all sites of a square region; those that the pattern leaves out are dark."""
    i, j = (part.ravel() for part in np.meshgrid(np.arange(side), np.arange(side)))
    xyz = np.column_stack([12.0 + SPACING_UM * i, 9.0 + SPACING_UM * j, np.zeros(side * side)])
    return np.column_stack([i, j]).astype(float), xyz, PATTERNS[name](i, j).astype(float)
