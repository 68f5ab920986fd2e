"""Spots and moves on a GPU, or on the tests' double of one, against the CPU and the plain sum.

Both engines take single precision; a field agrees to 2e-5 of the largest, figures to 2e-5, levels but for one pixel in a thousand.
"""

import re
from dataclasses import replace

import numpy as np
import pytest

from holo.arrays import CPU, to_device, to_host
from holo.bench import demo_bench_text, parse_bench
from holo.errors import InputError, RearrangementError, RetrievalError
from holo.field.device import GPU, DeviceTransform, radices
from holo.field.path import light_path
from holo.field.sites import SiteTransform, direct_fields
from holo.mask import phase_of_levels
from holo.moves import Limits, MoveOptions, Mover, course
from holo.rearranger import RearrangeOptions, Rearranger
from holo.registration import Sites
from holo.retrieve.device import DeviceLoop
from holo.retrieve.follow import Pace
from holo.retrieve.spots import EFFORTS, retrieve_spots
from holo.retrieve.stages import State, stage_on
from holo.stream import DeviceMover


def bench_of(rows, columns, pitch_um=100.0, **changes):
    """The demo bench with a small panel of large pixels; its pupil is 10 mm wide."""
    text = demo_bench_text()
    changes = {"columns": columns, "rows": rows, "pitch_um": pitch_um, **changes}
    for key, value in changes.items():
        text = re.sub(rf"(?m)^{key} = .*$", f"{key} = {value}", text, count=1)
    return parse_bench(text, "bench.toml")


def field_um(path):
    """Width of the field."""
    return 2 * np.pi / (path.scale * (path.x_um[1] - path.x_um[0]))


def some_sites(path, count, depths=(0.0,), seed=0):
    rng = np.random.default_rng(seed)
    return np.column_stack([rng.uniform(-0.45, 0.45, (count, 2)) * field_um(path), rng.choice(depths, count)])


def turned_block(path, side):
    """Sites of a turned square lattice, a fourteenth of the field apart."""
    i, j = (grid.ravel() for grid in np.meshgrid(np.arange(side), np.arange(side)))
    sites = np.column_stack([0.98 * i - 0.2 * j, 0.2 * i + 0.98 * j, 0 * i]) - [1.5, 1.5, 0]
    return sites * [field_um(path) / 14, field_um(path) / 14, 1]


def loop_of(transform):
    return DeviceLoop(transform, np.ones(transform.count), transform.path.amplitude_sum)


def near(found, wanted):
    return np.abs(found - wanted).max() / np.abs(wanted).max()


@pytest.mark.parametrize("length", [8, 96, 120, 128, 144, 1280, 5120, 3 * 5 * 256])
def test_lengths_are_products_of_short_ones(length):
    assert np.prod(radices(length)) == length
    assert set(radices(length)) <= {2, 3, 4, 5, 8, 16}


SHAPES = [
    (100, 120, 100.0, (0.0,)),  # 128 x 128 grid points
    (110, 100, 100.0, (0.0, 3.0)),  # two planes
    (125, 130, 80.0, (2.0,)),  # 160: 16 x 2 x 5; one plane out of focus
    (190, 160, 65.0, (0.0,)),  # 192 and 240: radices 3 and 15
    (116, 116, 87.0, (0.0, -1.0, 4.0)),  # 144: 16 x 9; three planes
]


@pytest.mark.parametrize(("rows", "columns", "pitch", "depths"), SHAPES)
def test_light_between_sites_and_panel(rows, columns, pitch, depths, gpu_or_double):
    path = light_path(bench_of(rows, columns, pitch))
    sites, rng = some_sites(path, 30, depths), np.random.default_rng(1)
    values = rng.normal(size=30) + 1j * rng.normal(size=30)
    cpu, gpu = SiteTransform(path, sites), DeviceTransform(path, sites)
    loop = loop_of(gpu)
    loop.load(values)
    gpu.replace()
    assert near(to_host(gpu.fields), cpu.project(values)) < 2e-5
    loop.load(values)
    gpu.spread()
    light = to_device(np.zeros(gpu.size, np.complex64), GPU)
    gpu.columns("out", light)
    there = to_host(light) * gpu.correction * np.exp(1j * gpu.ramp)[:, None]
    assert near(there, cpu.adjoint(values)[gpu.box]) < 1e-4  # either is exact to 5e-5 at the rim
    panel = np.zeros(path.amplitude.shape, np.complex64)
    panel[gpu.box] = rng.normal(size=gpu.size) + 1j * rng.normal(size=gpu.size)
    gpu.columns("in", to_device((panel[gpu.box] * gpu.correction * np.exp(-1j * gpu.ramp)[:, None]).astype(np.complex64), GPU))
    gpu.gather()
    assert near(to_host(gpu.fields), cpu.forward(panel)) < 2e-5


