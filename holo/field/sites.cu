// Light between a panel and points of the objective plane on a GPU: the transform of sites.py, with the same kernel and the same signs.
//
// Points are added to a grid of integers, so that the sum does not depend on the order in which threads come; the Fourier transforms run
// in shared memory, several lines of the grid at a time, and what happens to the field on the panel happens in registers between the
// transform towards it and the one back.
//
// Set by the caller: ROWS, COLUMNS (pixels), GRID_ROWS, GRID_COLUMNS, FIRST_ROW, FIRST_COLUMN (grid point of the first pixel), WIDTH,
// FOCUSED (whether all points lie in the focal plane), LEVEL (type of a level), SHARPNESS,
// DOWN, DOWN_BACK, ACROSS, ACROSS_BACK (radices of the lengths, and in reverse), DOWN_THREADS, DOWN_LINES, DOWN_BLOCKS (threads for a line,
// lines in a block, blocks at a time on a multiprocessor), ACROSS_THREADS, ACROSS_LINES.

typedef unsigned long long cell;

extern __shared__ float2 lines_in_use[];

struct Places {  // of n points on the grid: first row (that of the plane's band included) and column, weights, and a factor
    const int *row, *column;
    const float *down, *across;  // (n, WIDTH)
    const float2* factor;
};

// ---------------------------------------------------------------------------------------------------------------------
// short transforms in registers, sum over k of v[k] exp(SIGN 2 pi i j k / R)

template <int R, int SIGN> struct Short;

template <int SIGN> struct Short<2, SIGN> {
    static __device__ inline void run(float2* v) {
        float2 a = v[0];
        v[0] = a + v[1];
        v[1] = a - v[1];
    }
};

template <int SIGN> struct Short<3, SIGN> {
    static __device__ inline void run(float2* v) {
        float2 sum = v[1] + v[2], across = quarter<SIGN>(v[1] - v[2]) * 0.86602540378f, middle = v[0] - sum * 0.5f;
        v[0] = v[0] + sum;
        v[1] = middle + across;
        v[2] = middle - across;
    }
};

template <int SIGN> struct Short<4, SIGN> {
    static __device__ inline void run(float2* v) {
        float2 a = v[0] + v[2], b = v[0] - v[2], c = v[1] + v[3], d = quarter<SIGN>(v[1] - v[3]);
        v[0] = a + c;
        v[1] = b + d;
        v[2] = a - c;
        v[3] = b - d;
    }
};

template <int SIGN> struct Short<5, SIGN> {
    static __device__ inline void run(float2* v) {
        const float c1 = 0.30901699437f, c2 = -0.80901699437f, s1 = 0.95105651630f, s2 = 0.58778525229f;
        float2 a = v[1] + v[4], b = v[2] + v[3], c = quarter<SIGN>(v[1] - v[4]), d = quarter<SIGN>(v[2] - v[3]);
        float2 first = v[0] + a * c1 + b * c2, second = v[0] + a * c2 + b * c1;
        float2 one = c * s1 + d * s2, two = c * s2 - d * s1;
        v[0] = v[0] + a + b;
        v[1] = first + one;
        v[4] = first - one;
        v[2] = second + two;
        v[3] = second - two;
    }
};

template <int SIGN> struct Short<8, SIGN> {
    static __device__ inline void run(float2* v) {
        const float h = 0.70710678119f;
        float2 even[4] = {v[0], v[2], v[4], v[6]}, odd[4] = {v[1], v[3], v[5], v[7]};
        Short<4, SIGN>::run(even);
        Short<4, SIGN>::run(odd);
        odd[1] = odd[1] * make_float2(h, SIGN * h);
        odd[2] = quarter<SIGN>(odd[2]);
        odd[3] = odd[3] * make_float2(-h, SIGN * h);
#pragma unroll
        for (int k = 0; k < 4; k++) {
            v[k] = even[k] + odd[k];
            v[k + 4] = even[k] - odd[k];
        }
    }
};

