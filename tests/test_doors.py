"""NaN and infinities never pass silently: every public function that takes numbers from its caller refuses them, or gives NaN for NaN."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import fields, is_dataclass
from functools import cache

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from simple_paths import lattice, panel, retrieve
from small_bench import bench_text

from holo import band, exposure, loss, manifest, moves, paths, polarizability, shapes, smooth, terms, transition, trap
from holo.affine import Affine, fit_affine
from holo.arrangement import block, disc, from_image, from_sites, line, ring
from holo.assignment import assign, assign_longest
from holo.atom_light import lattice_sites
from holo.atoms import known_species
from holo.balance import correct
from holo.bench import demo_bench_text, parse_bench, pixel_envelope
from holo.compose import Sum, add
from holo.design import Correction, DesignOptions, design
from holo.errors import InputError
from holo.field.curvature import light_curvature
from holo.field.path import light_path
from holo.field.plane import plane_field
from holo.field.sites import SiteTransform, direct_fields
from holo.field.vector import vector_fields
from holo.field.window import WindowTransform
from holo.frames import check_stack, frame_of
from holo.lattice import Lattice, named_lattice
from holo.mask import levels_of_phase, nudge_phase
from holo.matching import match_points, robust_affine
from holo.occupancy import occupancy
from holo.player import check_hold
from holo.predict import displaced, figures
from holo.rearrange import away, rearrange
from holo.rearranger import RearrangeOptions
from holo.register import RegisterOptions
from holo.registration import Sites, closest_pair
from holo.response import phase_error
from holo.retrieve.dense import DenseOptions, retrieve_dense
from holo.retrieve.follow import Pace
from holo.retrieve.smooth import retrieve_smooth
from holo.retrieve.spots import retrieve_spots
from holo.retrieve.trim import trim
from holo.sense import SenseOptions
from holo.site_light import measure_light
from holo.site_traps import at_power
from holo.spots import find_spots, measure_spots
from holo.spread import Spread, airy_spread, gaussian_spread, image_of, stamps_of
from holo.threshold import Peaks, counting_limit, fit_peaks
from holo.zernike import zernike, zernike_sum

PATH, XYZ = panel(32), lattice(2, 2, 40.0)
PHASE, ONES, STEPS = np.zeros((32, 32)), np.ones(4), np.arange(3.0)
XY, STATIONS = XYZ[:, :2], np.stack([XYZ, XYZ + [1.0, 0.0, 0.0]])
POINTS = np.array([[0.0, 0], [9, 1], [2, 7], [8, 8], [5, 3], [1, 4], [6, 9], [3, 1]])
SQUARE = Lattice([[5.0, 0.0], [0.0, 5.0]], [0.0, 0.0])
RUBIDIUM = known_species()["Rb-87"]
LIGHT = trap.atom_in_light(RUBIDIUM, 1064.0)
GRID = np.linspace(-1.0, 1.0, 5)


@cache
def bench():
    """The demo bench with a panel of 40 x 48 pixels."""
    text = demo_bench_text().replace("columns = 1200\nrows = 1000", "columns = 48\nrows = 40")
    return parse_bench(text.replace("relay_magnification = 0.48", "relay_magnification = 12.0"), "bench.toml")


@cache
def mover():
    return moves.Mover(bench(), moves.MoveOptions(lowest=0.1))


def moved(target):
    """Two frames of sites that stand still."""
    still = moves.Course(STATIONS[[0, 0]] / 40, (1,), 10.0)
    return list(mover().frames(still, target, mover().start(XYZ / 40, ONES, ONES + 0j)))


FRAME = np.random.default_rng(3).normal(100, 3, (48, 48))
PLACES = np.array([[12.0, 12], [36, 12], [12, 36], [36, 36]])
CAMERA, GRID_SITES = Affine(12 * np.eye(2), [12.0, 12.0]), np.array([[i, j] for i in range(3) for j in range(3)], float)


@cache
def seen():
    """A frame of four spots; of every other site an atom is there."""
    x, y = np.meshgrid(np.arange(48), np.arange(48))
    light = sum(900 * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 4.5) for a, b in PLACES)
    return frame_of(np.round(FRAME + light))


@cache
def small():
    return parse_bench(bench_text(), "bench.toml")


@cache
def made():
    """A mask of two sites."""
    return design(small(), block(2, 1), options=DesignOptions(effort="quick")).mask


@cache
def window():
    return WindowTransform(PATH, (0.0, 0.0), (60.0, 60.0))


def window_shape():
    return len(window().y_um), len(window().x_um)


# What is called, and numbers that it takes. Each of these is spoilt in turn, at one place.
DOORS = {
    "direct_fields": (lambda phase, xyz: direct_fields(PATH, phase, xyz), {"phase": PHASE, "xyz": XYZ}),
    "SiteTransform": (lambda xyz: SiteTransform(PATH, xyz), {"xyz": XYZ}),
    "plane_field": (lambda phase, x, y: plane_field(PATH, phase, x, y), {"phase": PHASE, "x": STEPS, "y": STEPS}),
    "light_curvature": (lambda phase, xyz: light_curvature(PATH, phase, xyz), {"phase": PHASE, "xyz": XYZ}),
    "nudge_phase": (
        lambda phase, x, y, z: nudge_phase(PATH, phase, x, y, z),
        {"phase": PHASE, "x": 0.1, "y": 0.1, "z": 0.1},
    ),
    "levels_of_phase": (lambda phase: levels_of_phase(phase, bench().panel), {"phase": np.zeros((40, 48))}),
    "phase_error": (lambda phase: phase_error(bench().panel, phase), {"phase": np.linspace(0, 6, 256)}),
    "pixel_envelope": (lambda points: pixel_envelope(points, 1.0, 1.0), {"points": XYZ}),
    "displaced": (
        lambda by: displaced(bench(), np.zeros((40, 48), np.uint8), Sites(XY, XYZ / 40, ONES), (float(by),)),
        {"by": 10.0},
    ),
    "Sites": (Sites, {"ij": XY, "xyz_um": XYZ, "target": ONES}),
    "Correction": (lambda factor: Correction(factor, ONES + 0j).asked(Sites(XY, XYZ, ONES)), {"factor": ONES}),
    "retrieve_spots": (
        lambda xyz, target, start: retrieve(PATH, xyz, target, start=start + 0j),
        {"xyz": XYZ, "target": ONES, "start": ONES},
    ),
    "a uniformity to stop at": (
        lambda u: retrieve_spots(PATH, XYZ, ONES, rng=np.random.default_rng(0), uniformity=float(u)),
        {"u": 0.5},
    ),
    "trim": (
        lambda phase, xyz, target: trim(PATH, phase, xyz, target, lambda wanted: wanted, steps=1),
        {"phase": PHASE, "xyz": XYZ, "target": ONES},
    ),
    "figures": (figures, {"intensity": ONES, "target": ONES, "xyz_um": XYZ}),
    "from_sites": (lambda ij, target, z: from_sites(ij, target, z), {"ij": XY, "target": ONES, "z": ONES}),
    "at_depth": (lambda z: block(2, 2).at_depth(z), {"z": ONES}),
    "shifted": (lambda i, j: block(2, 2).shifted(i, j), {"i": 1.0, "j": 1.0}),
    "thinned": (lambda fill: block(2, 2).thinned(fill, np.random.default_rng(0)), {"fill": 0.5}),
    "graded": (lambda low, high, x, y: block(2, 2).graded(low, high, (x, y), SQUARE), {"low": 0.5, "high": 1.0, "x": 1.0, "y": 0.0}),
    "with_dark_margin": (lambda margin: block(2, 2).with_dark_margin(margin, SQUARE), {"margin": 1.0}),
    "disc": (lambda radius, i, j: disc(radius, SQUARE, (i, j)), {"radius": 2.0, "i": 0.0, "j": 0.0}),
    "ring": (lambda inner, outer, i, j: ring(inner, outer, SQUARE, (i, j)), {"inner": 1.0, "outer": 2.0, "i": 0.0, "j": 0.0}),
    "line": (lambda a, b: line((a, 0.0), (b, 2.0)), {"a": 0.0, "b": 2.0}),
    "from_image": (lambda image, threshold: from_image(image, 2, 2, threshold), {"image": np.ones((4, 4)), "threshold": 0.5}),
    "closest_pair": (closest_pair, {"points": XYZ}),
    "Affine": (Affine, {"matrix": np.eye(2), "offset": np.zeros(2), "covariance": np.eye(6)}),
    "Affine.apply": (lambda points: Affine(np.eye(2), np.zeros(2)).apply(points), {"points": XY}),
    "Affine.prediction_error": (lambda points: Affine(np.eye(2), np.zeros(2), np.eye(6)).prediction_error(points), {"points": XY}),
    "fit_affine": (fit_affine, {"source": XY, "target": XY, "sigma": ONES}),
    "match_points": (
        lambda known, found, scale: match_points(known, found, float(scale)),
        {"known": POINTS, "found": 20 * POINTS, "scale": 21.0},
    ),
    "robust_affine": (robust_affine, {"source": POINTS, "target": POINTS, "error": np.full(8, 0.1)}),
    "Lattice": (Lattice, {"vectors_um": np.eye(2), "origin_um": np.zeros(2), "basis": np.zeros((1, 2))}),
    "positions_um": (SQUARE.positions_um, {"ij": XY}),
    "named_lattice": (
        lambda spacing, angle, x: named_lattice("square", spacing, angle, (x, 0.0)),
        {"spacing": 5.0, "angle": 0.0, "x": 0.0},
    ),
    "zernike, a formula": (lambda rho, theta: zernike(5, rho, theta), {"rho": ONES, "theta": ONES}),
    "zernike_sum": (lambda waves, rho, theta: zernike_sum({5: float(waves)}, rho, theta), {"waves": 1.0, "rho": ONES, "theta": ONES}),
    # sums of masks
    "zernike_term": (lambda waves: terms.zernike_term(bench(), 5, waves), {"waves": 1.0}),
    "spiral": (lambda x, y: terms.spiral(bench(), 1, x, y), {"x": 0.1, "y": 0.1}),
    "axicon": (lambda radius, x, y: terms.axicon(bench(), radius, x, y), {"radius": 5.0, "x": 0.1, "y": 0.1}),
    "grating": (lambda period, angle: terms.grating(bench(), period, angle), {"period": 8.0, "angle": 10.0}),
    "first_order_um": (lambda period, angle: terms.first_order_um(bench(), period, angle), {"period": 8.0, "angle": 10.0}),
    "stripes": (lambda period, angle: terms.stripes(bench(), period, angle), {"period": 8.0, "angle": 10.0}),
    "half_plane": (lambda angle, x, y: terms.half_plane(bench(), angle, x, y), {"angle": 10.0, "x": 0.1, "y": 0.1}),
    "crosshair": (lambda x, y: terms.crosshair(bench(), 4, x, y), {"x": 0.1, "y": 0.1}),
    "term": (lambda waves: terms.term(bench(), "zernike", {"noll": 5, "waves": waves}), {"waves": 1.0}),
    # continuous light
    "Part": (
        lambda width, x, angle, target, edge: smooth.Part("box", {"width": width, "height": 5.0}, (x, 0.0), angle, target, edge),
        {"width": 5.0, "x": 0.0, "angle": 0.0, "target": 1.0, "edge": 1.0},
    ),
    "Smooth": (
        lambda power, margin, z: smooth.Smooth((smooth.Part("box", {"width": 5.0, "height": 5.0}),), power=power, margin=margin, z_um=z),
        {"power": 0.5, "margin": 1.0, "z": 0.0},
    ),
    "sampled": (lambda values: shapes.sampled(GRID, GRID, values, 1.0, 1.0), {"values": np.ones((4, 4))}),
    # atoms on the move
    "assign": (assign, {"cost": np.eye(3)}),
    "assign_longest": (assign_longest, {"cost": np.eye(3)}),
    "closest_approach": (paths.closest_approach, {"stations_um": STATIONS}),
    "journey": (lambda start, end, apart: paths.journey(start, end, float(apart)), {"start": XYZ, "end": XYZ + 1, "apart": 1.0}),
    "rearrange": (
        lambda atoms, wanted, apart, parking, obstacles: rearrange(
            atoms, wanted, apart_um=float(apart), spare="park", parking_um=parking, obstacles_um=obstacles
        ),
        {"atoms": XYZ, "wanted": XYZ[:2] + 1, "apart": 1.0, "parking": XYZ + 100, "obstacles": XYZ + 300},
    ),
    "away": (lambda places, others, apart: away(places, others, float(apart)), {"places": XYZ, "others": XYZ + 1, "apart": 1.0}),
    "RearrangeOptions": (lambda apart: RearrangeOptions(apart_um=float(apart)), {"apart": 1.0}),
    "minimum_jerk": (moves.minimum_jerk, {"share": ONES}),
    "Limits": (moves.Limits, {"step_um": 1.0, "velocity_um_per_ms": 1.0, "acceleration_um_per_ms2": 1.0}),
    "Limits.frames": (moves.Limits(1.0).frames, {"length_um": 1.0, "frame_ms": 1.0}),
    "course": (lambda stations, frame: moves.course(stations, moves.Limits(1.0), float(frame)), {"stations": STATIONS, "frame": 1.0}),
    "Course.places_um": (moves.Course(STATIONS, (4,), 1.0).places_um, {"frame": 1.0}),
    "MoveOptions": (lambda lowest: moves.MoveOptions(lowest=float(lowest)), {"lowest": 0.5}),
    "Pace": (lambda uniformity: Pace(uniformity=float(uniformity)), {"uniformity": 0.5}),
    "Mover.start": (
        lambda places, target, waves: mover().start(places, target, waves + 0j),
        {"places": XYZ / 40, "target": ONES, "waves": ONES},
    ),
    "Mover.frames": (moved, {"target": ONES}),
    "step_um": (lambda cells: moves.step_um(bench(), cells), {"cells": 0.25}),
    "relaxed": (
        lambda before, after, share: transition.relaxed(before, after, float(share), "raw"),
        {"before": ONES, "after": ONES, "share": 0.5},
    ),
    "share_after": (transition.share_after, {"time_ms": 1.0, "settling_ms": 1.0}),
    "transition": (
        lambda before, after, one, other, share: transition.transition(PATH, before, after, (one, other), shares=(float(share),)),
        {"before": PHASE, "after": PHASE, "one": XYZ, "other": XYZ, "share": 0.5},
    ),
    "loss.Atoms": (loss.Atoms, {"depth": 20.0, "heating": 0.1, "lifetime_ms": 1e3, "imaging_loss": 0.1}),
    "held": (loss.held, {"lowest": ONES, "depth": ONES}),
    "survival": (lambda lowest, frame: loss.survival(lowest, float(frame), loss.Atoms()), {"lowest": np.ones((2, 3)), "frame": 1.0}),
    "played": (
        lambda lowest, frame: loss.played(lowest, float(frame), loss.Atoms(), np.random.default_rng(0)),
        {"lowest": np.ones((2, 3)), "frame": 1.0},
    ),
    "filled_share": (loss.filled_share, {"places_um": XYZ, "wanted_um": XYZ}),
    "times_from": (lambda rate: manifest.times_from(float(rate), 3), {"rate": 60.0}),
    "Manifest": (
        lambda time: manifest.Manifest(2, 2, "uint8", (manifest.Entry("a", "a.tiff", 0, "sha256:" + 64 * "0", float(time)),)),
        {"time": 1.0},
    ),
    "check_hold": (check_hold, {"hold_s": 1.0}),
    # atoms in light
    "band_energies": (lambda depth, q: band.band_energies(float(depth), q), {"depth": 10.0, "q": STEPS / 3}),
    "lattice_bands": (lambda depth: band.lattice_bands(float(depth)), {"depth": 10.0}),
    "tunnelling_deep": (lambda depth: band.tunnelling_deep(float(depth)), {"depth": 10.0}),
    "lattice_recoil_hz": (band.lattice_recoil_hz, {"mass_kg": 1e-25, "spacing_um": 0.5}),
    "State": (lambda level, m, circularity: trap.State(level, m, circularity), {"level": 2.0, "m": 1.0, "circularity": 0.5}),
    "atom_in_light": (lambda wavelength: trap.atom_in_light(RUBIDIUM, float(wavelength)), {"wavelength": 1064.0}),
    "AtomInLight.trap": (LIGHT.trap, {"intensity_w_m2": ONES}),
    "AtomInLight.depth_hz": (LIGHT.depth_hz, {"intensity_w_m2": ONES}),
    "recoil_hz": (trap.recoil_hz, {"mass_kg": 1e-25, "wavelength_nm": 1064.0}),
    "kelvin": (trap.kelvin, {"energy_hz": ONES}),
    "depth_hz": (trap.depth_hz, {"polarizability_au": ONES, "intensity_w_m2": ONES}),
    "gaussian_peak_w_m2": (trap.gaussian_peak_w_m2, {"power_w": ONES, "waist_m": ONES}),
    "gaussian_frequencies_hz": (
        trap.gaussian_frequencies_hz,
        {"depth": ONES, "mass_kg": 1e-25, "waist_m": 1e-6, "wavelength_m": 1e-6, "index": 1.0},
    ),
    "curvature_frequencies_hz": (
        trap.curvature_frequencies_hz,
        {"depth": ONES, "mass_kg": 1e-25, "curvature_per_m2": np.full((4, 2), -1e12)},
    ),
    "sag_m": (trap.sag_m, {"frequency_hz": ONES}),
    "held_against_gravity": (trap.held_against_gravity, {"depth": ONES, "mass_kg": 1e-25, "waist_m": 1e-6}),
    "check_power": (trap.check_power, {"power_mw": 1.0}),
    "power_for_depth": (trap.power_for_depth, {"power_mw": 1.0, "depth_uk": 98.0, "wanted_uk": 490.0}),
    "beam_trap": (lambda power, waist: trap.beam_trap(LIGHT, float(power), float(waist)), {"power": 1.0, "waist": 1.0}),
    "told_lattice": (
        lambda mass, spacing: trap.told_lattice(float(mass), float(spacing), band.lattice_bands(10.0)),
        {"mass": 1e-25, "spacing": 0.5},
    ),
    "polarizability": (lambda wavelength: polarizability.polarizability(RUBIDIUM, wavelength), {"wavelength": 1000.0 + 50 * ONES}),
    "tune_out_nm": (
        lambda low, high: polarizability.tune_out_nm(RUBIDIUM, (float(low), float(high))),
        {"low": 785.0, "high": 793.0},
    ),
    "scattering_rates": (
        polarizability.scattering_rates,
        {"scalar_au": ONES, "spin_au": ONES, "intensity_w_m2": ONES, "wavelength_nm": 1064.0 * ONES},
    ),
    "retinal_factor": (exposure.retinal_factor, {"wavelength_nm": 700.0}),
    "eye_limit_j_m2": (exposure.eye_limit_j_m2, {"wavelength_nm": 700.0, "seconds": 0.25}),
    "skin_limit_j_m2": (exposure.skin_limit_j_m2, {"wavelength_nm": 700.0, "seconds": 0.25}),
    "class_limits_mw": (exposure.class_limits_mw, {"wavelength_nm": 700.0}),
    "hazard_distance_m": (
        exposure.hazard_distance_m,
        {"power_mw": 100.0, "divergence_mrad": 1.0, "diameter_mm": 1.0, "limit_w_m2": 10.0},
    ),
    "density_needed": (exposure.density_needed, {"power_mw": 100.0, "wavelength_nm": 700.0}),
    "beam_caution": (exposure.beam_caution, {"wavelength_nm": 700.0, "power_mw": 100.0}),
    # which sites hold an atom
    "Peaks": (Peaks, {"empty": 0.0, "empty_width": 1.0, "filled": 10.0, "filled_width": 2.0, "share": 0.5}),
    "Peaks.error": (lambda threshold: Peaks(0.0, 1.0, 10.0, 2.0, 0.5).error(float(threshold)), {"threshold": 5.0}),
    "Peaks.probability": (Peaks(0.0, 1.0, 10.0, 2.0, 0.5).probability, {"light": ONES, "variance": ONES}),
    "counting_limit": (
        lambda empty, filled, share: counting_limit(float(empty), float(filled), float(share)),
        {"empty": 5.0, "filled": 20.0, "share": 0.5},
    ),
    "fit_peaks": (
        lambda light, variance: fit_peaks(light, variance),
        {"light": np.tile([1.0, 2.0, 11.0, 12.0], 10), "variance": np.ones(40)},
    ),
    "Spread": (Spread, {"coefficients": np.ones((5, 5)), "step_px": 1.0, "width_px": 1.0}),
    "Spread.at": (gaussian_spread(1.2).at, {"offsets": XY}),
    "gaussian_spread": (lambda width: gaussian_spread(float(width)), {"width": 1.2}),
    "airy_spread": (lambda dark: airy_spread(float(dark)), {"dark": 3.0}),
    "stamps_of": (lambda xy: stamps_of(gaussian_spread(1.2), xy), {"xy": POINTS}),
    "image_of": (lambda totals: image_of(stamps_of(gaussian_spread(1.2), POINTS), totals, (9, 9)), {"totals": np.ones(8)}),
    # frames of a camera, and what is measured on them
    "frame_of": (lambda stack, dark: frame_of(stack, None, dark), {"stack": FRAME, "dark": np.zeros(FRAME.shape)}),
    "check_stack": (lambda stack: check_stack(stack, "camera"), {"stack": FRAME}),
    "find_spots": (lambda width, threshold: find_spots(seen(), float(width), float(threshold)), {"width": 1.5, "threshold": 6.0}),
    "measure_spots": (lambda xy, width: measure_spots(seen(), xy, float(width)), {"xy": PLACES, "width": 1.5}),
    "measure_light": (
        lambda xy, intensity: measure_light(seen(), bench(), np.zeros((40, 48), np.uint8), xy, intensity, Affine(np.eye(2) * 5, [0, 0])),
        {"xy": PLACES / 5, "intensity": np.ones(4)},
    ),
    "occupancy": (lambda sites, basis: occupancy(seen(), CAMERA, sites, basis=basis), {"sites": GRID_SITES, "basis": np.zeros((1, 2))}),
    "lattice_sites": (
        lambda low, high, basis: lattice_sites(CAMERA, low, high, basis),
        {"low": np.zeros(2), "high": np.full(2, 40.0), "basis": np.zeros((1, 2))},
    ),
    "RegisterOptions": (
        lambda x, width: RegisterOptions(around_um=(float(x), 0.0), width_um=float(width)),
        {"x": 1.0, "width": 5.0},
    ),
    "SenseOptions": (lambda x, width: SenseOptions(around_um=(float(x), 0.0), width_um=float(width)), {"x": 1.0, "width": 5.0}),
    "correct": (
        lambda ij, value, error, power: correct(made(), ij, value, error, None, float(power)),
        {"ij": np.array([[0.0, 0.0], [1.0, 0.0]]), "value": np.ones(2), "error": np.full(2, 0.1), "power": 1.0},
    ),
    "add": (
        lambda x, focus, waves: add(made(), small(), Sum((float(x), 0.0), float(focus), (("zernike", {"noll": 5, "waves": waves}),))),
        {"x": 0.1, "focus": 0.1, "waves": 0.1},
    ),
    # the other engines
    "WindowTransform": (
        lambda x, width, z: WindowTransform(PATH, (float(x), 0.0), (float(width), 50.0), float(z)),
        {"x": 0.0, "width": 50.0, "z": 0.0},
    ),
    "retrieve_dense": (
        lambda xyz, target, ij, start: retrieve_dense(
            PATH, xyz, target, rng=np.random.default_rng(0), ij=ij, effort="quick", iterations=1, start=start + 0j
        ),
        {"xyz": XYZ / 4, "target": ONES, "ij": XY, "start": ONES},
    ),
    "retrieve_smooth": (
        lambda target, power: retrieve_smooth(
            window(), target, np.ones(target.shape, bool), power=float(power), effort="quick", iterations=1
        ),
        {"target": np.ones(window_shape()), "power": 0.5},
    ),
    "DenseOptions": (
        lambda darkness, given_up, drift: DenseOptions(float(darkness), float(given_up), float(drift)),
        {"darkness": 10.0, "given_up": 0.5, "drift": 10.0},
    ),
    "at_power": (lambda power: at_power(bench(), float(power)), {"power": 1.0}),
    "vector_fields": (
        lambda phase, xyz: vector_fields(bench(), light_path(bench()), phase, xyz, "x"),
        {"phase": np.zeros((40, 48)), "xyz": XYZ / 40},
    ),
}


FORMULAS = {
    "zernike, a formula",
    "relaxed",
    "held",
    "tunnelling_deep",
    "lattice_recoil_hz",
    "AtomInLight.trap",
    "AtomInLight.depth_hz",
    "recoil_hz",
    "kelvin",
    "depth_hz",
    "gaussian_peak_w_m2",
    "gaussian_frequencies_hz",
    "curvature_frequencies_hz",
    "sag_m",
    "told_lattice",
    "scattering_rates",
    "Peaks.error",
    "Peaks.probability",
}
"""Those that give NaN for NaN, and their limit for an infinity."""

ENDLESS = {("Limits", name) for name in DOORS["Limits"][1]} | {("loss.Atoms", "depth"), ("loss.Atoms", "lifetime_ms")}
"""Numbers that may be positive infinities: no limit."""


def spoilt(value, bad, place):
    """A number, or an array with a number, that is none."""
    values = np.array(value, np.float64)
    values.flat[place % values.size] = bad
    return values if values.ndim else float(values)


@pytest.mark.parametrize("door", DOORS)
@settings(max_examples=1, deadline=None, phases=(Phase.generate,))
@given(place=st.integers(0, 10**6))
def test_no_door_lets_in_what_is_no_finite_number(door, place):
    call, good = DOORS[door]
    call(**good)  # so that it is the bad number which is refused
    for name, value in good.items():
        for bad in (np.nan,) if door in FORMULAS else (np.nan, np.inf, -np.inf):
            if bad == np.inf and (door, name) in ENDLESS:
                continue
            with pytest.raises(InputError, match="found") if door not in FORMULAS else suppress(InputError):
                assert not all_finite(call(**{**good, name: spoilt(value, bad, place)})), name


def all_finite(result):
    """Whether all numbers of a result are finite: of an array, a record, or several of them."""
    if is_dataclass(result):
        result = [getattr(result, part.name) for part in fields(result)]
    if isinstance(result, dict):
        result = [*result.values()]
    if isinstance(result, tuple | list):
        return all(map(all_finite, result))
    return bool(np.isfinite(result).all())
