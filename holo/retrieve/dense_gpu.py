"""The dense engine's light and demands on a GPU, for many starts at once.

Arrays have the starts along their first axis: they go down side by side (`holo.retrieve.descents`), because one alone would not keep a
GPU busy.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import BLOCK_SUM, GPU_THREADS, Device, fast_length, gpu_kernel, namespace, to_device, to_host
from holo.field import grid
from holo.retrieve.demands import Demand, Fields, Panel
from holo.retrieve.descents import Report, descend_all
from holo.retrieve.site_phases import CAPACITY, HEATS

BLOCKS = 1024
"""Most blocks of threads for a start in loops over pixels."""

MATRIX = 2**25
"""Most numbers of a matrix between all pixels and all points; beyond, light goes by way of a grid."""


class GpuLight:
    """The light between a panel and the points of a demand, on a GPU: as `holo.retrieve.demands.PanelLight`, for many starts.

    Parameters
    ----------
    panel : Panel
    xyz_um : ndarray, shape (points, 3)
    envelope : ndarray, shape (points,)
        Factor of the field at each point, that of the pixels' own diffraction.
    device : Device
        The GPU.

    Notes
    -----
    Few pixels and points are joined by one matrix. For many, the sum over pixels is two matrix products, along columns and rows, onto the
    part of the grid of `holo.field.grid` that the points' kernels reach, and two more from there to the points. As points closer than
    the resolution are many on few grid points, these products are small.
    """

    def __init__(self, panel: Panel, xyz_um: NDArray[np.float64], envelope: NDArray[np.float64], device: Device) -> None:
        self.panel = panel
        self._shape = panel.light.shape[1:]
        factor = envelope / panel.full
        depths, plane = np.unique(xyz_um[:, 2], return_inverse=True)
        order = np.argsort(plane.reshape(-1), kind="stable")
        self._order = None if len(depths) == 1 else tuple(to_device(places, device) for places in (order, np.argsort(order)))
        kind = _Matrix if panel.light.size * len(xyz_um) <= MATRIX else _Bands
        self._planes: list[tuple[slice, _Matrix | _Bands]] = []
        for number, depth in enumerate(depths):
            own = order[plane.reshape(-1)[order] == number]
            first = self._planes[-1][0].stop if self._planes else 0
            place = slice(first, first + len(own))
            light = panel.light * np.exp(-1j * depth * panel.path.defocus).astype(np.complex64) if depth else panel.light
            self._planes.append((place, kind(panel, light, xyz_um[own], factor[own], device)))

    def fields(self, pupil: Any) -> Any:
        """Fields at the points, shape (starts, components, points), of light times `pupil` of complex64, shape (starts, rows, columns)."""
        xp = namespace(pupil)
        found = [part.fields(pupil) for _, part in self._planes]
        return found[0] if self._order is None else xp.take(xp.concatenate(found, axis=2), self._order[1], axis=2)

    def back(self, slope: Any) -> Any:
        """The adjoint of `fields`, shape (starts, rows, columns)."""
        if self._order is None:
            return self._planes[0][1].back(slope)
        ordered = namespace(slope).take(slope, self._order[0], axis=2)
        parts = [part.back(namespace(slope).ascontiguousarray(ordered[..., place])) for place, part in self._planes]
        return sum(parts[1:], parts[0])


class _Matrix:
    """Light by one matrix between all pixels and all points of a plane."""

    def __init__(self, panel: Panel, light: Fields, xyz_um: NDArray[np.float64], factor: NDArray[np.float64], device: Device) -> None:
        path, self._shape = panel.path, light.shape
        down, across = (
            _waves(to_device(pixels, device), to_device(path.scale * xyz_um[:, axis], device))
            for axis, pixels in ((1, path.y_um), (0, path.x_um))
        )
        xp = namespace(down)
        each = (down[:, None] * across[None, :] * to_device(factor, device)).astype(np.complex64).reshape(-1, 1, len(xyz_um))
        falling = to_device(np.ascontiguousarray(light.reshape(len(light), -1, 1).transpose(1, 0, 2)), device)
        self._there = (falling * each).reshape(len(each), -1)
        self._back = xp.ascontiguousarray(self._there.conj().T)

    def fields(self, pupil: Any) -> Any:
        found = namespace(pupil).matmul(pupil.reshape(len(pupil), -1), self._there)
        return found.reshape(len(pupil), self._shape[0], -1)

    def back(self, slope: Any) -> Any:
        return namespace(slope).matmul(slope.reshape(len(slope), -1), self._back).reshape(len(slope), *self._shape[1:])


class _Bands:
    """Light by way of the part of a grid that the kernels of the points of a plane reach."""

    def __init__(self, panel: Panel, light: Fields, xyz_um: NDArray[np.float64], factor: NDArray[np.float64], device: Device) -> None:
        path = panel.path
        down, across = (
            grid.axis(xyz_um[:, axis], pixels, path.scale, _length(len(pixels)), grid.WIDTH, shift=True)
            for axis, pixels in ((1, path.y_um), (0, path.x_um))
        )
        self._light = to_device(light, device)
        xp = namespace(self._light)
        self._light_back = self._light.conj()
        self._down = to_device(_to_grid(down, _length(len(path.y_um))), device)
        self._across = to_device(np.ascontiguousarray(_to_grid(across, _length(len(path.x_um))).T), device)
        self._down_back, self._across_back = (xp.ascontiguousarray(part.conj().T) for part in (self._down, self._across))
        at_points = factor * down.factor * across.factor
        self._from_rows = to_device((_from_grid(down) * at_points).astype(np.complex64), device)
        self._from_rows_back = self._from_rows.conj()
        self._from_columns = to_device(_from_grid(across), device)
        self._from_columns_back = xp.ascontiguousarray(self._from_columns.T)

    def fields(self, pupil: Any) -> Any:
        xp = namespace(pupil)
        light = pupil[:, None] * self._light
        starts, components, rows, columns = light.shape
        half = xp.matmul(light.reshape(-1, columns), self._across).reshape(starts * components, rows, -1)
        band = xp.matmul(self._down, half)
        lines = xp.matmul(band.reshape(-1, band.shape[2]), self._from_columns).reshape(*band.shape[:2], -1)
        return (lines * self._from_rows).sum(axis=1).reshape(starts, components, -1)

    def back(self, slope: Any) -> Any:
        xp = namespace(slope)
        starts, components, points = slope.shape
        lines = slope.reshape(-1, 1, points) * self._from_rows_back
        band = xp.matmul(lines.reshape(-1, points), self._from_columns_back).reshape(*lines.shape[:2], -1)
        half = xp.matmul(self._down_back, band)
        light = xp.matmul(half.reshape(-1, half.shape[2]), self._across_back).reshape(starts, components, *self._light.shape[1:])
        return (light * self._light_back).sum(axis=1)


def _waves(pixels: Any, points: Any) -> Any:
    """``exp(-i x X)`` in complex128, shape (pixels, points)."""
    return namespace(pixels).exp(-1j * pixels[:, None] * points)


def _length(pixels: int) -> int:
    """Length of the Fourier grid for a number of pixels; never shorter than two kernels."""
    return fast_length(max(int(np.ceil(grid.OVERSAMPLING * pixels)), 2 * grid.WIDTH))


def _to_grid(axis: grid.Axis, length: int) -> Fields:
    """What the grid points that kernels reach take of each pixel, shape (grid points, pixels)."""
    points = np.arange(int(axis.start.max()) + axis.weights.shape[1])
    turns = np.outer(points, axis.first + np.arange(len(axis.correction))) % length / length
    return np.asarray(axis.correction * np.exp(-1j * (2 * np.pi * turns + axis.ramp)), np.complex64)


def _from_grid(axis: grid.Axis) -> Fields:
    """What each point takes of the grid points that kernels reach, shape (grid points, points); real."""
    count, width = axis.weights.shape
    taken = np.zeros((int(axis.start.max()) + width, count), np.complex64)
    taken[axis.start + np.arange(width)[:, None], np.arange(count)] = axis.weights.T
    return taken


# ---------------------------------------------------------------------------------------------------------------------
# what is to be lowered


class _Cost:
    """A demand on light, for `holo.retrieve.descents.descend_all`; the figures are efficiency and uniformity of the bright sites."""

    def __init__(self, light: GpuLight, demand: Demand, device: Device) -> None:
        self.light = light
        weight, wanted = demand.weights()
        self._demand = tuple(to_device(part, device) for part in (weight, wanted))
        self._level = float(demand.level)

    def appraise(self, fields: Any, extra: Any) -> tuple[Any, Any, Any]:
        """Values with an extra cost added, slopes by the fields, and figures."""
        xp, (starts, components, points) = namespace(fields), fields.shape
        values, figures, slope = xp.empty(starts, np.float64), xp.empty((starts, 2), np.float64), xp.empty_like(fields)
        size = (components, points, len(self._demand[0]))
        gpu_kernel(KERNELS, "appraise")(
            (starts,), (GPU_THREADS,), (fields, *self._demand, self._level, extra, *size, values, slope, figures)
        )
        return values, slope, figures


class PhaseCost(_Cost):
    """Of the phases of a panel, shape (starts, rows, columns)."""

    def unit(self, phases: Any) -> Any:
        """``exp(i phase)``."""
        out = namespace(phases).empty(phases.shape, np.complex64)
        gpu_kernel(KERNELS, "unit_light")((_blocks(phases.size),), (GPU_THREADS,), (phases, out, phases.size))
        return out

    def __call__(self, phases: Any) -> tuple[Any, Any, Any]:
        """Value, gradient and figures."""
        xp, unit = namespace(phases), self.unit(phases)
        values, slope, figures = self.appraise(self.light.fields(unit), xp.zeros(len(phases), np.float64))
        gradient, back = xp.empty(phases.shape, np.float32), self.light.back(slope)
        gpu_kernel(KERNELS, "across")((_blocks(phases.size),), (GPU_THREADS,), (unit, back, gradient, phases.size))
        return values, gradient, figures


class LinearCost(_Cost):
    """Of free amplitudes of the blocks of a pupil, shape (starts, 2, rows, columns): see `holo.retrieve.site_phases.search`."""

    def __init__(self, light: GpuLight, demand: Demand, device: Device) -> None:
        super().__init__(light, demand, device)
        inside = light.panel.path.pupil
        self._inside, self._share = to_device(inside.astype(np.float32), device), CAPACITY / np.count_nonzero(inside)

    def __call__(self, pupils: Any) -> tuple[Any, Any, Any]:
        """Value, gradient and figures."""
        xp, starts, size = namespace(pupils), len(pupils), self._inside.size
        pupil, extra = xp.empty((starts, *self._inside.shape), np.complex64), xp.empty(starts, np.float64)
        gpu_kernel(KERNELS, "compose")((starts,), (GPU_THREADS,), (pupils, self._inside, float(self._share), size, pupil, extra))
        values, slope, figures = self.appraise(self.light.fields(pupil), extra)
        gradient, back = xp.empty(pupils.shape, np.float32), self.light.back(slope)
        pulled = (pupil, back, self._inside, 4 * float(self._share), size, gradient)
        gpu_kernel(KERNELS, "pull_amplitudes")((_blocks(size), starts), (GPU_THREADS,), pulled)
        return values, gradient, figures


def _blocks(size: int) -> int:
    return min(-(-size // GPU_THREADS), BLOCKS)


def search_on_gpu(
    cost: LinearCost, demand: Demand, waves: list[Fields], device: Device, *, keep: int, report: Report | None = None
) -> tuple[Any, bool]:
    """Lower a demand in the small model from all starts at once; see `holo.retrieve.site_phases.search`.

    Parameters
    ----------
    cost : LinearCost
    demand : Demand
    waves : list of ndarray of complex, shape (components, points)
        The fields whose adjoint each start sets out from.
    device : Device
        The GPU.
    keep : int
        How many to return.
    report : callable, optional

    Returns
    -------
    pupils : array of complex64 on the device, shape (keep, rows, columns)
        The best first.
    interrupted : bool
    """
    pupils, interrupted, values = _begin(cost.light, demand, waves, device), False, np.full(len(waves), np.inf)
    for share, steps in HEATS:
        count = max(keep, round(share * len(waves)))
        chosen = np.argsort(values, kind="stable")[:count]
        found = descend_all(cost, pupils[to_device(chosen, device)], steps=steps, settled=1e-3, report=report)
        pupils, values = found.points, found.values
        if found.interrupted:
            interrupted = True
            break
    best = pupils[to_device(np.argsort(values, kind="stable")[:keep], device)]
    return best[:, 0] + np.complex64(1j) * best[:, 1], interrupted


def _begin(light: GpuLight, demand: Demand, waves: list[Fields], device: Device) -> Any:
    """Amplitudes of the blocks whose light tends to the fields, shape (starts, 2, rows, columns), scaled to the level wanted."""
    pupils = light.back(to_device(np.stack(waves).astype(np.complex64), device))
    got = np.array([demand.ratios(fields)[0].mean() for fields in to_host(light.fields(pupils))])
    scale = to_device(np.sqrt(demand.level / got).astype(np.float32), device)[:, None, None, None]
    return namespace(pupils).stack([pupils.real, pupils.imag], axis=1) * scale


KERNELS = (
    BLOCK_SUM
    + r"""
