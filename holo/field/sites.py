"""Light from the panel to arbitrary points of the objective plane, and back.

Two independent ways: `direct_fields`, the float64 sum itself, for the figures that holo reports; and `SiteTransform`, a
non-uniform fast Fourier transform, for the iterations that find a mask.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import ComplexArray, Workers, core_count
from holo.checks import check_finite
from holo.errors import InputError
from holo.field import grid
from holo.field.grid import WIDTH, WIDTH_COARSE
from holo.field.path import LightPath
from holo.plans import empty_complex, fourier_lines

BLOCK = 32
"""Rows, or columns, that one thread transforms at a time, few enough to stay in its cache."""


def direct_fields(path: LightPath, phase: NDArray[np.floating[Any]], xyz_um: NDArray[np.floating[Any]]) -> NDArray[np.complex128]:
    """Field at points of the objective plane by the float64 sum over all pixels.

    Parameters
    ----------
    path : LightPath
        The light path.
    phase : ndarray, shape (rows, columns)
        Phase of the panel, rad.
    xyz_um : ndarray, shape (n, 3)
        Points (x, y, z), um.

    Returns
    -------
    ndarray of complex128, shape (n,)
        Field over the field of an unsplit focus, pixel envelope included: ``|.|**2`` is the relative intensity.

    Notes
    -----
    ``V(X, Y, Z) = sum_p A_p exp(i (phi_p + psi_p - k (x_p X + y_p Y) - d_p Z))`` with ``k = 2 pi / (lambda f)``: the
    Fraunhofer integral of the pixel grid (Goodman, Introduction to Fourier Optics, ch. 4 and 5), summed as two matrix
    products per plane because the exponential separates.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> from holo.field.path import light_path
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> path = light_path(replace(bench, panel=replace(bench.panel, rows=50, columns=60, pitch_um=200.0)))
    >>> ramp = path.scale * 6.0 * path.x_um + np.zeros((50, 1))  # sends the light to x = 6 um
    >>> (abs(direct_fields(path, ramp, np.array([[6.0, 0, 0], [-6.0, 0, 0]]))) ** 2).round(3)
    array([0.93, 0.  ])
    """
    points = np.asarray(xyz_um, np.float64)
    check_finite("xyz_um", points)
    rows, columns = pupil_box(path)
    base, defocus = panel_light(path, phase)[rows, columns], path.defocus[rows, columns]
    fields = np.empty(len(points), np.complex128)
    for depth in np.unique(points[:, 2]):
        chosen = np.flatnonzero(points[:, 2] == depth)
        light = base * np.exp(-1j * defocus * depth) if depth else base
        for part in np.array_split(chosen, -(-len(chosen) // 1024)):
            across = np.exp(-1j * path.scale * np.outer(path.x_um[columns], points[part, 0]))
            down = np.exp(-1j * path.scale * np.outer(path.y_um[rows], points[part, 1]))
            fields[part] = np.einsum("rm,rm->m", down, light @ across)
    return fields * path.envelope(points) / path.amplitude_sum


def panel_light(path: LightPath, phase: NDArray[np.floating[Any]]) -> NDArray[np.complex128]:
    """Light just behind the panel, aberration included, shape (rows, columns): ``A exp(i (phi + psi))``.

    Parameters
    ----------
    path : LightPath
    phase : ndarray, shape (rows, columns)
        Of the mask, rad.

    Returns
    -------
    ndarray of complex, shape (rows, columns)

    Raises
    ------
    InputError
        If `phase` has not the panel's shape, or is not finite.
    """
    if np.shape(phase) != path.amplitude.shape:
        raise InputError(f"phase: found shape {np.shape(phase)}; allowed: {path.amplitude.shape}, the panel's")
    check_finite("phase", phase)
    box = pupil_box(path)
    light = np.zeros(path.amplitude.shape, np.complex128)
    light[box] = path.amplitude[box] * np.exp(1j * (np.asarray(phase, np.float64)[box] + path.aberration[box]))
    return light


def pupil_box(path: LightPath) -> tuple[slice, slice]:
    """Smallest block of rows and columns of the panel that holds all its light.

    Parameters
    ----------
    path : LightPath
        Of a bench.

    Returns
    -------
    rows, columns : slice
    """
    rows, columns = (np.flatnonzero(path.amplitude.any(axis=axis)) for axis in (1, 0))
    return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)


SHARE = 2048
"""Sites whose fields one thread gathers at a time."""


class SiteTransform:
    """A plan for the light between one panel and one set of points: non-uniform fast Fourier transforms in float32.

    Parameters
    ----------
    path : LightPath
        The light path.
    xyz_um : ndarray, shape (n, 3)
        Points in the objective plane, um. Points of equal z share a plane; the cost goes with the number of planes and
        hardly with the number of points.
    whole_panel : bool
        Whether the pixels outside the pupil, which carry no light, take part too.
    coarse : bool
        Whether an error of 1e-3 will do, for fewer operations.

    Notes
    -----
    Points are spread over a grid `OVERSAMPLING` times as fine as the panel's own (`holo.field.grid`) and a Fourier transform
    follows. Because the points fill a band of the grid's rows only, the transform along rows runs over that band, and the one
    along columns goes block by block through the cache, where `project` at once replaces the modulus and transforms back: the
    field on the panel is never written to memory.

    The error of a field of `forward` is below 5e-5 of ``sqrt(sum |E_p|^2)``, ``E`` the field on the panel (tested against the plain sum):
    next to the field of one of n sites that is 5e-5 times the root of n over the number of pixels. `project` comes to 3e-5 on 256 x 256
    pixels, 9e-5 on 1024 x 1024 and 4e-4 on 4096 x 4096 (``tests/benchmarks/numerics.py``), where the superposition all but vanishes on
    some pixels, whose phase is then anybody's.

    The methods leave out the pixel envelope, which is a factor per site.

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> from holo.field.path import light_path
    >>> path = light_path(parse_bench(demo_bench_text(), "bench.toml"))
    >>> transform = SiteTransform(path, np.array([[60.0, 40.0, 0.0], [65.0, 40.0, 0.0]]))
    >>> fields = transform.project(np.array([1.0, 1.0j]))
    >>> print(np.round(abs(fields) / path.amplitude_sum, 2))
    [0.64 0.64]
    """

    def __init__(self, path: LightPath, xyz_um: NDArray[np.floating[Any]], *, whole_panel: bool = False, coarse: bool = False) -> None:
        points = np.asarray(xyz_um, np.float64)
        everything = (slice(0, len(path.y_um)), slice(0, len(path.x_um)))
        self.path = path
        self._box = everything if whole_panel else pupil_box(path)
        self.covers_panel = self._box == everything
        y, x = path.y_um[self._box[0]], path.x_um[self._box[1]]
        self._size = (len(y), len(x))
        self._grid = (grid.grid_length(len(y)), grid.grid_length(len(x)))
        self._width = WIDTH_COARSE if coarse else WIDTH
        self._place(points, x, y)
        light = path.amplitude[self._box].T.astype(np.float32, order="C")  # the columns of the panel are what goes through the cache
        light *= self._down.correction.astype(np.float32)
        light *= self._across.correction[:, None].astype(np.float32)
        self._light = light
        self._refocus()
        self._reserve()

    def moved(self, xyz_um: NDArray[np.floating[Any]]) -> SiteTransform:
        """The plan for other points, made from this one in a fraction of the time.

        Parameters
        ----------
        xyz_um : ndarray, shape (n, 3)
            Points in the objective plane, um; their number may differ.

        Returns
        -------
        SiteTransform
            It shares this one's memory and threads: use them one at a time.
        """
        other, old = copy(self), self._depths
        other._place(np.asarray(xyz_um, np.float64), self.path.x_um[self._box[1]], self.path.y_um[self._box[0]])
        if not np.array_equal(old, other._depths):
            other._refocus()
        rows = other._band * len(other._depths)
        if rows > len(other._store):
            other._store = empty_complex((rows + rows // 4, other._grid[1]))
        other._bands = other._store[:rows]
        if len(other._depths) > 1 and not other._sums:
            other._sums = other._space_for_sums()
        elif len(other._depths) == 1:
            other._sums = []
        return other

    def _refocus(self) -> None:
        """What the depth of each plane does to the light of each pixel."""
        defocus = self.path.defocus[self._box]
        self._defocus = [np.exp(-1j * defocus.T * depth).astype(np.complex64, order="C") if depth else None for depth in self._depths]

    def _place(self, points: NDArray[np.float64], x: NDArray[np.float64], y: NDArray[np.float64]) -> None:
        """Where on the grid the points lie, in the order of their rows."""
        check_finite("xyz_um", points)
        width = self._width
        self._depths, plane = np.unique(points[:, 2], return_inverse=True)
        self._across = grid.axis(points[:, 0], x, self.path.scale, self._grid[1], width, shift=False)
        self._down = grid.axis(points[:, 1], y, self.path.scale, self._grid[0], width, shift=True)
        self._band = int(self._down.start.max()) + width
        row = self._down.start + self._band * plane.reshape(-1)
        self._order = np.argsort(row, kind="stable")
        self._points = (
            row[self._order],
            np.ascontiguousarray(self._down.weights[self._order]),
            self._across.start[self._order],
            np.ascontiguousarray(self._across.weights[self._order]),
        )
        self._factor = self._down.factor * self._across.factor
        rows = np.arange(self._band * len(self._depths))
        self._first = np.searchsorted(self._points[0], rows - width + 1, side="left")
        self._last = np.searchsorted(self._points[0], rows, side="right")

    def _reserve(self) -> None:
        """Memory for the bands and, for each thread, blocks of rows and columns."""
        small = self._grid[0] * self._grid[1] < 2**17  # handing work to threads would cost more than it saves
        self._workers = Workers(1 if small else core_count())
        self._store = empty_complex((self._band * len(self._depths), self._grid[1]))
        self._bands = self._store
        lines = {length: fourier_lines(self._workers.count, BLOCK, length, timed=not small) for length in set(self._grid)}
        self._columns, self._rows = (lines[length] for length in self._grid)
        self._sums = self._space_for_sums() if len(self._depths) > 1 else []

    def _space_for_sums(self) -> list[ComplexArray]:
        """For each thread, a block of columns in which the light of several planes is added up."""
        return [empty_complex((BLOCK, self._grid[0])) for _ in range(self._workers.count)]

    def project(self, values: NDArray[np.complexfloating[Any, Any]]) -> NDArray[np.complex64]:
        """Fields at the sites of the mask whose phase is that of ``adjoint(values)``: one whole iteration.

        Parameters
        ----------
        values : ndarray of complex, shape (n,)
            Weight and phase of each site's share in the mask.

        Returns
        -------
        ndarray of complex64, shape (n,)
        """

        def columns(worker: int, start: int, stop: int) -> None:
            summed = self._superpose(worker, start, stop)
            grid.replace_modulus(summed, self._down.first, self._light, start, stop)
            self._send(worker, summed, start, stop)

        self._spread(values)
        self._share_columns(columns)
        return self._collect()

    def unit(self, values: NDArray[np.complexfloating[Any, Any]]) -> NDArray[np.complex64]:
        """Phase factors of ``adjoint(values)``, from which `turn` goes on.

        Parameters
        ----------
        values : ndarray of complex, shape (n,)

        Returns
        -------
        ndarray of complex64
            One row for each column of the part of the panel that the plan covers, and up to a phase ramp that is the plan's own.
        """
        factors = np.empty(self._light.shape, np.complex64)

        def columns(worker: int, start: int, stop: int) -> None:
            grid.unit_columns(self._superpose(worker, start, stop), self._down.first, factors, start, stop)

        self._spread(values)
        self._share_columns(columns)
        return factors

    def turn(self, unit: NDArray[np.complex64], values: NDArray[np.complexfloating[Any, Any]]) -> NDArray[np.complex64]:
        """Turn the phase of every pixel by ``Im(conj(E) adjoint(values))``, and give the fields at the sites thereafter.

        Parameters
        ----------
        unit : ndarray of complex64
            Phase factors as `unit` gives them, changed in place; ``E`` is the beam's amplitude times them.
        values : ndarray of complex, shape (n,)
            Changes of the fields that are aimed at, times twice the inverse of the power in the pupil.

        Returns
        -------
        ndarray of complex64, shape (n,)

        Notes
        -----
        The first-order change of ``V_m`` is ``sum_p i E_p dphi_p exp(-i k x_p X_m)``. With this turn it is half of ``values_m`` times
        the power, and a sum over the other values that nearly cancels when the sites are few against the pixels.
        """

        def columns(worker: int, start: int, stop: int) -> None:
            summed = self._superpose(worker, start, stop)
            grid.turn_columns(summed, self._down.first, unit, self._light, start, stop)
            self._send(worker, summed, start, stop)

        self._spread(values)
        self._share_columns(columns)
        return self._collect()

    def angle_between(self, before: NDArray[np.complex64], after: NDArray[np.complex64]) -> NDArray[np.float32]:
        """Angle from one state of the phase factors of `unit` to another, rad, in the shape of the panel; 0 beyond the plan's part.

        Parameters
        ----------
        before, after : ndarray of complex64
            As `unit` gives them, in the shape of the plan's part.

        Returns
        -------
        ndarray of float32, shape (rows, columns)
            In (-pi, pi].
        """
        angle = np.zeros(self.path.amplitude.shape, np.float32)
        angle[self._box] = np.angle(after * before.conj()).T
        return angle

    def forward(self, field: NDArray[np.complexfloating[Any, Any]]) -> NDArray[np.complex64]:
        """Fields at the sites of a field on the panel.

        Parameters
        ----------
        field : ndarray of complex, shape (rows, columns)
            Field just behind the panel; without `whole_panel` only pixels inside the pupil's bounding box count.

        Returns
        -------
        ndarray of complex64, shape (n,)
            ``sum_p field_p exp(-i (k (x_p X + y_p Y) + d_p Z))``.
        """
        inside = np.asarray(field)[self._box]
        down = (self._down.correction * np.exp(-1j * self._down.ramp)).astype(np.complex64)[:, None]
        across = self._across.correction.astype(np.float32)

        def columns(worker: int, start: int, stop: int) -> None:
            light = np.zeros((BLOCK, self._grid[0]), np.complex64)
            light[: stop - start, self._pixels] = (inside[:, start:stop] * down * across[start:stop]).T
            self._send(worker, light, start, stop)

        self._share_columns(columns)
        return self._collect()

    def adjoint(self, values: NDArray[np.complexfloating[Any, Any]]) -> NDArray[np.complex64]:
        """Field on the panel that sends `values` to the sites: the adjoint of `forward`.

        Parameters
        ----------
        values : ndarray of complex, shape (n,)

        Returns
        -------
        ndarray of complex64, shape (rows, columns)
            ``sum_m values_m exp(+i (k (x_p X_m + y_p Y_m) + d_p Z_m))``; without `whole_panel` 0 outside the pupil's bounding box.
        """
        panel = np.zeros(self.path.amplitude.shape, np.complex64)
        inside = panel[self._box]
        down = (self._down.correction * np.exp(1j * self._down.ramp))[:, None]

        def columns(worker: int, start: int, stop: int) -> None:
            light = self._superpose(worker, start, stop)[: stop - start, self._pixels].T
            inside[:, start:stop] = light * down * self._across.correction[start:stop]

        self._spread(values)
        self._share_columns(columns)
        return panel

    def mask_phase(self, values: NDArray[np.complexfloating[Any, Any]], moved_um: tuple[float, float] = (0.0, 0.0)) -> NDArray[np.float32]:
        """Phase of the mask whose light has the phase of ``adjoint(values)``: the aberration of the path is taken off.

        Parameters
        ----------
        values : ndarray of complex, shape (n,)
        moved_um : (float, float)
            x and y by which the light is moved in the objective plane.

        Returns
        -------
        ndarray of float32, shape (rows, columns)
            rad in [0, 2 pi); without `whole_panel` 0 outside the pupil's bounding box.
        """
        phase = np.zeros(self.path.amplitude.shape, np.float32)
        inside, aberration = phase[self._box], self.path.aberration[self._box]
        across = self.path.scale * moved_um[0] * self.path.x_um[self._box[1]]
        down = self.path.scale * moved_um[1] * self.path.y_um[self._box[0]] + self._down.ramp

        def columns(worker: int, start: int, stop: int) -> None:
            grid.phase_columns(self._superpose(worker, start, stop), self._down.first, down, across, aberration, inside, start, stop)

        self._spread(values)
        self._share_columns(columns)
        return phase

    def mask_levels(
        self,
        values: NDArray[np.complexfloating[Any, Any]],
        offset: NDArray[np.float32],
        choices: tuple[NDArray[np.uint16], NDArray[np.uint16]],
        last: NDArray[np.uint16],
    ) -> NDArray[np.uint16]:
        """Levels of the mask whose light has the phase of ``adjoint(values)``: `mask_phase` and rounding in one pass.

        Parameters
        ----------
        values : ndarray of complex, shape (n,)
        offset : ndarray of float32, shape (rows, columns)
            What is to be added to the phase, in turns.
        choices : two ndarrays of uint16, shape (parts,)
            For each part of a turn, of equal size, two levels that make this phase; they may be the same.
        last : ndarray of uint16, shape (rows, columns)
            What the panel showed before; of two levels the nearer one is taken.

        Returns
        -------
        ndarray of uint16, shape (rows, columns)
            Without `whole_panel` as `last` outside the pupil's bounding box.
        """
        levels = last.copy()
        inside, before, shift = levels[self._box], last[self._box], offset[self._box]
        down = (self._down.ramp / (2 * np.pi)).astype(np.float32)

        def columns(worker: int, start: int, stop: int) -> None:
            summed = self._superpose(worker, start, stop)
            grid.level_columns(summed, self._down.first, down, shift, *choices, before, inside, start, stop)

        self._spread(values)
        self._share_columns(columns)
        return levels

    def _share_columns(self, work: Callable[[int, int, int], None]) -> None:
        """Call ``work(worker, start, stop)`` for each block of columns of the panel."""
        self._workers.share(lambda worker, start: work(worker, start, min(start + BLOCK, self._size[1])), range(0, self._size[1], BLOCK))

    @property
    def _pixels(self) -> slice:
        """The points of a line of the grid that the pixels of a column of the panel take."""
        return slice(self._down.first, self._down.first + self._size[0])

    def _plane(self, plane: int) -> ComplexArray:
        """The band of a plane."""
        return self._bands[plane * self._band : (plane + 1) * self._band]

    def _spread(self, values: NDArray[np.complexfloating[Any, Any]]) -> None:
        """Lay the sites on the grid and transform along rows; leaves the result in the bands."""
        ordered = (np.asarray(values, np.complex64) * self._factor.conj())[self._order]

        def rows(worker: int, start: int) -> None:
            block, stop = self._rows[worker], min(start + BLOCK, len(self._bands))
            grid.spread_rows(ordered, self._first, self._last, *self._points, block.buffer, start, stop)
            block.plus()
            self._bands[start:stop] = block.buffer[: stop - start]

        self._workers.share(rows, range(0, len(self._bands), BLOCK))

    def _collect(self) -> NDArray[np.complex64]:
        """Transform the bands along rows and gather the fields at the sites."""
        fields = np.empty(len(self._order), np.complex64)
        pixels = slice(self._across.first, self._across.first + self._size[1])

        def rows(worker: int, start: int) -> None:
            block, stop = self._rows[worker], min(start + BLOCK, len(self._bands))
            block.buffer[:, : pixels.start] = 0
            block.buffer[:, pixels.stop :] = 0
            block.buffer[stop - start :] = 0
            block.buffer[: stop - start, pixels] = self._bands[start:stop, pixels]
            block.minus()
            self._bands[start:stop] = block.buffer[: stop - start]

        def sites(_: int, start: int) -> None:
            grid.gather(self._bands, *self._points, self._order, fields, start, min(start + SHARE, len(fields)))

        self._workers.share(rows, range(0, len(self._bands), BLOCK))
        self._workers.share(sites, range(0, len(fields), SHARE))
        fields *= self._factor
        return fields

    def _superpose(self, worker: int, start: int, stop: int) -> ComplexArray:
        """Columns `start` to `stop` of the field that the bands send to the panel, summed over the planes; one column a line."""
        lines, first = self._columns[worker], self._across.first
        for plane, defocus in enumerate(self._defocus):
            grid.load_columns(self._plane(plane), lines.buffer, first + start, first + stop)
            lines.plus()
            if defocus is not None:
                grid.multiply_columns(lines.buffer, self._down.first, defocus, start, stop, True)
            if self._sums and plane == 0:
                self._sums[worker][:] = lines.buffer
            elif self._sums:
                self._sums[worker] += lines.buffer
        return self._sums[worker] if self._sums else lines.buffer

    def _send(self, worker: int, light: ComplexArray, start: int, stop: int) -> None:
        """Transform light on columns `start` to `stop` of the panel, one a line, and put it into the bands of every plane."""
        lines, first, pixels = self._columns[worker], self._across.first, self._pixels
        for plane, defocus in enumerate(self._defocus):
            if light is not lines.buffer:
                lines.buffer[:, pixels] = light[:, pixels]
            lines.buffer[:, : pixels.start] = 0
            lines.buffer[:, pixels.stop :] = 0
            if defocus is not None:
                grid.multiply_columns(lines.buffer, self._down.first, defocus, start, stop, False)
            lines.minus()
            grid.store_columns(lines.buffer, self._plane(plane), first + start, first + stop)
