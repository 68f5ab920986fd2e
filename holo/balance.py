"""Balance: the dialogue that levels the sites, from camera frames or from values that the atoms themselves gave.

What a site really gets differs from what the bench predicts by a factor of its own: the beam, the light path and the panel are not quite
as the bench file has them. The factors hardly change from one mask of an arrangement to the next, so that what the frames tell of them
adds up.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import os
from collections.abc import Generator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.arrangement import SAME
from holo.checks import check_finite
from holo.design import Correction, Design, DesignOptions, design, recorded_correction, remake
from holo.dialogue import Ask, Start
from holo.errors import CalibrationError, InputError
from holo.field.path import LightPath, light_path
from holo.frames import Frame, frame_of
from holo.mask import Mask, mask_bytes
from holo.predict import predict
from holo.record import recorded_bench, recorded_sites
from holo.registration import Sites
from holo.site_light import Light, measure_light

Real = NDArray[np.float64]
Flags = NDArray[np.bool_]

LARGEST_FACTOR = 4.0
"""Factors beyond this, or below its inverse, are not followed: no site is given power without bound."""

FALLS = 0.98
"""The dialogue ends once another frame would leave more than this share of the spread."""


# ---------------------------------------------------------------------------------------------------------------------
# what all frames tell


@dataclass(frozen=True, eq=False)
class Factors:
    """Light of bright sites over what the bench predicts, as far as it is known.

    Attributes
    ----------
    log : ndarray, shape (n,)
        Natural logarithms; their mean over the sites that were measured is 0.
    variance : ndarray, shape (n,)
        Of `log`, but for what the next mask changes.
    """

    log: Real
    variance: Real

    def after(self, seen: Real, error: Real, process: float | None = None) -> tuple[Factors, float]:
        """Learn from a new measurement.

        Parameters
        ----------
        seen, error : ndarray, shape (n,)
            Logarithm of measured over predicted light, up to a sum that all share, and its standard error. NaN where nothing is told.
        process : float, optional
            Variance by which the factors have changed; by default what the measurement itself tells of it.

        Returns
        -------
        Factors
        process : float
            What the measurement tells of the change; negative where noise happens to make it look less than none.

        Notes
        -----
        A Kalman filter per site (R. E. Kalman, J. Basic Eng. 82, 35 (1960)), for a number that walks at random. The variance of a step
        is the same for all sites: that of what was seen beyond what was expected, less that of the noise and of what was known (the
        moment estimate; values beyond five times the usual are cut). For the first measurement it is the spread of the sites.

        Examples
        --------
        >>> unknown = Factors(np.zeros(4), np.zeros(4))
        >>> known, process = unknown.after(np.log([0.9, 1.1, 0.9, 1.1]), np.full(4, 0.01))
        >>> np.exp(known.log).round(2), bool(known.variance.max() < 0.01**2)
        (array([0.91, 1.1 , 0.91, 1.1 ]), True)
        """
        told = np.isfinite(seen)
        noise = np.maximum(error[told] ** 2, 1e-18)  # no measurement is exact
        surprise = seen[told] - self.log[told]
        about = surprise - np.median(surprise)
        usual = 1.4826 * float(np.median(np.abs(about)))
        found = float(np.mean(np.clip(about, -5 * usual, 5 * usual) ** 2) * len(about) / (len(about) - 1))
        found -= float(np.mean(self.variance[told] + noise))
        variance = self.variance + max(found if process is None else process, 0.0)
        total, log = variance[told] + noise, self.log.copy()
        log[told] += variance[told] / total * (surprise - np.average(surprise, weights=1 / total))
        log[told] -= log[told].mean()
        variance[told] *= noise / total
        return Factors(log, variance), found


@dataclass(frozen=True)
class Change:
    """What a frame told of the change of the factors from the mask before.

    Attributes
    ----------
    asked : float
        Variance of the change of the logarithms of the targets.
    found : float
        Of that of the factors, as `Factors.after` finds it.
    error : float
        Standard error of `found`.
    """

    asked: float
    found: float
    error: float


def process_law(changes: Sequence[Change]) -> tuple[float, float]:
    """Fit how much the factors change with the mask: by a variance of ``base + slope asked``.

    Parameters
    ----------
    changes : sequence of Change

    Returns
    -------
    base, slope : float
        Both 0 or more. The base is taken less twice its standard error: noise is not to pass for change, which would spoil the average.
        Of a single change it is not known which of the two made it: then it is the slope, if anything was asked for.

    Examples
    --------
    >>> base, slope = process_law([Change(0.01, 0.0004, 0.00005), Change(0.0001, 0.00001, 0.000001)])
    >>> print(f"{base:.2g} {slope:.2g}")
    4.1e-06 0.039
    """
    from scipy.optimize import nnls

    asked, found, error = (np.array([getattr(change, name) for change in changes]) for name in ("asked", "found", "error"))
    largest = asked.max(initial=0)
    if len(changes) == 1 and largest > 0:
        return 0.0, max(float(found[0] / largest), 0.0)
    if not len(changes):
        return 0.0, 0.0
    scale = largest or 1.0
    base, slope = nnls(np.stack([np.ones_like(asked), asked / scale], axis=1) / error[:, None], found / error)[0]
    return max(float(base - 2 / np.sqrt((1 / error**2).sum())), 0.0), float(slope / scale)


# ---------------------------------------------------------------------------------------------------------------------
# the dialogue


@dataclass(frozen=True)
class Round:
    """What was found with one frame; spreads are standard deviations over means of light over target.

    Attributes
    ----------
    measured_spread, noise : float
        Of the light as measured, and the rms error of that.
    true_spread, true_spread_error : float
        What is left of the former without the latter, and how far up its error reaches.
    expected_spread : float or None
        What was expected of the mask before the frame was seen; None for the first two.
    shift_px : (float, float)
        How far the spots lay from where the registration has them.
    """

    measured_spread: float
    noise: float
    true_spread: float
    true_spread_error: float
    expected_spread: float | None
    shift_px: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Balanced:
    """A mask whose sites are level, and what tells so.

    Attributes
    ----------
    design : Design
        The mask with the least spread to be expected.
    sites : Sites
        Its n bright sites, with the wanted targets.
    factors : Factors
        Of these sites.
    levelled : ndarray of bool, shape (n,)
        Sites that were seen, and whose factor is not beyond `LARGEST_FACTOR`.
    shown : bool
        Whether a frame was taken of this very mask.
    rounds : tuple of Round
    measured : tuple of ndarray, shape (2, n)
        Of each frame, the light over target as measured, and its error, both over the mean of the levelled sites; NaN where the
        frame does not tell.
    expected_spread : float
        Standard deviation, over the levelled sites, of what they are thought to get.
    parts : dict of str to float
        What makes it up, by names.
    floor : float
        What any number of frames like these would leave.
    notes : tuple of str
        What the user should know.
    """

    design: Design
    sites: Sites
    factors: Factors
    levelled: Flags
    shown: bool
    rounds: tuple[Round, ...]
    measured: tuple[Real, ...]
    expected_spread: float
    parts: dict[str, float]
    floor: float
    notes: tuple[str, ...]

    def files(self, digests: Mapping[str, str]) -> dict[str, bytes]:
        """Give ``balanced.tiff``, a mask file, and ``balance.csv``, a table of the sites.

        The table has ``target``, the wanted one, ``factor``, ``error``, relative, left empty where no frame told of the site, and
        ``intensity``, what the site is thought to get over target and over the mean of all, and what was `measured` on the first
        frame and on the last.
        """
        return {"balanced.tiff": mask_bytes(self.design.mask), "balance.csv": self._table().encode()}

    def summary(self) -> dict[str, Any]:
        """Give the figures of the result."""
        return {
            "sites": len(self.levelled),
            "levelled": int(self.levelled.sum()),
            "spread_before": self.rounds[0].true_spread,
            "spread_before_error": self.rounds[0].true_spread_error,
            "spread_after": self.expected_spread,
            **{f"spread_by_{name.replace(' ', '_')}": part for name, part in self.parts.items()},
            "limited_by": max(self.parts, key=lambda name: self.parts[name]),
            "floor": self.floor,
            "mask_was_shown": self.shown,
            "frames": [{"frame": number, **asdict(entry)} for number, entry in enumerate(self.rounds)],
            "warnings": list(self.notes),
        }

    def _table(self) -> str:
        relative = self.design.prediction.relative[self.design.prediction.sites.bright]
        error = np.where(self.levelled, np.sqrt(self.factors.variance), np.nan)
        thought = (self.sites.target, np.exp(self.factors.log), error, relative / relative.mean())
        columns = (*self.sites.ij.T, *thought, *self.measured[0], *self.measured[-1])
        lines = (",".join("" if np.isnan(value) else repr(float(value)) for value in row) for row in zip(*columns, strict=True))
        return "\n".join([_COLUMNS, *lines]) + "\n"


_COLUMNS = "i,j,target,factor,error,intensity,first,first_error,last,last_error"


@dataclass(frozen=True)
class BalanceOptions:
    """Options of `balance`, see there."""

    frames: int = 8
    effort: str = "normal"
    seed: int = 0

    def __post_init__(self) -> None:
        if type(self.frames) is not int or not 1 <= self.frames <= 100:
            raise InputError(f"frames: found {self.frames!r}; allowed: a whole number from 1 to 100")
        DesignOptions(self.effort, self.seed)


def balance(start: Start) -> Generator[Ask, NDArray[Any], Balanced]:
    """Level the sites of an arrangement: the dialogue.

    Parameters
    ----------
    start : Start
        With a registration that tells ``plane_to_camera``, and an arrangement of two bright sites or more. Its options: ``frames``, how
        many to take at most, ``effort`` and ``seed`` of the design.

    Yields
    ------
    Ask
        A mask, and is sent its frame, shape (shots, rows, columns).

    Returns
    -------
    Balanced

    Raises
    ------
    InputError
        If registration or arrangement is missing or will not do, an option is out of range, or a frame is not the camera's.
    CalibrationError
        If a frame has saturated spots, or shows no light on most sites.

    Notes
    -----
    Each frame is measured by `measure_light` and adds to `Factors`, from which the next mask is designed, starting from the first
    (`holo.design.Correction`). How fast the factors are followed depends on the noise of the frames and on how much the factors are found
    to change with the mask. It ends after so many frames, or once another one is not expected to lower the spread by more than
    a fiftieth, because what is left is what changes with every mask.

    Sites without light, out of the camera's view, or with a factor beyond `LARGEST_FACTOR` are left out of the spread.
    """
    work = _Work.of(start)
    for number in range(work.options.frames):
        stack = yield Ask(work.made.mask, work.note(number))
        work = work.with_frame(frame_of(stack, start.bench.camera))
        if work.is_level:
            break
    return work.outcome()


@dataclass(frozen=True, eq=False)
class _Work:
    """Where the dialogue stands: a mask, made of all frames so far."""

    start: Start
    options: BalanceOptions
    path: LightPath
    made: Design
    sites: Sites
    """The bright ones, with the wanted targets."""
    factors: Factors
    seen: Flags
    """Sites of which a frame has told."""
    dark: Flags
    """Sites that showed no light on the last frame."""
    noise: float
    """Variance of a site on the last frame."""
    strays: tuple[float, ...] = ()
    """Of each frame, what light beside the middles of the spots may have done to the factors; see `Light`."""
    changes: tuple[Change, ...] = ()
    rounds: tuple[Round, ...] = ()
    measured: tuple[Real, ...] = ()
    asked: float = 0.0
    """Variance of the change of the logarithms of the targets, from the last mask to this one."""
    best: tuple[float, Design] | None = None
    """Least variance of a mask that was shown, and that mask."""

    @staticmethod
    def of(start: Start) -> _Work:
        """Check what the dialogue starts with, and make the first mask."""
        options = _options(start)
        registration, arrangement = start.registration, start.arrangement
        if registration is None or registration.plane_to_camera is None:
            raise InputError("registration: found none that tells plane_to_camera; needed: the registration of the camera")
        if arrangement is None or np.count_nonzero(arrangement.target) < 2:
            count = 0 if arrangement is None else np.count_nonzero(arrangement.target)
            raise InputError(f"arrangement: found {count} bright sites; needed: two or more, to be levelled")
        made = _design(start, options, None)
        asked = made.prediction.sites
        sites = Sites(asked.ij[asked.bright], asked.xyz_um[asked.bright], asked.target[asked.bright])
        nothing, none = np.zeros(len(sites.ij)), np.zeros(len(sites.ij), bool)
        return _Work(start, options, light_path(start.bench), made, sites, Factors(nothing, nothing), none, none, 0.0)

    def note(self, number: int) -> str:
        """Say what the next frame is for."""
        expose = "expose so that the spots are bright and none of them is saturated" if number == 0 else "the same exposure will do"
        return f"{len(self.seen)} sites to level, frame {number + 1} of at most {self.options.frames}: {expose}"

    @property
    def levelled(self) -> Flags:
        """Sites that count."""
        return np.asarray(self.seen & ~self.dark & (np.abs(self.factors.log) < np.log(LARGEST_FACTOR)))

    @property
    def stray(self) -> float:
        """Variance that light beside the middles of the spots leaves, as all frames together have it."""
        return max(float(np.mean(self.strays)), 0.0)

    @property
    def process(self) -> float:
        """Variance by which the factors are thought to change from the last mask to this one."""
        base, slope = process_law(self.changes)
        return base + slope * self.asked

    def with_frame(self, frame: Frame) -> _Work:
        """Learn from a frame of the mask, and make the next one."""
        registration, prediction = self.start.registration, self.made.prediction
        assert registration is not None
        assert registration.plane_to_camera is not None
        intensity = prediction.intensity[prediction.sites.bright]
        levels, xy_um = self.made.mask.levels, self.sites.xyz_um[:, :2]
        light = measure_light(
            frame, self.start.bench, levels, xy_um, intensity, registration.plane_to_camera, self.path, self.options.frames
        )
        work = self._learnt(light)
        if work.levelled.sum() < 2:
            raise CalibrationError(
                f"frame: found no two sites within a factor of {LARGEST_FACTOR:g} of the others; is it a frame of this mask, and the "
                "registration of this camera?"
            )
        relative = intensity / self.sites.target
        measured = _measured(light, relative, work.levelled)
        entry = _round(measured, light, work.levelled, self.expected)
        work = replace(work, rounds=(*self.rounds, entry), measured=(*self.measured, measured))
        shown = _variance(relative, work.factors, work.levelled) + work.stray
        if work.best is None or shown < work.best[0]:
            work = replace(work, best=(shown, self.made))
        return work._corrected()

    def _learnt(self, light: Light) -> _Work:
        told = np.where(light.told, light.ratio, np.nan)
        factors, found = self.factors.after(np.log(told), light.error)
        changes = self.changes
        if self.rounds:  # the first frame tells how the sites differ, not how that changes
            known = float((self.factors.variance[light.told] + light.error[light.told] ** 2).mean())
            changes = (*changes, Change(self.asked, found, float(np.sqrt(2 / (light.told.sum() - 1))) * (max(found, 0.0) + known)))
            base, slope = process_law(changes)
            factors = self.factors.after(np.log(told), light.error, base + slope * self.asked)[0]
        noise = float((light.error[light.told] ** 2).mean())
        return replace(
            self,
            factors=factors,
            changes=changes,
            seen=self.seen | light.told,
            dark=light.dark,
            noise=noise,
            strays=(*self.strays, light.stray),
        )

    def _corrected(self) -> _Work:
        """Make the mask that the factors ask for."""
        bright = self.made.prediction.sites.bright
        factor = np.ones(len(bright))
        factor[bright] = np.clip(np.exp(self.factors.log), 1 / LARGEST_FACTOR, LARGEST_FACTOR)
        made = _design(self.start, self.options, Correction(factor, self.made.retrieval.waves))
        change = np.log(made.prediction.sites.target[bright] / self.made.prediction.sites.target[bright])[self.levelled]
        return replace(self, made=made, asked=float(change.var()))

    @property
    def parts(self) -> dict[str, float]:
        """What makes up the variance to be expected of this mask."""
        relative = self.made.prediction.relative[self.made.prediction.sites.bright]
        return {
            "noise": float(self.factors.variance[self.levelled].mean()),
            "change with the mask": self.process,
            "stray light": self.stray,
            "levels": float(np.log(relative[self.levelled]).var()),
        }

    @property
    def expected(self) -> float | None:
        """Spread to be expected of this mask; None as long as nothing tells how the factors change with it."""
        return float(np.sqrt(sum(self.parts.values()))) if self.changes else None

    @property
    def is_level(self) -> bool:
        """Whether another frame would hardly lower the spread."""
        if not self.changes:
            return False
        base, slope = process_law(self.changes)
        before, unknown = sum(self.parts.values()), self.parts["noise"] + self.process
        gain = unknown / (unknown + self.noise)
        after = unknown * (1 - gain) + base + slope * unknown * gain  # the next targets change by a variance of unknown * gain
        return before - unknown + after > FALLS**2 * before

    def outcome(self) -> Balanced:
        """Choose the best mask."""
        assert self.best is not None
        expected = sum(self.parts.values())
        shown = self.best[0] < expected
        base = process_law(self.changes)[0]
        settled = (np.sqrt(base**2 + 4 * base * self.noise) + base) / 2
        return Balanced(
            design=self.best[1] if shown else self.made,
            sites=self.sites,
            factors=self.factors,
            levelled=self.levelled,
            shown=shown,
            rounds=self.rounds,
            measured=self.measured,
            expected_spread=float(np.sqrt(min(self.best[0], expected))),
            parts={name: float(np.sqrt(part)) for name, part in self.parts.items()},
            floor=float(np.sqrt(settled + self.parts["levels"] + self.stray)),
            notes=self._notes(),
        )

    def _notes(self) -> tuple[str, ...]:
        told = {
            "show no light: is something in the way? They are left as predicted, and out of the spread": self.dark,
            "were not seen, as they lie out of the camera's view or on pixels that cannot be used: left as predicted": ~self.seen
            & ~self.dark,
            f"differ from the others by more than a factor of {LARGEST_FACTOR:g}, up to which they are corrected": self.seen
            & (np.abs(self.factors.log) >= np.log(LARGEST_FACTOR)),
        }
        return tuple(f"{_names(self.sites.ij[which])} {words}" for words, which in told.items() if which.any())


def _names(ij: Real) -> str:
    named = ", ".join(f"({i:g}, {j:g})" for i, j in ij[:5])
    return f"{len(ij)} site(s), {named}{' ...' if len(ij) > 5 else ''},"


def _options(start: Start) -> BalanceOptions:
    try:
        return BalanceOptions(**start.options)
    except TypeError as error:
        raise InputError(f"options: found {start.options}; allowed: frames, effort and seed") from error


def _design(start: Start, options: BalanceOptions, correction: Correction | None) -> Design:
    assert start.arrangement is not None
    chosen = DesignOptions(options.effort, options.seed)
    made = design(start.bench, start.arrangement, start.registration, chosen, sources=start.sources, correction=correction)
    return replace(made, mask=replace(made.mask, record={**made.mask.record, "time": start.time}))


def _variance(relative: Real, factors: Factors, levelled: Flags) -> float:
    """Variance of the light of a mask over its targets as the factors have it, their own errors included."""
    return float((np.log(relative) + factors.log)[levelled].var() + factors.variance[levelled].mean())


def _measured(light: Light, relative: Real, levelled: Flags) -> Real:
    """Light over target and its error, over the mean, of a mask of which so much was predicted; see `Balanced`."""
    found = light.ratio * relative
    return np.asarray(np.array([found, found * light.error]) / found[levelled & light.told].mean())


def _round(measured: Real, light: Light, levelled: Flags, expected: float | None) -> Round:
    """Sum up a frame."""
    found, noise = measured[:, levelled & light.told]
    total, own = float(found.var(ddof=1)), float((noise**2).mean())
    true = max(total - own, 0.0)
    above = float(np.sqrt(true + total * np.sqrt(2 / (len(found) - 1))) - np.sqrt(true))
    x, y = light.shift_px.tolist()
    return Round(float(np.sqrt(total)), float(np.sqrt(own)), float(np.sqrt(true)), above, expected, (x, y))


# ---------------------------------------------------------------------------------------------------------------------
# values that come from elsewhere


@dataclass(frozen=True, eq=False)
class Corrected:
    """A mask corrected by values that were measured with the atoms.

    Attributes
    ----------
    design : Design
        The new mask.
    factors : Factors
        Of its n bright sites.
    told : ndarray of bool, shape (n,)
        Sites that have a value.
    measured_spread, noise : float
        Standard deviation over mean of the light over targets that the values tell, and the rms error of that, as given.
    same : bool
        Whether the old mask could be made again bit for bit: otherwise the new one resembles it less.
    """

    design: Design
    factors: Factors
    told: Flags
    measured_spread: float
    noise: float
    same: bool

    def summary(self) -> dict[str, Any]:
        """Give the figures of the correction."""
        return {
            "sites": len(self.told),
            "with_value": int(self.told.sum()),
            "measured_spread": self.measured_spread,
            "noise": self.noise,
            "expected_spread": float(np.sqrt(self.factors.variance[self.told].mean())),
            "largest_factor": float(np.exp(self.factors.log.max())),
            "smallest_factor": float(np.exp(self.factors.log.min())),
        }


def correct(
    mask: Mask,
    ij: Real,
    value: Real,
    error: Real | None = None,
    bench_path: str | os.PathLike[str] | None = None,
    power: float = 1.0,
) -> Corrected:
    """Correct a mask by what each site really gets.

    Parameters
    ----------
    mask : Mask
        That the values were measured with; its record tells bench, arrangement and earlier corrections.
    ij : ndarray, shape (n, 2)
        Lattice coordinates of bright sites, all or some.
    value : ndarray, shape (n,)
        What was measured there, above 0, in any unit.
    error : ndarray, shape (n,), optional
        Standard errors of `value`; by them the correction is damped. Without them values are taken for exact.
    bench_path : path, optional
        Where the bench file of the mask would stand now; see `holo.record.recorded_inputs`.
    power : float
        The power of the light as which values go: 1 for a light shift, 0.5 for the frequency of a trap, below 0 for what falls
        with the light.

    Returns
    -------
    Corrected
        Its mask starts from where the old one was found. Sites without a value keep their factor.

    Raises
    ------
    InputError
        If a site is not a bright one of the mask or is there twice, there are fewer than two, or a value, error or power is out of
        range.

    Examples
    --------
    >>> from holo.arrangement import block
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> made = design(bench, block(2, 1), options=DesignOptions(effort="quick"))
    >>> found = correct(made.mask, np.array([[0.0, 0.0], [1.0, 0.0]]), np.array([1.1, 0.9]))
    >>> light = found.design.prediction.intensity
    >>> print(round(light[1] / light[0], 2))
    1.22
    """
    check_finite("ij", ij)
    bench = recorded_bench(mask.record, bench_path)
    sites = recorded_sites(mask.record, bench)
    if not (np.isfinite(power) and 0.01 <= abs(power) <= 100):
        raise InputError(f"power: found {power:g}; allowed: 0.01 to 100, or the same below 0")
    measured, uncertain = _spread_out(sites, ij, value, np.zeros(len(value)) if error is None else error)
    seen, given = (measured / np.nanmedian(measured)) ** (1 / power), uncertain / (abs(power) * measured)
    told = np.isfinite(seen)
    bright, old = sites.bright, recorded_correction(mask.record)
    before = predict(bench, mask.levels, sites).relative[bright]
    known = np.zeros(bright.sum()) if old is None else np.log(old.factor[bright])
    factors = Factors(known, np.zeros(len(known))).after(np.log(seen / sites.target[bright] / before), given)[0]
    factors = replace(factors, log=np.clip(factors.log, -np.log(LARGEST_FACTOR), np.log(LARGEST_FACTOR)))
    waves, same = _waves(mask, old, bench_path)
    factor = np.ones(len(bright))
    factor[bright] = np.exp(factors.log)
    options = {**mask.record["options"], "correction": Correction(factor, waves).recorded()}
    made = remake({**mask.record, "options": options}, bench_path)
    relative = (seen / sites.target[bright])[told]
    noise = given[told] * relative / relative.mean()
    return Corrected(made, factors, told, float(relative.std() / relative.mean()), float(np.sqrt((noise**2).mean())), same)


def _waves(mask: Mask, old: Correction | None, bench_path: str | os.PathLike[str] | None) -> tuple[NDArray[np.complex128], bool]:
    """Where the retrieval of a mask ended, and whether that is known to be the very same."""
    if old is not None:
        return old.waves, True
    again = remake(mask.record, bench_path)
    return again.retrieval.waves, np.array_equal(again.mask.levels, mask.levels)


def _spread_out(sites: Sites, ij: Real, value: Real, error: Real) -> tuple[Real, Real]:
    """Values and errors in the order of the bright sites, NaN where there are none."""
    numbers: dict[tuple[int, int], list[int]] = {}
    for number, key in enumerate(_keys(sites.ij[sites.bright])):
        numbers.setdefault(key, []).append(number)
    seen, given = (np.full(int(sites.bright.sum()), np.nan) for _ in range(2))
    for key, (i, j), one, its in zip(_keys(ij), ij, value, error, strict=True):
        found = numbers.get(key, [])
        if len(found) != 1 or np.isfinite(seen[found[0]]):
            problem = "is no bright one of the mask" if not found else "lies in several planes" if len(found) > 1 else "is there twice"
            raise InputError(f"site ({i:g}, {j:g}): {problem}; allowed: bright sites of the mask, each once")
        if not (0 < one < np.inf and 0 <= its < np.inf):
            raise InputError(f"site ({i:g}, {j:g}): found value {one:g}, error {its:g}; allowed: a value above 0, an error of 0 or more")
        seen[found[0]], given[found[0]] = one, its
    if len(ij) < 2:
        raise InputError(f"found values of {len(ij)} site(s); needed: two or more, to be levelled")
    return seen, given


def _keys(ij: Real) -> list[tuple[int, int]]:
    return [(int(i), int(j)) for i, j in np.rint(np.asarray(ij) / SAME)]