// a block for each start; sites come once for each displacement
extern "C" __global__ void appraise(const float2* fields, const double* weight, const double* wanted, double level, const double* extra,
        long long components, long long points, long long sites, double* value, float2* slope, double* figures) {
    __shared__ double lowest[THREADS], highest[THREADS];
    const float2* own = fields + blockIdx.x * components * points;
    float2* out = slope + blockIdx.x * components * points;
    const double times = (double)sites / points;
    double cost = 0, light = 0, low = 1.0 / 0.0, high = 0;
    for (long long k = threadIdx.x; k < points; k += blockDim.x) {
        const long long site = k % sites;
        double intensity = 0;
        for (long long c = 0; c < components; c++) {
            const double x = own[c * points + k].x, y = own[c * points + k].y;
            intensity += x * x + y * y;
        }
        const double over = intensity / level, off = over - wanted[site], pull = 4 * weight[site] * off / level * times;
        cost += weight[site] * off * off * times;
        for (long long c = 0; c < components; c++) {
            const float2 field = own[c * points + k];
            out[c * points + k] = make_float2((float)(pull * field.x), (float)(pull * field.y));
        }
        if (k < sites && wanted[site] > 0) {
            const double ratio = intensity / wanted[site];
            light += intensity;
            low = fmin(low, ratio);
            high = fmax(high, ratio);
        }
    }
    cost = block_sum(cost);
    light = block_sum(light);
    lowest[threadIdx.x] = low;
    highest[threadIdx.x] = high;
    __syncthreads();
    if (threadIdx.x > 0) return;
    for (int k = 0; k < blockDim.x; k++) {
        low = fmin(low, lowest[k]);
        high = fmax(high, highest[k]);
    }
    value[blockIdx.x] = cost + extra[blockIdx.x];
    figures[2 * blockIdx.x] = light;
    figures[2 * blockIdx.x + 1] = 1 - (high - low) / (high + low);
}

