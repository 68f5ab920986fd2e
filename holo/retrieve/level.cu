// Between the fields at the sites and the next superposition, on a GPU: the updates of spots.py and follow.py. Comes after sites.cu.
//
// The numbers of a search stay in device memory from its first iteration to its last; sums are taken in the same order every time.

#define THREADS 512
#define DEPTH 6        // points that Anderson's method keeps: five differences
#define PATIENCE 4     // iterations within which the error must halve
#define LOWEST -25.0f  // least logarithm of a weight over the largest
#define MOST_SITES 64  // in a block of gather_search

struct Search {
    float *weight, *phase;  // logarithm of the weight, and phase, of each wave
    float *best;            // logarithm of the weights at the best level so far
    float *points, *steps;  // (DEPTH, n)
    float2 *fields, *values;  // fields at the sites; waves as `spread` takes them
    float2 *pull;             // what the sites pull at the pixels with, stage turn
    const float *goal;        // wanted modulus; 0 at dark sites, which come last
    const float2 *factor;
    float *unit;    // what one step of the integer grid stands for
    const int *most;  // points in the fullest box of the grid
    const float *pace;  // exponent of the weight update, and how many times as far as the light the phases go
    double *partial;  // (VALUES, blocks) of gather_search
    double *scalar;   // see below
    double *inner;    // (DEPTH, DEPTH), products of the steps less their means
    double *history;  // (room, 3): efficiency, uniformity, crosstalk
    double *least;    // (room) lowest error up to each iteration with the phases held
    double *result;   // efficiency, uniformity, spread, bound, crosstalk at the best level
    int *state;       // see below
    int n, bright, room;
};
enum { COUNT, HELD, DONE, BETTER, DARK, TICKET };  // iterations; those of this stage; ended; this one is the best so far; a site without light
enum { MEAN, HEAVIEST, KEPT, SUMS, MIX = SUMS + DEPTH };  // of log(modulus/goal) last time; largest weight; that of the best; sums of the
                                                         // steps; Anderson's shares
enum { POWER, RATIO, SQUARE, WEIGHTED, WANTED, STEP, DOT, LOW = DOT + DEPTH, HIGH, HEAVY, VALUES };  // sums up to LOW, largest values from there

// ---------------------------------------------------------------------------------------------------------------------
// sums over a block, the same in every thread

__device__ inline double added(double value) {
    for (int far = 16; far; far /= 2) value += __shfl_xor_sync(~0u, value, far);
    return value;
}

template <int K> __device__ inline void total(double* sums) {  // one warp adds up what all threads have of one of them
    __shared__ double all[K][THREADS], whole[K];
    __syncthreads();
    for (int k = 0; k < K; k++) all[k][threadIdx.x] = sums[k];
    __syncthreads();
    int k = threadIdx.x / 32, lane = threadIdx.x % 32;
    if (k < K) {
        double sum = 0;
        for (int i = 0; i < THREADS / 32; i++) sum += all[k][lane + 32 * i];
        sum = added(sum);
        if (lane == 0) whole[k] = sum;
    }
    __syncthreads();
    for (int k = 0; k < K; k++) sums[k] = whole[k];
}

__device__ inline float largest(float value) {
    __shared__ float all[THREADS / 32];
    for (int far = 16; far; far /= 2) value = fmaxf(value, __shfl_xor_sync(~0u, value, far));
    __syncthreads();
    if (threadIdx.x % 32 == 0) all[threadIdx.x / 32] = value;
    __syncthreads();
    for (int i = 0; i < THREADS / 32; i++) value = fmaxf(value, all[i]);
    return value;
}

#define EACH(m, count) for (int m = threadIdx.x; m < (count); m += THREADS)

__device__ inline float modulus(float2 value) { return sqrtf(value.x * value.x + value.y * value.y); }

// ---------------------------------------------------------------------------------------------------------------------

// Waves for the grid, scaled so that no sum of integers overflows: a grid point is reached by the points of six boxes at most.
__device__ inline void scaled(const Search& s, float most) {
    float room = 1073741824.0f / (6.0f * *s.most);
    if (threadIdx.x == 0) *s.unit = most > 0 ? most / room : 0;
    float scale = most > 0 ? room / most : 0;
    EACH(m, s.n) s.values[m] = s.values[m] * conj(s.factor[m]) * scale;
}

