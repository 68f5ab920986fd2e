"""A test double of cupy: numpy's arrays under another name, and CUDA kernels compiled by g++ and run one thread to a block.

It shows that the code for a GPU runs and computes the right thing, not that it does so on a GPU: memory, speed and races are beyond it.
It is stricter than cupy about silent transfers: a host array in an operation with device arrays, a device array where numpy or an
``if`` wants a number, are errors; all copies to the host go through ``get``.
"""

from __future__ import annotations

import ctypes
import shutil
import subprocess
import sys
from itertools import product
from pathlib import Path
from types import ModuleType, SimpleNamespace

import numpy as np

SHIM = r"""
#include <cmath>
using namespace std;
#define __global__
#define __device__ static inline
#define __shared__ static
#define __syncthreads()
#define __restrict__
struct Index { unsigned x, y, z; };
static Index blockIdx, blockDim = {1, 1, 1}, gridDim, threadIdx = {0, 0, 0};
struct float2 { float x, y; };
static inline float2 make_float2(float x, float y) { return {x, y}; }
extern "C" void place(int x, int y, int z, int wide, int high, int deep) {
    blockIdx = {(unsigned)x, (unsigned)y, (unsigned)z};
    gridDim = {(unsigned)wide, (unsigned)high, (unsigned)deep};
}
"""


class ndarray(np.ndarray):
    """An array "on the device"."""

    def __array_ufunc__(self, ufunc, method, *inputs, out=None, **options):
        for value in inputs:
            if isinstance(value, np.ndarray) and not isinstance(value, ndarray):
                raise TypeError(f"{ufunc.__name__}: a host array among device arrays")
        if out is not None:
            options["out"] = tuple(plain(array) for array in out)
        found = getattr(ufunc, method)(*map(plain, inputs), **options)
        return on_device(found) if out is None else out[0]

    def __array_function__(self, function, types, args, kwargs):
        raise TypeError(f"{function.__name__}: numpy's function of a device array")

    def get(self):
        return np.array(plain(self))

    def __float__(self):
        raise TypeError("a silent copy to the host: use get")

    __bool__ = __int__ = __complex__ = __index__ = __float__

    def __getitem__(self, key):
        return on_device(plain(self)[key_of(key)])

    def __setitem__(self, key, value):
        if isinstance(value, np.ndarray) and not isinstance(value, ndarray):
            raise TypeError("a host array put into a device array")
        plain(self)[key_of(key)] = plain(value)

    def __iter__(self):
        return iter([self[k] for k in range(len(self))])

    def item(self):
        raise TypeError("a silent copy to the host: use get")

    tolist = item


ndarray.__module__ = "cupy"


def plain(value):
    return value.view(np.ndarray) if isinstance(value, ndarray) else value


def key_of(key):
    return tuple(map(plain, key)) if isinstance(key, tuple) else plain(key)


def on_device(found):
    if isinstance(found, tuple):
        return tuple(map(on_device, found))
    return np.asarray(found).view(ndarray) if isinstance(found, np.ndarray | np.generic) else found


def lifted(name, function):
    def call(*args, **kwargs):
        flat = [*args, *kwargs.values()]
        if not name.startswith(("as", "array")) and any(isinstance(v, np.ndarray) and not isinstance(v, ndarray) for v in flat):
            raise TypeError(f"{name}: a host array given to the device")
        args = [tuple(map(plain, v)) if isinstance(v, tuple) else [*map(plain, v)] if isinstance(v, list) else plain(v) for v in args]
        return on_device(function(*args, **{key: plain(value) for key, value in kwargs.items()}))

    return call


class RawModule:
    """CUDA C, compiled for the host."""

    def __init__(self, code, options=(), folder=None):
        source = Path(self.folder) / f"k{abs(hash(code))}.cpp"
        library = source.with_suffix(".so")
        if not library.exists():
            source.write_text(SHIM + code)
            subprocess.run(["g++", "-O2", "-std=c++17", "-shared", "-fPIC", "-w", str(source), "-o", str(library)], check=True)
        self._library = ctypes.CDLL(str(library))

    def get_function(self, name):
        function, place = getattr(self._library, name), self._library.place
        function.restype = None

        def run(grid, block, args):
            assert int(np.prod(block)) <= 1024
            given = [argument(value) for value in args]
            grid = (*grid, 1, 1)[:3]
            for z, y, x in product(*map(range, grid[::-1])):
                place(x, y, z, *grid)
                function(*given)

        return run


def argument(value):
    if isinstance(value, ndarray):
        assert value.flags.c_contiguous
        return ctypes.c_void_p(value.ctypes.data)
    assert type(value) in (int, float, np.float64, np.int32), type(value)
    kind = ctypes.c_int if type(value) is np.int32 else ctypes.c_longlong if isinstance(value, int) else ctypes.c_double
    return kind(value)


def make_double(folder):
    """The module to put into ``sys.modules["cupy"]``; needs g++."""
    module = ModuleType("cupy")
    for name in dir(np):
        value = getattr(np, name)
        if callable(value) and not isinstance(value, type):
            setattr(module, name, lifted(name, value))
        elif isinstance(value, type | float):
            setattr(module, name, value)
    module.ndarray = ndarray
    module.RawModule = type("RawModule", (RawModule,), {"folder": folder})
    module.fft = SimpleNamespace(**{name: lifted(name, single(getattr(np.fft, name))) for name in ("fft", "ifft")})
    runtime = SimpleNamespace(CUDARuntimeError=RuntimeError, getDeviceCount=lambda: 1)
    module.cuda = SimpleNamespace(runtime=runtime)
    return module


def single(function):
    """A transform that stays complex64, as cupy's does and numpy's does from version 2 on."""

    def call(array, *args, **kwargs):
        return function(array, *args, **kwargs).astype(array.dtype)

    return call


def compiler():
    return shutil.which("g++")


def install(folder, patch):
    """Put the double in the place of cupy until `patch` (pytest's) is undone."""
    patch.setitem(sys.modules, "cupy", make_double(folder))
