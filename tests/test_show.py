"""Masks on a screen: read back from the memory of a real X server without hardware, or from what was drawn for none."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from virtual_screen import virtual_screen

import holo
from holo.bench import parse_bench
from holo.cli import main
from holo.compose import Sum, add, blank_mask
from holo.errors import InputError, ScreenError
from holo.manifest import Entry, Manifest, levels_digest, manifest_file, opened_levels, read_manifest, write_manifest
from holo.mask import Mask, write_mask
from holo.player import Ending, Player
from holo.screen import Place, choose, packing, screens, showing

ROWS, COLUMNS = 80, 96
RAMP = (np.arange(ROWS * COLUMNS) % 256).astype(np.uint8).reshape(ROWS, COLUMNS)
"""Every 8-bit level."""
RAMP_10 = (np.arange(ROWS * COLUMNS) % 1024).astype(np.uint16).reshape(ROWS, COLUMNS)
"""Every 10-bit level."""


@pytest.fixture(scope="module")
def server():
    with virtual_screen(COLUMNS, ROWS) as found:
        yield found


@pytest.fixture
def x(server, monkeypatch):
    """A screen of the size of the panel."""
    monkeypatch.setenv("DISPLAY", server.display)
    monkeypatch.setenv("SDL_VIDEODRIVER", "x11")
    return server


@pytest.fixture
def no_screen(monkeypatch):
    """SDL's driver that draws in memory only: a screen of 1024 x 768."""
    monkeypatch.setenv("SDL_VIDEODRIVER", "dummy")


@pytest.fixture
def lab(tmp_path, monkeypatch, small_bench_text):
    """A mask, a 10-bit mask, and sequences of five masks."""
    monkeypatch.chdir(tmp_path)
    bench = parse_bench(small_bench_text(), "bench.toml")
    mask = add(blank_mask(bench), bench, Sum(terms=(("grating", {"period_px": 9.0, "angle_deg": 30.0}),)))
    write_mask("mask.tiff", Mask(RAMP, mask.phase, mask.record))
    write_mask("deep.tiff", Mask(RAMP_10, mask.phase, mask.record))
    Path("moves").mkdir()
    names = [f"frame-{number:05d}" for number in range(5)]
    pictures = [RAMP + np.uint8(number) for number in range(5)]
    with tifffile.TiffWriter("moves.tiff") as file:
        for name, picture in zip(names, pictures, strict=True):
            tifffile.imwrite(f"moves/{name}.tiff", picture)
            file.write(picture, contiguous=False)
    digests = [levels_digest(picture) for picture in pictures]
    each = [Entry(name, f"{name}.tiff", 0, digest, 20.0 * k) for k, (name, digest) in enumerate(zip(names, digests, strict=True))]
    paged = [replace(entry, file="moves.tiff", page=page) for page, entry in enumerate(each)]
    write_manifest("moves/manifest.json", Manifest(ROWS, COLUMNS, "uint8", tuple(each)))
    write_manifest("moves.json", Manifest(ROWS, COLUMNS, "uint8", tuple(paged)))
    return tmp_path


def holo_(*args):
    return CliRunner().invoke(main, [str(arg) for arg in args], catch_exceptions=False)


def grey(levels):
    return np.repeat(levels[..., None], 3, axis=-1)


# ---------------------------------------------------------------------------------------------------------------------
# levels as colours


