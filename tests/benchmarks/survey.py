"""Survey and track against many random truths, on frames of the tests' own simulator: errors, pulls, refusals and wrong answers.

A background of 2 and a read noise of 2 electrons a pixel; 300 counts an atom, differing by 15 %; 5 % of the atoms off the lattice. An
answer is wrong if the lattice is off by more than 0.25 sites at any atom used.

Usage: python tests/benchmarks/survey.py [truths]
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from bench_tools import machine
from fluorescence import GEOMETRIES, answer, any_scene, exposed_atoms, guessed, scattered, scene, scored, vectors

from holo.affine import Affine
from holo.errors import CalibrationError
from holo.frames import frame_of
from holo.registration import Registration
from holo.spots import find_spots
from holo.survey import survey
from holo.track import track

WRONG = 0.25


def rms(values):
    return np.sqrt(np.mean(np.square(values)))


def shares(pulls):
    within = ", ".join(f"{np.mean(np.abs(pulls) < sigma):.1%} within {sigma}" for sigma in (1, 2, 3))
    return f"std {np.std(pulls):.2f}; {within}"


def precision(truths):
    print("\nOne frame of 250 x 250 px, square lattice of 2.5 px, width 1.1 px: rms over truths")
    print("filling  atoms  vectors (relative)  offset (sites)  pulls  whole image  refused  wrong")
    for filling in (0.01, 0.02, 0.05, 0.1, 0.2, 0.4, 0.6):
        scores, atoms, whole, refused = [], [], 0, 0
        for seed in range(truths):
            rng = np.random.default_rng([1, seed])
            truth = scene(rng, "square", 2.5, filling, 250, 1.1, margin=0.0)
            found, score = answer(truth, guessed(rng, truth))
            if score is None:
                refused += 1
                continue
            scores.append(score)
            atoms.append(len(found.ij))
            whole += found.crowded
        good = [score for score in scores if score.worst < WRONG]
        bend, sites, pulls = (rms([getattr(score, name) for score in good]) for name in ("vectors", "sites", "pulls"))
        print(
            f"{filling:7.0%}  {np.mean(atoms):5.0f}  {bend:18.2e}  {sites:14.4f}  {pulls:5.2f}  {whole / truths:11.0%}"
            f"  {refused / truths:7.1%}  {len(scores) - len(good):5d}"
        )


def geometries(truths):
    print(f"\n{truths} truths: any geometry, 2 to 30 px, 2 to 60 % filled, 12 to 400 atoms")
    spacing, pulls, refused, wrong, seconds = [], [], 0, 0, []
    for seed in range(truths):
        truth, told, rng = any_scene(seed)
        begun = time.perf_counter()
        found, score = answer(truth, guessed(rng, truth))
        seconds.append(time.perf_counter() - begun)
        if score is None:
            refused += 1
            print(f"  {told}, {len(truth.xy)} atoms: refused: {str(found)[:110]}")
        elif score.worst > WRONG:
            wrong += 1
            print(f"  {told}, {len(truth.xy)} atoms: WRONG by {score.worst:.2f} sites")
        else:
            spacing.append(score.spacing_pulls)
            pulls.append(score.pulls)
    print(f"refused {refused / truths:.1%}, wrong {wrong}; {np.median(seconds):.2f} s in the median, {max(seconds):.1f} s at most")
    print(f"pulls of the spacings: {shares(np.array(spacing))}")
    print(f"pulls of matrix and offset: {shares(np.array(pulls))}")


def nothing(truths):
    print(f"\n{truths} frames without a lattice (with and without a nominal one of 5 px)")
    accepted = {"no atoms": 0, "atoms anywhere": 0, "few atoms": 0}
    for seed in range(truths):
        rng = np.random.default_rng([2, seed])
        side = int(rng.integers(64, 400))
        many = int(np.exp(rng.uniform(np.log(8), np.log(side**2 / 60))))
        for name, count in (("no atoms", 0), ("atoms anywhere", many), ("few atoms", int(rng.integers(1, 8)))):
            frame = frame_of(exposed_atoms(rng, rng.uniform(4, side - 4, (count, 2)), side, rng.uniform(0.8, 2.0)))
            for nominal in (None, Affine(5 * np.eye(2), [side / 2, side / 2])):
                try:
                    survey([frame], nominal)
                    accepted[name] += 1
                except CalibrationError:
                    pass
    print("accepted: " + ", ".join(f"{name} {count}" for name, count in accepted.items()))


def crowded(truths):
    print(f"\nCrowded frames of 160 x 160 px, {truths} truths each over the geometries: answered / wrong")
    fillings = (0.1, 0.2, 0.4, 0.6, 0.8)
    print("width  spacing  " + "  ".join(f"{filling:>8.0%}" for filling in fillings))
    for sigma in (0.8, 1.1, 1.6):
        for spacing in (2.0, 2.5, 3.0, 4.0):
            cells = []
            for filling in fillings:
                answered = wrong = 0
                for seed in range(truths):
                    rng = np.random.default_rng([3, seed])
                    truth = scene(rng, GEOMETRIES[seed % 4], spacing, filling, 160, sigma)
                    _, score = answer(truth, guessed(rng, truth))
                    answered += score is not None
                    wrong += score is not None and score.worst > WRONG
                cells.append(f"{answered / truths:4.0%} / {wrong}")
            print(f"{sigma:5.1f}  {spacing:7.1f}  " + "  ".join(f"{cell:>8}" for cell in cells))


def tracking(truths):
    print("\nTracking one frame, lattice known to 0.005 sites, drift up to 0.45 sites: rms over truths")
    print("atoms  spacing  filling  offset (sites)  pulls  refused  wrong")
    for atoms, spacing, filling in ((3, 8, 0.02), (5, 8, 0.05), (10, 4, 0.05), (30, 4, 0.1), (200, 2.5, 0.2), (2000, 2.5, 0.5)):
        errors, pulls, refused, wrong = [], [], 0, 0
        for seed in range(truths):
            rng = np.random.default_rng([4, seed])
            side = max(40, int(np.sqrt(atoms / filling) * spacing))
            matrix = vectors(rng, GEOMETRIES[seed % 4], spacing)
            offset, drift = np.full(2, side / 2.0), rng.uniform(-0.45, 0.45, 2)
            moved = offset + matrix @ drift
            xy = scattered(rng, matrix, moved, side, 1.0, off=0.0)
            xy = rng.permutation(xy)[:atoms] if atoms <= 10 else scattered(rng, matrix, moved, side, filling)
            covariance = np.diag([0.0] * 4 + [(0.005 * spacing) ** 2] * 2)
            old = Affine(matrix, offset + rng.normal(0, 0.005 * spacing, 2), covariance)
            frame = frame_of(exposed_atoms(rng, xy, side, 0.9 if spacing < 4 else 1.2))
            try:
                found = track(frame, Registration(lattice_to_camera=old, time="2025-06-30T14:05:00+02:00"))
            except CalibrationError:
                refused += 1
                continue
            error = np.linalg.solve(matrix, found.shift_px) - drift
            error -= np.round(error)
            wrong += np.abs(error).max() > 0.15
            errors.append(error)
            pulls.append(matrix @ error / found.error_px)
        print(f"{atoms:5d}  {spacing:7.1f}  {filling:7.0%}  {rms(errors):14.4f}  {rms(pulls):5.2f}  {refused / truths:7.1%}  {wrong:5d}")


def timing():
    print("\nOne frame of 1024 x 1024 px with 2,000 atoms: median of 5 runs")
    for spacing in (3.2, 8.0, 15.0):
        rng = np.random.default_rng(5)
        truth = scene(rng, "square", spacing, 2000 * spacing**2 / 1024**2, 1024, 1.1, margin=0.0)
        frame, seconds, spots = truth.frame, [], []
        for _ in range(6):
            begun = time.perf_counter()
            find_spots(frame)
            middle = time.perf_counter()
            found = survey([frame], Affine(truth.matrix, truth.offset))
            spots.append(middle - begun)
            seconds.append(time.perf_counter() - middle)
        told = f"{np.median(seconds[1:]):.2f} s, {np.median(spots[1:]):.2f} s of it for finding the spots"
        print(f"spacing {spacing:4.1f} px: {told}; {len(found.ij)} atoms used, worst {scored(found, truth).worst:.3f} sites")


def main(truths):
    print(machine())
    precision(max(truths // 5, 2))
    geometries(truths)
    nothing(truths)
    crowded(max(truths // 25, 2))
    tracking(truths)
    timing()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
