"""Levels, nudging, mask files and rendering, checked against the circle itself, Pillow and broken files."""

from __future__ import annotations

import json
import struct
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from holo.bench import parse_bench
from holo.errors import HoloError, InputError, OutputExistsError
from holo.field.path import light_path
from holo.field.sites import direct_fields
from holo.mask import (
    Mask,
    levels_of_phase,
    nudge_mask,
    nudge_phase,
    phase_of_levels,
    read_mask,
    render_levels,
    response_of_levels,
    wrap,
    write_mask,
)
from holo.parts import Panel

DIGEST = "sha256:" + "0" * 64
BENCH = """
name = "small bench"
[light]
wavelength_nm = 938.0
power_mw = 10.0
beam_diameter_mm = 1.0
[panel]
columns = 64
rows = 48
pitch_um = 10.0
levels = 256
level_for_2pi = 212
[optics]
focal_length_mm = 4.0
numerical_aperture = 0.3
relay_magnification = 4.0
[lattice]
vectors_um = [[20.0, 0.0], [0.0, 20.0]]
"""


def panel(rows=1, columns=1, levels=256, level_for_2pi=212, response=None, flatness=None):
    return Panel(columns, rows, 10.0, levels, None if response is not None else level_for_2pi, response, flatness, 1.0, None, None, None)


def record(**changes):
    source = {"path": "a.toml", "digest": DIGEST, "text": "a = 1\n", "files": {}}
    return {
        "format": "holo mask",
        "version": 1,
        "time": "2025-01-02T03:04:05+00:00",
        "holo": "0.1.0",
        "bench": {**source, "files": {"beam.tiff": DIGEST}},
        "arrangement": source,
        "registration": None,
        "seed": 0,
        "options": {"effort": "normal"},
        "figures": {"efficiency": 0.9, "crosstalk_max": None},
        "nudges": [],
    } | changes


def mask(rows=48, columns=64, number=np.uint8, **changes):
    rng = np.random.default_rng(1)
    phase = rng.uniform(0, 2 * np.pi, (rows, columns)).astype(np.float32)
    return Mask(rng.integers(0, np.iinfo(number).max, (rows, columns), number, endpoint=True), phase, record(**changes))


def on_circle(difference):
    return np.abs(np.angle(np.exp(1j * difference)))


# ---------------------------------------------------------------------------------------------------------------------
# phase <-> levels


def test_linear_levels_are_those_of_a_ramp():
    """Common practice, no source: phase is proportional to the level, and level_for_2pi is written as 0."""
    wanted = 2 * np.pi * np.arange(213)[None] / 212
    expected = np.append(np.arange(212), 0)[None]
    assert (levels_of_phase(wanted, panel(1, 213)) == expected).all()
    assert (levels_of_phase(wanted + 6 * np.pi, panel(1, 213)) == expected).all()
    assert (levels_of_phase(wanted - 6 * np.pi, panel(1, 213)) == expected).all()
    for levels, full in ((256, 212), (256, 256), (65536, 60000), (65536, 65536)):
        assert levels_of_phase(np.array([[-1e-6, 1e-6]]), panel(1, 2, levels, full)).tolist() == [[0, 0]]


RESPONSES = {
    "linear": panel(1, 4000),
    "linear, 16 bit": panel(1, 200, 65536, 60000),
    "linear, not a whole level": panel(1, 4000, 256, 199.37),
    "linear, two turns": panel(1, 4000, 256, 120),
    "rising": panel(1, 4000, response=np.array([[0, 0.3], [100, 2.0], [180, 5.0], [255, 7.1]])),
    "rising, 16 bit": panel(1, 200, 65536, response=np.array([[0, -1.0], [30000, 2.0], [65535, 6.0]])),
    "falling": panel(1, 4000, response=np.array([[0, 1.0], [90, -0.5], [255, -5.6]])),
    "from below a turn": panel(1, 4000, response=np.array([[0, -0.03], [255, -0.03 + 2 * np.pi]])),
    "with a plateau": panel(1, 4000, response=np.array([[0, 0.0], [20, 0.0], [230, 6.2], [255, 6.3]])),
    "not flat": panel(1, 4000, flatness=np.linspace(-9, 9, 4000)[None]),
    "not flat, measured": panel(1, 4000, response=np.array([[0, 0.0], [255, 8.0]]), flatness=np.linspace(3, -7, 4000)[None]),
}


