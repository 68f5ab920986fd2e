"""Phase and amplitude in the pupil from images of spots: a fit of the forward model (`holo.wavefront`), with error bars.

All images share the coefficients of Zernike terms: of the phase, waves rms, and of the logarithm of the amplitude. Each image has its own
tilt, brightness and background. Steps are damped least squares (D. W. Marquardt, J. Soc. Indust. Appl. Math. 11, 431 (1963),
doi:10.1137/0111030, from memory) on normal equations from which the numbers of each image are eliminated.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from holo.wavefront import Light, Real, Single, View, fields, over_pixels

OWN = 4
"""Numbers that each image has for itself: two tilts, brightness, background."""

STEPS = 40
"""Most steps of a fit."""

SETTLED, ROUGHLY = 1e-4, 1e-2
"""Share of chi squared below which a step that promises no more is the last one: of a whole fit, and of one that another follows."""

LONGEST, FARTHEST = 0.5, 2.0
"""Largest step of a shared number, waves or in the logarithm of the amplitude, and largest such number."""

FEW = 3
"""Spots that the search for a start looks at."""

EXPLAINED = 0.95
"""Share of the images' variance that a start has to explain."""

STARTS = 8
"""Most starts that are tried."""

CHI2_MEDIAN = 0.4549
"""Median of chi squared with one degree of freedom."""

WANDER = 0.12
"""Waves rms of the random starts."""


@dataclass(frozen=True, eq=False)
class Images:
    """What a fit is given: windows of camera frames about spots.

    Attributes
    ----------
    counts : ndarray of float32, shape (frames, spots, side, side)
    usable : ndarray of bool, same shape
    smooth : ndarray of float32, shape (frames, nv, nu)
        Known smooth phase of each frame on the pupil's grid, rad.
    gain : ndarray, shape (frames,)
        Electrons per count, times the shots; NaN where it is not known.
    """

    counts: Single
    usable: NDArray[np.bool_]
    smooth: Single
    gain: Real

    def of_spots(self, spots: NDArray[np.intp] | slice) -> Images:
        """Keep some of the spots only.

        Parameters
        ----------
        spots : ndarray of int, shape (n,), or slice
            Their numbers.

        Returns
        -------
        Images
        """
        return replace(self, counts=self.counts[:, spots], usable=self.usable[:, spots])


@dataclass(frozen=True)
class Terms:
    """What is fitted: Noll indices of the phase, from 4 up, and of the logarithm of the amplitude, from 2 up."""

    phase: tuple[int, ...]
    """Rising."""
    amplitude: tuple[int, ...] = ()

    @property
    def all(self) -> tuple[int, ...]:
        """All of them and those of tilt, 2 and 3, which come first."""
        return (2, 3, *sorted({*self.phase, *self.amplitude} - {2, 3}))

    @property
    def count(self) -> int:
        """Number of coefficients that all images share."""
        return len(self.phase) + len(self.amplitude)


@dataclass(frozen=True, eq=False)
class State:
    """The numbers of a fit.

    Attributes
    ----------
    shared : ndarray, shape (terms.count,)
        Waves rms of the phase terms, then coefficients of the logarithm of the amplitude.
    tilt : ndarray, shape (frames, spots, 2)
        Waves rms of the Noll terms 2 and 3.
    brightness, background : ndarray, shape (frames, spots)
        Counts that an unsplit perfect focus would have, and those under the spot.
    """

    shared: Real
    tilt: Real
    brightness: Real
    background: Real


@dataclass(frozen=True, eq=False)
class Fit:
    """A finished fit.

    Attributes
    ----------
    terms : Terms
    state : State
    normal : ndarray, shape (frames, spots, count, count)
        Information that each image gives on the shared numbers, its own eliminated.
    slope : ndarray, shape (frames, spots, count)
        Half the descent of chi squared: ``normal^-1 slope``, both summed over the frames, is the step that a spot by itself would still
        make.
    chi2 : float
        Weighted sum of squared residuals over the degrees of freedom.
    unexplained : float
        Weighted sum of squared residuals over that of the images themselves, less their noise.
    model : ndarray of float32, shape (frames, spots, side, side)
        Counts.
    """

    terms: Terms
    state: State
    normal: Real
    slope: Real
    chi2: float
    unexplained: float
    model: Single

    @property
    def covariance(self) -> Real:
        """Covariance of the shared numbers, shape (count, count).

        Widened by chi squared where that is above 1; see `widened`.
        """
        return widened(self.normal.sum(axis=1), self.slope.sum(axis=1), max(self.chi2, 1.0))

    @property
    def errors(self) -> Real:
        """One standard error of each shared number, shape (count,)."""
        return np.sqrt(np.diag(self.covariance))