def test_packed_levels_are_what_the_formula_says():
    levels = np.arange(1024)
    red, green, blue = packing("256r+g")[:1024].T.astype(int)
    assert ((256 * red + green == levels) & (blue == 0)).all()
    red, green, blue = packing("4g+r").T.astype(int)
    assert ((4 * green + red == levels) & (blue == 0)).all()
    assert (packing("grey") == np.arange(256)[:, None]).all()
    assert packing("......../01234567/........")[1].tolist() == [0, 128, 0]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("gray", "pack: found 'gray'; allowed: grey, 256r\\+g, 4g\\+r, or bits such as"),
        ("76543210", "pack: found '76543210'; allowed"),
        ("7654321G/76543210/76543210", "allowed"),
        ("7654321./........./.......", "allowed"),
        ("......98/7654321./........", "without bit 0; allowed: every bit from 0 up, 8 at least"),
        ("......../..543210/........", "without bit 6; allowed"),
        ("......../......../........", "without bit 0; allowed"),
    ],
)
def test_a_packing_that_hides_levels_is_refused(text, message):
    with pytest.raises(InputError, match=message):
        packing(text)


# ---------------------------------------------------------------------------------------------------------------------
# screens


def test_the_screen_of_the_size_of_the_mask_is_taken():
    there = [Place(0, 1920, 1080, 60), Place(1, 96, 80, 60)]
    assert choose(there, (80, 96)).number == 1
    assert choose(there, (80, 96), 0, (1824, 1000)).number == 0
    with pytest.raises(InputError, match=r"found 2 screens of the size of the mask \(0: 96 x 80, 1: 96 x 80\); allowed: name one"):
        choose([Place(0, 96, 80, 0), Place(1, 96, 80, 0)], (80, 96))
    with pytest.raises(InputError, match=r"screen 1: 96 x 80: found a mask of 97 x 80 pixels; allowed: what fits, as nothing is scaled"):
        choose(there, (80, 97), 1)
    with pytest.raises(InputError, match="found a mask of 96 x 80 pixels at 1825, 0; allowed"):
        choose(there, (80, 96), 0, (1825, 0))
    with pytest.raises(InputError, match="pixels at -1, 0; allowed"):
        choose(there, (80, 96), 0, (-1, 0))
    with pytest.raises(ScreenError, match=r"screen 2: not there \(0: 1920 x 1080, 1: 96 x 80\)"):
        choose(there, (80, 96), 2)
    with pytest.raises(ScreenError, match=r"found no screen of 50 x 40 pixels, the size of the mask \(none\): connect the panel"):
        choose([], (40, 50))


def test_every_level_stands_on_the_screen_as_it_is(x):
    with showing((ROWS, COLUMNS), packing("grey"), blank=37) as screen:
        assert (x.colours() == 37).all()
        screen.prepare(RAMP)
        assert (x.colours() == 37).all()  # nobody sees it yet
        screen.show()
        assert np.array_equal(x.colours(), grey(RAMP))
        assert screen.driver == "x11"


def test_ten_bits_stand_in_their_place_and_an_error_leaves_the_screen_blank(x, monkeypatch):
    """On a larger screen the rest is blank; and all of it after an error, as it stands before the screen is given back."""
    seen, colours, part = [], packing("98...10./7654...3/.......2"), RAMP_10[:50, :60]
    monkeypatch.setattr("holo.screen.time", SimpleNamespace(sleep=lambda seconds: seen.append(x.colours())))

    def broken():
        with showing(part.shape, colours, number=0, at=(7, 11), blank=600) as screen:
            screen.prepare(part)
            screen.show()
            seen.append(x.colours())
            raise InputError("frame-00003.tiff: no such file")

    with pytest.raises(InputError, match="frame-00003"):
        broken()
    expected = np.full((ROWS, COLUMNS), 600)
    expected[11:61, 7:67] = part
    assert np.array_equal(seen[0], colours[expected])
    assert (seen[1] == colours[600]).all()
    assert len(np.unique(colours, axis=0)) == 1024


@pytest.mark.parametrize("pack", ["grey", "256r+g", "4g+r", "......../76543210/........"])
def test_every_level_of_a_packing_is_drawn_as_it_is(no_screen, pack):
    colours, levels = packing(pack), RAMP if pack == "grey" or pack.startswith(".") else RAMP_10
    with showing((ROWS, COLUMNS), colours, number=0) as screen:
        screen.prepare(levels)
        screen.show()
        assert np.array_equal(screen.drawn()[:ROWS, :COLUMNS], colours[levels])


