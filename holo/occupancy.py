"""Occupancy: which lattice sites hold an atom, from a fluorescence frame, with a probability each.

Axes, signs and units: DEVELOPERS.md, Conventions. Camera points are (column, row); lattice coordinates are (i, j).
"""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holo.affine import Affine
from holo.atom_light import (
    APART,
    LIT,
    Field,
    Light,
    alone,
    background_of,
    bounded_twice,
    coupled,
    lattice_sites,
    light_around,
    linear_start,
    noise_differs,
    on_frame,
    open_field,
    seen_slope,
    spacing_px,
    spread_from,
    summed_twice,
    with_noise_of,
)
from holo.chances import draw_chances
from holo.errors import CalibrationError, InputError
from holo.files import write_text
from holo.frames import Frame
from holo.spot_width import common_width
from holo.spread import Real, Spread, Stamps, image_of, stamps_of
from holo.threshold import Peaks, counting_limit, fit_peaks, peaks_of_sites

Flags = NDArray[np.bool_]

METHODS = ("sums", "linear", "bounded", "atoms")
"""Ways to the light of sites: sums site by site; least squares; the same between none and a bright atom; atoms drawn at random."""

LEAST_SEEN = 4.0
"""Least light of an atom, over the error that it would have on a site alone, where spots overlap."""

UNSURE = 0.02
"""Least probability of the less likely answer, from which a site counts as unsure."""

HOP_SITES = 1.5
"""Farthest that an atom is thought to hop between two frames, in distances of neighbouring sites."""

COLUMNS = ("i", "j", "x_px", "y_px", "light", "light_error", "probability", "filled")
"""Of the table of sites."""

_SAME = 1e-4


@dataclass(frozen=True, eq=False)
class Occupancy:
    """Which sites hold an atom."""

    sites: NDArray[Any]
    """Lattice coordinates, shape (n, 2); whole numbers are of type int."""
    xy_px: Real
    """Where the camera sees them, (column, row), shape (n, 2)."""
    light: Real
    """Counts from each, shape (n,)."""
    light_error: Real
    """One standard error of each."""
    probability: Real
    """That each site holds an atom."""
    filled: Flags
    """Whether that is more likely than not."""
    peaks: Peaks | None
    """Two peaks fitted to the light; None where it shows only one."""
    threshold: Real
    """Light between empty and filled, of each site; NaN where there are no peaks."""
    error: float
    """Share of sites that are thought to be told wrongly."""
    method: str
    """One of `METHODS`."""
    spread: Spread
    limit: float | None
    """That share if nothing but the statistics of photons mattered and no spots overlapped; None if the electrons per count are unknown."""
    notes: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.sites)

    def summary(self) -> dict[str, Any]:
        """Give the single figures as JSON-compatible values."""
        told: dict[str, Any] = {
            "sites": len(self),
            "filled": int(self.filled.sum()),
            "filling": float(self.filled.mean()),
            "unsure": int((np.minimum(self.probability, 1 - self.probability) > UNSURE).sum()),
            "predicted_error": self.error,
            "counting_limit": self.limit,
            "method": self.method,
            "width_px": self.spread.width_px,
        }
        if self.peaks is not None:
            peaks = self.peaks
            told |= {"threshold": peaks.threshold, "light_empty": peaks.empty, "width_empty": peaks.empty_width}
            told |= {"light_filled": peaks.filled, "width_filled": peaks.filled_width}
        return told | {"warnings": list(self.notes)}


# ---------------------------------------------------------------------------------------------------------------------
# reading frames


