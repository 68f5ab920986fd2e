"""Masks that nothing was retrieved for: sums of terms, and patterns to align and measure the panel with.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from holo import __version__
from holo.addends import array_addend, corrected_addend, mask_addend, replay
from holo.arrangement import from_sites
from holo.errors import InputError
from holo.field.path import light_path
from holo.mask import FORMAT, VERSION, Mask, levels_of_phase, nudge_mask
from holo.record import recorded_bench, sources_of
from holo.terms import Addend, term

if TYPE_CHECKING:
    from holo.bench import Bench

NONE = "none"
"""What the record of a mask that nothing was retrieved for calls its engine."""


@dataclass(frozen=True)
class Sum:
    """What is summed, beside the mask that it is added to.

    Attributes
    ----------
    by_um : (float, float)
        Tilt, as how far the light moves in the objective plane.
    focus_um : float
        How far it moves along the axis.
    terms : tuple of (str, dict)
        Kind and values of each term; see `holo.terms.term`.
    arrays : tuple of (path, float)
        Files of phases, and the factors they are multiplied by.
    masks : tuple of path
        Further masks.
    corrected : bool
        Whether the known aberration is taken off; for a sum without a mask only.
    """

    by_um: tuple[float, float] = (0.0, 0.0)
    focus_um: float = 0.0
    terms: tuple[tuple[str, dict[str, float]], ...] = ()
    arrays: tuple[tuple[str | os.PathLike[str], float], ...] = ()
    masks: tuple[str | os.PathLike[str], ...] = ()
    corrected: bool = False

    @property
    def empty(self) -> bool:
        """Whether there is nothing in it."""
        return self == Sum()


def blank_mask(bench: Bench, source: dict[str, Any] | None = None) -> Mask:
    """Give the mask of phase 0 everywhere, to add to.

    Parameters
    ----------
    bench : Bench
    source : dict, optional
        What the record is to say of the bench; by default its text.

    Returns
    -------
    Mask
        Of no sites; its record names the engine `NONE`.
    """
    phase = np.zeros(bench.panel.shape, np.float32)
    sources = sources_of(bench, from_sites([])) | ({} if source is None else {"bench": source})
    record: dict[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
        "time": datetime.now(UTC).isoformat(timespec="seconds"),
        "holo": __version__,
        **sources,
        "seed": 0,
        "options": {"engine": NONE},
        "figures": {},
        "nudges": [],
    }
    return Mask(levels_of_phase(phase, bench.panel), phase, record)


def add(mask: Mask, bench: Bench, wanted: Sum) -> Mask:
    """Sum a mask and other phases, and apply what corrects the panel to the sum, once.

    Parameters
    ----------
    mask : Mask
        What is added to; `blank_mask` for terms by themselves.
    bench : Bench
        Whose response, flatness and light path count.
    wanted : Sum

    Returns
    -------
    Mask
        The field of a sum of two masks is the convolution of their fields: each spot of one becomes the whole light of the other.

    Raises
    ------
    InputError
        As `holo.terms.term`, `holo.addends.array_addend`, `holo.addends.mask_addend` and `holo.mask.nudge_mask`; and if the aberration is
        to be taken off a mask that has it off already.

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> lens = add(blank_mask(bench), bench, Sum(by_um=(40.0, 0.0), terms=(("zernike", {"noll": 4, "waves": 0.2}),)))
    >>> lens.record["nudges"]
    [{'x_um': 40.0, 'y_um': 0.0, 'focus_um': 0.0, 'added': [{'kind': 'zernike', 'noll': 4, 'waves': 0.2}]}]
    """
    light = light_path(bench)
    addends: list[Addend] = [term(bench, kind, values) for kind, values in wanted.terms]
    addends += [array_addend(path, bench.panel, factor) for path, factor in wanted.arrays]
    addends += [mask_addend(path, bench, light) for path in wanted.masks]
    if wanted.corrected:
        if not is_blank(mask.record):
            raise InputError(
                "corrected: found for a sum with a designed mask; allowed: without one, as that takes the aberration off itself"
            )
        addends.append(corrected_addend(light))
    return nudge_mask(mask, light, bench.panel, wanted.by_um, wanted.focus_um, addends)


def is_blank(record: dict[str, Any]) -> bool:
    """Tell whether nothing was retrieved for a mask."""
    return bool(record["options"].get("engine") == NONE)


def remake_blank(record: dict[str, Any], bench_path: str | os.PathLike[str] | None = None) -> Mask:
    """Make a mask that nothing was retrieved for again from its own record; see `holo.design.remake`.

    Raises
    ------
    InputError
        If the bench's side files, or a file that was added, are missing or have changed.
    """
    bench = recorded_bench(record, bench_path)
    return replay(blank_mask(bench, record["bench"]), bench, record["nudges"])
