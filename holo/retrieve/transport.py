"""The start phase of continuous light: the one that carries the beam onto the target without a vortex.

Far from diffraction a phase sends the light of each place on the panel to the place in the focal plane that its slope names. A map whose
slopes are those of a phase at all is a gradient; of all maps that carry one density onto another exactly one is the gradient of
a convex function (Brenier's theorem), and it is the optimal transport. Its potential is the phase, so nothing needs to be
integrated or unwrapped, and no vortex can be in it.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import CPU, Device, gpu_kernel, kernel, namespace, to_device, to_host

Array = NDArray[np.float64]

CELLS = 48
"""Most cells along an axis on which a transport between densities that are not products is solved."""

FIRST, LAST, SWEEPS = 1.0, 1e-2, 16
"""Blur at which that starts and ends, in units of the variances, and iterations at each of the halvings between."""

PRODUCT = 0.1
"""Share of a density by which it may differ from a product of one along x and one along y, and still be taken for that."""


def transport_phase(
    x_um: Array, y_um: Array, beam: Array, to_x_um: Array, to_y_um: Array, target: Array, scale: float, device: Device = CPU
) -> Array:
    """Phase that carries the beam onto a target.

    Parameters
    ----------
    x_um, y_um : ndarray, shapes (columns,) and (rows,)
        Places on the panel, um.
    beam : ndarray, shape (rows, columns)
        Power there, not negative.
    to_x_um, to_y_um : ndarray, shapes (nx,) and (ny,)
        Places in the focal plane, um.
    target : ndarray, shape (ny, nx)
        Power wanted there, not negative.
    scale : float
        ``2 pi / (lambda f)``, rad/um^2: a phase of slope ``scale X`` sends light to X.
    device : Device
        Where a transport is solved.

    Returns
    -------
    ndarray, shape (rows, columns)
        rad, not wrapped.

    Notes
    -----
    Where both densities are nearly products, the map is one of rising functions along x and y (`rising_map`), else the transport
    is solved on at most `CELLS` cells per axis (`blurred_transport`).

    Examples
    --------
    >>> x = np.linspace(-5000.0, 5000.0, 101)
    >>> beam, box = np.exp(-(x**2 + x[:, None] ** 2) / 3e6), np.ones((50, 40))
    >>> phase = transport_phase(x, x, beam, np.linspace(-20, 20, 40), np.linspace(-10, 10, 50), box, 1e-3)
    >>> slope = np.diff(phase, axis=1) / 100 / 1e-3
    >>> slope.min().round(1), slope.max().round(1)  # to the ends of the box, and no further
    (np.float64(-20.5), np.float64(20.5))
    """
    if _product(beam) < PRODUCT and _product(target) < PRODUCT:
        across = rising_map(beam.sum(axis=0), to_x_um, target.sum(axis=0))
        down = rising_map(beam.sum(axis=1), to_y_um, target.sum(axis=1))
        return np.asarray(scale * (_integral(x_um, across)[None, :] + _integral(y_um, down)[:, None]), np.float64)
    return scale * _potential(x_um, y_um, beam, to_x_um, to_y_um, target, device)


def rising_map(beam: Array, to_x: Array, target: Array) -> Array:
    """Where the light of each place goes if all goes in order: the optimal transport along one line.

    Parameters
    ----------
    beam : ndarray, shape (n,)
        Power at each place, in the order of the places x.
    to_x, target : ndarray, shape (m,)
        Places of the target and the power wanted there.

    Returns
    -------
    ndarray, shape (n,)

    Notes
    -----
    ``X(x)`` with equal power of beam and target to the left of x and of X. A Gaussian beam of 1/e^2 radius w onto a flat line of length L
    has
    ``X = (L / 2) erf(sqrt(2) x / w)`` (Romero and Dickey, J. Opt. Soc. Am. A 13, 751 (1996); from memory).

    Examples
    --------
    >>> rising_map(np.ones(4), np.array([0.0, 10.0]), np.array([1.0, 1.0]))
    array([-2.5,  2.5,  7.5, 12.5])
    """
    edges = _edges(to_x)
    filled = np.concatenate([[0.0], np.cumsum(target)]) / target.sum()
    steps = np.concatenate([[True], np.diff(filled) > 0, [True]])
    rising = steps[1:] | steps[:-1]  # both ends of a dark stretch: the map jumps over it
    middle = (np.cumsum(beam) - beam / 2) / beam.sum()
    return np.asarray(np.interp(middle, filled[rising], edges[rising]), np.float64)


def blurred_transport(x: Array, y: Array, beam: Array, to_x: Array, to_y: Array, target: Array) -> Array:
    """Convex potential whose gradient carries one density onto another, slightly blurred.

    Parameters
    ----------
    x, y, beam : ndarray, shapes (n,), (m,), (m, n)
        Places and power there, in units in which the variances are about 1; all arrays may be on a GPU, and the result is then.
    to_x, to_y, target : ndarray, shapes (k,), (l,), (l, k)
        The same of the target.

    Returns
    -------
    ndarray, shape (m, n)

    Notes
    -----
    The transport with an entropy on top, solved by scaling rows and columns in turn (Cuturi, Advances in Neural Information Processing
    Systems 26 (2013)), in logarithms, with the blur halved from `FIRST` to `LAST`. Its potential
    ``u(x) = e log sum_j t_j exp((x X_j - h_j) / e)`` is convex and smooth, and its gradient is the mean place that the plan sends x to
    (Pooladian and Niles-Weed, arXiv:2109.12004, section 3). As ``x X = x X_1 + y X_2``, each sum is one along x and one along y. From
    memory.
    """
    xp = namespace(beam)
    sums = _log_sums if xp is np else _log_sums_on_gpu
    with np.errstate(divide="ignore"):
        give, take = xp.log(beam / beam.sum()), xp.log(target / target.sum())
    there = xp.zeros(target.shape)
    here = xp.zeros(beam.shape)
    blur = FIRST
    while True:
        over = [axis / blur for axis in (x, y, to_x, to_y)]
        for _ in range(SWEEPS):
            here = blur * sums(take - there / blur, over[2], over[3], x, y)
            there = blur * sums(give - here / blur, over[0], over[1], to_x, to_y)
        if blur <= LAST:
            return blur * sums(take - there / blur, over[2], over[3], x, y)
        blur = max(blur / 2, LAST)


def _potential(x_um: Array, y_um: Array, beam: Array, to_x_um: Array, to_y_um: Array, target: Array, device: Device) -> Array:
    """Potential of the transport on every place of the panel, um^2."""
    from scipy.interpolate import RectBivariateSpline

    few = _fewer(x_um, y_um, beam)
    lit = _fewer(to_x_um, to_y_um, target)
    (x, y, power), middle, unit = few, _middle(*few), _spread(*few)
    (to_x, to_y, wanted), to_middle, to_unit = lit, _middle(*lit), _spread(*lit)
    here, there = ((x - middle[0]) / unit, (y - middle[1]) / unit), ((to_x - to_middle[0]) / to_unit, (to_y - to_middle[1]) / to_unit)
    solved = blurred_transport(*(to_device(array, device) for array in (*here, power, *there, wanted)))
    fine = RectBivariateSpline(y, x, to_host(solved))(y_um, x_um)
    return np.asarray(unit * to_unit * fine + to_middle[0] * x_um[None, :] + to_middle[1] * y_um[:, None], np.float64)


def _fewer(x: Array, y: Array, density: Array) -> tuple[Array, Array, Array]:
    """A density on at most `CELLS` cells per axis."""
    columns, rows = (np.linspace(0, len(axis), min(CELLS, len(axis)) + 1).astype(int)[:-1] for axis in (x, y))
    summed = np.add.reduceat(np.add.reduceat(density, rows, axis=0), columns, axis=1)
    return (*(_means(axis, starts) for axis, starts in ((x, columns), (y, rows))), summed)  # type: ignore[return-value]


def _means(axis: Array, starts: NDArray[np.intp]) -> Array:
    return np.asarray(np.add.reduceat(axis, starts) / np.diff(np.append(starts, len(axis))))


def _middle(x: Array, y: Array, density: Array) -> tuple[float, float]:
    power = density.sum()
    return float(density.sum(axis=0) @ x / power), float(density.sum(axis=1) @ y / power)


def _spread(x: Array, y: Array, density: Array) -> float:
    """Standard deviation along an axis, the root mean square of both; never 0."""
    across, down = _middle(x, y, density)
    power = density.sum()
    variance = density.sum(axis=0) @ (x - across) ** 2 / power + density.sum(axis=1) @ (y - down) ** 2 / power
    return float(np.sqrt(variance / 2)) or 1.0


def _product(density: Array) -> float:
    """Share of a density by which it differs from the product of its sums along rows and columns."""
    total = density.sum()
    return float(np.abs(density - np.outer(density.sum(axis=1), density.sum(axis=0)) / total).sum() / total)


def _edges(centres: Array) -> Array:
    """Borders between neighbouring places, and the outer ends."""
    if len(centres) == 1:
        return np.array([centres[0], centres[0]])
    between = (centres[1:] + centres[:-1]) / 2
    return np.concatenate([[2 * centres[0] - between[0]], between, [2 * centres[-1] - between[-1]]])


def _integral(x: Array, slope: Array) -> Array:
    """Integral of a slope from the first place on, by the trapezoidal rule."""
    return np.concatenate([[0.0], np.cumsum(np.diff(x) * (slope[1:] + slope[:-1]) / 2)])


@kernel
def _log_sum(weights: Array, places: Array, at: float) -> float:
    highest = -np.inf
    for k in range(len(weights)):
        highest = max(highest, weights[k] + places[k] * at)
    if highest == -np.inf:
        return highest
    total = 0.0
    for k in range(len(weights)):
        total += np.exp(weights[k] + places[k] * at - highest)
    return float(highest + np.log(total))


@kernel
def _log_sums(weights: Array, from_x: Array, from_y: Array, x: Array, y: Array) -> Array:
    """``log sum_jk exp(weights[j, k] + from_y[j] y + from_x[k] x)`` at every (y, x): along one axis, then along the other."""
    half = np.empty((len(from_y), len(x)))
    for j in range(len(from_y)):
        for column in range(len(x)):
            half[j, column] = _log_sum(weights[j], from_x, x[column])
    whole = np.empty((len(y), len(x)))
    lines = np.ascontiguousarray(half.T)
    for row in range(len(y)):
        for column in range(len(x)):
            whole[row, column] = _log_sum(lines[column], from_y, y[row])
    return whole


def _log_sums_on_gpu(weights: Any, from_x: Any, from_y: Any, x: Any, y: Any) -> Any:
    """As `_log_sums`, with all arrays on a GPU: a block of threads for each line."""
    xp = namespace(weights)
    half, whole = xp.empty((len(from_y), len(x)), np.float64), xp.empty((len(y), len(x)), np.float64)
    along, across = gpu_kernel(KERNELS, "log_sums"), len(x)
    along((len(from_y),), (CELLS,), (weights, len(from_x), 1, from_x, len(from_x), x, across, half, across, 1))
    along((across,), (CELLS,), (half, 1, across, from_y, len(from_y), y, len(y), whole, 1, across))
    return whole


KERNELS = r"""
// out[line, place] = log sum_k exp(weights[line, k] + from[k] to[place]), line and k or place being as many numbers apart as said
extern "C" __global__ void log_sums(const double* weights, long long line_apart, long long apart, const double* from, long long count,
        const double* to, long long places, double* out, long long out_line_apart, long long out_apart) {
    const double* own = weights + blockIdx.x * line_apart;
    for (long long place = threadIdx.x; place < places; place += blockDim.x) {
        const double at = to[place];
        double highest = -1.0 / 0.0, total = 0;
        for (long long k = 0; k < count; k++) highest = fmax(highest, own[k * apart] + from[k] * at);
        if (!isinf(highest)) {
            for (long long k = 0; k < count; k++) total += exp(own[k * apart] + from[k] * at - highest);
            highest += log(total);
        }
        out[blockIdx.x * out_line_apart + place * out_apart] = highest;
    }
}
"""
"""The kernel that sums along one axis."""
