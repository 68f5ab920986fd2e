"""``holo register`` from start to result: by hand, by links, killed and resumed."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import holo
from holo.bench import demo_bench_text
from holo.cli import main
from holo.files import write_bytes
from holo.frames import read_frame, write_frame
from holo.registration import read_registration
from holo.twin import read_twin, twin_text

CAMERA = """
import numpy as np
from holo.twin import read_twin
twin = read_twin({twin!r})

def take(levels, step):
    return twin.show(levels, step)

def dark(levels, step):
    return np.full((900, 1200), 100, np.uint16)

def broken(levels, step):
    raise OSError("the shutter is stuck")
"""


def holo_(*args):
    return CliRunner().invoke(main, [str(arg) for arg in args], catch_exceptions=False)


def result_of(*args):
    run = holo_(*args, "--json")
    assert run.exit_code == 0, run.stderr
    return json.loads(run.stdout)


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    """A bench with a quarter of the demo panel's pixels, a random twin of it, and a camera function."""
    folder = tmp_path_factory.mktemp("lab")
    text = demo_bench_text().replace("columns = 1200\nrows = 1000\npitch_um = 10.0", "columns = 600\nrows = 500\npitch_um = 20.0")
    (folder / "bench.toml").write_text(text)
    (folder / "twin.toml").write_text(twin_text("bench.toml", np.random.default_rng(8)))
    (folder / "camera.py").write_text(CAMERA.format(twin=str(folder / "twin.toml")))
    return folder


@pytest.fixture(scope="module")
def done(lab):
    """A run that a link has answered."""
    result = result_of("register", "run", "--link", "twin", "--bench", lab / "bench.toml", "--run", lab / "done")
    return result, lab / "done"


def test_the_twin_is_registered_to_the_truth(lab, done):
    result, folder = done
    assert result["done"]
    assert result["step"] == 2
    assert Path(result["registration"]) == folder / "registration.toml"
    found = read_registration(folder / "registration.toml")
    truth = read_twin(lab / "twin.toml")
    plane = np.stack(np.meshgrid(np.linspace(-50, 50, 5), np.linspace(-50, 50, 5)), axis=-1).reshape(-1, 2)
    # coma of the hidden aberration moves all spots alike, by less than half their first dark ring: where the light is, is what is wanted
    off = found.plane_to_camera.apply(plane) - truth.to_camera(plane)
    assert np.hypot(*off.T).max() < 2.4
    assert np.ptp(off, axis=0).max() < 0.1
    assert result["mirrored"] == (np.linalg.det(truth.plane_to_camera.matrix) < 0)
    assert set(found.digests) == {"frame-000.tiff", "frame-001.tiff"}
    assert (folder / "residuals.png").read_bytes().startswith(b"\x89PNG")


def test_by_hand_it_is_the_same(lab, done, tmp_path):
    shutil.copytree(done[1], tmp_path / "run")
    for name in ("frame-000.tiff", "frame-001.tiff", "mask-001.tiff", "registration.toml", "residuals.png"):
        (tmp_path / "run" / name).unlink()
    for step in range(2):
        frame = tmp_path / f"hand-{step}.tiff"
        result_of("twin", tmp_path / "run" / f"mask-00{step}.tiff", "--twin", lab / "twin.toml", "--step", step, "-o", frame)
        result = result_of("register", "step", "--run", tmp_path / "run", "--frame", frame)
        assert result["done"] == (step == 1)
    for name in ("registration.toml", "frame-001.tiff", "mask-001.tiff", "residuals.png"):
        assert (tmp_path / "run" / name).read_bytes() == (done[1] / name).read_bytes(), name


def test_start_prints_the_mask_to_show_next(lab, tmp_path):
    result = result_of("register", "start", "--bench", lab / "bench.toml", "--run", tmp_path / "run")
    assert result["mask"] == str(tmp_path / "run" / "mask-000.tiff")
    assert Path(result["mask"]).exists()
    assert result["done"] is False
    assert "saturated" in result["note"]
    run = holo_("register", "start", "--bench", lab / "bench.toml", "--run", tmp_path / "other", "--seed", 4)
    assert "next: show" in run.stderr
    assert (tmp_path / "other" / "mask-000.tiff").read_bytes() != (tmp_path / "run" / "mask-000.tiff").read_bytes()


