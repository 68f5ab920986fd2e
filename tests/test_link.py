"""The links: what they hand over, what they wait for, and what they say when it goes wrong."""

from __future__ import annotations

import io
import sys
import threading
import time

import numpy as np
import pytest
import tifffile
from PIL import Image

from holo import link
from holo.bench import demo_bench_text
from holo.errors import InputError, LinkError
from holo.frames import read_frame, write_frame
from holo.link import open_link
from holo.twin import read_twin

LEVELS = np.arange(20 * 24).reshape(20, 24).astype(np.uint16) * 100
FRAME = np.random.default_rng(0).integers(0, 4000, (2, 30, 40)).astype(np.uint16)


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(link, "POLL_S", 0.02)
    monkeypatch.setattr(sys, "path", [*sys.path])


@pytest.fixture
def later():
    """Function that calls another in a thread after a while; its exceptions are the test's."""
    threads, faults = [], []

    def call(function, after=0.1):
        def run():
            time.sleep(after)
            try:
                function()
            except Exception as error:
                faults.append(error)

        threads.append(threading.Thread(target=run))
        threads[-1].start()

    yield call
    for thread in threads:
        thread.join()
    assert not faults


def open_folder(path, timeout_s=5.0, **options):
    return open_link(f"folder:{path}", "bench.toml", timeout_s=timeout_s, **options)


# ---------------------------------------------------------------------------------------------------------------------
# names


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "nonsense",
            r"link: found 'nonsense'; allowed: twin, twin:PATH, folder:PATH, python:MODULE:FUNCTION, or the name of an installed link",
        ),
        ("", "link: found ''; allowed"),
        ("twin:", "link: found 'twin:'; allowed"),
        ("folder", "link: found 'folder'; allowed"),
        ("folder:", "link: found 'folder:'; allowed"),
        ("folder:no/such", "link: found 'folder:no/such', but there is no folder no/such; make it first"),
        ("python:os", "link: found 'python:os'; allowed"),
        ("python:no_such_module:take", r"no_such_module cannot be imported \(ModuleNotFoundError: .*\); name the .py file if"),
        ("python::take", "link: found 'python::take'; allowed"),
        ("python:no_such.py:take", r"no_such.py cannot be imported \(FileNotFoundError: "),
        ("python:graphlib:take", "graphlib has no function 'take'; it has: .*TopologicalSorter"),
        ("python:graphlib:", "link: found 'python:graphlib:'; allowed"),
        ("twin:no/twin.toml", "no/twin.toml: no such file"),
    ],
)
def test_a_name_that_is_none(text, message, tmp_path):
    with pytest.raises(InputError, match=message):
        open_link(text, tmp_path / "bench.toml")


@pytest.mark.parametrize("timeout", [0.0, -1.0, float("nan")])
def test_a_time_out_is_above_0(timeout, tmp_path):
    with pytest.raises(InputError, match=r"timeout: found .* s; allowed: above 0"):
        open_folder(tmp_path, timeout)


# ---------------------------------------------------------------------------------------------------------------------
# the twin


def test_the_twin_beside_the_bench(tmp_path, small_bench_text):
    camera = {"columns": 64, "rows": 48, "pixel_um": 6.0, "magnification": 20.0, "bits": 12}
    (tmp_path / "bench.toml").write_text(small_bench_text(camera=camera))
    (tmp_path / "twin.toml").write_text('bench = "bench.toml"\nseed = 4')
    levels = np.zeros((80, 96), np.uint8)
    expected = read_twin(tmp_path / "twin.toml").show(levels, 3)
    assert np.array_equal(open_link("twin", tmp_path / "bench.toml")(levels, 3), expected)
    assert np.array_equal(open_link(f"twin:{tmp_path / 'twin.toml'}", "elsewhere/bench.toml")(levels, 3), expected)
    with pytest.raises(InputError, match="levels: found shape"):
        open_link("twin", tmp_path / "bench.toml")(LEVELS, 0)


def test_without_a_twin_file_the_message_names_it(tmp_path):
    (tmp_path / "bench.toml").write_text(demo_bench_text())
    with pytest.raises(InputError, match=r"twin.toml: no such file"):
        open_link("twin", tmp_path / "bench.toml")


# ---------------------------------------------------------------------------------------------------------------------
# functions of others


