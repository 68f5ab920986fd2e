"""Arrangements: set operations, shapes against published counts, and arrangement files, good and bad."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holo.arrangement import (
    MAX_SITES,
    Arrangement,
    arrangement_files,
    block,
    disc,
    from_image,
    from_sites,
    line,
    parse_arrangement,
    picture,
    read_arrangement,
    ring,
)
from holo.errors import InputError
from holo.files import digest
from holo.lattice import named_lattice

SQUARE = named_lattice("square", 5.0, origin_um=(60.0, 40.0))


def as_set(arrangement):
    return set(zip(*np.round(arrangement.ij, 6).T.tolist(), arrangement.z_um.tolist(), strict=True))


def as_dict(arrangement):
    return dict(zip(map(tuple, arrangement.ij.tolist()), arrangement.target.tolist(), strict=True))


whole_sites = st.sets(st.tuples(st.integers(-20, 20), st.integers(-20, 20)), max_size=30)
arrangements = st.builds(
    lambda sites, target, z: from_sites(sorted(sites), target, z),
    whole_sites,
    st.sampled_from([0.0, 0.5, 1.0]),
    st.sampled_from([0.0, 8.0]),
)


@given(arrangements, arrangements)
def test_operators_are_those_of_sets(a, b):
    assert as_set(a | b) == as_set(a) | as_set(b)
    assert as_set(a - b) == as_set(a) - as_set(b)
    assert as_set(a & b) == as_set(a) & as_set(b)
    assert len(a | b) == len(a) + len(b) - len(a & b)


@given(arrangements)
def test_union_and_difference_with_itself(a):
    assert as_set(a | a) == as_set(a & a) == as_set(a)
    assert len(a - a) == 0
    assert as_set(a.bright) | as_set(a.dark) == as_set(a)


@given(arrangements, st.integers(-50, 50), st.integers(-50, 50))
def test_a_shift_can_be_undone(a, di, dj):
    there = a.shifted(di, dj)
    np.testing.assert_array_equal(there.shifted(-di, -dj).ij, a.ij)
    np.testing.assert_array_equal(there.ij, a.ij + np.array([di, dj]))


@given(st.integers(1, 12), st.integers(1, 12), st.integers(1, 5), st.integers(1, 5))
def test_every_keeps_one_site_in_m_times_n(columns, rows, m, n):
    kept = block(columns, rows).every(m, n)
    assert len(kept) == -(-columns // m) * -(-rows // n)
    whole = set()
    for i in range(m):
        for j in range(n):
            whole |= as_set((block(columns, rows).shifted(-i, -j).every(m, n)).shifted(i, j))
    assert whole == as_set(block(columns, rows))


def test_every_counts_cells_with_their_basis():
    honeycomb = named_lattice("honeycomb", 5.0)
    assert as_set(block(4, 4, honeycomb).every(2, 4)) == as_set(block(1, 1, honeycomb) | block(1, 1, honeycomb).shifted(2, 0))


def test_the_right_hand_side_of_a_union_wins():
    both = block(2, 1) | from_sites([[1, 0], [2, 0]], target=0.25)
    assert as_dict(both) == {(0, 0): 1.0, (1, 0): 0.25, (2, 0): 0.25}
    assert as_dict(block(2, 1) & from_sites([[1, 0]], target=0.25)) == {(1, 0): 1.0}


def test_sites_at_different_depths_are_different():
    assert len(block(2, 1) | block(2, 1).at_depth(3.0)) == 4
    assert len(block(2, 1) - block(2, 1).at_depth(3.0)) == 2


def test_rounding_does_not_split_a_site():
    thirds = from_sites([[1 / 3, 0.0]]).shifted(5, 0)
    assert len(thirds - from_sites([[5.33333, 0.0]])) == 0
    assert len(thirds - from_sites([[5.334, 0.0]])) == 1


def test_arrays_are_copied_and_cannot_be_changed():
    original = np.array([[0.0, 0.0], [1.0, 0.0]])
    arrangement = from_sites(original)
    original[0] = 7.0
    assert arrangement.ij[0, 0] == 0.0
    for name in ("ij", "target", "z_um"):
        with pytest.raises(ValueError, match="read-only"):
            getattr(arrangement, name)[0] = 1.0


@pytest.mark.parametrize(("radius", "count"), list(enumerate([1, 5, 13, 29, 49, 81, 113, 149, 197])))
def test_discs_on_the_square_lattice(radius, count):
    # Gauss's circle problem, OEIS A000328; from memory
    assert len(disc(radius, SQUARE)) == count


@pytest.mark.parametrize(("square", "count"), [(0, 1), (1, 7), (3, 13), (4, 19), (7, 31), (9, 37), (12, 43), (13, 55)])
def test_discs_on_the_triangular_lattice(square, count):
    # Partial sums of the theta series of A2, OEIS A004016; from memory
    assert len(disc(np.sqrt(square), named_lattice("triangular", 3.0, angle_deg=20.0))) == count


@given(st.floats(0.5, 6.0), st.floats(-3, 3), st.floats(-3, 3), st.sampled_from(["square", "triangular", "honeycomb", "kagome"]))
def test_discs_are_round_and_full(radius, i, j, geometry):
    lattice = named_lattice(geometry, 2.0, angle_deg=13.0)
    found = disc(radius, lattice, (i, j))
    everything = lattice.sites((-20, -20), (20, 20))
    distances = np.hypot(*((everything - [i, j]) @ lattice.vectors_um).T) / 2.0
    if (np.abs(distances - radius) > 1e-6).all():
        assert as_set(found) == as_set(from_sites(everything[distances < radius]))


def test_a_ring_is_a_disc_without_a_disc():
    assert as_set(ring(3.5, 5.0, SQUARE, (0.5, 0.5))) == as_set(disc(5.0, SQUARE, (0.5, 0.5)) - disc(3.4, SQUARE, (0.5, 0.5)))
    assert len(ring(1.0, np.sqrt(2), SQUARE)) == 8


def test_lines():
    assert line((2, 6), (5, 6)).ij.tolist() == [[2, 6], [3, 6], [4, 6], [5, 6]]
    assert line((0, 0), (-6, 4)).ij.tolist() == [[0, 0], [-3, 2], [-6, 4]]
    assert line((0.5, 0), (2.5, 1), 3).ij.tolist() == [[0.5, 0], [1.5, 0.5], [2.5, 1]]
    assert line((3, 3), (3, 3)).ij.tolist() == [[3, 3]]


def test_the_first_row_of_a_picture_is_on_top():
    assert as_dict(picture(["x..", "..9", "1.."])) == {(0, 0): 1.0, (2, 1): 0.9, (0, 2): 0.1}


def test_an_image_is_sampled_by_area():
    image = np.random.default_rng(1).uniform(0, 1, (12, 20))
    sampled = from_image(image, 5, 3, 0.0)
    np.testing.assert_allclose(sampled.target.reshape(3, 5), image.reshape(3, 4, 5, 4).mean(axis=(1, 3)), rtol=1e-12)
    np.testing.assert_array_equal(sampled.ij[:6], [[0, 0], [1, 0], [2, 0], [3, 0], [4, 0], [0, 1]])


@given(st.integers(1, 9), st.integers(1, 9), st.integers(1, 9), st.integers(1, 9))
def test_sampling_an_image_keeps_its_mean(height, width, columns, rows):
    image = np.random.default_rng(height * 10 + width).uniform(0.2, 1, (height, width))
    assert from_image(image, columns, rows).target.mean() == pytest.approx(image.mean(), rel=1e-12)


def test_a_gradient_runs_along_real_directions():
    lattice = named_lattice("triangular", 4.0, angle_deg=30.0)
    graded = block(6, 5, lattice).graded(0.2, 1.0, (0.0, 1.0), lattice)
    heights = lattice.positions_um(graded.ij) @ lattice.vectors_um[1]
    expected = 0.2 + 0.8 * (heights - heights.min()) / np.ptp(heights)
    np.testing.assert_allclose(graded.target, expected, rtol=1e-12)


def test_thinning_keeps_the_wanted_share():
    # Binomial: 3.5 standard deviations are exceeded by chance with a probability of 5e-4; the seed is fixed
    kept = len(block(200, 200).thinned(0.3, np.random.default_rng(1)))
    assert abs(kept - 0.3 * 40000) < 3.5 * np.sqrt(40000 * 0.3 * 0.7)


def test_a_dark_margin_is_every_site_nearby_that_is_not_bright():
    dark = block(3, 1).with_dark_margin(1.5, SQUARE).dark
    assert as_set(dark) == {(i, j, 0.0) for i in range(-1, 4) for j in range(-1, 2)} - {(0, 0, 0.0), (1, 0, 0.0), (2, 0, 0.0)}


@given(arrangements, st.floats(0.5, 4.0), st.sampled_from(["square", "honeycomb", "kagome"]))
def test_a_dark_margin_against_all_distances(a, margin, geometry):
    lattice = named_lattice(geometry, 5.0)
    with_margin = a.with_dark_margin(margin, lattice)
    assert as_set(with_margin.bright) == as_set(a.bright)
    assert as_set(with_margin.dark) >= as_set(a.dark)
    everything = lattice.sites((-30, -30), (31, 31))
    if len(a.bright):
        apart = lattice.positions_um(everything)[:, None] - lattice.positions_um(a.bright.ij)[None]
        near = (np.hypot(*np.moveaxis(apart, -1, 0)) <= 5.0 * margin * (1 + 1e-9)).any(axis=1)
        expected = as_set(from_sites(everything[near], 0.0, a.z_um[0]) | a)
        assert as_set(with_margin) == expected


def test_planes_get_their_own_darkness_and_a_tilted_plane_one():
    two = (block(1, 1) | block(1, 1).at_depth(20.0)).with_dark_margin(1.0, SQUARE)
    assert sorted(two.dark.z_um.tolist()) == [0.0] * 4 + [20.0] * 4
    tilted = line((0, 0), (9, 0)).at_depth(np.linspace(0, 3, 10)).with_dark_margin(1.0, SQUARE)
    assert len(tilted.dark) == 22
    at_left = {tuple(ij): z for ij, z in zip(tilted.dark.ij.tolist(), tilted.dark.z_um.tolist(), strict=True)}
    assert at_left[(9.0, 1.0)] == 3.0
    assert at_left[(-1.0, 0.0)] == 0.0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: from_sites([[0, 0], [1, 0], [0, 0]]), r"found the site \(0, 0\) twice, as number 1 and 3; allowed: every site once"),
        (lambda: from_sites([[0, np.nan]]), "sites: found nan; allowed: finite numbers"),
        (lambda: from_sites([[0, 1, 2]]), r"sites: found an array of shape \(1, 3\); allowed: any x 2 numbers"),
        (lambda: from_sites([[0, 1]], target=-1), "target: found -1; allowed: 0, or 1e-06 to 1e"),
        (lambda: from_sites([[0, 1]], target=1e-9), "target: found 1e-09; allowed"),
        (lambda: from_sites([[0, 1]], target=[1, 2]), r"target: found an array of shape \(2,\); allowed: 1 numbers"),
        (lambda: from_sites([[0, 1]], z_um=2e4), "z_um: found 20000; allowed: -10000 to 10000"),
        (lambda: from_sites([[2e5, 1]]), r"ij: found 200000; allowed: -100000 to 100000"),
        (lambda: block(0, 3), "found 0 x 3 cells; allowed: 1 to 200000 sites"),
        (lambda: block(1000, 1000), "found 1000 x 1000 cells"),
        (lambda: disc(-1.0, SQUARE), "found radii 0 and -1; allowed: 0 <= inner <= outer"),
        (lambda: ring(3.0, 2.0, SQUARE), "found radii 3 and 2"),
        (lambda: disc(5000.0, SQUARE), "found a region of .* lattice sites to search; allowed: at most 1000000"),
        (lambda: line((0.5, 0), (3, 0)), r"found ends \(0.5, 0\) and \(3, 0\); allowed: whole numbers, or a count"),
        (lambda: line((0, 0), (3, 0), 1), r"found 1 sites from \(0, 0\) to \(3, 0\); allowed: 2 to"),
        (lambda: picture([]), "found no characters"),
        (lambda: from_image(np.ones((2, 2, 3)), 2, 2), r"found an image of shape \(2, 2, 3\)"),
        (lambda: from_image(np.full((2, 2), 1.5), 2, 2), "allowed: rows and columns of grey values from 0 to 1"),
        (lambda: from_image(np.ones((2, 2)), 0, 2), "found 0 x 2 sites"),
        (lambda: block(2, 2).every(0, 1), "every: found 0, 1; allowed: whole numbers from 1 up"),
        (lambda: block(2, 2).thinned(1.5, np.random.default_rng(0)), "fill: found 1.5; allowed: 0 to 1"),
        (lambda: block(2, 2).with_dark_margin(0.0, SQUARE), "margin: found 0; allowed: above 0"),
        (lambda: block(3, 1).graded(0.1, 1, (0, 1), SQUARE), "found no two sites at different places along"),
        (lambda: Arrangement("", np.zeros((MAX_SITES + 1, 2)), np.ones(1), np.ones(1)), "found 200001 sites; allowed: at most 200000"),
    ],
)
def test_bad_arguments_are_refused(call, message):
    with pytest.raises(InputError, match=message):
        call()


def parsed(text, lattice=SQUARE, path="a.toml"):
    return parse_arrangement(text, path, lattice)


def test_blocks_apply_in_the_order_of_the_file():
    text = "[[add]]\nblock = [4, 1]\n[[remove]]\nblock = [2, 1]\n[[add]]\nsites = [[0, 0]]\ntarget = 0.5\n[[remove]]\nsites = [[3, 0]]\n"
    assert as_dict(parsed(text)) == {(2, 0): 1.0, (0, 0): 0.5}


def test_headings_may_be_quoted_or_commented():
    text = " [[ 'add' ]] # first\nblock = [2, 1]\n#[[remove]]\n[[remove]]\nsites = [[0, 0]]\n"
    assert as_dict(parsed(text)) == {(1, 0): 1.0}


def test_title_and_its_default():
    assert parsed("title = 'frame'\n[[add]]\nblock = [2, 1]").title == "frame"
    assert parsed("[[add]]\nblock = [2, 1]", path="folder/wall.toml").title == "wall"


def test_every_then_at():
    assert as_set(parsed("[[add]]\nblock = [4, 3]\nevery = [3, 2]\nat = [10.5, 1]")) == {
        (10.5, 1, 0),
        (13.5, 1, 0),
        (10.5, 3, 0),
        (13.5, 3, 0),
    }


def test_shapes_are_centred_on_at():
    assert as_set(parsed("[[add]]\ndisc = 1\nat = [4, 7]")) == {(4, 7, 0), (3, 7, 0), (5, 7, 0), (4, 6, 0), (4, 8, 0)}
    assert as_set(parsed("[[add]]\ndisc = 0.8\nat = [4.5, 7.5]")) == {(4, 7, 0), (5, 7, 0), (4, 8, 0), (5, 8, 0)}
    assert len(parsed("[[add]]\nring = [1, 1]\nat = [-4, 7]")) == 4


def test_targets_depths_and_gradients():
    arrangement = parsed("[[add]]\npicture = ['x5']\ntarget = 2\nz_um = -3.5\n")
    assert as_dict(arrangement) == {(0, 0): 2.0, (1, 0): 1.0}
    assert arrangement.z_um.tolist() == [-3.5, -3.5]
    graded = parsed("[[add]]\nblock = [1, 3]\ntarget = 2\ntarget_gradient = [0.5, 1.0]\ngradient_along = [0, 1]")
    assert as_dict(graded) == {(0, 0): 1.0, (0, 1): 1.5, (0, 2): 2.0}


def test_a_picture_as_one_text():
    assert as_set(parsed('[[add]]\npicture = """\n  .x\n  x.\n"""')) == {(1, 0, 0), (0, 1, 0)}


def test_a_target_of_0_is_a_dark_site():
    arrangement = parsed("[[add]]\nblock = [2, 2]\n[[add]]\nsites = [[1, 1]]\ntarget = 0")
    assert as_set(arrangement.dark) == {(1, 1, 0)}
    assert len(arrangement.bright) == 3


def test_a_dark_margin_comes_last():
    arrangement = parsed("[dark]\nmargin = 1\n[[add]]\nsites = [[5, 5], [6, 5]]\n")
    assert len(arrangement.bright) == 2
    assert len(arrangement.dark) == 6


def test_removing_at_all_depths_and_at_one():
    planes = "[[add]]\nblock = [2, 1]\n[[add]]\nblock = [2, 1]\nz_um = 9.0\n[[remove]]\nsites = [[0, 0]]\n"
    assert as_set(parsed(planes)) == {(1, 0, 0), (1, 0, 9)}
    assert as_set(parsed(planes + "z_um = 9.0")) == {(0, 0, 0), (1, 0, 0), (1, 0, 9)}


def test_a_seed_always_keeps_the_same_sites():
    text = "[[add]]\nblock = [20, 20]\nfill = 0.5\nseed = {}"
    one, again, other = (parsed(text.format(seed)) for seed in (1, 1, 2))
    np.testing.assert_array_equal(one.ij, again.ij)
    assert as_set(one) != as_set(other)
    # Binomial: within 4 standard deviations of a half
    assert abs(len(one) - 200) < 40


def test_shapes_use_the_lattice_of_the_bench():
    triangular, kagome = named_lattice("triangular", 5.0), named_lattice("kagome", 5.0)
    assert len(parsed("[[add]]\ndisc = 1", triangular)) == 7
    assert len(parsed("[[add]]\nblock = [2, 3]", kagome)) == 18


def test_sites_from_a_table(tmp_path):
    (tmp_path / "sites.csv").write_text("i,j,target,z_um\n0,0,,\n1.5,2,0.5,3\n")
    (tmp_path / "a.toml").write_text('[[add]]\nsites_csv = "sites.csv"\nat = [1, 0]\ntarget = 2\nz_um = 1')
    arrangement = read_arrangement(tmp_path / "a.toml", SQUARE)
    assert arrangement.ij.tolist() == [[1, 0], [2.5, 2]]
    assert arrangement.target.tolist() == [2, 1]
    assert arrangement.z_um.tolist() == [1, 4]
    assert arrangement_files((tmp_path / "a.toml").read_text(), tmp_path / "a.toml") == {"sites.csv": digest(tmp_path / "sites.csv")}


def write_image(path, grey):
    if path.suffix == ".tiff":
        import tifffile

        tifffile.imwrite(path, grey)
    else:
        from PIL import Image

        Image.fromarray(grey).save(path)


@pytest.mark.parametrize(
    ("name", "kind"),
    [("a.png", np.uint8), ("a.png", np.uint16), ("a.bmp", np.uint8), ("a.tiff", np.uint8), ("a.tiff", np.uint16), ("a.tiff", np.float32)],
)
def test_sites_from_an_image(tmp_path, name, kind):
    grey = np.zeros((4, 6), dtype=kind)
    grey[:2, 4:] = 1.0 if kind is np.float32 else np.iinfo(kind).max
    write_image(tmp_path / name, grey)
    arrangement = parsed(f'[[add]]\nimage = "{name}"\nsize = [3, 2]', path=tmp_path / "a.toml")
    assert as_dict(arrangement) == {(2, 0): 1.0}


def test_a_colour_image_is_made_grey(tmp_path):
    write_image(tmp_path / "a.png", np.full((2, 2, 3), 255, dtype=np.uint8))
    assert len(parsed('[[add]]\nimage = "a.png"\nsize = [2, 2]', path=tmp_path / "a.toml")) == 4


B = "[[add]]\nblock = [4, 4]\n"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "a.toml: found no bright site; allowed: at least one"),
        ("title = 3\n" + B, "a.toml: title: found 3; allowed: a text"),
        ("[[add]\nblock = [4, 4]", "a.toml: not valid TOML: .*line 1"),
        ("sites = [[0, 0]]", "a.toml: sites: unknown key"),
        (B + "[[ad]]\nblock = [1, 1]", "a.toml: ad: unknown key, .*nearest known key: 'add'"),
        ("[add]\nblock = [4, 4]", r"a.toml: add: found .*; allowed: tables headed \[\[add\]\]"),
        ("add = [{block = [4, 4]}]", r"a.toml: add: found 1 blocks and 0 headings; allowed: a line \[\[add\]\] above each"),
        ("[[add]]\nat = [1, 1]", r"a.toml: add\[1\]: found none of the sources of sites; allowed: exactly one of sites, sites_csv"),
        (B + "disc = 3", r"a.toml: add\[1\]: found block and disc of the sources"),
        (B + "evry = [2, 2]", r"a.toml: add\[1\].evry: unknown key, found \[2, 2\]; nearest known key: 'every'"),
        (B + "every = [0, 2]", r"add\[1\].every: found \[0, 2\]; allowed: 2 whole numbers from 1"),
        (B + "every = 2", r"add\[1\].every: found 2; allowed: 2 whole numbers"),
        (B + "at = [1, 2, 3]", r"add\[1\].at: found \[1, 2, 3\]; allowed: 2 numbers"),
        (B + "at = [nan, 0]", r"add\[1\].at: found \[nan, 0\]"),
        (B + "at = [100000, 0]", r"add\[1\].at: ij: found 100001; allowed: -100000 to 100000"),
        (B + "target = -1", r"add\[1\].target: found -1; allowed: a number from 0 to 1000"),
        (B + "target = nan", r"add\[1\].target: found nan"),
        (B + "target = true", r"add\[1\].target: found True"),
        (B + "target = '1'", r"add\[1\].target: found '1'"),
        (B + "target = 1e-9", r"add\[1\].target: target: found 1e-09; allowed: 0, or 1e-06"),
        (B + "target = 0", "a.toml: found no bright site; allowed: at least one"),
        (B + "z_um = 20000", r"add\[1\].z_um: found 20000; allowed: a number from -10000 to 10000"),
        (B + "fill = 0", r"add\[1\].fill: found 0; allowed: a number above 0 up to 1"),
        (B + "fill = 1.5", r"add\[1\].fill: found 1.5; allowed: a number above 0 up to 1"),
        (B + "seed = 1", r"add\[1\].seed: has no use without fill"),
        (B + "fill = 0.5\nseed = -1", r"add\[1\].seed: found -1; allowed: a whole number from 0"),
        (B + "fill = 0.000001", r"a.toml: add\[1\]: adds no site"),
        (B + "target_gradient = [0, 1]", r"add\[1\].target_gradient: found \[0, 1\]; allowed: 2 numbers from 0.001 to 1000"),
        (B + "gradient_along = [0, 1]", r"add\[1\].gradient_along: has no use without target_gradient"),
        (B + "target_gradient = [1, 2]\ngradient_along = [0, 0]", r"add\[1\].gradient_along: found no two sites at different places"),
        (B + "count = 3", r"add\[1\].count: unknown key"),
        ("[[add]]\nblock = [4]", r"add\[1\].block: found \[4\]; allowed: 2 whole numbers from 1"),
        ("[[add]]\nblock = [4.0, 4]", r"add\[1\].block: found \[4.0, 4\]; allowed: 2 whole numbers"),
        ("[[add]]\nblock = [100000, 100000]", r"add\[1\].block: found 100000 x 100000 cells; allowed: 1 to 200000 sites"),
        ("[[add]]\nsites = []", r"add\[1\].sites: found \[\]; allowed: a list of rows of 2 numbers"),
        ("[[add]]\nsites = [[1, 2], [3]]", r"add\[1\].sites: row 2: found \[3\]; allowed"),
        ("[[add]]\nsites = [[1, inf]]", r"add\[1\].sites: row 1: found \[1, inf\]"),
        ("[[add]]\nsites = [[1, 2], [3, 4], [1, 2.00001]]", r"add\[1\].sites: found the site \(1, 2.00001\) twice, as number 1 and 3"),
        ("[[add]]\ndisc = -2", r"add\[1\].disc: found -2; allowed: a number from 0"),
        ("[[add]]\ndisc = 9000", r"add\[1\].disc: found a region of .* lattice sites"),
        ("[[add]]\ndisc = 0.2\nat = [0.5, 0.5]", r"add\[1\]: adds no site"),
        ("[[add]]\nring = [5, 3]", r"add\[1\].ring: found radii 5 and 3; allowed: 0 <= inner <= outer"),
        ("[[add]]\nring = 5", r"add\[1\].ring: found 5; allowed: 2 numbers"),
        ("[[add]]\nline = [[0, 0]]", r"add\[1\].line: found .*; allowed: two ends \[\[i, j\], \[i, j\]\]"),
        ("[[add]]\nline = [[0, 0], [0.5, 3]]", r"add\[1\].line: found ends .* allowed: whole numbers, or a count of sites"),
        ("[[add]]\nline = [[0, 0], [4, 0]]\ncount = 1", r"add\[1\].line: found 1 sites"),
        ("[[add]]\npicture = ['xx', 'x']", r"add\[1\].picture: row 2: found 1 characters; allowed: 2, as in the first row"),
        ("[[add]]\npicture = ['xX']", r"add\[1\].picture: row 1: found 'X'; allowed: 'x', '.' and digits 1 to 9"),
        ("[[add]]\npicture = 5", r"add\[1\].picture: found 5; allowed: a list of texts"),
        ("[[add]]\npicture = ['..']", r"add\[1\]: adds no site"),
        ("[[add]]\nsites_csv = 'none.csv'", r"add\[1\].sites_csv: found 'none.csv', but there is no file"),
        ("[[add]]\nimage = 'none.png'\nsize = [2, 2]", r"add\[1\].image: found 'none.png', but there is no file"),
        ("[[remove]]\nblock = [2, 2]\n" + B, r"a.toml: remove\[1\]: removes no site of the blocks above it"),
        (B + "[[remove]]\nsites = [[9, 9]]", r"remove\[1\]: removes no site"),
        (B + "[[remove]]\nsites = [[1, 1]]\nz_um = 4", r"remove\[1\]: removes no site"),
        (B + "[[remove]]\nsites = [[1, 1]]\ntarget = 1", r"remove\[1\].target: unknown key"),
        (B + "[[remove]]\nblock = [4, 4]", "a.toml: found no bright site"),
        (B + "[dark]", "a.toml: dark.margin: missing; needed: a number above 0 up to 1000"),
        (B + "[dark]\nmargin = 0", "dark.margin: found 0; allowed: a number above 0 up to 1000"),
        (B + "[dark]\nmargin = 900", "dark.margin: found a region of .* lattice sites to search; allowed: at most 1000000"),
        (B + "[dark]\nmargin = 2\nwidth = 3", "dark.width: unknown key"),
        ("dark = 3\n" + B, r"a.toml: dark: found 3; allowed: a table \[dark\]"),
        (
            "[[add]]\nblock = [400, 400]\n[[add]]\nblock = [400, 400]\nat = [400, 0]",
            r"add\[2\]: brings the sites to 320000; allowed: at most 200000",
        ),
    ],
)
def test_bad_files_are_refused(text, message):
    with pytest.raises(InputError, match=message):
        parsed(text)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "sites.csv: line 1: column 'i' is missing"),
        ("i,j,color\n1,2,3\n", "sites.csv: line 1: unknown column 'color'; allowed: i, j, target, z_um"),
        ("i,j\n1,2\n3\n", "sites.csv: line 3: found 1 cells; the header has 2"),
        ("i,j\n1,two\n", "sites.csv: line 2: j: found 'two'; allowed: a finite number"),
        ("i,j\n1,nan\n", "sites.csv: line 2: j: found 'nan'"),
        ("i,j\n1,2\n1,2\n", r"add\[1\].sites_csv: found the site \(1, 2\) twice, as number 1 and 2"),
        ("i,j,target\n1,2,-3\n", r"add\[1\].sites_csv: target: found -3"),
        ("i,j,z_um\n1,2,1e6\n", r"add\[1\].sites_csv: z_um: found 1e\+06; allowed"),
        ("i,j,target\n1,2,1e5\n", r"add\[1\].target: target: found 1e\+08; allowed"),
        ("i,j\n", r"add\[1\]: adds no site"),
    ],
)
def test_bad_tables_of_sites_are_refused(tmp_path, content, message):
    (tmp_path / "sites.csv").write_text(content)
    with pytest.raises(InputError, match=message):
        parsed("[[add]]\nsites_csv = 'sites.csv'\ntarget = 1000", path=tmp_path / "a.toml")


def png(width, height, body=b""):
    """A PNG file that announces a size and holds `body` as its compressed rows."""
    import struct
    import zlib

    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("a.png", b"", "a.png: not a PNG, BMP or TIFF image, or a damaged one$"),
        ("a.png", b"hello", "a.png: not a PNG, BMP or TIFF image"),
        ("a.png", png(4, 4, b"\0\1"), "a.png: not a readable PNG, BMP or TIFF image"),
        ("a.png", png(8000, 8000), "a.png: found 8000 x 8000 pixels; allowed: at most 4194304 in all"),
        ("a.png", png(100000, 100000), "a.png: not a readable PNG, BMP or TIFF image .*bomb"),
        ("a.tiff", b"hello", "a.tiff: not a readable TIFF file"),
        ("a.gif", b"GIF89a", "a.gif: not a PNG, BMP or TIFF image"),
    ],
)
def test_bad_images_are_refused(tmp_path, name, content, message):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError, match=message):
        parsed(f'[[add]]\nimage = "{name}"\nsize = [2, 2]', path=tmp_path / "a.toml")


@pytest.mark.parametrize(
    ("name", "grey", "keys", "message"),
    [
        ("a.png", np.zeros((4, 4), np.uint8), "size = [2, 2]", r"add\[1\]: adds no site"),
        ("a.png", np.ones((4, 4, 4), np.uint8), "size = [2, 2]", "a.png: found the image mode RGBA; allowed: grey or RGB"),
        ("a.png", np.full((4, 4), 255, np.uint8), "", r"add\[1\].size: missing; needed: 2 whole numbers"),
        ("a.png", np.full((4, 4), 255, np.uint8), "size = [0, 2]", r"add\[1\].size: found \[0, 2\]"),
        ("a.png", np.full((4, 4), 255, np.uint8), "size = [2, 2]\nthreshold = 2", r"add\[1\].threshold: found 2; allowed"),
        ("a.png", np.full((4, 4), 255, np.uint8), "size = [1000, 1000]", r"add\[1\].image: found 1000 x 1000 sites; allowed: 1 to 200000"),
        ("a.tiff", np.full((4, 4), 2.0, np.float32), "size = [2, 2]", "a.tiff: found values from 2 to 2; allowed: 0 to 1"),
        ("a.tiff", np.full((4, 4), np.nan, np.float32), "size = [2, 2]", "a.tiff: found values from nan to nan"),
        ("a.tiff", np.full((4, 4), -1, np.int16), "size = [2, 2]", "a.tiff: found values from -1 to -1; allowed: 0 to 32767"),
    ],
)
def test_images_that_do_not_suit_are_refused(tmp_path, name, grey, keys, message):
    write_image(tmp_path / name, grey)
    with pytest.raises(InputError, match=message):
        parsed(f'[[add]]\nimage = "{name}"\n{keys}', path=tmp_path / "a.toml")


WILD = [
    "0", "-1", "1e300", "-0.0", "nan", "inf", "true", "''", "'x'", "'.'", "'\\u0000'", "[]", "{}", "[0, 0]", "[-3, 2]", "[1e5, 1e5]",
    "[[0, 0], [0, 0]]", "[[1, 2], [7, 2]]", "[[]]", "[1, 2, 3]", "['xx', '5.']", "[[0.5, 0.25]]", "9223372036854775807",
    "1979-05-27", "3", "0.5",
]  # fmt: skip
KEYS = [
    "sites", "sites_csv", "block", "disc", "ring", "line", "picture", "image", "size", "threshold", "count", "at", "every", "fill", "seed",
    "target", "z_um", "target_gradient", "gradient_along",
]  # fmt: skip


@given(
    st.lists(
        st.tuples(st.sampled_from(["add", "remove"]), st.dictionaries(st.sampled_from(KEYS), st.sampled_from(WILD), max_size=4)), max_size=3
    ),
    st.sampled_from(["", "[dark]\nmargin = 2\n", "[dark]\nmargin = 1000\n"]),
    st.sampled_from(["square", "kagome"]),
)
def test_whatever_a_file_says_it_reads_or_is_refused_in_words(blocks, dark, geometry):
    lines = [B, *(f"[[{kind}]]\n" + "".join(f"{key} = {value}\n" for key, value in keys.items()) for kind, keys in blocks), dark]
    bright, message = 0, ""
    try:
        bright = len(parsed("".join(lines), named_lattice(geometry, 5.0)).bright)
    except InputError as error:
        message = str(error)
    assert message.startswith("a.toml: ") == (bright == 0)


def test_a_missing_file_and_a_folder_are_refused(tmp_path):
    with pytest.raises(InputError, match=r"none.toml: no such file"):
        read_arrangement(tmp_path / "none.toml", SQUARE)
    with pytest.raises(InputError, match=r"not a file"):
        read_arrangement(tmp_path, SQUARE)
