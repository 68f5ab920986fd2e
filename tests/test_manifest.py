"""Manifests: what they hold is what the files hold, and anything else is told with file and key."""

from __future__ import annotations

import json

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from holo.cli import main
from holo.errors import InputError
from holo.manifest import Entry, Manifest, check_manifest, check_name, levels_digest, manifest_of, read_manifest, write_manifest

DIGEST = "sha256:" + 64 * "0"


def levels(seed, shape=(6, 8), kind=np.uint8):
    return np.random.default_rng(seed).integers(0, 200, shape).astype(kind)


@pytest.fixture
def made(tmp_path):
    """A folder with three masks, the last one deeper down, and its manifest."""
    (tmp_path / "day 1").mkdir()
    files = [tmp_path / "ring.tiff", tmp_path / "Gitter ä.tiff", tmp_path / "day 1" / "box.tiff"]
    for seed, file in enumerate(files):
        tifffile.imwrite(file, levels(seed), photometric="minisblack")
    write_manifest(tmp_path / "set.json", manifest_of(tmp_path / "set.json", files, [0.0, 2.5, 40.0]))
    return tmp_path / "set.json"


def changed(path, **changes):
    """Change keys of a manifest file; ``masks__1__time_ms=3`` goes into lists and objects; ... takes a key away."""
    content = json.loads(path.read_text())
    for name, value in changes.items():
        *where, key = [int(part) if part.isdigit() else part for part in name.split("__")]
        place = content
        for part in where:
            place = place[part]
        if value is ...:
            del place[key]
        else:
            place[key] = value
    path.write_text(json.dumps(content))


def test_a_manifest_names_the_masks_in_their_order(made):
    manifest = check_manifest(made)
    assert [entry.name for entry in manifest.masks] == ["ring", "Gitter ä", "box"]
    assert [entry.file for entry in manifest.masks] == ["ring.tiff", "Gitter ä.tiff", "day 1/box.tiff"]
    assert [entry.time_ms for entry in manifest.masks] == [0.0, 2.5, 40.0]
    assert [entry.digest for entry in manifest.masks] == [levels_digest(levels(seed)) for seed in range(3)]
    assert (manifest.rows, manifest.columns, manifest.type) == (6, 8, "uint8")


def test_digests_do_not_depend_on_the_order_of_bytes_in_a_file(tmp_path):
    """SHA-256 of 0x0102 as the bytes 02 01, computed with coreutils' sha256sum."""
    digest = "sha256:25dfd29c09617dcc9852281c030e5b3037a338a4712a42a21c907f259c6412a0"
    assert levels_digest(np.array([[0x0102]], ">u2")) == levels_digest(np.array([[0x0102]], "<u2")) == digest


names = st.text(st.characters(codec="utf-8"), min_size=1, max_size=30)


