"""What the sites see while the liquid crystal goes from one mask to the next.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.checks import check_numbers
from holo.errors import InputError
from holo.field.path import LightPath
from holo.field.sites import direct_fields

Real = NDArray[np.float64]

RESPONSES = ("shortest", "raw")
"""How a pixel gets to its next phase: the shorter way around the circle, or by way of all levels in between."""

SHARES = (0.25, 0.5, 0.75, 1.0)
"""Shares of the change at which a transition is looked at."""


def relaxed(before: NDArray[np.floating[Any]], after: NDArray[np.floating[Any]], share: float, response: str) -> NDArray[np.floating[Any]]:
    """Phase of the panel on its way from one mask to the next.

    Parameters
    ----------
    before, after : ndarray
        Phases that the levels make, not wrapped, rad.
    share : float
        Share of the change that is done, ``1 - exp(-t / tau)`` at a time t: 0 to 1.
    response : str
        One of `RESPONSES`. A linear response makes "raw" the path of the levels; a panel that can show each phase in two ways, with
        levels chosen accordingly, is between the two.

    Returns
    -------
    ndarray
        rad, not wrapped.

    Raises
    ------
    InputError
        If `response` is unknown.

    Notes
    -----
    ``phi(t) = phi_1 + (phi_0 - phi_1) exp(-t / tau)``, the relaxation of a nematic after a small change of voltage (from memory).

    Examples
    --------
    >>> float(relaxed(np.array(0.5), np.array(6.0), 0.5, "raw"))
    3.25
    >>> round(float(relaxed(np.array(0.5), np.array(6.0), 0.5, "shortest")), 3)
    0.108
    """
    if response not in RESPONSES:
        raise InputError(f"response: found {response!r}; allowed: {', '.join(RESPONSES)}")
    change = after - before
    if response == "shortest":
        change = change - 2 * np.pi * np.rint(change / (2 * np.pi))
    return before + share * change


def share_after(time_ms: float, settling_ms: float) -> float:
    """Share of a change that is done after a time: ``1 - exp(-t / tau)``.

    Examples
    --------
    >>> round(share_after(2.302585, 1.0), 3)
    0.9
    """
    check_numbers(time_ms=time_ms, settling_ms=settling_ms)
    return float(-np.expm1(-time_ms / settling_ms)) if settling_ms > 0 else 1.0


def transition(
    path: LightPath,
    before: NDArray[np.floating[Any]],
    after: NDArray[np.floating[Any]],
    places_um: tuple[Real, Real],
    *,
    shares: tuple[float, ...] = SHARES,
    response: str = "shortest",
) -> Real:
    """Light on each site while one mask turns into another.

    Parameters
    ----------
    path : LightPath
    before, after : ndarray, shape (rows, columns)
        Phases that the panel makes of the two masks, not wrapped, rad.
    places_um : two ndarrays, shape (n, 3)
        The sites of the one and of the other, um.
    shares : tuple of float
        Shares of the change at which to look; the site is then looked for at the same share of its way, where its spot is.
    response : str
        See `relaxed`.

    Returns
    -------
    ndarray, shape (shares, n)
        Relative intensities, pixel envelope included.

    Notes
    -----
    Between two unrelated masks the old light falls as ``sinc^2(s)`` and the new rises as ``sinc^2(1 - s)`` with the share s, by the shorter
    way; with the way by all levels both are squared. They cross at 0.405 and 0.164 (averages over the differences of phase, uniform in
    ``-pi..pi`` and triangular in ``-2 pi..2 pi``).
    """
    check_numbers(before=before, after=after, places_um=places_um, shares=shares)
    intensity = []
    for share in shares:
        phase = relaxed(before, after, share, response)
        places = places_um[0] + share * (places_um[1] - places_um[0])
        intensity.append(np.abs(direct_fields(path, phase, places)) ** 2)
    return np.array(intensity).reshape(len(shares), -1)
