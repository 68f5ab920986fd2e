"""The starter patterns: that each reads, has the shape its title says, and stays where light can go."""

from __future__ import annotations

from importlib.resources import files

import numpy as np
import pytest

from holo.arrangement import block, disc, line, read_arrangement
from holo.lattice import named_lattice
from holo.registration import place, place_continuous

LATTICE = named_lattice("square", 5.0, origin_um=(60.0, 40.0))
FOLDER = files("holo.patterns")

# bright and dark sites, columns and rows that the bright ones span
SIZES = {
    "block": (100, 0, 9, 9),
    "chain": (20, 2 * 20 + 2, 19, 0),
    "checkerboard": (72, 72, 11, 11),
    "defect": (120, 1, 10, 10),
    "dimers": (20, 0, 18.8, 0),
    "disc": (112, 0, 11, 11),
    "domain-wall": (96, 96, 7, 11),
    "frame": (144 - 64, 0, 11, 11),
    "gradient": (96, 0, 11, 7),
    "honeycomb": (24, 0, 6 * np.sqrt(3), 10),
    "island": (16, 96, 3, 3),
    "kagome": (30, 0, 12, 6 * np.sqrt(3)),
    "ladder": (32, 2 * 18 + 4, 15, 1),
    "letters": (63, 0, 22, 6),
    "lieb": (169 - 36, 36, 12, 12),
    "plaquettes": (64, 0, 13, 13),
    "random": (127, 0, 15, 15),
    "ring": (52, 136, 14, 14),
    "staircase": (30, 0, 18, 4),
    "two-planes": (72, 0, 11, 11),
}

# continuous light: columns and rows, in lattice spacings, and where its middle lies
SMOOTH = {"soft-box": (8, 6, (7, 6)), "two-wells": (10, 6, (8, 6))}


def read(name):
    return read_arrangement(FOLDER / f"{name}.toml", LATTICE)


def points(arrangement):
    return set(zip(*np.round(arrangement.ij, 3).T.tolist(), np.round(arrangement.target, 9).tolist(), strict=True))


def turned(arrangement, matrix):
    """The sites mapped by a matrix about the middle of the bright ones."""
    middle = (arrangement.bright.ij.min(axis=0) + arrangement.bright.ij.max(axis=0)) / 2
    mapped = (arrangement.ij - middle) @ np.transpose(matrix) + middle
    return set(zip(*np.round(mapped, 3).T.tolist(), np.round(arrangement.target, 9).tolist(), strict=True))


def test_all_files_are_listed_here():
    assert {entry.name for entry in FOLDER.iterdir() if entry.name.endswith(".toml")} == {f"{name}.toml" for name in (*SIZES, *SMOOTH)}


@pytest.mark.parametrize("name", SIZES)
def test_sizes(name):
    arrangement = read(name)
    bright = arrangement.bright
    found = (len(bright), len(arrangement.dark), *np.ptp(bright.ij, axis=0).tolist())
    assert found == pytest.approx(SIZES[name], abs=2e-4)


@pytest.mark.parametrize("name", SMOOTH)
def test_continuous_light_stays_clear_of_the_axis_and_of_its_mirror_image(name):
    arrangement = read(name)
    columns, rows, middle = SMOOTH[name]
    assert not len(arrangement)
    left, right, top, bottom = place_continuous(arrangement, LATTICE).box_um(0.0)
    assert (right - left, bottom - top) == pytest.approx((5 * columns, 5 * rows))
    assert ((left + right) / 2 - 60, (top + bottom) / 2 - 40) == pytest.approx(tuple(5 * np.array(middle)))
    assert min(left, top) > 40
    assert max(right, bottom) < 0.6 * 938e-3 * 4000 / 0.48 / 10 / 2


def test_the_two_wells_are_joined_by_a_channel():
    light = place_continuous(read("two-wells"), LATTICE)
    x, y = 60 + 5 * (8 + np.array([-3.0, 0.0, 0.0, 3.0])), 40 + 5 * (6 + np.array([2.0, 2.0, 0.0, 2.0]))
    assert light.intensity(x, y, 1.0) == pytest.approx([0.76, 0.0, 0.85, 0.94], abs=1e-3)


@pytest.mark.parametrize("name", [*SIZES, *SMOOTH])
def test_title_and_comment(name):
    text = (FOLDER / f"{name}.toml").read_text()
    assert text.startswith("# ")
    assert read(name).title in text
    assert max(map(len, text.splitlines())) <= 140
    assert "Change" in text.split("title", maxsplit=1)[0]


@pytest.mark.parametrize("name", SIZES)
def test_bright_and_dark_sites_stay_clear_of_the_axis_and_of_their_mirror_images(name):
    sites = place(read(name), LATTICE)
    x, y = sites.xyz_um[:, 0], sites.xyz_um[:, 1]
    assert x.min() >= 60
    assert y.min() >= 40
    # well inside half the field of the demo bench: wavelength * focal length / relay / pitch / 2 = 390 um
    assert max(x.max(), y.max()) < 0.6 * 938e-3 * 4000 / 0.48 / 10 / 2


@pytest.mark.parametrize("name", ["block", "disc", "ring", "plaquettes", "frame", "defect", "lieb", "island"])
def test_four_fold_symmetry(name):
    arrangement = read(name)
    assert points(arrangement) == turned(arrangement, [[0, -1], [1, 0]]) == turned(arrangement, [[-1, 0], [0, 1]])


