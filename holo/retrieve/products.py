"""Products of complex matrices on a GPU by kernels of our own, which may be part of a graph; those of cupy's library may not.

All arrays are complex64 on the device, C-contiguous. Sums are taken in float32, in an order that depends on the shapes alone.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import GPU_THREADS, Device, gpu_empty, gpu_kernel, to_device

TILE, TILE_THREADS, DEPTH = 32, 64, 16
"""Rows and columns of the product that a block of threads makes, its threads, and how many inner places it takes at a time."""

FEW, FEW_THREADS = 8, 128
"""Most rows of a left matrix for which each thread makes a column, and threads of a block then."""

WANTED = 1024
"""Blocks of threads that keep a GPU busy; long sums are cut into parts until there are so many."""

LEAST = 2 * DEPTH
"""Fewest inner places of a part."""


class Room:
    """Arrays of the device that keep their places, so that kernels in a graph find them there.

    Whoever asks twice for one name and shape gets the same array, with what was written to it last.
    """

    def __init__(self) -> None:
        self._kept: dict[tuple[str, tuple[int, ...]], Any] = {}

    def __call__(self, name: str, shape: tuple[int, ...], dtype: Any = np.complex64) -> Any:
        """Give an array; uninitialised the first time."""
        if (name, shape) not in self._kept:
            self._kept[name, shape] = gpu_empty(shape, dtype)
        return self._kept[name, shape]


def multiply(left: Any, right: Any, out: Any, room: Room, *, adds: bool = False) -> None:
    """Ask for products of matrices.

    Parameters
    ----------
    left : array, shape (batch or 1, rows, inner)
    right : array, shape (batch or 1, inner, columns)
        One matrix goes with all of the other side.
    out : array, shape (batch, rows, columns)
        Where they go.
    room : Room
        Takes the parts of long sums.
    adds : bool
        Whether they are added to what is there.
    """
    batch, rows, columns = out.shape
    inner, few = left.shape[2], batch == 1 and rows <= FEW
    tiles = _over(columns, FEW_THREADS) if few else _over(rows, TILE) * _over(columns, TILE)
    parts = max(1, min(WANTED // (tiles * batch), inner // LEAST))
    sums = out if parts == 1 and not adds else room("parts", (parts, *out.shape))
    if few:
        gpu_kernel(SIMPLE, "multiply_few")((tiles, parts), (FEW_THREADS,), (left, right, sums, rows, inner, columns))
    else:
        steps = (0 if len(left) == 1 else rows * inner, 0 if len(right) == 1 else inner * columns)
        numbers = (left, steps[0], right, steps[1], sums, rows, inner, columns)
        gpu_kernel(TILED, "multiply")((tiles, batch, parts), (TILE_THREADS,), numbers, shared_mem=8 * DEPTH * (2 * TILE + 1))
    if sums is not out:
        gpu_kernel(SIMPLE, "add_parts")((blocks_for(out.size),), (GPU_THREADS,), (sums, out, out.size, parts, int(adds)))


def _over(size: int, each: int) -> int:
    return -(-size // each)


def blocks_for(size: int) -> int:
    """Blocks of threads that share out a loop over `size` numbers.

    Parameters
    ----------
    size : int
        Of the loop.

    Returns
    -------
    int
    """
    return min(_over(size, GPU_THREADS), WANTED)


class SparseMatrix:
    """A matrix that is zero nearly everywhere, on a GPU.

    Parameters
    ----------
    rows, columns : ndarray of int, shape (entries,)
        Where its entries are.
    values : ndarray of complex, shape (entries,)
    shape : tuple of int
    device : Device
    """

    def __init__(
        self,
        rows: NDArray[np.int64],
        columns: NDArray[np.int64],
        values: NDArray[np.complexfloating[Any, Any]],
        shape: tuple[int, int],
        device: Device,
    ) -> None:
        self._shape, order = shape, np.argsort(rows, kind="stable")
        first = np.searchsorted(rows[order], np.arange(shape[0] + 1)).astype(np.int32)
        parts = (first, columns[order].astype(np.int32), values[order].astype(np.complex64))
        self._parts = tuple(to_device(part, device) for part in parts)

    def apply(self, values: Any, out: Any) -> None:
        """Ask for its products with vectors, shape (many, columns), to be written to `out`, shape (many, rows).

        Parameters
        ----------
        values : array on the device, shape (many, columns)
        out : array on the device, shape (many, rows)
            Filled in place.
        """
        rows, columns = self._shape
        grid = (_over(rows, FEW_THREADS), out.size // rows)
        gpu_kernel(SIMPLE, "multiply_sparse")(grid, (FEW_THREADS,), (*self._parts, values, out, rows, columns))


TILED = (
    f"#define TILE {TILE}\n#define DEPTH {DEPTH}\n#define THREADS {TILE_THREADS}\n"
    + r"""
#define EACH (TILE * DEPTH / THREADS)  // numbers of a tile that a thread brings
#define SIDE (TILE / 8)                // rows and columns of the product that it makes