@pytest.mark.parametrize("name", RESPONSES)
def test_levels_are_the_nearest_on_the_circle(name):
    """Against a search through every level of every pixel."""
    device = RESPONSES[name]
    wanted = np.random.default_rng(2).uniform(-7, 14, (1, device.columns))
    chosen = levels_of_phase(wanted, device)
    made = np.ravel(phase_of_levels(chosen, device))
    every = response_of_levels(device)
    flatness = 0 if device.flatness is None else device.flatness
    least = np.array([on_circle(every - one).min() for one in np.ravel(wanted - flatness)])
    np.testing.assert_allclose(on_circle(made - wanted.ravel()), least, atol=1e-9)
    assert chosen.dtype == (np.uint8 if device.levels <= 256 else np.uint16)


@given(st.floats(2, 256), st.floats(-20, 20))
def test_rounding_error_is_at_most_half_a_step(level_for_2pi, wanted):
    """A linear response errs by at most pi / level_for_2pi (the interval of uniform quantisation; Goodman & Silvestri 1970)."""
    device = panel(level_for_2pi=level_for_2pi)
    made = phase_of_levels(levels_of_phase(np.array([[wanted]]), device), device)
    # 256 levels at 256 per turn leave out one: the last step to 2 pi is closed by level 0
    assert on_circle(made - wanted)[0, 0] <= np.pi / level_for_2pi + np.pi / 256 + 1e-9


def test_levels_beyond_a_turn_only_where_they_are_nearer():
    device = panel(1, 4000, 256, 200.5)
    wanted = np.linspace(0, 2 * np.pi, 4000, endpoint=False)[None]
    chosen = levels_of_phase(wanted, device).astype(float)
    error = on_circle(2 * np.pi * chosen / 200.5 - wanted)
    below = on_circle(2 * np.pi * np.minimum(np.rint(wanted * 200.5 / (2 * np.pi)), 200) / 200.5 - wanted)
    assert (chosen[error >= below - 1e-12] <= 200.5).all()
    assert (error <= below + 1e-12).all()


def test_equal_phases_take_the_lowest_level_and_ties_are_settled():
    twice = panel(1, 4, response=np.array([[0, 0.0], [255, 2 * 2 * np.pi * 255 / 256]]))  # two turns in 256 levels
    assert levels_of_phase(np.array([[0.0, np.pi, 2 * np.pi, -0.0]]), twice).tolist() == [[0, 64, 0, 0]]
    tie = np.full((1, 4), np.pi / 212)
    assert len(np.unique(levels_of_phase(tie, panel(1, 4)))) == 1


def test_phase_of_levels_is_the_judges():
    """np.interp over the sorted table plus the flatness: the definition by which masks are judged."""
    table = np.array([[0, 0.1], [90, 2.0], [255, 6.6]])
    flatness = np.array([[0.5, -0.25, 0.0]])
    levels = np.array([[0, 77, 255]], np.uint8)
    expected = np.interp(levels, table[:, 0], table[:, 1]) + flatness
    assert (phase_of_levels(levels, panel(1, 3, response=table, flatness=flatness)) == expected).all()
    assert (phase_of_levels(levels, panel(1, 3)) == 2 * np.pi * levels.astype(float) / 212).all()


