"""What sensing ends in: the aberration of the light path, with errors, how it varies over the field, and how good the light is.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.bench import AIRY_RADIUS
from holo.wavefront import Real, Single


@dataclass(frozen=True, eq=False)
class Variation:
    """How terms change over the field, to first order.

    Attributes
    ----------
    centre_um : ndarray, shape (2,)
        Place that the terms themselves belong to.
    slope, error : ndarray, shape (terms, 2)
        Waves rms per um along x and y, and their standard errors.
    """

    centre_um: Real
    slope: Real
    error: Real


def variation_of(points_um: Real, waves: Real, error: Real) -> Variation | None:
    """Fit a plane to each term over some places; None with fewer than four of them, or with all of them on a line.

    Parameters
    ----------
    points_um : ndarray, shape (n, 2)
    waves, error : ndarray, shape (n, terms)
        A term at each place, and its standard error.

    Returns
    -------
    Variation or None
        Errors are widened by the scatter about the plane where that is larger.

    Examples
    --------
    >>> points = np.array([[0.0, 0], [10, 0], [0, 10], [10, 10]])
    >>> found = variation_of(points, 0.01 * points[:, :1], np.full((4, 1), 1e-3))
    >>> found.slope.round(6)
    array([[0.01, 0.  ]])
    """
    centre = points_um.mean(axis=0)
    design = np.column_stack([np.ones(len(points_um)), points_um - centre])
    if len(points_um) < 4 or np.linalg.cond(design / np.abs(design).max(axis=0)) > 1e3:
        return None
    slopes, errors = [], []
    for values, sigma in zip(waves.T, error.T, strict=True):
        rows = design / sigma[:, None]
        covariance = np.linalg.inv(rows.T @ rows)
        found = covariance @ rows.T @ (values / sigma)
        chi2 = float(np.square(values / sigma - rows @ found).sum()) / (len(values) - 3)
        slopes.append(found[1:])
        errors.append(np.sqrt(np.diag(covariance)[1:] * max(chi2, 1.0)))
    return Variation(centre, np.array(slopes), np.array(errors))


@dataclass(frozen=True, eq=False)
class Look:
    """A spot as it was seen, averaged over the spots of a frame.

    Attributes
    ----------
    image : ndarray of float32, shape (side, side)
        Light on the camera's pixels about the spot, background taken off, over its sum.
    core, core_error : float
        Light within the Airy radius over that of a perfect spot, of all light of the window; and its standard error over the spots.
    """

    image: NDArray[np.float32]
    core: float
    core_error: float


def look_at(counts: Single, usable: NDArray[np.bool_], perfect: Single, half_width: float) -> Look:
    """Average the spots of a frame, and compare the light in their cores with that of perfect spots.

    Parameters
    ----------
    counts : ndarray, shape (spots, side, side)
        Windows of the frame.
    usable : ndarray of bool, same shape
    perfect : ndarray, same shape
        What perfect spots would be there.
    half_width : float
        That of the windows, in wavelength / NA.

    Returns
    -------
    Look
        The mean picture, and the ratio of the light in the core, of radius 0.61 wavelength / NA, with its standard error.
    """
    side = counts.shape[-1]
    row, column = np.indices((side, side)) - side // 2
    radius_px = AIRY_RADIUS / half_width * (side // 2)
    pictures, ratios = [], []
    for window, good, ideal in zip(counts, usable, perfect, strict=True):
        rim = np.concatenate([window[[0, -1]].ravel(), window[:, [0, -1]].ravel()])
        light = np.where(good, window - np.median(rim), 0.0)
        light = light / light.sum()
        pictures.append(light)
        ratios.append(_core(light, row, column, radius_px) / _core(ideal / ideal.sum(), row, column, radius_px))
    error = float(np.std(ratios, ddof=1) / np.sqrt(len(ratios))) if len(ratios) > 1 else 0.0
    return Look(np.mean(pictures, axis=0).astype(np.float32), float(np.mean(ratios)), error)


def _core(light: Real, row: Real, column: Real, radius_px: float) -> float:
    """Most light that a circle about a pixel near the middle holds."""
    return max(float(light[np.hypot(row - y, column - x) <= radius_px].sum()) for y in range(-4, 5) for x in range(-4, 5))


def strehl(pupil: NDArray[np.bool_], beam: Real, waves: Real) -> float:
    """Strehl ratio of a phase in waves over a pupil with a beam of some intensity.

    ``|sum A exp(i psi)|^2 / (sum A)^2`` (V. N. Mahajan, J. Opt. Soc. Am. 72, 1258 (1982), doi:10.1364/JOSA.72.001258, from memory).

    Parameters
    ----------
    pupil : ndarray of bool, shape (rows, columns)
        Where there is light.
    beam : ndarray, shape (rows, columns)
        Relative intensity.
    waves : ndarray, shape (rows, columns)
        Phase in waves; tilt and focus count as any other.

    Returns
    -------
    float
        From 0 to 1.
    """
    amplitude = np.sqrt(beam[pupil])
    return float(np.abs((amplitude * np.exp(2j * np.pi * waves[pupil])).sum() / amplitude.sum()) ** 2)


@dataclass(frozen=True, eq=False)
class Sensed:
    """The aberration of the light path, and what tells so.

    Attributes
    ----------
    method : str
    time : str
    waves, errors : dict of int to float
        The whole aberration, waves rms by Noll index, and standard errors of those that were measured.
    known : dict of int to float
        That of the bench so far.
    map_rad, beam : ndarray of float32, shape (rows, columns), or None
        Phase on each pixel of the panel where a map was measured, on top of `waves`, and relative intensity of the beam.
    strehl_before, strehl_after : float
        Strehl ratios with the aberration known so far taken off, and with the one found: what the errors and terms not told leave.
    before, after : Look
    variation : Variation or None
    points_um : ndarray, shape (spots, 2)
    frames : int
    chi2 : float or None
    unexplained : float
        Of the fit: weighted squared residuals per degree of freedom, where images were fitted; and what share of the variance of what was
        fitted is not the model's.
    notes : tuple of str
        What the user should know.
    """

    method: str
    time: str
    waves: dict[int, float]
    errors: dict[int, float]
    known: dict[int, float]
    map_rad: NDArray[np.float32] | None
    beam: NDArray[np.float32] | None
    strehl_before: float
    strehl_after: float
    before: Look
    after: Look
    variation: Variation | None
    points_um: Real
    frames: int
    chi2: float | None
    unexplained: float
    notes: tuple[str, ...]

    def files(self, digests: Mapping[str, str]) -> dict[str, bytes]:
        """Give ``aberration.toml`` with the digests of the frames, and what was measured of ``aberration.tiff`` and ``beam.tiff``.

        Parameters
        ----------
        digests : mapping of str to str
            Of the frames, by the names of their files.

        Returns
        -------
        dict of str to bytes
            Content by the name of the file: waves rms by Noll index; maps in rad and relative intensity, a value for each pixel of the
            panel.
        """
        pictures = {"aberration.tiff": self.map_rad, "beam.tiff": self.beam}
        made = {name: _tiff(picture) for name, picture in pictures.items() if picture is not None}
        return {"aberration.toml": self._text(digests).encode(), **made}

    def _text(self, digests: Mapping[str, str]) -> str:
        lines = [f'time = "{self.time}"', f'method = "{self.method}"', "", "[aberration]  # waves rms by Noll index"]
        lines += [f"{j} = {waves!r}" for j, waves in sorted(self.waves.items())]
        lines += ["", "[errors]  # one standard error"]
        lines += [f"{j} = {error!r}" for j, error in sorted(self.errors.items())]
        return "\n".join([*lines, "", "[digests]", *(f'"{name}" = "{digest}"' for name, digest in digests.items())]) + "\n"

    def summary(self) -> dict[str, Any]:
        """Give the figures as JSON-compatible values.

        Returns
        -------
        dict
            Waves rms, and shares from 0 to 1; "before" and "after" are without and with what was measured taken off.
        """
        change = [self.waves[j] - self.known.get(j, 0.0) for j in self.errors]
        return {
            "method": self.method,
            "frames": self.frames,
            "spots": len(self.points_um),
            "rms_waves": _norm([self.waves[j] for j in self.errors]),
            "change_waves": _norm(change),
            "error_waves": _norm([*self.errors.values()]),
            "strehl_before": self.strehl_before,
            "strehl_after": self.strehl_after,
            "core_before": self.before.core,
            "core_after": self.after.core,
            "core_error": float(np.hypot(self.before.core_error, self.after.core_error)),
            "chi2": self.chi2,
            "unexplained": self.unexplained,
            "terms": self._terms(),
            "warnings": list(self.notes),
        }

    def _terms(self) -> list[dict[str, float]]:
        """A row for each term: waves rms, and by how much it changes over 100 um along x and y."""
        rows = [{"noll": j, "waves": self.waves[j], "error": self.errors[j], "known": self.known.get(j, 0.0)} for j in self.errors]
        if self.variation is None:
            return rows
        changes = 100 * self.variation.slope, 100 * self.variation.error
        for row, slope, error in zip(rows, *changes, strict=True):
            row.update(per_100um_x=float(slope[0]), per_100um_y=float(slope[1]), error_x=float(error[0]), error_y=float(error[1]))
        return rows


def _norm(values: list[float]) -> float:
    return float(np.sqrt(np.square(values).sum()))


def _tiff(picture: NDArray[np.float32]) -> bytes:
    """Content of a TIFF file of one uncompressed grey page; the same picture gives the same bytes."""
    import tifffile

    content = io.BytesIO()
    tifffile.imwrite(content, picture, photometric="minisblack", metadata=None, software="holo")
    return content.getvalue()
