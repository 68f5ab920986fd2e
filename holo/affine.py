"""Affine maps of the plane: apply, compose, invert and fit, with covariances.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holo.checks import check_finite, frozen_array
from holo.errors import InputError
from holo.lattice import Lattice

_FLATTEST = 1e-6
_EXACT = np.zeros((6, 6))


@dataclass(frozen=True, eq=False)
class Affine:
    """The map ``y = matrix @ x + offset``.

    Parameters
    ----------
    matrix : ndarray, shape (2, 2)
    offset : ndarray, shape (2,)
        In units of the target.
    covariance : ndarray, shape (6, 6), optional
        Of the parameters in the order matrix[0, 0], matrix[0, 1], matrix[1, 0], matrix[1, 1], offset[0], offset[1]; None if
        it is not known, zeros for a map that is exact.

    Raises
    ------
    InputError
        If a shape is wrong, a number is not finite, or the covariance is not symmetric and positive semidefinite.

    Examples
    --------
    >>> quarter_turn = Affine([[0, -1], [1, 0]], [10, 0])
    >>> quarter_turn.apply([[1, 0], [0, 2]])
    array([[10.,  1.],
           [ 8.,  0.]])
    """

    matrix: NDArray[np.float64]
    offset: NDArray[np.float64]
    covariance: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "matrix", frozen_array(self.matrix, (2, 2), "matrix"))
        object.__setattr__(self, "offset", frozen_array(self.offset, (2,), "offset"))
        if self.covariance is None:
            return
        covariance = frozen_array(self.covariance, (6, 6), "covariance")
        rounding = 1e-6 * np.abs(covariance).max()
        if np.abs(covariance - covariance.T).max() > rounding or np.linalg.eigvalsh(covariance).min() < -rounding:
            raise InputError("covariance: found a matrix that is none; allowed: symmetric, with no negative eigenvalue")
        object.__setattr__(self, "covariance", covariance)

    def apply(self, points: ArrayLike) -> NDArray[np.float64]:
        """Map points, shape (n, 2), to points, shape (n, 2); raises `InputError` unless they are finite."""
        check_finite("points", points)
        return np.asarray(points, dtype=np.float64).reshape(-1, 2) @ self.matrix.T + self.offset

    def inverse(self) -> Affine:
        """Invert the map.

        Returns
        -------
        Affine
            With the covariance to first order, if this one has any.

        Raises
        ------
        InputError
            If the map sends the plane to a line or point.

        Notes
        -----
        With ``A = inv(M)`` and ``b = -A t``: ``dA = -A dM A`` and ``db = -A dM b - A dt``.
        """
        sizes = np.linalg.svd(self.matrix, compute_uv=False)
        if sizes[1] <= 1e-12 * max(sizes[0], 1.0):
            raise InputError(f"matrix: found {self.matrix.tolist()}; allowed: a matrix that can be inverted")
        matrix = np.asarray(np.linalg.inv(self.matrix), dtype=np.float64)
        offset = -matrix @ self.offset
        jacobian = np.block([[np.kron(matrix, matrix.T), np.zeros((4, 2))], [np.kron(matrix, offset), matrix]])
        return Affine(matrix, offset, _carried(jacobian, self.covariance))

    def after(self, first: Affine) -> Affine:
        """Compose: the map that does `first` and then this one.

        Parameters
        ----------
        first : Affine

        Returns
        -------
        Affine
            With the covariance to first order if both have one; the errors of the two are taken as independent.

        Notes
        -----
        ``M = M1 M2`` and ``t = M1 t2 + t1``, so ``dM = dM1 M2 + M1 dM2`` and ``dt = dM1 t2 + dt1 + M1 dt2``.

        Examples
        --------
        >>> move = Affine([[1, 0], [0, 1]], [3, 0])
        >>> Affine([[2, 0], [0, 2]], [0, 0]).after(move).apply([[1, 1]])
        array([[8., 2.]])
        """
        one = np.eye(2)
        own = np.block([[np.kron(one, first.matrix.T), np.zeros((4, 2))], [np.kron(one, first.offset), one]])
        its = np.block([[np.kron(self.matrix, one), np.zeros((4, 2))], [np.zeros((2, 4)), self.matrix]])
        own_part, its_part = _carried(own, self.covariance), _carried(its, first.covariance)
        covariance = None if own_part is None or its_part is None else own_part + its_part
        return Affine(self.matrix @ first.matrix, self.matrix @ first.offset + self.offset, covariance)

    def errors(self) -> NDArray[np.float64]:
        """Give the standard errors of the six parameters, in the order of `covariance`, shape (6,).

        Raises
        ------
        InputError
            If the covariance is not known.
        """
        return np.sqrt(np.clip(np.diag(self._known_covariance()), 0, None))

    def prediction_error(self, points: ArrayLike) -> NDArray[np.float64]:
        """Give the standard errors of the mapped points.

        Parameters
        ----------
        points : array_like, shape (n, 2)

        Returns
        -------
        ndarray, shape (n, 2)
            Of both coordinates of ``apply(points)``, from the errors of the map alone.

        Raises
        ------
        InputError
            If the covariance is not known.
        """
        check_finite("points", points)
        rows = _design(np.asarray(points, dtype=np.float64).reshape(-1, 2))
        variances = np.einsum("nak,kl,nal->na", rows, self._known_covariance(), rows)
        return np.asarray(np.sqrt(np.clip(variances, 0, None)), dtype=np.float64)

    def _known_covariance(self) -> NDArray[np.float64]:
        if self.covariance is None:
            raise InputError("covariance: found none; allowed: a map with known errors")
        return self.covariance


@dataclass(frozen=True, eq=False)
class AffineFit:
    """A fitted map and how well it fits.

    Parameters
    ----------
    affine : Affine
        Its covariance is None if there are no more data than parameters and no error of the points was given.
    residuals : ndarray, shape (n, 2)
        Target minus mapped source, in units of the target.
    rms : float
        Root mean square of the residuals over all points and both coordinates.
    largest : float
        Longest residual, as a distance.
    """

    affine: Affine
    residuals: NDArray[np.float64]
    rms: float
    largest: float


def affine_of(lattice: Lattice) -> Affine:
    """Give the map from lattice coordinates (i, j) to the objective plane, um, without a covariance.

    Examples
    --------
    >>> affine_of(Lattice([[5, 0], [0, 5]], [60, 40])).apply([[2, 1]])
    array([[70., 45.]])
    """
    return Affine(lattice.vectors_um.T, lattice.origin_um)


def fit_affine(source: ArrayLike, target: ArrayLike, sigma: ArrayLike | None = None) -> AffineFit:
    """Fit an affine map by least squares.

    Parameters
    ----------
    source, target : array_like, shape (n, 2)
        Pairs of points, three at least.
    sigma : float or array_like, shape (n,), optional
        Standard error of each coordinate of the target points, which weights them. Without it all weigh the same, and their
        error is estimated from the residuals.

    Returns
    -------
    AffineFit

    Raises
    ------
    InputError
        If there are fewer than three pairs, the source points lie on one line, or a number is not finite.

    Notes
    -----
    Linear least squares with three parameters per coordinate; the estimated variance of a coordinate is the sum of squared
    residuals over ``2 n - 6`` (W. H. Press et al., Numerical Recipes, 3rd ed. 2007, section 15.4; from memory).

    Examples
    --------
    >>> fit = fit_affine([[0, 0], [1, 0], [0, 1], [1, 1]], [[5, 5], [7, 5], [5, 8], [7, 8]])
    >>> fit.affine.matrix.round(9) + 0.0
    array([[2., 0.],
           [0., 3.]])
    """
    source, target = frozen_array(source, (-1, 2), "source points"), frozen_array(target, (-1, 2), "target points")
    if len(source) != len(target) or len(source) < 3:
        raise InputError(f"points: found {len(source)} source and {len(target)} target points; allowed: 3 pairs or more")
    middle = source.mean(axis=0)
    sizes = np.linalg.svd(source - middle, compute_uv=False)
    if sizes[1] <= _FLATTEST * max(sizes[0], np.abs(middle).max() * 1e-6):
        raise InputError(f"source points: found {len(source)} on one line; allowed: points apart")
    scale = sizes[0] / np.sqrt(len(source))
    weights = _weights(sigma, len(source))
    rows = _design((source - middle) / scale) * weights[:, None, None]
    normal = np.linalg.pinv(rows.reshape(-1, 6))
    free = normal @ (target * weights[:, None]).ravel()
    matrix, offset = free[:4].reshape(2, 2), free[4:]
    residuals = target - ((source - middle) / scale @ matrix.T + offset)
    known: NDArray[np.float64] | None = normal @ normal.T
    if sigma is None:
        spare = residuals.size - 6
        known = None if spare == 0 else known * (residuals**2).sum() / spare
    centring = Affine(np.eye(2) / scale, -middle / scale, _EXACT)
    affine = Affine(matrix, offset, known).after(centring)
    return AffineFit(affine, residuals, float(np.sqrt((residuals**2).mean())), float(np.hypot(*residuals.T).max()))


def _weights(sigma: ArrayLike | None, count: int) -> NDArray[np.float64]:
    if sigma is None:
        return np.ones(count)
    errors = frozen_array(np.full(count, sigma) if np.ndim(sigma) == 0 else sigma, (count,), "sigma")
    if not (errors > 0).all():
        raise InputError(f"sigma: found {errors.min():g}; allowed: above 0")
    return 1 / errors


def _design(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Differentiate the mapped points by the six parameters, shape (n, 2, 6)."""
    rows = np.zeros((len(points), 2, 6))
    rows[:, 0, 0:2] = rows[:, 1, 2:4] = points
    rows[:, 0, 4] = rows[:, 1, 5] = 1
    return rows


def _carried(jacobian: NDArray[np.float64], covariance: NDArray[np.float64] | None) -> NDArray[np.float64] | None:
    """Propagate a covariance through a linear map, by its square root so that rounding leaves no negative eigenvalue."""
    if covariance is None:
        return None
    values, vectors = np.linalg.eigh(covariance)
    root = jacobian @ (vectors * np.sqrt(np.clip(values, 0, None)))
    return np.asarray(root @ root.T, dtype=np.float64)
