"""Extremes that are refused or told, and numbers that are none at the doors for arrays."""

from __future__ import annotations

import re

import numpy as np
import pytest
from extremes import ended, extremes
from hypothesis import given, settings
from hypothesis import strategies as st
from simple_paths import lattice, panel, retrieve

from holo.affine import Affine
from holo.arrangement import from_sites
from holo.bench import bench_warnings, drowned, scattered_by_levels
from holo.errors import InputError
from holo.field.path import light_path
from holo.field.plane import plane_field
from holo.field.sites import SiteTransform, direct_fields
from holo.mask import levels_of_phase, nudge_phase, phase_of_levels
from holo.predict import figures
from holo.registration import Sites, closest_pair
from holo.zernike import zernike_sum

PATH, XYZ = panel(32), lattice(2, 2, 40.0)
PHASE, ONES, STEPS = np.zeros((32, 32)), np.ones(4), np.arange(3.0)
DOORS = {
    "points": (XYZ, lambda a: direct_fields(PATH, PHASE, a)),
    "phase": (PHASE, lambda a: direct_fields(PATH, a, XYZ)),
    "plan": (XYZ, lambda a: SiteTransform(PATH, a)),
    "plane": (PHASE, lambda a: plane_field(PATH, a, STEPS, STEPS)),
    "grid": (STEPS, lambda a: plane_field(PATH, PHASE, a, STEPS)),
    "nudge": (PHASE, lambda a: nudge_phase(PATH, a, 0.1, 0.1)),
    "sites": (XYZ, lambda a: Sites(XYZ[:, :2], a, ONES)),
    "targets of sites": (ONES, lambda a: Sites(XYZ[:, :2], XYZ, a)),
    "places to search": (XYZ, lambda a: retrieve(PATH, a)),
    "targets": (ONES, lambda a: retrieve(PATH, XYZ, a)),
    "start": (ONES, lambda a: retrieve(PATH, XYZ, start=a)),
    "intensity": (ONES, lambda a: figures(a, ONES)),
    "arrangement": (XYZ[:, :2], lambda a: from_sites(a)),
    "depths": (ONES, lambda a: from_sites(XYZ[:, :2], z_um=a)),
    "pairs": (XYZ, lambda a: closest_pair(a)),
    "map": (XYZ[:, :2], lambda a: Affine(np.eye(2), np.zeros(2)).apply(a)),
    "aberration": (ONES, lambda a: zernike_sum({5: 1.0}, a, ONES)),
}


@settings(max_examples=80, deadline=None)
@given(st.sampled_from(sorted(DOORS)), st.sampled_from([np.nan, np.inf, -np.inf]), st.integers(0, 10**6))
def test_no_door_lets_in_what_is_no_finite_number(door, bad, place):
    good, call = DOORS[door]
    values = np.array(good)
    values.flat[place % values.size] = bad
    with pytest.raises(InputError, match="found"):
        call(values)


@pytest.mark.parametrize("changes", [{"light__beam_diameter_mm": 0.08}, {"panel__rows": 1}, {"panel__columns": 1}])
def test_little_light_in_the_pupil_is_told(small_bench, changes):
    assert any("fills too little of the pupil" in text for text in bench_warnings(small_bench(**changes)))


def test_a_dark_site_one_field_away_from_a_bright_one_cannot_be_dark(small_bench):
    bench = small_bench()
    half = bench.field_um / 2
    sites = Sites(np.zeros((3, 2)), np.array([[-half, 5, 0], [half, 5, 0], [half, -5, 0]]), np.array([1.0, 0, 0]))
    assert drowned(bench, sites).tolist() == [False, True, False]
    assert any("one width of the field" in text for text in bench_warnings(bench, sites))


ENDS = {
    "1 site": ("converged", "^$"),
    "3 sites at equal distance": ("converged", "^$"),
    "beyond the edge": ("refused", r"found outside the field; allowed: x and y from -23\.33 to 23\.33 um"),
    "one site 1e6 dimmer": ("converged", r"give them targets of 3\.9e-05 times the brightest or more, or a mask of their own"),
    "targets over 1e-6 to 1e3": ("short", r"give them targets of .*\n.* took the uniformity from 0\.999.*: try --effort high"),
    "a beam of 0.1 of the panel": (
        "short",
        r"wide as those of 5\.03 um .*; widen the beam, or set them apart\n.*iterations short of",
    ),
    "1 row, sites across it": ("short", r"inf um along y, and sites closer than that blur; set them apart along x\n"),
    "a beam beside the panel": ("refused", "found no light inside the pupil; allowed: a beam that reaches the pupil"),
    "300 nm": ("converged", "^warning: light of 300 nm is outside the visible"),
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