def test_a_function_of_a_file(tmp_path):
    (tmp_path / "neighbour_of_mine.py").write_text("GAIN = 3\n")
    (tmp_path / "mine.py").write_text(
        "from __future__ import annotations\nimport dataclasses\nimport numpy as np\nimport neighbour_of_mine\n"
        "@dataclasses.dataclass\nclass Camera:\n    gain: int\n"
        "def take(levels, step):\n    levels += 1\n    return levels * Camera(neighbour_of_mine.GAIN).gain + step\n"
    )
    levels = LEVELS.copy()
    levels.setflags(write=False)
    take = open_link(f"python:{tmp_path / 'mine.py'}:take", "bench.toml")
    frame = take(levels, 7)
    assert frame.shape == (1, 20, 24)
    assert np.array_equal(frame[0], (LEVELS + 1) * np.uint16(3) + 7)


def test_a_function_of_a_module(tmp_path, monkeypatch):
    (tmp_path / "my_lab_camera.py").write_text("import numpy as np\ndef grab(levels, step):\n    return np.ones((3, 16, 16)) * step\n")
    monkeypatch.syspath_prepend(tmp_path)
    assert open_link("python:my_lab_camera:grab", "bench.toml")(LEVELS, 2).tolist() == np.full((3, 16, 16), 2.0).tolist()


@pytest.mark.parametrize(
    ("body", "message"),
    [
        ("raise RuntimeError('shutter\\n  stuck')", r"mine.py:take: failed at step 5 \(RuntimeError: shutter stuck\)"),
        ("raise ValueError", r"mine.py:take: failed at step 5 \(ValueError\)"),
        ("raise SystemExit(3)", r"failed at step 5 \(SystemExit: 3\)"),
        ("return None", r"step 5: python:.*mine.py:take: found numbers of type object"),
        ("return 'frame'", r"step 5: python:.*mine.py:take: found "),
        ("return levels * 1j", r"found numbers of type complex128; allowed: integers or floats"),
        ("return [[1, 2], [3]]", r"step 5: python:.*mine.py:take: found no array of numbers"),
        ("return levels * float('nan')", r"step 5: python:.*mine.py:take: found nan"),
        ("return levels[0]", r"found an array of shape \(24,\); allowed: \(rows, columns\) or \(shots, rows, columns\)"),
    ],
)
def test_a_function_that_fails(tmp_path, body, message):
    (tmp_path / "mine.py").write_text(f"def take(levels, step):\n    {body}\n")
    take = open_link(f"python:{tmp_path / 'mine.py'}:take", "bench.toml")
    with pytest.raises(LinkError, match=message) as found:
        take(LEVELS, 5)
    assert found.value.exit_code == 1
    assert found.value.__cause__ is not None


def test_a_file_that_cannot_be_imported(tmp_path):
    (tmp_path / "broken.py").write_text("import sys\nsys.exit('no camera found')\n")
    with pytest.raises(InputError, match=r"broken.py cannot be imported \(SystemExit: no camera found\)"):
        open_link(f"python:{tmp_path / 'broken.py'}:take", "bench.toml")
    (tmp_path / "broken.py").write_text("def take(:\n")
    with pytest.raises(InputError, match=r"broken.py cannot be imported \(SyntaxError: "):
        open_link(f"python:{tmp_path / 'broken.py'}:take", "bench.toml")


def test_interrupts_pass_through(tmp_path):
    (tmp_path / "mine.py").write_text("def take(levels, step):\n    raise KeyboardInterrupt\n")
    with pytest.raises(KeyboardInterrupt):
        open_link(f"python:{tmp_path / 'mine.py'}:take", "bench.toml")(LEVELS, 0)


# ---------------------------------------------------------------------------------------------------------------------
# installed links


@pytest.fixture
def install(tmp_path, monkeypatch):
    """Function that installs a distribution with some code and entry points, as far as Python can tell."""

    def make(distribution, code, *entries):
        (tmp_path / f"{distribution}.py").write_text(code)
        info = tmp_path / f"{distribution}-1.0.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {distribution}\nVersion: 1.0\n")
        (info / "entry_points.txt").write_text("[holo.links]\n" + "\n".join(entries))
        monkeypatch.syspath_prepend(tmp_path)

    return make


BENCHTOP = """
import numpy as np

def open_it(argument):
    if argument == "bad":
        raise KeyError("no such camera")
    if argument == "odd":
        return 3
    def take(levels, step):
        return np.full((12, 12), len(argument) + step)
    return take
"""


