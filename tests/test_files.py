"""Files: read with limits, written whole or not at all."""

from __future__ import annotations

import hashlib
import os
import tracemalloc

import pytest

from holo.errors import InputError, OutputExistsError
from holo.files import check_output, digest, read_bytes, write_folder, write_text, writing


def contents(folder):
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_a_new_folder_appears_as_a_whole(tmp_path):
    seen = []
    write_folder(tmp_path / "new", {"a.txt": b"a", "in/b.txt": b"b"}, lambda: seen.append((tmp_path / "new").exists()))
    assert seen == [False]
    assert contents(tmp_path) == {"new/a.txt": b"a", "new/in/b.txt": b"b"}


def test_files_take_their_places_in_a_folder_that_is_there(tmp_path):
    (tmp_path / "a.txt").write_bytes(b"old")
    (tmp_path / "other.txt").write_bytes(b"mine")
    write_folder(tmp_path, {"a.txt": b"new", "in/b.txt": b"b"}, lambda: None)
    assert contents(tmp_path) == {"a.txt": b"new", "in/b.txt": b"b", "other.txt": b"mine"}


@pytest.mark.parametrize("name", ["x" * 300, "a.txt/b.txt"])
def test_one_file_that_cannot_be_written_keeps_all_away(tmp_path, name):
    (tmp_path / "a.txt").write_bytes(b"old")
    for folder in (tmp_path, tmp_path / "new"):
        with pytest.raises(InputError, match=f"{folder.name}: cannot be written"):
            write_folder(folder, {"a.txt": b"new", name: b""}, lambda: None)
    assert contents(tmp_path) == {"a.txt": b"old"}
    assert [path.name for path in tmp_path.iterdir()] == ["a.txt"]


def test_what_comes_into_the_way_is_kept(tmp_path):
    def refuse():
        raise OutputExistsError("a.txt: exists already")

    with pytest.raises(OutputExistsError, match="exists already"):
        write_folder(tmp_path / "new", {"a.txt": b"new"}, refuse)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_takes_no_files_is_refused_before_any_work(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "access", lambda folder, mode: mode != os.W_OK)
    with pytest.raises(InputError, match=r"a\.txt: cannot be written \(nothing may be written into "):
        check_output(tmp_path / "a.txt", overwrite=False)


@pytest.mark.parametrize("name", ["pipe", "device"])
def test_outputs_are_files(tmp_path, name):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "device").symlink_to(os.devnull)
    with pytest.raises(InputError, match=f"{name}: is a device or a pipe; name a file"), writing(tmp_path / name, overwrite=True):
        raise AssertionError
    assert (tmp_path / "device").is_symlink()


def test_names_that_no_file_can_have(tmp_path):
    for attempt in (lambda path: read_bytes(path), lambda path: digest(path), lambda path: check_output(path, overwrite=False)):
        with pytest.raises(InputError, match=r"x: cannot be (read|written)"):
            attempt(tmp_path / ("x" * 300))


def test_the_digest_of_a_large_file_takes_no_memory(tmp_path):
    content = bytes(2**24)
    (tmp_path / "large").write_bytes(content)
    tracemalloc.start()
    try:
        found = digest(tmp_path / "large")
        assert tracemalloc.get_traced_memory()[1] < 2**21
    finally:
        tracemalloc.stop()
    assert found == "sha256:" + hashlib.sha256(content).hexdigest()
    with pytest.raises(InputError, match="large: found 16777216 bytes; allowed: at most 9"):
        read_bytes(tmp_path / "large", limit=9)


def test_a_file_system_without_hard_links_keeps_what_is_there_all_the_same(tmp_path, monkeypatch):
    def no_links(*_):
        raise OSError("Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    write_text(tmp_path / "a.txt", "first")
    with pytest.raises(OutputExistsError, match="exists already"):
        write_text(tmp_path / "a.txt", "second")
    assert contents(tmp_path) == {"a.txt": b"first"}
