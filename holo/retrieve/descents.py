"""Descents of many starts at once on a GPU, which decides by itself: the same method as `holo.retrieve.descent`.

A step of a descent is short, and there are hundreds one after the other. So the search along a line, the memory and the ends of
all descents are kept on the device: the host only calls the objective and three kernels again and again, and looks now and then whether
all have ended. Each start has its own line search; those that have ended stay where they are.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import GPU_THREADS, Repeated, gpu_kernel, namespace, to_host
from holo.retrieve.descent import CURVATURE, DECREASE, TRIALS, WINDOW

Objective = Callable[[Any], tuple[Any, Any, Any]]
"""Gives, for points of shape (starts, ...) of float32 on the device, their values, shape (starts,) of float64, the gradients there, in the
shape and dtype of the points, and figures that are to be kept, shape (starts, figures) of float64. None may be the points' own memory."""
Report = Callable[[int, int, NDArray[np.float64]], None]
"""Called after each step of each start with the number of the start, that of its step, and the value and figures there."""

MEMORY = 10
"""Number of earlier steps whose change of gradient shapes the next one."""

BLOCKS = 264
"""Most blocks of threads for a start."""

EVERY = 16
"""Evaluations between two looks at the device, if nobody wants to hear of each step."""


@dataclass(frozen=True, eq=False)
class Descents:
    """Where the descents ended."""

    points: Any
    """The best points found, on the device, shape (starts, ...)."""
    values: NDArray[np.float64]
    """The values there, shape (starts,); infinity if not even the start could be tried."""
    converged: NDArray[np.bool_]
    """Whether each ended because its value no longer falls or its first figure was low enough, shape (starts,)."""
    interrupted: bool
    """Whether all were ended by a KeyboardInterrupt."""
    history: tuple[NDArray[np.float64], ...]
    """For each start the value and the figures at the start and after each step, shape (steps + 1, 1 + figures)."""

    def one(self, number: int) -> Descents:
        """Give one of them alone.

        Parameters
        ----------
        number : int
            From 0.

        Returns
        -------
        Descents
            With arrays of length 1 in front.
        """
        chosen = slice(number, number + 1)
        return Descents(self.points[chosen], self.values[chosen], self.converged[chosen], self.interrupted, self.history[chosen])


def descend_all(
    objective: Objective,
    starts: Any,
    *,
    steps: int,
    settled: float,
    enough: float = -math.inf,
    report: Report | None = None,
    repeated: bool = False,
) -> Descents:
    """Go down from many starts at once until their values settle.

    Parameters
    ----------
    objective : callable
        See `Objective`.
    starts : array of float32 on a GPU, shape (starts, ...)
    steps : int
        Most steps of each.
    settled : float
        As for `holo.retrieve.descent.descend`.
    enough : float
        A descent has also converged when the first of its figures is this or less.
    report : callable, optional
        See `Report`. With it, the host waits for each evaluation. A KeyboardInterrupt that it raises ends all descents.
    repeated : bool
        Whether the objective does nothing but ask for kernels, each time with the same arrays: evaluation and step are then launched
        as one (`holo.arrays.Repeated`).

    Returns
    -------
    Descents

    Notes
    -----
    `holo.retrieve.descent.descend` has the method and its sources. The direction is worked out from the inner products of what is
    remembered, all of which one pass over the memory gives, instead of from the arrays one after the other (Chen, Wang and Zhou,
    Advances in Neural Information Processing Systems 27 (2014); from memory). Products are added up in float64 in an order that is
    always the same.
    """
    run = _Run(starts, steps, settled, enough)
    interrupted, looked = False, 0

    def once() -> None:
        run.step(*objective(run.tried))

    step: Callable[[], None] = Repeated(once) if repeated else once
    try:
        while True:
            step()
            looked += 1
            if (report is not None or looked % EVERY == 0) and run.all_ended(report):
                break
    except KeyboardInterrupt:
        interrupted = True
    return run.result(interrupted)