// The values that are there already, whatever they are.
extern "C" __global__ void __launch_bounds__(THREADS) prepare_values(Search s) {
    float most = 0;
    EACH(m, s.n) most = fmaxf(most, modulus(s.values[m]));
    scaled(s, largest(most));
}

struct Level {
    double efficiency, uniformity, spread, bound, crosstalk, mean;
};

__device__ inline void note(const Search& s, const Level& found, double low, int count) {
    if (!(low > 0)) s.state[DARK] = 1;
    double* place = s.history + 3 * (count < s.room ? count : s.room - 1);
    place[0] = found.efficiency;
    place[1] = found.uniformity;
    place[2] = found.crosstalk;
}

__device__ inline void keep(const Search& s, const Level& found) {
    double figures[5] = {found.efficiency, found.uniformity, found.spread, found.bound, found.crosstalk};
    for (int k = 0; k < 5; k++) s.result[k] = figures[k];
}

__device__ inline Level level(const Search& s, double full) {
    double sums[4] = {0, 0, 0, 0};
    float low = -1e30f, high = 0, stray = 0;  // low: of the negative
    EACH(m, s.n) {
        float size = modulus(s.fields[m]);
        if (m >= s.bright) {
            stray = fmaxf(stray, size * size);
            continue;
        }
        float ratio = size / s.goal[m];
        ratio *= ratio;
        high = fmaxf(high, ratio);
        low = fmaxf(low, -ratio);
        sums[0] += (double)size * size;
        sums[1] += ratio;
        sums[2] += (double)ratio * ratio;
        sums[3] += (double)size * size * logf(size / s.goal[m]);
    }
    total<4>(sums);
    low = -largest(low);
    high = largest(high);
    if (s.bright < s.n) stray = largest(stray);
    double mean = sums[1] / s.bright, variance = sums[2] / s.bright - mean * mean;
    Level found = {sums[0] / (full * full),
                   1 - (double)(high - low) / (high + low),
                   sqrt(variance > 0 ? variance : 0) / mean,
                   0,
                   stray / (sums[0] / s.bright),
                   sums[3] / sums[0]};  // of the light, as in Stage.turn
    if (threadIdx.x == 0) note(s, found, low, s.state[COUNT]);
    __syncthreads();
    return found;
}

// Forget earlier iterations with the phases held.
extern "C" __global__ void start_hold(int* state) {
    state[HELD] = state[DONE] = state[BETTER] = 0;
}

// Shares of the differences of the last `count` steps that come nearest to the last step: the normal equations, by Cholesky's
// factors, without differences that are but combinations of others.
__device__ inline void shares(const double* inner, int last, int count, double* mix) {
    double a[DEPTH - 1][DEPTH - 1], b[DEPTH - 1], kept[DEPTH - 1];
    for (int k = 0; k < count; k++) {
        int p = (last - count + k + DEPTH) % DEPTH, q = (p + 1) % DEPTH;
        b[k] = inner[q * DEPTH + last] - inner[p * DEPTH + last];
        for (int l = 0; l <= k; l++) {
            int u = (last - count + l + DEPTH) % DEPTH, v = (u + 1) % DEPTH;
            a[k][l] = inner[q * DEPTH + v] - inner[q * DEPTH + u] - inner[p * DEPTH + v] + inner[p * DEPTH + u];
        }
    }
    for (int k = count - 1; k >= 0; k--) {  // the latest differences first: they count most
        double own = a[k][k];
        for (int l = k + 1; l < count; l++) own -= kept[l] * a[l][k] * a[l][k];
        kept[k] = own > 1e-12 * a[k][k] && own > 0 ? 1 / own : 0;
        for (int i = 0; i < k; i++) {
            double value = a[k][i];
            for (int l = k + 1; l < count; l++) value -= kept[l] * a[l][k] * a[l][i];
            a[k][i] = value;
        }
    }
    for (int k = count - 1; k >= 0; k--)
        for (int l = k + 1; l < count; l++) b[k] -= kept[l] * a[l][k] * b[l];
    for (int k = 0; k < count; k++) {
        mix[k] = kept[k] * b[k];
        for (int l = 0; l < k; l++) mix[k] -= kept[k] * a[k][l] * mix[l];
    }
}