def test_an_installed_link_is_opened_by_its_name(install):
    install("holo_benchtop", BENCHTOP, "benchtop = holo_benchtop:open_it")
    assert open_link("benchtop:port:3", "bench.toml")(LEVELS, 10)[0, 0, 0] == len("port:3") + 10
    assert open_link("benchtop", "bench.toml")(LEVELS, 10)[0, 0, 0] == 10
    with pytest.raises(InputError, match=r"found 'bench-top'; allowed: .*installed link \(there: .*benchtop.*\)"):
        open_link("bench-top", "bench.toml")
    with pytest.raises(InputError, match=r"found 'benchtop:bad', but holo_benchtop:open_it cannot open it \(KeyError: 'no such camera'\)"):
        open_link("benchtop:bad", "bench.toml")
    with pytest.raises(InputError, match=r"holo_benchtop:open_it gave a int; allowed: a function take\(levels, step\)"):
        open_link("benchtop:odd", "bench.toml")


def test_an_installed_link_that_cannot_be_loaded_or_told_apart(install):
    install("holo_other", "", "other = holo_other:open_it")
    with pytest.raises(InputError, match=r"holo_other:open_it cannot open it \(AttributeError: "):
        open_link("other", "bench.toml")
    install("holo_more", BENCHTOP, "other = holo_more:open_it")
    with pytest.raises(InputError, match=r"found 'other', which .* and .* offer; allowed: a name that only one"):
        open_link("other", "bench.toml")


# ---------------------------------------------------------------------------------------------------------------------
# a folder


@pytest.mark.parametrize("levels", [LEVELS, (LEVELS % 251).astype(np.uint8)], ids=["16 bit", "8 bit"])
def test_a_folder_gets_masks_and_gives_frames(tmp_path, later, levels):
    told = []
    take = open_folder(tmp_path, report=told.append)
    later(lambda: write_frame(tmp_path / "frame-000.tiff", FRAME))
    assert np.array_equal(take(levels, 0), FRAME)
    with Image.open(tmp_path / "mask-000.png") as picture:
        assert np.array_equal(np.array(picture), levels)
    later(lambda: write_frame(tmp_path / "frame-012.tif", FRAME[0]))
    assert np.array_equal(take(levels, 12), FRAME[:1])
    assert told[0] == f"waiting for {tmp_path / 'frame-000.tiff'} (or .tif, .png, .npy), the frame of mask-000.png"
    assert len(told) == 2
    assert {path.name for path in tmp_path.iterdir()} == {"mask-000.png", "frame-000.tiff", "mask-012.png", "frame-012.tif"}


@pytest.mark.parametrize("suffix", [".png", ".npy", ".TIFF"])
def test_other_kinds_of_frames(tmp_path, later, suffix):
    path = tmp_path / f"frame-000{suffix}"
    write = {
        ".png": lambda: Image.fromarray(FRAME[0]).save(path),
        ".npy": lambda: np.save(path, FRAME),
        ".TIFF": lambda: tifffile.imwrite(path, FRAME[0]),
    }
    later(write[suffix])
    assert np.array_equal(open_folder(tmp_path)(LEVELS, 0), FRAME if suffix == ".npy" else FRAME[:1])


def content(suffix):
    buffer = io.BytesIO()
    big = np.random.default_rng(1).integers(0, 60000, (200, 300)).astype(np.uint16)
    if suffix == ".tiff":
        tifffile.imwrite(buffer, big)
    elif suffix == ".png":
        Image.fromarray(big).save(buffer, format="PNG")
    else:
        np.save(buffer, big)
    return big, buffer.getvalue()


@pytest.mark.parametrize("suffix", [".tiff", ".png", ".npy"])
def test_a_frame_that_is_written_slowly_is_read_when_it_is_whole(tmp_path, later, suffix):
    frame, whole = content(suffix)

    def write():
        with (tmp_path / f"frame-000{suffix}").open("wb") as file:
            for part in np.array_split(np.frombuffer(whole, np.uint8), 6):
                file.write(part.tobytes())
                file.flush()
                time.sleep(0.1)  # several looks find the same half

    later(write)
    assert np.array_equal(open_folder(tmp_path)(LEVELS, 0)[0], frame)