template <int SIGN> struct Short<16, SIGN> {
    static __device__ inline void run(float2* v) {
        const float c1 = 0.92387953251f, s1 = 0.38268343236f, h = 0.70710678119f;
        float2 part[4][4];
#pragma unroll
        for (int j = 0; j < 4; j++) {
#pragma unroll
            for (int k = 0; k < 4; k++) part[j][k] = v[j + 4 * k];
            Short<4, SIGN>::run(part[j]);
        }
        part[1][1] = part[1][1] * make_float2(c1, SIGN * s1);
        part[1][2] = part[1][2] * make_float2(h, SIGN * h);
        part[1][3] = part[1][3] * make_float2(s1, SIGN * c1);
        part[2][1] = part[2][1] * make_float2(h, SIGN * h);
        part[2][2] = quarter<SIGN>(part[2][2]);
        part[2][3] = part[2][3] * make_float2(-h, SIGN * h);
        part[3][1] = part[3][1] * make_float2(s1, SIGN * c1);
        part[3][2] = part[3][2] * make_float2(-h, SIGN * h);
        part[3][3] = part[3][3] * make_float2(-c1, -SIGN * s1);
#pragma unroll
        for (int k = 0; k < 4; k++) {
            float2 line[4] = {part[0][k], part[1][k], part[2][k], part[3][k]};
            Short<4, SIGN>::run(line);
#pragma unroll
            for (int j = 0; j < 4; j++) v[k + 4 * j] = line[j];
        }
    }
};

// ---------------------------------------------------------------------------------------------------------------------
// long transforms, in shared memory (Stockham's order: nothing is left to be sorted)

constexpr int whole(int a, int b) { return (a + b - 1) / b; }
template <int FIRST, int... REST> struct Ends { static constexpr int first = FIRST, last = Ends<REST...>::last; };
template <int ONLY> struct Ends<ONLY> { static constexpr int first = ONLY, last = ONLY; };

// Elements that a thread holds of a line of N numbers which T threads hold in rounds of R numbers, N / R apart.
template <int N, int T, int R> struct Held {
    static constexpr int rounds = whole(N / R, T), size = rounds * R;
    static __device__ inline bool has(int t, int k) { return (k / R) * T + t < N / R; }
    static __device__ inline int place(int t, int k) { return (k / R) * T + t + (k % R) * (N / R); }
};

__device__ inline int slot(int i) { return i + (i >> 4); }  // spreads strides of 16 over the banks
template <int N> struct Line { static constexpr int length = (N + N / 16) / 16 * 16 + 20; };  // lines start 8 banks apart

template <int N, int T, int SIGN, int DONE, int R> __device__ inline void short_transforms(float2* v, int t, const float2* turn) {
#pragma unroll
    for (int round = 0; round < Held<N, T, R>::rounds; round++) {
        int j = round * T + t;
        if (j < N / R) {
            if (DONE > 1) {
                float2 w[R];  // powers of one number: quicker than to look them up, and as exact but for the last bit or two
                w[1] = turn[(j % DONE) * (N / (DONE * R))];
                if (SIGN < 0) w[1] = conj(w[1]);
#pragma unroll
                for (int r = 2; r < R; r++) w[r] = w[r / 2] * w[r - r / 2];
#pragma unroll
                for (int r = 1; r < R; r++) v[round * R + r] = v[round * R + r] * w[r];
            }
            Short<R, SIGN>::run(v + round * R);
        }
    }
}

template <int N, int T, int SIGN, int DONE, int R, int... REST> struct Stages;

template <int N, int T, int SIGN, int DONE, int R> struct Stages<N, T, SIGN, DONE, R> {
    static __device__ inline void run(float2* v, float2* out, float2* line, int t, const float2* turn) {
        short_transforms<N, T, SIGN, DONE, R>(v, t, turn);
#pragma unroll
        for (int k = 0; k < Held<N, T, R>::size; k++) out[k] = v[k];
    }
};

template <int N, int T, int SIGN, int DONE, int R, int NEXT, int... REST> struct Stages<N, T, SIGN, DONE, R, NEXT, REST...> {
    static __device__ inline void run(float2* v, float2* out, float2* line, int t, const float2* turn) {
        short_transforms<N, T, SIGN, DONE, R>(v, t, turn);
#pragma unroll
        for (int k = 0; k < Held<N, T, R>::size; k++) {
            int j = (k / R) * T + t;
            if (j < N / R) line[slot((j / DONE) * DONE * R + j % DONE + (k % R) * DONE)] = v[k];
        }
        __syncthreads();
        float2 next[Held<N, T, NEXT>::size];
#pragma unroll
        for (int k = 0; k < Held<N, T, NEXT>::size; k++)
            if (Held<N, T, NEXT>::has(t, k)) next[k] = line[slot(Held<N, T, NEXT>::place(t, k))];
        __syncthreads();
        Stages<N, T, SIGN, DONE * R, NEXT, REST...>::run(next, out, line, t, turn);
    }
};

// ---------------------------------------------------------------------------------------------------------------------
// points to grid, grid to points

