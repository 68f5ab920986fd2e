"""What reading damaged files ends in: past failures once more, giants in small files, and a few new cases of each reader.

`tests/benchmarks/fuzz.py` does the same by the hundred thousand.
"""

from __future__ import annotations

import contextlib
import json
import struct
import tracemalloc
import zlib
from pathlib import Path
from tempfile import TemporaryDirectory

import fuzzing
import numpy as np
import pytest
from fuzzing import NO_FILES, PLAIN, TINY, Place, fuzz, mask_bytes, npy, readers, tiff
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from holo.arrangement import read_arrangement
from holo.errors import InputError
from holo.frames import read_frame
from holo.lattice import Lattice
from holo.serve import Reply, json_reply
from holo.service import Service
from holo.tables import MAX_TOML, parse_toml

CORPUS = sorted((Path(__file__).parent / "data" / "corpus").iterdir())
"""Files that once ended in something else than a message, named READER--FILE--DIGEST."""


@pytest.fixture(scope="module")
def every(tmp_path_factory):
    """All readers by name."""
    return readers(tmp_path_factory.mktemp("files"))


@pytest.mark.parametrize("case", CORPUS, ids=lambda case: case.name)
def test_past_failures_are_refused(tmp_path, every, case):
    reader, file, _ = case.name.split("--")
    verdict, _ = Place(every[reader], tmp_path / "place").tried(file.replace("~", "/"), case.read_bytes())
    assert verdict.fine, verdict.text


def pages(count):
    """A TIFF file of so many pages, all with the same pixels."""
    tags = [(256, 16), (257, 16), (258, 8), (259, 1), (262, 1), (273, 8), (277, 1), (278, 16), (279, 256)]
    body = b"".join(struct.pack("<HHII", code, 4, 1, value) for code, value in tags)
    size, start = 6 + len(body), 8 + 256
    chain = (struct.pack("<H", len(tags)) + body + struct.pack("<I", start + (number + 1) * size) for number in range(count - 1))
    return b"II*\0" + struct.pack("<I", start) + bytes(256) + b"".join(chain) + struct.pack("<H", len(tags)) + body + bytes(4)


def circle():
    """A TIFF file whose last of 150 pages leads to the last but one."""
    content = pages(150)
    size = (len(content) - 264) // 150
    return content[:-4] + struct.pack("<I", 264 + 148 * size)


def wide(dtype):
    """A packed TIFF page that announces 8192 x 8192 pixels."""
    content = tiff(np.zeros((16, 16), dtype), compression="deflate")
    for code in (256, 257, 278):
        at = next(at for at in range(10, len(content), 12) if content[at : at + 2] == struct.pack("<H", code))
        content = content[: at + 2] + struct.pack("<HII", 4, 1, 8192) + content[at + 12 :]
    return content


