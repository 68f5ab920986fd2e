"""The phase that makes separated, level spots: weighted iterations between the sites and the panel.

The mask is the phase of a superposition of one wave per site. Its free numbers are a weight and a phase per site; the
iteration adjusts both until every bright site gets its share. Where sites are to stay dark, the pixels themselves are turned
a little, until the stray light there is gone.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import CPU, Device
from holo.checks import check_finite, checked_targets
from holo.errors import InputError
from holo.field.path import LightPath, wrap
from holo.field.sites import SiteTransform, pupil_box
from holo.retrieve.stages import DeviceStage, Progress, Stage, State, stage_on
from holo.retrieve.trim import uniformity_of

Real = NDArray[np.float64]


@dataclass(frozen=True)
class Effort:
    """How long to search."""

    starts: tuple[int, int]
    """Fewest and most sets of starting phases that are tried: fewer the more sites there are, and the more alike they turn out."""
    spread: int
    """Iterations that raise the summed amplitude, on a coarse panel."""
    weigh: int
    """Iterations that level the sites with their phases still free, on a coarse panel."""
    gain: float
    """Exponent of the weight update while the phases are free."""
    finalists: int
    """Starts that go on to the whole panel."""
    settle: int
    """Iterations there with the phases still free."""
    uniformity: float
    """Where the iterations with the phases held may stop, and the corrections on the panel after them."""
    limit: int
    """Most iterations with the phases held."""
    darkness: float
    """Light on the brightest dark site, over the mean of the bright ones, at which the corrections on the panel may stop."""
    turns: int
    """Most of these corrections."""
    trim: int
    """Corrections for the levels of the panel that a design adds."""


EFFORTS = {
    "quick": Effort(
        starts=(1, 2), spread=10, weigh=20, gain=0.5, finalists=1, settle=2, uniformity=0.995, limit=40, darkness=1e-2, turns=60, trim=0
    ),
    "normal": Effort(
        starts=(1, 12), spread=10, weigh=40, gain=0.5, finalists=2, settle=4, uniformity=0.9999, limit=80, darkness=1e-3, turns=200, trim=6
    ),
    "high": Effort(
        starts=(4, 32),
        spread=150,
        weigh=200,
        gain=0.2,
        finalists=4,
        settle=30,
        uniformity=0.99998,
        limit=150,
        darkness=1e-4,
        turns=500,
        trim=12,
    ),
}
"""The searches that the word `effort` stands for."""

COARSENING = (5, 4, 3, 2)
"""Steps, in pixels, of the coarse panels that are considered, longest first."""

TRIAL = 5
"""Iterations after which a coarse panel is compared with the whole one."""

LEVELLING = 12
"""Most iterations of that stage on a coarse panel, where starts are compared."""

ENOUGH = 0.99
"""Uniformity that is enough before dark sites are seen to, which disturbs it."""


@dataclass(frozen=True, eq=False)
class Retrieval:
    """What a search for level spots found."""

    phase: NDArray[np.float32]
    """Phase that the mask must add, aberration already subtracted, rad in [0, 2 pi), shape (rows, columns)."""
    weights: Real
    """Weight of each bright site's wave, shape (bright,); their mean is 1."""
    site_phases: Real
    """Phase of each bright site's wave, rad, shape (bright,)."""
    efficiency: float
    """Sum of the relative intensities of the sites, pixel envelope included."""
    uniformity: float
    """``1 - (max r - min r) / (max r + min r)`` of the ratios r of intensity to target."""
    spread: float
    """Standard deviation of r over its mean."""
    crosstalk: float
    """Light on the brightest dark site over the mean of the bright ones; 0 without dark sites."""
    iterations: int
    """Number of iterations of the start that was kept, coarse ones included."""
    converged: bool
    """Whether the wanted uniformity and darkness were reached, before any rounding to levels."""
    history: tuple[tuple[str, float, float], ...]
    """Stage, efficiency and uniformity of each of these iterations, as the engine's own transform saw them."""
    interrupted: bool = False
    """Whether a KeyboardInterrupt ended the search, and this is the best that it had found."""

    @property
    def waves(self) -> NDArray[np.complex128]:
        """Weight and phase of each bright site's wave, before any turn, as one complex number, shape (bright,): a later start."""
        return np.asarray(self.weights * np.exp(1j * self.site_phases))


