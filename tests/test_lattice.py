"""Lattices: geometry against coordination numbers and lattice sums from the literature, and the [lattice] table."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holo.checks import frozen_array
from holo.errors import InputError
from holo.lattice import GEOMETRIES, Lattice, named_lattice, read_lattice, reduced_vectors
from holo.tables import parse_toml

# Vertex configurations 4^4, 3^6, 6^3 and 3.6.3.6 (B. Gruenbaum and G. C. Shephard, Tilings and Patterns, 1987, section 2.1; from memory)
COORDINATION = {"square": 4, "triangular": 6, "honeycomb": 3, "kagome": 4}
# Area per site in units of the squared nearest-neighbour distance: elementary geometry of the same tilings
AREA_PER_SITE = {"square": 1.0, "triangular": np.sqrt(3) / 2, "honeycomb": 3 * np.sqrt(3) / 4, "kagome": 2 / np.sqrt(3)}


def distances_from_middle(lattice):
    positions = lattice.positions_um(lattice.sites((-8, -8), (9, 9)))
    middle = lattice.positions_um(lattice.basis)
    return np.hypot(*np.moveaxis(positions[None] - middle[:, None], -1, 0))


@pytest.mark.parametrize("geometry", COORDINATION)
def test_every_site_has_the_neighbours_of_the_tiling(geometry):
    lattice = named_lattice(geometry, 3.7, angle_deg=17.0, origin_um=(60.0, 40.0))
    distances = np.sort(distances_from_middle(lattice), axis=1)
    count = COORDINATION[geometry]
    np.testing.assert_allclose(distances[:, 1 : count + 1], 3.7, rtol=1e-12)
    assert (distances[:, count + 1] > 1.2 * 3.7).all()
    assert lattice.spacing_um == pytest.approx(3.7, rel=1e-12)


@pytest.mark.parametrize("geometry", AREA_PER_SITE)
def test_area_per_site(geometry):
    lattice = named_lattice(geometry, 2.0)
    assert np.linalg.det(lattice.vectors_um) / len(lattice.basis) == pytest.approx(4 * AREA_PER_SITE[geometry], rel=1e-12)


def test_shells_of_the_square_lattice():
    # Points of the square lattice up to radius n (Gauss's circle problem), OEIS A000328; from memory
    distances = distances_from_middle(named_lattice("square", 1.0))[0]
    assert [int((distances < n + 1e-9).sum()) for n in range(8)] == [1, 5, 13, 29, 49, 81, 113, 149]


def test_shells_of_the_triangular_lattice():
    # Number of points at squared distance n, theta series of A2, OEIS A004016; from memory
    squares = np.round(distances_from_middle(named_lattice("triangular", 1.0))[0] ** 2, 9)
    assert [int((squares == n).sum()) for n in range(14)] == [1, 6, 0, 6, 6, 0, 0, 12, 0, 6, 0, 0, 6, 12]


def test_angle_turns_from_x_towards_y():
    lattice = named_lattice("square", 5.0, angle_deg=30.0, origin_um=(60.0, 40.0))
    np.testing.assert_allclose(lattice.positions_um([[1, 0]]), [[60 + 5 * np.sqrt(3) / 2, 42.5]], atol=1e-12)
    np.testing.assert_allclose(lattice.positions_um([[0, 1]]), [[57.5, 40 + 5 * np.sqrt(3) / 2]], atol=1e-12)


def test_rectangular_and_oblique_sides_and_angle():
    one, other = named_lattice("oblique", (4.0, 6.0), between_deg=75.0).vectors_um
    assert np.hypot(*one) == pytest.approx(4.0)
    assert np.hypot(*other) == pytest.approx(6.0)
    assert one @ other == pytest.approx(24.0 * np.cos(np.radians(75.0)))
    np.testing.assert_allclose(named_lattice("rectangular", (4.0, 6.0)).vectors_um, [[4, 0], [0, 6]], atol=1e-12)


def test_rows_of_vectors_are_the_lattice_vectors():
    lattice = Lattice([[5.0, 1.0], [-2.0, 6.0]], [60.0, 40.0])
    np.testing.assert_array_equal(lattice.positions_um([[1, 0], [0, 1], [0.5, 2.0]]), [[65, 41], [58, 46], [58.5, 52.5]])


def test_sites_come_row_by_row():
    assert named_lattice("square", 5.0).sites((-1, 2), (1, 4)).tolist() == [[-1, 2], [0, 2], [-1, 3], [0, 3]]
    assert len(named_lattice("kagome", 5.0).sites((0, 0), (3, 2))) == 18


def test_arrays_cannot_be_changed():
    lattice = named_lattice("square", 5.0)
    with pytest.raises(ValueError, match="read-only"):
        lattice.vectors_um[0, 0] = 1.0


vectors = st.tuples(*[st.floats(-20, 20, allow_nan=False) for _ in range(4)]).map(lambda v: np.reshape(v, (2, 2)))


@given(vectors)
def test_reduced_vectors_span_the_same_lattice_and_start_with_its_shortest(original):
    lengths = np.hypot(*original.T)
    if lengths.min() < 0.1 or abs(np.linalg.det(original)) < 0.1 * lengths.prod():
        return
    reduced = reduced_vectors(original)
    steps = original @ np.linalg.inv(reduced)
    np.testing.assert_allclose(steps, np.round(steps), atol=1e-6)
    assert abs(np.linalg.det(reduced)) == pytest.approx(abs(np.linalg.det(original)), rel=1e-9)
    i, j = np.meshgrid(np.arange(-30, 31), np.arange(-30, 31))
    combined = np.hypot(*np.moveaxis(np.stack([i, j], axis=-1) @ original, -1, 0))
    shortest = combined[(i != 0) | (j != 0)].min()
    assert np.hypot(*reduced[0]) == pytest.approx(shortest, rel=1e-9)
    assert Lattice(original).spacing_um == pytest.approx(shortest, rel=1e-9)


@given(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5), vectors)
def test_spacing_with_a_basis_is_the_least_distance_of_two_sites(a, b, original):
    lengths = np.hypot(*original.T)
    if lengths.min() < 0.5 or abs(np.linalg.det(original)) < 0.2 * lengths.prod() or np.hypot(a, b) < 0.05:
        return
    lattice = Lattice(original, basis=np.array([[0.0, 0.0], [a, b]]))
    distances = distances_from_middle(lattice)
    assert lattice.spacing_um == pytest.approx(distances[distances > 1e-9].min(), rel=1e-9)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            {"vectors_um": [[5, 0], [10, 0]]},
            r"vectors_um: found \[\[5.0, 0.0\], \[10.0, 0.0\]\]; allowed: two vectors that are not parallel",
        ),
        ({"vectors_um": [[5, 0], [0, 0]]}, "not parallel"),
        ({"vectors_um": [[1e-200, 0], [0, 1]]}, "not parallel"),
        ({"vectors_um": [[5, 0]]}, r"vectors_um: found an array of shape \(1, 2\); allowed: 2 x 2 numbers"),
        ({"vectors_um": [[5, np.nan], [0, 5]]}, "vectors_um: found nan; allowed: finite numbers"),
        ({"vectors_um": "square"}, "vectors_um: found 'square'; allowed: 2 x 2 numbers"),
        ({"vectors_um": np.eye(2), "basis": [[0, 0], [1, 0]]}, "basis: found .* allowed: one or more different sites of one cell"),
        ({"vectors_um": np.eye(2), "basis": np.zeros((0, 2))}, "basis: found"),
        ({"vectors_um": np.eye(2), "origin_um": [1, 2, 3]}, "origin_um: found an array of shape"),
    ],
)
def test_bad_lattices_are_refused(arguments, message):
    with pytest.raises(InputError, match=message):
        Lattice(**arguments)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("cubic", 5.0), "geometry: found 'cubic'; allowed: square, rectangular"),
        (("square", -5.0), "spacing_um: found -5.0; allowed: a number above 0"),
        (("square", (5.0, 5.0)), r"spacing_um of a square lattice: found an array of shape \(2,\); allowed: 1 numbers"),
        (("rectangular", 5.0), "spacing_um of a rectangular lattice: found an array of shape"),
        (("oblique", (5.0, 6.0)), "between_deg: found None for a oblique lattice; allowed: an angle if and only if it is oblique"),
        (("square", 5.0, 0.0, (0.0, 0.0), 80.0), "between_deg: found 80.0"),
        (("square", np.inf), "found inf; allowed: finite numbers"),
    ],
)
def test_bad_named_lattices_are_refused(arguments, message):
    with pytest.raises(InputError, match=message):
        named_lattice(*arguments)


def read(text):
    return read_lattice(parse_toml(f"[lattice]\n{text}", Path("bench.toml")).table("lattice"))


def test_read_vectors():
    lattice = read("vectors_um = [[5.0, 0.1], [-0.1, 5.0]]\norigin_um = [60.0, 40.0]")
    np.testing.assert_array_equal(lattice.vectors_um, [[5.0, 0.1], [-0.1, 5.0]])
    np.testing.assert_array_equal(lattice.origin_um, [60.0, 40.0])


@pytest.mark.parametrize("geometry", GEOMETRIES)
def test_read_every_geometry(geometry):
    spacing = [4.0, 6.0] if geometry in ("rectangular", "oblique") else 4.0
    between = 80.0 if geometry == "oblique" else None
    text = f"geometry = '{geometry}'\nspacing_um = {spacing}\nangle_deg = 11.0\norigin_um = [1.0, 2.0]\n"
    lattice = read(text + ("between_deg = 80.0\n" if between else ""))
    expected = named_lattice(geometry, spacing, 11.0, (1.0, 2.0), between)
    for name in ("vectors_um", "origin_um", "basis"):
        np.testing.assert_array_equal(getattr(lattice, name), getattr(expected, name))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "bench.toml: lattice.vectors_um: missing; needed: a list of rows of 2 numbers"),
        ("vectors_um = [[5, 0]]", "lattice.vectors_um: found .* allowed: two rows"),
        ("vectors_um = [[5, 0], [10, 0]]", "lattice.vectors_um: found .* allowed: two vectors that are not parallel"),
        ("vectors_um = [[5, 0], [0, 5, 1]]", "lattice.vectors_um: row 2: found"),
        ("vectors_um = [[5, 0], [0, nan]]", "lattice.vectors_um: row 2: found"),
        ("vectors_um = [[5, 0], [0, 5]]\ngeometry = 'square'", "lattice.geometry: found together with vectors_um"),
        ("vectors_um = [[5, 0], [0, 5]]\nangle_deg = 3.0", "lattice.angle_deg: unknown key, found 3.0"),
        ("geometry = 'squar'\nspacing_um = 5.0", r"lattice.geometry: found 'squar'; allowed: one of .* \(did you mean 'square'\?\)"),
        ("geometry = 'square'", "lattice.spacing_um: missing; needed: a number from 0.01"),
        ("geometry = 'square'\nspacing_um = 0", "lattice.spacing_um: found 0; allowed: a number from 0.01"),
        ("geometry = 'square'\nspacing_um = [5, 5]", r"lattice.spacing_um: found \[5, 5\]; allowed: a number"),
        ("geometry = 'oblique'\nspacing_um = [5, 5]", "lattice.between_deg: missing"),
        ("geometry = 'oblique'\nspacing_um = [5, 5]\nbetween_deg = 2", "lattice.between_deg: found 2; allowed: a number from 10 to 170"),
        ("geometry = 'square'\nspacing_um = 5\nbetween_deg = 90", "lattice.between_deg: unknown key"),
        ("geometry = 'square'\nspacing_um = 5\norigin_um = 3", "lattice.origin_um: found 3; allowed: 2 numbers"),
        ("geometry = 'square'\nspacing = 5", "lattice.spacing_um: missing; .* is 'spacing' meant to be it"),
    ],
)
def test_bad_tables_are_refused(text, message):
    with pytest.raises(InputError, match=message):
        read(text)


def test_frozen_array_copies():
    original = np.zeros(2)
    frozen = frozen_array(original, (2,), "numbers")
    original[0] = 1.0
    assert frozen[0] == 0.0
