// What CUDA C++ needs to run on the processor: the threads of a block take turns, each on a stack of its own.
#include <setjmp.h>
#include <ucontext.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <cstring>
#include <vector>
using std::abs, std::atan2, std::cos, std::exp, std::fabs, std::floor, std::hypot, std::isfinite, std::isinf, std::log, std::max, std::min, std::pow, std::sin,
    std::sqrt, std::vector;

#define __global__
#define __device__
#define __shared__ static
#define __restrict__
#define __launch_bounds__(...)

struct Index {
    int x, y, z;
};
struct float2 {
    float x, y;
};
static inline float2 make_float2(float x, float y) { return {x, y}; }
static Index blockIdx, blockDim, gridDim, threadIdx;
static char shared_memory[1 << 18];

struct Thread {
    ucontext_t context;
    vector<char> stack = vector<char>(1 << 17);
    jmp_buf place;
    bool begun, done, waits;
};
static ucontext_t scheduler;
static jmp_buf back;  // jumps cost a hundredth of an exchange of contexts
static vector<Thread*> threads;
static int turn_of;
static void (*kernel_of)(void**);
static void** arguments_of;

static void pass() {
    if (!_setjmp(threads[turn_of]->place)) _longjmp(back, 1);
}
static void __syncthreads() {
    threads[turn_of]->waits = true;
    pass();
}
static void __threadfence() {}
static double given[1024];
template <class T> T __shfl_xor_sync(unsigned, T value, int far) {  // whole warps call it; each has one turn between two passes
    int own = turn_of;
    given[own] = value;
    pass();
    T found = (T)given[own ^ far];
    pass();
    return found;
}
template <class T> T atomicAdd(T* place, T value) {
    T before = *place;
    *place += value;
    return before;
}
static inline int atomicMax(int* place, int value) {
    int before = *place;
    *place = max(before, value);
    return before;
}
static inline int __float2int_rn(float value) { return (int)lrintf(value); }
static inline float rsqrtf(float value) { return 1 / sqrtf(value); }

static void one_thread() {
    kernel_of(arguments_of);
    threads[turn_of]->done = true;
    _longjmp(back, 1);
}

static void enter(Thread& thread) {
    if (_setjmp(back)) return;
    if (thread.begun) _longjmp(thread.place, 1);
    thread.begun = true;
    setcontext(&thread.context);
}

static void one_block() {
    memset(shared_memory, 0xff, sizeof shared_memory);  // not a number: nothing may count on zeros
    for (int t = 0; t < blockDim.x; t++) {
        Thread& thread = *threads[t];
        thread.begun = thread.done = thread.waits = false;
        getcontext(&thread.context);
        thread.context.uc_stack.ss_sp = thread.stack.data();
        thread.context.uc_stack.ss_size = thread.stack.size();
        thread.context.uc_link = &scheduler;
        makecontext(&thread.context, one_thread, 0);
    }
    for (bool alive = true; alive;) {
        bool ran = alive = false;
        for (int t = 0; t < blockDim.x; t++) {
            if (threads[t]->done) continue;
            alive = true;
            if (threads[t]->waits) continue;
            ran = true;
            turn_of = t;
            threadIdx = {t, 0, 0};
            enter(*threads[t]);
        }
        if (!ran)
            for (Thread* thread : threads) thread->waits = false;  // all have come to the barrier
    }
}

static void on_grid(void (*kernel)(void**), int wide, int high, int deep, int many, void** arguments) {
    kernel_of = kernel;
    arguments_of = arguments;
    blockDim = {many, 1, 1};
    gridDim = {wide, high, deep};
    while ((int)threads.size() < many) threads.push_back(new Thread);
    for (int z = 0; z < deep; z++)
        for (int y = 0; y < high; y++)
            for (int x = 0; x < wide; x++) {
                blockIdx = {x, y, z};
                one_block();
            }
}
