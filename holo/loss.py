"""Atoms played through moves: who is lost when the light falls low, heats or lasts, and how many sites are full after each round.

A model to plan with: the temperature and lifetime in it are to be measured.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holo.checks import check_numbers
from holo.errors import InputError
from holo.rearrange import Rearrangement

Real = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Atoms:
    """What decides whether an atom stays in its trap.

    Attributes
    ----------
    depth : float
        Depth of a trap of mean light over the temperature of the atoms, ``U / (k T)``.
    heating : float
        Share by which each frame raises the temperature.
    lifetime_ms : float
        Mean time until the background gas takes an atom out.
    imaging_loss : float
        Probability to lose an atom in each picture.
    """

    depth: float = 20.0
    heating: float = 0.0
    lifetime_ms: float = np.inf
    imaging_loss: float = 0.0

    def __post_init__(self) -> None:
        for name, value, good in (
            ("depth", self.depth, self.depth > 0),
            ("heating", self.heating, 0 <= self.heating < np.inf),
            ("lifetime_ms", self.lifetime_ms, self.lifetime_ms > 0),
            ("imaging_loss", self.imaging_loss, 0 <= self.imaging_loss < 1),
        ):
            if not good:
                raise InputError(f"{name}: found {value:g}; allowed: {'0 to 1' if name == 'imaging_loss' else 'a positive number'}")


def held(lowest: ArrayLike, depth: ArrayLike) -> Real:
    """Probability that an atom is still there after its trap was lowered and raised again.

    Parameters
    ----------
    lowest : array_like
        Least intensity over the mean, 0 up.
    depth : array_like
        Depth of the mean trap over the temperature.

    Returns
    -------
    ndarray
        1 at a great depth, 0 without light.

    Notes
    -----
    Thermal energies in a harmonic trap of three dimensions have the density ``E^2 exp(-E / kT) / (2 (kT)^3)``. A trap lowered slowly
    to a share ``u`` of its depth ``U`` takes an atom of energy ``E`` to ``E sqrt(u)`` and loses it where that exceeds ``u U``: atoms with
    ``E < U sqrt(u)`` stay, a share ``P(3, (U / kT) sqrt(u))``, P the regularised incomplete gamma function (the release method of C.
    Tuchendler et al., Phys. Rev. A 78, 033425 (2008); from memory).

    Examples
    --------
    >>> held([1.0, 0.25, 0.0], 10.0).round(4)
    array([0.9972, 0.8753, 0.    ])
    """
    from scipy.special import gammainc

    return np.asarray(gammainc(3, np.asarray(depth) * np.sqrt(np.maximum(lowest, 0))))


def survival(lowest: ArrayLike, frame_ms: float, atoms: Atoms) -> Real:
    """Probability that each atom is there after each frame.

    Parameters
    ----------
    lowest : array_like, shape (transitions, n)
        Least intensity of each trap in each transition, over the mean.
    frame_ms : float
    atoms : Atoms

    Returns
    -------
    ndarray, shape (transitions, n)

    Notes
    -----
    The coldest atoms are the same ones each time: what counts is the lowest of ``(U / kT) sqrt(u)`` so far, with the temperature raised
    frame by frame, and not the product over the frames. Background loss is independent, ``exp(-t / lifetime)``.

    Examples
    --------
    >>> survival([[1.0, 0.5], [0.3, 1.0]], 16.7, Atoms(depth=10.0)).round(3)
    array([[0.997, 0.972],
           [0.91 , 0.972]])
    """
    check_numbers(lowest=lowest, frame_ms=frame_ms)
    light = np.asarray(lowest, np.float64)
    frames = np.arange(1, len(light) + 1)[:, None]
    room = np.minimum.accumulate(atoms.depth * np.sqrt(np.maximum(light, 0)) / (1 + atoms.heating) ** frames, axis=0)
    return np.asarray(held(1.0, room) * np.exp(-frames * frame_ms / atoms.lifetime_ms))


def played(lowest: ArrayLike, frame_ms: float, atoms: Atoms, rng: np.random.Generator) -> Flags:
    """Play atoms through a move: which of them are there at the end of each frame, shape (transitions, n)."""
    chance = survival(lowest, frame_ms, atoms)
    return np.asarray(rng.uniform(size=chance.shape[1:]) < chance)


@dataclass(frozen=True, eq=False)
class Rounds:
    """How a rearrangement is expected to go.

    Attributes
    ----------
    filled : ndarray, shape (rounds + 1,)
        Mean share of the wanted sites that hold an atom, before the first round and after each.
    error : ndarray, shape (rounds + 1,)
        Standard error of these means.
    complete : ndarray, shape (rounds + 1,)
        Share of the trials in which all of them do.
    """

    filled: Real
    error: Real
    complete: Real

    def summary(self) -> list[dict[str, Any]]:
        """One JSON-compatible dict for each round."""
        rows = zip(self.filled, self.error, self.complete, strict=True)
        return [
            {"round": number, "filled": float(filled), "filled_error": float(error), "complete": float(complete)}
            for number, (filled, error, complete) in enumerate(rows)
        ]


def predict_rounds(
    plan: Callable[[Real], Rearrangement],
    start_um: Callable[[np.random.Generator], Real],
    wanted_um: Real,
    survives: Callable[[Rearrangement], float],
    *,
    rounds: int,
    trials: int,
    rng: np.random.Generator,
    imaging_loss: float = 0.0,
) -> Rounds:
    """Play whole rearrangements, several rounds each, and average.

    Parameters
    ----------
    plan : callable
        Rearrangement of atoms at given places (n, 3); with parked spares, later rounds can fill what earlier ones have lost.
    start_um : callable
        Places of the atoms at the start of a trial.
    wanted_um : ndarray, shape (wanted, 3)
    survives : callable
        Probability that an atom survives the moves of a rearrangement.
    rounds, trials : int
        1 or more.
    rng : numpy.random.Generator
    imaging_loss : float
        Probability to lose an atom in the picture before each round.

    Returns
    -------
    Rounds

    Raises
    ------
    InputError
        If `rounds` or `trials` is below 1.
    """
    if rounds < 1 or trials < 1:
        raise InputError(f"rounds and trials: found {rounds} and {trials}; allowed: 1 or more")
    shares = np.array([_trial(plan, start_um(rng), wanted_um, survives, rounds, rng, imaging_loss) for _ in range(trials)])
    spread = shares.std(axis=0, ddof=1) if trials > 1 else np.full(rounds + 1, np.nan)
    return Rounds(shares.mean(axis=0), spread / np.sqrt(trials), (shares == 1).mean(axis=0))


def _trial(
    plan: Callable[[Real], Rearrangement],
    places: Real,
    wanted_um: Real,
    survives: Callable[[Rearrangement], float],
    rounds: int,
    rng: np.random.Generator,
    imaging_loss: float,
) -> list[float]:
    """Share of wanted sites filled before the first round and after each."""
    shares = [filled_share(places, wanted_um)]
    for _ in range(rounds):
        places = places[rng.uniform(size=len(places)) >= imaging_loss]
        if shares[-1] < 1 or imaging_loss > 0:
            made = plan(places)
            kept = rng.uniform(size=len(made.atoms)) < survives(made)
            places = made.stations_um[-1][kept]
        shares.append(filled_share(places, wanted_um))
    return shares


def filled_share(places_um: Real, wanted_um: Real) -> float:
    """Share of wanted places that have an atom within a nanometre.

    Examples
    --------
    >>> filled_share(np.array([[0.0, 0, 0]]), np.array([[0.0, 0, 0], [5.0, 0, 0]]))
    0.5
    """
    from scipy.spatial import KDTree

    check_numbers(places_um=places_um, wanted_um=wanted_um)
    if len(places_um) == 0 or len(wanted_um) == 0:
        return 0.0
    return float((np.asarray(KDTree(places_um).query(wanted_um)[0]) <= 1e-3).mean())
