"""Sense: the dialogue that measures the aberration of the light path, from the panel to the objective plane.

Three methods: diversity and modal show a mask of a few spots again and again with known smooth phases, biases, on top, and the camera
tells what becomes of the spots; patches lets neighbouring patches of the panel make fringes. What is found is the whole aberration, that
which the bench file knows included; tilt, which belongs to the registration, is not told.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.bench import Bench, beam_intensity
from holo.dialogue import Ask, Start
from holo.errors import CalibrationError, InputError
from holo.field.path import wrap
from holo.frames import frame_of
from holo.mask import Mask, levels_of_phase
from holo.parts import NOLL_LAST
from holo.patches import (
    GROWTH,
    Fringes,
    Patches,
    averaged_terms,
    grown_terms,
    nearest_turn,
    patch_lights,
    patches_of,
    powers_of,
    read_fringes,
    shared_out,
    weighted_fit,
    widened_by_direction,
    zones_of,
)  # fmt: skip
from holo.probe import Windows, cut_windows, half_width_px, mapped, on_panel, plane_to_camera, probe_of, probe_points, spot_sources
from holo.scan import Scan, ScanFit, core_of, fit_scan, sharpness, vertex
from holo.sensed import Sensed, Variation, look_at, strehl, variation_of
from holo.wavefront import Grid, Light, Real, Single, View, grid_of, images
from holo.wavefront_fit import Fit, Images, Terms, fit_wavefront, refit
from holo.zernike import noll

HALF = 4.0
"""Half width of the window about a spot, in wavelength / NA."""

MOST_SPOTS = 64
"""Most spots."""

BIASES: tuple[dict[int, float], ...] = ({}, {4: 0.3}, {4: -0.3}, {5: 0.3}, {5: -0.3}, {6: 0.3}, {6: -0.3}, {4: 0.6})
"""Phases on top of the masks of phase diversity, waves rms by Noll index."""

WIDE, NARROW = 0.15, 0.1
"""Biases of a modal scan, waves rms: at first, and about what was found."""

WANDER, STARTS = 0.2, 20
"""Waves rms of random starts of its fit, where the scan itself leads nowhere, and how many of them."""

BEAM_TERMS = (2, 3, 4, 5, 6)
"""Terms of the logarithm of the amplitude that a modal scan allows for."""

MOST_ACROSS = 40
"""Most patches across the pupil."""

PATCH_HALF = 1.15
"""Half width of the window about the spot of a patch, in halves of the width between its first zeros."""

FROM_AXIS = 2.0
"""How much farther from the undiffracted light, whose halo the faint spots of patches would drown in, these spots lie if there is room."""

ORDERS, DUMPS = (1, -1, 2, -2, 3, -3, 4), 2000
"""Orders of the light sent aside that the camera is not to see, and places that are tried for it."""

CLOSURE = 0.05
"""Most periods, rms, by which the differences of patches may fail to add up to zero around triangles."""

READINGS = 4
"""Most times that fringes are read anew with the phase that they gave."""

SETTLED = 2e-4
"""Change of the phase, waves rms, below which they are not."""

UNEXPLAINED, DOUBTFUL = 0.1, 0.03
"""Shares of the images that the model does not explain: above which there is no result, and above which there is a note."""

SHORT = 0.9
"""Share of the Strehl ratio told that the light in the core of spots must reach for there to be no note."""

VARIES, WORTH = 4.0, 0.01
"""A change over the field is worth a note from so many of its standard errors and so many waves up."""


@dataclass(frozen=True)
class SenseOptions:
    """Options of `sense`, see there."""

    method: str = "diversity"
    spots: int = 9
    terms: int = 21
    across: int = 12
    around_um: tuple[float, float] | None = None
    width_um: float | None = None
    seed: int = 0

    def __post_init__(self) -> None:
        if self.method not in METHODS:
            raise InputError(f"method: found {self.method!r}; allowed: {', '.join(METHODS)}")
        for name, value, low, high in (
            ("spots", self.spots, 1, MOST_SPOTS),
            ("terms", self.terms, 4, NOLL_LAST),
            ("across", self.across, 6, MOST_ACROSS),
            ("seed", self.seed, 0, None),
        ):
            if type(value) is not int or value < low or (high is not None and value > high):
                raise InputError(f"{name}: found {value!r}; allowed: a whole number from {low} {'up' if high is None else f'to {high}'}")
        if self.around_um is not None and not all(abs(place) < 1e5 for place in self.around_um):  # also false for NaN
            raise InputError(f"around_um: found {self.around_um!r}; allowed: x and y, um")
        if self.around_um is not None and self.width_um is None:
            raise InputError("around_um: found without width_um; needed: both, or neither for all that the camera sees")
        if self.width_um is not None and not 0 < self.width_um < 1e5:
            raise InputError(f"width_um: found {self.width_um!r}; allowed: a number above 0")


def sense(start: Start) -> Generator[Ask, NDArray[Any], Sensed]:
    """Measure the aberration of the light path: the dialogue.

    Parameters
    ----------
    start : Start
        With a registration that has ``plane_to_camera``. Its options: ``method``, "diversity" (`fit_wavefront` of frames with a few strong
        biases), "modal" (a scan of each term) or "patches" (fringes of neighbouring patches, which give a map and the beam too);
        ``spots``, how many; ``terms``, the highest Noll index; ``across``, patches across the pupil; ``width_um``, the diameter of the
        circle in which the spots lie, and ``around_um`` (x, y), its middle; without either, all that the camera sees; ``seed`` of their
        places.

    Yields
    ------
    Ask
        A mask without a bias first and one with what was found taken off last, and is sent their frames, shape (shots, rows, columns).

    Returns
    -------
    Sensed

    Raises
    ------
    InputError
        If the bench has no camera, there is no registration of the camera, an option is out of range, or a frame is not the camera's.
    CalibrationError
        If frames do not tell: too few spots where they should be, saturated, or not explained by any aberration.
    """
    try:
        options = SenseOptions(**start.options)
    except TypeError as error:
        allowed = ", ".join(SenseOptions.__dataclass_fields__)
        raise InputError(f"options: found {start.options}; allowed: {allowed}") from error
    return (yield from METHODS[options.method](_Run(start, options)))


# ---------------------------------------------------------------------------------------------------------------------
# what all methods share


class _Run:
    """What a run has been told: the mask of spots, and the windows and biases of its frames so far."""

    def __init__(self, start: Start, options: SenseOptions) -> None:
        self.start, self.options = start, options
        self.rng = np.random.default_rng(options.seed)
        half_px = half_width_px(start, HALF)
        self.probe = probe_of(start, self.points(half_px, options.spots, options.spots), half_px)
        self.terms = tuple(range(4, options.terms + 1))
        self.cuts: list[Windows] = []
        self.biases: list[dict[int, float]] = []

    def points(self, half_px: int, most: int, least: int, from_axis: float = 1.0) -> Real:
        """Places of spots; refuses if they are fewer than `least`."""
        options = self.options
        found = probe_points(self.start, half_px, most, self.rng, options.around_um, options.width_um, from_axis)
        if len(found) < least:
            within = "" if options.width_um is None else f" within {options.width_um / 2:g} um of {options.around_um or 'its middle'}"
            raise InputError(
                f"spots: found room for {len(found)} with {2 * half_px + 1} pixels each in what the camera sees of the plane{within}; "
                f"allowed: fewer spots than {most}, or a wider circle"
            )
        return found

    @property
    def known(self) -> Real:
        """Terms that are measured as the bench knows them, waves rms."""
        return np.array([self.probe.known.get(j, 0.0) for j in self.terms])

    def named(self, waves: Real) -> dict[int, float]:
        """The first numbers of some by the Noll index of the terms that are measured."""
        return dict(zip(self.terms, waves.tolist(), strict=False))

    def change(self, waves: Real) -> Real:
        """What terms that were measured add to the known ones on the panel, waves."""
        return on_panel(self.probe.bench, self.named(waves - self.known))

    def frame(self, bias: dict[int, float], told: str, extra: Real | float = 0.0) -> Generator[Ask, NDArray[Any], Windows]:
        """Ask for a frame of the spots with a bias and further waves on the panel, and keep its windows."""
        stack = yield Ask(self.probe.biased(bias, extra), f"{len(self.probe.points_um)} spots, {told}: none of them may be saturated")
        cut = self.probe.cut(stack)
        self.cuts.append(cut)
        self.biases.append(bias)
        return cut

    def images(self) -> Images:
        """All frames so far, for a fit."""
        counts, usable = (np.stack([getattr(cut, name) for cut in self.cuts]) for name in ("counts", "usable"))
        return Images(counts, usable, self.smooth(), np.array([cut.gain for cut in self.cuts]))

    def smooth(self) -> Single:
        """Smooth phases of all frames so far."""
        return np.stack([self.probe.smooth(bias) for bias in self.biases])


def last_beyond(last: int) -> int:
    """Noll index that ends the second radial order above that of `last`: what is fitted too, so that it does not spoil what is told.

    Examples
    --------
    >>> last_beyond(21)
    36
    """
    order = noll(last)[0] + 2
    return (order + 1) * (order + 2) // 2


def _told(bias: dict[int, float]) -> str:
    return " and ".join(f"{waves:+g} waves of Noll term {j}" for j, waves in bias.items()) or "no bias"


def _check_explained(unexplained: float) -> None:
    if not unexplained <= UNEXPLAINED:  # also true for NaN
        raise CalibrationError(
            f"spots: no aberration explains {unexplained:.0%} of what the frames show; allowed: {UNEXPLAINED:.0%}. Did all frames show "
            "the mask that was asked for, is the registration that of this camera, are aperture and magnification of the bench file right?"
        )


def _outcome(run: _Run, waves: Real, errors: Real, before: Real, after: Real | float, beam: Real, unexplained: float) -> Sensed:
    """What all methods tell: from terms, their errors, the waves on the panel that were not known before and that are left, the beam."""
    probe = run.probe
    perfect = images(probe.view, probe.view.phase({1: 0.0}))
    lost = float(np.exp(-((2 * np.pi) ** 2) * np.square(errors).sum()))  # to the errors, by the Marechal approximation
    return Sensed(
        method=run.options.method,
        time=run.start.time,
        waves={**probe.known, **run.named(waves)},
        errors=run.named(errors),
        known=probe.known,
        map_rad=None,
        beam=None,
        strehl_before=strehl(probe.path.pupil, beam, before),
        strehl_after=strehl(probe.path.pupil, beam, np.broadcast_to(after, beam.shape)) * lost,
        before=look_at(run.cuts[0].counts, run.cuts[0].usable, perfect, HALF),
        after=look_at(run.cuts[-1].counts, run.cuts[-1].usable, perfect, HALF),
        variation=None,
        points_um=probe.points_um,
        frames=len(run.cuts),
        chi2=None,
        unexplained=unexplained,
        notes=(),
    )


def _beam(bench: Bench, logarithms: dict[int, float]) -> Real:
    """Relative intensity of the beam on the panel with some terms of the logarithm of its amplitude on top."""
    beam = beam_intensity(bench) * np.exp(2 * on_panel(bench, logarithms))
    return np.asarray(beam / beam.max())


def _doubts(found: Sensed) -> tuple[str, ...]:
    """Note that much of the images is not the model's, and that the spots did not become what they should."""
    unexplained, notes = found.unexplained, []
    if found.after.core + VARIES * found.after.core_error < SHORT * found.strehl_after:
        notes.append(
            f"with what was found taken off, the core of the spots holds {found.after.core:.2f} of a perfect spot's light, not "
            f"{found.strehl_after:.2f}: the camera is out of focus, or something between panel and camera is not as the bench file has it"
        )
    if unexplained > DOUBTFUL:
        notes.append(
            f"the model leaves {unexplained:.1%} of the images unexplained, more than their noise: look for ghosts, a camera out of "
            "focus, light of the room; the errors allow for it as far as frames differ"
        )
    return tuple(notes)