def test_sums_do_not_depend_on_the_order_of_the_points(gpu_or_double):
    path = light_path(bench_of(100, 100))
    sites = np.concatenate([some_sites(path, 40), np.zeros((30, 3))])  # thirty on one place
    values = np.exp(1j * np.arange(70.0))
    order = np.random.default_rng(0).permutation(70)
    found = []
    for these in (np.arange(70), order):
        gpu = DeviceTransform(path, sites[these])
        loop_of(gpu).load(values[these])
        gpu.replace()
        found.append(to_host(gpu.fields)[np.argsort(these)])
    assert np.array_equal(*found)


def test_a_plan_moves_to_other_sites(gpu_or_double):
    path = light_path(bench_of(100, 100))
    here, there = some_sites(path, 20), some_sites(path, 33, (0.0, 2.0), seed=3)
    values = np.exp(1j * np.arange(33.0))
    moved, fresh = DeviceTransform(path, here).moved(there), DeviceTransform(path, there)
    for plan in (moved, fresh):
        loop_of(plan).load(values)
        plan.replace()
    assert np.array_equal(to_host(moved.fields), to_host(fresh.fields))


def test_the_stages_are_those_of_the_cpu(gpu_or_double):
    path = light_path(bench_of(120, 120))
    sites = turned_block(path, 4)
    goal = 1 / path.envelope(sites)
    goal /= goal.mean()
    begun = State(np.ones(16), np.random.default_rng(0).uniform(0, 6, 16), np.ones(16))
    ends = []
    for device in (CPU, gpu_or_double[1]):
        stage = stage_on(path, sites, goal, None, device)
        followed = stage.free("weigh", stage.free("spread", begun, 9, 0.0), 3, 0.5)
        assert np.allclose(stage.apply("", followed)[0].moduli, stage.hold(followed, 0.5, 1).moduli, rtol=1e-4)
        ends.append((stage, followed, stage.hold(followed, 0.9999, 40)))
    (cpu, free, held), (gpu, free_there, held_there) = ends
    assert np.allclose(free.weights, free_there.weights, atol=2e-5)
    assert np.allclose(np.exp(1j * free.phases), np.exp(1j * free_there.phases), atol=2e-5)
    assert np.allclose([entry[1:] for entry in free.history], [entry[1:] for entry in free_there.history], atol=2e-5)
    levels, levels_there = ([entry[2] for entry in end.history[12:]] for end in (held, held_there))
    assert np.allclose(levels, levels_there[: len(levels)], atol=2e-5)
    assert gpu.bound(held_there) == pytest.approx(cpu.bound(held), abs=2e-6)
    masks = [stage.mask_phase(state, (1.0, 2.0)) for stage, _, state in ends]
    apart = np.abs(np.angle(np.exp(1j * (masks[0] - masks[1]))))
    assert np.mean(apart > 1e-3) < 1e-3


@pytest.mark.parametrize("dark", [False, True])
def test_masks_are_as_good_as_those_of_the_cpu(dark, gpu_or_double):
    """Uniformity, efficiency and darkness by the plain sum over the pixels."""
    path = light_path(bench_of(120, 120))
    bright = turned_block(path, 4)
    sites = np.concatenate([bright, bright + [field_um(path) / 28, 0, 0]]) if dark else bright
    target = np.zeros(len(sites))
    target[:16] = np.linspace(1, 1.5, 16)
    told = []
    asked = {"effort": "quick", "uniformity": 0.9999}

    def search(device, progress=None):
        return retrieve_spots(path, sites, target, rng=np.random.default_rng(0), device=device, progress=progress, **asked)

    found = search(gpu_or_double[1], lambda stage, count, level: told.append((stage, count)))
    cpu = search(CPU)
    light = np.abs(direct_fields(path, found.phase, sites)) ** 2
    ratio = light[:16] / target[:16]
    assert found.converged
    assert 1 - np.ptp(ratio) / (ratio.max() + ratio.min()) > 0.9998
    assert light.sum() == pytest.approx(found.efficiency, rel=1e-4)
    assert found.efficiency > cpu.efficiency - 0.005
    if dark:
        assert light[16:].max() / light[:16].mean() < 2 * EFFORTS["quick"].darkness
        assert found.crosstalk == pytest.approx(light[16:].max() / light[:16].mean(), rel=0.2, abs=1e-6)
    assert told[-1][0] == ("turn" if dark else "hold")
    again = search(gpu_or_double[1])
    assert np.array_equal(again.phase, found.phase)


