"""Response: the dialogue that measures which phase each level of the panel makes, or whether the bench file's response still holds.

Patches of the panel show binary gratings of two levels, each patch with first orders of its own on the camera; their light tells how far
the phases of the two levels are apart. In every frame one patch shows the same bright grating, so that neither the power of the laser nor
the exposure matters.

A binary grating looks the same if all phases change their sign. That is told by one mask more, a ramp of phase made with the response that
was found: it sends the light to one side. It needs a registration; without one the sign is that of the bench file.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.affine import Affine
from holo.checks import check_finite
from holo.dialogue import Ask, Start
from holo.errors import CalibrationError, InputError
from holo.field.path import light_path
from holo.frames import frame_of
from holo.gratings import Gratings, centred, gratings_of, levels_mask, read_orders
from holo.mask import level_choices, levels_of_phase, response_of_levels
from holo.parts import Panel
from holo.patches import Patches
from holo.probe import FAINT
from holo.response_fit import ResponseFit, Shown, fit_response, shared_pairs
from holo.wavefront import Real

FRAMES, CHECK_FRAMES = 40, 12
"""Frames of gratings by default, to measure and to check."""

MOST_ACROSS = 4
"""Most patches across the pupil: more have no room for their first orders, or gratings too fine."""

KNOTS, CHECK_KNOTS = 12, 4
"""Knots of the splines: of the response, and of what it has beyond that of the bench file."""

HOLDS = 0.05
"""Phase error, rad rms, up to which the response of the bench file holds: it costs a mask 0.25 % of its light."""

ONE_SIDED = 3.0
"""Least ratio of the light on both sides of the axis that tells the sign of the phase."""

VARIES = 4.0
"""Standard errors from which on a difference between patches is worth a note, if it makes more than `HOLDS`."""

MOST_ROWS = 1025
"""Most rows of the file."""

DOUBTFUL = 0.03
"""Rms misfit, over the most light of a grating, that is worth a note."""


@dataclass(frozen=True)
class ResponseOptions:
    """Options of `response`, see there."""

    across: int = 2
    frames: int | None = None
    check: bool = False
    seed: int = 0

    def __post_init__(self) -> None:
        least = CHECK_FRAMES // 2 if self.check else FRAMES // 2
        for name, value, low, high in (
            ("across", self.across, 2, MOST_ACROSS),
            ("frames", self.wanted, least, 900),
            ("seed", self.seed, 0, None),
        ):
            if type(value) is not int or value < low or (high is not None and value > high):
                raise InputError(f"{name}: found {value!r}; allowed: a whole number from {low} {'up' if high is None else f'to {high}'}")
        if type(self.check) is not bool:
            raise InputError(f"check: found {self.check!r}; allowed: true or false")

    @property
    def wanted(self) -> int:
        """Frames of gratings."""
        return self.frames if self.frames is not None else CHECK_FRAMES if self.check else FRAMES


@dataclass(frozen=True, eq=False)
class Response:
    """The panel's response, and what tells so.

    Attributes
    ----------
    panel : Panel
        With the response that the bench file has.
    fit : ResponseFit
        Its sign settled.
    patches : Patches
    places_mm : ndarray, shape (patches, 2)
        Middles of the patches on the panel.
    check : bool
        Whether only the bench file's response was checked.
    frames : int
    notes : tuple of str
        What the user should know.
    """

    panel: Panel
    fit: ResponseFit
    patches: Patches
    places_mm: Real
    check: bool
    frames: int
    notes: tuple[str, ...]

    @property
    def phase(self) -> Real:
        """Phase of each level, rad, 0 at level 0, made to rise or fall always, shape (levels,)."""
        sign = np.sign(self.fit.phase[-1])
        return np.asarray(sign * np.maximum.accumulate(sign * self.fit.phase))

    @property
    def two_pi_level(self) -> float | None:
        """Level whose phase is a turn from that of level 0; None where none is."""
        turns = np.abs(self.phase) / (2 * np.pi)
        return None if turns[-1] < 1 else float(np.interp(1.0, turns, np.arange(len(turns))))

    @property
    def two_pi_levels(self) -> tuple[Real, Real]:
        """The same for each patch, and standard errors, shape (patches,); beyond the last level as it goes on there."""
        turns = np.abs(self.phase) / (2 * np.pi)
        reached = 1 / (1 + self.fit.gain)
        level = np.arange(len(turns), dtype=np.float64)
        slope = float(turns[-1] - turns[-1 - len(turns) // 16]) / (len(turns) // 16)
        beyond = np.maximum(reached - turns[-1], 0) / max(slope, 1e-9)
        found = np.interp(reached, turns, level) + beyond
        each = np.interp(reached, turns, np.gradient(turns))
        error = np.hypot(self.fit.gain_error * reached, np.interp(reached, turns, self.fit.error) / (2 * np.pi))
        return np.asarray(found), np.asarray(error / np.maximum(each, 1e-9))

    def files(self, digests: Mapping[str, str]) -> dict[str, bytes]:
        """Give ``response.csv`` for the bench file, and ``two-pi.csv`` with the level of 2 pi over the panel; nothing of a check."""
        del digests  # they stand in the journal
        if self.check:
            return {}
        chosen = np.unique(np.rint(np.linspace(0, len(self.phase) - 1, min(len(self.phase), MOST_ROWS))).astype(np.int64))
        rows = [f"{level},{self.phase[level]:.6f},{self.fit.error[level]:.6f}" for level in chosen]
        table = [
            f"{column},{row},{x:.4f},{y:.4f},{level:.3f},{error:.3f}"
            for (column, row), (x, y), level, error in zip(self.patches.cell, self.places_mm, *self.two_pi_levels, strict=True)
        ]
        return {
            "response.csv": "\n".join(["level,phase_rad,error_rad", *rows, ""]).encode(),
            "two-pi.csv": "\n".join(["column,row,x_mm,y_mm,level_for_2pi,error", *table, ""]).encode(),
        }

    def summary(self) -> dict[str, Any]:
        """Give the figures as JSON-compatible values."""
        rms, lost = phase_error(self.panel, self.phase)
        told: dict[str, Any] = {"verdict": self.verdict} if self.check else {}
        return {
            **told,
            "frames": self.frames,
            "patches": len(self.patches),
            "two_pi_level": self.two_pi_level,
            "range_turns": float(np.abs(self.phase[-1]) / (2 * np.pi)),
            "error_rad": float(np.sqrt(np.mean(self.fit.error**2))),
            "change_rad": rms,
            "light_lost": lost,
            "variation": float(np.ptp(self.fit.gain)),
            "chi2": self.fit.chi2,
            "unexplained": self.fit.unexplained,
            "regions": self._regions(),
            "warnings": list(self.notes),
        }

    @property
    def verdict(self) -> str:
        """Whether the response of the bench file holds, and what to do."""
        rms, lost = phase_error(self.panel, self.phase)
        error = float(np.sqrt(np.mean(self.fit.error**2)))
        told = f"the bench file's response is off by {rms:.3f} rad rms (+- {error:.3f}), which costs a mask {lost:.2%} of its light"
        if np.sqrt(max(rms**2 - error**2, 0.0)) <= HOLDS:
            return f"holds: {told}"
        return f"does not hold: {told}; measure it anew without --check, and put the response.csv that this gives into the bench file"

    def _regions(self) -> list[dict[str, float]]:
        rows = zip(self.patches.cell.tolist(), self.places_mm.tolist(), *(part.tolist() for part in self.two_pi_levels), strict=True)
        return [
            {"column": column, "row": row, "x_mm": x, "y_mm": y, "level_for_2pi": level, "error": error}
            for (column, row), (x, y), level, error in rows
        ]


def phase_error(panel: Panel, phase: Real) -> tuple[float, float]:
    """How far masks made with a panel's believed response are off, if another one is true.

    Parameters
    ----------
    panel : Panel
        With the believed response.
    phase : ndarray, shape (levels,)
        True phase of each level, rad.

    Returns
    -------
    rms : float
        rad, over a mask whose wanted phases are spread evenly over a turn; a phase that all pixels share does not count.
    lost : float
        Share of the light that this takes from where it is wanted, ``1 - |<exp(i error)>|^2`` (V. N. Mahajan, J. Opt. Soc. Am. 72, 1258
        (1982), doi:10.1364/JOSA.72.001258, from memory).

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> panel = SimpleNamespace(levels=256, level_for_2pi=212, response=None)
    >>> rms, lost = phase_error(panel, 1.1 * response_of_levels(panel))
    >>> round(rms, 3), round(lost, 3)  # 0.2 pi / sqrt(12), and 1 - sinc(0.1)^2
    (0.181, 0.032)
    """
    check_finite("phase", phase)
    used = level_choices(panel)[0]
    error = (phase - response_of_levels(panel))[used]
    return float(np.std(error)), float(1 - np.abs(np.exp(1j * error).mean()) ** 2)


# ---------------------------------------------------------------------------------------------------------------------
# the dialogue


def response(start: Start) -> Generator[Ask, NDArray[Any], Response]:
    """Measure the response of the panel: the dialogue.

    Parameters
    ----------
    start : Start
        With a registration of the camera, or none if the camera looks at the axis straight, unturned and unmirrored. Its options:
        ``across``, patches across the pupil, each of which gets a level of 2 pi of its own; ``frames`` of gratings; ``check``, whether
        only to tell how far off the bench file's response is, of fewer frames; ``seed`` of what is shown where.

    Yields
    ------
    Ask
        Masks of gratings, and with a registration a ramp of phase last, and is sent their frames, shape (shots, rows, columns).

    Returns
    -------
    Response

    Raises
    ------
    InputError
        If the bench has no camera, an option is out of range, or a frame is not the camera's.
    CalibrationError
        If frames do not tell: first orders that are not there or saturated, or light that no response explains.
    """
    try:
        options = ResponseOptions(**start.options)
    except TypeError as error:
        allowed = ", ".join(ResponseOptions.__dataclass_fields__)
        raise InputError(f"options: found {start.options}; allowed: {allowed}") from error
    rng = np.random.default_rng(options.seed)
    gratings = gratings_of(start.bench, camera_map(start), options.across, rng)
    believed = response_of_levels(start.bench.panel)
    pairs = shared_pairs(believed, options.wanted, len(gratings), rng)
    turns = rng.random(pairs.shape[:2])  # moved at random, so that stray light adds up differently each time
    gratings, shown = yield from _gratings(start, gratings, pairs, turns)
    fit = fit_response(shown, believed, CHECK_KNOTS if options.check else KNOTS, beyond=options.check)
    found = Response(start.bench.panel, fit, gratings.patches, _middles_mm(gratings), options.check, len(pairs), ())
    sign = 1
    if start.registration is not None:
        sign = yield from _sign(start, gratings, found)
        found = replace(found, fit=replace(fit, phase=sign * fit.phase), frames=len(pairs) + 1)
    return replace(found, notes=_notes(found, believed, start.registration is not None))


def camera_map(start: Start) -> Affine:
    """Where the camera sees the objective plane: as registered, or else as the bench file has it, the axis in the middle.

    Raises
    ------
    InputError
        If the bench has no camera.
    """
    camera = start.bench.camera
    if camera is None:
        raise InputError("bench: found no table [camera]; needed: one, with columns, rows, pixel_um, magnification and bits")
    if start.registration is not None:
        if start.registration.plane_to_camera is None:
            raise InputError("registration: found none with plane_to_camera; needed: the result of register, or none")
        return start.registration.plane_to_camera
    return Affine(np.eye(2) * camera.magnification / camera.pixel_um, np.array([camera.columns - 1, camera.rows - 1]) / 2)


def _gratings(
    start: Start, gratings: Gratings, pairs: NDArray[np.int64], turns: Real
) -> Generator[Ask, NDArray[Any], tuple[Gratings, Shown]]:
    """Show all gratings and read their light; gives the windows where the light is, too."""
    power, error = [], []
    for frame in range(len(pairs)):
        mask = levels_mask(start, gratings.levels(pairs[frame], turns[frame]), gratings.places_um)
        stack = yield Ask(mask, f"gratings on {len(gratings)} patches ({frame + 1} of {len(pairs)}): no first order may be saturated")
        if frame == 0:
            gratings = centred(gratings, stack)
        orders = read_orders(gratings, frame_of(stack, start.bench.camera))
        if not orders.clear[frame % len(gratings)] > FAINT:
            raise CalibrationError(
                f"gratings: found no light in the first orders of patch {frame % len(gratings)}, whose grating is bright in this frame. Is "
                "the mask on the panel, the light on, the exposure as before?"
            )
        power.append(orders.power.sum(axis=1))
        error.append(np.hypot(*orders.error.T))
    return gratings, Shown(pairs, np.array(power), np.array(error), gratings.share, gratings.periods_px)


def _sign(start: Start, gratings: Gratings, found: Response) -> Generator[Ask, NDArray[Any], int]:
    """Show a ramp of phase made with what was found, and tell to which side it sends the light: 1 to the wanted one, else -1."""
    brightest = int(np.argmax(gratings.share))
    path, (x_um, y_um) = light_path(start.bench), gratings.places_um[brightest]
    levels = np.arange(len(found.phase))
    panel = replace(start.bench.panel, level_for_2pi=None, response=np.column_stack([levels, found.phase]))
    ramp = levels_of_phase(path.scale * (path.x_um * x_um + path.y_um[:, None] * y_um), panel)
    note = "a ramp made with the response found: take it with less light, its spot must not be saturated"
    stack = yield Ask(levels_mask(start, ramp, gratings.places_um[[brightest]]), note)
    both = replace(gratings, corner=gratings.corner[[brightest]])
    wanted, other = read_orders(both, frame_of(stack, start.bench.camera)).power[0]
    if max(wanted, other) < ONE_SIDED * max(min(wanted, other), 0.0) or max(wanted, other) <= 0:
        raise CalibrationError(
            f"ramp: found {wanted:.0f} counts where it sends its light and {other:.0f} on the other side of the axis; needed: "
            f"{ONE_SIDED:g} times as much on one side. Is the mask on the panel, the light on, the exposure right?"
        )
    return 1 if wanted > other else -1


def _middles_mm(gratings: Gratings) -> Real:
    """Middles of the patches on the panel."""
    patches = gratings.patches
    return np.asarray(((patches.cell + 0.5) * 2 / patches.across - 1) * gratings.bench.pupil_radius_um * 1e-3)


def _notes(found: Response, believed: Real, registered: bool) -> tuple[str, ...]:
    """What the user should know of a result."""
    fit, levels = found.fit, len(believed)
    notes = []
    if not registered:
        notes.append("whether the phase rises or falls is taken from the bench file: only with --registration is it measured")
    elif np.sign(fit.phase[-1]) != np.sign(believed[-1] - believed[0]):
        notes.append("the phase changes with the level the other way round than the bench file has it, if the registration is right")
    if np.abs(found.phase[-1]) < 2 * np.pi * (levels - 1) / levels * (1 - 1e-3):
        notes.append(
            f"all levels together cover {np.abs(found.phase[-1]) / (2 * np.pi):.3f} turns; a bench file needs a whole one: change what the "
            "panel's driver makes of levels, or the wavelength it is set to"
        )
    if np.abs(found.phase - fit.phase).max() > 3 * fit.error.max():
        notes.append("the phase found goes back and forth with the level; it is written as always rising or falling: look at the picture")
    size = np.abs(fit.gain) * np.std(fit.phase)
    if ((np.abs(fit.gain) > VARIES * fit.gain_error) & (size > HOLDS)).any():
        notes.append(
            f"the response is not the same all over the panel: phases differ by {np.ptp(fit.gain):.1%} between patches (two-pi.csv), and "
            f"one response for all is off by up to {size.max():.2f} rad rms"
        )
    if fit.unexplained > DOUBTFUL:
        notes.append(
            f"{fit.unexplained:.1%} of the brightest light, rms, is not explained: look for stray light, a panel that has not settled when "
            "the frame is taken, a camera that is not linear"
        )
    return tuple(notes)