extern "C" __global__ void unit_light(const float* phase, float2* out, long long size) {
    for (long long k = blockIdx.x * (long long)blockDim.x + threadIdx.x; k < size; k += (long long)gridDim.x * blockDim.x) {
        float sine, cosine;
        sincosf(phase[k], &sine, &cosine);
        out[k] = make_float2(cosine, sine);
    }
}

extern "C" __global__ void across(const float2* unit, const float2* back, float* out, long long size) {
    for (long long k = blockIdx.x * (long long)blockDim.x + threadIdx.x; k < size; k += (long long)gridDim.x * blockDim.x)
        out[k] = unit[k].x * back[k].y - unit[k].y * back[k].x;
}

// a block for each start: complex amplitudes from real and imaginary parts, and the cost of those beyond the beam's
extern "C" __global__ void compose(const float* parts, const float* inside, double share, long long size, float2* pupil, double* extra) {
    const float* own = parts + 2 * blockIdx.x * size;
    double cost = 0;
    for (long long k = threadIdx.x; k < size; k += blockDim.x) {
        const float x = own[k], y = own[size + k];
        const double over = inside[k] * fmaxf(x * x + y * y - 1, 0.0f);
        cost += over * over;
        pupil[blockIdx.x * size + k] = make_float2(x, y);
    }
    cost = block_sum(cost);
    if (threadIdx.x == 0) extra[blockIdx.x] = share * cost;
}

extern "C" __global__ void pull_amplitudes(const float2* pupil, const float2* back, const float* inside, double share, long long size,
        float* out) {
    for (long long k = blockIdx.x * (long long)blockDim.x + threadIdx.x; k < size; k += (long long)gridDim.x * blockDim.x) {
        const float2 own = pupil[blockIdx.y * size + k], there = back[blockIdx.y * size + k];
        const float over = (float)share * inside[k] * fmaxf(own.x * own.x + own.y * own.y - 1, 0.0f);
        out[2 * blockIdx.y * size + k] = there.x + over * own.x;
        out[(2 * blockIdx.y + 1) * size + k] = there.y + over * own.y;
    }
}
"""
)
"""The kernels of the demands."""
