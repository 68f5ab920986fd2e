"""Extremes that are refused or told, and numbers that are none at the doors for arrays."""

from __future__ import annotations

import re

import numpy as np
import pytest
from extremes import ended, extremes
from precision import STEPS, compared, levelled
from simple_paths import panel

from holo.bench import bench_warnings, drowned, scattered_by_levels
from holo.field.grid import grid_length
from holo.field.path import light_path
from holo.field.sites import direct_fields
from holo.mask import levels_of_phase, phase_of_levels
from holo.registration import Sites


@pytest.mark.parametrize("changes", [{"light__beam_diameter_mm": 0.08}, {"panel__rows": 1}, {"panel__columns": 1}])
def test_little_light_in_the_pupil_is_told(small_bench, changes):
    assert any("fills too little of the pupil" in text for text in bench_warnings(small_bench(**changes)))


def test_a_dark_site_one_field_away_from_a_bright_one_cannot_be_dark(small_bench):
    bench = small_bench()
    half = bench.field_um / 2
    sites = Sites(np.zeros((3, 2)), np.array([[-half, 5, 0], [half, 5, 0], [half, -5, 0]]), np.array([1.0, 0, 0]))
    assert drowned(bench, sites).tolist() == [False, True, False]
    assert any("one width of the field" in text for text in bench_warnings(bench, sites))


@pytest.mark.parametrize(("side", "count"), [(64, 100), (256, 100)])
def test_single_precision_costs_what_it_must(side, count):
    """One iteration against float64.

    A field is off by the kernel's error, 1e-5 (`holo.field.grid.WIDTH`), and by rounding in four transforms of length n, each at most
    ``log2(n)`` times 6.6 units in the last place (N. J. Higham, Accuracy and Stability of Numerical Algorithms, 2002, theorem 24.2; from
    memory). The light on the panel is off by ``d``, the kernel and half of that rounding, over its rms. Across it that is Gaussian, of mean
    modulus ``d / sqrt(pi)``, and the inverse of a sum of many waves has the mean ``sqrt(pi)`` (Rayleigh): phases are off by ``d`` in the
    mean, and a share ``d`` over the step of phase of the pixels falls to another level.
    """
    path = panel(side)
    xyz, waves, target = levelled(path, count)
    rounding = 4 * np.log2(grid_length(side)) * 6.6 * np.finfo(np.float32).eps / 2
    found = compared(path, xyz, waves, target)
    assert found.field < 1e-5 + rounding
    assert found.intensity < 2 * (1e-5 + rounding)
    assert found.uniformity < 2 * (1e-5 + rounding)
    crossing = (1e-5 + rounding / 2) * STEPS / (2 * np.pi)
    assert found.levels < crossing
    assert found.apart <= 1
    assert compared(path, xyz, waves, target, coarse=True).levels > crossing  # as lost precision would be


ENDS = {
    "1 site": ("converged", "^$"),
    "beyond the edge": ("refused", r"found outside the field; allowed: x and y from -23\.33 to 23\.33 um"),
    "one site 1e6 dimmer": ("converged", r"give them targets of 3\.9e-05 times the brightest or more, or a mask of their own"),
    "targets over 1e-6 to 1e3": ("short", r"give them targets of .*\n.* took the uniformity from 0\.999.*: try --effort high"),
    "a beam of 0.1 of the panel": (
        "short",
        r"wide as those of 5\.03 um .*; widen the beam, or set them apart\n.*iterations short of",
    ),
    "1 row, sites across it": ("short", r"inf um along y, and sites closer than that blur; set them apart along x\n"),
    "a beam beside the panel": ("refused", "found no light inside the pupil; allowed: a beam that reaches the pupil"),
    "NA 1.4, index 1.52": ("converged", "^$"),
    "2 levels in 2 pi": ("short", r"rounding to 2 steps .* took the uniformity from 0\.9999.* to 0\.96.*, as site .*: try --effort high"),
}


@pytest.mark.parametrize("name", ENDS)
def test_an_extreme_converges_or_says_why_not(name, tmp_path):
    found, (kind, words) = ended(extremes()[name], tmp_path), ENDS[name]
    assert found.kind == kind
    assert re.search(words, found.said)


def test_light_scattered_by_levels_is_what_rounding_leaves(small_bench):
    """Nothing but chance is on sites that get no wave of a mask: its mean is the light that rounding scatters."""
    bench = small_bench(panel__level_for_2pi=16)
    path, rng = light_path(bench), np.random.default_rng(1)
    phase = rng.uniform(0, 2 * np.pi, bench.panel.shape)
    places = np.column_stack([rng.uniform(-20, 20, (400, 2)), np.zeros(400)])
    error = phase_of_levels(levels_of_phase(phase, bench.panel), bench.panel) - phase
    left = direct_fields(path, phase + error, places) - direct_fields(path, phase, places)
    scattered = np.mean(np.abs(left / path.envelope(places)) ** 2)
    assert scattered == pytest.approx(scattered_by_levels(bench), rel=5 / np.sqrt(400))  # the mean of 400 exponential variates