// ---------------------------------------------------------------------------------------------------------------------
// an iteration of the search: from the fields at the sites to the next superposition, by many blocks

__device__ inline double combined(int k, double one, double other) { return k < LOW ? one + other : fmax(one, other); }

// What follows from an iteration, by one thread: figures, whether the stage has ended, the shares of Anderson's method.
__device__ inline void conclude(const Search& s, const double* all, double full, bool hold, double uniformity, int limit, int patient) {
    int counted = s.state[COUNT], held = s.state[HELD], last = held % DEPTH, count = held < DEPTH - 1 ? held : DEPTH - 1;
    double mean_before = s.scalar[MEAN], over = 1.0 / s.bright, sums[DEPTH];  // all that is needed at once: memory answers slowly
    double before = hold && held ? s.least[held - 1] : 1e300, earlier = hold && held >= PATIENCE ? s.least[held - PATIENCE] : 1e300;
    for (int k = 0; k < DEPTH; k++) sums[k] = hold ? s.scalar[SUMS + k] : 0;
    double mean = all[RATIO] * over, variance = all[SQUARE] * over - mean * mean, low = -all[LOW];
    Level found = {all[POWER] / (full * full), 1 - (all[HIGH] - low) / (all[HIGH] + low), sqrt(variance > 0 ? variance : 0) / mean,
                   all[WEIGHTED] / all[WANTED] / full, 0, 0};
    note(s, found, low, counted);
    s.state[COUNT] = counted + 1;
    s.scalar[MEAN] = mean_before - all[STEP] * over;
    s.scalar[HEAVIEST] = all[HEAVY] + (hold ? 0.7 : 0);  // with held phases the next weights are not known yet: room for twice the largest
    double error = 1 - found.uniformity, least = error < before ? error : before;
    if (!hold || error < before) {
        keep(s, found);
        s.scalar[KEPT] = all[HEAVY];
    }
    if (!hold) return;
    bool done = least <= 1 - uniformity || held + 1 >= limit || !(error == error);
    if (patient && held + 1 > PATIENCE) done = done || least > earlier / 2;
    s.least[held] = least;
    s.state[HELD] = held + 1;
    s.state[DONE] = done;
    s.state[BETTER] = error < before;
    s.scalar[SUMS + last] = sums[last] = all[STEP];
    for (int k = 0; k <= count; k++) {
        int other = (last - k + DEPTH) % DEPTH;
        double product = all[DOT + k] - all[STEP] * sums[other] * over;
        s.inner[last * DEPTH + other] = s.inner[other * DEPTH + last] = product;
    }
    if (!done) shares(s.inner, last, count, s.scalar + MIX);
}