def occupancy(
    frame: Frame,
    lattice_to_camera: Affine,
    sites: ArrayLike | None = None,
    *,
    basis: ArrayLike = ((0.0, 0.0),),
    spread: Spread | None = None,
    method: str | None = None,
    rng: np.random.Generator | None = None,
    rounds: int = 4,
) -> Occupancy:
    """Find which sites hold an atom.

    Parameters
    ----------
    frame : Frame
    lattice_to_camera : Affine
        From lattice coordinates to (column, row), as `holo.survey` and `holo.track` find it.
    sites : array_like, shape (n, 2), optional
        Lattice coordinates of the sites asked for; by default all that the camera sees.
    basis : array_like, shape (b, 2)
        Sites of one cell: around those asked for, all of the lattice may hold atoms.
    spread : Spread, optional
        Of an atom's light; measured in the frame itself by default.
    method : str, optional
        One of `METHODS`. By default sums where neighbours are `APART` widths of a spot apart, atoms where they are closer.
    rng : numpy.random.Generator, optional
        For atoms drawn at random; by default one of seed 0.
    rounds : int
        Most rounds of drawing (`holo.chances.draw_chances`).

    Returns
    -------
    Occupancy
        In the order of `sites`.

    Raises
    ------
    InputError
        If a site lies outside the frame, there are none or too many, or there is no such method.
    CalibrationError
        If the frame does not show empty and filled sites.

    Examples
    --------
    >>> from holo.frames import frame_of
    >>> from holo.spread import gaussian_spread
    >>> rng = np.random.default_rng(1)
    >>> ij = np.stack(np.meshgrid(np.arange(12), np.arange(12)), axis=-1).reshape(-1, 2)
    >>> truth, lattice = rng.random(144) < 0.5, Affine([[10, 0], [0, 10]], [9, 9])
    >>> light = image_of(stamps_of(gaussian_spread(1.3), lattice.apply(ij)), 300.0 * truth, (128, 128))
    >>> found = occupancy(frame_of(rng.poisson(light + 3.0)), lattice, ij)
    >>> bool((found.filled == truth).all()), found.method
    (True, 'sums')
    """
    wanted = _checked_sites(sites, frame, lattice_to_camera, basis)
    spread = spread_in(frame, lattice_to_camera, basis) if spread is None else spread
    method = _checked_method(method, spread, lattice_to_camera.apply(wanted))
    everywhere = _with_neighbours(wanted, frame, lattice_to_camera, basis, spread)
    xy = lattice_to_camera.apply(everywhere)
    if method == "sums":
        reading = _read_apart(frame, xy, spread)
    else:
        reading = _read_crowded(frame, xy, len(wanted), spread, method, rng or np.random.default_rng(0), rounds)
    return _told(reading, wanted, frame, lattice_to_camera, spread, method)


def spread_in(frame: Frame, lattice_to_camera: Affine, basis: ArrayLike = ((0.0, 0.0),), width_px: float | None = None) -> Spread:
    """Measure the spread of an atom's light in a frame; the fewer atoms stand close together, the better.

    Parameters
    ----------
    frame : Frame
    lattice_to_camera : Affine
    basis : array_like, shape (b, 2)
    width_px : float, optional
        Width of the spots to start from; estimated by default.

    Returns
    -------
    Spread

    Raises
    ------
    CalibrationError
        If there is no light, or there are too few atoms.
    """
    width = common_width(frame) if width_px is None else width_px
    if not np.isfinite(width):
        raise CalibrationError("frame: found no light that stands out of the noise; needed: atoms (check exposure and dark frame)")
    sites = lattice_sites(lattice_to_camera, (-0.5, -0.5), np.array(frame.shape[::-1]) - 0.5, basis)
    if not len(sites):
        raise CalibrationError("frame: found no site of the lattice in it; needed: a registration that belongs to it")
    return spread_from(frame, lattice_to_camera.apply(sites), width)


def _checked_sites(sites: ArrayLike | None, frame: Frame, lattice: Affine, basis: ArrayLike) -> Real:
    high = np.array(frame.shape[::-1]) - 0.5
    if sites is None:
        found = lattice_sites(lattice, (-0.5, -0.5), high, basis)
        if not len(found):
            raise InputError("sites: found none in the frame; allowed: a registration whose lattice the camera sees")
        return found
    wanted = np.asarray(sites, np.float64)
    if wanted.ndim != 2 or wanted.shape[1] != 2 or not len(wanted):
        raise InputError(f"sites: found an array of shape {wanted.shape}; allowed: (n, 2), one site or more")
    xy = lattice.apply(wanted)
    outside = ((xy < -0.5) | (xy > high)).any(axis=1)
    if outside.any():
        (i, j), (x, y) = wanted[outside][0], xy[outside][0]
        where = f"site ({i:g}, {j:g}) at column {x:.1f}, row {y:.1f}, one of {outside.sum()} outside"
        raise InputError(f"sites: found {where}; allowed: sites in the frame of {frame.shape[1]} x {frame.shape[0]} pixels")
    return wanted