def retrieve_spots(
    path: LightPath,
    xyz_um: NDArray[np.floating[Any]],
    target: NDArray[np.floating[Any]],
    *,
    rng: np.random.Generator,
    effort: str = "normal",
    uniformity: float | None = None,
    iterations: int | None = None,
    progress: Progress | None = None,
    start: NDArray[np.complexfloating[Any, Any]] | None = None,
    device: Device = CPU,
) -> Retrieval:
    """Find the phase that puts the wanted intensities on separated sites.

    Parameters
    ----------
    path : LightPath
        The light path; its aberration is compensated.
    xyz_um : ndarray, shape (n, 3)
        Sites in the objective plane, um.
    target : ndarray, shape (n,)
        Relative intensities; 0 where there is to be no light.
    rng : numpy.random.Generator
        Source of the starting phases.
    effort : str
        One of `EFFORTS`: quick, normal or high.
    uniformity : float, optional
        Stop here instead of at the effort's own uniformity.
    iterations : int, optional
        Most iterations with the phases held, and most corrections after them, instead of the effort's own.
    progress : callable, optional
        See `Progress`. An exception that it raises ends the search.
    start : ndarray of complex, shape (bright,), optional
        `Retrieval.waves` of an earlier retrieval of the same bright sites, in place of the search: the last stage alone turns their
        superposition until the new targets are reached. The mask resembles the old one, the more so the less the targets differ, and no
        random numbers are drawn.
    device : Device
        Where the iterations run. A GPU runs all of them on the whole panel, so that its mask is another one than the CPU's, and as good.

    Returns
    -------
    Retrieval

    Raises
    ------
    InputError
        If `effort`, `uniformity` or `iterations` is out of range, a number is not finite, a target is negative, none is positive, or
        `start` is not one finite number other than 0 for each bright site.
    RetrievalError
        If the light at a site stays zero.

    Notes
    -----
    Each iteration is the projection of Gerchberg and Saxton, Optik 35, 237 (1972), between the panel, where the modulus is
    the beam's, and the sites, where it is a weight ``w_m``. These stages follow each other:

    - spread: all weights equal their targets, site phases free, which never lowers ``sum_m w_m |V_m|``;
    - weigh: ``w_m <- w_m (a_m / |V_m|)**gain``, phases still free (Di Leonardo, Ianni and Ruocco, Opt. Express 15, 1913
      (2007), eq. 15, with gain 1). A gain below 1 gives the phases time to follow, and leaves more light on the sites;
    - settle: a few more of these, with gain 1, on the whole panel;
    - hold: the site phases stay (as in Kim et al., Opt. Lett. 44, 3178 (2019)) and the logarithm of the weights is driven to its
      fixed point by Anderson's method (Walker and Ni, SIAM J. Numer. Anal. 49, 1715 (2011)).

    The first two run on every second to fifth pixel where the sites allow it, from several starts. Starts are levelled there with
    their phases held, and ranked by the bound ``sum w |V| / sum w a``: no mask can give all sites more than that at these weights
    and site phases.

    A last stage, turn, works on the phase of each pixel (`SiteTransform.turn`). It takes the light off the dark sites, which no
    choice of weights does, and levels very many sites to the last digit, where the phase of the superposition jumps at too many
    points of the panel for its weights to do so. It is gradient descent with momentum (Polyak, USSR Comput. Math. Math. Phys. 4,
    1 (1964)) on the errors of the fields at the sites. A retrieval with a `start` consists of it: weights that were levelled anew
    would move the points where the phase jumps, and what the panel makes of the mask would change with them.

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> from holo.field.path import light_path
    >>> path = light_path(parse_bench(demo_bench_text(), "bench.toml"))
    >>> sites = np.array([[60.0, 40.0, 0.0], [65.0, 40.0, 0.0], [60.0, 45.0, 0.0]])
    >>> found = retrieve_spots(path, sites, np.ones(3), rng=np.random.default_rng(0))
    >>> found.converged, found.uniformity > 0.9999
    (True, True)
    """
    points = np.asarray(xyz_um, np.float64)
    wanted = checked_targets(target, len(points))
    check_finite("xyz_um", points)
    search = _search(effort, uniformity, iterations)
    bright = points[wanted > 0]
    moved = bright - _centre(bright)
    goal = np.sqrt(wanted[wanted > 0]) / path.envelope(bright)
    goal /= goal.mean()
    fine = stage_on(path, moved, goal, progress, device)
    if start is not None:
        state = fine.apply("start", _begun(np.asarray(start), len(bright)))[0]
        return _result(path, bright, points[wanted == 0], fine, state, search)
    finalists = _explore(path, moved, fine, search, rng)
    level = search if len(bright) == len(points) else replace(search, uniformity=min(ENOUGH, search.uniformity))
    state = max(
        (fine.hold(fine.free("settle", state, search.settle, 1.0), level.uniformity, level.limit) for state in finalists), key=fine.bound
    )
    return _result(path, bright, points[wanted == 0], fine, state, search)