def test_a_folder_as_link(lab, done, tmp_path):
    """Another program shows the masks and puts the frames beside them."""
    (tmp_path / "exchange").mkdir()
    for step in range(2):
        shutil.copy(done[1] / f"frame-00{step}.tiff", tmp_path / f"taken-{step}.tiff")
    command = [
        sys.executable,
        "-m",
        "holo",
        "register",
        "run",
        "--link",
        f"folder:{tmp_path / 'exchange'}",
        "--bench",
        str(lab / "bench.toml"),
    ]
    environment = {**os.environ, "PYTHONPATH": str(Path(holo.__file__).parent.parent)}
    with subprocess.Popen(
        [*command, "--run", str(tmp_path / "run"), "--timeout", "60", "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment,
    ) as process:
        for step in range(2):
            deadline = time.monotonic() + 60
            while not (tmp_path / "exchange" / f"mask-00{step}.png").exists():
                assert time.monotonic() < deadline
                time.sleep(0.05)
            os.replace(tmp_path / f"taken-{step}.tiff", tmp_path / "exchange" / f"frame-00{step}.tiff")  # noqa: PTH105
        out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    assert json.loads(out)["done"]
    found, wanted = (read_registration(folder / "registration.toml") for folder in (tmp_path / "run", done[1]))
    assert (found.plane_to_camera.matrix == wanted.plane_to_camera.matrix).all()


def test_killed_and_resumed_the_result_is_the_same_bit_for_bit(lab, done, tmp_path):
    shutil.copytree(done[1], tmp_path / "run")
    for name in ("frame-000.tiff", "frame-001.tiff", "mask-001.tiff", "registration.toml", "residuals.png", "journal.json"):
        (tmp_path / "run" / name).unlink()
    journal = json.loads((done[1] / "journal.json").read_text())
    journal |= {"steps": [{**journal["steps"][0], "frame": None}], "done": False, "summary": {}}
    write_bytes(tmp_path / "run" / "journal.json", json.dumps(journal).encode())
    chance = random.Random(2)
    command = [
        sys.executable,
        "-m",
        "holo",
        "register",
        "run",
        "--link",
        f"python:{lab / 'camera.py'}:take",
        "--run",
        str(tmp_path / "run"),
    ]
    environment = {**os.environ, "PYTHONPATH": str(Path(holo.__file__).parent.parent)}
    for _ in range(4):
        with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment) as process:
            time.sleep(chance.uniform(0.5, 3.0))
            process.send_signal(signal.SIGKILL)
    assert subprocess.run(command, env=environment, capture_output=True, check=True, timeout=120)
    for name in ("registration.toml", "frame-000.tiff", "frame-001.tiff", "mask-000.tiff", "mask-001.tiff", "residuals.png"):
        assert (tmp_path / "run" / name).read_bytes() == (done[1] / name).read_bytes(), name
    assert json.loads((tmp_path / "run" / "journal.json").read_text()) == json.loads((done[1] / "journal.json").read_text())


def failure(*args, code):
    run = holo_(*args)
    assert run.exit_code == code, run.output
    assert run.stdout == ""
    assert "Traceback" not in run.stderr
    return " ".join(run.stderr.split())


class TestRefusals:
    def started(self, lab, tmp_path):
        result_of("register", "start", "--bench", lab / "bench.toml", "--run", tmp_path / "run")
        return tmp_path / "run"

    def test_a_dark_frame_is_refused_and_not_kept(self, lab, tmp_path):
        folder = self.started(lab, tmp_path)
        write_frame(tmp_path / "dark.tiff", np.random.default_rng(0).poisson(100.0, (900, 1200)).astype(np.uint16))
        told = failure("register", "step", "--run", folder, "--frame", tmp_path / "dark.tiff", code=1)
        assert f"{tmp_path / 'dark.tiff'}: spots: found 0 of 20" in told
        assert "exposure" in told
        assert not (folder / "frame-000.tiff").exists()

    def test_a_frame_of_another_size(self, lab, tmp_path):
        folder = self.started(lab, tmp_path)
        write_frame(tmp_path / "small.tiff", np.zeros((90, 120), np.uint16))
        assert "90" in failure("register", "step", "--run", folder, "--frame", tmp_path / "small.tiff", code=2)
        assert not (folder / "frame-000.tiff").exists()

    def test_a_frame_that_is_not_there(self, lab, tmp_path):
        folder = self.started(lab, tmp_path)
        assert "no such file" in failure("register", "step", "--run", folder, "--frame", tmp_path / "none.tiff", code=2)

    def test_a_folder_without_a_run(self, tmp_path):
        assert "journal.json: no such file" in failure("register", "step", "--run", tmp_path, "--frame", tmp_path / "f.tiff", code=2)
        assert "--bench" in failure("register", "run", "--link", "twin", "--run", tmp_path / "new", code=2)

    def test_a_run_that_is_there(self, lab, tmp_path):
        folder = self.started(lab, tmp_path)
        assert "--overwrite" in failure("register", "start", "--bench", lab / "bench.toml", "--run", folder, code=2)

    def test_another_bench_than_the_run_s(self, lab, tmp_path):
        folder = self.started(lab, tmp_path)
        (tmp_path / "other.toml").write_text((lab / "bench.toml").read_text().replace("400.0", "300.0"))
        told = failure("register", "run", "--link", "twin", "--bench", tmp_path / "other.toml", "--run", folder, code=2)
        assert "was started with another bench" in told

    def test_a_bench_without_camera(self, lab, tmp_path):
        text = (lab / "bench.toml").read_text()
        (tmp_path / "bench.toml").write_text(text[: text.index("[camera]")] + text[text.index("[lattice]") :])
        told = failure("register", "start", "--bench", tmp_path / "bench.toml", "--run", tmp_path / "run", code=2)
        assert "found no table [camera]" in told
        assert not (tmp_path / "run").exists()

    @pytest.mark.parametrize(("function", "message"), [("dark", "found 0 of 20"), ("broken", "the shutter is stuck"), ("none", "none")])
    def test_a_camera_function_that_fails(self, lab, tmp_path, function, message):
        link = f"python:{lab / 'camera.py'}:{function}"
        run = holo_("register", "run", "--link", link, "--bench", lab / "bench.toml", "--run", tmp_path / "run")
        assert run.exit_code in (1, 2)
        assert message in run.stderr
        assert "Traceback" not in run.stderr
        assert not (tmp_path / "run" / "frame-000.tiff").exists()

    def test_a_folder_that_nobody_serves(self, lab, tmp_path):
        (tmp_path / "exchange").mkdir()
        arguments = ("--bench", lab / "bench.toml", "--run", tmp_path / "run", "--timeout", 0.5)
        told = failure("register", "run", "--link", f"folder:{tmp_path / 'exchange'}", *arguments, code=1)
        assert "frame-000" in told
        assert "0.5" in told


def test_a_done_run_says_so_again(done):
    result, folder = done
    again = result_of("register", "run", "--link", "twin", "--run", folder)
    assert again == result
    frame = folder / "frame-000.tiff"
    assert "is done" in holo_("register", "step", "--run", folder, "--frame", frame).stderr
    assert read_frame(frame).shape == (1, 900, 1200)
