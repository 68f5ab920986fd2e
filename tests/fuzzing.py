"""Fuzzing of everything that reads a file: valid files to start from, ways to damage them, and a judge of what reading them ends in.

A reader is one entry of `readers`: the files of a folder, and the call that reads them. One of the files is damaged at random, or
replaced by something that is no file; reading must then end well or in an `InputError`, soon, in little memory, and leave the folder as it
was. The lines that a case is the first to reach are noted, and such cases are damaged further.
"""

from __future__ import annotations

import io
import json
import os
import random
import re
import resource
import shutil
import signal
import struct
import sys
import time
import traceback
import warnings
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

import holo
from holo.errors import CalibrationError, InputError

SECONDS = 5.0
"""Longest that a case may take, of the processor's time."""

BYTES = 2**30
"""Most memory that a case may take."""

TINY = """name = "tiny bench"
[light]
wavelength_nm = 700.0
power_mw = 2.0
{beam}
[panel]
columns = 24
rows = 20
pitch_um = 40.0
levels = 256
{response}
fill_factor = 0.93
[optics]
focal_length_mm = 4.0
numerical_aperture = 0.6
relay_magnification = 6.0
{optics}
[camera]
columns = 12
rows = 10
pixel_um = 4.8
magnification = 24.0
bits = 12
{camera}
[lattice]
{lattice}
origin_um = [2.0, 1.0]
"""
PLAIN = {
    "beam": "beam_diameter_mm = 0.72\nbeam_centre_mm = [0.0, 0.01]",
    "response": "level_for_2pi = 212",
    "optics": "[optics.aberration]\n5 = 0.05",
    "camera": "electrons_per_count = 2.5",
    "lattice": "vectors_um = [[1.5, 0.0], [0.0, 1.5]]",
}
SIDED = {
    "beam": 'beam_tiff = "beam.tiff"',
    "response": 'response_csv = "response.csv"\nflatness_tiff = "flatness.tiff"',
    "optics": 'aberration_toml = "aberration.toml"\naberration_tiff = "aberration.tiff"',
    "camera": 'dark_tiff = "dark.tiff"\nhot_tiff = "hot.tiff"',
    "lattice": 'geometry = "triangular"\nspacing_um = 1.5\nangle_deg = 11.0',
}
ARRANGEMENT = """title = "all sources"
[[add]]
sites = [[0, 0], [3, 1.5]]
target = 0.5
z_um = 1.0
[[add]]
sites_csv = "sites.csv"
[[add]]
block = [3, 2]
at = [10, 0]
every = [1, 2]
[[remove]]
block = [1, 1]
at = [10, 0]
[[add]]
disc = 2
at = [20, 20]
fill = 0.9
seed = 3
[[add]]
ring = [1.5, 3]
at = [30, 20]
target_gradient = [0.5, 1.0]
gradient_along = [1, 1]
[[add]]
line = [[0, 30], [4, 32]]
count = 5
[[add]]
picture = ["x.5", ".x1"]
at = [0, 40]
[[add]]
image = "picture.png"
size = [4, 4]
at = [50, 50]
threshold = 0.1
[dark]
margin = 1.5
[smooth]
unit = "um"
power = 0.5
margin = 2
disc = 5.0
at = [70, 50]
[[smooth.add]]
image = "picture.tiff"
size = [6, 4]
[[smooth.add]]
array = "array.npy"
size = [6, 4]
angle_deg = 30
[[smooth.times]]
ramp = [0.5, 1]
length = 20
[[smooth.times]]
wall = [10, 2]
gap = 1
inverse = true
[[smooth.times]]
speckle = 0.5
size = [8, 8]
seed = 1
"""
REGISTRATION = f"""time = "2026-01-02T03:04:05+00:00"
[plane_to_camera]
matrix = [[5.0, 0.1], [-0.1, 5.0]]
offset = [600.0, 450.0]
covariance = [
{chr(10).join("    " + str([1e-6 if row == column else 0.0 for column in range(6)]) + "," for row in range(6))}
]
points = 100
rms_px = 0.05
largest_px = 0.2
[lattice_to_plane]
matrix = [[1.5, 0.0], [0.0, 1.5]]
offset = [2.0, 1.0]
[digests]
"frame-000.tiff" = "sha256:{"0" * 64}"
"""
ABERRATION = """time = "2026-01-02T03:04:05+00:00"
method = "diversity"
[aberration]
5 = 0.05
11 = -0.02
[errors]
5 = 0.001
"""
TWIN = """bench = "bench.toml"
seed = 4
[camera_map]
rotation_deg = 20.0
offset_px = [1.0, 2.0]
[aberration]
6 = 0.1
[beam]
shift_mm = [0.01, 0.0]
lumpiness = 0.1
[panel]
flicker = 0.003
[sensor]
offset_counts = 100
[lattice]
offset_sites = [1.0, 2.0]
[atoms]
region = [4, 3]
"""