// Fields at the sites, and the step that they ask for. With free phases the waves take it at once; with held ones it is kept for
// Anderson's method, in `spread_search`. A block has at most MOST_SITES sites; the last one to be done sees to the figures of all.
extern "C" __global__ void gather_search(const float2* grid, Places at, Search s, double full, int hold, double uniformity, int limit, int patient) {
    __shared__ double own[VALUES][MOST_SITES], all[VALUES];
    __shared__ bool last_one;
    if (hold && s.state[DONE]) return;
    int m = (blockIdx.x * blockDim.x + threadIdx.x) / WIDTH, which = threadIdx.x / WIDTH, sites = blockDim.x / WIDTH;
    float2 field = gathered(grid, at, m < s.bright ? m : -1);
    if (threadIdx.x % WIDTH == 0) {
        double value[VALUES];
        for (int k = 0; k < VALUES; k++) value[k] = k < LOW ? 0 : -1e30;
        if (m < s.bright) {
            float size = modulus(field), goal = s.goal[m], ratio = size / goal, weight = s.weight[m];
            float share = expf(fmaxf(weight - (float)s.scalar[HEAVIEST], LOWEST)), step = (float)s.scalar[MEAN] - logf(ratio);
            ratio *= ratio;
            s.fields[m] = field;
            value[POWER] = (double)size * size;
            value[RATIO] = ratio;
            value[SQUARE] = (double)ratio * ratio;
            value[WEIGHTED] = (double)share * size;
            value[WANTED] = (double)share * goal;
            value[STEP] = step;
            value[LOW] = -ratio;
            value[HIGH] = ratio;
            if (hold) {
                int held = s.state[HELD], last = held % DEPTH, count = held < DEPTH - 1 ? held : DEPTH - 1;
                s.points[(size_t)last * s.bright + m] = weight;
                s.steps[(size_t)last * s.bright + m] = step;
                value[DOT] = (double)step * step;
                for (int k = 1; k <= count; k++) value[DOT + k] = (double)step * s.steps[(size_t)((last - k + DEPTH) % DEPTH) * s.bright + m];
            } else {
                weight += s.pace[0] * step;
                s.weight[m] = weight;
                float sine, cosine, lead = s.pace[1];
                if (lead == 1)
                    s.phase[m] = atan2f(field.y, field.x);
                else if (lead != 0) {
                    sincosf(s.phase[m], &sine, &cosine);
                    field = field * make_float2(cosine, -sine);
                    s.phase[m] = remainderf(s.phase[m] + lead * atan2f(field.y, field.x), 6.2831853071795865f);
                }
            }
            value[HEAVY] = weight;
        }
        for (int k = 0; k < VALUES; k++) own[k][which] = value[k];
    }
    __syncthreads();
    for (int k = threadIdx.x; k < VALUES; k += blockDim.x) {
        double sum = own[k][0];
        for (int i = 1; i < sites; i++) sum = combined(k, sum, own[k][i]);
        s.partial[(size_t)k * gridDim.x + blockIdx.x] = sum;
    }
    __threadfence();
    __syncthreads();
    if (threadIdx.x == 0) last_one = atomicAdd(&s.state[TICKET], 1) == (int)gridDim.x - 1;
    __syncthreads();
    if (!last_one) return;
    __threadfence();
    int lanes = blockDim.x / VALUES, k = threadIdx.x / lanes, lane = threadIdx.x % lanes;
    if (k < VALUES) {
        double sum = k < LOW ? 0 : -1e30;
        for (int i = lane; i < (int)gridDim.x; i += lanes) sum = combined(k, sum, s.partial[(size_t)k * gridDim.x + i]);
        own[k][lane] = sum;
    }
    __syncthreads();
    if (threadIdx.x < VALUES) {
        double sum = own[threadIdx.x][0];
        for (int i = 1; i < lanes; i++) sum = combined(threadIdx.x, sum, own[threadIdx.x][i]);
        all[threadIdx.x] = sum;
    }
    __syncthreads();
    if (threadIdx.x == 0) {
        s.state[TICKET] = 0;
        conclude(s, all, full, hold, uniformity, limit, patient);
    }
}

// The next superposition, onto the grid: WIDTH threads for each site.
extern "C" __global__ void spread_search(Search s, Places at, cell* cells, int hold) {
    if (hold && s.state[DONE]) return;
    int index = blockIdx.x * blockDim.x + threadIdx.x, m = index / WIDTH, tap = index % WIDTH;
    float scale = 1073741824.0f / (6.0f * *s.most);  // a grid point is reached by the points of six boxes at most
    if (index == 0) *s.unit = 1 / scale;
    if (m >= s.bright) return;
    float weight = s.weight[m], heaviest = (float)s.scalar[HEAVIEST], sine, cosine;
    int held = s.state[HELD];
    if (hold && held) {
        int last = (held - 1) % DEPTH, count = held - 1 < DEPTH - 1 ? held - 1 : DEPTH - 1;
        size_t row = s.bright;
        weight = s.points[last * row + m] + s.steps[last * row + m];
        if (tap == 0 && s.state[BETTER]) s.best[m] = s.points[last * row + m];
        for (int k = 0; k < count; k++) {
            size_t p = ((last - count + k + DEPTH) % DEPTH) * row + m, q = ((last - count + k + 1 + DEPTH) % DEPTH) * row + m;
            weight -= (float)s.scalar[MIX + k] * ((s.points[q] - s.points[p]) + (s.steps[q] - s.steps[p]));
        }
        weight = fminf(weight, heaviest);
    }
    weight = fmaxf(weight, heaviest + LOWEST);
    if (tap == 0) s.weight[m] = weight;
    sincosf(s.phase[m], &sine, &cosine);
    float2 wave = make_float2(cosine, sine) * (scale * expf(weight - heaviest));
    spread_column(wave * conj(at.factor[m]), at, m, tap, cells);
}

