"""Trimming: what rounding to levels costs, and how much of it comes back."""

from __future__ import annotations

import numpy as np
import pytest
from simple_paths import lattice, level, panel, retrieve

from holo.field.sites import direct_fields
from holo.retrieve.trim import trim


def rounded(levels):
    step = 2 * np.pi / levels
    return lambda phase: np.round(phase / step) * step


@pytest.mark.parametrize("levels", [16, 64, 212, 256])
def test_rounding_error_shrinks(levels):
    path, xyz = panel(256), lattice(10, 10, 8.0, centre=(6.0, 5.0))
    phase, shown = retrieve(path, xyz).phase, rounded(levels)
    before = level(abs(direct_fields(path, shown(phase), xyz)) ** 2)
    trimmed = trim(path, phase, xyz, np.ones(100), shown, steps=8)
    after = level(abs(direct_fields(path, shown(trimmed.phase), xyz)) ** 2)
    assert trimmed.history[0] == pytest.approx(before, abs=1e-5)
    assert trimmed.uniformity == pytest.approx(after, abs=1e-5)
    assert 1 - after < (1 - before) / 2.5


def test_rounding_noise_is_that_of_uniform_phase_errors():
    """A phase error uniform over one step has the variance step^2 / 12; its light spreads evenly (common practice, no source)."""
    levels, path, xyz = 64, panel(256), lattice(12, 12, 7.0, centre=(6.0, 5.0))
    phase = retrieve(path, xyz).phase
    amplitude = abs(direct_fields(path, rounded(levels)(phase), xyz))
    power = np.sum(path.amplitude**2) / path.amplitude_sum**2
    expected = np.sqrt((2 * np.pi / levels) ** 2 / 12 * power / 2)
    assert amplitude.std() == pytest.approx(expected, rel=0.35)


def test_targets_and_planes_are_kept():
    path, xyz = panel(256), lattice(6, 6, 12.0, centre=(20.0, 10.0))
    xyz[:, 2] = np.arange(36) % 2 * 4.0
    target, shown = np.linspace(1, 3, 36), rounded(128)
    trimmed = trim(path, retrieve(path, xyz, target).phase, xyz, target, shown, steps=8)
    assert level(abs(direct_fields(path, shown(trimmed.phase), xyz)) ** 2 / target) > 0.999


def test_no_steps_change_nothing():
    path, xyz = panel(128), lattice(4, 4, 20.0)
    phase = retrieve(path, xyz).phase
    assert trim(path, phase, xyz, np.ones(16), rounded(64), steps=0).phase is phase