def test_a_site_without_light_is_told(gpu_or_double):
    path = light_path(bench_of(100, 100))
    sites = np.array([[3.0, 0, 0], [3.0, 0, 0], [-5.0, 2, 0]])
    goal = np.ones(3)
    stage = stage_on(replace(path, amplitude=0 * path.amplitude + (path.amplitude > 2)), sites, goal, None, gpu_or_double[1])
    with pytest.raises(RetrievalError, match="gets no light"):
        stage.free("spread", State(np.ones(3), np.zeros(3), np.ones(3)), 2, 0.0)


def test_sites_far_beyond_the_field_are_refused(gpu_or_double):
    path = light_path(bench_of(100, 100))
    with pytest.raises(InputError, match="inside the field"):
        DeviceTransform(path, np.array([[1e9, 0.0, 0.0]]))


def moves_of(path, steps=4):
    """Sixteen sites that move by two cells in directions of their own."""
    cell, rng = field_um(path) / 120, np.random.default_rng(1)
    here = turned_block(path, 4)
    there = here + np.column_stack([rng.uniform(-2, 2, (16, 2)) * cell, np.zeros(16)])
    return course(np.array([here, there]), Limits(4 * cell / steps), 16.0), np.linspace(1, 1.5, 16), np.exp(1j * rng.uniform(0, 6, 16))


@pytest.mark.parametrize("lowest", [None, 0.3, 0.93])
def test_frames_are_those_of_the_cpu(lowest, gpu_or_double):
    """The last bound makes a step or two be halved."""
    bench = bench_of(110, 120)
    moved, target, waves = moves_of(light_path(bench))
    options = MoveOptions(Pace(limit=8), lowest=lowest)
    made = []
    for mover in (Mover(bench, options), DeviceMover(bench, options)):
        made.append(list(mover.frames(moved, target, mover.start(moved.places_um(0), target, waves))))
    assert len(made[0]) == len(made[1]) >= moved.frames
    assert lowest != 0.93 or len(made[0]) > moved.frames
    for cpu, gpu in zip(*made, strict=True):
        assert (gpu.number, gpu.progress, gpu.iterations) == (cpu.number, cpu.progress, cpu.iterations)
        assert (gpu.efficiency, gpu.uniformity) == pytest.approx((cpu.efficiency, cpu.uniformity), abs=2e-5)
        assert np.mean(gpu.levels != cpu.levels) < 1e-3
        assert np.abs(gpu.waves / cpu.waves - 1).max() < 1e-3
        if cpu.number and lowest is not None:
            assert np.allclose(gpu.lowest, cpu.lowest, atol=2e-4)
    last = made[1][-1]
    light = (
        np.abs(direct_fields(light_path(bench), phase_of_levels(last.levels, bench.panel), moved.places_um(last.progress))) ** 2 / target
    )
    assert light.std() / light.mean() < 0.01


def test_frames_go_on_from_any_of_them(gpu_or_double):
    bench = bench_of(110, 120)
    moved, target, waves = moves_of(light_path(bench))
    options = MoveOptions(Pace(limit=6), lowest=None)
    mover = DeviceMover(bench, options)
    whole = list(mover.frames(moved, target, mover.start(moved.places_um(0), target, waves)))
    rest = list(DeviceMover(bench, options).frames(moved, target, whole[2]))
    assert [frame.number for frame in rest] == [frame.number for frame in whole[3:]]
    assert all(np.mean(one.levels != other.levels) < 1e-3 for one, other in zip(rest, whole[3:], strict=True))


def test_a_step_that_cannot_be_made_short_enough_is_told(gpu_or_double):
    bench = bench_of(110, 120)
    moved, target, waves = moves_of(light_path(bench))
    mover = DeviceMover(bench, MoveOptions(Pace(limit=3), lowest=0.9999))
    with pytest.raises(RearrangementError, match="halved 5 times"):
        list(mover.frames(moved, target, mover.start(moved.places_um(0), target, waves)))


def test_a_rearrangement_runs_on_the_device(gpu_or_double):
    bench = bench_of(110, 120)
    path = light_path(bench)
    reservoir = turned_block(path, 4)
    wanted = Sites(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]), reservoir[[5, 6, 9]], np.array([1.0, 1.0, 2.0]))
    options = RearrangeOptions(device="gpu", moves=MoveOptions(lowest=None))
    ready = Rearranger(bench, reservoir, wanted, options)
    assert isinstance(ready.mover, DeviceMover)
    answer = ready.answer(np.arange(16) % 4 == 0)
    frames = list(ready.frames(answer))
    assert len(frames) == answer.course.frames
    fields = direct_fields(path, phase_of_levels(frames[-1].levels, bench.panel), answer.course.places_um(frames[-1].progress))
    ratio = np.abs(fields) ** 2 / answer.target
    assert ratio.std() / ratio.mean() < 0.02
