"""The light of a mask's sites on a camera frame, against the picture that the bench predicts of them.

What counts is the light in the middle of a spot, where the atom is. Around it the light of neighbours interferes; summed up, it would pass
for differences between sites, of a per cent or more, that the atoms do not feel. Most of it is in the predicted picture; how much is
not, because the light path is not quite as the bench file has it, is seen from the shape of the spots.

Axes, signs and units: DEVELOPERS.md, Conventions. Camera points are (column, row), pixel centres at whole numbers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from holo.background import background
from holo.checks import check_numbers
from holo.errors import CalibrationError
from holo.field.path import LightPath, light_path
from holo.field.pixels import CameraView
from holo.mask import Levels, phase_of_levels
from holo.spots import CROWDED, measure_spots

if TYPE_CHECKING:
    from holo.affine import Affine
    from holo.bench import Bench
    from holo.frames import Frame

Real = NDArray[np.float64]
Flags = NDArray[np.bool_]
Image = NDArray[np.float32]

WIDTH = 0.344
"""Standard deviation of the Gaussian nearest to an Airy pattern, over the radius of the first dark ring; see `holo.spots`."""

CORE = 2.0
"""Radius of the pixels that are looked at, in widths."""

SHAPE_DEGREE = 4
"""Degree of the polynomial by which the common shape of the spots differs from the predicted one."""

SEEN = 5.0
"""Signal-to-noise ratio from which on a site has light."""

FULL = 0.8
"""Share of the camera's range that the brightest spot may fill after a frame was refused as saturated."""


@dataclass(frozen=True, eq=False)
class Light:
    """Light of bright sites on a frame.

    Attributes
    ----------
    ratio : ndarray, shape (n,)
        Counts over predicted intensity; NaN where the frame does not tell.
    error : ndarray, shape (n,)
        Standard error of the logarithm of `ratio`.
    dark : ndarray of bool, shape (n,)
        Sites in view that show no light.
    shift_px : ndarray, shape (2,)
        How far the spots lie from where the registration puts them, (column, row).
    stray : float
        How much of the differences between sites may still be light from beside their middles: variance of the logarithms, negative
        where noise happens to make it look less than none. The light itself is the same on every frame, so it is not part of `error`.
    """

    ratio: Real
    error: Real
    dark: Flags
    shift_px: Real
    stray: float

    @property
    def told(self) -> Flags:
        """Sites of which the frame tells, shape (n,)."""
        return np.isfinite(self.ratio)


def measure_light(
    frame: Frame,
    bench: Bench,
    levels: Levels,
    xy_um: Real,
    intensity: Real,
    plane_to_camera: Affine,
    path: LightPath | None = None,
    frames: int = 1,
) -> Light:
    """Measure the light of a mask's bright sites against what the bench predicts.

    Parameters
    ----------
    frame : Frame
    bench : Bench
    levels : ndarray of int, shape (rows, columns)
        Of the mask that the frame was taken of.
    xy_um : ndarray, shape (n, 2)
        Where in the objective plane the sites lie.
    intensity : ndarray, shape (n,)
        Predicted for them.
    plane_to_camera : Affine
        From a registration. A common shift since then is found and allowed for.
    path : LightPath, optional
        The light path of `bench`, if it is at hand.
    frames : int
        How many frames the result will be averaged over: the more, the more noise is taken into account for less stray light.

    Returns
    -------
    Light

    Raises
    ------
    CalibrationError
        If spots are saturated, or most sites in view show no light.

    Notes
    -----
    The predicted mean intensity of each pixel (`holo.field.pixels.CameraView`) is multiplied by a polynomial about the registered place, of
    degree `SHAPE_DEGREE` and common to all spots, because of what the bench file does not have of the light path. That times
    ``c + u x + v y + b r^2`` is fitted to the pixels around each place by weighted least squares; `ratio` is c. By the shape b the light
    between the spots enters, which vanishes at the middle and grows as the square of the distance from it. Leaving b free costs noise:
    1.8 times that of the whole spot, in place of 1.1, where electrons prevail. It is therefore taken as drawn from a normal
    distribution of the width that the spots themselves show beyond their noise (empirical Bayes: B. Efron and C. Morris, J. Am. Stat.
    Assoc. 70, 311 (1975), from memory).
    """
    check_numbers(xy_um=xy_um, intensity=intensity)
    width = WIDTH * bench.airy_radius_um * float(np.sqrt(abs(np.linalg.det(plane_to_camera.matrix))))
    shift = _shift(frame, plane_to_camera.apply(xy_um), intensity, width)
    now = replace(plane_to_camera, offset=plane_to_camera.offset + shift)
    places = now.apply(xy_um)
    inside = ((places > CORE * width) & (places < np.array(frame.shape[::-1]) - 1 - CORE * width)).all(axis=1)
    if inside.sum() < 2:
        raise CalibrationError(
            f"frame: found {inside.sum()} of {len(xy_um)} sites where the registration has the camera's view; needed: two at least"
        )
    picture = _predicted_picture(bench, path or light_path(bench), levels, now, frame.shape)
    cores = _Cores.of(frame, picture, places[inside], width)
    _refuse_saturated(frame, cores, bench)
    light = _light(cores.shaped(), np.asarray(inside), shift, frames)
    if light.told.sum() < max(2, 0.5 * inside.sum()):
        raise CalibrationError(
            f"frame: found light on {light.told.sum()} of {inside.sum()} sites in view; needed: half of them. Is the mask on the panel, "
            "the exposure long enough, the registration of this camera?"
        )
    return light


