"""Extremes that are refused or told, and numbers that are none at the doors for arrays."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simple_paths import lattice, panel, retrieve

from holo.affine import Affine
from holo.arrangement import from_sites
from holo.bench import bench_warnings, drowned
from holo.errors import InputError
from holo.field.plane import plane_field
from holo.field.sites import SiteTransform, direct_fields
from holo.mask import nudge_phase
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