def test_mean_quantised_field_is_sinc():
    """Rounding to L levels leaves sinc(1/L) of the field: Goodman and Silvestri, IBM J. Res. Dev. 14, 478 (1970); Swanson 1989."""
    wanted = np.random.default_rng(3).uniform(0, 2 * np.pi, (100, 1000))
    for steps in (2, 3, 4, 8, 16):
        device = panel(100, 1000, level_for_2pi=steps)
        error = phase_of_levels(levels_of_phase(wanted, device), device) - wanted
        mean = np.exp(1j * error).mean()
        scatter = np.sqrt((1 - np.sinc(1 / steps) ** 2) / wanted.size)
        assert abs(mean - np.sinc(1 / steps)) < 5 * scatter


def test_wrong_shapes_and_levels_are_refused():
    with pytest.raises(InputError, match=r"phase: found shape \(2, 3\); allowed: 1 rows by 1 columns"):
        levels_of_phase(np.zeros((2, 3)), panel())
    with pytest.raises(InputError, match=r"levels: found shape \(2, 3\)"):
        phase_of_levels(np.zeros((2, 3), int), panel())
    with pytest.raises(InputError, match="found levels from 3 to 256; allowed: 0 to 255"):
        phase_of_levels(np.array([[3, 256]]), panel(1, 2))
    with pytest.raises(InputError, match="found levels from -1 to 3"):
        phase_of_levels(np.array([[3, -1]]), panel(1, 2))


@given(st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=30))
def test_wrap_stays_below_two_pi_and_keeps_the_phase(values):
    wrapped = wrap(np.array(values))
    assert (wrapped >= 0).all()
    assert (wrapped.astype(float) < 2 * np.pi).all()
    assert (on_circle(wrapped - np.array(values)) < 1e-6).all()


# ---------------------------------------------------------------------------------------------------------------------
# nudging


def test_a_nudge_moves_the_light_by_that_much_in_x_y_and_z():
    """The shift theorem (Goodman, Introduction to Fourier Optics, section 2.1.3): same field, elsewhere."""
    bench = parse_bench(BENCH, "bench.toml")
    path = light_path(bench)
    phase = mask().phase
    points = np.array([[30.0, -20.0, 0.0], [5.0, 11.0, 20.0], [-40.0, 25.0, -7.0]])
    by = np.array([12.5, -8.0, 30.0])
    before = np.abs(direct_fields(path, phase, points)) / np.abs(path.envelope(points))
    after = np.abs(direct_fields(path, nudge_phase(path, phase, *by), points + by)) / np.abs(path.envelope(points + by))
    np.testing.assert_allclose(after, before, atol=1e-6)


def test_nudges_add_up_and_come_back():
    bench = parse_bench(BENCH, "bench.toml")
    path = light_path(bench)
    start = mask(figures={"efficiency": 0.5})
    there = nudge_mask(start, path, bench.panel, (3.0, -4.0), 5.0)
    back = nudge_mask(there, path, bench.panel, (-3.0, 4.0), -5.0)
    assert (on_circle(back.phase - start.phase) < 1e-5).all()
    assert not np.array_equal(there.levels, back.levels)
    assert there.record["nudges"] == [{"x_um": 3.0, "y_um": -4.0, "focus_um": 5.0}]
    assert len(back.record["nudges"]) == 2
    assert there.record["figures"] == {}
    assert start.record["nudges"] == []
    assert (there.levels == levels_of_phase(there.phase, bench.panel)).all()


def test_a_nudge_must_be_finite_and_fit():
    path = light_path(parse_bench(BENCH, "bench.toml"))
    with pytest.raises(InputError, match="dy_um: found nan; allowed: from -10000 to 10000 um"):
        nudge_phase(path, mask().phase, 0, np.nan)
    with pytest.raises(InputError, match=r"phase: found shape \(2, 2\); allowed: \(48, 64\)"):
        nudge_phase(path, np.zeros((2, 2)), 0, 0)


# ---------------------------------------------------------------------------------------------------------------------
# files


