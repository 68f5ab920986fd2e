"""The phase of levels from the light of binary gratings: which gratings to show, and the fit to what they send into their first orders.

A grating of the levels a and b has first orders of ``scale (sin^2((phi_b - phi_a) / 2) + background)``. That is even in the difference of
the phases and repeats itself every turn, so each level is compared with several others, a third of a turn apart: of all smooth responses
only one, and the same with its sign reversed, agrees with all of them.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holo.errors import CalibrationError
from holo.wavefront import Real
from holo.wavefront_fit import widened

LEVELS = 33
"""Levels that are compared with the references."""

NEAREST, FARTHEST = 1 / 12, 0.7
"""Differences of phase that gratings are to have, believed turns: others tell little, or most of crosstalk between pixels."""

GAINS = np.arange(0.5, 1.71, 0.05)
"""Responses over the believed one that the search starts from."""

BENDS = (-0.3, -0.15, 0.0, 0.15, 0.3)
"""Waves on top of them: sizes of one period of a sine over all levels, over the whole response, over 2 pi."""

SEARCHED, GOOD = 8, 25.0
"""Most starts that are followed to the end, and mean square of misfits over their errors at which one has found the way."""

STEPS = 60
"""Most steps of a start."""

FLOOR = 0.004
"""Error of the light of a grating beyond the camera's noise that is reckoned with, over its most."""

BACKGROUND = 0.03
"""Standard deviation of backgrounds, over the most light of a grating, that is reckoned with."""

EDGE = 0.06
"""Square pixels; ``8 pi^2 EDGE / period^2`` is the share that crosstalk between pixels takes from the phases that a grating shows.

To first order in the crosstalk: half the first moment, about an edge of the grating, of what is missing there. This is for phases blurred
by a Gaussian of 0.3 pixels, and is reckoned with as an error, because nobody knows that of his panel.
"""

UNEXPLAINED = 0.06
"""Rms misfit, over the most light of a grating, above which there is no result."""


@dataclass(frozen=True, eq=False)
class Shown:
    """What was shown and what was seen.

    Attributes
    ----------
    pairs : ndarray of int, shape (frames, patches, 2)
        Levels of the gratings. In the first frame all of them are the brightest that there are thought to be.
    power, error : ndarray, shape (frames, patches)
        Light of the first orders, counts, and its standard error.
    share : ndarray, shape (patches,)
        Of each patch in the light.
    periods_px : ndarray, shape (patches,)
        Of its gratings, panel pixels.
    """

    pairs: NDArray[np.int64]
    power: Real
    error: Real
    share: Real
    periods_px: Real


@dataclass(frozen=True, eq=False)
class ResponseFit:
    """A response that explains what was seen.

    Attributes
    ----------
    phase, error : ndarray, shape (levels,)
        rad, 0 at level 0, and standard error of the phase less the mean over all levels.
    gain, gain_error : ndarray, shape (patches,)
        Relative difference of each patch's response from their mean, and standard error.
    light : ndarray, shape (frames, patches)
        What was seen over the most of each grating, background taken off: ``sin^2(delta / 2)``.
    delta : ndarray, shape (frames, patches)
        Difference of the phases of each grating, rad.
    chi2 : float
        Squared misfit over its variance, per degree of freedom.
    unexplained : float
        Rms misfit over the most light of a grating.
    """

    phase: Real
    error: Real
    gain: Real
    gain_error: Real
    light: Real
    delta: Real
    chi2: float
    unexplained: float


# ---------------------------------------------------------------------------------------------------------------------
# what to show


def brightest_pair(believed: Real) -> tuple[int, int]:
    """Lowest level, and the one whose phase is thought to be half a turn off.

    Parameters
    ----------
    believed : ndarray, shape (levels,)
        Phase of each level, rad.

    Returns
    -------
    low, high : int

    Examples
    --------
    >>> brightest_pair(2 * np.pi * np.arange(256) / 212)
    (0, 106)
    """
    return 0, int(np.argmin(np.abs(np.abs(believed - believed[0]) - np.pi)))