# ---------------------------------------------------------------------------------------------------------------------
# valid files


def tiff(*pages, **options):
    """Bytes of a TIFF file."""
    import tifffile

    held = io.BytesIO()
    with tifffile.TiffWriter(held) as file:
        for page in pages:
            file.write(page, photometric="minisblack", metadata=None, contiguous=False, **options)
    return held.getvalue()


def npy(array):
    """Bytes of an NPY file."""
    held = io.BytesIO()
    np.save(held, array)
    return held.getvalue()


def png(array, kind="png"):
    """Bytes of a picture."""
    from PIL import Image

    held = io.BytesIO()
    Image.fromarray(array).save(held, kind)
    return held.getvalue()


def bench_files():
    """A bench with all its side files."""
    phase = np.random.default_rng(1).uniform(-1, 1, (20, 24))
    response = "level,phase_rad\n" + "".join(f"{level},{level * 0.0296:.4f}\n" for level in (0, 60, 100, 180, 255))
    return {
        "bench.toml": TINY.format(**SIDED).encode(),
        "response.csv": response.encode(),
        "beam.tiff": tiff((1 + phase).astype(np.float32)),
        "flatness.tiff": tiff(phase.astype(np.float32)),
        "aberration.tiff": tiff(phase),
        "aberration.toml": ABERRATION.encode(),
        "dark.tiff": tiff(np.full((10, 12), 100, np.uint16)),
        "hot.tiff": tiff(np.eye(10, 12, dtype=np.uint8)),
    }


def arrangement_files():
    """An arrangement with each source of sites and its files."""
    grey = np.arange(64, dtype=np.uint8).reshape(8, 8)
    return {
        "arrangement.toml": ARRANGEMENT.encode(),
        "sites.csv": b"i,j,target,z_um\n5,5,0.5,\n6,5.25,1,2\n7,5,,\n",
        "picture.png": png(grey),
        "picture.tiff": tiff(grey, compression="deflate"),
        "array.npy": npy(grey / 64),
    }


def _source(path, text):
    return {"path": path, "digest": "sha256:" + "0" * 64, "text": text, "files": {}}


def record():
    """Record of a mask of the tiny bench."""
    from holo.design import DesignOptions, mask_record

    bench = _source("", TINY.format(**PLAIN))
    arrangement = _source("", "i,j,target,z_um\n0.0,0.0,1.0,0.0\n2.0,1.0,1.0,0.0\n")
    sources = {"bench": bench, "arrangement": arrangement, "registration": _source("", REGISTRATION)}
    made = mask_record(sources, DesignOptions(), None, {"uniformity": 0.99})
    return {**made, "time": "2026-01-02T03:04:05+00:00", "nudges": [{"x_um": 0.1, "y_um": 0.05, "focus_um": 0.0}]}


def mask_bytes(text):
    """A mask file with the text of some record."""
    import tifffile

    phase = np.random.default_rng(1).uniform(0, 6, (20, 24)).astype(np.float32)
    held = io.BytesIO()
    with tifffile.TiffWriter(held) as file:
        common = {"photometric": "minisblack", "metadata": None, "contiguous": False}
        file.write((phase * 35).astype(np.uint8), description=text, **common)
        file.write(phase, **common)
    return held.getvalue()


def light_dialogue(start):
    """A dialogue that costs next to nothing: two masks of one level, the sum of the frames."""
    from holo.dialogue import Ask
    from holo.mask import Mask

    if not isinstance(start.options.get("seed"), int):
        raise InputError(f"options: found {start.options}; allowed: a seed")
    seen = 0.0
    for step in range(2):
        made = {**record(), "time": start.time, "nudges": []}
        seen += float((yield Ask(Mask(np.full((20, 24), step, np.uint8), np.zeros((20, 24), np.float32), made), f"frame {step}")).mean())
    return Light(seen)


@dataclass(frozen=True)
class Light:
    """What `light_dialogue` ends in."""

    seen: float

    def files(self, digests):
        return {"result.txt": f"{self.seen} {dict(digests)}".encode()}

    def summary(self):
        return {"seen": self.seen}


def run_files(folder):
    """A run folder that waits for its second frame."""
    from holo.dialogue import start_run

    run = start_run(
        folder, "light", light_dialogue, {"arrangement": None, **{k: record()[k] for k in ("bench", "registration")}}, {"seed": 1}
    )
    run.answer(np.full((10, 12), 7, np.uint16))
    return {f"run/{path.name}": path.read_bytes() for path in folder.iterdir()}