@pytest.mark.parametrize("number", [np.uint8, np.uint16])
def test_a_mask_file_comes_back_and_pillow_reads_it(tmp_path, number):
    written = mask(number=number, registration=record()["bench"], figures={"note": "größer ≥ 1"})
    write_mask(tmp_path / "mask.tiff", written)
    read = read_mask(tmp_path / "mask.tiff")
    assert (read.levels == written.levels).all()
    assert read.levels.dtype == number
    assert (read.phase == written.phase).all()
    assert read.record == written.record
    with Image.open(tmp_path / "mask.tiff") as picture:
        assert picture.n_frames == 2
        assert picture.tag_v2[262] == 1  # TIFF 6.0: PhotometricInterpretation, black is zero
        assert picture.tag_v2[259] == 1  # TIFF 6.0: Compression, none
        assert json.loads(picture.tag_v2[270]) == written.record
        assert (np.asarray(picture) == written.levels).all()
        picture.seek(1)
        assert (np.asarray(picture) == written.phase).all()


def test_the_time_does_not_touch_the_pixels(tmp_path):
    pages = []
    for name, time in (("a.tiff", "2025-01-02T03:04:05+00:00"), ("b.tiff", "2031-11-12T13:14:15+00:00")):
        write_mask(tmp_path / name, mask(time=time))
        with tifffile.TiffFile(tmp_path / name) as file:
            pages.append([page.asarray().tobytes() for page in file.pages])
    assert pages[0] == pages[1]


def test_an_output_that_stands_there_is_kept(tmp_path):
    path = tmp_path / "mask.tiff"
    path.write_text("mine")
    for attempt in (lambda: write_mask(path, mask()), lambda: write_mask(path, mask(version=3), overwrite=True)):
        with pytest.raises(InputError):
            attempt()
        assert path.read_text() == "mine"
        assert list(tmp_path.iterdir()) == [path]
    with pytest.raises(OutputExistsError, match="exists already; use --overwrite"):
        write_mask(path, mask())
    write_mask(path, mask(), overwrite=True)
    assert (read_mask(path).levels == mask().levels).all()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"phase": np.full((48, 64), np.nan, np.float32)}, "phase: found values from nan to nan; allowed: 0 to 2 pi"),
        ({"phase": np.zeros((48, 64))}, "phase: found shape .* type float64; allowed"),
        ({"levels": np.zeros((48, 64), int)}, "levels: found .* type int64; allowed: .* uint8 or uint16"),
        ({"record": record(figures={"efficiency": float("nan")})}, "record: .*; allowed: JSON with finite numbers"),
        ({"record": record(figures={"efficiency": np.float64(1)} | {"x": object()})}, "record: .* not JSON serializable"),
    ],
)
def test_what_could_not_be_read_is_not_written(tmp_path, change, message):
    with pytest.raises(InputError, match=message):
        write_mask(tmp_path / "mask.tiff", replace(mask(), **change))
    assert list(tmp_path.iterdir()) == []


def write_pages(path, pages, description=None, **options):
    text = json.dumps(record()) if description is None else description
    with tifffile.TiffWriter(path) as file:
        for number, page in enumerate(pages):
            file.write(page, contiguous=False, metadata=None, description=None if number else text, **options)


def patch_tag(path, page, tag, value, code="<I"):
    """Overwrite the value of one tag in place."""
    with tifffile.TiffFile(path) as file:
        offset = file.pages[page].tags[tag].valueoffset
    content = bytearray(path.read_bytes())
    struct.pack_into(code, content, offset, value)
    path.write_bytes(content)


def patched(page, tag, value, code="<I"):
    def write(path):
        write_mask(path, mask())
        patch_tag(path, page, tag, value, code)

    return write


def cut(share):
    def write(path):
        write_mask(path, mask())
        content = path.read_bytes()
        path.write_bytes(content[: int(len(content) * share) if share < 1 else -1])

    return write


def loop(path):
    """The first directory names itself as its successor."""
    write_mask(path, mask())
    content = bytearray(path.read_bytes())
    first = struct.unpack_from("<I", content, 4)[0]
    struct.pack_into("<I", content, first + 2 + 12 * struct.unpack_from("<H", content, first)[0], first)
    path.write_bytes(content)