def compared_pairs(believed: Real) -> NDArray[np.int64]:
    """Pairs of levels whose differences tell the response, shape (n, 2).

    Parameters
    ----------
    believed : ndarray, shape (levels,)
        Phase that each level is thought to make, rad.

    Returns
    -------
    ndarray of int
        `LEVELS` levels spread over all, each with those of the references, a third of a turn apart, from which it is thought to differ
        by `NEAREST` to `FARTHEST` turns; and each reference with itself, whose grating has no light but the background.

    Examples
    --------
    >>> pairs = compared_pairs(2 * np.pi * np.arange(256) / 212)
    >>> len(pairs), len(np.unique(pairs))
    (93, 36)
    """
    turns = np.abs(believed - believed[0]) / (2 * np.pi)
    levels = np.unique(np.rint(np.linspace(0, len(believed) - 1, LEVELS)).astype(np.int64))
    references = np.unique([int(np.argmin(np.abs(turns - third))) for third in np.arange(0, turns.max() + 1e-9, 1 / 3)])
    both = np.stack(np.meshgrid(references, levels), axis=-1).reshape(-1, 2)
    apart = np.abs(turns[both[:, 1]] - turns[both[:, 0]])
    return np.vstack([both[(apart >= NEAREST) & (apart <= FARTHEST)], np.column_stack([references, references])])