def _search(effort: str, uniformity: float | None, iterations: int | None) -> Effort:
    """The search of an effort with the user's own stopping rules in it."""
    if effort not in EFFORTS:
        raise InputError(f"effort: found {effort!r}; allowed: {', '.join(EFFORTS)}")
    search = EFFORTS[effort]
    if uniformity is not None:
        if not 0 < uniformity < 1:
            raise InputError(f"uniformity: found {uniformity:g}; allowed: a number between 0 and 1")
        search = replace(search, uniformity=uniformity)
    if iterations is not None:
        if not 1 <= iterations <= 100_000:
            raise InputError(f"iterations: found {iterations}; allowed: 1 to 100000")
        search = replace(search, limit=iterations, turns=iterations)
    return search


def _centre(points: Real) -> Real:
    """Middle of the sites' bounding box in x and y, shape (3,); a common shift is but a tilt of the mask."""
    return np.asarray((points.max(axis=0) + points.min(axis=0)) / 2 * [1, 1, 0])


def _begun(waves: NDArray[np.complexfloating[Any, Any]], count: int) -> State:
    """Where an earlier search ended."""
    if waves.shape != (count,):
        raise InputError(f"start: found shape {waves.shape}; allowed: ({count},), a number for each bright site")
    moduli = np.abs(waves)
    if not (np.isfinite(moduli) & (moduli > 0)).all():
        raise InputError(f"start: found {waves[np.argmin(np.isfinite(moduli) & (moduli > 0))]}; allowed: finite numbers other than 0")
    return State(moduli / moduli.mean(), np.angle(waves), np.ones(count))