# ---------------------------------------------------------------------------------------------------------------------
# phase diversity


def _diversity(run: _Run) -> Generator[Ask, NDArray[Any], Sensed]:
    """Show a few strong biases, fit phase and amplitude to all images, and look once more with the result."""
    for bias in BIASES:
        yield from run.frame(bias, _told(bias))
    last = last_beyond(run.options.terms)
    terms = Terms(tuple(range(4, last + 1)), tuple(range(2, last + 1)))
    fit = fit_wavefront(run.probe.view, run.images(), terms, run.rng)
    _check_explained(fit.unexplained)
    yield from run.frame(run.named(run.known - fit.state.shared[: len(run.terms)]), "what was found taken off")
    return _told_by_images(run, refit(run.probe.view, run.images(), fit))


def _told_by_images(run: _Run, fit: Fit) -> Sensed:
    """What a fit of phase and amplitude tells."""
    _check_explained(fit.unexplained)
    count, own = len(fit.terms.phase), len(run.terms)
    known = run.probe.known
    beyond = {j: float(waves) - known.get(j, 0.0) for j, waves in zip(fit.terms.phase[own:], fit.state.shared[own:count], strict=True)}
    left, waves = on_panel(run.probe.bench, beyond), fit.state.shared[:own]
    beam = _beam(run.probe.bench, dict(zip(fit.terms.amplitude, fit.state.shared[count:].tolist(), strict=True)))
    variation = variation_of(run.probe.points_um, *(numbers[:, :own] for numbers in spot_by_spot(fit)))
    found = _outcome(run, waves, fit.errors[:own], run.change(waves) + left, left, beam, fit.unexplained)
    notes = _doubts(found) + _changes(run, variation)
    return replace(found, beam=beam.astype(np.float32), variation=variation, chi2=fit.chi2, notes=notes)


