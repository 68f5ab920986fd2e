"""The light path: what the bench does to the light of each panel pixel, whatever the mask.

Sections of books are cited from memory.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from holo.arrays import namespace
from holo.bench import beam_intensity, pixel_envelope, pupil_radii, pupil_share
from holo.zernike import zernike_sum

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from holo.bench import Bench


@dataclass(frozen=True, eq=False)
class LightPath:
    """Amplitudes and phases of the light path, pixel by pixel.

    Notes
    -----
    The field of a mask phase ``phi`` (rad) at a point (X, Y, Z) of the objective plane is::

        V = sum_p A_p exp(i (phi_p + psi_p - scale (x_p X + y_p Y) - d_p Z))

    with the amplitude ``A``, the aberration ``psi`` and the defocus ``d`` of this record (J. W. Goodman, Introduction to Fourier
    Optics, sec. 5.2, for the Fourier pair). A mask phase ``+ scale x X`` sends the light to ``+X``.
    """

    x_um: NDArray[np.float64]
    """Pixel centres, shape (columns,)."""
    y_um: NDArray[np.float64]
    """Pixel centres, shape (rows,), downwards."""
    amplitude: NDArray[np.float64]
    """Relative amplitude of the beam, shape (rows, columns); 0 outside the pupil."""
    aberration: NDArray[np.float64]
    """Phase of the known aberration, rad, shape (rows, columns); 0 outside the pupil."""
    defocus: NDArray[np.float64]
    """Phase per um of depth, rad/um, shape (rows, columns), of mean 0 over the pupil; 0 outside the pupil."""
    scale: float
    """``2 pi / (lambda f)``, rad/um^2."""
    side_um: float
    """Active side of a pixel."""
    amplitude_sum: float
    """Sum of `amplitude`: the field of an unsplit, perfect focus."""
    pupil: NDArray[np.bool_]
    """Whether a pixel lies inside the pupil, shape (rows, columns)."""
    pupil_share: float
    """Share of the power on the panel that falls inside the pupil."""

    def envelope(self, xyz_um: NDArray[np.float64]) -> NDArray[np.float64]:
        """Amplitude envelope of a pixel's active area.

        Parameters
        ----------
        xyz_um : ndarray, shape (n, 2) or (n, 3)
            Points of the objective plane; the depth does not matter.

        Returns
        -------
        ndarray, shape (n,)
            As `holo.bench.pixel_envelope`: 1 on the axis; its square belongs to the intensity.

        Examples
        --------
        >>> from holo.bench import demo_bench_text, parse_bench
        >>> path = light_path(parse_bench(demo_bench_text(), "bench.toml"))
        >>> path.envelope(np.array([[0.0, 0.0, 0.0], [200.0, 0.0, 5.0]])).round(4)
        array([1.    , 0.9028])
        """
        return pixel_envelope(xyz_um, self.scale, self.side_um)


def light_path(bench: Bench) -> LightPath:
    """Work out the light path of a bench.

    Parameters
    ----------
    bench : Bench

    Returns
    -------
    LightPath
        Arrays of the shape of the panel, phases in rad.

    Notes
    -----
    The defocus phase per um is ``k n sqrt(1 - (rho NA / n)^2)`` less its mean over the pupil, with ``rho`` the pixel's radius over
    the pupil's: an objective that obeys Abbe's sine condition (Born & Wolf, 7th ed., sec. 4.5.1). The aberration is
    ``2 pi`` times the sum of the bench's Zernike terms (Noll index, waves rms), and its map on top.

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> path = light_path(parse_bench(demo_bench_text(), "bench.toml"))
    >>> path.amplitude.shape, round(path.pupil_share, 3)
    ((1000, 1200), 0.947)
    """
    x, y = bench.panel.x_um, bench.panel.y_um
    rho = pupil_radii(bench)
    pupil = rho <= 1
    amplitude = np.where(pupil, np.sqrt(beam_intensity(bench)), 0.0)
    theta = np.arctan2(y[:, None], x[None, :])[pupil]
    aberration = np.zeros(pupil.shape)
    aberration[pupil] = 2 * np.pi * zernike_sum(dict(bench.optics.aberration), rho[pupil], theta)
    if bench.optics.aberration_map is not None:
        aberration[pupil] += bench.optics.aberration_map[pupil]
    return LightPath(
        x_um=x,
        y_um=y,
        amplitude=amplitude,
        aberration=aberration,
        defocus=_defocus(bench, rho, pupil),
        scale=bench.wavenumber_scale,
        side_um=bench.envelope_side_um,
        amplitude_sum=float(amplitude.sum()),
        pupil=pupil,
        pupil_share=pupil_share(bench),
    )


def wrap(phase: Any) -> NDArray[np.float32]:
    """Phase modulo 2 pi as float32, in [0, 2 pi), on the device where it is.

    Parameters
    ----------
    phase : ndarray
        rad; of numpy or cupy.

    Returns
    -------
    ndarray of float32
        Of the same shape, rad.

    Examples
    --------
    >>> wrap(np.array([-0.5 * np.pi, 2 * np.pi]))
    array([4.712389, 0.      ], dtype=float32)
    """
    turn = 2 * np.pi
    wrapped: NDArray[np.float32] = namespace(phase).asarray(np.mod(phase, turn), dtype=np.float32)
    wrapped[wrapped >= turn] = 0.0
    return wrapped


def _defocus(bench: Bench, rho: NDArray[np.float64], pupil: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Phase per um of depth, rad/um, of mean 0 over the pupil and 0 outside it."""
    index, aperture = bench.optics.medium_index, bench.optics.numerical_aperture
    phase = 2 * np.pi * index / bench.wavelength_um * np.sqrt(1 - (rho[pupil] * aperture / index) ** 2)
    defocus = np.zeros(rho.shape)
    defocus[pupil] = phase - phase.mean()
    return defocus
