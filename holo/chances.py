"""How likely each site holds an atom where spots overlap: atoms drawn at random as the frame and their neighbours allow.

A site is empty, or it holds one atom whose light is drawn from a Gaussian. Given the frame, the chance of an atom on a site is the share of
the draws that have one there. No linear method comes near where the lattice is finer than the resolution.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from holo.arrays import Workers, core_count, kernel
from holo.deconvolution import Neighbours, Normal, change_light, shapes_for, times
from holo.spread import Image, Index, Real

if TYPE_CHECKING:
    from scipy.spatial import KDTree

BLOCK = 6
"""Sites that are drawn together: two by three of a square lattice, in both directions."""

CHAINS = 4
"""Independent rows of draws; how far they agree tells whether they are long enough."""

SETTLED = 1e-4
"""Chance, of an atom or of none, below which a site is left alone for most of the draws."""

AGREED = 0.003
"""Mean difference between the chains at which the drawing ends."""

_ROUND = 20
_LEARNT = 0.1


@dataclass(frozen=True, eq=False)
class Chances:
    """What the draws tell."""

    probability: Real
    """Of an atom on each site, shape (n,)."""
    light: Real
    """Mean light of each site over the draws, counts, shape (n,)."""
    mean: float
    """Light of an atom."""
    spread: float
    """Its standard deviation from atom to atom."""
    share: float
    """Of filled sites."""
    disagreement: float
    """Mean standard error of the probabilities, from the scatter of the chains."""
    rounds: int
    """How often all sites were drawn."""


@kernel
def _random(state: NDArray[np.uint64]) -> float:
    """A number from 0 to 1: the generator xorshift64* (S. Vigna, ACM Trans. Math. Softw. 42, 30 (2016), from memory)."""
    x = state[0]
    x ^= x >> np.uint64(12)
    x ^= x << np.uint64(25)
    x ^= x >> np.uint64(27)
    state[0] = x
    return float((x * np.uint64(2685821657736338717)) >> np.uint64(11)) / 9007199254740992.0


@kernel
def _gaussian(state: NDArray[np.uint64]) -> float:
    """A number from the unit normal distribution (G. E. P. Box and M. E. Muller, Ann. Math. Stat. 29, 610 (1958), from memory)."""
    return math.sqrt(-2 * math.log(1 - _random(state))) * math.cos(2 * math.pi * _random(state))


@kernel
def _go_through(
    pulls: Real,
    inner: Real,
    scale: float,
    each: float,
    coupling: Real,
    stiff: Real,
    drawn: Real,
    pivot: Real,
    pulled: Real,
    power: Real,
    factor: Real,
) -> float:
    """Find how likely all fillings of a block are, the light of its atoms integrated over: by elimination, one atom more at a time.

    With the filling m, a mask of bits, ``coupling[k, m]`` is what couples site k to the highest site of m once the others of m are
    eliminated, ``pivot[m]`` and ``pulled[m]`` are diagonal and right-hand side of that site, ``stiff[k, m]`` and ``drawn[k, m]`` those of
    site k. The filling is as likely as ``factor[m] exp(power[m])``; the largest power is returned.
    """
    power[0], factor[0], top = 0.0, 1.0, 0.0
    for k in range(len(pulls)):
        stiff[k, 0], drawn[k, 0] = inner[k, k] + each**2, pulls[k]
        for e in range(k):
            for low in range(1 << e):
                m = low | 1 << e
                between = inner[k, e]
                for f in range(e):
                    if low >> f & 1:
                        part = low & ((2 << f) - 1)
                        between -= coupling[e, part] * coupling[k, part] / pivot[part]
                coupling[k, m] = between
                stiff[k, m] = stiff[k, low] - between * between / pivot[m]
                drawn[k, m] = drawn[k, low] - between * pulled[m] / pivot[m]
        for m in range(1 << k):
            more = m | 1 << k
            pivot[more], pulled[more] = stiff[k, m], drawn[k, m]
            power[more] = power[m] + 0.5 * drawn[k, m] ** 2 / stiff[k, m] + scale
            factor[more] = factor[m] * each / math.sqrt(stiff[k, m])
            top = max(top, power[more])
    return top


@kernel
def _choose(power: Real, factor: Real, top: float, state: NDArray[np.uint64], on: Real) -> int:
    """Draw a filling; `on` gets the chance of an atom on each site."""
    total = 0.0
    for m in range(len(power)):
        factor[m] = factor[m] * math.exp(power[m] - top) if power[m] - top > -60 else 0.0
        total += factor[m]
    rest, pick = _random(state) * total, -1
    on[:] = 0
    for m in range(len(power)):
        if factor[m] > 0:
            for k in range(len(on)):
                if m >> k & 1:
                    on[k] += factor[m] / total
            if rest >= 0:
                rest -= factor[m]
                pick = m
    return pick


@kernel
def _shine(pick: int, coupling: Real, pivot: Real, pulled: Real, state: NDArray[np.uint64], now: Real) -> None:
    """Draw the light of the atoms of a filling, the highest site first."""
    for k in range(len(now) - 1, -1, -1):
        now[k] = 0.0
        if pick >> k & 1:
            part = pick & ((2 << k) - 1)
            mine = pulled[part] + math.sqrt(pivot[part]) * _gaussian(state)
            for e in range(k + 1, len(now)):
                if pick >> e & 1:
                    mine -= coupling[e, part] * now[e]
            now[k] = mine / pivot[part]


@kernel
def _draw(
    first: Index,
    other: Neighbours,
    value: Image,
    members: Index,
    inner: Real,
    left: Real,
    light: Real,
    atom: Real,
    state: NDArray[np.uint64],
    chance: Real,
    visits: Real,
) -> None:
    """Draw the atoms of blocks of sites, one block after the other, given all other sites."""
    size = members.shape[1]
    tables, rows = np.empty((3, size, 1 << size)), np.empty((4, 1 << size))
    pulls, on, now = np.empty(size), np.empty(size), np.empty(size)
    precision = 1 / atom[1] ** 2
    scale, each = math.log(atom[2] / (1 - atom[2])) - 0.5 * atom[0] ** 2 * precision, math.sqrt(precision)
    for n in range(len(members)):
        for k in range(size):
            pulls[k] = left[members[n, k]] + atom[0] * precision
            for j in range(size):
                pulls[k] += inner[n, k, j] * light[members[n, j]]
        top = _go_through(pulls, inner[n], scale, each, tables[0], tables[1], tables[2], rows[0], rows[1], rows[2], rows[3])
        _shine(_choose(rows[2], rows[3], top, state, on), tables[0], rows[0], rows[1], state, now)
        for k in range(size):
            s = members[n, k]
            chance[s] += on[k]
            visits[s] += 1
            if now[k] != light[s]:
                change_light(s, now[k] - light[s], first, other, value, left)
                light[s] = now[k]


@dataclass(eq=False)
class _Chain:
    """One row of draws, as far as it has come."""

    light: Real
    left: Real
    shapes: Real
    atom: Real
    """Mean and spread of the light of an atom, share of filled sites."""
    state: NDArray[np.uint64]
    chance: Real
    visits: Real
    total: Real
    draws: int = 0

    def forget(self, sites: NDArray[np.bool_]) -> None:
        """Begin to count anew on some sites."""
        self.chance[sites], self.visits[sites], self.total[:], self.draws = 0, 0, 0, 0

    def go_on(self, normal: Normal, blocks: list[tuple[Index, Real]], draws: int, learn: bool) -> None:
        """Draw some times more; learn of the light of atoms where most sites are drawn, else those drawn are odd ones."""
        learning = learn and sum(len(members) for members, _ in blocks) > len(self.light)
        for _ in range(draws):
            for members, inner in blocks:
                matrix = normal.first, normal.other, normal.value
                _draw(*matrix, members, inner, self.left, self.light, self.atom, self.state, self.chance, self.visits)
            before, self.shapes = self.shapes, shapes_for(normal, self.light)
            self.left -= normal.shapes @ (self.shapes - before)
            self.total += self.light
            self.draws += 1
            if learning:
                self._learn()

    def _learn(self) -> None:
        """Let the light of an atom and the share of filled sites follow the draws."""
        on = self.light != 0
        if 3 < on.sum() < len(on) - 3:
            seen = self.light[on]
            told = np.array([seen.mean(), max(seen.std(), 0.02 * seen.mean()), on.mean()])
            self.atom = (1 - _LEARNT) * self.atom + _LEARNT * told


def draw_chances(
    normal: Normal,
    xy_px: Real,
    start: Real,
    belief: Real,
    atom: tuple[float, float, float],
    rng: np.random.Generator,
    rounds: int = 4,
    learn: bool = True,
) -> Chances:
    """Find how likely each site holds an atom.

    Parameters
    ----------
    normal : Normal
        What the frame says about the light of the sites.
    xy_px : ndarray, shape (n, 2)
        Their places.
    start : ndarray, shape (n,)
        Light to start from, 0 on empty sites.
    belief : ndarray, shape (n,)
        First guess of the probabilities; sites that are `SETTLED` in it are drawn only where neighbours are not.
    atom : three floats
        Mean light of an atom, its standard deviation from atom to atom, share of filled sites; to start from, they are learnt.
    rng : numpy.random.Generator
    rounds : int
        Most rounds of `_ROUND` draws of each chain; the first is not counted.
    learn : bool
        Whether `atom` follows the draws; else it is kept.

    Returns
    -------
    Chances

    Notes
    -----
    Gibbs sampling (S. Geman and D. Geman, IEEE Trans. Pattern Anal. Mach. Intell. 6, 721 (1984), from memory) of a model of spike and
    slab (T. J. Mitchell and J. J. Beauchamp, J. Am. Stat. Assoc. 83, 1023 (1988), from memory). Blocks of neighbouring sites are drawn
    together, exactly, since what a fine lattice hides best are atoms that swap places. Each chain has its own random numbers, so that the
    result does not depend on the threads.
    """
    everywhere = _blocks(normal, xy_px)
    chains = [_chain(normal, start, belief, atom, rng) for _ in range(CHAINS)]
    workers, blocks = Workers(core_count()), _where(everywhere, _unsettled(belief))
    disagreement, done = 0.0, 0
    while done < rounds and any(len(members) for members, _ in blocks):
        workers.share(lambda _, chain, now=blocks: chain.go_on(normal, now, _ROUND, learn), chains)  # type: ignore[misc]
        done += 1
        found = _probabilities(chains)
        if done == 1 and rounds > 1:
            sites = _unsettled(found.mean(axis=0))
            blocks = _where(everywhere, sites)
            for chain in chains:
                chain.forget(sites)
        disagreement = float(found.std(axis=0, ddof=1).mean()) / math.sqrt(CHAINS)
        if done > 1 and disagreement < AGREED:
            break
    light = np.mean([chain.total / chain.draws if chain.draws else chain.light for chain in chains], axis=0)
    mean, spread, share = np.mean([chain.atom for chain in chains], axis=0)
    return Chances(_probabilities(chains).mean(axis=0), light, float(mean), float(spread), float(share), disagreement, done)


def _chain(normal: Normal, start: Real, belief: Real, atom: tuple[float, float, float], rng: np.random.Generator) -> _Chain:
    light = np.array(start, np.float64)
    shapes = shapes_for(normal, light)
    left = normal.pull - times(normal, light) - normal.shapes @ shapes
    state = rng.integers(1, 2**63, 1).astype(np.uint64)
    return _Chain(light, left, shapes, np.array(atom, np.float64), state, belief.copy(), np.ones(len(light)), np.zeros(len(light)))


def _probabilities(chains: list[_Chain]) -> Real:
    """Chances of an atom by chain, shape (chains, n); sites just forgotten have none."""
    return np.array([chain.chance / np.maximum(chain.visits, 1) for chain in chains])


def _unsettled(probability: Real) -> NDArray[np.bool_]:
    return np.asarray((probability > SETTLED) & (probability < 1 - SETTLED))


def _where(blocks: list[tuple[Index, Real]], sites: NDArray[np.bool_]) -> list[tuple[Index, Real]]:
    """The blocks that some of the sites are in."""
    kept = [(members, inner, sites[members].any(axis=1)) for members, inner in blocks]
    return [(np.ascontiguousarray(members[keep]), np.ascontiguousarray(inner[keep])) for members, inner, keep in kept]


def _blocks(normal: Normal, xy_px: Real) -> list[tuple[Index, Real]]:
    """Blocks of sites that lie together, in two directions: their members, shape (b, size), and how these couple, (b, size, size)."""
    from scipy.sparse import csr_matrix
    from scipy.spatial import KDTree

    matrix, tree = csr_matrix((normal.value, normal.other, normal.first)), KDTree(xy_px)
    size = min(BLOCK, len(xy_px))
    along, across = _steps(xy_px, tree)
    blocks = []
    for middle in (along / 2 + across, along + across / 2):
        members = np.asarray(tree.query(xy_px + middle, range(1, size + 1))[1], np.int64)
        members = np.unique(np.sort(members, axis=1), axis=0)
        inner = np.asarray(matrix[np.repeat(members, size, axis=1).ravel(), np.tile(members, size).ravel()])
        blocks.append((members, inner.astype(np.float64).reshape(-1, size, size)))
    return blocks


def _steps(xy_px: Real, tree: KDTree) -> tuple[Real, Real]:
    """Two steps from a site in the middle to neighbours, the nearest one and the nearest in quite another direction."""
    if len(xy_px) < 3:
        return np.zeros(2), np.zeros(2)
    middle = int(tree.query(np.median(xy_px, axis=0))[1])
    steps = xy_px[tree.query(xy_px[middle], range(2, min(len(xy_px), 9) + 1))[1]] - xy_px[middle]
    turned = np.abs(steps[0, 0] * steps[:, 1] - steps[0, 1] * steps[:, 0])
    aside = np.flatnonzero(turned > 0.5 * np.hypot(*steps[0]) * np.hypot(*steps.T))
    return steps[0], steps[aside[0]] if len(aside) else np.zeros(2)