def spot_by_spot(fit: Fit) -> tuple[Real, Real]:
    """Phase terms that each spot by itself would give, to first order, and their standard errors, shapes (spots, terms)."""
    count = len(fit.terms.phase)
    covariance = np.linalg.inv(fit.normal.sum(axis=0))
    steps = (covariance @ fit.slope.sum(axis=0)[..., None])[..., 0]
    errors = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2) * max(fit.chi2, 1.0))
    return (fit.state.shared + steps)[:, :count], errors[:, :count]


def _changes(run: _Run, variation: Variation | None) -> tuple[str, ...]:
    """Note that the aberration is not the same all over the field."""
    if variation is None:
        return ()
    change = np.ptp(run.probe.points_um, axis=0) * variation.slope
    strong = ((np.abs(variation.slope) > VARIES * variation.error) & (np.abs(change) > WORTH)).any(axis=1)
    names = ", ".join(str(j) for j, is_strong in zip(run.terms, strong, strict=True) if is_strong)
    return (f"the aberration varies over the field (Noll terms {names}): what is told holds for the middle of the spots",) if names else ()


# ---------------------------------------------------------------------------------------------------------------------
# modal scan


def _modal(run: _Run) -> Generator[Ask, NDArray[Any], Sensed]:
    """Scan each term to both sides of the best phase so far, fit all frames, and scan once more, to one side, about what was found."""
    view = run.probe.view
    _, weights = core_of(view, HALF)
    seen: list[Real] = []

    def frame(bias: dict[int, float], told: str) -> Generator[Ask, NDArray[Any], float]:
        cut = yield from run.frame(bias, told)
        seen.append(sharpness(cut.counts, cut.usable, cut.level, weights))
        return float(seen[-1][:, -1].mean())

    def fitted(*starts: Real) -> ScanFit:
        return fit_scan(view, HALF, Scan(np.array(seen), run.smooth()), run.terms, BEAM_TERMS, starts)

    best = dict.fromkeys(run.terms, 0.0)
    middle = yield from frame({}, "no bias")
    for j in run.terms:
        ends = []
        for step in (-WIDE, WIDE):
            ends.append((yield from frame({**best, j: best[j] + step}, f"{step:+g} waves more of Noll term {j}")))
        top = vertex(ends[0], middle, ends[1], WIDE)
        best[j] += top
        middle += (ends[1] - ends[0]) / 2 * (top / WIDE) - (2 * middle - sum(ends)) / 2 * (top / WIDE) ** 2
    guess = run.known - [*best.values()]
    wild = (WANDER / np.sqrt(len(guess)) * run.rng.standard_normal(len(guess)) for _ in range(STARTS))
    fit = fitted(guess, np.zeros_like(guess), *(guess / 2 + some for some in wild))
    best = run.named(run.known - fit.waves)
    for n, j in enumerate(run.terms):
        step = NARROW * (-1) ** n
        yield from frame({**best, j: best[j] + step}, f"{step:+g} waves of Noll term {j} about what was found")
    fit = fitted(fit.waves)
    _check_explained(fit.unexplained)
    yield from frame(run.named(run.known - fit.waves), "what was found taken off")
    return _told_by_scan(run, fitted(fit.waves))