def _checked_method(method: str | None, spread: Spread, xy_px: Real) -> str:
    if method is None:
        return "sums" if spacing_px(xy_px) >= APART * spread.width_px else "atoms"
    if method not in METHODS:
        raise InputError(f"method: found {method!r}; allowed: {', '.join(METHODS)}")
    return method


def _with_neighbours(wanted: Real, frame: Frame, lattice: Affine, basis: ArrayLike, spread: Spread) -> Real:
    """The wanted sites, and after them all others whose light may fall onto theirs."""
    xy = lattice.apply(wanted)
    spacing = spacing_px(lattice.apply(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])))
    beyond = max(2 * spread.reach_px, 1.5 * spacing)
    low = np.maximum(xy.min(axis=0) - beyond, -spread.width_px)
    high = np.minimum(xy.max(axis=0) + beyond, np.array(frame.shape[::-1]) - 1 + spread.width_px)
    around = lattice_sites(lattice, low, high, basis)
    known = {tuple(site) for site in np.round(wanted / _SAME).astype(np.int64).tolist()}
    new = [tuple(site) not in known for site in np.round(around / _SAME).astype(np.int64).tolist()]
    return np.concatenate([wanted, around[np.array(new, dtype=bool)]])


@dataclass(frozen=True, eq=False)
class _Reading:
    """What a method tells of sites."""

    light: Light
    probability: Real | None
    """None where it follows from the peaks."""
    noise: float
    """Electrons of background and read noise under a usual site."""
    notes: tuple[str, ...] = ()


def _read_apart(frame: Frame, xy: Real, spread: Spread) -> _Reading:
    """Read sites that stand apart; the background is looked for again with the light of the atoms taken off."""
    field = open_field(frame, xy, spread, False)
    stamps = stamps_of(spread, field.xy)
    counts = summed_twice(field, stamps).counts
    light = np.where(counts > 0.5 * np.quantile(counts, 0.99), counts, 0)
    slope = None if frame.electrons_per_count else seen_slope(field, image_of(stamps, light, field.signal.shape))
    field = open_field(frame, xy, spread, False, on_frame(field, stamps, light, frame.shape), slope)
    return _Reading(summed_twice(field, stamps), None, _noise(field, stamps))


def _noise(field: Field, stamps: Stamps) -> float:
    """Events of background and read noise under a spot: those on as many pixels as it fills, noise-wise."""
    pixels = 1 / float((stamps.light[0].astype(np.float64) ** 2).sum())
    return max(pixels * float(np.median(field.floor)) / max(field.slope, 1e-12) ** 2, 1e-3)