SPECIES = """[X-1]
mass_u = { value = 87.0, error = 1.0, source = "a guess" }
ground_j = 0.5
nuclear_spin = 1.5
hyperfine_ghz = { value = 6.8, error = 0.0, source = "a guess" }
range_nm = [700, 2000]
remainder_au = { value = 11.0, error = 0.5, source = "a guess" }
[X-1.lines.D1]
upper_j = 0.5
wavelength_nm = { value = 795.0, error = 0.0, source = "a guess" }
linewidth_mhz = { value = 5.75, error = 0.01, source = "a guess" }
[X-1.lines.D2]
upper_j = 1.5
wavelength_nm = { value = 780.0, error = 0.0, source = "a guess" }
dipole_au = { value = 5.978, error = 0.01, source = "a guess" }
[Y-2]
like = "X-1"
mass_u = { value = 88.0, error = 0.1, source = "a guess" }
"""
JOBS = """title = "all kinds of tables"
[common]
bench = "bench.toml"
registration = "registration.toml"
effort = "quick"
report = false
light.power_mw = 3.0
[[job]]
name = "sites"
arrangement = "arrangement.toml"
add.1.target = 0.5
uniformity = 0.9
[[job]]
arrangement = "block"
engine = "dense"
drift_nm = 10
[job.sweep]
polarisation = ["x", 30]
[sweep]
seed = [0, 1]
panel.pitch_um = [40.0, 41.0]
"""
HEAD = {"format": "holo sequence", "version": 1, "head": {"levels": 256}, "frame_ms": 10.0}


def sequence_files(folder):
    """A sequence that was broken off after its second frame."""
    from holo.moves import MoveFrame
    from holo.sequence import write_sequence

    def make(last):
        for number in range(2):
            levels = np.full((20, 24), number, np.uint16)
            yield MoveFrame(number, number / 2, levels, np.ones(3, np.complex64), 0.9, 0.99, 3, np.ones(3) if number else None)
        raise KeyboardInterrupt

    try:
        write_sequence(folder / "moves", HEAD["head"], make, HEAD["frame_ms"])
    except KeyboardInterrupt:
        return {f".moves.part/{path.name}": path.read_bytes() for path in (folder / ".moves.part").iterdir()}
    raise AssertionError


def manifest_files(folder):
    """Two masks with their manifest, and a third that it names as a page."""
    from holo.manifest import Entry, Manifest, levels_digest, write_manifest

    pages = np.arange(3 * 480).reshape(3, 20, 24).astype(np.uint8)
    names = (("one", "a.tiff", 0), ("two", "a.tiff", 1), ("three", "b.tiff", 0))
    masks = [
        Entry(*name, levels_digest(page), 1.5 * n, {"uniformity": 0.9}) for n, (name, page) in enumerate(zip(names, pages, strict=True))
    ]
    write_manifest(folder / "set.json", Manifest(20, 24, "uint8", tuple(masks)))
    return {"set.json": (folder / "set.json").read_bytes(), "a.tiff": tiff(*pages[:2]), "b.tiff": tiff(pages[2])}


def batch_files(folder):
    """The folder of a batch of which one job is done and one has failed."""
    from holo.results import Results
    from holo.worker import Made

    with Results(folder / "out") as results:
        for job, made in zip(batch_jobs(), (Made(b"mask", None, {"uniformity": 0.9}), Made(error="too far")), strict=True):
            results.keep(job, "inputs", made, 1)
        results.tabulate(batch_jobs())
    return {str(path.relative_to(folder)): path.read_bytes() for path in (folder / "out").rglob("*") if path.is_file()}


def batch_jobs():
    """The jobs of `batch_files`."""
    from holo.jobs import Job

    return [Job(name, Path("a.toml"), Path("b.toml")) for name in ("one", "two")]


def _resume_batch(folder):
    from holo.results import Results

    with Results(folder / "out") as results:
        for job in batch_jobs():
            results.finished(job, "inputs")
        results.tabulate(batch_jobs())


def _check_jobs(folder):
    from holo.jobs import Checker, read_jobs

    checker = Checker()
    for job in read_jobs(folder / "jobs.toml")[:4]:
        checker.inputs(job)


# ---------------------------------------------------------------------------------------------------------------------
# readers


@dataclass(frozen=True)
class Reader:
    """What is read, and how.

    `files` are the content of the files by name, `read` is called with their folder, `damaged` are the names of those that are damaged (all
    of them if empty), `writes` tells that reading may change the folder, and `damage` is how its files are damaged, if not by their kind.
    """

    files: dict[str, bytes]
    read: Callable[[Path], object]
    damaged: tuple[str, ...] = ()
    writes: bool = False
    damage: Callable[[random.Random, str, bytes], bytes] | None = None


def _one(name, content, read):
    return Reader({name: content}, lambda folder: read(folder / name))