// The best weights of a stage with the phases held, once it has ended.
extern "C" __global__ void settle(Search s) {
    int m = blockIdx.x * blockDim.x + threadIdx.x, last = (s.state[HELD] - 1 + DEPTH) % DEPTH;
    if (m < s.bright) s.weight[m] = s.state[BETTER] ? s.points[(size_t)last * s.bright + m] : s.best[m];
    if (m == 0) s.scalar[HEAVIEST] = s.scalar[KEPT];
}

// The pull of the errors at the sites on the pixels, with momentum; ends where level and darkness are good enough.
extern "C" __global__ void __launch_bounds__(THREADS)
    update_turn(Search s, double full, double uniformity, double darkness, int limit, float scale, float momentum) {
    if (s.state[DONE]) return;
    Level found = level(s, full);
    int turned = s.state[HELD];
    double excess = fmax((1 - found.uniformity) / (1 - uniformity), found.crosstalk / darkness);
    double before = turned ? s.least[turned - 1] : 1e300;
    bool better = excess < before, done = excess <= 1 || turned + 1 >= limit || !(excess == excess);
    __syncthreads();
    if (threadIdx.x == 0) {
        s.least[turned] = better ? excess : before;
        s.state[HELD]++;
        s.state[COUNT]++;
        s.state[BETTER] = better;
        s.state[DONE] = done;
        if (better) keep(s, found);
    }
    EACH(m, s.n) {
        float2 field = s.fields[m];
        if (m < s.bright) field = field * (logf(modulus(field) / s.goal[m]) - (float)found.mean);
        s.pull[m] = s.pull[m] * momentum - field * scale;
        s.values[m] = s.pull[m];
    }
    __syncthreads();
    float most = 0;
    EACH(m, s.n) most = fmaxf(most, modulus(s.values[m]));
    scaled(s, largest(most));
}

// ---------------------------------------------------------------------------------------------------------------------
// sites that move

extern "C" __global__ void count_frame(int* frame) { ++*frame; }

// What changes from one frame to the next: the wanted moduli, and the phases of the waves, so that the mask changes least.
extern "C" __global__ void carry(Search s, const double* xyz, const float* goals, float* goal, const int* frame, double x, double y, double z) {
    int m = blockIdx.x * blockDim.x + threadIdx.x;
    if (m >= s.n) return;
    size_t place = (size_t)*frame * s.n + m;
    const double *here = xyz + 3 * place, *before = here - 3 * (size_t)s.n;
    double angle = (here[0] - before[0]) * x + (here[1] - before[1]) * y + (here[2] - before[2]) * z;
    s.phase[m] = (float)remainder(s.phase[m] - angle, 6.283185307179586);
    goal[m] = goals[place];
}

// Light of each site over its target at a share of the way between two frames, pixel envelope included: at the start of the way into
// `before`, later the least of all into `lowest`.
extern "C" __global__ void light_between(const float2* fields, const double* xyz, const float* target, const int* frame, int n, double share,
                                         double half_side, float* before, float* lowest) {
    int m = blockIdx.x * blockDim.x + threadIdx.x;
    if (m >= n) return;
    const double* there = xyz + 3 * ((size_t)*frame * n + m);
    double envelope = 1;
    for (int k = 0; k < 2; k++) {
        double angle = half_side * (there[k] + (1 - share) * (there[k - 3 * n] - there[k]));
        envelope *= fabs(angle) > 1e-9 ? sin(angle) / angle : 1;
    }
    float2 field = fields[m] * (float)envelope;
    float light = (field.x * field.x + field.y * field.y) / target[m];
    if (share == 0) before[m] = light;
    lowest[m] = share == 0 ? 3e38f : fminf(lowest[m], light);
}
