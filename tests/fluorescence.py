"""Fluorescence frames of atoms on lattices for the tests, and how well a survey of them did. No code of holo takes part in the frames."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import j1
from simulated_frames import exposed, gaussian_spots

from holo.affine import Affine
from holo.errors import CalibrationError
from holo.frames import frame_of
from holo.survey import survey

GEOMETRIES = ("square", "triangular", "rectangular", "oblique")


@dataclass
class Scene:
    """Atoms on a lattice, and the shots that show them."""

    matrix: np.ndarray
    offset: np.ndarray
    xy: np.ndarray
    shots: np.ndarray

    @property
    def frame(self):
        return frame_of(self.shots)


def vectors(rng, geometry, spacing, degrees=None):
    """Lattice vectors as columns: the shorter one of a length `spacing`, at any angle unless one is given."""
    turn = rng.uniform(0, 2 * np.pi) if degrees is None else np.radians(degrees)
    between = np.radians({"square": 90, "triangular": 60, "rectangular": 90, "oblique": rng.uniform(65, 85)}[geometry])
    ratio = {"square": 1, "triangular": 1, "rectangular": rng.uniform(1.1, 2), "oblique": rng.uniform(1, 1.5)}[geometry]
    angles = np.array([turn, turn + between])
    return spacing * np.array([1, ratio]) * np.stack([np.cos(angles), np.sin(angles)])


def scattered(rng, matrix, offset, side, filling, *, off=0.05, margin=0.05, basis=((0, 0),)):
    """Places of atoms that fill sites of a square frame at random, except a margin; a share `off` of them lies anywhere instead."""
    reach = int(1.6 * side / np.linalg.svd(matrix, compute_uv=False)[1]) + 3
    cells = np.stack(np.meshgrid(*[np.arange(-reach, reach + 1)] * 2), axis=-1).reshape(-1, 1, 2)
    middle = np.round(np.linalg.solve(matrix, side / 2 - offset))
    xy = (cells + middle + np.asarray(basis)).reshape(-1, 2) @ matrix.T + offset
    low, high = margin * side, (1 - margin) * side
    xy = xy[((xy > low) & (xy < high)).all(axis=1)]
    xy = xy[rng.random(len(xy)) < filling]
    xy[: rng.binomial(len(xy), off)] = 0
    lost = (xy == 0).all(axis=1)
    xy[lost] = rng.uniform(low, high, (lost.sum(), 2))
    return xy


def exposed_atoms(rng, xy, side, sigma, counts=300.0, **camera):
    """Shots of atoms whose brightness differs by 15 %."""
    brightness = counts * np.clip(rng.normal(1, 0.15, len(xy)), 0.2, None)
    return exposed(gaussian_spots(xy, brightness, (side, side), sigma), rng, **camera)


def scene(rng, geometry="square", spacing=5.0, filling=0.1, side=128, sigma=1.1, *, degrees=None, counts=300.0, camera=None, **atoms):
    """A lattice with its site (0, 0) near the middle of a square frame, and the frame."""
    matrix = vectors(rng, geometry, spacing, degrees)
    offset = side / 2 + matrix @ rng.uniform(-0.5, 0.5, 2)
    xy = scattered(rng, matrix, offset, side, filling, **atoms)
    return Scene(matrix, offset, xy, exposed_atoms(rng, xy, side, sigma, counts, **(camera or {})))


def any_scene(seed):
    """A scene of any geometry, spacing 2 to 30 px, filling 2 to 60 %, 12 to 400 atoms; and what it was made with."""
    rng = np.random.default_rng(seed)
    spacing, filling, atoms = (float(np.exp(rng.uniform(*np.log(ends)))) for ends in ((2, 30), (0.02, 0.6), (12, 400)))
    sigma = 1.1 if rng.random() < 0.5 else float(np.clip(0.25 * spacing, 0.8, 3.0))
    geometry = GEOMETRIES[seed % 4]
    side = int(np.clip(np.sqrt(atoms / filling) * spacing / 0.9, 60, 512))
    told = f"truth {seed}: {geometry}, {spacing:.2f} px, {filling:.0%} filled, width {sigma:.2f} px, {side} px"
    return scene(rng, geometry, spacing, filling, side, sigma), told, rng


def guessed(rng, truth, bend=0.02, sites=0.3):
    """A nominal map: the true one but for a bend and a shift."""
    matrix = truth.matrix @ (np.eye(2) + rng.normal(0, bend, (2, 2)))
    return Affine(matrix, truth.offset + truth.matrix @ rng.uniform(-sites, sites, 2))


@dataclass
class Score:
    """How far a survey is from the truth."""

    vectors: np.ndarray
    """Errors of the matrix over the spacing."""
    sites: np.ndarray
    """Error of the lattice at the middle of the atoms, in sites."""
    worst: float
    """Largest error at any atom used, in sites."""
    pulls: np.ndarray
    """Errors of the matrix and of the place of the middle, over their standard errors."""
    spacing_pulls: np.ndarray


def scored(found, truth):
    """Compare a surveyed map with the true one."""
    lattice, ij = found.lattice_to_camera, found.ij
    middle = ij.mean(axis=0)
    bend = (lattice.matrix - truth.matrix).ravel()
    place = lattice.apply([middle])[0] - (truth.matrix @ middle + truth.offset)
    away = np.linalg.solve(truth.matrix, (lattice.apply(ij) - (ij @ truth.matrix.T + truth.offset)).T)
    return Score(
        bend / np.hypot(*truth.matrix[:, 0]),
        np.linalg.solve(truth.matrix, place),
        float(np.abs(away).max()),
        np.concatenate([bend / lattice.errors()[:4], place / lattice.prediction_error([middle])[0]]),
        spacing_pulls(lattice, truth.matrix),
    )


def spacing_pulls(lattice, matrix):
    """Errors of the lengths of both vectors over their standard errors."""
    from holo.survey import vectors_of

    told = vectors_of(lattice)
    return (told["lengths"] - np.hypot(*matrix)) / told["length_errors"]


def answer(truth, nominal, frames=None, **options):
    """Survey a scene: the survey and its score, or the refusal and None."""
    try:
        found = survey([truth.frame] if frames is None else frames, nominal, **options)
    except CalibrationError as error:
        return error, None
    return found, scored(found, truth)


# ---------------------------------------------------------------------------------------------------------------------
# lattices filled at random, for the occupancy


@dataclass
class Filling:
    """A block of sites, which of them are filled, and the shots that show them."""

    lattice: Affine
    ij: np.ndarray
    filled: np.ndarray
    mean: np.ndarray
    """Electrons of the atoms alone."""
    shots: np.ndarray

    def frame(self, shots=None):
        """The frame of a camera of one electron a count."""
        return replace(frame_of(self.shots if shots is None else shots), electrons_per_count=1.0)


def airy_atoms(xy, electrons, shape, first_dark, stretch=1.0, fine=3):
    """Mean electrons of Airy spots of some totals; `stretch` makes them wider along the columns than along the rows, as vector fields are.

    The integral of (2 J1(v) / v)^2 over the plane is 4 pi in units of v (Born and Wolf, 8.5.2 and 8.5.3: 1 - J0^2 - J1^2 tends to 1).
    """
    image = np.zeros(shape)
    scale = 3.8317059702 / first_dark
    inner = (np.arange(fine) - (fine - 1) / 2) / fine
    reach = int(np.ceil(4 * first_dark * stretch))
    for (x, y), total in zip(xy, np.broadcast_to(electrons, len(xy)), strict=True):
        left, top = max(round(x) - reach, 0), max(round(y) - reach, 0)
        columns, rows = np.arange(left, min(round(x) + reach + 1, shape[1])), np.arange(top, min(round(y) + reach + 1, shape[0]))
        across, down = ((columns[:, None] + inner).ravel() - x) / stretch, (rows[:, None] + inner).ravel() - y
        v = np.maximum(scale * np.hypot(across, down[:, None]), 1e-9)
        pattern = (2 * j1(v) / v) ** 2 * scale**2 / (4 * np.pi * stretch)
        image[rows[:, None], columns] += total * pattern.reshape(len(rows), fine, len(columns), fine).mean(axis=(1, 3))
    return image


def filling(
    rng, side, spacing, first_dark, *, electrons=400.0, share=0.5, varied=0.15, degrees=8.0, stretch=1.0, background=1.0, read_noise=1.0
):
    """A block of side x side sites, filled at random; the brightness differs from atom to atom."""
    turn = np.radians(degrees)
    matrix = spacing * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    ij = np.stack(np.meshgrid(np.arange(side), np.arange(side)), axis=-1).reshape(-1, 2)
    xy = ij @ matrix.T
    offset = 3 * first_dark - xy.min(axis=0) + rng.uniform(0, 1, 2)
    columns, rows = np.ceil(np.ptp(xy, axis=0) + 6 * first_dark).astype(int) + 1
    filled = rng.random(len(ij)) < share
    brightness = electrons * np.clip(rng.normal(1, varied, len(ij)), 0.2, None)
    mean = airy_atoms((xy + offset)[filled], brightness[filled], (rows, columns), first_dark, stretch)
    shots = exposed(mean, rng, background=background, read_noise=read_noise, bits=16)
    return Filling(Affine(matrix, offset), ij, filled, mean, shots)