def _told_by_scan(run: _Run, fit: ScanFit) -> Sensed:
    """What a modal scan tells."""
    _check_explained(fit.unexplained)
    beam = _beam(run.probe.bench, dict(zip(BEAM_TERMS, fit.logarithms.tolist(), strict=True)))
    found = _outcome(run, fit.waves, np.sqrt(np.diag(fit.covariance)), run.change(fit.waves), 0.0, beam, fit.unexplained)
    return replace(found, notes=_doubts(found))


# ---------------------------------------------------------------------------------------------------------------------
# patch interference


def _by_patches(run: _Run) -> Generator[Ask, NDArray[Any], Sensed]:
    """Let all pairs of neighbours make fringes, a few pairs at a time, each in a spot of its own."""
    bench, probe = run.probe.bench, run.probe
    patches = patches_of(bench, probe.path, run.options.across)
    terms = (2, 3, *range(4, last_beyond(run.options.terms) + 1))
    if 2 * len(terms) > len(patches):
        raise InputError(f"across: found {run.options.across}, {len(patches)} patches; needed: {2 * len(terms)} of them, or fewer terms")
    half_px = half_width_px(run.start, PATCH_HALF * run.options.across / 2)
    points = max(run.points(half_px, run.options.spots, 0, FROM_AXIS), run.points(half_px, run.options.spots, 1), key=len)
    board = _Board(run, patches, points, half_px)
    yield from run.frame({}, "no bias")
    for number, pairs in enumerate(board.rounds):
        note = f"fringes of {len(pairs)} pairs of patches ({number + 1} of {len(board.rounds)}): none of them may be saturated"
        stack = yield Ask(board.mask(pairs), note)
        board.keep(stack, pairs)
    found = _read(run, board, terms)
    yield from run.frame(run.named(run.known - found.waves), "what was found taken off", -found.rest)
    return _told_by_patches(run, found, len(board.rounds))