def _explore(path: LightPath, points: Real, fine: Stage | DeviceStage, search: Effort, rng: np.random.Generator) -> list[State]:
    """The best of several starts after the free stages, best first as the whole panel ranks them."""
    count = int(np.clip(64 * search.starts[1] // len(points), *search.starts))
    starts = [State(fine.goal, rng.uniform(0, 2 * np.pi, len(points)), np.ones(len(points))) for _ in range(count)]
    stage: Stage | DeviceStage = fine
    if isinstance(fine, Stage):  # a GPU has the whole panel done before it has a coarse one compared with it
        stage, starts[0] = _coarse_stage(path, points, fine, starts[0])
    states = [_run(stage, start, search, number) for number, start in enumerate(starts)]
    if len(states) <= search.finalists:
        return states
    levelled = [stage.hold(state, 0.999, LEVELLING) for state in states]
    judge = replace(fine, progress=None)
    return sorted(levelled, key=lambda state: judge.bound(judge.apply("", state)[0]), reverse=True)[: search.finalists]


def _run(stage: Stage | DeviceStage, start: State, search: Effort, number: int) -> State:
    """Take a start through the free stages; every other one skips the first, and two in four are weighed at full gain.

    With few sites, which optimum is reached depends on the way more than on the start.
    """
    spread, gain = search.spread * (number % 2 == 0), search.gain if number % 4 < 2 else 1.0
    return stage.free("weigh", stage.free("spread", start, spread, 0.0), search.weigh, gain)


def _coarse_stage(path: LightPath, points: Real, fine: Stage, start: State) -> tuple[Stage, State]:
    """The coarsest panel on which the sites fare as on the whole one, that itself where there is none; and where a start got on it.

    A coarse panel repeats the light at fractions of the field. Where the repeats of an array fall onto the array itself, the
    coarse panel shows light on the sites that the whole panel will not put there, which a few iterations bring out.
    """
    rows, columns = pupil_box(path)
    extent = np.ptp(points[:, :2], axis=0).max() * path.scale / (2 * np.pi)
    pitch = max(abs(np.diff(path.x_um[:2])).max(initial=0), abs(np.diff(path.y_um[:2])).max(initial=0))
    for step in COARSENING:
        if step * pitch * extent > 1 or min(len(path.y_um[rows]), len(path.x_um[columns])) < 64 * step:
            continue
        part = _every(path, step)
        if np.count_nonzero(part.amplitude) < 8 * len(points):
            continue
        stage = replace(fine, transform=SiteTransform(part, points, coarse=True), full=part.amplitude_sum, progress=None)
        state = stage.free("spread", start, TRIAL, 0.0)
        on_part = stage.apply("", state)[0].history[-1][1]
        on_whole = replace(fine, progress=None).apply("", state)[0].history[-1][1]
        if abs(on_part - on_whole) < 0.005:
            return replace(stage, progress=fine.progress), state
    return fine, start


def _every(path: LightPath, step: int) -> LightPath:
    """The light path of every `step`-th pixel in each direction."""
    rows, columns = slice(step // 2, None, step), slice(step // 2, None, step)
    amplitude = path.amplitude[rows, columns]
    return replace(
        path,
        x_um=path.x_um[columns],
        y_um=path.y_um[rows],
        amplitude=amplitude,
        aberration=path.aberration[rows, columns],
        defocus=path.defocus[rows, columns],
        amplitude_sum=float(amplitude.sum()),
        pupil=path.pupil[rows, columns],
    )


def _result(path: LightPath, bright: Real, dark: Real, fine: Stage | DeviceStage, state: State, search: Effort) -> Retrieval:
    """The mask of a state, over the whole panel and in the frame of the real sites, turned where that is needed."""
    centre = _centre(bright)
    phase = fine.mask_phase(state, (centre[0], centre[1]))
    moduli, history, crosstalk = state.moduli, state.history, 0.0
    if len(dark) or uniformity_of((moduli / fine.goal) ** 2) < search.uniformity:
        end = fine.turn(dark - centre, state, search.uniformity, search.darkness, search.turns)
        phase = wrap(phase.astype(np.float64) + end.angle)
        moduli, history, crosstalk = end.moduli, end.history, end.crosstalk
    intensity = (moduli * path.envelope(bright) / path.amplitude_sum) ** 2
    ratio = (moduli / fine.goal) ** 2
    uniformity = uniformity_of(ratio)
    return Retrieval(
        phase=phase,
        weights=state.weights,
        site_phases=state.phases,
        efficiency=float(intensity.sum()),
        uniformity=uniformity,
        spread=float(ratio.std() / ratio.mean()),
        crosstalk=crosstalk,
        iterations=len(history),
        converged=uniformity >= search.uniformity and crosstalk <= search.darkness,
        history=history,
    )
