"""A mask's light as the camera sees it beside the light predicted.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from holo.affine import Affine
from holo.errors import CalibrationError
from holo.predict import figures
from holo.spots import EDGE, SATURATED, measure_spots

if TYPE_CHECKING:
    from holo.frames import Frame
    from holo.predict import Prediction


@dataclass(frozen=True, eq=False)
class Comparison:
    """Intensities and places of bright sites, measured and predicted.

    Attributes
    ----------
    measured, error, predicted : ndarray, shape (n,)
        Intensity over target and over the mean of the n sites compared: on the frame, its standard error, and as predicted.
    shift_px : ndarray, shape (n, 2)
        Where a site was seen less where the registration puts it, (column, row).
    spread, noise : float
        Standard deviation of `measured`, noise taken off; and the rms of `error`.
    saturated, outside : int
        Bright sites left out because they are saturated, or because they lie at the camera's edge or beyond.
    """

    measured: NDArray[np.float64]
    error: NDArray[np.float64]
    predicted: NDArray[np.float64]
    shift_px: NDArray[np.float64]
    spread: float
    noise: float
    saturated: int
    outside: int

    def summary(self) -> dict[str, Any]:
        """Give the single figures as JSON-compatible values.

        Returns
        -------
        dict of str to float
            Keys begin with ``measured_``; shifts in pixels of the camera, (column, row), `measured_shift_px` their mean.
        """
        return {
            "measured_sites": len(self.measured),
            "measured_spread": self.spread,
            "measured_noise": self.noise,
            "measured_uniformity": figures(self.measured, np.ones(len(self.measured))).uniformity,
            "measured_shift_px": self.shift_px.mean(axis=0).tolist(),
            "measured_shift_rms_px": float(np.sqrt((self.shift_px**2).sum(axis=1).mean())),
            "measured_saturated": self.saturated,
            "measured_outside": self.outside,
        }


def compare(frame: Frame, prediction: Prediction, plane_to_camera: Affine, spot_width_um: float) -> Comparison:
    """Measure the bright sites of a mask on a frame of it.

    Parameters
    ----------
    frame : Frame
    prediction : Prediction
        Of the mask that the frame was taken of.
    plane_to_camera : Affine
        From a registration.
    spot_width_um : float
        Of the bench.

    Returns
    -------
    Comparison

    Raises
    ------
    CalibrationError
        If no bright site can be compared.

    Notes
    -----
    The variance of the measured intensities is that of the sites plus that of the noise; the latter is taken off, and what is left is 0 if
    it would be negative.
    """
    width = spot_width_um * float(np.sqrt(abs(np.linalg.det(plane_to_camera.matrix))))
    bright = prediction.sites.bright
    expected = plane_to_camera.apply(prediction.sites.xyz_um[bright, :2])
    inside = ((expected > 0) & (expected < np.array(frame.shape[::-1]) - 1)).all(axis=1)
    spots = measure_spots(frame, expected[inside], width)
    spoilt = {flag: spots.flags & flag > 0 for flag in (SATURATED, EDGE)}
    kept = ~(spoilt[SATURATED] | spoilt[EDGE])
    if not kept.any() or not spots.total[kept].mean() > 3 * np.sqrt((spots.total_error[kept] ** 2).mean() / kept.sum()):
        raise CalibrationError(
            f"frame: found light on none of {len(expected)} bright sites ({spoilt[SATURATED].sum()} saturated, {(~inside).sum()} out of "
            "view); is it a frame of this mask, and the registration of this camera?"
        )
    target = prediction.sites.target[bright][inside][kept]
    measured, error = spots.total[kept] / target, spots.total_error[kept] / target
    predicted = prediction.relative[bright][inside][kept]
    mean = measured.mean()
    noise = float(np.sqrt((error**2).mean()) / mean)
    return Comparison(
        measured=measured / mean,
        error=error / mean,
        predicted=predicted / predicted.mean(),
        shift_px=(spots.xy_px - expected[inside])[kept],
        spread=float(np.sqrt(max((measured / mean).var() - noise**2, 0.0))),
        noise=noise,
        saturated=int(spoilt[SATURATED].sum()),
        outside=int((~inside).sum() + (spoilt[EDGE] & ~spoilt[SATURATED]).sum()),
    )