def _light(cores: _Cores, inside: Flags, shift: Real, frames: int) -> Light:
    """What the cores of the sites in view tell of all."""
    found, error, stray = cores.fitted(frames)
    seen = np.asarray(found > SEEN * error)  # also false where the pixels do not tell
    ratio, relative, dark = np.full(len(inside), np.nan), np.full(len(inside), np.nan), np.zeros(len(inside), bool)
    ratio[inside], dark[inside] = np.where(seen, found, np.nan), np.isfinite(found) & ~seen
    relative[inside] = np.divide(error, found, out=np.full(len(seen), np.nan), where=seen)
    return Light(ratio, relative, dark, shift, stray)


def _shift(frame: Frame, places: Real, intensity: Real, width: float) -> Real:
    """How far the spots lie from their places altogether, px: to a pixel by correlation, then as the spots themselves say.

    Aberrated spots are wider than `width`, which `measure_spots` takes for a sign of crowding; their places are as good.
    """
    shift = _rough_shift(frame, places, intensity)
    for _ in range(3):
        moved = places + shift
        inside = ((moved >= 0) & (moved <= np.array(frame.shape[::-1]) - 1)).all(axis=1)
        spots = measure_spots(frame, moved[inside], width)
        found = (spots.flags | CROWDED == CROWDED) & (spots.error_px < 0.5 * width).all(axis=1)
        if not found.any():
            break
        step = np.median((spots.xy_px - moved[inside])[found], axis=0)
        shift = shift + step
        if np.abs(step).max() < 0.05 * width:
            break
    return np.asarray(shift, np.float64)


