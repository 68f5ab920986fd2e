"""Whether a mask is what was asked for: what the search did not reach, and what rounding to levels took back.

A search ends with a phase. What is shown are levels, and where these are few, or the wanted light faint, their rounding may spoil what
the search had reached. So a design has converged only if both have: the search, and the levels that are written.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from holo.predict import Prediction
    from holo.retrieve.smooth import SmoothRetrieval
    from holo.retrieve.spots import Retrieval

SPOILT = 0.01
"""What rounding may take off the uniformity, or add to the light on the brightest dark site or to the error of continuous light, before it
has spoilt a mask (common practice, no source)."""

_TRIMS = {
    "quick": "try --effort normal or high, which trim the levels against that; ",
    "normal": "try --effort high, which trims longer; ",
}
_LEVELS = "a panel with more levels in 2 pi, or more lit pixels, rounds less"


def missed_by_sites(
    found: Retrieval, judged: Prediction, sought: NDArray[np.bool_], steps: float, *, engine: str, effort: str, asked: float | None
) -> str:
    """Say why a mask of sites is not what was asked for, and what to do.

    Parameters
    ----------
    found : Retrieval
    judged : Prediction
        From the levels that are written.
    sought : ndarray of bool, shape (n,)
        Which of the sites the search was asked for.
    steps : float
        Steps of phase per 2 pi of the panel.
    engine, effort : str
        See `holo.design.DesignOptions`.
    asked : float or None
        Uniformity that was asked for by name, if any: the levels are held to that too.

    Returns
    -------
    str
        Empty if search and levels both came to what was wanted: if rounding cost less than `SPOILT`.
    """
    if found.interrupted:
        return f"interrupted after {found.iterations} iterations: this is the best mask so far, and --again will not give it"
    if not found.converged and engine == "dense":
        return f"the search ended after {found.iterations} iterations, while the light was still getting better: try --effort high"
    if not found.converged:
        ended = f"the search ended after {found.iterations} iterations short of the uniformity or darkness it was to reach"
        return f"{ended}: {judged.worst()}; try --effort high, and see the other warnings for what stands in the way"
    lost, level = [], judged.figures.uniformity
    if found.uniformity - level > SPOILT or (asked is not None and level < asked):
        aim = "" if asked is None else f" ({asked:.6g} was asked for)"
        lost.append(f"the uniformity from {found.uniformity:.6g} to {level:.6g}{aim}, as {judged.worst()}")
    stray = _brightest_dark(judged, sought)
    if stray - found.crosstalk > SPOILT:
        lost.append(f"the light on the brightest dark site from {found.crosstalk:.2g} to {stray:.2g} times the mean of the bright ones")
    if not lost:
        return ""
    remedy = _TRIMS.get(effort, "") if engine == "spots" else ""
    remedy += "ask for less; " if asked is not None else ""
    return f"the search converged, but rounding to {steps:.4g} steps of phase per 2 pi took {' and '.join(lost)}: {remedy}{_LEVELS}"


def _brightest_dark(judged: Prediction, sought: NDArray[np.bool_]) -> float:
    """Light on the brightest dark site that was asked for, over the mean of the bright ones."""
    bright = judged.sites.target > 0
    return float(judged.intensity[sought & ~bright].max(initial=0.0) / judged.intensity[bright].mean())


def missed_by_light(found: SmoothRetrieval, rms: float, before: float, steps: float, *, effort: str, asked: float | None) -> str:
    """Say why a mask of continuous light is not what was asked for, and what to do.

    Parameters
    ----------
    found : SmoothRetrieval
    rms, before : float
        Error of the light of the levels, and of the phase before rounding.
    steps, effort
        As for `missed_by_sites`.
    asked : float or None
        Error that was asked for by name, if any.

    Returns
    -------
    str
        Empty if search and levels both came to what was wanted.
    """
    if found.interrupted:
        return f"interrupted after {found.iterations} iterations: the mask holds the best phase until then"
    if not found.converged:
        return f"the search ended after {found.iterations} iterations short of the error it was to reach: try --effort high or less power"
    if rms - before <= SPOILT and (asked is None or rms <= asked):
        return ""
    aim = "" if asked is None else f" ({100 * asked:.3g} % was asked for)"
    took = f"took the rms error from {100 * before:.3g} to {100 * rms:.3g} %{aim}"
    remedy = _TRIMS[effort] if effort == "quick" else ""
    return f"the search converged, but rounding to {steps:.4g} steps of phase per 2 pi {took}: {remedy}{_LEVELS}"
