"""The phases of sites closer than the resolution, found in a small linear model.

Where spots overlap, the phases of the sites decide whether a dark site between bright ones can be dark at all. Far fewer
numbers than the panel has pixels tell the light in the region of the sites: the complex amplitudes of as many blocks of the
pupil as the region can tell apart. The fields at the sites are linear in them. They are searched here, from starts of many
kinds; what a panel makes of the best is for `holo.retrieve.dense` to find.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holo.retrieve.demands import Demand, Fields, PanelLight
from holo.retrieve.descent import Report, descend


@dataclass(frozen=True)
class Kinds:
    """Kinds of starts: curvatures of the phase over the sites, and how many random ones.

    A curvature is the share of the pupil's radius over which the waves of the outermost sites spread.
    """

    bowls: tuple[float, ...] = (0.0, 0.36, 0.45, 0.53, 0.62, 0.75, 0.9)
    """Curvatures that are alike in x and y."""
    saddles: tuple[float, ...] = (0.45, 0.62)
    """Curvatures opposed in x and y."""
    random: int = 6


CAPACITY = 1.0
"""Cost of an amplitude beyond that of the beam, which no panel can give."""

HEATS = ((1.0, 80), (0.3, 120), (0.1, 200))
"""Share of the starts that take part in a heat, and its steps."""


@dataclass(frozen=True, eq=False)
class Start:
    """A set of site phases and where it got in the small model."""

    name: str
    pupil: NDArray[np.float32]
    """Amplitudes of the blocks, over the beam's, shape (2, rows, columns): real and imaginary part."""
    value: float
    """What the demand costs, and what the amplitudes beyond the beam's do."""


def site_waves(
    ij: NDArray[np.floating], xy_um: NDArray[np.float64], steepest: float, rng: np.random.Generator, kinds: Kinds | None = None
) -> Iterator[tuple[str, NDArray[np.float64]]]:
    """Phases of the sites to start from, with their names.

    Parameters
    ----------
    ij : ndarray, shape (n, 2)
        Lattice coordinates of the sites.
    xy_um : ndarray, shape (n, 2)
        Their places.
    steepest : float
        Slope of the phase in the objective plane that the rim of the pupil makes, rad/um.
    rng : numpy.random.Generator
        Source of the random ones.
    kinds : Kinds, optional

    Yields
    ------
    name : str
    phase : ndarray of float64, shape (n,)
        rad.

    Notes
    -----
    The light of a lattice whose bright sites follow each other with the signs + - on every second site, and nothing in between, fits
    into the pupil where the same light with equal signs does not: signs that change along diagonals, rows or columns make pure
    waves of a chequerboard or of stripes. A quadratic phase on top spreads these few waves over the pupil, as the beam is.

    Examples
    --------
    >>> ij = np.array([[0, 0], [1, 1], [2, 2]])
    >>> names = dict(site_waves(ij, 0.5 * ij, 5.0, np.random.default_rng(0), Kinds((0.0,), (), 1)))
    >>> list(names)
    ['flat', 'diagonals', 'other diagonals', 'rows', 'columns', 'random']
    >>> (names["diagonals"] / np.pi).round(6)
    array([0., 1., 0.])
    """
    kinds = kinds or Kinds()
    i, j = np.floor(np.asarray(ij, np.float64) + 1e-6).T
    x, y = (xy_um - (xy_um.max(axis=0) + xy_um.min(axis=0)) / 2).T
    bowl, saddle = x**2 + y**2, x**2 - y**2
    unit = steepest / (2 * np.sqrt(bowl.max(initial=0)) or 1.0)
    curved = [(bowl, share, "bowl") for share in kinds.bowls] + [(saddle, share, "saddle") for share in kinds.saddles]
    signs = {"flat": 0 * i, "diagonals": i + j, "other diagonals": i - j, "rows": j, "columns": i}
    for name, along in signs.items():
        for shape, share, word in curved:
            phase = np.pi * np.mod(np.floor(along / 2), 2) + share * unit * shape
            yield (f"{name}, {word} {share:g}" if share else name), phase
    for _ in range(kinds.random):
        yield "random", rng.uniform(0, 2 * np.pi, len(i))


def search(
    small: PanelLight,
    demand: Demand,
    waves: list[tuple[str, Fields]],
    *,
    keep: int,
    heats: tuple[tuple[float, int], ...] = HEATS,
    report: Report | None = None,
) -> tuple[list[Start], bool]:
    """Lower a demand in the small model from several starts; the worse ones drop out heat by heat.

    Parameters
    ----------
    small : PanelLight
        Between blocks of the pupil and the points of the demand.
    demand : Demand
    waves : list of (str, ndarray of complex)
        Name of a start, and the fields of shape (components, points) whose adjoint it sets out from.
    keep : int
        How many to return.
    heats : tuple of (float, int)
        See `HEATS`.
    report : callable, optional
        Called after each step.

    Returns
    -------
    starts : list of Start
        The best first.
    interrupted : bool
        Whether a KeyboardInterrupt ended the search before its time.

    Notes
    -----
    The amplitudes ``a`` may take any complex value, and those beyond the beam's cost ``CAPACITY mean (|a|^2 - 1)^2``: a panel of many
    pixels makes any amplitude up to the beam's, on the average over a block, and sends the rest of the light away from the region.
    """
    starts = [Start(name, begin(small, demand, fields), np.inf) for name, fields in waves]
    for share, steps in heats:
        starts = _best(starts, max(keep, round(share * len(waves))))
        for number, start in enumerate(starts):
            found = descend(lambda pupil: linear_cost(small, demand, pupil), start.pupil, steps=steps, settled=1e-3, report=report)
            starts[number] = Start(start.name, found.point.astype(np.float32), found.value)
            if found.interrupted:
                return _best(starts, keep), True
    return _best(starts, keep), False


def _best(starts: list[Start], count: int) -> list[Start]:
    return sorted(starts, key=lambda start: start.value)[:count]


def begin(small: PanelLight, demand: Demand, fields: Fields) -> NDArray[np.float32]:
    """Amplitudes of the blocks whose light tends to given fields, shape (2, rows, columns), scaled to the level wanted.

    Parameters
    ----------
    small : PanelLight
        Light of blocks of pixels.
    demand : Demand
    fields : ndarray of complex, shape (components, points)
        Wanted.

    Returns
    -------
    ndarray of float32
        Real and imaginary parts.
    """
    pupil = small.back(fields)
    got = demand.ratios(small.fields(pupil))[0].mean()
    return np.stack([pupil.real, pupil.imag]) * np.float32(np.sqrt(demand.level / got))


def linear_cost(small: PanelLight, demand: Demand, pupil: NDArray[np.float32]) -> tuple[float, NDArray[np.float32]]:
    """Value of a demand and of the capacity on the amplitudes of the blocks, and its gradient; see `search`.

    Parameters
    ----------
    small : PanelLight
    demand : Demand
    pupil : ndarray of float32, shape (2, rows, columns)
        Real and imaginary parts.

    Returns
    -------
    value : float
    gradient : ndarray of float32, shape (2, rows, columns)
    """
    inside = small.panel.path.pupil
    value, slope = demand.cost(small.fields((pupil[0] + 1j * pupil[1]).astype(np.complex64)))
    back = small.back(slope)
    over = np.where(inside, np.maximum((pupil**2).sum(axis=0) - 1, 0), np.float32(0))
    count = np.count_nonzero(inside)
    excess = CAPACITY / count * float((over.astype(np.float64) ** 2).sum())
    return value + excess, np.stack([back.real, back.imag]) + np.float32(4 * CAPACITY / count) * over * pupil