def test_the_screens_are_listed(x):
    assert [(place.number, place.columns, place.rows) for place in screens()] == [(0, COLUMNS, ROWS)]
    told = json.loads(holo_("show", "--list", "--json").stdout)
    assert told["screens"][0] | {"rate_hz": 0} == {"number": 0, "columns": COLUMNS, "rows": ROWS, "rate_hz": 0}


def test_a_screen_of_fewer_colours_is_refused(monkeypatch, lab):
    with virtual_screen(COLUMNS, ROWS, depth=16) as coarse:
        monkeypatch.setenv("DISPLAY", coarse.display)
        monkeypatch.setenv("SDL_VIDEODRIVER", "x11")
        run = holo_("show", "mask.tiff")
    assert run.exit_code == 2
    assert "found 16 bits of colour; allowed: 24 or more" in run.stderr


def test_every_mask_of_a_sequence_is_seen_in_its_turn(x, lab, monkeypatch):
    """On a screen that says how many pictures it makes, so that showing waits for them, which goes another way through SDL."""
    import pygame

    monkeypatch.setattr(pygame.display, "get_desktop_refresh_rates", lambda: [60])
    seen = []

    class Watched:
        """Hands on to a screen, and looks at the server's memory after each picture."""

        def __init__(self, screen):
            self.screen, self.refresh_s = screen, screen.refresh_s
            self.prepare, self.wishes = screen.prepare, screen.wishes

        def show(self):
            self.screen.show()
            seen.append(x.colours())

    with showing((ROWS, COLUMNS), packing("grey")) as screen:
        assert screen.refresh_s == 1 / 60
        for path in (lab / "moves", lab / "moves.tiff"):
            seen.clear()
            where = manifest_file(path)
            with opened_levels(where, read_manifest(where)) as load:
                played = Player(Watched(screen), load, 5, Ending()).by_clock(0.02, 0.0)
            assert played.frames == (0, 1, 2, 3, 4)
            for number, picture in enumerate(seen):
                assert np.array_equal(picture, grey(RAMP + np.uint8(number)))