@settings(max_examples=40)
@given(st.lists(st.tuples(names, st.integers(0, 9), st.dictionaries(names, st.floats(-1e9, 1e9), max_size=3)), max_size=5))
def test_what_is_written_is_read_back(tmp_path_factory, entries):
    masks, seen = [], set()
    for name, page, figures in entries:
        try:
            check_name(name)
        except InputError:
            continue
        if name not in seen:
            masks.append(Entry(name, f"{name}.tiff", page, DIGEST, None, figures))
            seen.add(name)
    manifest = Manifest(3, 4, "uint16", tuple(masks), {"seed": 1})
    path = tmp_path_factory.getbasetemp() / "any.json"
    write_manifest(path, manifest, overwrite=True)
    assert read_manifest(path) == manifest


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"format": "holo mask"}, r"set\.json: manifest\.format: found 'holo mask'; allowed: 'holo set'"),
        ({"version": 2}, r"set\.json: manifest\.version: found 2; allowed: 1"),
        ({"version": True}, r"set\.json: manifest\.version: found True; allowed: 1"),
        ({"rows": ...}, r"set\.json: manifest\.rows: missing; needed: a whole number"),
        ({"rows": 0}, r"set\.json: rows: found 0; allowed: 1 or more"),
        ({"type": "int8"}, r"set\.json: type: found 'int8'; allowed: uint8 or uint16"),
        ({"colour": "red"}, r"set\.json: manifest\.'colour': unknown key; allowed keys: format, version"),
        ({"masks": {}}, r"set\.json: manifest\.masks: found \{\}; allowed: a list"),
        ({"masks__1": 7}, r"set\.json: masks\[1\]: found 7; allowed: an object with name, file"),
        ({"masks__1__time": 3}, r"set\.json: masks\[1\]\.'time': unknown key; allowed keys: name"),
        ({"masks__1__page": ...}, r"set\.json: masks\[1\]\.page: missing"),
        ({"masks__1__page": -1}, r"set\.json: masks\[1\]: page: found -1; allowed: 0 or more"),
        ({"masks__1__page": 4}, r"set\.json: mask 'Gitter ä': page: found 4; allowed: 0 to 0, the pages of"),
        ({"masks__1__name": "a/b"}, r"set\.json: masks\[1\]: name: found 'a/b'; allowed: 1 to 100 printable"),
        ({"masks__1__name": "ring"}, r"set\.json: masks\[1\]: name: found 'ring', which masks\[0\] has too"),
        ({"masks__1__time_ms": -1}, r"set\.json: masks\[1\]: time_ms: found -1; allowed: more than the 0 before it"),
        ({"masks__0__time_ms": -1}, r"set\.json: masks\[0\]: time_ms: found -1; allowed: a number from 0 up"),
        ({"masks__2__time_ms": 2.5}, r"set\.json: masks\[2\]: time_ms: found 2\.5; allowed: more than the 2\.5 before it"),
        ({"masks__1__digest": "md5:1"}, r"set\.json: masks\[1\]: digest: found 'md5:1'; allowed: 'sha256:' and 64"),
        ({"masks__1__digest": DIGEST}, r"set\.json: mask 'Gitter ä': digest: found sha256:\w+ for the levels in .*; allowed: sha256:000"),
        ({"masks__1__file": "nowhere.tiff"}, r"set\.json: mask 'Gitter ä': .*nowhere\.tiff: no such file"),
        ({"masks__1__file": "../ring.tiff"}, r"set\.json: masks\[1\]: file: found '\.\./ring\.tiff'; allowed: a file in the folder"),
        ({"masks__1__file": "/etc/passwd"}, r"set\.json: masks\[1\]: file: found '/etc/passwd'; allowed: a file in the folder"),
        ({"masks__1__file": ""}, r"set\.json: masks\[1\]: file: found ''; allowed: a file in the folder"),
        ({"columns": 9}, r"set\.json: mask 'ring': file: found levels of shape \(6, 8\), type uint8 in .*; allowed: \(6, 9\), uint8"),
    ],
)
def test_what_is_wrong_is_told_with_file_and_key(made, change, message):
    changed(made, **change)
    with pytest.raises(InputError, match=message):
        check_manifest(made)


@pytest.mark.parametrize("text", ["", "{", "[]", "null", '{"rows": NaN}', "[" * 100_000, "\x00", "1" * 5000])
def test_what_is_no_manifest_is_refused(tmp_path, text):
    (tmp_path / "set.json").write_text(text)
    with pytest.raises(InputError, match=r"set\.json: .*found .*; allowed: "):
        read_manifest(tmp_path / "set.json")


def test_a_link_does_not_lead_out_of_the_folder(made, tmp_path_factory):
    outside = tmp_path_factory.mktemp("outside") / "ring.tiff"
    (made.parent / "ring.tiff").rename(outside)
    (made.parent / "ring.tiff").symlink_to(outside)
    with pytest.raises(InputError, match=r"ring\.tiff: leads out of the folder .*; allowed: files in it"):
        check_manifest(made)