def _read_crowded(frame: Frame, xy: Real, wanted: int, spread: Spread, method: str, rng: np.random.Generator, rounds: int) -> _Reading:
    """Read sites whose spots overlap; the noise is looked at again with the light of the atoms known."""
    field = open_field(frame, xy, spread, True)
    near = light_around(field, spread)
    kept = (near > LIT * np.quantile(near, 0.98)) | (np.arange(len(xy)) < wanted)
    field = replace(field, xy=field.xy[kept])  # without places around those wanted where there is no light
    stamps = stamps_of(spread, field.xy)
    normal = coupled(field, spread, stamps)
    counts, atoms, belief = linear_start(normal)
    model = image_of(stamps, counts, field.signal.shape) + background_of(normal, counts, field)
    told = with_noise_of(field, model, frame.electrons_per_count is not None)
    if noise_differs(field, told, model):
        field, normal = told, coupled(told, spread, stamps, model, normal)
        counts, atoms, belief = linear_start(normal)
    if method == "bounded":
        counts, normal = bounded_twice(field, spread, stamps, normal, np.maximum(counts, 0), atoms)
    error = 1 / np.sqrt(np.maximum(normal.diagonal, 1e-30))
    if atoms.mean < LEAST_SEEN * float(np.median(error)):
        seen = f"an atom's light of {atoms.mean:.3g} counts, {atoms.mean / float(np.median(error)):.2g} times its error for a site alone"
        raise CalibrationError(
            f"frame: found {seen}; needed: {LEAST_SEEN:g} times or more (take a longer exposure, or check the registration)"
        )
    plain = Light(counts, error, np.ones(len(counts)))
    if method != "atoms":
        return _Reading(plain, None, _noise(field, stamps))
    start = np.where(belief > 0.5, atoms.mean, 0.0)
    found = draw_chances(normal, field.xy, start, belief, (atoms.mean, atoms.spread, atoms.share), rng, rounds)
    notes = (
        (f"the draws of atoms differ by {found.disagreement:.2g} in probability; more rounds help",) if found.disagreement > 0.01 else ()
    )
    return _Reading(replace(plain, counts=alone(normal, found.light)), found.probability, _noise(field, stamps), notes)


def _told(reading: _Reading, wanted: Real, frame: Frame, lattice: Affine, spread: Spread, method: str) -> Occupancy:
    """Decide on the wanted sites, which come first among those read; the peaks are those of all of them."""
    count = len(wanted)
    peaks: Peaks | None = None
    try:
        peaks = fit_peaks(reading.light.counts, reading.light.variance)
    except CalibrationError:
        if reading.probability is None:
            raise
    light, error, variance = (part[:count] for part in (reading.light.counts, reading.light.error, reading.light.variance))
    if reading.probability is not None:
        probability = reading.probability[:count]
        wrong = float(np.minimum(probability, 1 - probability).mean())
    else:
        assert peaks is not None  # else it was raised
        probability, wrong = peaks.probability(light, variance), peaks.error()
    notes, limit = list(reading.notes), None
    if method in ("linear", "bounded") and wrong > 1e-3:
        notes.append("two peaks predict too few errors where spots overlap this much; the method atoms errs less, and tells how often")
    blind = variance > 4
    if blind.any():
        notes.append(f"{blind.sum()} sites lie at the edge or on unusable pixels: they are told with less light than the others")
    if peaks is not None and frame.electrons_per_count is not None:
        electrons = (peaks.filled - peaks.empty) * frame.electrons_per_count * frame.shots
        limit = counting_limit(reading.noise, reading.noise + electrons, peaks.share)[1]
    whole = np.round(wanted)
    named = whole.astype(np.int64) if np.abs(wanted - whole).max() < _SAME else wanted
    threshold = np.full(count, np.nan if peaks is None else peaks.threshold)
    where = lattice.apply(wanted)
    return Occupancy(
        named, where, light, error, probability, probability > 0.5, peaks, threshold, wrong, method, spread, limit, tuple(notes)
    )


def with_own_thresholds(found: Sequence[Occupancy]) -> list[Occupancy]:
    """Give each site a threshold of its own, from many frames of the same sites.

    Parameters
    ----------
    found : sequence of Occupancy
        Of the same sites, with light that was not drawn (`METHODS` but atoms).

    Returns
    -------
    list of Occupancy
        The same frames told anew: the light of each site is stretched so that its own peaks lie where those of all sites do.

    Raises
    ------
    InputError
        If the frames are of different sites, or their atoms were drawn.
    CalibrationError
        If all frames together show one peak only.
    """
    first = found[0]
    for other in found:
        if other.method == "atoms" or other.sites.shape != first.sites.shape or not np.allclose(other.sites, first.sites):
            raise InputError(f"frames: found {len(other)} sites read as {other.method}; allowed: the same {len(first)} sites, not as atoms")
    light = np.array([one.light for one in found])
    peaks = fit_peaks(light.ravel())
    empty, filled = peaks_of_sites(light, light > peaks.threshold, peaks)
    scale = np.maximum(filled - empty, 0.1 * (peaks.filled - peaks.empty)) / (peaks.filled - peaks.empty)
    stretched, variance = (light - empty) / scale + peaks.empty, np.broadcast_to(1 / scale**2, light.shape)
    common = fit_peaks(stretched.ravel(), variance.ravel())
    threshold = (common.threshold - peaks.empty) * scale + empty
    chances = common.probability(stretched, variance)
    error = float(np.minimum(chances, 1 - chances).mean())
    return [
        replace(one, probability=chance, filled=chance > 0.5, peaks=peaks, threshold=threshold, error=error)
        for one, chance in zip(found, chances, strict=True)
    ]