def _read_mask(folder):
    from holo.design import recorded_correction, recorded_options
    from holo.mask import read_mask
    from holo.record import recorded_inputs, recorded_sites

    mask = read_mask(folder / "mask.tiff")
    inputs = recorded_inputs(mask.record)
    recorded_options(mask.record), recorded_correction(mask.record), recorded_sites(mask.record, inputs.bench)


def _resume(folder):
    from holo.sequence import _resumed

    _resumed(folder / ".moves.part", HEAD)


def command(words, output=None):
    """A call that runs a command in the folder; it must keep its promises on exit codes, messages and outputs."""
    from click.testing import CliRunner

    from holo.cli import main

    def read(folder):
        result = CliRunner().invoke(main, [str(folder / word[1:]) if word.startswith("@") else word for word in words])
        if result.exit_code not in (0, 1, 2) or "fault in holo" in result.output or result.exception not in (None, *_exits(result)):
            raise AssertionError(f"exit code {result.exit_code}: {result.output[-500:]}")
        if output is not None:
            there = (folder / output).exists()
            (folder / output).unlink(missing_ok=True)
            if there != (result.exit_code == 0):
                raise AssertionError(f"exit code {result.exit_code}, output {'there' if there else 'missing'}: {result.output[-500:]}")

    return read


ARRAYS = ("--array", "@phase.npy", "1", "--array", "@phase.tiff", "0.5")


def _exits(result):
    return (result.exception,) if isinstance(result.exception, SystemExit) else ()


def readers(scratch):
    """All readers, by name; `scratch` is a folder for making their files."""
    from fuzzing_service import service_reader

    from holo.arrangement import read_arrangement
    from holo.atoms import read_species
    from holo.bench import read_bench
    from holo.dialogue import open_run
    from holo.files import read_csv
    from holo.frames import read_frame
    from holo.images import read_grey, read_npy
    from holo.lattice import Lattice
    from holo.manifest import check_manifest
    from holo.rearrange import read_occupancy
    from holo.registration import read_registration
    from holo.twin import read_twin

    counts = np.random.default_rng(1).integers(0, 4096, (2, 10, 12)).astype(np.uint16)
    mask, phase = mask_bytes(json.dumps(record())), np.linspace(0, 6, 480).reshape(20, 24)
    plain = TINY.format(**PLAIN).encode()
    lattice = Lattice([[3.0, 0.0], [0.0, 3.0]])
    jobs = {
        "jobs.toml": JOBS,
        "bench.toml": TINY.format(**PLAIN),
        "registration.toml": REGISTRATION,
        "arrangement.toml": "[[add]]\nblock = [2, 2]\n",
    }
    run, sequence = run_files(scratch / "run"), sequence_files(scratch)
    return {
        "bench": _one("bench.toml", plain, read_bench),
        "bench-files": Reader(bench_files(), lambda folder: read_bench(folder / "bench.toml")),
        "arrangement": Reader(arrangement_files(), lambda folder: read_arrangement(folder / "arrangement.toml", lattice)),
        "registration": _one("registration.toml", REGISTRATION.encode(), read_registration),
        "twin": Reader({"twin.toml": TWIN.encode(), "bench.toml": plain}, lambda folder: read_twin(folder / "twin.toml"), ("twin.toml",)),
        "mask": Reader({"mask.tiff": mask}, _read_mask),
        "frame-tiff": _one("frame.tiff", tiff(*counts), read_frame),
        "frame-png": _one("frame.png", png(counts[0]), read_frame),
        "frame-npy": _one("frame.npy", npy(counts), read_frame),
        "image-png": _one("image.png", png(counts[0].astype(np.uint8)), read_grey),
        "image-bmp": _one("image.bmp", png(counts[0].astype(np.uint8), "bmp"), read_grey),
        "image-tiff": _one("image.tiff", tiff(counts[0].astype(np.float32) / 4096), read_grey),
        "array": _one("array.npy", npy(np.linspace(0, 1, 12).reshape(3, 4)), read_npy),
        "occupancy": _one("occupancy.csv", b"i,j,filled,probability\n0,0,1,0.9\n1,0,0,0.1\n1,1.5,1,1\n", read_occupancy),
        "values": _one("v.csv", b"i,j,value,error\n0,0,1,0.9\n1,0,0,\n", lambda path: read_csv(path, ("i", "j", "value"), ("error",))),
        "run": Reader(run, lambda folder: open_run(folder / "run", "light", light_dialogue), (), True),
        "sequence": Reader(sequence, _resume, (), True),
        "jobs": Reader({name: text.encode() for name, text in jobs.items()}, _check_jobs, ("jobs.toml",)),
        "batch": Reader(batch_files(scratch), _resume_batch, ("out/journal.jsonl", "out/masks/one.tiff"), True),
        "manifest": Reader(manifest_files(scratch), lambda folder: check_manifest(folder / "set.json")),
        "response": Reader(bench_files(), lambda folder: read_bench(folder / "bench.toml"), ("response.csv",)),
        "species": _one("own.toml", SPECIES.encode(), read_species),
        "service": service_reader(scratch),
        "sum": Reader(
            {"mask.tiff": mask, "bench.toml": plain, "phase.npy": npy(phase), "phase.tiff": tiff(phase.astype(np.float32))},
            command(["add", "@mask.tiff", "-o", "@out.tiff", "--bench", "@bench.toml", *ARRAYS], "out.tiff"),
            ("phase.npy", "phase.tiff"),
        ),
        "check": Reader({"bench.toml": plain}, command(["check", "@bench.toml"])),
        "inspect": Reader({"mask.tiff": mask}, command(["inspect", "@mask.tiff", "--json"])),
        "render": Reader({"mask.tiff": mask}, command(["render", "@mask.tiff", "-o", "@out.png"], "out.png")),
        "nudge": Reader(
            {"mask.tiff": mask, "bench.toml": plain},
            command(["nudge", "@mask.tiff", "-o", "@out.tiff", "--by-um", "0.1", "0.1", "--bench", "@bench.toml"], "out.tiff"),
        ),
    }