def test_a_frame_is_read_only_when_two_looks_find_the_same(tmp_path, monkeypatch):
    """A file that is whole at every look, as one that gets page by page is, but grows between them."""
    with pytest.raises(LinkError):
        open_folder(tmp_path, 0.05)(LEVELS, 0)
    write_frame(tmp_path / "frame-000.tiff", FRAME)
    states, looks, read_at = [(10, 1), (20, 2), (30, 3), (30, 3), (40, 4), (40, 4), (40, 4), (40, 4)], [], []

    def look(_):
        looks.append(states[len(looks)])
        return looks[-1]

    def read(path):
        if path.suffix == ".tiff":  # and not the mask
            read_at.append(len(looks))
        return read_frame(path)

    monkeypatch.setattr(link, "_size_and_time", look)
    monkeypatch.setattr(link, "read_frame", read)
    assert np.array_equal(open_folder(tmp_path)(LEVELS, 0), FRAME)
    assert read_at == [4, 7]  # the first reading is void, as the look after it finds a change


@pytest.mark.parametrize("suffix", [".tiff", ".png", ".npy"])
@pytest.mark.parametrize("share", [0.0, 0.01, 0.5, 0.98])
def test_a_frame_that_stays_half_is_no_frame(tmp_path, suffix, share):
    whole = content(suffix)[1]
    take = open_folder(tmp_path, 0.25)
    with pytest.raises(LinkError, match="no frame came"):
        open_folder(tmp_path, 0.05)(LEVELS, 0)  # hands the mask over
    (tmp_path / f"frame-000{suffix}").write_bytes(whole[: int(share * len(whole))])
    with pytest.raises(
        LinkError, match=rf"no frame came within 0.25 s; found frame-000{suffix}, which cannot be read: .*frame-000{suffix}: "
    ):
        take(LEVELS, 0)


def test_the_time_out_tells_what_is_there(tmp_path):
    (tmp_path / "frame-00.tiff").write_bytes(b"misnamed")
    started = time.monotonic()
    with pytest.raises(
        LinkError, match=r"frame-000.tiff: no frame came within 0.3 s; the folder holds frame-00.tiff, mask-000.png$"
    ) as found:
        open_folder(tmp_path, 0.3)(LEVELS, 0)
    assert 0.3 <= time.monotonic() - started < 2
    assert found.value.exit_code == 1


def test_two_frames_are_one_too_many(tmp_path):
    take = open_folder(tmp_path, 0.3)
    with pytest.raises(LinkError):
        take(LEVELS, 0)
    write_frame(tmp_path / "frame-000.tiff", FRAME)
    np.save(tmp_path / "frame-000.npy", FRAME)
    with pytest.raises(LinkError, match=r"found frame-000.npy and frame-000.tiff; allowed: one of them"):
        take(LEVELS, 0)


def test_an_interrupted_hand_over_goes_on(tmp_path):
    with pytest.raises(LinkError):
        open_folder(tmp_path, 0.1)(LEVELS, 0)
    before = (tmp_path / "mask-000.png").stat().st_mtime_ns
    write_frame(tmp_path / "frame-000.tiff", FRAME)
    told = []
    assert np.array_equal(open_folder(tmp_path, report=told.append)(LEVELS, 0), FRAME)
    assert not told
    assert (tmp_path / "mask-000.png").stat().st_mtime_ns == before


def test_stale_frames_and_masks_are_refused(tmp_path):
    write_frame(tmp_path / "frame-000.tiff", FRAME)
    with pytest.raises(InputError, match=r"frame-000.tiff: found a frame although its mask was not handed over yet; empty the folder"):
        open_folder(tmp_path)(LEVELS, 0)
    assert [path.name for path in tmp_path.iterdir()] == ["frame-000.tiff"]
    (tmp_path / "frame-000.tiff").unlink()
    with pytest.raises(LinkError):
        open_folder(tmp_path, 0.1)(LEVELS, 0)
    write_frame(tmp_path / "frame-000.tiff", FRAME)
    with pytest.raises(InputError, match=r"mask-000.png: found another mask, left from another dialogue; empty the folder"):
        open_folder(tmp_path)(LEVELS + np.uint16(1), 0)


def test_a_folder_that_goes_away(tmp_path, later):
    import shutil

    folder = tmp_path / "hand-over"
    folder.mkdir()
    later(lambda: shutil.rmtree(folder))
    with pytest.raises(LinkError, match=r"hand-over: cannot be read \(No such file or directory\)"):
        open_folder(folder)(LEVELS, 0)


def test_waiting_can_be_interrupted(tmp_path, monkeypatch):
    def interrupt(_):
        raise KeyboardInterrupt

    monkeypatch.setattr(link.time, "sleep", interrupt)
    with pytest.raises(KeyboardInterrupt):
        open_folder(tmp_path)(LEVELS, 0)
    assert [path.name for path in tmp_path.iterdir()] == ["mask-000.png"]