# ---------------------------------------------------------------------------------------------------------------------
# comparing


@dataclass(frozen=True, eq=False)
class Changes:
    """What happened to atoms between two frames."""

    stayed: NDArray[np.int64]
    """Numbers of the sites filled in both."""
    lost: NDArray[np.int64]
    """Numbers of the sites that lost their atom for good."""
    gained: NDArray[np.int64]
    """Numbers of the sites that an atom came to from nowhere."""
    hops: NDArray[np.int64]
    """Numbers of the sites that atoms hopped from and to, shape (h, 2)."""
    misread: float
    """How many changes are expected from errors of reading alone."""

    def summary(self) -> dict[str, Any]:
        """Give the figures as JSON-compatible values; `survival` is the share of the first frame's atoms still on their sites."""
        before = len(self.stayed) + len(self.lost) + len(self.hops)
        survival = len(self.stayed) / before if before else float("nan")
        return {
            "stayed": len(self.stayed),
            "lost": len(self.lost),
            "gained": len(self.gained),
            "hopped": len(self.hops),
            "survival": survival,
            "survival_error": float(np.sqrt(max(survival * (1 - survival), 1 / max(before, 1)) / before)) if before else float("nan"),
            "misread_expected": self.misread,
        }


def changes(before: Occupancy, after: Occupancy) -> Changes:
    """Compare two successive frames of the same sites.

    Parameters
    ----------
    before, after : Occupancy

    Returns
    -------
    Changes
        An atom lost and one gained within `HOP_SITES` of it are thought to be one that hopped, the nearest pairs first.

    Raises
    ------
    InputError
        If the sites differ.
    """
    if before.sites.shape != after.sites.shape or not np.allclose(before.sites, after.sites):
        raise InputError(f"frames: found {len(before)} and {len(after)} sites that differ; allowed: two frames of the same sites")
    lost, gained = np.flatnonzero(before.filled & ~after.filled), np.flatnonzero(~before.filled & after.filled)
    hops = _hops(before.xy_px, lost, gained)
    misread = sum(float(np.minimum(one.probability, 1 - one.probability).sum()) for one in (before, after))
    stayed = np.flatnonzero(before.filled & after.filled)
    return Changes(stayed, np.setdiff1d(lost, hops[:, 0]), np.setdiff1d(gained, hops[:, 1]), hops, misread)


def _hops(xy_px: Real, lost: NDArray[np.int64], gained: NDArray[np.int64]) -> NDArray[np.int64]:
    """Pairs of a site that lost an atom and one near it that gained one."""
    from scipy.spatial import KDTree

    if not len(lost) or not len(gained):
        return np.zeros((0, 2), np.int64)
    near = KDTree(xy_px[lost]).sparse_distance_matrix(KDTree(xy_px[gained]), HOP_SITES * spacing_px(xy_px), output_type="ndarray")
    pairs: dict[int, int] = {}
    for _, one, other in sorted((float(pair["v"]), int(pair["i"]), int(pair["j"])) for pair in near):
        if one not in pairs and other not in pairs.values():
            pairs[one] = other
    return np.array([(lost[one], gained[other]) for one, other in sorted(pairs.items())], np.int64).reshape(-1, 2)