# ---------------------------------------------------------------------------------------------------------------------
# damage

NUMBERS = (
    *("0", "-1", "1", "2", "3", "0.5", "1e-320", "1e9", "1000000000", "1e308", "-1e308", "1e400", "nan", "inf", "-inf", "-0.0", "65536"),
    *("9" * 19, "9" * 400, "9" * 5000, "0x7fffffff", "1_000", "true", "null", "[]", "{}", "[[1, 2], [3]]", "2026-01-01", "''", '"x"'),
    *("[" * 3000, "{a=" * 500, "2147483647", "4294967296", "18446744073709551616", "NaN", "Infinity", "1e-9", "12.5", "4"),
)
STRINGS = (
    *("", ".", "..", "/", "/dev/zero", "pipe", "loop", "folder", "nowhere", "../x", "\\u0000", "x" * 300, "x" * 5000, "ä\\t\\u2028", "\\n"),
    *("bench.toml", "beam.tiff", "sites.csv", "array.npy", "picture.png", "sha256:", "2026-13-01", "%s%n", "light", "holo mask"),
)
VALUES = (
    0,
    -1,
    1,
    2**31,
    2**63,
    10**30,
    0.5,
    -1e308,
    1e308,
    float("nan"),
    float("inf"),
    True,
    None,
    "",
    "x",
    "\0",
    [],
    {},
    [[]],
    [0],
    {"a": 1},
)
WORDS = (0, 1, 2, 3, 7, 8, 16, 127, 255, 256, 257, 1000, 4096, 65535, 65536, 2**31 - 1, 2**31, 2**32 - 1, 2**33, 10**10, 2**63, 2**64 - 1)
NO_FILES = ("missing", "folder", "pipe", "loop", "dangling", "empty", "device")


def damage(rng, name, content):
    """Damage the content of a file once or a few times, in ways that suit its kind."""
    suffix = Path(name).suffix
    if suffix in (".json", ".jsonl") and rng.random() < 0.5:
        return damaged_json(rng, content)
    if name.endswith("mask.tiff") and rng.random() < 0.6:
        return mask_bytes(_json_record(rng, content))
    ways = {
        ".toml": TEXT_WAYS,
        ".csv": TEXT_WAYS,
        ".json": TEXT_WAYS,
        ".jsonl": TEXT_WAYS,
        ".tiff": TIFF_WAYS,
        ".npy": NPY_WAYS,
        ".png": PNG_WAYS,
    }
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        way = rng.choice(ways.get(suffix, BYTE_WAYS) if rng.random() < 0.8 else BYTE_WAYS)
        content = way(rng, content)
    return content


def _json_record(rng, content):
    """The record of a mask file, damaged."""
    import tifffile

    try:
        with tifffile.TiffFile(io.BytesIO(content)) as file:
            text = file.pages[0].description.encode()
    except Exception:
        text = json.dumps(record()).encode()
    return damaged_json(rng, text).decode("ascii", "replace").replace("\0", " ").encode("ascii", "replace").decode()


def damaged_json(rng, content, value=lambda rng: rng.choice(VALUES)):
    """Change values in a JSON text, or in one line of several; `value` draws the new ones."""
    lines = (
        content.decode("utf-8", "replace").strip().split("\n") if content[:12] == b'{"format": "' else [content.decode("utf-8", "replace")]
    )
    number = rng.randrange(len(lines))
    try:
        tree = json.loads(lines[number])
    except (ValueError, RecursionError):
        return _text_number(rng, content)
    for _ in range(rng.choice((1, 1, 2, 4))):
        tree = _damaged_tree(rng, tree, value)
    lines[number] = json.dumps(tree)
    return ("\n".join(lines) + "\n").encode()