__device__ inline float semicircle(double distance) {
    double t = distance * (2.0 / WIDTH), root = 1 - t * t;
    return root < 0 ? 0.0f : (float)exp(SHARPNESS * WIDTH * (sqrt(root) - 1));
}

// Where points lie on the grid. `xyz` are their places, um; `frame`, if any, says how many sets of n points to skip, and `share` how far
// the points have come from the set before it. `crowd` counts points in boxes of 16 x 16 grid points and must be 0 before.
extern "C" __global__ void place(const double* xyz, const int* frame, double share, const int* plane, int n, int rows, double across_scale, double down_scale,
                                 double moved, double across_turn, double down_turn, int* row, int* column, float* down, float* across,
                                 float2* factor, int* crowd, int* most) {
    int m = blockIdx.x * blockDim.x + threadIdx.x;
    if (m >= n) return;
    const double* there = xyz + 3 * ((frame ? (size_t)*frame * n : 0) + m);
    double point[2] = {there[0], there[1]};
    if (share < 1)
        for (int k = 0; k < 2; k++) point[k] += (1 - share) * (there[k - 3 * n] - there[k]);
    double x = point[0] * across_scale, y = point[1] * down_scale - moved;
    int left = (int)ceil(x - WIDTH / 2.0), top = (int)ceil(y - WIDTH / 2.0);
    for (int tap = 0; tap < WIDTH; tap++) {
        across[m * WIDTH + tap] = semicircle(left + tap - x) * ((left + tap) & 1 ? -1 : 1);
        down[m * WIDTH + tap] = semicircle(top + tap - y) * ((top + tap) & 1 ? -1 : 1);
    }
    left = ((left % GRID_COLUMNS) + GRID_COLUMNS) % GRID_COLUMNS;
    column[m] = left;
    row[m] = top + rows * plane[m];
    double angle = -(point[0] * across_turn + point[1] * down_turn);
    factor[m] = make_float2((float)cos(angle), (float)sin(angle));
    int seen = atomicAdd(&crowd[(row[m] >> 4) * (GRID_COLUMNS / 16 + 1) + (left >> 4)], 1);
    atomicMax(most, seen + 1);
}

// Column of the grid on which a tap of a point's kernel falls.
__device__ inline int wrapped(int column) { return column < GRID_COLUMNS ? column : column - GRID_COLUMNS; }

// Add one column of a point's kernel to the grid; real and imaginary part share a cell. Neighbouring threads take neighbouring columns, so
// that memory adds several cells at a time.
__device__ inline void spread_column(float2 value, const Places& at, int m, int tap, cell* cells) {
    float2 height = value * at.across[m * WIDTH + tap];
    cell* place = cells + (size_t)at.row[m] * GRID_COLUMNS + wrapped(at.column[m] + tap);
#pragma unroll
    for (int k = 0; k < WIDTH; k++) {
        float2 part = height * at.down[m * WIDTH + k];
        long long packed = (long long)__float2int_rn(part.x) * 4294967296LL + __float2int_rn(part.y);
        atomicAdd(place + (size_t)k * GRID_COLUMNS, (cell)packed);
    }
}

// Add points to the grid: WIDTH threads for each. `values` are scaled so that no sum leaves 32 bits.
extern "C" __global__ void spread(const float2* values, Places at, int n, cell* cells, const int* done) {
    if (done && *done) return;
    int index = blockIdx.x * blockDim.x + threadIdx.x, m = index / WIDTH;
    if (m < n) spread_column(values[m], at, m, index % WIDTH, cells);
}

__device__ inline float2 unpacked(cell value, float unit) {
    int imaginary = (int)(unsigned int)value, real = (int)(((long long)value - imaginary) >> 32);
    return make_float2(real * unit, imaginary * unit);
}