def widened(normal: Real, slope: Real, scale: float, prior: Real | float = 0.0) -> Real:
    """Covariance of a fit to some frames.

    Parameters
    ----------
    normal : ndarray, shape (frames, count, count)
        Information of each frame.
    slope : ndarray, shape (frames, count)
        Half the descent of chi squared that each frame by itself would have at the fit; their sum is 0.
    scale : float
        By which the variance of the data is larger than the information has it.
    prior : ndarray, shape (count,), optional
        Information that is there without any frame.

    Returns
    -------
    ndarray, shape (count, count)
        The larger, term by term, of two estimates: the inverse information times `scale`; and how much the result changes, to first
        order, as one frame after the other is left out, which knows of misfits that are alike all over a frame (the jackknife; B. Efron
        and C. Stein, Ann. Statist. 9, 586 (1981), doi:10.1214/aos/1176345462, from memory).
    """
    whole, frames = normal.sum(axis=0) + np.diag(np.broadcast_to(prior, normal.shape[-1])), len(normal)
    single = np.linalg.inv(whole) * scale
    changes = np.linalg.solve(whole - normal, slope[..., None])[..., 0]
    left_out = (frames - 1) / frames * (changes**2).sum(axis=0)
    wider = np.sqrt(np.maximum(left_out / np.diag(single), 1.0))
    return np.asarray(single * np.outer(wider, wider))


def fit_wavefront(view: View, data: Images, terms: Terms, rng: np.random.Generator) -> Fit:
    """Find phase and amplitude in the pupil from images of spots, from scratch.

    Parameters
    ----------
    view : View
    data : Images
    terms : Terms
    rng : Generator
        Of the starts, where the first one, no aberration, leads nowhere.

    Returns
    -------
    Fit

    Notes
    -----
    A few spots and the phase alone give the start. The noise is estimated anew from what the fit leaves (`noise`).
    """
    some = np.argsort(-_light(data), kind="stable")[:FEW]
    first = _started(view.of_spots(some), data.of_spots(some), Terms(terms.phase), rng)
    shared = np.concatenate([first.state.shared, np.zeros(len(terms.amplitude))])
    tilt = np.broadcast_to(first.state.tilt.mean(axis=(0, 1)), (*data.counts.shape[:2], 2))
    light = _smoothed(data.counts)
    fit = fit_images(view, data, terms, _state(data, shared, tilt), _weights(data, data.counts, light), ROUGHLY)
    return refit(view, data, fit)


def refit(view: View, data: Images, fit: Fit) -> Fit:
    """Fit once more from a fit, which may be of fewer frames, with the noise that it leaves.

    Parameters
    ----------
    view : View
    data : Images
        Images of all frames.
    fit : Fit
        To start from.

    Returns
    -------
    Fit
    """
    frames = len(fit.model)
    more = np.broadcast_to(fit.state.tilt.mean(axis=0), (len(data.counts) - frames, *fit.state.tilt.shape[1:]))
    light = _smoothed(data.counts)
    light[:frames] = np.maximum(fit.model - fit.state.background[..., None, None], 0)
    start = _state(data, fit.state.shared, np.concatenate([fit.state.tilt, more]))
    return fit_images(view, data, fit.terms, start, _weights(data, data.counts[:frames] - fit.model, light))


def _started(view: View, data: Images, terms: Terms, rng: np.random.Generator) -> Fit:
    """Fit the phase alone, from other starts too as long as too little of the images is explained."""
    weights = _weights(data, data.counts, _smoothed(data.counts))
    best = None
    for number in range(STARTS):
        shared = rng.standard_normal(terms.count) * (WANDER / np.sqrt(terms.count)) if number else np.zeros(terms.count)
        fit = fit_images(view, data, terms, _state(data, shared, np.zeros((*data.counts.shape[:2], 2))), weights, ROUGHLY)
        best = fit if best is None or fit.unexplained < best.unexplained else best
        if best.unexplained < 1 - EXPLAINED:
            break
    assert best is not None
    return best


def _state(data: Images, shared: Real, tilt: Real) -> State:
    nothing = np.zeros(data.counts.shape[:2])
    return State(shared, np.array(tilt), nothing, nothing)


def _light(data: Images) -> Real:
    """Light of each spot in all frames, saturated and other unusable pixels left out, shape (spots,)."""
    rim = np.median(data.counts[..., [0, -1], :], axis=(0, 2, 3))
    return np.asarray(((data.counts - rim[:, None, None]) * data.usable).sum(axis=(0, 2, 3)) * data.usable.all(axis=(0, 2, 3)), np.float64)