def test_a_command_that_is_told_to_end_blanks_the_screen(x, lab):
    env = {**os.environ, "PYTHONPATH": str(Path(holo.__file__).parent.parent)}
    command = [sys.executable, "-m", "holo", "show", "mask.tiff", "--blank", "37", "--json"]

    def wait_for(levels):
        deadline = time.monotonic() + 20
        while time.monotonic() < deadline:
            if np.array_equal(x.colours(), grey(levels)):
                return True
            time.sleep(0.002)
        return False

    with subprocess.Popen(command, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as running:
        try:
            assert wait_for(RAMP)
            running.send_signal(signal.SIGTERM)
            assert wait_for(np.full_like(RAMP, 37))
            out, err = running.communicate(timeout=20)
        finally:
            running.kill()
    assert running.returncode == 0, err
    assert (x.colours() == 255).all()  # the server's own white
    assert json.loads(out)["ended_by"] == "SIGTERM"
    assert "follow your laser safety officer" in err


def test_the_readme_shows_what_is_printed(monkeypatch, tmp_path, demo_bench):
    (text,) = re.findall(r"```text\n(\$ holo show.*?)```", (Path(__file__).parent.parent / "README.md").read_text(), flags=re.DOTALL)
    monkeypatch.chdir(tmp_path)
    write_mask("sharper.tiff", blank_mask(demo_bench))
    with virtual_screen(1200, 1000) as large:
        monkeypatch.setenv("DISPLAY", large.display)
        monkeypatch.setenv("SDL_VIDEODRIVER", "x11")
        for part in text.split("$ holo ")[1:]:
            command, printed = part.split("\n", 1)
            assert holo_(*command.replace("--seconds 2", "--seconds 0").split()).stdout == printed


# ---------------------------------------------------------------------------------------------------------------------
# the command


def test_a_mask_and_its_end(no_screen, lab):
    run = holo_("show", "mask.tiff", "--screen", 0, "--seconds", 0, "--json")
    assert run.exit_code == 0, run.stderr
    told = json.loads(run.stdout)
    assert {key: told[key] for key in ("mask", "screen", "pack", "shown", "ended_by")} == {
        **{"mask": "mask.tiff", "screen": 0, "pack": "grey"},
        **{"shown": 1, "ended_by": "time"},
    }
    assert "the video driver is 'dummy': nothing can be seen" in run.stderr


@pytest.mark.parametrize("name", ["moves", "moves.tiff"])
def test_a_sequence_tells_its_times(no_screen, lab, name):
    told = json.loads(holo_("show", name, "--screen", 0, "--seconds", 0, "--rate", 100, "--json").stdout)
    assert told["shown"] == 5
    assert told["dropped"] == sum(late["periods"] for late in told["late"])
    assert 5 < told["median_ms"] < 60


def test_a_sequence_that_was_cut_short_fails(no_screen, lab, monkeypatch):
    monkeypatch.setattr(Ending, "__init__", lambda self: setattr(self, "reason", "SIGINT"))
    run = holo_("show", "moves", "--screen", 0)
    assert run.exit_code == 1
    assert "error: ended by SIGINT after 1 of 5 masks" in run.stderr


def test_a_sequence_by_trigger_file(no_screen, lab):
    Path("trigger").write_text("3")
    told = json.loads(holo_("show", "moves", "--screen", 0, "--trigger", "trigger", "--seconds", 0.05, "--json").stdout)
    assert told["shown"] == 1


def test_keys_are_understood(no_screen, lab):
    import pygame

    with showing((ROWS, COLUMNS), packing("grey"), number=0) as screen:
        screen.wishes()
        for key in (pygame.K_SPACE, pygame.K_LEFT, pygame.K_a, pygame.K_ESCAPE):
            pygame.event.post(pygame.event.Event(pygame.KEYDOWN, key=key))
        pygame.event.post(pygame.event.Event(pygame.QUIT))
        assert screen.wishes() == ["next", "back", "end", "end"]


def test_a_screen_that_goes_away_ends_it_with_a_message(no_screen, lab, monkeypatch):
    import pygame

    real, calls = pygame.display.get_desktop_sizes, []
    monkeypatch.setattr(pygame.display, "get_desktop_sizes", lambda: [] if len(calls) > 3 else (calls.append(1), real())[1])
    run = holo_("show", "mask.tiff", "--screen", 0)
    assert run.exit_code == 1
    assert "error: screen 0: 1024 x 768: went away, or changed its size, while it showed a mask" in run.stderr


def test_without_a_screen_there_is_a_message(lab, monkeypatch):
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "SDL_VIDEODRIVER"):
        monkeypatch.delenv(name, raising=False)
    run = holo_("show", "mask.tiff")
    assert run.exit_code == 1
    assert run.stderr.startswith("error: ")
    assert "screen" in run.stderr
    monkeypatch.setenv("SDL_VIDEODRIVER", "x11")
    monkeypatch.setenv("DISPLAY", ":987")
    run = holo_("show", "--list")
    assert run.exit_code == 1
    assert "error: the screen cannot be used (" in run.stderr


@pytest.mark.parametrize(
    ("library", "message"),
    [
        (None, "needs pygame-ce, which is not installed: python -m pip install"),
        (SimpleNamespace(__version__="2.6.1"), "found pygame 2.6.1; needed: pygame-ce"),
    ],
)
def test_without_the_library_there_is_a_message(lab, monkeypatch, library, message):
    monkeypatch.setitem(sys.modules, "pygame", library)
    run = holo_("show", "mask.tiff")
    assert run.exit_code == 1
    assert message in run.stderr