// Transform the rows of the grid and keep the columns of the panel; empties the grid for the next time.
extern "C" __global__ void __launch_bounds__(ACROSS_THREADS* ACROSS_LINES)
    rows_out(cell* cells, const float* unit, float2* band, int rows, const float2* turn, const int* done) {
    if (done && *done) return;
    typedef Held<GRID_COLUMNS, ACROSS_THREADS, Ends<ACROSS>::first> In;
    typedef Held<GRID_COLUMNS, ACROSS_THREADS, Ends<ACROSS>::last> Out;
    int which = threadIdx.x / ACROSS_THREADS, t = threadIdx.x % ACROSS_THREADS, row = blockIdx.x * ACROSS_LINES + which;
    float2 v[In::size], out[Out::size];
    float size = *unit;
#pragma unroll
    for (int k = 0; k < In::size; k++) {
        v[k] = make_float2(0, 0);
        if (row < rows && In::has(t, k)) {
            cell* here = cells + (size_t)row * GRID_COLUMNS + In::place(t, k);
            cell value = *here;
            if (value) {
                v[k] = unpacked(value, size);
                *here = 0;
            }
        }
    }
    Stages<GRID_COLUMNS, ACROSS_THREADS, 1, 1, ACROSS>::run(v, out, lines_in_use + which * Line<GRID_COLUMNS>::length, t, turn);
#pragma unroll
    for (int k = 0; k < Out::size; k++) {
        int column = Out::place(t, k) - FIRST_COLUMN;
        if (row < rows && Out::has(t, k) && column >= 0 && column < COLUMNS) band[(size_t)row * COLUMNS + column] = out[k];
    }
}

// Transform the rows of the light that comes back.
extern "C" __global__ void __launch_bounds__(ACROSS_THREADS* ACROSS_LINES)
    rows_in(const float2* band, float2* grid, int rows, const float2* turn, const int* done) {
    if (done && *done) return;
    typedef Held<GRID_COLUMNS, ACROSS_THREADS, Ends<ACROSS_BACK>::first> In;
    typedef Held<GRID_COLUMNS, ACROSS_THREADS, Ends<ACROSS_BACK>::last> Out;
    int which = threadIdx.x / ACROSS_THREADS, t = threadIdx.x % ACROSS_THREADS, row = blockIdx.x * ACROSS_LINES + which;
    float2 v[In::size], out[Out::size];
#pragma unroll
    for (int k = 0; k < In::size; k++) {
        int column = In::place(t, k) - FIRST_COLUMN;
        bool inside = row < rows && In::has(t, k) && column >= 0 && column < COLUMNS;
        v[k] = inside ? band[(size_t)row * COLUMNS + column] : make_float2(0, 0);
    }
    Stages<GRID_COLUMNS, ACROSS_THREADS, -1, 1, ACROSS_BACK>::run(v, out, lines_in_use + which * Line<GRID_COLUMNS>::length, t, turn);
#pragma unroll
    for (int k = 0; k < Out::size; k++)
        if (row < rows && Out::has(t, k)) grid[(size_t)row * GRID_COLUMNS + Out::place(t, k)] = out[k];
}

// Field at a point, interpolated by WIDTH threads and known to the first of them; m < 0: none.
__device__ inline float2 gathered(const float2* grid, const Places& at, int m) {
    int tap = threadIdx.x % WIDTH;
    float2 part = make_float2(0, 0);
    if (m >= 0) {
        const float2* place = grid + (size_t)at.row[m] * GRID_COLUMNS + wrapped(at.column[m] + tap);
#pragma unroll
        for (int k = 0; k < WIDTH; k++) part = part + place[(size_t)k * GRID_COLUMNS] * at.down[m * WIDTH + k];
        part = part * at.across[m * WIDTH + tap];
    }
    lines_in_use[threadIdx.x] = part;
    __syncthreads();
    if (m >= 0 && tap == 0) {
        for (int k = 1; k < WIDTH; k++) part = part + lines_in_use[threadIdx.x + k];
        part = part * at.factor[m];
    }
    return part;
}

extern "C" __global__ void gather(const float2* grid, Places at, int n, float2* fields, const int* done) {
    if (done && *done) return;
    int m = (blockIdx.x * blockDim.x + threadIdx.x) / WIDTH;
    float2 field = gathered(grid, at, m < n ? m : -1);
    if (m < n && threadIdx.x % WIDTH == 0) fields[m] = field;
}

// ---------------------------------------------------------------------------------------------------------------------
// what happens on the panel: each operation takes the field that the sites send to a pixel and gives the light that goes back

struct Band {  // the rows that the sites fill, of each plane, and what its depth does to the pixels (FOCUSED: one plane, nothing)
    float2* lines;  // (planes, rows, COLUMNS)
    const float2* defocus;  // (planes, ROWS, COLUMNS)
    const float2* turn;
    int rows, planes;
};

typedef Held<GRID_ROWS, DOWN_THREADS, Ends<DOWN>::first> Loaded;
typedef Held<GRID_ROWS, DOWN_THREADS, Ends<DOWN>::last> OnPanel;