def _smoothed(counts: Single) -> Single:
    """Counts over the background, roughly, with less noise."""
    from scipy.ndimage import uniform_filter

    rim = np.median(counts[..., [0, -1], :], axis=(2, 3), keepdims=True)
    return np.asarray(np.maximum(uniform_filter(counts, (0, 0, 3, 3)) - rim, 0), np.float32)


def _weights(data: Images, left: Single, light: Single) -> Single:
    """One over the variance, 0 where pixels are not usable; `left` and the noise that it tells may be those of the first frames only."""
    frames = len(left)
    floor, slope = noise(data.usable[:frames], left, light[:frames])
    slopes = np.where(np.isnan(data.gain), slope, 1 / data.gain)[:, None, None, None]
    return np.asarray(data.usable / (floor + slopes * light), np.float32)


def noise(usable: NDArray[np.bool_], left: Single, light: Single) -> tuple[float, float]:
    """Tell the variance of the counts from what a fit leaves.

    Parameters
    ----------
    usable : ndarray of bool, shape (frames, spots, side, side)
    left : ndarray, same shape
        Counts less their model.
    light : ndarray, same shape
        Counts over the background.

    Returns
    -------
    floor : float
        Variance without light, counts^2.
    slope : float
        Variance per count of light.

    Notes
    -----
    Second differences along columns and rows keep noise, which differs from pixel to pixel, and lose most of a misfit, which is as smooth
    as the optics; their squares are fitted with a line over the light, with outliers cut.
    """
    from scipy.ndimage import minimum_filter

    rough = left
    for axis in (2, 3):
        rough = np.diff(rough, 2, axis=axis)
    square, middle = np.square(rough) / 36, light[..., 1:-1, 1:-1]
    good = minimum_filter(usable, (1, 1, 3, 3))[..., 1:-1, 1:-1]
    square, middle = np.asarray(square[good], np.float64), np.asarray(middle[good], np.float64)
    dim = middle < np.quantile(middle, 0.3)
    dimmest, slope = float(np.median(square[dim])) / CHI2_MEDIAN, 0.0
    floor, dim_light = dimmest, float(np.median(middle[dim]))
    for _ in range(8):
        expected = floor + slope * middle
        weight = ((square < 12 * expected) if slope else 1.0) / expected**2
        slope = max(float((weight * (square - floor) * middle).sum() / (weight * middle**2).sum()), 0.0)
        floor = max(dimmest - slope * dim_light, 0.1 * dimmest)
    return max(floor, 1e-12), slope


# ---------------------------------------------------------------------------------------------------------------------
# steps


def fit_images(view: View, data: Images, terms: Terms, start: State, weights: Single, settled: float = SETTLED) -> Fit:
    """Fit the model to images from a start.

    Parameters
    ----------
    view : View
    data : Images
    terms : Terms
    start : State
    weights : ndarray of float32, shape (frames, spots, side, side)
        One over the variance; 0 where pixels are not to be used.
    settled : float
        Share of chi squared below which a step that promises no more is the last one.

    Returns
    -------
    Fit
    """
    basis = view.terms(terms.all)
    now, damping = _linearised(view, data, weights, terms, basis, start), 1e-3
    for _ in range(STEPS):
        moved, promise = now.stepped(damping)
        if np.abs(moved.shared - now.state.shared).max() > LONGEST or np.abs(moved.shared).max() > FARTHEST:
            damping = max(10 * damping, 1e-3)
            if damping > 1e8:
                break
            continue
        trial = _linearised(view, data, weights, terms, basis, moved)
        gain = now.chi2 - trial.chi2
        if gain > 0:
            now, damping = trial, damping / (10 if gain > 0.5 * promise else 1)
        else:
            damping *= 10
        if promise < settled * now.chi2 or damping > 1e8:
            break
    freedom = max(int(np.count_nonzero(weights)) - terms.count - OWN * int(np.prod(data.counts.shape[:2])), 1)
    flat = data.counts - now.state.background[..., None, None]
    noise_share = float((weights * np.square(flat, dtype=np.float64)).sum()) - freedom
    unexplained = max(now.chi2 - freedom, 0.0) / max(noise_share, 1e-30)
    return Fit(terms, now.state, now.normal, now.slope, float(now.chi2 / freedom), float(unexplained), now.model)


