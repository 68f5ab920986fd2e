"""Light between the panel and a window of the focal plane on a GPU: the plan of `holo.field.window` with its arrays there."""

from __future__ import annotations

from typing import Any

import numpy as np

from holo.arrays import GPU_THREADS, Device, gpu_kernel, namespace, to_device
from holo.field.window import WindowTransform

FLOPS, BYTES, PASSES = 4e13, 3e12, 6
"""Operations and bytes a second of an H200-class GPU, about, and times that a Fourier transform with its padding goes through memory."""


class GpuWindow:
    """The plan of a window with its arrays on a GPU: `light`, `forward`, `adjoint` and `pull` as those of `WindowTransform`.

    Parameters
    ----------
    window : WindowTransform
        The plan on the host.
    device : Device
        The GPU.

    Attributes
    ----------
    amplitude : array of float32 on the device
        Of the beam, in the shape of the window's box.
    grid : (int, int)
        As that of the window.

    Notes
    -----
    Small windows are worth two matrix products (`holo.field.plane.PlaneTransform`), large ones two pruned fast Fourier transforms:
    `by_products` tells which, from the operations of the one and the memory that the other goes through. All is in float32; matrix
    units that round to fewer digits are not used.
    """

    def __init__(self, window: WindowTransform, device: Device) -> None:
        self.amplitude = to_device(window.amplitude, device)
        self.grid = window.grid
        self._xp = namespace(self.amplitude)
        self._shape = (len(window.y_um), len(window.x_um))
        path, (y, x) = window.path, (window.path.y_um[window.box[0]], window.path.x_um[window.box[1]])
        self._products = by_products(self.amplitude.shape, self._shape, self.grid)
        down, across = (
            self._waves(to_device(path.scale * (points - points[0]), device), to_device(pixels if self._products else pixels[:1], device))
            for points, pixels in ((window.y_um, y), (window.x_um, x))
        )
        there: Any = (down, self._xp.ascontiguousarray(across.T)) if self._products else (down * across.T,)
        self._there, self._back = there, [self._xp.ascontiguousarray(factor.conj().T) for factor in there]

    def _waves(self, points: Any, pixels: Any) -> Any:
        """``exp(-i x X)``, shape (points, pixels)."""
        return self._xp.exp(-1j * points[:, None] * pixels).astype(np.complex64)

    def light(self, theta: Any) -> Any:
        """``A exp(i theta)`` in complex64, for `theta` of float32 in the shape of the box.

        Parameters
        ----------
        theta : array on the device, float32
            rad, in the shape of the box.

        Returns
        -------
        array on the device, complex64
        """
        out = self._xp.empty(self.amplitude.shape, np.complex64)
        gpu_kernel(KERNELS, "light")((-(-out.size // GPU_THREADS),), (GPU_THREADS,), (self.amplitude, theta, out, out.size))
        return out

    def forward(self, light: Any) -> Any:
        """Fields on the window, shape (ny, nx).

        Parameters
        ----------
        light : array on the device, complex64
            In the shape of the box.

        Returns
        -------
        array on the device, complex64, shape (ny, nx)
        """
        xp = self._xp
        if self._products:
            down, across = self._there
            return xp.matmul(down, xp.matmul(light, across))
        half = xp.fft.fft(light, n=self.grid[1], axis=1)[:, : self._shape[1]]
        return xp.ascontiguousarray(xp.fft.fft(half, n=self.grid[0], axis=0)[: self._shape[0]] * self._there[0])

    def adjoint(self, values: Any) -> Any:
        """Light in the shape of the box that sends `values` of complex64, shape (ny, nx), to the window.

        Parameters
        ----------
        values : array on the device, complex64, shape (ny, nx)

        Returns
        -------
        array on the device, complex64
        """
        xp = self._xp
        if self._products:
            down, across = self._back
            return xp.matmul(xp.matmul(down, values), across)
        (rows, columns), turned = self.amplitude.shape, values * self._back[0].T
        half = xp.fft.ifft(turned, n=self.grid[0], axis=0, norm="forward")[:rows]
        return xp.ascontiguousarray(xp.fft.ifft(half, n=self.grid[1], axis=1, norm="forward")[:, :columns])

    def pull(self, light: Any, values: Any, scale: float = 1.0) -> Any:
        """``scale Im(conj(light) adjoint(values))`` in float32, in the shape of the box.

        Parameters
        ----------
        light : array on the device, complex64
            In the shape of the box.
        values : array on the device, complex64, shape (ny, nx)
        scale : float
            Factor.

        Returns
        -------
        array on the device, float32
        """
        out, back = self._xp.empty(light.shape, np.float32), self.adjoint(values)
        gpu_kernel(KERNELS, "pull")((-(-out.size // GPU_THREADS),), (GPU_THREADS,), (light, back, float(scale), out, out.size))
        return out


def by_products(pixels: tuple[int, int], points: tuple[int, int], grid: tuple[int, int]) -> bool:
    """Tell whether two matrix products are the quicker way between pixels and the points of a window than Fourier transforms of a grid.

    Parameters
    ----------
    pixels, points, grid : (int, int)
        Rows and columns of each.

    Returns
    -------
    bool

    Examples
    --------
    >>> by_products((1024, 1024), (100, 100), (2048, 2048)), by_products((1024, 1024), (1000, 1000), (2048, 2048))
    (True, False)
    """
    operations = 8 * pixels[0] * points[1] * (pixels[1] + points[0])
    memory = 8 * PASSES * (pixels[0] * grid[1] + points[1] * grid[0])
    return operations / FLOPS < memory / BYTES


KERNELS = r"""
extern "C" __global__ void light(const float* amplitude, const float* theta, float2* out, long long size) {
    const long long i = blockIdx.x * (long long)blockDim.x + threadIdx.x;
    for (long long k = i; k < size; k += (long long)gridDim.x * blockDim.x) {
        float sine, cosine;
        sincosf(theta[k], &sine, &cosine);
        out[k] = make_float2(amplitude[k] * cosine, amplitude[k] * sine);
    }
}

extern "C" __global__ void pull(const float2* light, const float2* back, double scale, float* out, long long size) {
    const float times = (float)scale;
    const long long i = blockIdx.x * (long long)blockDim.x + threadIdx.x;
    for (long long k = i; k < size; k += (long long)gridDim.x * blockDim.x)
        out[k] = times * (light[k].x * back[k].y - light[k].y * back[k].x);
}
"""