def _damaged_tree(rng, tree, value):
    """Change one value somewhere in a tree of JSON."""
    if isinstance(tree, dict | list) and tree and rng.random() < 0.85:
        keys = list(tree) if isinstance(tree, dict) else list(range(len(tree)))
        key = rng.choice(keys)
        chance = rng.random()
        copy = tree.copy()
        if chance < 0.1:
            del copy[key]
        elif chance < 0.15 and isinstance(tree, dict):
            copy[rng.choice(("x", "", "seed", "engine", "a" * 300, "text"))] = copy.pop(key)
        else:
            copy[key] = _damaged_tree(rng, tree[key], value)
        return copy
    if isinstance(tree, str) and len(tree) > 20 and rng.random() < 0.8:
        return rng.choice(TEXT_WAYS)(rng, tree.encode()).decode("utf-8", "replace")
    return value(rng)


def _replaced(rng, content, pattern, choices):
    """Replace one match of a pattern in a text."""
    found = list(re.finditer(pattern, content))
    if not found:
        return content + rng.choice(choices).encode()
    one = rng.choice(found)
    return content[: one.start()] + rng.choice(choices).encode() + content[one.end() :]


def _text_number(rng, content):
    return _replaced(rng, content, rb"-?\d[\d.e_+-]*", NUMBERS)


def _text_string(rng, content):
    return _replaced(rng, content, rb'"[^"\n]*"', tuple(f'"{text}"' for text in STRINGS))


def _text_value(rng, content):
    return _replaced(rng, content, rb"(?<=[=:] )[^\n,]+", (*NUMBERS, *(f'"{text}"' for text in STRINGS)))


def _text_word(rng, content):
    return _replaced(
        rng, content, rb"[a-z_]{3,}", ("x", "block", "disc", "ring", "image", "array", "sites", "picture", "seed", "title", "smooth", "9")
    )


def _text_lines(rng, content):
    lines = content.split(b"\n")
    one, other = rng.randrange(len(lines)), rng.randrange(len(lines))
    match rng.randrange(4):
        case 0:
            del lines[one]
        case 1:
            lines.insert(other, lines[one])
        case 2:
            lines[one], lines[other] = lines[other], lines[one]
        case _:
            lines[one : one + 1] = [lines[one]] * rng.choice((2, 50))
    return b"\n".join(lines)


def _text_whole(rng, content):
    return rng.choice(
        (
            lambda: b"\xef\xbb\xbf" + content,
            lambda: content.replace(b"\n", b"\r\n"),
            lambda: content.replace(b"\n", b"\r"),
            lambda: content.decode("utf-8", "replace").encode("utf-16"),
            lambda: b"\0" + content,
            lambda: content + b"\xff\xfe",
            lambda: content + b"x = " + b"[" * 100_000,
            lambda: content.replace(b'"', b"'"),
            lambda: content.replace(b",", b";"),
        )
    )()


def _bytes_some(rng, content):
    content = bytearray(content or b"\0")
    for _ in range(rng.choice((1, 1, 2, 4, 16))):
        content[rng.randrange(len(content))] = rng.choice((0, 1, 127, 128, 255, 10, 13, 34, 91, rng.randrange(256)))
    return bytes(content)


def _bytes_cut(rng, content):
    place = rng.randrange(len(content) + 1)
    return content[:place] if rng.random() < 0.5 else content[:place] + content[place + rng.choice((1, 2, 4, 16, 100)) :]


def _bytes_more(rng, content):
    place, length = rng.randrange(len(content) + 1), rng.choice((1, 2, 8, 64, 1000))
    extra = content[place : place + length] if rng.random() < 0.5 else bytes(rng.randrange(256) for _ in range(min(length, 64)))
    return content[:place] + extra + content[place:]


def _bytes_word(rng, content):
    code = rng.choice("BHIQ")
    size = struct.calcsize(code)
    if len(content) < size:
        return content
    place = rng.randrange(len(content) - size + 1)
    word = rng.choice(WORDS) & (2 ** (8 * size) - 1)
    return content[:place] + struct.pack(rng.choice("<>") + code, word) + content[place + size :]


def _tiff_tag(rng, content):
    """Change code, type, count or value of a tag, or where the next page lies."""
    tags = _tags(content)
    if not tags:
        return _bytes_word(rng, content)
    place = rng.choice(tags)
    part, code = rng.choice(((0, "H"), (2, "H"), (4, "I"), (8, "I"), (8, "I"), (8, "H")))
    words = (
        *WORDS,
        254,
        256,
        257,
        258,
        259,
        262,
        270,
        273,
        277,
        278,
        279,
        284,
        317,
        322,
        323,
        324,
        325,
        339,
        len(content),
        place,
        5,
        32773,
        34925,
        50000,
    )
    word = rng.choice(words) & (2 ** (8 * struct.calcsize(code)) - 1)
    return content[: place + part] + struct.pack("<" + code, word) + content[place + part + struct.calcsize(code) :]


