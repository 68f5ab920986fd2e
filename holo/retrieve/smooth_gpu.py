"""The descent of the smooth engine on a GPU: its objective with all arrays there."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import BLOCK_SUM, GPU_THREADS, Device, gpu_kernel, namespace, to_device
from holo.field.window_gpu import GpuWindow

BLOCKS = 264
"""Most blocks of threads that share out a window."""


class GpuIntensityError:
    """The function that the descent lowers: the weighted squared error of the intensity, for `holo.retrieve.descents.descend_all`.

    Parameters
    ----------
    window : GpuWindow
    goal, weights : ndarray, shape (ny, nx)
        Wanted ``|V|^2`` and weight of its squared error; on the host.
    bright : ndarray of bool, shape (ny, nx)
        Where the figure, the standard deviation of intensity over goal over its mean, is taken.
    device : Device
        The GPU.
    """

    def __init__(
        self, window: GpuWindow, goal: NDArray[np.float64], weights: NDArray[np.float64], bright: NDArray[np.bool_], device: Device
    ) -> None:
        most = float(goal.max())
        self._unit = 1 / most  # squares of intensities might leave the range of float32
        self._window = window
        self._goal = to_device((goal / most).astype(np.float32), device)
        self._weights = to_device((weights * most**2).astype(np.float32), device)
        self._bright, self._count = to_device(bright.astype(np.uint8), device), int(np.count_nonzero(bright))
        self._sums = namespace(self._goal).empty((min(-(-goal.size // GPU_THREADS), BLOCKS), 3), np.float64)

    def __call__(self, points: Any) -> tuple[Any, Any, Any]:
        """Value, gradient and error at one `theta`, shape (1, rows, columns)."""
        xp = namespace(points)
        light = self._window.light(points[0])
        fields = self._window.forward(light)
        values, error = xp.empty(1, np.float64), xp.empty((1, 1), np.float64)
        made = (fields, self._goal, self._weights, self._bright, self._unit, self._sums, fields.size)
        gpu_kernel(KERNELS, "excess")((len(self._sums),), (GPU_THREADS,), made)
        counted = (self._sums, len(self._sums), self._count, values, error)
        gpu_kernel(KERNELS, "judge")((1,), (GPU_THREADS,), counted)
        return values, self._window.pull(light, fields, 4 * self._unit)[None], error


KERNELS = (
    BLOCK_SUM
    + r"""
// fields become weight (|V|^2 - goal) V
extern "C" __global__ void excess(float2* fields, const float* goal, const float* weight, const unsigned char* bright, double unit,
        double* sums, long long size) {
    double value = 0, ratios = 0, squares = 0;
    for (long long k = blockIdx.x * (long long)blockDim.x + threadIdx.x; k < size; k += (long long)gridDim.x * blockDim.x) {
        const float2 field = fields[k];
        const float intensity = (field.x * field.x + field.y * field.y) * (float)unit, off = intensity - goal[k];
        const float pull = weight[k] * off;
        value += (double)pull * off;
        if (bright[k]) {
            const double ratio = (double)intensity / goal[k] - 1;
            ratios += ratio;
            squares += ratio * ratio;
        }
        fields[k] = make_float2(pull * field.x, pull * field.y);
    }
    value = block_sum(value);
    ratios = block_sum(ratios);
    squares = block_sum(squares);
    if (threadIdx.x == 0) {
        sums[3 * blockIdx.x] = value;
        sums[3 * blockIdx.x + 1] = ratios;
        sums[3 * blockIdx.x + 2] = squares;
    }
}

extern "C" __global__ void judge(const double* sums, long long blocks, long long count, double* value, double* error) {
    double total[3] = {0, 0, 0};
    for (long long block = threadIdx.x; block < blocks; block += blockDim.x)
        for (int k = 0; k < 3; k++) total[k] += sums[3 * block + k];
    for (int k = 0; k < 3; k++) total[k] = block_sum(total[k]);
    if (threadIdx.x == 0) {
        const double mean = total[1] / count;
        value[0] = total[0];
        error[0] = sqrt(fmax(total[2] / count - mean * mean, 0.0)) / (1 + mean);
    }
}
"""
)