class _Board:
    """The masks of pairs of patches, and the windows of their frames."""

    def __init__(self, run: _Run, patches: Patches, points_um: Real, half_px: int) -> None:
        self.patches, self._start, self._probe, self._points = patches, run.start, run.probe, points_um
        to_camera, path = plane_to_camera(run.start), run.probe.path
        self.grid: Grid = grid_of(path, run.probe.bench.pupil_radius_um, to_camera, half_px)
        self._half = half_px
        self.lights = patch_lights(patches, path, self.grid)
        seen = to_camera.apply(points_um)
        self._middle = np.rint(seen).astype(np.int64)
        self._moved = np.stack([self.grid.moved(beside) for beside in seen - self._middle])
        self._aside = aside(run.start, half_px, run.rng)
        self.rounds = shared_out(patches.pairs, len(points_um), run.rng)
        self._kept: list[Windows] = []

    def mask(self, pairs: NDArray[np.int64]) -> Mask:
        """Send each pair of patches to a spot of its own, and all other light where the camera does not see it."""
        bench, path = self._probe.bench, self._probe.path
        targets = np.vstack([np.broadcast_to(self._aside, (len(self.patches), 2)), self._aside])  # of the number -1 too
        for spot, pair in enumerate(pairs):
            targets[self.patches.pairs[pair]] = self._points[spot]
        place = targets[self.patches.number]
        waves = path.scale * (path.x_um * place[..., 0] + path.y_um[:, None] * place[..., 1])
        phase = wrap(waves - 2 * np.pi * on_panel(bench, self._probe.known) - mapped(bench))
        record = {**self._probe.mask.record, **spot_sources(self._start, self._points[: len(pairs)]), "figures": {}}
        return Mask(levels_of_phase(phase, bench.panel), phase, record)

    def keep(self, stack: NDArray[Any], pairs: NDArray[np.int64]) -> None:
        """Keep the windows of the frame of some pairs."""
        corner = self._middle[: len(pairs)] - self._half
        self._kept.append(cut_windows(frame_of(stack, self._probe.bench.camera), corner, 2 * self._half + 1))

    def fringes(self, smooth: Single) -> Fringes:
        """Read the fringes of all pairs, in their own order, with a smooth phase of the pupil, rad, that is known."""
        turned = self.lights * np.exp(1j * smooth)
        read = [self._fringes(cut, pairs, turned) for cut, pairs in zip(self._kept, self.rounds, strict=True)]
        order = np.argsort(np.concatenate(self.rounds))
        return Fringes(
            *(np.concatenate([getattr(one, name) for one in read])[order] for name in ("turns", "error", "light", "unexplained"))
        )

    def _fringes(self, cut: Windows, pairs: NDArray[np.int64], lights: Light) -> Fringes:
        middle, moved = self._middle[: len(pairs)], self._moved[: len(pairs)]
        one, two = (np.asarray(lights[self.patches.pairs[pairs, k]] * moved, np.complex64) for k in (0, 1))
        view: View = self.grid.windows(one, middle, self._half)
        return read_fringes(view, cut.counts, cut.usable, cut.gain, one, two)

    @property
    def frame_of_pair(self) -> NDArray[np.int64]:
        """Number of the frame of each pair."""
        frame = np.empty(len(self.patches.pairs), np.int64)
        for number, pairs in enumerate(self.rounds):
            frame[pairs] = number
        return frame


