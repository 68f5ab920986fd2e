"""Small corrections of a mask, so that what the panel really shows is level.

A panel shows steps of phase, and each step is a small error that every site feels. Trimming closes the loop around the
steps: it changes the wanted phase by far less than a step, here and there a pixel crosses to the next level, and the sites
come level with the errors included.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import CPU, ComplexArray, Device, kernel, namespace, to_device, to_host
from holo.checks import check_finite
from holo.field.path import LightPath
from holo.field.sites import SiteTransform
from holo.field.window import WindowTransform, sine_and_cosine
from holo.field.window_gpu import GpuWindow

Phase = NDArray[np.floating[Any]]

GAIN = 0.4
"""Share of the measured error that a step corrects: small, since every pixel that crosses to another level adds an error."""


@dataclass(frozen=True, eq=False)
class Trim:
    """A mask corrected for what the panel makes of it."""

    phase: Phase
    """Phase to ask the panel for, rad, shape (rows, columns); not wrapped."""
    uniformity: float
    """Uniformity of the light that the panel then makes."""
    history: tuple[float, ...]
    """Uniformity at each step, the first one before any correction."""


def uniformity_of(ratio: NDArray[np.float64]) -> float:
    """Uniformity ``1 - (max r - min r) / (max r + min r)`` of the ratios of intensity to target.

    Di Leonardo, Ianni and Ruocco, Opt. Express 15, 1913 (2007), section 2.

    Examples
    --------
    >>> uniformity_of(np.array([0.5, 1.0, 1.5]))
    0.5
    """
    return float(1 - (ratio.max() - ratio.min()) / (ratio.max() + ratio.min()))


def trim(
    path: LightPath,
    phase: Phase,
    xyz_um: NDArray[np.floating[Any]],
    target: NDArray[np.floating[Any]],
    shown: Callable[[Phase], Phase],
    *,
    steps: int,
) -> Trim:
    """Level the sites as the panel shows them.

    Parameters
    ----------
    path : LightPath
        The light path.
    phase : ndarray, shape (rows, columns)
        Phase of a mask that is nearly level, rad.
    xyz_um : ndarray, shape (n, 3)
        Sites in the objective plane, um.
    target : ndarray, shape (n,)
        Relative intensities, all positive.
    shown : callable
        What the panel makes of a wanted phase, rad to rad, in the same shape.
    steps : int
        Corrections to try; the best is kept.

    Returns
    -------
    Trim

    Notes
    -----
    With ``E`` the field on the panel, ``d log|V_m| / d phi_p = -Im(E_p exp(-i k x_p X_m) / V_m)``. The rows of this Jacobian
    have the squared norm ``P / (2 |V_m|^2)``, ``P`` the power in the pupil, so the correction ``Im(conj(E) adjoint(2 c_m V_m / P))``
    changes the logarithm of ``|V_m|`` by ``c_m`` on the average; over the sites the eigenvalues of this map lie between 0 and 2.
    A share `GAIN` of the measured errors is added up in ``c``. Rounding leaves a new error where pixels cross to another level,
    in proportion to the root of the correction, so that the error shrinks about sevenfold at 8 bits and not to nothing.

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> from holo.field.path import light_path
    >>> from holo.retrieve.spots import retrieve_spots
    >>> path = light_path(parse_bench(demo_bench_text(), "bench.toml"))
    >>> sites = np.array([[60.0, 40.0, 0.0], [65.0, 40.0, 0.0], [60.0, 45.0, 0.0]])
    >>> phase = retrieve_spots(path, sites, np.ones(3), rng=np.random.default_rng(0)).phase
    >>> trimmed = trim(path, phase, sites, np.ones(3), lambda phase: np.round(phase / 0.1) * 0.1, steps=4)
    >>> trimmed.uniformity > trimmed.history[0]
    True
    """
    for name, values in (("phase", phase), ("target", target)):
        check_finite(name, values)
    transform = SiteTransform(path, xyz_um)
    goal = np.sqrt(np.asarray(target, np.float64)) / path.envelope(np.asarray(xyz_um, np.float64))
    amplitude = path.amplitude.astype(np.float32)

    def light(real: Phase) -> NDArray[np.complex64]:
        out = np.empty(amplitude.shape, np.complex64)
        _light(amplitude, np.asarray(real, np.float64), path.aberration, out)
        return out

    start = light(phase)
    fields = transform.forward(start)
    power = float(np.sum(path.amplitude**2))
    change = np.zeros(len(goal))
    best, history = Trim(phase, -np.inf, ()), []
    wanted = phase
    for step in range(steps + 1):
        moduli = np.abs(transform.forward(light(shown(wanted)))).astype(np.float64)
        history.append(uniformity_of((moduli / goal) ** 2))
        if history[-1] > best.uniformity:
            best = Trim(wanted, history[-1], ())
        if step == steps:
            break
        error = np.log(moduli / goal)
        change -= GAIN * (error - np.average(error, weights=moduli**2))  # as much light as before
        wanted = phase + np.imag(start.conj() * transform.adjoint(2 * change * fields / power))
    return replace(best, history=tuple(history))


def trim_window(
    window: WindowTransform,
    phase: Phase,
    region: NDArray[np.bool_],
    bright: NDArray[np.bool_],
    shown: Callable[[Phase], Phase],
    *,
    steps: int,
    device: Device = CPU,
) -> Trim:
    """Bring continuous light, as the panel shows it, back to that of the wanted phase.

    Parameters
    ----------
    window : WindowTransform
        The light path, and the window that holds the light.
    phase : ndarray, shape (rows, columns)
        Phase of a mask whose light is as wanted, rad.
    region, bright : ndarray of bool, shape (ny, nx)
        Where the light is to stay as it is, and the part of it that is judged.
    shown : callable
        What the panel makes of a wanted phase, rad to rad, in the same shape.
    steps : int
        Corrections to try; the best is kept.
    device : Device
        Where to work; `shown` is given arrays there, and gives such.

    Returns
    -------
    Trim
        Its figures are 1 less the standard deviation of the shown intensity over the wanted one, over its mean.

    Notes
    -----
    As `trim`, on the moduli of the fields of a grid: over the pupil the eigenvalues of the map from asked to made changes are ``A^2`` over
    their greatest here.
    """
    box, phase, carrier, region, bright = window.box, *(to_device(part, device) for part in (phase, window.carrier, region, bright))
    plan, xp = GpuWindow(window, device) if device.is_gpu else window, namespace(carrier)
    start = plan.light((phase[box] + carrier).astype(np.float32))
    fields = plan.forward(start)
    wanted_moduli = np.abs(fields)
    unit = xp.where(region, fields / np.maximum(wanted_moduli, 1e-6 * wanted_moduli.max()), np.complex64(0))
    gain = 2 / (window.grid[0] * window.grid[1] * float(window.amplitude.max()) ** 2)
    change = xp.zeros(region.shape, np.float32)
    best, history = Trim(phase, -np.inf, ()), []
    wanted = phase
    for step in range(steps + 1):
        moduli = np.abs(plan.forward(plan.light((shown(wanted)[box] + carrier).astype(np.float32))))
        ratio = np.square((moduli[bright] / wanted_moduli[bright]).astype(np.float64))
        history.append(1 - float(to_host(ratio.std() / ratio.mean())))
        if history[-1] > best.uniformity:
            best = Trim(wanted, history[-1], ())
        if step == steps:
            break
        factor = np.sqrt(ratio.mean()).astype(np.float32)
        change -= np.float32(GAIN) * (moduli / factor - wanted_moduli)
        wanted = xp.array(phase, np.float64)
        wanted[box] += plan.pull(start, xp.asarray(unit * change, np.complex64)) * gain
    return replace(best, phase=to_host(best.phase), history=tuple(history))


@kernel
def _light(amplitude: NDArray[np.float32], phase: NDArray[np.float64], more: NDArray[np.float64], out: ComplexArray) -> None:
    """Light ``A exp(i (phase + more))``; whole turns are taken off before the rounding to float32."""
    for row in range(out.shape[0]):
        for column in range(out.shape[1]):
            angle = phase[row, column] + more[row, column]
            angle -= 2 * np.pi * np.floor(angle * (0.5 / np.pi) + 0.5)
            sine, cosine = sine_and_cosine(np.float32(angle))
            size = amplitude[row, column]
            out[row, column] = complex(size * cosine, size * sine)