def large_png():
    """The head of a PNG picture of 60000 x 60000 pixels."""
    head = struct.pack(">IIBBBBB", 60000, 60000, 8, 0, 0, 0, 0)
    chunks = ((b"IHDR", head), (b"IDAT", zlib.compress(b"0")), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(struct.pack(">I", len(d)) + k + d + struct.pack(">I", zlib.crc32(k + d)) for k, d in chunks)


BENCH = TINY.format(**PLAIN)
GIANTS = {
    "a panel of 10^9 columns": ("bench", "bench.toml", BENCH.replace("columns = 24", "columns = 1000000000").encode(), "1 to 16384"),
    "a key of 10^5 parts": ("bench", "bench.toml", ".".join("a" * 10**5).encode() + b" = 1", "at most 16"),
    "a heading of 10^5 parts": ("bench", "bench.toml", b"\n[" + ".".join("a" * 10**5).encode() + b"]", "line 2; allowed: at most 16"),
    "quoted parts": ("bench", "bench.toml", b"x = {" + b'"a".' * 10**4 + b"a = 1}", "at most 16"),
    "parts behind a quote": ("bench", "bench.toml", b'x = {y = """\n""", ' + ".".join("a" * 10**4).encode() + b' = "x"}', "at most 16"),
    "deep brackets": ("bench", "bench.toml", b"x = " + b"[" * 10**5, "nested too deeply|recursion"),
    "much text": ("bench", "bench.toml", b"#" * (MAX_TOML + 1), "found 2097153 characters; allowed: at most 2097152"),
    "many blocks": ("arrangement", "arrangement.toml", b"[[remove]]\nblock=[1, 1]\n" + b'[[add]]\nimage="picture.png"\n' * 50, "allowed"),
    "a block of 10^9": ("arrangement", "arrangement.toml", b"[[add]]\nblock = [1000000000, 1]", "1 to 200000"),
    "a large disc": ("arrangement", "arrangement.toml", b"[[add]]\ndisc = 10000", "at most 1000000"),
    "many parts of light": ("arrangement", "arrangement.toml", b"[smooth]\n" + b"[[smooth.add]]\ndisc = 1\n" * 1001, "found 1001 parts"),
    "many lines": ("occupancy", "occupancy.csv", b"i,j,filled\n" + b"\n" * 500_000, "found 500001 lines; allowed: at most 500000"),
    "many shots": ("frame-tiff", "frame.tiff", pages(4097), "found 4097 pages; allowed: at most 4096"),
    "pages in a circle": ("frame-tiff", "frame.tiff", circle(), "in a circle; allowed: at most 65536 pages"),
    "packed pixels": (
        "image-tiff",
        "image.tiff",
        wide(np.float64),
        "8192 x 8192 pixels of float64; allowed: 1 to 67108864, of 268435456 bytes",
    ),
    "pixels packed to a millionth": ("image-tiff", "image.tiff", tiff(np.zeros((16, 16), np.uint8), compression="lzma"), "packed as LZMA"),
    "a large picture": ("image-png", "image.png", large_png(), "60000 x 60000|DecompressionBomb"),
    "an array of 10^10": ("array", "array.npy", npy(np.zeros(3)).replace(b"(3,)", b"(10000000000,)"), "not a readable NPY file"),
    "an array of objects": ("array", "array.npy", npy(np.zeros(3)).replace(b"<f8", b"|O"), "not a readable NPY file"),
    "a deep record": ("mask", "mask.tiff", mask_bytes("[" * 10**5), "not JSON"),
    "a deep journal": ("run", "run/journal.json", b"[" * 10**5, "no JSON"),
}


@pytest.mark.parametrize("name", GIANTS)
def test_giants_in_small_files_are_refused(tmp_path, every, name):
    reader, file, content, message = GIANTS[name]
    verdict, _ = Place(every[reader], tmp_path / "place").tried(file, content)
    assert verdict.kind == "refused", verdict.text
    with pytest.raises(InputError, match=message):
        raise InputError(verdict.text)


def test_packed_shots_take_memory_once(tmp_path):
    shots = np.zeros((16, 256, 256))
    (tmp_path / "frame.tiff").write_bytes(tiff(*shots, compression="deflate"))
    tracemalloc.start()
    assert read_frame(tmp_path / "frame.tiff").shape == shots.shape
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 1.6 * shots.nbytes


def test_thousands_of_jobs_of_one_name_are_told_apart_at_once(tmp_path, every):
    text = '[common]\nbench = "bench.toml"\narrangement = "arrangement.toml"\n[sweep]\nseed = [' + "0," * 8000 + "]"
    verdict, _ = Place(every["jobs"], tmp_path / "place").tried("jobs.toml", text.encode())
    assert verdict.kind == "read", verdict.text


def test_small_pictures_that_unpack_to_much_are_counted_together(tmp_path):
    (tmp_path / "light.npy").write_bytes(npy(np.zeros((1500, 1500), np.uint8)))
    (tmp_path / "light.toml").write_text("[smooth]\n" + '[[smooth.add]]\narray = "light.npy"\nsize = [6, 4]\n' * 2)
    with pytest.raises(InputError, match=r"smooth.add\[2\].size: brings .* to 4500000 values; allowed: at most 4194304 in all"):
        read_arrangement(tmp_path / "light.toml", Lattice(np.eye(2)))


@pytest.mark.parametrize("reader", ["bench-files", "mask", "frame-npy", "sequence"])
def test_what_is_no_file_is_refused(tmp_path, every, reader):
    place = Place(every[reader], tmp_path / "place")
    for file in every[reader].damaged or every[reader].files:
        for kind in NO_FILES:
            verdict, _ = place.tried(file, kind)
            assert verdict.fine, (file, kind, verdict.text)


def test_a_few_new_cases_of_each_reader(tmp_path, every):
    for name, reader in every.items():
        ends, failures, lines = fuzz(reader, tmp_path / "place", 6, f"test {name}")
        assert not failures, failures[0]
        assert sum(ends.values()) == 6
        assert lines > 5


def test_valid_files_are_read(tmp_path, every):
    for reader in every.values():
        file = next(iter(reader.files))
        assert Place(reader, tmp_path / "place").tried(file, reader.files[file])[0].kind == "read"


def test_new_lines_lead_further(monkeypatch):
    """Two conditions, one behind the other, are met when cases that reach new lines are gone on from, and not else."""

    def read(folder):
        content = (folder / "a.toml").read_bytes() if (folder / "a.toml").is_file() else b""
        if b"nan" not in content:
            return
        if b"0x7" not in content:
            return
        ends.append(content)

    ends, found = [], []
    monkeypatch.setattr(fuzzing, "_SOURCE", __file__)
    for line in (Place._line, lambda *_: None):
        monkeypatch.setattr(Place, "_line", line)
        ends.clear()
        with TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as folder:
            fuzz(fuzzing.Reader({"a.toml": b"a = 5\nb = 6\n"}, read), Path(folder) / "place", 300, "lines 1")
        found.append(len(ends))
    assert found[0] > 0
    assert found[1] == 0


def test_the_judge_sees_what_goes_wrong(tmp_path, every):
    """That no failures are found means something only if they would be."""
    from fuzzing import Reader

    def leave(folder):
        (folder / "left").touch()

    def warn(folder):
        np.float32(1e38) * np.array([1e38], np.float32)

    for read, kind in ((leave, "left"), (lambda folder: 1 / 0, "traceback"), (warn, "traceback")):
        verdict, _ = Place(Reader({"a": b""}, read), tmp_path / "place").tried("a", b"x")
        assert verdict.kind == kind


def test_the_client_sees_what_goes_wrong_with_the_service(tmp_path, every, monkeypatch):
    def broken(self, request, variable):
        raise ZeroDivisionError

    async def careless(self, request, variable):
        (self.shelf.folder / "left").touch()
        return json_reply({})

    async def bare(self, request, variable):
        return Reply(400, b"wrong", "text/plain")

    place, request = Place(every["service"], tmp_path / "place"), every["service"].files["panel.http"].replace(b"Host", b"host")
    assert place.tried("panel.http", request)[0].kind == "read"
    for answer, wrong in ((broken, "500"), (careless, "masks/left"), (bare, "content-type")):
        monkeypatch.setattr(Service, "panel", answer)
        verdict, _ = place.tried("panel.http", request)
        assert not verdict.fine
        assert wrong in verdict.text


TREES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=12,
)


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(record=TREES, key=st.sampled_from(["bench", "arrangement", "registration", "options", "seed", "nudges", "time", "figures", ""]))
def test_any_json_as_a_record_is_read_or_refused(tmp_path, every, record, key):
    from fuzzing import record as valid

    text = json.dumps({**valid(), key: record} if key else record)
    verdict, _ = Place(every["mask"], tmp_path / "place").tried("mask.tiff", mask_bytes(text))
    assert verdict.fine, verdict.text


@settings(max_examples=100, deadline=None)
@given(text=st.text(alphabet="ab.\"'=[]{} \n\\#,1", max_size=60))
def test_any_text_is_toml_or_refused(text):
    with contextlib.suppress(InputError):
        parse_toml(text, Path("any.toml"))