class _Run:
    """The state of the descents, on the device."""

    def __init__(self, starts: Any, steps: int, settled: float, enough: float) -> None:
        xp = self._xp = namespace(starts)
        self._count, self._size = len(starts), starts[0].size
        self._limits = (steps, float(settled), float(enough))  # the kernels take a whole number for a whole number
        self.tried = xp.array(starts, np.float32, order="C")
        self._place, self._way, self._slope = self.tried.copy(), xp.zeros_like(self.tried), xp.zeros_like(self.tried)
        self._moved, self._changed = (xp.empty((self._count, MEMORY, self._size), np.float32) for _ in range(2))
        self._blocks = min(-(-self._size // (4 * GPU_THREADS)), BLOCKS)
        self._sums = xp.empty((self._count, self._blocks, SUMS), np.float64)
        self._state = xp.zeros((self._count, STATE), np.float64)
        self._numbers = xp.zeros((self._count, NUMBERS), np.int32)
        self._history: Any = None
        self._seen = np.zeros(self._count, int)

    def step(self, values: Any, gradients: Any, figures: Any) -> None:
        """Take in what the objective says of the tried points, and choose the next ones."""
        if self._history is None:
            self._history = self._xp.empty((self._count, self._limits[0] + 1, 1 + figures.shape[1]), np.float64)
        self._last = (values, figures)
        many, size = (self._blocks, self._count), self._size
        memory = (self._moved, self._changed)
        products = (self.tried, self._place, gradients, self._slope, self._way, *memory, self._numbers, size, self._sums)
        gpu_kernel(KERNELS, "products")(many, (GPU_THREADS,), products)
        decided = (
            self._sums,
            self._blocks,
            values,
            figures,
            figures.shape[1],
            self._state,
            self._numbers,
            self._history,
            *self._limits,
            size,
        )
        gpu_kernel(KERNELS, "decide")((self._count,), (LANES * SUMS,), decided)
        moved = (self.tried, self._place, gradients, self._slope, self._way, *memory, self._state, self._numbers, size)
        gpu_kernel(KERNELS, "move")(many, (GPU_THREADS,), moved)

    def all_ended(self, report: Report | None) -> bool:
        """Wait for the device; report the steps that were taken since the last look, at most one of each start."""
        numbers = to_host(self._numbers)
        if report is not None:
            last, now = [to_host(part) for part in self._last], numbers[:, 1]
            for start in np.flatnonzero(now > self._seen):
                self._seen[start] = now[start]
                report(int(start), int(now[start]), np.array([last[0][start], *last[1][start]]))
        return bool((numbers[:, 0] == ENDED).all())

    def result(self, interrupted: bool) -> Descents:
        """Where the descents are now."""
        numbers = to_host(self._numbers)
        if self._history is None or (numbers[:, 0] == 0).any():
            nothing = tuple(np.empty((0, 1)) for _ in range(self._count))
            return Descents(self._place, np.full(self._count, np.inf), np.zeros(self._count, bool), interrupted, nothing)
        history = to_host(self._history)
        told = tuple(history[start, : numbers[start, 1] + 1] for start in range(self._count))
        values = np.array([rows[-1, 0] for rows in told])
        return Descents(self._place, values, (numbers[:, 2] == 1) & (not interrupted), interrupted, told)


ENDED = 3
SINGLE, NUMBERS = 6, 8
SUMS = SINGLE + 3 * MEMORY
TOGETHER, LANES = SUMS // 3, 16
STATE = 16 + 4 * MEMORY + 2 * MEMORY**2
"""Lengths of what the kernels keep: inner products of a block, those that are added up together and by how many threads each, numbers and
whole numbers of a start."""

KERNELS = (
    f"""
#define THREADS {GPU_THREADS}
#define MEMORY {MEMORY}
#define SINGLE {SINGLE}
#define SUMS {SUMS}
#define TOGETHER {TOGETHER}
#define LANES {LANES}
#define STATE {STATE}
#define NUMBERS {NUMBERS}
#define DECREASE {DECREASE!r}
#define CURVATURE {CURVATURE!r}
#define MOST_TRIALS {TRIALS}
#define WINDOW {WINDOW}
#define NOTHING_YET (1.0 / 0.0)
"""
    + r"""
// whole numbers of a start; BEGIN: nothing is known yet, DOWN: along the gradient, LEARNT: along what the memory tells
enum { MODE, STEPS, CONVERGED, TRIED, PAIRS, NEXT, ACTION, TAKE };
enum { BEGIN, DOWN, LEARNT, ENDED };
enum { ACCEPT = 1, STORE = 2, TURN = 4, MOVE = 8 };
// numbers of a start: of the line search, shares of what is remembered in the way, its products with the gradient and with each other
enum { VALUE, LENGTH, SLOPE, SQUARE, BEST, BEST_LENGTH, LOW, HIGH = LOW + 3, OF_SLOPE = HIGH + 3,
       OF_MOVED = 16, OF_CHANGED = OF_MOVED + MEMORY, MOVED_SLOPE = OF_CHANGED + MEMORY, CHANGED_SLOPE = MOVED_SLOPE + MEMORY,
       MOVED_CHANGED = CHANGED_SLOPE + MEMORY, CHANGED_CHANGED = MOVED_CHANGED + MEMORY * MEMORY };
// inner products: w way, g gradient at the tried point, s step there, y change of the gradient; then for each pair S.g, Y.g, Y.s
enum { WG, GG, SY, YY, SG, YG };

// adds up the first numbers over the threads of a block, some at a time: a few lanes for each, and then the lanes, always in the same order
__device__ void add_up(const double* sum, int count, double* out) {
    __shared__ double all[TOGETHER][THREADS];
    __shared__ double lanes[TOGETHER * LANES];
    #pragma unroll
    for (int first = 0; first < SUMS; first += TOGETHER) {
        if (first >= count) return;
        #pragma unroll
        for (int k = 0; k < TOGETHER; k++) all[k][threadIdx.x] = sum[first + k];
        __syncthreads();
        for (int k = threadIdx.x; k < TOGETHER * LANES; k += blockDim.x) {
            double total = 0;
            for (int thread = k % LANES; thread < blockDim.x; thread += LANES) total += all[k / LANES][thread];
            lanes[k] = total;
        }
        __syncthreads();
        for (int k = threadIdx.x; k < TOGETHER; k += blockDim.x) {
            double total = 0;
            for (int lane = 0; lane < LANES; lane++) total += lanes[k * LANES + lane];
            out[first + k] = total;
        }
    }
}

extern "C" __global__ void products(const float* tried, const float* place, const float* here, const float* before, const float* way,
        const float* moved, const float* changed, const int* numbers, long long size, double* sums) {
    const long long start = blockIdx.y, first = start * size;
    const int* own = numbers + start * NUMBERS;
    if (own[MODE] == ENDED) return;
    const int pairs = own[PAIRS];
    double sum[SUMS];
    #pragma unroll
    for (int k = 0; k < SUMS; k++) sum[k] = 0;
    for (long long i = blockIdx.x * (long long)blockDim.x + threadIdx.x; i < size; i += (long long)gridDim.x * blockDim.x) {
        const float slope = here[first + i], last = before[first + i], at = tried[first + i], from = place[first + i];
        const double g = slope, y = slope - last, s = at - from;
        sum[WG] += way[first + i] * g;
        sum[GG] += g * g;
        sum[SY] += s * y;
        sum[YY] += y * y;
        sum[SG] += s * g;
        sum[YG] += y * g;
        #pragma unroll
        for (int k = 0; k < MEMORY; k++) if (k < pairs) {
            const long long row = (start * MEMORY + k) * size + i;
            const double old_s = moved[row], old_y = changed[row];
            sum[SINGLE + 3 * k] += old_s * g;
            sum[SINGLE + 3 * k + 1] += old_y * g;
            sum[SINGLE + 3 * k + 2] += old_y * s;
        }
    }
    add_up(sum, SINGLE + 3 * pairs, sums + (start * gridDim.x + blockIdx.x) * SUMS);
}

__device__ double between(const double* low, const double* high) {
    const double wide = high[0] - low[0], bend = low[2] + high[2] - 3 * (high[1] - low[1]) / wide;
    const double under = bend * bend - low[2] * high[2];
    double share = 0.5;
    if (isfinite(under) && under >= 0) {
        const double root = copysign(sqrt(under), wide), divisor = high[2] - low[2] + 2 * root;
        if (divisor != 0) share = 1 - (high[2] + root - bend) / divisor;
    }
    return low[0] + wide * fmin(fmax(share, 0.1), 0.9);
}

__device__ void begin_search(double* own, int* number, int mode, double length, double slope) {
    number[MODE] = mode;
    number[TRIED] = number[TAKE] = 0;
    number[ACTION] |= TURN;
    own[LENGTH] = length;
    own[SLOPE] = slope;
    own[LOW] = 0; own[LOW + 1] = own[VALUE]; own[LOW + 2] = slope;
    own[HIGH] = own[HIGH + 1] = NOTHING_YET; own[HIGH + 2] = 0;
    own[BEST] = own[VALUE];
}

__device__ void end_descent(int* number, int converged) {
    number[MODE] = ENDED;
    number[CONVERGED] = converged;
}

// a hundredth in each number: small beside a radian, and it may grow
__device__ void go_down(double* own, int* number, double size) {
    number[PAIRS] = number[NEXT] = 0;
    const double steepness = sqrt(own[SQUARE]);
    if (!(steepness > 0) || !isfinite(steepness)) { end_descent(number, 1); return; }
    own[OF_SLOPE] = -1;
    begin_search(own, number, DOWN, 0.01 * sqrt(size) / steepness, -own[SQUARE]);
}

// the two loops of the memory, on the shares of the remembered arrays in the way instead of on the arrays
__device__ void go_as_learnt(double* own, int* number, double size) {
    const int pairs = number[PAIRS];
    const double *sy = own + MOVED_CHANGED, *yy = own + CHANGED_CHANGED, *sg = own + MOVED_SLOPE, *yg = own + CHANGED_SLOPE;
    double *of_s = own + OF_MOVED, *of_y = own + OF_CHANGED, of_g = 1;
    for (int k = 0; k < pairs; k++) of_s[k] = of_y[k] = 0;
    for (int back = 1; back <= pairs; back++) {
        const int i = (number[NEXT] + MEMORY - back) % MEMORY;
        double along = sg[i];
        for (int j = 0; j < pairs; j++) along += of_y[j] * sy[i * MEMORY + j];
        of_y[i] -= along / sy[i * MEMORY + i];
    }
    const int newest = (number[NEXT] + MEMORY - 1) % MEMORY;
    const double scale = sy[newest * MEMORY + newest] / yy[newest * MEMORY + newest];
    double share[MEMORY];
    for (int k = 0; k < pairs; k++) { share[k] = -of_y[k]; of_y[k] *= scale; }
    of_g *= scale;
    for (int back = pairs; back >= 1; back--) {
        const int i = (number[NEXT] + MEMORY - back) % MEMORY;
        double along = of_g * yg[i];
        for (int j = 0; j < pairs; j++) along += of_y[j] * yy[i * MEMORY + j] + of_s[j] * sy[j * MEMORY + i];
        of_s[i] += share[i] - along / sy[i * MEMORY + i];
    }
    double slope = -of_g * own[SQUARE];
    for (int k = 0; k < pairs; k++) {
        of_s[k] = -of_s[k];
        of_y[k] = -of_y[k];
        slope += of_s[k] * sg[k] + of_y[k] * yg[k];
    }
    own[OF_SLOPE] = -of_g;
    if (slope < 0) begin_search(own, number, LEARNT, 1.0, slope);
    else go_down(own, number, size);
}

// what the step to the tried point taught
__device__ void learn(double* own, int* number, const double* sum) {
    const int pairs = number[PAIRS], slot = number[NEXT];
    double *sy = own + MOVED_CHANGED, *yy = own + CHANGED_CHANGED, *sg = own + MOVED_SLOPE, *yg = own + CHANGED_SLOPE;
    const int kept = sum[SY] > 0;
    for (int k = 0; k < pairs; k++) {
        const double s_g = sum[SINGLE + 3 * k], y_g = sum[SINGLE + 3 * k + 1];
        if (kept && k != slot) {
            sy[k * MEMORY + slot] = s_g - sg[k];
            sy[slot * MEMORY + k] = sum[SINGLE + 3 * k + 2];
            yy[k * MEMORY + slot] = yy[slot * MEMORY + k] = y_g - yg[k];
        }
        sg[k] = s_g;
        yg[k] = y_g;
    }
    own[SQUARE] = sum[GG];
    if (!kept) return;
    sy[slot * MEMORY + slot] = sum[SY];
    yy[slot * MEMORY + slot] = sum[YY];
    sg[slot] = sum[SG];
    yg[slot] = sum[YG];
    number[ACTION] |= STORE;
    number[NEXT] = (slot + 1) % MEMORY;
    if (pairs < MEMORY) number[PAIRS] = pairs + 1;
}

// whether the tried point is taken; if not, where the line search goes on
__device__ int search_on(double* own, int* number, double value, double slope) {
    const double here[3] = {own[LENGTH], value, slope};
    double *low = own + LOW, *high = own + HIGH;
    number[TRIED]++;
    if (number[TAKE]) return 1;
    if (value < own[BEST]) { own[BEST] = value; own[BEST_LENGTH] = here[0]; }
    if (!(value <= own[VALUE] + DECREASE * here[0] * own[SLOPE]) || value >= low[1])
        for (int k = 0; k < 3; k++) high[k] = here[k];
    else if (fabs(slope) <= -CURVATURE * own[SLOPE]) return 1;
    else {
        if (slope * (isinf(high[0]) ? 1.0 : high[0] - low[0]) >= 0)
            for (int k = 0; k < 3; k++) high[k] = low[k];
        for (int k = 0; k < 3; k++) low[k] = here[k];
    }
    own[LENGTH] = isinf(high[0]) ? 4 * here[0] : between(low, high);
    if (number[TRIED] == MOST_TRIALS && own[BEST] < own[VALUE]) {
        own[LENGTH] = own[BEST_LENGTH];  // tried once more, and taken
        number[TAKE] = 1;
    }
    return 0;
}

extern "C" __global__ void decide(const double* sums, long long blocks, const double* values, const double* figures, long long kept,
        double* state, int* numbers, double* history, long long limit, double settled, double enough, long long size) {
    const long long start = blockIdx.x;
    int* told = numbers + start * NUMBERS;
    __shared__ double lanes[LANES * SUMS], sum[SUMS], own[STATE];
    __shared__ int number[NUMBERS];
    if (told[MODE] == ENDED) {
        if (threadIdx.x == 0) told[ACTION] = 0;
        return;
    }
    const int count = SINGLE + 3 * told[PAIRS];
    for (int k = threadIdx.x; k < STATE; k += blockDim.x) own[k] = state[start * STATE + k];
    for (int k = threadIdx.x; k < NUMBERS; k += blockDim.x) number[k] = told[k];
    for (int k = threadIdx.x; k < LANES * SUMS; k += blockDim.x) {
        double total = 0;
        if (k % SUMS < count) {
            #pragma unroll 8
            for (long long block = k / SUMS; block < blocks; block += LANES) total += sums[(start * blocks + block) * SUMS + k % SUMS];
        }
        lanes[k] = total;
    }
    __syncthreads();
    for (int k = threadIdx.x; k < SUMS; k += blockDim.x) {
        double total = 0;
        for (int lane = 0; lane < LANES; lane++) total += lanes[lane * SUMS + k];
        sum[k] = total;
    }
    __syncthreads();
    if (threadIdx.x == 0) {
        const int begins = number[MODE] == BEGIN;
        number[ACTION] = MOVE;
        if (begins || search_on(own, number, values[start], sum[WG])) {
            if (begins) own[SQUARE] = sum[GG];
            else { learn(own, number, sum); number[STEPS]++; }
            number[ACTION] |= ACCEPT;
            own[VALUE] = values[start];
            double* row = history + (start * (limit + 1) + number[STEPS]) * (1 + kept);
            row[0] = own[VALUE];
            for (long long k = 0; k < kept; k++) row[1 + k] = figures[start * kept + k];
            const int steps = number[STEPS];
            const double earlier = steps >= WINDOW ? row[-WINDOW * (1 + kept)] : NOTHING_YET;
            if (steps > 0 && kept > 0 && row[1] <= enough) end_descent(number, 1);
            else if (steps >= WINDOW && earlier - own[VALUE] <= settled * fabs(own[VALUE])) end_descent(number, 1);
            else if (steps >= limit) end_descent(number, 0);
            else if (number[PAIRS] > 0) go_as_learnt(own, number, size);
            else go_down(own, number, size);
        }
        else if (number[TRIED] >= MOST_TRIALS && !number[TAKE]) {
            if (number[MODE] == LEARNT) go_down(own, number, size);  // rounding: what was learnt no longer holds
            else end_descent(number, 1);
        }
    }
    __syncthreads();
    for (int k = threadIdx.x; k < STATE; k += blockDim.x) state[start * STATE + k] = own[k];
    for (int k = threadIdx.x; k < NUMBERS; k += blockDim.x) told[k] = number[k];
}

extern "C" __global__ void move(float* tried, float* place, const float* here, float* before, float* way, float* moved, float* changed,
        const double* state, const int* numbers, long long size) {
    const long long start = blockIdx.y, first = start * size;
    const int* number = numbers + start * NUMBERS;
    const double* own = state + start * STATE;
    const int action = number[ACTION], pairs = number[PAIRS], slot = (number[NEXT] + MEMORY - 1) % MEMORY;
    if (!action) return;
    const float length = number[MODE] == ENDED ? 0.0f : (float)own[LENGTH];
    for (long long i = blockIdx.x * (long long)blockDim.x + threadIdx.x; i < size; i += (long long)gridDim.x * blockDim.x) {
        const long long e = first + i;
        float at = place[e], slope = before[e];
        if (action & ACCEPT) {
            const float to = tried[e], there = here[e];
            if (action & STORE) {
                moved[(start * MEMORY + slot) * size + i] = to - at;
                changed[(start * MEMORY + slot) * size + i] = there - slope;
            }
            place[e] = at = to;
            before[e] = slope = there;
        }
        if (action & TURN) {
            double sum = own[OF_SLOPE] * slope;
            #pragma unroll
            for (int k = 0; k < MEMORY; k++) if (k < pairs) {
                const long long row = (start * MEMORY + k) * size + i;
                sum += own[OF_MOVED + k] * moved[row] + own[OF_CHANGED + k] * changed[row];
            }
            way[e] = (float)sum;
        }
        tried[e] = length ? at + length * way[e] : at;
    }
}
"""
)
