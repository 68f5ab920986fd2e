"""Sense on frames of the tests' own simulator, on a small bench."""

from __future__ import annotations

import numpy as np
from simulated_frames import exposed
from simulated_wavefront import Simulator

from holo.affine import Affine
from holo.bench import parse_bench
from holo.dialogue import Start
from holo.record import recorded_sites
from holo.registration import Registration
from holo.sense import sense

TIME = "2025-06-30T14:05:00+02:00"
TEXT = """name = "sensing bench"
light = {wavelength_nm = 938.0, power_mw = 400.0, beam_diameter_mm = 9.0}
panel = {columns = 300, rows = 260, pitch_um = 40.0, levels = 256, level_for_2pi = 212}
camera = {columns = 260, rows = 240, pixel_um = 6.0, magnification = 19.2, bits = 16, electrons_per_count = 1.0}
lattice = {vectors_um = [[5.0, 0.0], [0.0, 5.0]], origin_um = [20.0, 15.0]}
[optics]
focal_length_mm = 4.0
numerical_aperture = 0.60
relay_magnification = 0.48
"""
"""A bench with a field of 195 um, whose camera sees 81 by 75 um, 5 pixels per wavelength / NA."""


def start_of(text=TEXT, degrees=25.0, mirror=True, **options):
    """Start of the dialogue, with the registration of a camera that is turned, mirrored and sheared."""
    bench = parse_bench(text, "bench.toml")
    turn = np.radians(degrees)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    matrix = 3.2 * rotation @ np.array([[1, 0.02], [0, 1]]) @ np.diag([-1.0 if mirror else 1.0, 1.0])
    registration = Registration(plane_to_camera=Affine(matrix, [128.3, 121.6]), time=TIME)
    source = {"path": "", "digest": bench.digest, "text": text, "files": {}}
    return Start(bench, {"bench": source, "registration": None, "arrangement": None}, registration, None, options, TIME)


def gaussian_beam(x, y):
    """Amplitude of the bench's beam, 9 mm wide, in a pupil of 10 mm."""
    return np.exp(-(x**2 + y**2) / 0.9**2)


def odd_beam(x, y):
    """A beam that lies 0.35 mm aside, is 4 % wider, and lumpy."""
    return np.exp(-((x - 0.07) ** 2 + y**2) / 0.936**2 + 0.04 * np.sin(3 * x + 1) * np.cos(2.5 * y))


def simulator_of(start, waves, beam=gaussian_beam, field_waves=None):
    """The truth behind the frames."""
    camera, to_camera = start.bench.camera, start.registration.plane_to_camera
    geometry = (260, 300), 40.0, 0.938, 4000 / 0.48, 5000.0, 212
    return Simulator(*geometry, waves, beam, (to_camera.matrix, to_camera.offset, (camera.rows, camera.columns)), field_waves)


def spread(rms, rng, last=21):
    """Waves rms drawn at random over the Noll terms 4 ... last, of a given rms in all."""
    waves = rng.standard_normal(last - 3)
    return dict(zip(range(4, last + 1), (waves * rms / np.sqrt((waves**2).sum())).tolist(), strict=True))


def frame_of(start, simulator, ask, rng, electrons, reach_um=9.0):
    """A frame with a brightest pixel of so many electrons."""
    sites = recorded_sites(ask.mask.record, start.bench).xyz_um[:, :2]
    picture = simulator.picture(ask.mask.levels, sites, reach_um)
    return exposed(picture * (electrons / picture.max()), rng, bits=16)


def answered(start, simulator, rng, electrons=10_000, reach_um=9.0):
    """Let the simulator answer the dialogue; gives what it ends in and the number of frames."""
    dialogue = sense(start)
    ask, frames = next(dialogue), 0
    while True:
        frames += 1
        try:
            ask = dialogue.send(frame_of(start, simulator, ask, rng, electrons, reach_um))
        except StopIteration as end:
            return end.value, frames


def residual(sensed, truth):
    """What is left of the truth when what was found is taken off, waves rms."""
    return float(np.sqrt(sum((waves - sensed.waves.get(j, 0.0)) ** 2 for j, waves in truth.items())))