def shared_pairs(believed: Real, frames: int, patches: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Share the pairs out to frames and patches, shape (frames, patches, 2).

    In each frame one patch after the other has the brightest grating, which tells how bright the light is in that frame; the first frame
    has nothing else. All others have one pair after the other, in random order.

    Parameters
    ----------
    believed : ndarray, shape (levels,)
        Phase of each level, rad.
    frames, patches : int
        How many there are to share to.
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of int, shape (frames, patches, 2)
        Levels.
    """
    pairs, bright = compared_pairs(believed), np.array(brightest_pair(believed))
    wanted = (frames - 1) * (patches - 1)
    order = np.concatenate([rng.permutation(len(pairs)) for _ in range(wanted // len(pairs) + 1)])[:wanted]
    shown = np.broadcast_to(bright, (frames, patches, 2)).copy()
    free = (np.arange(frames)[:, None] % patches != np.arange(patches)) & (np.arange(frames)[:, None] > 0)
    shown[free] = pairs[order]
    return shown


# ---------------------------------------------------------------------------------------------------------------------
# the fit


class _Model:
    """Light of gratings as a function of unknown numbers.

    These are: what the response has at its knots beyond a fixed part; gains of all patches but the last; logarithms of the brightness of
    all patches but the first, over its; backgrounds of the patches, over their brightness; and the logarithm of the brightness of each
    frame.
    """

    def __init__(self, shown: Shown, fixed: Real, basis: Real) -> None:
        self.shown, self.fixed, self.basis = shown, fixed, basis
        frames, self.patches = shown.power.shape
        self.gains = np.vstack([np.eye(self.patches - 1), -shown.share[:-1] / shown.share[-1]])
        self.frame = np.arange(frames).repeat(self.patches)
        self.patch = np.tile(np.arange(self.patches), frames)
        sizes = (basis.shape[1], self.patches - 1, self.patches - 1, self.patches, frames)
        ends = np.cumsum(sizes)
        self.parts = [slice(end - size, end) for size, end in zip(sizes, ends, strict=True)]
        self.count = int(ends[-1])
        first, second = shown.pairs.reshape(-1, 2).T
        self.change, self.change_basis = fixed[second] - fixed[first], basis[second] - basis[first]
        self.power, noise = shown.power.ravel(), shown.error.ravel()
        self.most = np.maximum(shown.power[0] * _reference(shown)[:, None], 1e-9).ravel()
        self.sigma = np.hypot(noise, FLOOR * self.most)

    def start(self, knots: Real) -> Real:
        """Numbers with a response at the knots, and brightness from the brightest gratings."""
        numbers = np.zeros(self.count)
        numbers[self.parts[0]] = knots
        top = np.sin(self.delta(numbers)[: self.patches] / 2) ** 2
        bright = np.log(self.shown.power[0] / np.maximum(top, 0.05))
        numbers[self.parts[2]] = bright[1:] - bright[0]
        numbers[self.parts[4]] = bright[0] + np.log(_reference(self.shown))
        return numbers

    def delta(self, numbers: Real) -> Real:
        """Differences of phase of all gratings, rad."""
        gain = self.gains @ numbers[self.parts[1]]
        return np.asarray((self.change + self.change_basis @ numbers[self.parts[0]]) * (1 + gain[self.patch]))

    def brightness(self, numbers: Real) -> Real:
        """Most light of all gratings, counts."""
        patch = np.append(0.0, numbers[self.parts[2]])
        return np.asarray(np.exp(np.clip(numbers[self.parts[4]][self.frame] + patch[self.patch], -50, 50)))

    def residual(self, numbers: Real) -> Real:
        """Misfits over their errors, and backgrounds over theirs."""
        light = np.sin(self.delta(numbers) / 2) ** 2 + numbers[self.parts[3]][self.patch]
        return np.append((self.brightness(numbers) * light - self.power) / self.sigma, numbers[self.parts[3]] / BACKGROUND)

    def jacobian(self, numbers: Real) -> Real:
        """Derivatives of `residual`, shape (gratings + patches, numbers)."""
        delta, bright = self.delta(numbers), self.brightness(numbers) / self.sigma
        gain = (1 + self.gains @ numbers[self.parts[1]])[self.patch]
        rows, slope = np.arange(len(delta)), bright * np.sin(delta) / 2
        light = bright * (np.sin(delta / 2) ** 2 + numbers[self.parts[3]][self.patch])
        found = np.zeros((len(delta) + self.patches, self.count))
        found[rows, self.parts[0]] = (slope * gain)[:, None] * self.change_basis
        found[rows, self.parts[1]] = (slope * delta / gain)[:, None] * self.gains[self.patch]
        found[rows, self.parts[2]] = light[:, None] * np.eye(self.patches)[self.patch, 1:]
        found[rows, self.parts[3].start + self.patch] = bright
        found[rows, self.parts[4].start + self.frame] = light
        found[len(delta) + np.arange(self.patches), self.parts[3].start + np.arange(self.patches)] = 1 / BACKGROUND
        return found

    def covariance(self, numbers: Real, chi2: float) -> Real:
        """Covariance of all numbers but the brightness of frames; see `holo.wavefront_fit.widened`."""
        own = self.parts[4].start
        jacobian, residual = self.jacobian(numbers)[: len(self.power)], self.residual(numbers)[: len(self.power)]
        normal, slope = [], []
        for frame in range(len(self.shown.power)):
            part = slice(frame * self.patches, (frame + 1) * self.patches)
            rows, scale = jacobian[part, :own], jacobian[part, own + frame]
            rows = rows - np.outer(scale, scale @ rows) / (scale @ scale)
            normal.append(rows.T @ rows)
            slope.append(-rows.T @ residual[part])
        prior = np.zeros(own)
        prior[self.parts[3]] = 1 / BACKGROUND**2
        return widened(np.array(normal), np.array(slope), max(chi2, 1.0), prior)


def _reference(shown: Shown) -> Real:
    """Brightness of each frame over that of the first, from the patch whose grating is the brightest one."""
    frames, patches = shown.power.shape
    own = np.arange(frames) % patches
    own[0] = 0
    return np.asarray(shown.power[np.arange(frames), own] / shown.power[0, own])


def splines(levels: int, knots: int) -> Real:
    """Natural cubic splines of the level that are 1 at one knot and 0 at all others, the first knot left out, shape (levels, knots - 1).

    Parameters
    ----------
    levels : int
        Of the panel.
    knots : int
        Evenly spaced from level 0 to the last.

    Returns
    -------
    ndarray, shape (levels, knots - 1)
    """
    from scipy.interpolate import CubicSpline

    places = np.linspace(0, levels - 1, knots)
    return np.asarray(CubicSpline(places, np.eye(knots), bc_type="natural")(np.arange(levels)))[:, 1:]


def fit_response(shown: Shown, believed: Real, knots: int, beyond: bool = False) -> ResponseFit:
    """Find the response, whatever the believed one is but for its sign and a factor of 1.7.

    Parameters
    ----------
    shown : Shown
    believed : ndarray, shape (levels,)
        Phase that each level is thought to make, rad.
    knots : int
        Of the splines that describe the response.
    beyond : bool
        Whether they only describe what it has beyond the believed one.

    Returns
    -------
    ResponseFit
        With the sign of the believed response.

    Raises
    ------
    CalibrationError
        If no response explains what was seen.

    Notes
    -----
    Least squares from the best of many starts: the believed response times a factor, bent. The light repeats itself every turn of a
    difference and is the same for both its signs; a start on a wrong branch does not get anywhere near what was seen.
    """
    levels, thought = len(believed), believed - believed[0]
    at_knots = np.interp(np.linspace(0, levels - 1, knots)[1:], np.arange(levels), thought)
    model = _Model(shown, thought if beyond else np.zeros(levels), splines(levels, knots))
    wave = np.sin(2 * np.pi * np.arange(1, knots) / (knots - 1)) * at_knots[-1] / (2 * np.pi)
    known = at_knots if beyond else 0.0
    starts = [model.start(gain * (at_knots + bend * wave) - known) for gain in GAINS for bend in BENDS]
    found: list[Real] = []
    for numbers in sorted(starts, key=lambda numbers: _cost(model, numbers))[:SEARCHED]:
        found.append(_descended(model, numbers))
        if _cost(model, found[-1]) < GOOD * len(model.power):
            break
    return _told(model, min(found, key=lambda numbers: _cost(model, numbers)))


def _cost(model: _Model, numbers: Real) -> float:
    """Squares of misfits, no single one of which counts for more than that of 30 errors."""
    return float(np.minimum(np.square(model.residual(numbers)), 900).sum())


def _descended(model: _Model, numbers: Real) -> Real:
    from scipy.optimize import least_squares

    return np.asarray(least_squares(model.residual, numbers, model.jacobian, x_scale="jac", loss="soft_l1", f_scale=5.0, max_nfev=STEPS).x)


def _told(model: _Model, numbers: Real) -> ResponseFit:
    count, (frames, patches) = len(model.power), model.shown.power.shape
    misfit, bright = model.residual(numbers)[:count], model.brightness(numbers)
    unexplained = float(np.sqrt(np.mean(np.square(misfit * model.sigma / bright))))
    if not unexplained <= UNEXPLAINED:  # also true for NaN
        worst = np.argsort(-np.square(misfit).reshape(frames, patches).sum(axis=1))[:3]
        raise CalibrationError(
            f"gratings: no response explains their light to better than {unexplained:.0%} of the brightest, rms; allowed: "
            f"{UNEXPLAINED:.0%}; the frames {', '.join(map(str, sorted(worst.tolist())))} fit worst. "
            "Start a new run: did all frames show the masks that were asked for, had the panel settled before each frame, is the camera "
            "linear, did other light change? If the bench file's response is off by more than a factor of 1.7, give a better guess there"
        )
    chi2 = float(np.square(misfit).sum()) / max(count + patches - model.count, 1)
    covariance = model.covariance(numbers, chi2)
    knots, gains = model.parts[0], model.parts[1]
    phase, centred = model.fixed + model.basis @ numbers[knots], model.basis - model.basis.mean(axis=0)
    blurred = 8 * np.pi**2 * EDGE / model.shown.periods_px**2
    gain_covariance = model.gains @ covariance[gains, gains] @ model.gains.T
    return ResponseFit(
        phase=phase,
        error=np.hypot(
            np.sqrt(np.einsum("ij,jk,ik->i", centred, covariance[knots, knots], centred)),
            model.shown.share @ blurred * (phase - phase.mean()),
        ),
        gain=model.gains @ numbers[gains],
        gain_error=np.hypot(np.sqrt(np.diag(gain_covariance)), blurred - model.shown.share @ blurred),
        light=(model.power / bright - numbers[model.parts[3]][model.patch]).reshape(frames, patches),
        delta=model.delta(numbers).reshape(frames, patches),
        chi2=chi2,
        unexplained=unexplained,
    )