struct Here {  // a thread's share of the columns
    int column, t;
    float2* line;
    __device__ Here() {
        t = threadIdx.x / DOWN_LINES;
        column = blockIdx.x * DOWN_LINES + threadIdx.x % DOWN_LINES;
        line = lines_in_use + (threadIdx.x % DOWN_LINES) * Line<GRID_ROWS>::length;
    }
    // Index in the beam's modulus, which lies column by column, of a pixel that the thread holds.
    __device__ int beside(int k) const { return column * ROWS + OnPanel::place(t, k) - FIRST_ROW; }
    __device__ int pixel(int k) const {  // index of the pixel that the thread holds, or -1
        int row = OnPanel::place(t, k) - FIRST_ROW;
        return OnPanel::has(t, k) && row >= 0 && row < ROWS && column < COLUMNS ? row * COLUMNS + column : -1;
    }
};

__device__ inline void load(const Here& here, const Band& band, int plane, float2* v) {
    const float2* lines = band.lines + (size_t)plane * band.rows * COLUMNS + here.column;
#pragma unroll
    for (int k = 0; k < Loaded::size; k++) {
        int row = Loaded::place(here.t, k);
        v[k] = make_float2(0, 0);
        if (Loaded::has(here.t, k) && here.column < COLUMNS) {
            if (row < band.rows) v[k] = lines[(size_t)row * COLUMNS];
            if (row + GRID_ROWS < band.rows) v[k] = v[k] + lines[(size_t)(row + GRID_ROWS) * COLUMNS];
        }
    }
}

// Field that the bands send to the pixels that a thread holds, summed over the planes.
__device__ inline void superpose(const Here& here, const Band& band, float2* sum) {
    float2 v[Loaded::size];
#if FOCUSED
    load(here, band, 0, v);
    Stages<GRID_ROWS, DOWN_THREADS, 1, 1, DOWN>::run(v, sum, here.line, here.t, band.turn);
#else
#pragma unroll
    for (int k = 0; k < OnPanel::size; k++) sum[k] = make_float2(0, 0);
    for (int plane = 0; plane < band.planes; plane++) {
        float2 out[OnPanel::size];
        load(here, band, plane, v);
        Stages<GRID_ROWS, DOWN_THREADS, 1, 1, DOWN>::run(v, out, here.line, here.t, band.turn);
#pragma unroll
        for (int k = 0; k < OnPanel::size; k++) {
            int pixel = here.pixel(k);
            if (pixel >= 0) sum[k] = sum[k] + out[k] * conj(band.defocus[(size_t)plane * ROWS * COLUMNS + pixel]);
        }
    }
#endif
}

// Send the light of the pixels that a thread holds to the bands.
__device__ inline void send(const Here& here, const Band& band, float2* light) {
    typedef Held<GRID_ROWS, DOWN_THREADS, Ends<DOWN_BACK>::last> Stored;
#if FOCUSED
    const int planes = 1;
#else
    const int planes = band.planes;
#endif
    for (int plane = 0; plane < planes; plane++) {
        float2 out[Stored::size];
#if FOCUSED
        float2* v = light;
#else
        float2 v[OnPanel::size];
#endif
#pragma unroll
        for (int k = 0; k < OnPanel::size; k++) {
            int pixel = here.pixel(k);
#if FOCUSED
            if (pixel < 0) v[k] = make_float2(0, 0);
#else
            v[k] = pixel < 0 ? make_float2(0, 0) : light[k] * band.defocus[(size_t)plane * ROWS * COLUMNS + pixel];
#endif
        }
        Stages<GRID_ROWS, DOWN_THREADS, -1, 1, DOWN_BACK>::run(v, out, here.line, here.t, band.turn);
        float2* lines = band.lines + (size_t)plane * band.rows * COLUMNS + here.column;
#pragma unroll
        for (int k = 0; k < Stored::size; k++) {
            int row = Stored::place(here.t, k);
            if (Stored::has(here.t, k) && here.column < COLUMNS) {
                if (row < band.rows) lines[(size_t)row * COLUMNS] = out[k];
                if (row + GRID_ROWS < band.rows) lines[(size_t)(row + GRID_ROWS) * COLUMNS] = out[k];
            }
        }
    }
}

#define ON_PANEL extern "C" __global__ void __launch_bounds__(DOWN_THREADS* DOWN_LINES, DOWN_BLOCKS)

__device__ inline float2 unit_of(float2 value) {
    float power = value.x * value.x + value.y * value.y;
    return power > 1e-30f ? value * rsqrtf(power) : make_float2(1, 0);
}