PAGES = ("moves.tiff --screen 0", 2, "page: found 9; allowed: 0 to 4, the pages of moves.tiff")


def changed(**change):
    manifest = json.loads(Path("moves/manifest.json").read_text()) | change
    Path("moves/manifest.json").write_text(json.dumps(manifest))


def frames(**change):
    manifest = json.loads(Path("moves/manifest.json").read_text())
    manifest["masks"][0] |= change
    Path("moves/manifest.json").write_text(json.dumps(manifest))


@pytest.mark.parametrize(
    ("prepare", "command", "code", "message"),
    [
        (None, "", 2, "needed: MASK, or --list"),
        (None, "nowhere.tiff", 2, "nowhere.tiff: no such file"),
        (None, "mask.tiff", 1, "found no screen of 96 x 80 pixels, the size of the mask (0: 1024 x 768): connect the panel"),
        (None, "mask.tiff --screen 1", 1, "screen 1: not there (0: 1024 x 768)"),
        (None, "mask.tiff --screen -1", 1, "screen -1: not there"),
        (
            None,
            "mask.tiff --screen 0 --at 1000 0",
            2,
            "found a mask of 96 x 80 pixels at 1000, 0; allowed: what fits, as nothing is scaled",
        ),
        (None, "mask.tiff --screen 0 --blank 256", 2, "blank: found level 256; allowed: 0 to 255"),
        (None, "mask.tiff --screen 0 --seconds -1", 2, "seconds: found -1; allowed: from 0"),
        (None, "mask.tiff --screen 0 --seconds nan", 2, "seconds: found nan; allowed: from 0"),
        (None, "mask.tiff --screen 0 --pack rgb", 2, "pack: found 'rgb'; allowed: grey"),
        (None, "deep.tiff --screen 0", 2, "found levels of 16 bits up to 1023; allowed: 0 to 255, those that the packing can show"),
        (None, "mask.tiff --screen 0 --key", 2, "found --rate, --key or --trigger for mask.tiff, one mask"),
        (None, "moves --screen 0 --key --rate 3", 2, "found several of --rate, --key and --trigger"),
        (None, "moves --screen 0 --rate 0", 2, "--rate: found 0; allowed: from 0.00028"),
        (None, ". --screen 0", 2, "manifest.json: no such file"),
        (lambda: changed(format="else"), "moves --screen 0", 2, "manifest.json: manifest.format: found 'else'; allowed: 'holo set'"),
        (lambda: changed(masks=[]), "moves --screen 0", 2, "manifest.json: found no masks"),
        (lambda: changed(masks=[3]), "moves --screen 0", 2, "masks[0]: found 3; allowed: an object with name, file"),
        (
            lambda: frames(time_ms=7.0),
            "moves --screen 0",
            2,
            "moves: its masks have no times, or uneven ones; needed: --rate, --key or --trigger",
        ),
        (
            lambda: frames(file="../mask.tiff"),
            "moves --screen 0",
            2,
            "file: found '../mask.tiff'; allowed: a file in the folder of the manifest",
        ),
        (lambda: frames(digest="sha256:" + 64 * "0"), "moves --screen 0", 2, "digest: found sha256:"),
        (lambda: Path("moves/manifest.json").write_text("{"), "moves --screen 0", 2, "not JSON"),
        (lambda: Path("moves.json").write_text(Path("moves.json").read_text().replace('"page": 0', '"page": 9')), *PAGES),
        (lambda: Path("moves/frame-00003.tiff").unlink(), "moves --screen 0", 2, "frame-00003.tiff: no such file"),
    ],
)
def test_bad_input_is_told(no_screen, lab, prepare, command, code, message):
    if prepare is not None:
        prepare()
    run = holo_("show", *command.split())
    assert run.exit_code == code
    assert message in run.stderr.replace("\n", " ")
    assert run.stdout == ""
