"""Reading camera frames, and what is made of their pixels."""

from __future__ import annotations

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis.extra.numpy import arrays
from PIL import Image
from simulated_frames import exposed, gaussian_spots

from holo.errors import InputError, OutputExistsError
from holo.frames import check_stack, frame_of, read_frame, write_frame
from holo.parts import Camera

TYPES = ["uint8", "uint16", "int16", "int32", "uint32", "float32", "float64"]


@pytest.mark.parametrize("dtype", TYPES)
@pytest.mark.parametrize("shots", [1, 3])
def test_what_is_written_is_read(tmp_path, dtype, shots):
    stack = (np.random.default_rng(0).random((shots, 9, 12)) * 200).astype(dtype)
    write_frame(tmp_path / "frame.tiff", stack)
    read = read_frame(tmp_path / "frame.tiff")
    assert read.dtype == np.dtype(dtype)
    assert read.shape == (shots, 9, 12)
    assert (read == stack).all()


def test_the_same_frame_gives_the_same_bytes(tmp_path):
    stack = np.arange(108, dtype=np.uint16).reshape(1, 9, 12)
    for name in ("one.tiff", "two.tiff"):
        write_frame(tmp_path / name, stack)
    assert (tmp_path / "one.tiff").read_bytes() == (tmp_path / "two.tiff").read_bytes()


@settings(max_examples=20, deadline=None)
@given(arrays(np.uint16, (2, 8, 9)))
def test_any_counts_survive(tmp_path_factory, stack):
    path = tmp_path_factory.mktemp("frames") / "frame.tiff"
    write_frame(path, stack)
    assert (read_frame(path) == stack).all()


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_png_frames(tmp_path, dtype):
    picture = (np.arange(108).reshape(9, 12) * (2 if dtype == np.uint8 else 600)).astype(dtype)
    Image.fromarray(picture).save(tmp_path / "frame.png")
    assert (read_frame(tmp_path / "frame.png") == picture).all()
    assert read_frame(tmp_path / "frame.png").shape == (1, 9, 12)


@pytest.mark.parametrize("shape", [(9, 12), (4, 9, 12)])
def test_npy_frames(tmp_path, shape):
    stack = np.random.default_rng(0).random(shape).astype(np.float32)
    np.save(tmp_path / "frame.npy", stack)
    assert (read_frame(tmp_path / "frame.npy") == stack.reshape(-1, 9, 12)).all()