def _rough_shift(frame: Frame, places: Real, intensity: Real) -> Real:
    """The shift, in whole pixels, that brings most of the sites' intensity onto light; of those as good, the shortest.

    Bright pixels are cut at a level that as many pixels exceed as there are sites: no undiffracted spot outweighs the rest.
    """
    from scipy import fft

    rows, columns = frame.shape
    column, row = np.rint(places).astype(int).T
    inside = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
    drawn = np.zeros(frame.shape, np.float32)
    np.add.at(drawn, (row[inside], column[inside]), intensity[inside] / intensity.max())
    signal = np.where(frame.usable | frame.saturated, frame.signal, np.median(frame.signal)) - np.median(frame.signal)
    signal = np.clip(signal, 0, np.quantile(signal, 1 - min(inside.sum() / signal.size, 0.5)))
    shape = tuple(fft.next_fast_len(2 * length, real=True) for length in frame.shape)
    agreement = fft.irfft2(fft.rfft2(signal, shape) * fft.rfft2(drawn, shape).conj(), shape)
    down, across = np.nonzero(agreement >= 0.99 * agreement.max())
    down, across = (np.where(step > length // 2, step - length, step) for step, length in zip((down, across), shape, strict=True))
    nearest = np.argmin(np.hypot(down, across))
    return np.array([across[nearest], down[nearest]], np.float64)


def _predicted_picture(
    bench: Bench, path: LightPath, levels: Levels, plane_to_camera: Affine, shape: tuple[int, int]
) -> NDArray[np.float32]:
    """Mean predicted intensity on each pixel of the camera."""
    row, column = np.indices(shape)
    back = plane_to_camera.inverse()
    places_um = back.apply(np.column_stack([column.ravel(), row.ravel()])).reshape(*shape, 2)
    view = CameraView(path, places_um, back.matrix, 0.0, (0.0, 0.0))
    return view.picture(np.exp(1j * phase_of_levels(levels, bench.panel)[view.box]).astype(np.complex64))


@dataclass(frozen=True, eq=False)
class _Cores:
    """The pixels around the middle of each of n spots; arrays of shape (n, pixels) unless told."""

    x: Real
    """Column less that of the middle, in widths."""
    y: Real
    used: Flags
    """Pixels that lie within reach and are usable."""
    reached: Flags
    """Pixels that lie within reach."""
    saturated: Flags
    data: Real
    """Counts less the background."""
    level: Real
    """The background."""
    light: Real
    """Predicted intensity."""
    noise: Real
    """Variance of the background."""
    slope: float
    """Variance per count of light."""

    @staticmethod
    def of(frame: Frame, picture: Image, places: Real, width: float) -> _Cores:
        """Look at the spots at some places of a frame."""
        reach = np.arange(-int(np.ceil(CORE * width)), int(np.ceil(CORE * width)) + 1)
        row, column = (np.rint(places[:, 1 - axis]).astype(int)[:, None] + reach for axis in (0, 1))
        row, column = np.repeat(row, len(reach), axis=1), np.tile(column, len(reach))
        x, y = (column - places[:, [0]]) / width, (row - places[:, [1]]) / width
        reached = x**2 + y**2 < CORE**2
        used, light = reached & frame.usable[row, column], picture[row, column].astype(np.float64)
        level, noise = background(frame, width)
        slope = 0.0 if frame.electrons_per_count is None else 1 / (frame.electrons_per_count * frame.shots)
        exposure = np.float32(np.median(_sums(frame.signal[row, column] - level[row, column], light, used)))
        if exposure > 0:  # now the background with the light of the spots taken off
            level, noise = background(frame, width, exposure * picture, slope)
        below, floor = level[row, column].astype(np.float64), noise[row, column].astype(np.float64) ** 2
        cores = _Cores(
            x, y, used, reached, frame.saturated[row, column], frame.signal[row, column] - below, below, light, floor, slope
        )  # fmt: skip
        return cores if frame.electrons_per_count is not None else replace(cores, slope=cores.found_slope())

    @property
    def whole(self) -> Flags:
        """Spots most of whose light fell on pixels that can be used, shape (n,)."""
        return np.asarray((self.light * self.used).sum(axis=1) > 0.5 * (self.light * self.reached).sum(axis=1))

    @property
    def sums(self) -> Real:
        """Counts over predicted intensity, with all usable pixels alike, shape (n,)."""
        return _sums(self.data, self.light, self.used)

    @property
    def peak(self) -> Real:
        """Counts at the brightest pixel as the usable ones let expect, shape (n,)."""
        return np.asarray(self.sums * self.light.max(axis=1) + self.level.mean(axis=1))

    def terms(self, *powers: tuple[int, int]) -> Real:
        """Predicted intensity times powers of x and y, 0 on pixels that are not used, shape (n, pixels, powers)."""
        light = self.light * self.used
        return np.stack([light * self.x**i * self.y**j for i, j in powers], axis=2)

    @property
    def weight(self) -> Real:
        """One over the variance of each pixel, as the noise alone makes it."""
        return np.asarray(1 / (self.noise + self.slope * np.maximum(self.sums, 0)[:, None] * self.light))

    def shaped(self) -> _Cores:
        """Give the predicted light the shape that the spots have in common, to the fourth degree in x and y.

        An aberration that the bench file does not have changes all spots alike; seen by pixels that lie differently in each spot, that
        would pass for differences between sites.
        """
        powers = [(i, j) for i in range(SHAPE_DEGREE + 1) for j in range(SHAPE_DEGREE + 1 - i)]
        share, data = np.where(self.whole, np.maximum(self.sums, 0), 0)[:, None], self.data
        terms, weight = share[:, :, None] * self.terms(*powers), self.weight
        normal, wanted = np.einsum("npi,np,npj->ij", terms, weight, terms), np.einsum("npi,np,np->i", terms, weight, data)
        found = np.linalg.lstsq(normal, wanted, rcond=1e-12)[0]
        shape = sum(value * self.x**i * self.y**j for value, (i, j) in zip(found, powers, strict=True))
        return replace(self, light=self.light * np.maximum(shape, 0.0))

    def fitted(self, frames: int) -> tuple[Real, Real, float]:
        """Counts over predicted intensity at the middle, their errors, both of shape (n,), and what stray light may be left in them."""
        terms = self.terms((0, 0), (1, 0), (0, 1), (2, 0))
        terms[:, :, 3] += self.terms((0, 2))[:, :, 0]
        weight = self.weight
        whole = self.whole & (self.used.sum(axis=1) > terms.shape[2])
        normal = np.where(whole[:, None, None], np.einsum("npi,np,npj->nij", terms, weight, terms), np.eye(4))
        covariance = np.linalg.inv(normal)
        values = np.einsum("nij,npj,np,np->ni", covariance, terms, weight, self.data)
        c, b, cc, cb, bb = values[:, 0], values[:, 3], covariance[:, 0, 0], covariance[:, 0, 3], covariance[:, 3, 3]
        told = whole & (c > SEEN * np.sqrt(cc))
        middle, likely, sure = _spread(b[told] / c[told], bb[told] / c[told] ** 2)
        share = cb / (bb + frames * sure * c**2)
        ratio, error = c - share * (b - middle * c), np.sqrt(cc - 2 * share * cb + share**2 * bb)
        stray = float(likely * np.mean(share[told] ** 2)) if told.any() else 0.0
        return np.where(whole, ratio, np.nan), np.where(whole, error, np.nan), stray

    def found_slope(self) -> float:
        """Variance per count of light, from what is left of each spot when its picture times a quadratic is fitted to it.

        Differences between the spot and its prediction are as smooth as the spot, and so taken up by the quadratic; the noise of single
        pixels is not.
        """
        basis = np.linalg.qr(self.terms((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2)))[0]
        data = self.data * self.used
        model = np.einsum("npi,nqi,nq->np", basis, basis, data)
        free = np.maximum(self.used - (basis**2).sum(axis=2), 0)
        excess = ((data - model) ** 2 * self.used - self.noise * free).sum(axis=1)
        expected = (model * free).sum(axis=1)
        bright = expected > 0
        return max(float(np.median(excess[bright] / expected[bright])), 0.0) if bright.any() else 0.0


def _sums(data: NDArray[np.floating[Any]], light: Real, used: Flags) -> Real:
    counts, whole = (data * used).sum(axis=1), (light * used).sum(axis=1)
    return np.asarray(np.divide(counts, whole, out=np.zeros(len(data)), where=whole > 0), np.float64)


def _spread(values: Real, variance: Real) -> tuple[float, float, float]:
    """Median of some values, and their variance beyond that of their noise: as found, and what of it is no noise for sure.

    Values far out are cut. From the latter the standard error is taken off.
    """
    if len(values) < 2:
        return 0.0, 0.0, 0.0
    middle = float(np.median(values))
    usual = 1.4826 * float(np.median(np.abs(values - middle)))
    cut = np.clip(values - middle, -5 * usual, 5 * usual)
    total = float(cut @ cut) / (len(values) - 1)
    found, error = total - float(variance.mean()), total * float(np.sqrt(2 / (len(values) - 1)))
    return middle, found, max(found - error, 0.0)


def _refuse_saturated(frame: Frame, cores: _Cores, bench: Bench) -> None:
    """Refuse a frame with saturated spots; a single hot pixel in a faint spot is none."""
    top = float(frame.signal[frame.saturated].max()) if bench.camera is None and frame.saturated.any() else np.inf
    top = top if bench.camera is None else 2.0**bench.camera.bits - 1
    touched = (cores.saturated & cores.reached).any(axis=1)
    full = touched & ((cores.peak >= FULL * top) | ~cores.used.any(axis=1))
    if full.any():
        share = FULL * top / max(float(cores.peak[full].max()), top)
        raise CalibrationError(f"spots: {full.sum()} of {len(full)} are saturated; allowed: none. Expose {share:.2g} times as long")
