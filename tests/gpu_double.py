"""A test double of cupy: numpy's arrays under another name, and CUDA kernels compiled by g++, whose threads take turns.

It shows that the code for a GPU runs and computes the right thing, not that it does so on a GPU: memory, speed and races are beyond it.
It is stricter than cupy about silent transfers: a host array in an operation with device arrays, a device array where numpy or an
``if`` wants a number, are errors; all copies to the host go through ``get``.
"""

from __future__ import annotations

import ctypes
import re
import shutil
import subprocess
import sys
from hashlib import sha256
from pathlib import Path
from types import ModuleType, SimpleNamespace

import numpy as np

THREADS = Path(__file__).with_name("gpu_threads.h")

KERNEL = re.compile(r'(?:extern "C" __global__ void|ON_PANEL)\s*(?:__launch_bounds__\((?:[^()]|\([^()]*\))*\)\s*)?(\w+)\s*\(([^)]*)\)\s*\{')
"""A kernel's name and its parameters."""

RECORDING: list[list] = []
"""Calls that are recorded instead of being made, while a stream is captured."""


def ask(call):
    """Make a call, or record it."""
    RECORDING[-1].append(call) if RECORDING else call()


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
        if function is np.shape:
            return plain(args[0]).shape
        raise TypeError(f"{function.__name__}: numpy's function of a device array")

    def get(self):
        return np.array(plain(self))

    def set(self, values):
        assert values.dtype == self.dtype
        plain(self)[...] = values

    def fill(self, value):
        ask(lambda: plain(self).fill(value))

    @property
    def data(self):
        return SimpleNamespace(ptr=self.ctypes.data)

    def __float__(self):
        raise TypeError("a silent copy to the host: use get")

    __bool__ = __int__ = __complex__ = __index__ = __float__

    def __getitem__(self, key):
        return on_device(plain(self)[key_of(key)])

    def __setitem__(self, key, value):
        if isinstance(value, np.ndarray) and not isinstance(value, ndarray):
            raise TypeError("a host array put into a device array")
        if key is Ellipsis:
            ask(lambda: plain(self).__setitem__(key, plain(value)))
        else:
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
    """CUDA C++, compiled for the host."""

    def __init__(self, code, options=(), folder=None):
        name = sha256(code.encode()).hexdigest()[:16]
        source = Path(self.folder) / f"k{name}.cpp"
        library = source.with_suffix(".so")
        if not library.exists():
            source.write_text(translated(code))
            subprocess.run(["g++", "-O1", "-std=c++17", "-shared", "-fPIC", "-w", str(source), "-o", str(library)], check=True)
        self._library = ctypes.CDLL(str(library))
        self._whole_blocks = "extern __shared__" in code  # kernels without do with a thread for each block, which is quicker here

    def get_function(self, name):
        return Kernel(getattr(self._library, f"launch_{name}"), self._whole_blocks)


def translated(code):
    """C++ for the host with a function ``launch_NAME(grid, block, arguments)`` for each kernel."""
    kernels = KERNEL.findall(code)
    code = re.sub(r"extern __shared__ (\w+) (\w+)\[\];", r"static \1* \2 = (\1*)shared_memory;", code).replace('extern "C" ', "static ")
    calls = []
    for name, parameters in kernels:
        kinds = [re.sub(r"\w+\s*$", "", parameter).strip() for parameter in parameters.split(",")]
        given = ", ".join(f"*({kind.replace('__restrict__', '')}*)given[{k}]" for k, kind in enumerate(kinds))
        calls.append(
            f"static void call_{name}(void** given) {{ {name}({given}); }}\n"
            f'extern "C" void launch_{name}(int x, int y, int z, int many, void** given) {{\n'
            f"    on_grid(call_{name}, x, y, z, many, given);\n}}\n"
        )
    return f'#include "{THREADS}"\n{code}\n{"".join(calls)}'


class Kernel:
    """A kernel; its threads run one after another, each up to the next barrier."""

    def __init__(self, function, whole_blocks):
        self._function, self._whole_blocks, self.max_dynamic_shared_size_bytes = function, whole_blocks, 48 * 1024

    def __call__(self, grid, block, args, shared_mem=0):
        assert int(np.prod(block)) <= 1024
        assert shared_mem <= self.max_dynamic_shared_size_bytes
        kept = [argument(value) for value in args]
        places = (ctypes.c_void_p * len(kept))(*(value.ctypes.data for value in kept))
        x, y, z = (int(size) for size in (*grid, 1, 1)[:3])
        threads = int(np.prod(block)) if self._whole_blocks else 1
        ask(lambda: (self._function(x, y, z, threads, places), kept, args))


def argument(value):
    """What a kernel is given by value: a number, a structure, or the address of an array on the device."""
    if value is None or isinstance(value, ndarray):
        assert value is None or value.flags.c_contiguous
        return np.array(0 if value is None else value.ctypes.data, np.uint64)
    assert type(value) in (int, float, np.float64, np.float32, np.int32) or (isinstance(value, np.ndarray) and value.dtype.names), type(
        value
    )
    return np.array(value)


class Stream:
    """A stream, in which everything is done at once."""

    ptr = 0

    def __init__(self, non_blocking=False):
        pass

    def __enter__(self):
        return self

    def __exit__(self, *_):
        pass

    def begin_capture(self):
        RECORDING.append([])

    def end_capture(self):
        calls = RECORDING.pop()
        return SimpleNamespace(launch=lambda: [call() for call in calls])

    def wait_event(self, event):
        assert event.recorded


class Event:
    """What a stream has come to."""

    def __init__(self, disable_timing=False):
        self.recorded = False

    def record(self, stream):
        self.recorded = True

    def synchronize(self):
        assert self.recorded


def copy_bytes(to, start, size, kind, stream):
    assert not RECORDING
    ctypes.memmove(to, start, size)


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
    runtime = SimpleNamespace(CUDARuntimeError=RuntimeError, getDeviceCount=lambda: 1, memcpyDeviceToHost=2, memcpyAsync=copy_bytes)
    module.cuda = SimpleNamespace(
        runtime=runtime, Stream=Stream, Event=Event, get_current_stream=Stream, alloc_pinned_memory=lambda size: bytearray(size)
    )
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