// The beam's light with the phase that the sites ask for: one whole iteration.
ON_PANEL columns_replace(Band band, const float* light, const int* done) {
    if (done && *done) return;
    Here here;
    float2 v[OnPanel::size];
    superpose(here, band, v);
#pragma unroll
    for (int k = 0; k < OnPanel::size; k++) {
        int pixel = here.pixel(k);
        if (pixel >= 0) v[k] = unit_of(v[k]) * light[here.beside(k)];
    }
    send(here, band, v);
}

ON_PANEL columns_unit(Band band, float2* unit) {
    Here here;
    float2 v[OnPanel::size];
    superpose(here, band, v);
#pragma unroll
    for (int k = 0; k < OnPanel::size; k++) {
        int pixel = here.pixel(k);
        if (pixel >= 0) unit[pixel] = unit_of(v[k]);
    }
}

// Turn each pixel towards the pull of the sites. What was there is kept in `best` if `better` says so.
ON_PANEL columns_turn(Band band, const float* light, float2* unit, float2* best, const int* better, const int* done) {
    if (done && *done) return;
    Here here;
    float2 v[OnPanel::size];
    superpose(here, band, v);
    bool keep = better && *better;
#pragma unroll
    for (int k = 0; k < OnPanel::size; k++) {
        int pixel = here.pixel(k);
        if (pixel >= 0) {
            float2 old = unit[pixel];
            float size = light[here.beside(k)], across = size * (old.x * v[k].y - old.y * v[k].x), shrink = rsqrtf(1 + across * across);
            if (keep) best[pixel] = old;
            float2 turned = make_float2((old.x - across * old.y) * shrink, (old.y + across * old.x) * shrink);
            unit[pixel] = turned;
            v[k] = turned * size;
        }
    }
    send(here, band, v);
}

ON_PANEL columns_out(Band band, float2* field) {
    Here here;
    float2 v[OnPanel::size];
    superpose(here, band, v);
#pragma unroll
    for (int k = 0; k < OnPanel::size; k++) {
        int pixel = here.pixel(k);
        if (pixel >= 0) field[pixel] = v[k];
    }
}

ON_PANEL columns_in(Band band, const float2* field) {
    Here here;
    float2 v[OnPanel::size];
#pragma unroll
    for (int k = 0; k < OnPanel::size; k++) {
        int pixel = here.pixel(k);
        v[k] = pixel < 0 ? make_float2(0, 0) : field[pixel];
    }
    send(here, band, v);
}

// Light of a panel on its way from one set of levels to another: `factor` has a phase factor for every two levels.
ON_PANEL columns_between(Band band, const float2* behind, const LEVEL* before, const LEVEL* after, const float2* factor, int levels) {
    Here here;
    float2 v[OnPanel::size];
#pragma unroll
    for (int k = 0; k < OnPanel::size; k++) {
        int pixel = here.pixel(k);
        v[k] = pixel < 0 ? make_float2(0, 0) : behind[pixel] * factor[(int)before[pixel] * levels + after[pixel]];
    }
    send(here, band, v);
}

// Levels that make the phase of the field plus a ramp and an offset, in turns; of two that do, the one nearer to the last.
ON_PANEL columns_levels(Band band, const float* ramp, const float* offset, const unsigned short* one, const unsigned short* other, int parts,
                        const LEVEL* last, LEVEL* levels) {
    Here here;
    float2 v[OnPanel::size];
    superpose(here, band, v);
#pragma unroll
    for (int k = 0; k < OnPanel::size; k++) {
        int pixel = here.pixel(k);
        if (pixel < 0) continue;
        float x = fabsf(v[k].x), y = fabsf(v[k].y), part = fminf(x, y) / fmaxf(fmaxf(x, y), 1e-30f), square = part * part;
        float turn = 0.0083800361f - square * 0.0018654869f;  // Hastings' polynomial, as in grid.py
        turn = -0.018530867f + square * turn;
        turn = 0.030803398f + square * turn;
        turn = -0.052938669f + square * turn;
        turn = part * (0.15915132f + square * turn);
        turn = y > x ? 0.25f - turn : turn;
        turn = v[k].x < 0 ? 0.5f - turn : turn;
        turn = v[k].y < 0 ? -turn : turn;
        turn += ramp[pixel / COLUMNS] + offset[pixel];
        turn -= floorf(turn);
        int place = min((int)(turn * parts), parts - 1), first = one[place], second = other[place], shown = last[pixel];
        levels[pixel] = (LEVEL)(abs(second - shown) < abs(first - shown) ? second : first);
    }
}