def pages(*arrays, **options):
    return lambda path: write_pages(path, arrays, **options)


def colour(path):
    with tifffile.TiffWriter(path) as file:
        file.write(np.zeros((48, 64, 3), np.uint8), photometric="rgb", description=json.dumps(record()), metadata=None)
        file.write(PHASE, photometric="minisblack", contiguous=False, metadata=None)


def text(description):
    return pages(LEVELS, PHASE, description=description)


def picture(path):
    with path.open("wb") as file:
        Image.fromarray(LEVELS).save(file, "png")


def long_description(path):
    """The count of the image description, not its place, is patched."""
    write_mask(path, mask())
    with tifffile.TiffFile(path) as file:
        entry = file.pages[0].tags["ImageDescription"].offset
    content = bytearray(path.read_bytes())
    struct.pack_into("<I", content, entry + 4, 2**32 - 1)
    path.write_bytes(content)


def overflowing(path):
    """A phase page that claims to be as wide as a TIFF can say, in a file of BigTIFF kind."""
    with tifffile.TiffWriter(path, bigtiff=True) as file:
        file.write(LEVELS, description=json.dumps(record()), metadata=None, contiguous=False)
        file.write(PHASE, metadata=None, contiguous=False)
    patch_tag(path, 1, "ImageWidth", 2**31 - 1)
    patch_tag(path, 1, "ImageLength", 2**31 - 1)


