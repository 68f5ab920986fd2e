"""Two peaks in a histogram, empty sites and filled ones: fitting them, the threshold between them, and how often it errs.

All lengths along the histogram are in counts of light.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holo.checks import check_numbers
from holo.errors import CalibrationError, InputError

Real = NDArray[np.float64]

LEAST_SITES = 6
"""Fewest sites whose light two peaks are fitted to."""

LEAST_GAIN = 10.0
"""By how much two peaks must be more likely than one, in logarithms, after the price of three more parameters."""

LEAST_APART = 2.0
"""Least distance of the peaks, over the mean of their widths."""

NARROWEST = 0.02
"""Least width of a peak, over their distance: a few sites may happen to have nearly the same light."""

_ROUNDS = 200
_LEAST_FRAMES = 2


@dataclass(frozen=True)
class Peaks:
    """Two Gaussian peaks: the light of empty sites and of filled ones."""

    empty: float
    """Mean light of empty sites."""
    empty_width: float
    """Its standard deviation."""
    filled: float
    filled_width: float
    share: float
    """Share of filled sites."""

    def __post_init__(self) -> None:
        check_numbers(**vars(self))
        if not (self.filled > self.empty and self.empty_width > 0 and self.filled_width > 0 and 0 < self.share < 1):
            raise InputError(f"peaks: found {self}; allowed: filled above empty, widths above 0, a share between 0 and 1")

    @property
    def apart(self) -> float:
        """Distance of the peaks over the mean of their widths."""
        return 2 * (self.filled - self.empty) / (self.empty_width + self.filled_width)

    @property
    def threshold(self) -> float:
        """Light at which empty and filled are as likely: the threshold with the fewest errors.

        Notes
        -----
        The root between the means of the quadratic equation in which the densities of both peaks, times their shares, are equal (Bayes'
        rule for two Gaussians: R. O. Duda, P. E. Hart and D. G. Stork, Pattern Classification, 2001, section 2.6, from memory).

        Examples
        --------
        >>> print(f"{Peaks(100, 15, 220, 20, 0.5).threshold:.5f}")
        152.14652
        """
        square, slope, constant = self._odds()
        apart = self.filled - self.empty
        under = slope**2 - 4 * square * constant
        if under <= 0:
            return self.empty if constant > 0 else self.filled
        return self.empty + min(max(-2 * constant / (slope + math.sqrt(under)), 0.0), apart)

    def _odds(self) -> tuple[float, float, float]:
        """The logarithm of the odds of filled as a polynomial of the light above the mean of empty sites: square, slope, constant."""
        one, two, apart = self.empty_width, self.filled_width, self.filled - self.empty
        constant = math.log(self.share * one / ((1 - self.share) * two)) - apart**2 / (2 * two**2)
        return (1 / one**2 - 1 / two**2) / 2, apart / two**2, constant

    def error(self, threshold: float | None = None) -> float:
        """Share of sites that a threshold, by default the best one, tells wrongly.

        Examples
        --------
        >>> print(f"{Peaks(100, 15, 220, 20, 0.5).error():.4e}")
        3.0007e-04
        """
        from scipy.special import ndtr

        at = self.threshold if threshold is None else threshold
        lit, lost = ndtr((self.empty - at) / self.empty_width), ndtr((at - self.filled) / self.filled_width)
        return float((1 - self.share) * lit + self.share * lost)

    def probability(self, light: ArrayLike, variance: ArrayLike = 1.0) -> Real:
        """Probability that sites of some light are filled; it never falls as the light grows.

        Parameters
        ----------
        light : array_like, shape (n,)
        variance : array_like, shape (n,)
            Of each site, over that of a usual one.
        """
        from scipy.special import expit

        square, slope, constant = self._odds()
        prior = constant + (self.filled - self.empty) ** 2 / (2 * self.filled_width**2)
        above = np.asarray(light, np.float64) - self.empty
        if square > 0:  # the wider peak would win again far below the other
            above = np.maximum(above, -slope / (2 * square))
        elif square < 0:
            above = np.minimum(above, -slope / (2 * square))
        return np.asarray(expit(prior + (square * above**2 + slope * above + constant - prior) / np.asarray(variance)))


def counting_limit(empty: float, filled: float, share: float = 0.5) -> tuple[int, float]:
    """Find the best threshold for counted events, and how often it errs: what no detector of so many photons can beat.

    Parameters
    ----------
    empty, filled : float
        Mean number of events of empty and of filled sites.
    share : float
        Of filled sites.

    Returns
    -------
    threshold : int
        Sites with at least as many events are called filled.
    error : float
        Share of sites told wrongly.

    Notes
    -----
    Poisson statistics: the likelihoods cross at ``(filled - empty + ln((1 - share) / share)) / ln(filled / empty)``.

    Examples
    --------
    >>> print("{} {:.4e}".format(*counting_limit(10, 60)))
    28 1.8585e-06
    """
    from scipy.special import gammaincc

    if not (math.inf > filled > empty > 0 and 0 < share < 1):
        raise InputError(f"counting: found means {empty:g} and {filled:g}, share {share:g}; allowed: filled above empty above 0, 0 to 1")
    threshold = max(math.ceil((filled - empty + math.log((1 - share) / share)) / math.log(filled / empty)), 1)
    # gammaincc(n, m) is the probability of fewer than n events of mean m
    return threshold, float((1 - share) * (1 - gammaincc(threshold, empty)) + share * gammaincc(threshold, filled))


def fit_peaks(light: ArrayLike, variance: ArrayLike | None = None) -> Peaks:
    """Fit two Gaussian peaks to the light of sites.

    Parameters
    ----------
    light : array_like, shape (n,)
    variance : array_like, shape (n,), optional
        Variance of each site over that of a usual one: sites at the edge or on bad pixels are noisier.

    Returns
    -------
    Peaks
        Of a usual site.

    Raises
    ------
    CalibrationError
        If there are fewer than `LEAST_SITES`, or two peaks do not describe their light better than one (all empty, all filled, or too
        faint).

    Notes
    -----
    Expectation maximisation (A. P. Dempster, N. M. Laird and D. B. Rubin, J. R. Stat. Soc. B 39, 1 (1977), from memory) from several
    thresholds; the likeliest result wins. Two peaks are accepted if they beat one by `LEAST_GAIN` and three halves of the logarithm of n
    (G. Schwarz, Ann. Stat. 6, 461 (1978), from memory).

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> peaks = fit_peaks(np.concatenate([rng.normal(100, 15, 3000), rng.normal(220, 20, 3000)]))
    >>> abs(peaks.threshold - 152.1) < 2
    True
    """
    check_numbers(light=light, variance=1.0 if variance is None else variance)
    values = np.asarray(light, np.float64)
    relative = np.ones_like(values) if variance is None else np.asarray(variance, np.float64)
    if len(values) < LEAST_SITES:
        raise CalibrationError(f"sites: found {len(values)}; needed: {LEAST_SITES} or more to tell empty from filled ones")
    low, high = np.quantile(values, [0.002, 0.998])
    starts = [low + part * (high - low) for part in (0.15, 0.3, 0.5, 0.7)] + [best_split(values)]
    fits = [fit for start in starts if (fit := _climb(values, relative, start)) is not None]
    one = _one_peak(values, relative)
    chance, peaks = max(fits, default=(-np.inf, None), key=lambda fit: fit[0])
    if peaks is None or chance - one < LEAST_GAIN + 1.5 * math.log(len(values)) or peaks.apart < LEAST_APART:
        raise CalibrationError(
            f"frame: found one peak in the light of {len(values)} sites, not two; needed: empty and filled sites that can be told apart"
            " (take a frame of which some sites are filled and some are not, a longer exposure, or check the registration)"
        )
    return peaks


def best_split(values: Real) -> float:
    """Threshold with the least scatter on both sides (N. Otsu, IEEE Trans. Syst. Man Cybern. 9, 62 (1979), from memory)."""
    ordered = np.sort(values)
    count = np.arange(1, len(ordered))
    below = np.cumsum(ordered)[:-1]
    between = (below - count * ordered.mean()) ** 2 / (count * (len(ordered) - count))
    best = int(np.argmax(between))
    return float(ordered[best] + ordered[best + 1]) / 2


def _density(values: Real, mean: float, variance: Real) -> Real:
    """Logarithm of a Gaussian."""
    return np.asarray(-0.5 * ((values - mean) ** 2 / variance + np.log(2 * np.pi * variance)))


def _one_peak(values: Real, relative: Real) -> float:
    """Logarithm of the likelihood of the best single peak."""
    mean = float(np.average(values, weights=1 / relative))
    scatter = max(float(np.mean((values - mean) ** 2 / relative)), 1e-30)
    return float(_density(values, mean, relative * scatter).sum())


def _climb(values: Real, relative: Real, start: float) -> tuple[float, Peaks] | None:
    """Climb from a threshold to the likeliest peaks: logarithm of the likelihood, peaks; None where one of them vanishes."""
    belief = (values > start).astype(np.float64)
    chance = -np.inf
    for _ in range(_ROUNDS):
        share = float(belief.mean())
        if not 1.5 < share * len(values) < len(values) - 1.5:
            return None
        (empty, one), (filled, two) = (_moments(values, relative, part) for part in (1 - belief, belief))
        if not filled > empty:
            return None
        least = (NARROWEST * (filled - empty)) ** 2
        one, two = max(one, least), max(two, least)
        parts = np.stack(
            [
                math.log(1 - share) + _density(values, empty, one * relative),
                math.log(share) + _density(values, filled, two * relative),
            ]
        )
        total = np.logaddexp(*parts)
        before, chance = chance, float(total.sum())
        belief = np.exp(parts[1] - total)
        if chance - before < 1e-6 * len(values):
            break
    return chance, Peaks(empty, math.sqrt(one), filled, math.sqrt(two), share)


def _moments(values: Real, relative: Real, belief: Real) -> tuple[float, float]:
    """Mean and variance of the sites of a peak."""
    weight = belief / relative
    mean = float((weight * values).sum() / weight.sum())
    return mean, float((weight * (values - mean) ** 2).sum() / belief.sum())


def peaks_of_sites(light: Real, filled: NDArray[np.bool_], peaks: Peaks) -> tuple[Real, Real]:
    """Place both peaks for each site of its own, given many frames.

    Parameters
    ----------
    light : ndarray, shape (frames, n)
    filled : ndarray of bool, shape (frames, n)
        As the peaks of all sites together tell it.
    peaks : Peaks
        Of all sites together.

    Returns
    -------
    empty, filled : ndarray, shape (n,)
        Mean light of each site when it is empty, and when it is filled.

    Notes
    -----
    Means of the site's own frames, drawn to the common mean as far as the sites do not really differ (empirical Bayes: W. James and C.
    Stein, Proc. Fourth Berkeley Symp. 1, 361 (1961), from memory).

    Examples
    --------
    >>> light = np.array([[0.0, 90.0], [100.0, 0.0]] * 16) + np.tile([[3.0], [-3.0], [-3.0], [3.0]], (8, 1))
    >>> peaks_of_sites(light, light > 50, Peaks(0, 5, 95, 8, 0.5))[1].round(1)
    array([99.9, 90.1])
    """
    empty, lit = (_drawn_together(light, pick, common) for pick, common in ((~filled, peaks.empty), (filled, peaks.filled)))
    return empty, lit


def _drawn_together(light: Real, pick: NDArray[np.bool_], common: float) -> Real:
    """Means of the picked frames of each site, drawn to the common one by the weight of the scatter within sites over that between them."""
    count = pick.sum(axis=0)
    own = np.where(pick, light, 0).sum(axis=0) / np.maximum(count, 1)
    within = float((np.where(pick, light - own, 0) ** 2).sum() / max(int(np.maximum(count - 1, 0).sum()), 1))
    seen = count >= _LEAST_FRAMES
    if not seen.any():
        return np.full(light.shape[1], common)
    between = max(float(((own - common)[seen] ** 2 - within / count[seen]).mean()), 1e-3 * within, 1e-30)
    weight = count / (count + within / between)
    return np.asarray(weight * own + (1 - weight) * common)