# ---------------------------------------------------------------------------------------------------------------------
# the command


def run(*args):
    return CliRunner().invoke(main, ["manifest", *map(str, args)], catch_exceptions=False)


def test_the_command_makes_and_checks(made):
    files = [made.parent / "ring.tiff", made.parent / "day 1" / "box.tiff"]
    told = run(*files, "-o", made.parent / "two.json", "--rate-hz", 50, "--json")
    assert json.loads(told.stdout) == {
        **{"manifest": str(made.parent / "two.json"), "masks": 2, "columns": 8, "rows": 6, "type": "uint8", "time_ms": 20.0},
    }
    assert run("--check", made.parent / "two.json", made).exit_code == 0
    tifffile.imwrite(files[0], levels(9), photometric="minisblack")
    spoilt = run("--check", made)
    assert spoilt.exit_code == 2
    assert "mask 'ring': digest: found sha256:" in spoilt.stderr


def test_the_command_takes_times_and_figures(made, tmp_path, small_bench_file):
    (tmp_path / "one.toml").write_text('title = "one"\n[[add]]\nblock = [1, 1]\n')
    bench = small_bench_file()
    done = CliRunner().invoke(main, ["design", str(tmp_path / "one.toml"), "--bench", str(bench), "-o", str(tmp_path / "one.tiff")])
    assert done.exit_code == 0, done.stderr
    (tmp_path / "times.csv").write_text("time_ms\n7.5\n")
    assert run(tmp_path / "one.tiff", "-o", tmp_path / "one.json", "--times", tmp_path / "times.csv").exit_code == 0
    (entry,) = check_manifest(tmp_path / "one.json").masks
    assert entry.time_ms == 7.5
    assert entry.figures["bright"] == 1


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (["ring.tiff"], "needed: -o and the name of the manifest, or --check"),
        (["ring.tiff", "-o", "new.txt"], "found 'new.txt'; allowed: a name that ends in .json"),
        (["ring.tiff", "-o", "set.json"], "set.json: exists already"),
        (["ring.tiff", "ring.tiff", "-o", "new.json"], "new.json: masks[1]: name: found 'ring', which masks[0] has too"),
        (
            ["ring.tiff", "small.tiff", "-o", "new.json"],
            "small.tiff: found levels of shape (2, 2), type uint16; allowed: (6, 8), uint8, as in ring.tiff",
        ),
        (["ring.tiff", "-o", "day 1/new.json"], "ring.tiff: found outside"),
        (["set.json", "-o", "new.json"], "set.json: not a readable TIFF file"),
        (["float.tiff", "-o", "new.json"], "float.tiff: page 0: found pixels of type float32; allowed: uint8 or uint16"),
        (["ring.tiff", "-o", "new.json", "--rate-hz", "0"], "rate: found 0; allowed: a number above 0"),
        (["ring.tiff", "-o", "new.json", "--rate-hz", "1", "--times", "t.csv"], "found --rate-hz and --times"),
        (["ring.tiff", "-o", "new.json", "--times", "t.csv"], "times: found 2 of them for 1 mask(s)"),
        (["--check", "set.json", "-o", "new.json"], "beside --check"),
        (["--check", "ring.tiff"], "ring.tiff: found"),
    ],
)
def test_bad_use_writes_nothing(made, monkeypatch, args, message):
    monkeypatch.chdir(made.parent)
    tifffile.imwrite("small.tiff", levels(0, (2, 2), np.uint16), photometric="minisblack")
    tifffile.imwrite("float.tiff", levels(0, kind=np.float32), photometric="minisblack")
    (made.parent / "t.csv").write_text("time_ms\n1\n2\n")
    before = sorted(made.parent.iterdir()), made.read_bytes()
    done = run(*args)
    assert done.exit_code == 2
    assert message in done.stderr
    assert (sorted(made.parent.iterdir()), made.read_bytes()) == before