LEVELS, PHASE = mask().levels, mask().phase
UNREADABLE = "not a readable TIFF file"
BROKEN = {
    "empty": (lambda path: path.write_bytes(b""), UNREADABLE),
    "a text": (lambda path: path.write_text("levels, phase\n"), UNREADABLE),
    "only a magic number": (lambda path: path.write_bytes(b"II*\0"), UNREADABLE),
    "no directory": (lambda path: path.write_bytes(b"II*\0\0\0\0\0"), "found 0 page|" + UNREADABLE),
    "directory past the end": (lambda path: path.write_bytes(b"II*\0\xff\xff\xff\x7f"), "found 0 page|" + UNREADABLE),
    "a PNG picture": (picture, UNREADABLE),
    "a folder": (lambda path: path.mkdir(), "not a file"),
    "missing": (lambda path: None, "no such file"),
    "cut at a twentieth": (cut(0.05), "page"),
    "cut at half": (cut(0.5), "page|" + UNREADABLE),
    "cut at nine tenths": (cut(0.9), "page 1: truncated|" + UNREADABLE),
    "last byte missing": (cut(1), "page 1: truncated"),
    "directory that follows itself": (loop, "found pages in a circle"),
    "one page": (pages(LEVELS), r"found 1 page\(s\); allowed: the 2 pages of a mask file"),
    "three pages": (pages(LEVELS, PHASE, PHASE), r"found 3 page\(s\); allowed: the 2 pages"),
    "pages exchanged": (pages(PHASE, LEVELS), "page 0: found pixels of type float32; allowed: uint8 or uint16"),
    "levels of 32 bits": (pages(LEVELS.astype(np.int32), PHASE), "page 0: found pixels of type int32"),
    "phase in double precision": (pages(LEVELS, PHASE.astype(float)), "page 1: found pixels of type float64; allowed: float32"),
    "phase on another grid": (pages(LEVELS, PHASE[:-1]), r"phase: found shape \(47, 64\).*; allowed: \(48, 64\)"),
    "colour": (colour, r"page 0: found shape \(48, 64, 3\)"),
    "no description": (text(""), "record: found .*not JSON"),
    "a description in words": (text("levels for the panel"), "record: found 'levels for the panel', not JSON"),
    "half a record": (text(json.dumps(record())[:200]), "not JSON"),
    "a list for a record": (text("[1, 2]"), r"record: found \[1, 2\]; allowed: a JSON object"),
    "a record nested too deeply": (text("[" * 100000), "record: found .*not JSON"),
    "NaN in the record": (text(json.dumps(record(figures={"efficiency": float("nan")}))), "record: .*allowed: JSON with finite numbers"),
    "NaN phase": (pages(LEVELS, np.where(PHASE > 6, np.float32(np.nan), PHASE)), "phase: found values from nan to nan"),
    "infinite phase": (pages(LEVELS, np.where(PHASE > 6, np.float32(np.inf), PHASE)), "phase: found values from .* to inf"),
    "negative phase": (pages(LEVELS, PHASE - 1), "phase: found values from -.*; allowed: 0 to 2 pi rad"),
    "phase of more than a turn": (pages(LEVELS, PHASE + 1), "phase: found values .* to 7.*; allowed: 0 to 2 pi rad"),
    "a page of 2^31 columns": (patched(0, "ImageWidth", 2**31 - 1), "page|" + UNREADABLE),
    "a page of 2^31 rows": (patched(1, "ImageLength", 2**31 - 1), "page|" + UNREADABLE),
    "a page of 0 rows": (patched(1, "ImageLength", 0), "page|" + UNREADABLE),
    "a page of 2^62 pixels": (overflowing, "page|" + UNREADABLE),
    "data past the end": (patched(1, "StripOffsets", 2**31), "page 1: truncated"),
    "data of 4 GB": (patched(1, "StripByteCounts", 2**32 - 1), "page 1: truncated"),
    "an unknown compression": (patched(1, "Compression", 60000, "<H"), "page 1: found pixels packed as 60000"),
    "a description of 4 GB": (long_description, "record|page|" + UNREADABLE),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_file_is_refused_with_its_name_and_without_memory(tmp_path, name):
    make, message = BROKEN[name]
    path = tmp_path / "mask.tiff"
    make(path)
    tracemalloc.start()
    try:
        with pytest.raises(InputError, match=message) as caught:
            read_mask(path)
        assert tracemalloc.get_traced_memory()[1] < 30e6
    finally:
        tracemalloc.stop()
    assert str(caught.value).startswith(str(path))
    assert len(str(caught.value)) < 600


@pytest.mark.parametrize("key", record())
def test_each_key_of_the_record_is_needed(tmp_path, key):
    short = record()
    del short[key]
    write_pages(tmp_path / "mask.tiff", [LEVELS, PHASE], json.dumps(short))
    with pytest.raises(InputError, match=rf"mask\.tiff: record\.{key}: (missing; needed: |found None; allowed: )"):
        read_mask(tmp_path / "mask.tiff")


SOURCE = record()["arrangement"]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"format": "another mask"}, "record.format: found 'another mask'; allowed: 'holo mask'"),
        ({"version": 2}, "record.version: found 2; allowed: 1"),
        ({"version": True}, "record.version: found True; allowed: 1"),
        ({"version": "1"}, "record.version: found '1'; allowed: 1"),
        ({"time": "yesterday"}, "record: Invalid isoformat string: 'yesterday'; allowed: .* ISO 8601 time"),
        ({"time": 1735787045}, "record.time: found 1735787045; allowed: a text"),
        ({"bench": None}, "record.bench: found None; allowed: an object"),
        ({"bench": "bench.toml"}, "record.bench: found 'bench.toml'; allowed: an object"),
        ({"bench": {**SOURCE, "text": 3}}, "record.bench.text: found 3; allowed: a text"),
        ({"arrangement": {"path": "a.toml", "text": ""}}, "record.arrangement.digest: missing; needed: a text"),
        ({"registration": []}, r"record.registration: found \[\]; allowed: an object or null"),
        ({"registration": {**SOURCE, "digest": "md5:0"}}, "record.registration.digest: found 'md5:0'; allowed: 'sha256:'"),
        ({"bench": {**SOURCE, "files": {"beam.tiff": 7}}}, r"record.bench.files\['beam.tiff'\]: found 7; allowed: 'sha256:'"),
        ({"seed": -1}, "record.seed: found -1; allowed: 0 or more"),
        ({"seed": 0.5}, "record.seed: found 0.5; allowed: a whole number"),
        ({"options": []}, r"record.options: found \[\]; allowed: an object"),
        ({"nudges": {}}, "record.nudges: found {}; allowed: a list"),
        ({"nudges": [1]}, r"record.nudges\[0\]: found 1; allowed: an object with x_um, y_um, focus_um"),
        ({"nudges": [{"x_um": 1, "y_um": 2.0}]}, r"record.nudges\[0\].focus_um: missing; needed: a whole number or a number"),
        ({"nudges": [{"x_um": "1", "y_um": 2.0, "focus_um": 0}]}, r"record.nudges\[0\].x_um: found '1'; allowed"),
        ({"nudges": [{"x_um": float("inf"), "y_um": 2.0, "focus_um": 0}]}, r"record.nudges\[0\].x_um: found inf; allowed: from -10000"),
        ({"nudges": [{"x_um": 1, "y_um": 10**400, "focus_um": 0}]}, r"record.nudges\[0\].y_um: found 1000.*\.\.\.; allowed: from -10000"),
        ({"format": json.loads("[" * 900 + "]" * 900)}, r"record.format: found \[\[\[.*\.\.\.; allowed: 'holo mask'"),
    ],
)
def test_each_value_of_the_record_is_checked(tmp_path, change, message):
    write_pages(tmp_path / "mask.tiff", [LEVELS, PHASE], json.dumps(record(**change)))
    with pytest.raises(InputError, match=message):
        read_mask(tmp_path / "mask.tiff")


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), min_size=1, max_size=8), st.booleans())
def test_flipped_bytes_give_a_mask_or_one_message(tmp_path_factory, flips, in_header):
    path = tmp_path_factory.mktemp("flip") / "mask.tiff"
    write_mask(path, mask(6, 8))
    content = bytearray(path.read_bytes())
    reach = 16 if in_header else len(content) - 1
    for place, value in flips:
        content[int(place * reach)] = value
    path.write_bytes(content)
    assert outcome(path) in ((6, 8), str(path))