@dataclass(frozen=True, eq=False)
class _Linear:
    """A model and its normal equations, image by image: blocks of shared and own numbers, and slopes."""

    state: State
    model: Single
    chi2: float
    shared: Real
    mixed: Real
    own: Real
    shared_slope: Real
    own_slope: Real

    def _eliminated(self, own: Real, shared: Real) -> tuple[Real, Real, Real]:
        """Normal equations and slopes of the shared numbers, image by image, and what gives an image's own numbers from them."""
        right = np.concatenate([np.swapaxes(self.mixed, -1, -2), self.own_slope[..., None]], axis=-1)
        solved = np.linalg.solve(own, right)
        inner = self.mixed @ solved
        return shared - inner[..., :-1], self.shared_slope - inner[..., -1], solved

    @property
    def normal(self) -> Real:
        return self._eliminated(self.own, self.shared)[0]

    @property
    def slope(self) -> Real:
        return self._eliminated(self.own, self.shared)[1]

    def stepped(self, damping: float) -> tuple[State, float]:
        """State after a damped step, and by how much it should lower chi squared."""
        left, right, solved = self._eliminated(_damped(self.own, damping), _damped(self.shared, damping))
        step = np.linalg.solve(left.sum(axis=(0, 1)), right.sum(axis=(0, 1)))
        own = solved[..., -1] - solved[..., :-1] @ step
        promise = float(self.shared_slope.sum(axis=(0, 1)) @ step + (self.own_slope * own).sum())
        return replace(self.state, shared=self.state.shared + step, tilt=self.state.tilt + own[..., :2]), promise


def _damped(matrices: Real, damping: float) -> Real:
    n = np.arange(matrices.shape[-1])
    damped = matrices.copy()
    damped[..., n, n] *= 1 + damping
    return damped


def _linearised(view: View, data: Images, weights: Single, terms: Terms, basis: Single, state: State) -> _Linear:
    """Model and normal equations at a state; brightness and background are fitted on the way."""
    place = {j: n for n, j in enumerate(terms.all)}
    phase, amplitude = [place[j] for j in terms.phase], [place[j] for j in terms.amplitude]
    count, size = terms.count, terms.count + OWN
    carrier = _carrier(basis[phase], basis[amplitude], state.shared)
    model = np.empty_like(data.counts)
    normal, slope, linear = (np.empty((*data.counts.shape[:2], *shape)) for shape in ((size, size), (size,), (2,)))
    chi2 = 0.0
    for k, m in np.ndindex(*data.counts.shape[:2]):
        tilt = 2j * np.pi * np.tensordot(state.tilt[k, m], basis[:2], 1)
        light = (view.light[m] * carrier * np.exp(1j * data.smooth[k] + tilt)).astype(np.complex64)
        image, by_phase, by_logarithm = _derivatives(view, light, basis)
        counts, weight = data.counts[k, m], weights[k, m]
        linear[k, m] = bright, under = _brightness(counts, weight, image)
        model[k, m] = bright * image + under
        rows = [bright * by_phase[phase], bright * by_logarithm[amplitude], bright * by_phase[:2], image[None], np.ones_like(image)[None]]
        jacobian = np.concatenate(rows, dtype=np.float32).reshape(size, -1)
        left, weighted = (counts - model[k, m]).ravel(), jacobian * weight.ravel()
        normal[k, m], slope[k, m] = weighted @ jacobian.T, weighted @ left
        chi2 += float((weight.ravel() * np.square(left)).sum())
    state = replace(state, brightness=linear[..., 0], background=linear[..., 1])
    s, o = slice(count), slice(count, None)
    return _Linear(state, model, chi2, normal[..., s, s], normal[..., s, o], normal[..., o, o], slope[..., s], slope[..., o])


def _carrier(phase: Single, amplitude: Single, shared: Real) -> Light:
    """What the shared numbers make of the light in the pupil."""
    waves, logarithms = shared[: len(phase)], shared[len(phase) :]
    return np.asarray(np.exp(np.tensordot(logarithms, amplitude, 1) + 2j * np.pi * np.tensordot(waves, phase, 1)), np.complex64)


def _derivatives(view: View, light: Light, basis: Single) -> tuple[Single, Single, Single]:
    """An image, and its derivatives by the coefficients of phase (waves) and logarithm of the amplitude, shape (terms, side, side)."""
    field = fields(view, light)
    turned = fields(view, basis * light) * field.conj()
    image = over_pixels(view, np.square(field.real) + np.square(field.imag))
    return image, np.float32(-4 * np.pi) * over_pixels(view, turned.imag), np.float32(2) * over_pixels(view, turned.real)


def _brightness(counts: Single, weight: Single, image: Single) -> tuple[float, float]:
    """Brightness and background of an image by weighted least squares; a brightness that is hardly there is held above 0."""
    over = weight * image
    normal = np.array([[(over * image).sum(), over.sum()], [over.sum(), weight.sum()]], np.float64)
    bright, under = np.linalg.solve(
        normal + np.diag([1e-12 * normal[0, 0], 1e-12]), np.array([(over * counts).sum(), (weight * counts).sum()])
    )
    return max(float(bright), 1e-3 * float(np.ptp(counts)) / float(image.max())), float(under)