// a block for each tile of the product, each product and each part of the sum; threads make every eighth row and column
extern "C" __global__ void __launch_bounds__(THREADS, 8) multiply(const float2* left, long long left_step, const float2* right,
        long long right_step, float2* out, long long rows, long long inner, long long columns) {
    extern __shared__ float2 tiles[];
    float2 *ours = tiles, *theirs = tiles + DEPTH * (TILE + 1);
    const int height = (int)rows, width = (int)columns, across = (width + TILE - 1) / TILE, thread = threadIdx.x;
    const int top = (int)blockIdx.x / across * TILE, side = (int)blockIdx.x % across * TILE;
    const int from = (int)(inner * blockIdx.z / gridDim.z), to = (int)(inner * (blockIdx.z + 1) / gridDim.z);
    const int down = thread / 8, over = thread % 8;
    left += blockIdx.y * left_step;
    right += blockIdx.y * right_step;
    float2 sum[SIDE][SIDE], mine[EACH], yours[EACH];
    for (int i = 0; i < SIDE; i++)
        for (int j = 0; j < SIDE; j++) sum[i][j] = make_float2(0, 0);
    // the next tiles are on their way while the ones at hand are multiplied
    for (int begin = from - DEPTH; begin < to; begin += DEPTH) {
        if (begin >= from) {
            __syncthreads();
            #pragma unroll
            for (int i = 0; i < EACH; i++) {
                const int k = thread + i * THREADS;
                ours[k % DEPTH * (TILE + 1) + k / DEPTH] = mine[i];
                theirs[k] = yours[i];
            }
            __syncthreads();
        }
        const int next = begin + DEPTH;
        if (next < to) {
            #pragma unroll
            for (int i = 0; i < EACH; i++) {
                const int k = thread + i * THREADS;
                const int row = top + k / DEPTH, place = next + k % DEPTH, other = next + k / TILE, column = side + k % TILE;
                mine[i] = row < height && place < to ? left[(long long)row * inner + place] : make_float2(0, 0);
                yours[i] = other < to && column < width ? right[(long long)other * columns + column] : make_float2(0, 0);
            }
        }
        if (begin < from || top + down >= height || side + over >= width) continue;
        #pragma unroll 8
        for (int k = 0; k < DEPTH; k++) {
            float2 x[SIDE], y[SIDE];
            #pragma unroll
            for (int i = 0; i < SIDE; i++) {
                x[i] = ours[k * (TILE + 1) + down + 8 * i];
                y[i] = theirs[k * TILE + over + 8 * i];
            }
            #pragma unroll
            for (int i = 0; i < SIDE; i++)
                #pragma unroll
                for (int j = 0; j < SIDE; j++) {
                    sum[i][j].x += x[i].x * y[j].x;
                    sum[i][j].y += x[i].x * y[j].y;
                    sum[i][j].x -= x[i].y * y[j].y;
                    sum[i][j].y += x[i].y * y[j].x;
                }
        }
    }
    out += (blockIdx.z * (long long)gridDim.y + blockIdx.y) * rows * columns;
    #pragma unroll
    for (int i = 0; i < SIDE; i++)
        #pragma unroll
        for (int j = 0; j < SIDE; j++) {
            const int row = top + down + 8 * i, column = side + over + 8 * j;
            if (row < height && column < width) out[(long long)row * columns + column] = sum[i][j];
        }
}
"""
)
"""The kernel of large products."""

SIMPLE = (
    f"#define FEW {FEW}\n"
    + r"""
// a thread for each column, a row of blocks for each part of the sum
extern "C" __global__ void multiply_few(const float2* left, const float2* right, float2* out, long long rows, long long inner,
        long long columns) {
    const long long from = inner * blockIdx.y / gridDim.y, to = inner * (blockIdx.y + 1) / gridDim.y;
    const long long stride = (long long)gridDim.x * blockDim.x;
    for (long long column = blockIdx.x * (long long)blockDim.x + threadIdx.x; column < columns; column += stride) {
        float2 sum[FEW];
        #pragma unroll
        for (int row = 0; row < FEW; row++) sum[row] = make_float2(0, 0);
        #pragma unroll 4
        for (long long k = from; k < to; k++) {
            const float2 other = right[k * columns + column];
            #pragma unroll
            for (int row = 0; row < FEW; row++) if (row < rows) {
                const float2 own = left[row * inner + k];
                sum[row].x += own.x * other.x;
                sum[row].y += own.x * other.y;
                sum[row].x -= own.y * other.y;
                sum[row].y += own.y * other.x;
            }
        }
        #pragma unroll
        for (int row = 0; row < FEW; row++)
            if (row < rows) out[(blockIdx.y * rows + row) * columns + column] = sum[row];
    }
}

extern "C" __global__ void add_parts(const float2* parts, float2* out, long long size, long long count, long long adds) {
    for (long long k = blockIdx.x * (long long)blockDim.x + threadIdx.x; k < size; k += (long long)gridDim.x * blockDim.x) {
        float2 sum = adds ? out[k] : make_float2(0, 0);
        #pragma unroll 8
        for (long long part = 0; part < count; part++) {
            const float2 own = parts[part * size + k];
            sum.x += own.x;
            sum.y += own.y;
        }
        out[k] = sum;
    }
}

// a thread for each row of the matrix, a row of blocks for each vector
extern "C" __global__ void multiply_sparse(const int* first, const int* place, const float2* entries, const float2* values, float2* out,
        long long rows, long long columns) {
    const float2* own = values + blockIdx.y * columns;
    for (long long row = blockIdx.x * (long long)blockDim.x + threadIdx.x; row < rows; row += (long long)gridDim.x * blockDim.x) {
        float2 sum = make_float2(0, 0);
        #pragma unroll 8
        for (int k = first[row]; k < first[row + 1]; k++) {
            const float2 entry = entries[k], value = own[place[k]];
            sum.x += entry.x * value.x - entry.y * value.y;
            sum.y += entry.x * value.y + entry.y * value.x;
        }
        out[blockIdx.y * rows + row] = sum;
    }
}
"""
)
"""The other kernels, whose threads work alone."""