def written(path, kind):
    good = np.zeros((9, 12), np.uint16)
    match kind:
        case "colour.png":
            Image.fromarray(np.zeros((9, 12, 3), np.uint8)).save(path)
        case "colour.tiff":
            tifffile.imwrite(path, np.zeros((9, 12, 3), np.uint8), photometric="rgb")
        case "sizes.tiff":
            with tifffile.TiffWriter(path) as file:
                file.write(good, photometric="minisblack")
                file.write(good[:-1], photometric="minisblack")
        case "complex.npy":
            np.save(path, good.astype(complex))
        case "objects.npy":
            np.save(path, np.array([{}, 2], dtype=object), allow_pickle=True)
        case "flat.npy":
            np.save(path, np.zeros(20))
        case "nan.npy":
            np.save(path, np.full((9, 12), np.nan))
        case "cut.tiff" | "cut.npy" | "cut.png":
            whole = path.with_name("whole" + path.suffix)
            {
                ".tiff": lambda: write_frame(whole, good[None]),
                ".npy": lambda: np.save(whole, good),
                ".png": lambda: Image.fromarray(good).save(whole),
            }[path.suffix]()
            path.write_bytes(whole.read_bytes()[: -whole.stat().st_size // 2])
        case _:
            path.write_bytes(b"no picture at all")


BAD = ["colour.png", "colour.tiff", "sizes.tiff", "complex.npy", "objects.npy", "flat.npy", "nan.npy", "cut.tiff", "cut.npy", "cut.png"]


@pytest.mark.parametrize("kind", [*BAD, "words.tiff", "words.png", "words.npy", "frame.jpg"])
def test_files_that_are_no_frames_are_refused_by_name(tmp_path, kind):
    written(tmp_path / kind, kind)
    with pytest.raises(InputError, match=kind.replace(".", r"\.")):
        read_frame(tmp_path / kind)


def test_a_missing_file(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        read_frame(tmp_path / "none.tiff")


def test_a_frame_is_not_overwritten(tmp_path):
    write_frame(tmp_path / "frame.tiff", np.zeros((1, 9, 12), np.uint16))
    with pytest.raises(OutputExistsError):
        write_frame(tmp_path / "frame.tiff", np.ones((1, 9, 12), np.uint16))
    assert read_frame(tmp_path / "frame.tiff").max() == 0


@pytest.mark.parametrize("wrong", [np.zeros(9), np.zeros((9, 12), bool), np.zeros((1, 1, 9, 12)), np.full((9, 12), np.inf), [["a"]], None])
def test_arrays_that_are_no_frames(wrong):
    with pytest.raises(InputError, match="camera"):
        check_stack(wrong, "camera")


class TestFrameOf:
    def test_shots_are_averaged_and_the_dark_frame_is_taken_off(self):
        stack = np.stack([np.full((20, 30), 110.0), np.full((20, 30), 130.0)])
        frame = frame_of(stack, dark=np.full((20, 30), 100.0))
        assert frame.shots == 2
        assert np.allclose(frame.signal, 20)
        assert frame.usable.all()

    def test_saturated_pixels_are_those_at_the_camera_s_top(self):
        stack = np.full((1, 20, 30), 100, np.uint16)
        stack[0, 4, 7:9] = 4095
        stack[0, 10, 10] = 4000
        frame = frame_of(stack, Camera(30, 20, 5.0, 20.0, 12))
        assert np.argwhere(frame.saturated).tolist() == [[4, 7], [4, 8]]
        assert not frame.usable[4, 7]

    def test_hot_pixels_are_found_and_spots_are_not_taken_for_them(self):
        rng = np.random.default_rng(0)
        hot = [(10, 12), (40, 50), (70, 30)]
        image = gaussian_spots(np.array([[25.2, 20.7], [60.5, 60.1]]), 3000.0, (90, 80), 0.8)
        stack = exposed(image, rng).astype(float)
        for row, column in hot:
            stack[0, row, column] += 900
        frame = frame_of(stack)
        assert {tuple(map(int, place)) for place in np.argwhere(~frame.usable)} == set(hot)

    def test_given_hot_pixels_are_not_used(self):
        hot = np.zeros((20, 30), bool)
        hot[3, 4] = True
        assert not frame_of(np.full((20, 30), 100.0), hot=hot).usable[3, 4]

    def test_the_frame_must_be_the_camera_s(self):
        with pytest.raises(InputError, match=r"20 x 31.*allowed.*20 x 30"):
            frame_of(np.zeros((20, 31)), Camera(30, 20, 5.0, 20.0, 12))

    @pytest.mark.parametrize("gain", [0.5, 2.0])
    def test_electrons_per_count_from_the_differences_between_shots(self, gain):
        """Photon transfer: the variance of a pixel between shots is its mean over the electrons per count (standard)."""
        rng = np.random.default_rng(1)
        light = gaussian_spots(rng.uniform(20, 180, (60, 2)), 20_000.0, (200, 200), 3.0)
        frame = frame_of(exposed(light, rng, gain=1 / gain, shots=8))
        assert frame.electrons_per_count == pytest.approx(gain, rel=0.1)

    def test_what_the_camera_says_of_its_gain_counts(self):
        camera = Camera(30, 20, 5.0, 20.0, 12, electrons_per_count=1.7)
        assert frame_of(np.full((3, 20, 30), 100.0), camera).electrons_per_count == 1.7