def _tags(content):
    """Where the tags of a little-endian TIFF stand, and the words that lead to the next page."""
    tags, seen = [], set()
    try:
        at = struct.unpack_from("<I", content, 4)[0]
        while at and at not in seen and len(seen) < 10:
            seen.add(at)
            count = min(struct.unpack_from("<H", content, at)[0], 40)
            tags += [at + 2 + 12 * number for number in range(count)]
            tags.append(at + 2 + 12 * count - 8)  # its value is the place of the next page
            at = struct.unpack_from("<I", content, at + 2 + 12 * count)[0]
    except struct.error:
        pass
    return [place for place in tags if 0 <= place <= len(content) - 12]


def _npy_head(rng, content):
    shapes = (
        "()",
        "(0,)",
        "(10000000000,)",
        "(4, 3)",
        "(1, 2, 10, 12)",
        "(3, 4, 0)",
        "(-1, 5)",
        "(" * 400,
        "(1000000, 1000000)",
        "(2, 10, 12)",
        "12",
    )
    kinds = (
        "'|O'",
        "'<f8'",
        "'>f4'",
        "'<c16'",
        "'|b1'",
        "'<M8[s]'",
        "'<U9'",
        "[('a', '<f8')]",
        "'|V8'",
        "'<f2'",
        "'>u8'",
        "'<i1'",
        "'x'",
        "'<u2'",
    )
    choice = rng.random()
    if choice < 0.45:
        content = re.sub(rb"\([^)]*\)", rng.choice(shapes).encode(), content, count=1)
    elif choice < 0.9:
        content = re.sub(rb"'[<>|][a-z]\d+'", rng.choice(kinds).encode(), content, count=1)
    else:
        content = content.replace(b"False", rng.choice((b"True", b"1", b"__import__('os')")), 1)
    return content


def _png_chunk(rng, content):
    """Change a chunk of a PNG file and make its checksum right again."""
    chunks, at = [], 8
    while at + 12 <= len(content):
        length = struct.unpack_from(">I", content, at)[0]
        if at + 12 + length > len(content):
            break
        chunks.append((content[at + 4 : at + 8], content[at + 8 : at + 8 + length]))
        at += 12 + length
    if not chunks:
        return _bytes_word(rng, content)
    number = rng.randrange(len(chunks))
    kind, data = chunks[number]
    if kind == b"IDAT" and rng.random() < 0.3:
        data = zlib.compress(bytes(rng.choice((0, 10, 10**6))))
    elif rng.random() < 0.2:
        chunks.insert(number, (rng.choice((b"tRNS", b"PLTE", b"zTXt", b"iCCP", b"acTL", b"IEND", b"gAMA", b"eXIf")), data))
    else:
        data = _bytes_word(rng, data) if data else b"\0"
    chunks[number] = (kind, data)
    return content[:8] + b"".join(struct.pack(">I", len(d)) + k + d + struct.pack(">I", zlib.crc32(k + d)) for k, d in chunks)


BYTE_WAYS = (_bytes_some, _bytes_cut, _bytes_more, _bytes_word)
TEXT_WAYS = (
    _text_number,
    _text_number,
    _text_number,
    _text_string,
    _text_value,
    _text_value,
    _text_word,
    _text_lines,
    _text_lines,
    _text_whole,
)
TIFF_WAYS = (_tiff_tag, _tiff_tag, _tiff_tag, _bytes_some, _bytes_word, _bytes_cut)
NPY_WAYS = (_npy_head, _npy_head, _bytes_some, _bytes_cut)
PNG_WAYS = (_png_chunk, _png_chunk, _bytes_some, _bytes_word)


# ---------------------------------------------------------------------------------------------------------------------
# the judge


class Hang(BaseException):
    """Raised in a case that takes too long."""


@dataclass(frozen=True)
class Verdict:
    """What became of a case: ``read``, ``refused`` or a failure, with the text of the error."""

    kind: str
    text: str = ""

    @property
    def fine(self):
        return self.kind in ("read", "refused")