def outcome(path):
    """Shape of the mask in a file, or how the message begins that refuses it."""
    try:
        return read_mask(path).phase.shape
    except HoloError as error:
        return str(error)[: len(str(path))]


# ---------------------------------------------------------------------------------------------------------------------
# rendering


@pytest.mark.parametrize(
    ("suffix", "number"), [("bmp", np.uint8), ("png", np.uint8), ("PNG", np.uint16), ("npy", np.uint16), ("NPY", np.uint8)]
)
def test_rendered_levels_are_exact(tmp_path, suffix, number):
    """Read back by Pillow or numpy; 65535 and 255 among them."""
    levels = np.arange(48 * 64, dtype=number).reshape(48, 64)
    levels[0, :2] = 0, np.iinfo(number).max
    path = tmp_path / f"levels.{suffix}"
    render_levels(path, levels)
    if suffix.lower() == "npy":
        back = np.load(path)
    else:
        with Image.open(path) as shown:
            back = np.asarray(shown)
    assert back.dtype == number
    assert (back == levels).all()
    assert [entry.name for entry in tmp_path.iterdir()] == [path.name]


def test_what_cannot_be_rendered_is_refused(tmp_path):
    wide = np.zeros((4, 4), np.uint16)
    with pytest.raises(InputError, match=r"a\.bmp: found uint16 levels, but a grey BMP holds 8 bits; use \.png or \.npy"):
        render_levels(tmp_path / "a.bmp", wide)
    with pytest.raises(InputError, match=r"a\.jpg: found suffix '\.jpg'; allowed: \.bmp, \.png, \.npy"):
        render_levels(tmp_path / "a.jpg", wide)
    (tmp_path / "a.png").write_text("mine")
    with pytest.raises(OutputExistsError):
        render_levels(tmp_path / "a.png", wide)
    assert (tmp_path / "a.png").read_text() == "mine"
    render_levels(tmp_path / "a.png", wide, overwrite=True)
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.png"]
