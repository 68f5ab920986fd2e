"""The dense engine's light and demands on a GPU, for many starts at once.

Arrays have the starts along their first axis: they go down side by side (`holo.retrieve.descents`), because one alone would not keep a
GPU busy.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import BLOCK_SUM, GPU_THREADS, Device, gpu_kernel, namespace, to_device, to_host
from holo.field import grid
from holo.retrieve.demands import Demand, Fields, LitPanel
from holo.retrieve.descents import Report, descend_all
from holo.retrieve.products import Room, SparseMatrix, blocks_for, multiply
from holo.retrieve.site_phases import CAPACITY, HEATS

MATRIX = 2**25
"""Most numbers of a matrix between all pixels and all points; beyond, light goes by way of a grid."""


class GpuLight:
    """The light between a panel and the points of a demand, on a GPU: as `holo.retrieve.demands.PanelLight`, for many starts.

    Parameters
    ----------
    panel : LitPanel
    xyz_um : ndarray, shape (points, 3)
    envelope : ndarray, shape (points,)
        Factor of the field at each point, that of the pixels' own diffraction.
    device : Device
        The GPU.

    Notes
    -----
    Few pixels and points are joined by one matrix. For many, the sum over pixels is two matrix products, along columns and rows, onto the
    part of the grid of `holo.field.grid` that the points' kernels reach, and from there to the points by their weights. As points closer
    than the resolution are many on few grid points, these products are small.

    Arrays must be C-contiguous. What a method gives stays until its next call for as many starts, which writes to the same place.
    """

    def __init__(self, panel: LitPanel, xyz_um: NDArray[np.float64], envelope: NDArray[np.float64], device: Device) -> None:
        self.panel, self._room, self._points = panel, Room(), len(xyz_um)
        factor = envelope / panel.full
        depths, plane = np.unique(xyz_um[:, 2], return_inverse=True)
        kind = _Matrix if panel.light.size * len(xyz_um) <= MATRIX else _Bands
        self._planes: list[tuple[Any, _Matrix | _Bands]] = []
        for number, depth in enumerate(depths):
            own = np.flatnonzero(plane.reshape(-1) == number)
            light = panel.light * np.exp(-1j * depth * panel.path.defocus).astype(np.complex64) if depth else panel.light
            places = None if len(depths) == 1 else to_device(own.astype(np.int32), device)
            self._planes.append((places, kind(panel, light, xyz_um[own], factor[own], device, self._room)))

    def fields(self, pupil: Any) -> Any:
        """Fields at the points, shape (starts, components, points), of light times `pupil` of complex64, shape (starts, rows, columns)."""
        starts, components = len(pupil), len(self.panel.light)
        out = self._room("fields", (starts, components, self._points))
        for places, part in self._planes:
            if places is None:
                part.fields(pupil, out)
            else:
                own = self._room("own", (starts, components, places.size))
                part.fields(pupil, own)
                _move("to_points", own, out, places)
        return out

    def back(self, slope: Any) -> Any:
        """The adjoint of `fields`, shape (starts, rows, columns)."""
        starts, components, _ = slope.shape
        out = self._room("back", (starts, *self.panel.light.shape[1:]))
        for number, (places, part) in enumerate(self._planes):
            own = slope
            if places is not None:
                own = self._room("own", (starts, components, places.size))
                _move("from_points", own, slope, places)
            part.back(own, out, number > 0)
        return out


def _move(name: str, own: Any, all_points: Any, places: Any) -> None:
    """Bring what belongs to the points of a plane to or from their places among all."""
    grid = (-(-places.size // GPU_THREADS), own.size // places.size)
    gpu_kernel(KERNELS, name)(grid, (GPU_THREADS,), (own, all_points, places, places.size, all_points.shape[2]))


class _Matrix:
    """Light by one matrix between all pixels and all points of a plane."""

    def __init__(
        self, panel: LitPanel, light: Fields, xyz_um: NDArray[np.float64], factor: NDArray[np.float64], device: Device, room: Room
    ) -> None:
        path, self._room = panel.path, room
        down, across = (
            _waves(to_device(pixels, device), to_device(path.scale * xyz_um[:, axis], device))
            for axis, pixels in ((1, path.y_um), (0, path.x_um))
        )
        xp = namespace(down)
        each = (down[:, None] * across[None, :] * to_device(factor, device)).astype(np.complex64).reshape(-1, 1, len(xyz_um))
        falling = to_device(np.ascontiguousarray(light.reshape(len(light), -1, 1).transpose(1, 0, 2)), device)
        self._there = (falling * each).reshape(1, len(each), -1)
        self._back = xp.ascontiguousarray(self._there[0].conj().T)[None]

    def fields(self, pupil: Any, out: Any) -> None:
        multiply(pupil.reshape(1, len(pupil), -1), self._there, out.reshape(1, len(pupil), -1), self._room)

    def back(self, slope: Any, out: Any, adds: bool) -> None:
        multiply(slope.reshape(1, len(slope), -1), self._back, out.reshape(1, len(slope), -1), self._room, adds=adds)


class _Bands:
    """Light by way of the part of a grid that the kernels of the points of a plane reach."""

    def __init__(
        self, panel: LitPanel, light: Fields, xyz_um: NDArray[np.float64], factor: NDArray[np.float64], device: Device, room: Room
    ) -> None:
        path, self._room = panel.path, room
        down, across = (
            grid.axis(xyz_um[:, axis], pixels, path.scale, grid.grid_length(len(pixels)), grid.WIDTH, shift=True)
            for axis, pixels in ((1, path.y_um), (0, path.x_um))
        )
        self._light = to_device(light, device)
        xp = namespace(self._light)
        self._down = to_device(_to_grid(down, grid.grid_length(len(path.y_um))), device)
        self._across = to_device(np.ascontiguousarray(_to_grid(across, grid.grid_length(len(path.x_um))).T), device)
        self._down_back, self._across_back = (xp.ascontiguousarray(part.conj().T)[None] for part in (self._down, self._across))
        self._down, self._across = self._down[None], self._across[None]
        points, cells, weights = _from_grid(down, across, factor * down.factor * across.factor)
        self._shape = (_reach(down), _reach(across))
        size = (len(xyz_um), self._shape[0] * self._shape[1])
        self._to_points = SparseMatrix(points, cells, weights, size, device)
        self._from_points = SparseMatrix(cells, points, weights.conj(), size[::-1], device)

    def fields(self, pupil: Any, out: Any) -> None:
        light, half, band = self._arrays(len(pupil))
        size = self._light[0].size
        lit = (pupil, self._light, light, size, len(self._light))
        gpu_kernel(KERNELS, "shine")((blocks_for(size), len(light)), (GPU_THREADS,), lit)
        multiply(light.reshape(1, -1, light.shape[2]), self._across, half.reshape(1, -1, half.shape[2]), self._room)
        multiply(self._down, half, band, self._room)
        self._to_points.apply(band, out)

    def back(self, slope: Any, out: Any, adds: bool) -> None:
        light, half, band = self._arrays(len(slope))
        self._from_points.apply(slope, band)
        multiply(self._down_back, band, half, self._room)
        multiply(half.reshape(1, -1, half.shape[2]), self._across_back, light.reshape(1, -1, light.shape[2]), self._room)
        size = self._light[0].size
        gathered = (light, self._light, out, size, len(self._light), int(adds))
        gpu_kernel(KERNELS, "gather_light")((blocks_for(size), len(out)), (GPU_THREADS,), gathered)

    def _arrays(self, starts: int) -> tuple[Any, Any, Any]:
        """Of all components: light on the pixels, its sums along rows of pixels, and those along columns."""
        components, rows, columns = self._light.shape
        shapes = {"light": (rows, columns), "half": (rows, self._shape[1]), "band": self._shape}
        light, half, band = (self._room(name, (starts * components, *shape)) for name, shape in shapes.items())
        return light, half, band


def _waves(pixels: Any, points: Any) -> Any:
    """``exp(-i x X)`` in complex128, shape (pixels, points)."""
    return namespace(pixels).exp(-1j * pixels[:, None] * points)


def _reach(axis: grid.Axis) -> int:
    """Number of grid points up to the last that a kernel reaches."""
    return int(axis.start.max() + axis.weights.shape[1])


def _to_grid(axis: grid.Axis, length: int) -> Fields:
    """What the grid points that kernels reach take of each pixel, shape (grid points, pixels)."""
    turns = np.outer(np.arange(_reach(axis)), axis.first + np.arange(len(axis.correction))) % length / length
    return np.asarray(axis.correction * np.exp(-1j * (2 * np.pi * turns + axis.ramp)), np.complex64)


def _from_grid(down: grid.Axis, across: grid.Axis, factor: Fields) -> tuple[NDArray[np.int64], NDArray[np.int64], Fields]:
    """Points, cells of the band and what each point takes of each cell, one after the other."""
    taps = np.arange(grid.WIDTH)
    cells = (down.start[:, None] + taps)[:, :, None] * _reach(across) + (across.start[:, None] + taps)[:, None]
    weights = factor[:, None, None] * down.weights[:, :, None] * across.weights[:, None]
    return np.repeat(np.arange(len(factor)), grid.WIDTH**2), cells.reshape(-1), weights.reshape(-1)


# ---------------------------------------------------------------------------------------------------------------------
# what is to be lowered


class _Cost:
    """A demand on light, for `holo.retrieve.descents.descend_all`; the figures are efficiency and uniformity of the bright sites.

    What it gives stays until the next call for as many starts, which writes to the same place.
    """

    def __init__(self, light: GpuLight, demand: Demand, device: Device) -> None:
        self.light, self._room = light, Room()
        weight, wanted = demand.weights()
        self._demand = tuple(to_device(part, device) for part in (weight, wanted))
        self._level = float(demand.level)

    def appraise(self, fields: Any, extra: Any) -> tuple[Any, Any, Any]:
        """Values with an extra cost added, if there is one, slopes by the fields, and figures."""
        starts, components, points = fields.shape
        values, figures = self._room("values", (starts,), np.float64), self._room("figures", (starts, 2), np.float64)
        slope = self._room("slope", fields.shape)
        size = (components, points, len(self._demand[0]))
        gpu_kernel(KERNELS, "appraise")(
            (starts,), (GPU_THREADS,), (fields, *self._demand, self._level, extra, *size, values, slope, figures)
        )
        return values, slope, figures


class PhaseCost(_Cost):
    """Of the phases of a panel, shape (starts, rows, columns)."""

    def unit(self, phases: Any) -> Any:
        """``exp(i phase)``."""
        out = self._room("unit", phases.shape)
        gpu_kernel(KERNELS, "unit_light")((blocks_for(phases.size),), (GPU_THREADS,), (phases, out, phases.size))
        return out

    def __call__(self, phases: Any) -> tuple[Any, Any, Any]:
        """Value, gradient and figures."""
        unit = self.unit(phases)
        values, slope, figures = self.appraise(self.light.fields(unit), None)
        gradient, back = self._room("gradient", phases.shape, np.float32), self.light.back(slope)
        gpu_kernel(KERNELS, "across")((blocks_for(phases.size),), (GPU_THREADS,), (unit, back, gradient, phases.size))
        return values, gradient, figures


class LinearCost(_Cost):
    """Of free amplitudes of the blocks of a pupil, shape (starts, 2, rows, columns): see `holo.retrieve.site_phases.search`."""

    def __init__(self, light: GpuLight, demand: Demand, device: Device) -> None:
        super().__init__(light, demand, device)
        inside = light.panel.path.pupil
        self._inside, self._share = to_device(inside.astype(np.float32), device), CAPACITY / np.count_nonzero(inside)

    def __call__(self, pupils: Any) -> tuple[Any, Any, Any]:
        """Value, gradient and figures."""
        starts, size = len(pupils), self._inside.size
        pupil, extra = self._room("pupil", (starts, *self._inside.shape)), self._room("extra", (starts,), np.float64)
        gpu_kernel(KERNELS, "compose")((starts,), (GPU_THREADS,), (pupils, self._inside, float(self._share), size, pupil, extra))
        values, slope, figures = self.appraise(self.light.fields(pupil), extra)
        gradient, back = self._room("gradient", pupils.shape, np.float32), self.light.back(slope)
        pulled = (pupil, back, self._inside, 4 * float(self._share), size, gradient)
        gpu_kernel(KERNELS, "pull_amplitudes")((blocks_for(size), starts), (GPU_THREADS,), pulled)
        return values, gradient, figures


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
        found = descend_all(cost, pupils[to_device(chosen, device)], steps=steps, settled=1e-3, report=report, repeated=True)
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
    for (int half = blockDim.x / 2; half > 0; half /= 2) {
        if (threadIdx.x < half) {
            lowest[threadIdx.x] = fmin(lowest[threadIdx.x], lowest[threadIdx.x + half]);
            highest[threadIdx.x] = fmax(highest[threadIdx.x], highest[threadIdx.x + half]);
        }
        __syncthreads();
    }
    if (threadIdx.x > 0) return;
    low = lowest[0];
    high = highest[0];
    value[blockIdx.x] = extra ? cost + extra[blockIdx.x] : cost;
    figures[2 * blockIdx.x] = light;
    figures[2 * blockIdx.x + 1] = 1 - (high - low) / (high + low);
}

extern "C" __global__ void to_points(const float2* own, float2* all, const int* places, long long count, long long points) {
    for (long long k = blockIdx.x * (long long)blockDim.x + threadIdx.x; k < count; k += (long long)gridDim.x * blockDim.x)
        all[blockIdx.y * points + places[k]] = own[blockIdx.y * count + k];
}

extern "C" __global__ void from_points(float2* own, const float2* all, const int* places, long long count, long long points) {
    for (long long k = blockIdx.x * (long long)blockDim.x + threadIdx.x; k < count; k += (long long)gridDim.x * blockDim.x)
        own[blockIdx.y * count + k] = all[blockIdx.y * points + places[k]];
}

// what each component of the light has behind the pupil of each start; a row of blocks for each of both
extern "C" __global__ void shine(const float2* pupil, const float2* light, float2* out, long long size, long long components) {
    const float2 *own = pupil + blockIdx.y / components * size, *falling = light + blockIdx.y % components * size;
    for (long long k = blockIdx.x * (long long)blockDim.x + threadIdx.x; k < size; k += (long long)gridDim.x * blockDim.x) {
        const float2 x = own[k], y = falling[k];
        out[blockIdx.y * size + k] = make_float2(x.x * y.x - x.y * y.y, x.x * y.y + x.y * y.x);
    }
}

// the adjoint: summed over the components; a row of blocks for each start
extern "C" __global__ void gather_light(const float2* there, const float2* light, float2* out, long long size, long long components,
        long long adds) {
    float2* own = out + blockIdx.y * size;
    for (long long k = blockIdx.x * (long long)blockDim.x + threadIdx.x; k < size; k += (long long)gridDim.x * blockDim.x) {
        float2 sum = adds ? own[k] : make_float2(0, 0);
        for (long long c = 0; c < components; c++) {
            const float2 x = there[(blockIdx.y * components + c) * size + k], y = light[c * size + k];
            sum.x += x.x * y.x + x.y * y.y;
            sum.y += x.y * y.x - x.x * y.y;
        }
        own[k] = sum;
    }
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
