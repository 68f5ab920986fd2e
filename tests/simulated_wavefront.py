"""Camera frames of spots seen through an aberrated pupil, for the tests; no code of holo takes part, so that an error there cannot hide.

The sum over the pixels of the panel is taken in float64 on a fine grid about each spot; a cubic spline of it is averaged over the pixels
of the camera. Zernike polynomials are those of R. J. Noll, J. Opt. Soc. Am. 66, 207 (1976), eq. 1 and 2, with the factorials written out
and the indices counted off. Pixel centres lie at whole numbers (column, row).
"""

from __future__ import annotations

from math import factorial

import numpy as np
from scipy.ndimage import map_coordinates


def noll_terms(last):
    """(n, m) of the Noll indices 1 ... last; m < 0 for sine terms."""
    found, n = [], 0
    while len(found) < last:
        for m in range(n % 2, n + 1, 2):
            for _ in range(1 if m == 0 else 2):
                found.append((n, m if (len(found) + 1) % 2 == 0 else -m))
        n += 1
    return found[:last]


def polynomial(j, rho, theta):
    """Zernike polynomial of a Noll index."""
    n, m = noll_terms(j)[-1]
    k = abs(m)
    radial = sum(
        (-1) ** s * factorial(n - s) / (factorial(s) * factorial((n + k) // 2 - s) * factorial((n - k) // 2 - s)) * rho ** (n - 2 * s)
        for s in range((n - k) // 2 + 1)
    )
    angular = 1 if m == 0 else np.sqrt(2) * (np.cos(k * theta) if m > 0 else np.sin(k * theta))
    return np.sqrt(n + 1) * radial * angular


class Simulator:
    """A panel, its light and a camera, by numbers alone.

    Parameters
    ----------
    shape : (int, int)
        Rows and columns of the panel.
    pitch_um, wavelength_um, focal_um, radius_um : float
        Pixels, light, focal length as the panel sees it, radius of the pupil on the panel.
    levels_2pi : float
        Level of 2 pi.
    waves : dict
        Aberration, waves rms by Noll index.
    beam : callable
        Amplitude from x and y in pupil radii.
    camera : (matrix, offset, (rows, columns))
        From the plane, um, to pixels.
    field_waves : callable, optional
        What the aberration is at a point (x, y), um, beyond `waves`, as a dict.

    Attributes
    ----------
    extra : float or ndarray, shape of the panel
        Phase on top, rad.
    """

    def __init__(self, shape, pitch_um, wavelength_um, focal_um, radius_um, levels_2pi, waves, beam, camera, field_waves=None):
        self.x, self.y = ((np.arange(n) - (n - 1) / 2) * pitch_um for n in shape[::-1])
        self.k = 2 * np.pi / (wavelength_um * focal_um)
        self.resolution_um = wavelength_um * focal_um / (2 * radius_um)
        px, py = np.meshgrid(self.x / radius_um, self.y / radius_um)
        self.rho, self.theta = np.hypot(px, py), np.arctan2(py, px)
        self.pupil = self.rho <= 1
        self.levels_2pi, self.waves, self.field_waves = levels_2pi, waves, field_waves
        self.amplitude = np.where(self.pupil, beam(px, py), 0)
        self.matrix, self.offset, self.shape = camera
        self.extra = 0.0

    def phase(self, waves):
        """Phase of Zernike terms on the panel's pixels, rad."""
        return 2 * np.pi * sum(((waves[j] * polynomial(j, self.rho, self.theta)) for j in waves), np.zeros(self.rho.shape))

    def picture(self, levels, points_um, reach_um):
        """Light on the camera within `reach_um` of some points of the plane, over that of a perfect, unsplit focus; 0 elsewhere."""
        image, common = np.zeros(self.shape), self.phase(self.waves) + self.extra
        step = self.resolution_um / 5
        fine = np.arange(-int(1.3 * reach_um / step) - 4, int(1.3 * reach_um / step) + 5) * step
        inverse = np.linalg.inv(self.matrix)
        node, weight = np.polynomial.legendre.leggauss(3)
        scale = np.sqrt(abs(np.linalg.det(self.matrix)))
        half = int(reach_um * scale)
        everywhere = self.amplitude * np.exp(1j * (2 * np.pi * levels / self.levels_2pi + common))
        for point in points_um:
            light = everywhere if self.field_waves is None else everywhere * np.exp(1j * self.phase(self.field_waves(point)))
            down, across = (
                np.exp(-1j * self.k * np.outer(place + fine, axis)) for place, axis in zip(point[::-1], (self.y, self.x), strict=True)
            )
            intensity = np.abs(down @ light @ across.T / self.amplitude.sum()) ** 2
            column0, row0 = np.rint(self.matrix @ point + self.offset).astype(int)
            column, row = np.meshgrid(np.arange(-half, half + 1) + column0, np.arange(-half, half + 1) + row0)
            mean = np.zeros(row.shape)
            for dy, wy in zip(node / 2, weight / 2, strict=True):
                for dx, wx in zip(node / 2, weight / 2, strict=True):
                    plane = np.stack([column + dx, row + dy], axis=-1) @ inverse.T - inverse @ self.offset - point
                    places = [plane[..., 1] / step - fine[0] / step, plane[..., 0] / step - fine[0] / step]
                    mean += wx * wy * map_coordinates(intensity, places, order=3)
            seen = (row >= 0) & (row < self.shape[0]) & (column >= 0) & (column < self.shape[1])
            image[row[seen], column[seen]] += np.maximum(mean, 0)[seen]
        return image