@dataclass(frozen=True, eq=False)
class Match:
    """How an occupancy compares with the wanted arrangement."""

    missing: NDArray[np.int64]
    """Numbers of the sites that are wanted filled and are empty."""
    extra: NDArray[np.int64]
    """Numbers of the sites that are filled and not wanted so."""
    wanted: Flags
    """Which sites are wanted filled, shape (n,)."""
    perfect: float
    """Probability that every site is as wanted."""

    def summary(self) -> dict[str, Any]:
        """Give the figures as JSON-compatible values; `fidelity` is the share of sites that are as wanted."""
        defects = len(self.missing) + len(self.extra)
        asked = int(self.wanted.sum())
        return {
            "wanted": asked,
            "missing": len(self.missing),
            "extra": len(self.extra),
            "defects": defects,
            "fidelity": 1 - defects / len(self.wanted),
            "wanted_filled": 1 - len(self.missing) / asked if asked else float("nan"),
            "perfect_probability": self.perfect,
        }


def match(found: Occupancy, wanted: Flags) -> Match:
    """Compare an occupancy with the wanted one.

    Parameters
    ----------
    found : Occupancy
    wanted : ndarray of bool, shape (n,)
        Which of its sites are wanted filled.
    """
    if np.shape(wanted) != (len(found),):
        raise InputError(f"wanted: found an array of shape {np.shape(wanted)}; allowed: one value for each of {len(found)} sites")
    right = np.where(wanted, found.probability, 1 - found.probability)
    perfect = float(np.exp(np.log(np.maximum(right, 1e-300)).sum()))
    return Match(np.flatnonzero(wanted & ~found.filled), np.flatnonzero(~wanted & found.filled), np.asarray(wanted), perfect)


# ---------------------------------------------------------------------------------------------------------------------
# telling


def text_picture(found: Occupancy, wanted: Flags | None = None) -> str:
    """Draw sites as characters, i to the right, j down: ``x`` filled, ``.`` empty; if wanted otherwise ``+`` filled, ``-`` empty.

    Examples
    --------
    >>> from holo.spread import gaussian_spread
    >>> n = np.zeros(3)
    >>> told = np.array([True, False, True]), None, n, 0.0, "sums", gaussian_spread(1.0), None, ()
    >>> print(text_picture(Occupancy(np.array([[0, 0], [2, 0], [1, 1]]), np.zeros((3, 2)), n, n, n, *told)))
    x .
     x
    """
    i, j = (np.unique(np.round(found.sites[:, axis] / _SAME), return_inverse=True)[1] for axis in (0, 1))
    if found.sites.dtype.kind == "i":
        i, j = (found.sites - found.sites.min(axis=0)).T
    marks = np.where(found.filled, "x", ".")
    if wanted is not None:
        marks = np.where(found.filled & ~wanted, "+", np.where(~found.filled & wanted, "-", marks))
    page = np.full((int(j.max()) + 1, int(i.max()) + 1), " ")
    page[j, i] = marks
    return "\n".join("".join(line).rstrip() for line in page)


def occupancy_csv(found: Occupancy) -> str:
    """Give the table of sites (`COLUMNS`) as text; filled is 0 or 1."""
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(COLUMNS)
    for (i, j), (x, y), light, error, chance, filled in zip(
        found.sites, found.xy_px, found.light, found.light_error, found.probability, found.filled, strict=True
    ):
        rows.writerow([f"{i:g}", f"{j:g}", f"{x:.3f}", f"{y:.3f}", f"{light:.2f}", f"{error:.2f}", f"{chance:.6f}", int(filled)])
    return text.getvalue()


def write_occupancy(path: str | os.PathLike[str], found: Occupancy, overwrite: bool = False) -> None:
    """Write the table of sites as a CSV file (`occupancy_csv`).

    Raises
    ------
    OutputExistsError
        If the file exists and `overwrite` is false.
    InputError
        If it cannot be written.
    """
    write_text(path, occupancy_csv(found), overwrite)