@dataclass
class Place:
    """A folder in which one reader is tried again and again."""

    reader: Reader
    folder: Path
    seen: set = field(default_factory=set)
    traced: bool = False

    def __post_init__(self):
        self._restore()

    def _restore(self):
        shutil.rmtree(self.folder, ignore_errors=True)
        (self.folder / "folder").mkdir(parents=True)
        os.mkfifo(self.folder / "pipe")
        (self.folder / "loop").symlink_to("loop")
        for name, content in self.reader.files.items():
            (self.folder / name).parent.mkdir(parents=True, exist_ok=True)
            (self.folder / name).write_bytes(content)
        self._names = self._listed()

    def _listed(self):
        return sorted(str(path) for path in self.folder.rglob("*"))

    def put(self, name, content):
        """Put bytes, or one of `NO_FILES`, in the place of a file."""
        path = self.folder / name
        if isinstance(content, bytes):
            path.write_bytes(content)
            return
        path.unlink()
        match content:
            case "folder":
                path.mkdir()
            case "pipe":
                os.mkfifo(path)
            case "loop" | "dangling":
                path.symlink_to(path.name if content == "loop" else "nowhere")
            case "empty":
                path.touch()
            case "device":
                path.symlink_to("/dev/zero")

    def tried(self, name, content):
        """The verdict on a case, and whether it reached anything new."""
        self.put(name, content)
        names, known = self._listed(), len(self.seen)
        before, start = _most_memory(), time.process_time()
        verdict = self._judged()
        took, grown = time.process_time() - start, _most_memory() - before
        if verdict.fine and took > SECONDS:
            verdict = Verdict("hang", f"took {took:.1f} s")
        if verdict.fine and grown > BYTES:
            verdict = Verdict("memory", f"took {grown / 2**20:.0f} MiB")
        if not self.reader.writes and self._listed() != names:
            verdict = Verdict("left", f"found {set(self._listed()) ^ set(names)}")
        if self.reader.writes or not isinstance(content, bytes):
            self._restore()
        else:
            (self.folder / name).write_bytes(self.reader.files[name])
        return verdict, len(self.seen) > known

    def _judged(self):
        for number, timer in ((signal.SIGALRM, signal.ITIMER_REAL), (signal.SIGPROF, signal.ITIMER_PROF)):
            signal.signal(number, _too_long)
            signal.setitimer(timer, 60 if timer == signal.ITIMER_REAL else 2 * SECONDS)  # other work may slow the machine down
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                if self.traced:
                    sys.settrace(self._called)
                self.reader.read(self.folder)
        except (InputError, CalibrationError) as error:
            return Verdict("refused", str(error))
        except Hang:
            return Verdict("hang", traceback.format_exc()[-1500:])
        except Exception:
            return Verdict("traceback", traceback.format_exc()[-2500:])
        finally:
            sys.settrace(None)
            signal.setitimer(signal.ITIMER_REAL, 0)
            signal.setitimer(signal.ITIMER_PROF, 0)
        return Verdict("read")

    def _called(self, frame, event, arg):
        return self._line if frame.f_code.co_filename.startswith(_SOURCE) else None

    def _line(self, frame, event, arg):
        self.seen.add((frame.f_code, frame.f_lineno, frame.f_back.f_lineno if event == "call" and frame.f_back else 0))
        return self._line


_SOURCE = str(Path(holo.__file__).parent)


def _too_long(number, frame):
    raise Hang


def _most_memory():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def cases(reader, rng, known):
    """Draw a case: the name of a file, and its content. `known` holds cases that have reached something new, by file."""
    name = rng.choice(reader.damaged or tuple(reader.files))
    if rng.random() < 0.01:
        return name, rng.choice(NO_FILES)
    found = known.get(name, ())
    start = rng.choice(found) if found and rng.random() < 0.5 else reader.files[name]
    return name, (reader.damage or damage)(rng, name, start)


def fuzz(reader, folder, count, seed, report=None):
    """Try `count` random cases of a reader; returns how many ended how, and the failures with their cases."""
    place = Place(reader, folder, traced=True)
    rng, known, ends, failures = random.Random(seed), {}, {}, []
    for _ in range(count):
        name, content = cases(reader, rng, known)
        verdict, new = place.tried(name, content)
        ends[verdict.kind] = ends.get(verdict.kind, 0) + 1
        if new and isinstance(content, bytes) and len(content) < 20_000:
            known.setdefault(name, []).append(content)
        if not verdict.fine:
            failures.append((name, content, verdict))
            if report is not None:
                report(name, content, verdict)
    return ends, failures, len(place.seen)


def smaller(reader, folder, name, content, verdict):
    """The same failure from less: parts are left out as long as it stays."""
    place = Place(reader, folder)
    last = verdict.text.strip().splitlines()[-1][:40]
    part = len(content) // 2
    while part and len(content) < 20_000:
        at = 0
        while at < len(content):
            less = content[:at] + content[at + part :]
            found, _ = place.tried(name, less)
            if found.kind == verdict.kind and found.text.strip().splitlines()[-1][:40] == last:
                content = less
            else:
                at += part
        part //= 2
    return content


def with_files(reader, **changes):
    """A reader with some of its files exchanged."""
    return replace(reader, files={**reader.files, **changes})