@pytest.mark.parametrize("name", ["honeycomb", "kagome"])
def test_six_fold_symmetry(name):
    arrangement = read(name)
    turn = [[0.5, -np.sqrt(3) / 2], [np.sqrt(3) / 2, 0.5]]
    # coordinates in the files have four decimals
    middle = (arrangement.ij.min(axis=0) + arrangement.ij.max(axis=0)) / 2
    mapped = (arrangement.ij - middle) @ np.transpose(turn) + middle
    distances = np.hypot(*np.moveaxis(mapped[:, None] - arrangement.ij[None], -1, 0))
    assert distances.min(axis=1).max() < 3e-4


@pytest.mark.parametrize("name", ["chain", "ladder"])
def test_two_fold_symmetry(name):
    arrangement = read(name)
    assert points(arrangement) == turned(arrangement, [[-1, 0], [0, 1]]) == turned(arrangement, [[1, 0], [0, -1]])


def test_the_checkerboard_turns_into_itself_with_its_colours_swapped_or_not():
    arrangement = read("checkerboard")
    assert points(arrangement) == turned(arrangement, [[-1, 0], [0, -1]])
    swapped = {(i, j, 1 - t) for i, j, t in turned(arrangement, [[-1, 0], [0, 1]])}
    assert points(arrangement) == swapped


# Seven hexagons of a honeycomb have the 24 atoms and 30 C-C bonds of coronene, C24H12 (handbook knowledge, no source looked up).
# In the kagome lattice hexagons share corners and no edges: 7 * 6 - 12 = 30 sites and 42 bonds, and six more close the triangles outside.
@pytest.mark.parametrize(("name", "bonds", "degrees"), [("honeycomb", 30, {2: 12, 3: 12}), ("kagome", 48, {2: 6, 3: 12, 4: 12})])
def test_bonds_of_the_clusters(name, bonds, degrees):
    ij = read(name).ij
    distances = np.hypot(*np.moveaxis(ij[:, None] - ij[None], -1, 0))
    neighbours = (np.abs(distances - 2) < 3e-4).sum(axis=1)
    assert neighbours.sum() == 2 * bonds
    assert dict(zip(*(part.tolist() for part in np.unique(neighbours, return_counts=True)), strict=True)) == degrees
    assert np.partition(distances, 1, axis=1)[:, 1].min() == pytest.approx(2, abs=3e-4)


@pytest.mark.parametrize(("name", "radius", "centre"), [("honeycomb", 2.7, (8.6667, 8.6667)), ("kagome", 3.1, (8.5, 8.5))])
def test_the_discs_that_the_comments_recommend_on_such_lattices(name, radius, centre):
    text = (FOLDER / f"{name}.toml").read_text()
    assert f"disc = {radius}" in text
    assert f"at = [{centre[0]}, {centre[1]}]" in text
    own = disc(radius, named_lattice(name, 5.0), centre)
    assert len(own) == SIZES[name][0]


def test_bright_sites_of_a_checkerboard_have_no_bright_neighbours():
    ij = read("checkerboard").bright.ij
    distances = np.hypot(*np.moveaxis(ij[:, None] - ij[None], -1, 0))
    assert (np.sort(distances, axis=1)[:, 1] == np.sqrt(2)).all()


def test_ring_and_disc_are_round():
    for name, inner, outer, centre in (("disc", 0, 6, 8.5), ("ring", 5.5, 7, 9)):
        distances = np.hypot(*(read(name).bright.ij - centre).T)
        assert inner <= distances.min()
        assert outer - 0.5 < distances.max() <= outer


def test_the_gradient_rises_to_the_right():
    arrangement = read("gradient")
    np.testing.assert_allclose(arrangement.target, 0.25 + 0.75 * (arrangement.ij[:, 0] - 2) / 11, rtol=1e-12)


def test_the_staircase_has_ten_steps():
    arrangement = read("staircase")
    np.testing.assert_allclose(arrangement.target, (arrangement.ij[:, 0] - 2) / 20 + 0.1, rtol=1e-12)


def test_the_wall_has_its_bright_side_on_the_left():
    arrangement = read("domain-wall")
    assert arrangement.bright.ij[:, 0].max() + 1 == arrangement.dark.ij[:, 0].min() == 10


def test_the_two_planes_are_staggered():
    arrangement = read("two-planes")
    upper, lower = (arrangement.ij[arrangement.z_um == z] for z in (-8.0, 8.0))
    assert len(upper) == len(lower) == 36
    np.testing.assert_array_equal(upper + 1, lower)


def test_dimers_alternate_between_two_distances():
    steps = np.diff(np.sort(read("dimers").ij[:, 0]))
    np.testing.assert_allclose(steps[0::2], 0.8, atol=1e-12)
    np.testing.assert_allclose(steps[1::2], 1.2, atol=1e-12)


def test_the_random_filling_is_the_one_of_its_seed():
    # the first numbers of the generator named in numpy's documentation, PCG64 seeded with 1, decide over the sites in their order
    keep = np.random.Generator(np.random.PCG64(1)).random(256) < 0.5
    np.testing.assert_array_equal(read("random").ij, block(16, 16).shifted(1, 1).ij[keep])


def test_ladder_legs_and_chain_are_lines():
    assert points(read("ladder").bright) == points(line((2, 6), (17, 6)) | line((2, 7), (17, 7)))
    assert points(read("chain").bright) == points(line((2, 6), (21, 6)))


def test_the_letters_are_upright():
    top = read("letters").ij[:, 1].min()
    row = sorted(read("letters").ij[read("letters").ij[:, 1] == top][:, 0].tolist())
    # the first letter has a roof of three dots, the second a bar of five
    assert row[:8] == [2, 3, 4, 7, 8, 9, 10, 11]
