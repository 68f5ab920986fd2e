"""The next mask of moving spots from the last one: weights and phases of the sites are carried over.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.checks import check_numbers
from holo.errors import InputError, RetrievalError
from holo.field.path import LightPath
from holo.field.sites import SiteTransform
from holo.retrieve.stages import DEPTH, accelerated, normalised
from holo.retrieve.trim import uniformity_of

Real = NDArray[np.float64]
Waves = NDArray[np.complex128]

GAIN, LEAD = 0.7, 1.5
"""Exponent of the weight update while the phases follow the light, and how far beyond the light they are taken."""


@dataclass(frozen=True)
class Pace:
    """How much work goes into a mask.

    Attributes
    ----------
    free : int
        Iterations in which the phases of the sites follow the light, 0 or more.
    uniformity : float
        Where the iterations with the phases held stop.
    limit : int
        Most of these, 1 or more.
    """

    free: int = 1
    uniformity: float = 0.998
    limit: int = 5

    def __post_init__(self) -> None:
        for name, value, low, high in (("free", self.free, 0, 1000), ("limit", self.limit, 1, 1000)):
            if not low <= value <= high:
                raise InputError(f"{name}: found {value}; allowed: {low} to {high}")
        if not 0 < self.uniformity < 1:
            raise InputError(f"uniformity: found {self.uniformity:g}; allowed: a number between 0 and 1")


@dataclass(frozen=True, eq=False)
class Followed:
    """Light that has followed its sites.

    Attributes
    ----------
    transform : SiteTransform
        Between the panel and the present places.
    waves : ndarray of complex128, shape (n,)
        Weight and phase of each site's wave; the mask is the phase of their superposition.
    efficiency : float
        Sum of the relative intensities, pixel envelope left out.
    uniformity : float
        Of the intensities over their targets, pixel envelope included, as the engine's own transform saw it.
    iterations : int
    """

    transform: SiteTransform
    waves: Waves
    efficiency: float
    uniformity: float
    iterations: int


def beam_middle(path: LightPath) -> Real:
    """Mean over the beam, weighted with its amplitude, of the phase that a move by 1 um in x, y and z adds to a wave, rad, shape (3,)."""
    across, down = path.amplitude.sum(axis=0) @ path.x_um, path.amplitude.sum(axis=1) @ path.y_um
    return np.array([path.scale * across, path.scale * down, np.vdot(path.amplitude, path.defocus)]) / path.amplitude_sum


def carried(middle: Real, waves: Waves, step_um: Real) -> Waves:
    """Waves of sites that have moved, with the phases that change the mask least.

    Parameters
    ----------
    middle : ndarray, shape (3,)
        As `beam_middle` gives it.
    waves : ndarray of complex, shape (n,)
    step_um : ndarray, shape (n, 3)
        How far each site moves.

    Returns
    -------
    ndarray of complex128, shape (n,)

    Notes
    -----
    Moving a site by ``D`` multiplies its wave on the panel by ``exp(i (k x.D + d D_z))``. The phase of the site takes back the mean of
    that over the beam, weighted with the amplitude: then the wave stays as it was where the light is, in the least-squares sense to first
    order, and the superposition, whose phase is the mask, changes least.
    """
    return np.asarray(waves * np.exp(-1j * (np.asarray(step_um, np.float64) @ middle)))


def follow(transform: SiteTransform, waves: Waves, xyz_um: Real, target: Real, pace: Pace) -> Followed:
    """Level the light of sites that have moved a little, starting from the waves of the last mask.

    Parameters
    ----------
    transform : SiteTransform
        A plan for the present places.
    waves : ndarray of complex, shape (n,)
        As `carried` gives them.
    xyz_um : ndarray, shape (n, 3)
        The present places, um.
    target : ndarray, shape (n,)
        Relative intensities, all above 0.
    pace : Pace

    Returns
    -------
    Followed

    Raises
    ------
    RetrievalError
        If a site gets no light.

    Notes
    -----
    The stages free and hold of `holo.retrieve.spots.retrieve_spots`. The free one raises the efficiency, which moving sites lose because
    their phases suited their old places; its step of the phases is lengthened by `LEAD`. Holding levels them by Anderson's method, to
    0.999 within three or four iterations from the weights of the last mask.

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> from holo.field.path import light_path
    >>> path = light_path(parse_bench(demo_bench_text(), "bench.toml"))
    >>> sites = np.array([[60.0, 40.0, 0.0], [65.0, 40.0, 0.0], [60.0, 45.0, 0.0]])
    >>> found = follow(SiteTransform(path, sites), np.exp(1j * np.arange(3.0)), sites, np.ones(3), Pace(limit=20))
    >>> found.uniformity > 0.998
    True
    """
    check_numbers(waves=waves, target=target)
    goal = np.sqrt(np.asarray(target, np.float64)) / transform.path.envelope(xyz_um)
    goal /= goal.mean()
    weights, phases = np.abs(waves), np.angle(waves)
    for _ in range(pace.free):
        fields = _projected(transform, weights, phases)
        weights = normalised(np.log(weights) + GAIN * np.log(goal / np.abs(fields)))
        phases = phases + LEAD * np.angle(fields * np.exp(-1j * phases))
    points: list[Real] = []
    steps: list[Real] = []
    while True:
        moduli = np.abs(_projected(transform, weights, phases))
        uniformity = uniformity_of((moduli / goal) ** 2)
        if uniformity >= pace.uniformity or len(points) + 1 == pace.limit:
            efficiency = float(np.sum((moduli / transform.path.amplitude_sum) ** 2))
            return Followed(transform, weights * np.exp(1j * phases), efficiency, uniformity, pace.free + len(points) + 1)
        step = np.log(goal / moduli)
        points.append(np.log(weights))
        steps.append(step - step.mean())
        weights = normalised(accelerated(points[-DEPTH - 1 :], steps[-DEPTH - 1 :]))


def _projected(transform: SiteTransform, weights: Real, phases: Real) -> NDArray[np.complexfloating[Any, Any]]:
    """Fields at the sites of the mask of these waves."""
    fields = transform.project(weights * np.exp(1j * phases)).astype(np.complex128)
    if not np.all(np.abs(fields) > 0):
        raise RetrievalError(f"site {int(np.argmin(np.abs(fields))) + 1} of {len(fields)} gets no light; is it off the field?")
    return fields
