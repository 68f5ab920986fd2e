"""Products of matrices by kernels of our own, on a GPU or on the tests' double of one: against numpy's in double precision."""

from __future__ import annotations

import numpy as np
import pytest

from holo.arrays import Repeated, to_host
from holo.retrieve import products
from holo.retrieve.products import FEW, TILE, Room, SparseMatrix, multiply

RNG = np.random.default_rng(0)


def drawn(*shape):
    return (RNG.normal(size=shape) + 1j * RNG.normal(size=shape)).astype(np.complex64)


SHAPES = [  # batch, rows, inner, columns
    (1, 1, 1, 1),
    (1, 3, 200, 130),
    (1, FEW, 31, 5),
    (1, FEW + 1, 17, TILE + 1),
    (2, 3, 40, 7),
    (1, 51, 1000, 36),
    (3, TILE + 5, 45, 2 * TILE),
]


@pytest.mark.parametrize("adds", [False, True])
@pytest.mark.parametrize("one", ["left", "right", "neither"])
@pytest.mark.parametrize(("batch", "rows", "inner", "columns"), SHAPES)
def test_products_are_those_of_numpy(batch, rows, inner, columns, one, adds, gpu_or_double):
    module, _ = gpu_or_double
    left, right = drawn(1 if one == "left" else batch, rows, inner), drawn(1 if one == "right" else batch, inner, columns)
    there = drawn(batch, rows, columns)
    wanted = left.astype(complex) @ right.astype(complex) + (there if adds else 0)
    found, room = [], Room()
    for _ in range(2):
        out = module.asarray(there.copy())
        multiply(module.asarray(left), module.asarray(right), out, room, adds=adds)
        found.append(to_host(out))
    np.testing.assert_allclose(found[0], wanted, atol=3e-6 * np.sqrt(inner) * abs(left).max() * abs(right).max())
    assert found[0].tobytes() == found[1].tobytes()


@pytest.mark.parametrize("rows", [3, TILE])
def test_long_sums_are_cut_into_parts(rows, gpu_or_double, monkeypatch):
    """As many as keep the device busy; with one part the result differs by rounding only."""
    module, _ = gpu_or_double
    left, right, found, room = module.asarray(drawn(1, rows, 320)), module.asarray(drawn(1, 320, 40)), [], Room()
    for wanted in (1, 1024):
        monkeypatch.setattr(products, "WANTED", wanted)
        out = room(f"out {wanted}", (1, rows, 40))
        multiply(left, right, out, room)
        found.append(to_host(out))
    assert to_host(room("parts", (10, 1, rows, 40))).shape[0] == 320 // products.LEAST
    assert 0 < abs(found[0] - found[1]).max() < 1e-4


def test_products_in_a_graph_follow_what_the_arrays_hold(gpu_or_double):
    module, _ = gpu_or_double
    left, right, room = module.asarray(drawn(1, 20, 70)), module.asarray(drawn(1, 70, 40)), Room()
    out = room("out", (1, 20, 40))
    again = Repeated(lambda: multiply(left, right, out, room))
    for times in (1, 2, 3):
        left[...] = module.asarray(np.full((1, 20, 70), times, np.complex64))
        again()
        np.testing.assert_allclose(to_host(out), times * np.tile(to_host(right).sum(axis=1, keepdims=True), (1, 20, 1)), atol=1e-4)


def test_a_sparse_matrix_is_the_full_one(gpu_or_double):
    """With an empty row, and two entries at one place, which add up."""
    module, device = gpu_or_double
    rows, columns, values = np.array([4, 0, 2, 2, 0, 4]), np.array([1, 2, 0, 0, 1, 2]), drawn(6)
    full = np.zeros((5, 3), complex)
    np.add.at(full, (rows, columns), values)
    vectors, out = drawn(2, 3), module.asarray(np.zeros((2, 5), np.complex64))
    SparseMatrix(rows, columns, values, (5, 3), device).apply(module.asarray(vectors), out)
    np.testing.assert_allclose(to_host(out), vectors @ full.T, atol=1e-6)


def test_room_keeps_arrays_apart_by_name_and_shape(gpu_or_double):
    room = Room()
    assert room("a", (2, 3)) is room("a", (2, 3))
    assert room("a", (2, 3)) is not room("a", (3, 2))
    assert room("a", (2, 3)) is not room("b", (2, 3))