def aside(start: Start, half_px: int, rng: np.random.Generator) -> Real:
    """Choose a place of the field, (x, y) um, for light that the camera is not to see.

    The nearest place to the axis, because steep gratings lose most to crosstalk of the pixels, whose orders all stay `half_px` pixels out
    of the camera's view, the mirror image and those that the pixels fold back into the field included; if there is none, the place where
    they are seen least.
    """
    camera, to_camera, field = start.bench.camera, plane_to_camera(start), start.bench.field_um
    assert camera is not None
    tried = rng.uniform(-0.45, 0.45, (DUMPS, 2)) * field
    edge = np.array([camera.columns, camera.rows]) - 1.0
    orders = ((order * tried + field / 2) % field - field / 2 for order in ORDERS)
    beyond = np.min([np.maximum(-seen, seen - edge).max(axis=1) for seen in map(to_camera.apply, orders)], axis=0)
    outside = np.hypot(*tried.T) - np.where(beyond > half_px, 1e9, 0)
    return np.asarray(tried[np.argmin(outside) if (beyond > half_px).any() else np.argmax(beyond)])


@dataclass(frozen=True, eq=False)
class _Zonal:
    """What patches tell: terms, waves rms, and their errors; what else is to be taken off on the panel, waves; the beam."""

    waves: Real
    errors: Real
    rest: Real
    beam: Real
    unexplained: float


def _read(run: _Run, board: _Board, terms: tuple[int, ...]) -> _Zonal:
    """Read all fringes with the phase found so far taken into account, until it no longer changes."""
    patches, path, bench = board.patches, run.probe.path, run.probe.bench
    basis = averaged_terms(patches, path, bench, terms)
    differences = basis[patches.pairs[:, 0]] - basis[patches.pairs[:, 1]]
    on_grid = board.grid.windows(board.lights[:0], np.zeros((0, 2), np.int64), 1).terms(terms)
    waves = np.zeros(len(terms))

    def read() -> tuple[Fringes, Real]:
        fringes = board.fringes((2 * np.pi * np.tensordot(waves, on_grid, 1)).astype(np.float32))
        return fringes, 1 / np.maximum(fringes.error, np.median(fringes.error) / 3) ** 2

    for limit in GROWTH:
        fringes, weights = read()
        waves = waves + grown_terms(patches, fringes.turns, weights, basis, terms, limit)
    for _ in range(READINGS):
        fringes, weights = read()
        step, _, left = weighted_fit(differences, nearest_turn(fringes.turns), weights)
        waves = waves + step
        if np.sqrt(np.square(step[2:]).sum()) < SETTLED:
            break
    zones, closure = zones_of(patches, left, weights)
    if closure > CLOSURE:
        raise CalibrationError(
            f"patches: their phases do not add up around triangles, by {closure:.2f} periods rms; allowed: {CLOSURE}. Take more of them "
            "(across), or take off first what another method finds"
        )
    power = powers_of(patches, fringes.light, board.frame_of_pair)
    beam = beam_intensity(bench) * patches.on_panel(power, bench)
    covariance = widened_by_direction(patches, differences, left, weights)
    own = slice(2, 2 + len(run.terms))
    beyond = dict(zip(terms[own.stop :], waves[own.stop :].tolist(), strict=True))
    rest = patches.on_panel(zones, bench) + on_panel(bench, beyond)
    unexplained = float(np.median(fringes.unexplained))
    return _Zonal(run.known + waves[own], np.sqrt(np.diag(covariance))[own], rest, beam / beam.max(), unexplained)


def _told_by_patches(run: _Run, found: _Zonal, rounds: int) -> Sensed:
    """What fringes tell."""
    _check_explained(found.unexplained)
    before = run.change(found.waves) + found.rest
    outcome = _outcome(run, found.waves, found.errors, before, 0.0, found.beam, found.unexplained)
    return replace(
        outcome,
        map_rad=np.asarray(2 * np.pi * found.rest + mapped(run.probe.bench), np.float32),
        beam=found.beam.astype(np.float32),
        frames=outcome.frames + rounds,
        notes=_doubts(outcome),
    )


METHODS: dict[str, Callable[[_Run], Generator[Ask, NDArray[Any], Sensed]]] = {
    "diversity": _diversity,
    "modal": _modal,
    "patches": _by_patches,
}
"""What each method is made by."""
