"""The masks of a folder by name: what its manifest lists, with those asked for last kept in memory, up to a limit."""

from __future__ import annotations

import io
import os
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from holo.errors import InputError, OutputExistsError
from holo.files import check_writable, locked
from holo.manifest import (
    MANIFEST,
    Entry,
    Manifest,
    check_name,
    entry_file,
    levels_digest,
    raw_levels,
    read_levels,
    read_manifest,
    write_manifest,
)
from holo.mask import Levels, Mask, read_mask, write_mask

if TYPE_CHECKING:
    from holo.parts import Panel

WAIT_S = 10.0
"""How long a new mask waits for another service that writes into the same folder."""

MEMORY_BYTES = 256 * 2**20
"""Most memory that a shelf keeps masks in, where nothing else is said."""


def _npy(levels: Levels) -> bytes:
    written = io.BytesIO()
    np.save(written, levels)
    return written.getvalue()


def _tiff(levels: Levels) -> bytes:
    import tifffile

    written = io.BytesIO()
    tifffile.imwrite(written, levels, photometric="minisblack", metadata=None, software="holo")
    return written.getvalue()


FORMATS: dict[str, Callable[[Levels], bytes]] = {"raw": raw_levels, "npy": _npy, "tiff": _tiff}
"""As what levels are given out: bytes (`holo.manifest.raw_levels`), a NumPy array file, a TIFF file of one page."""


@dataclass(frozen=True, eq=False)
class _Read:
    """A manifest as it was read, and what its file looked like then."""

    stamp: tuple[int, int, int] | None
    manifest: Manifest
    by_name: dict[str, Entry]


class Shelf:
    """A folder of masks for one panel.

    Parameters
    ----------
    folder : path
        With `holo.manifest.MANIFEST` in it, or without masks yet.
    panel : Panel
    memory_bytes : int
        Most memory for the bytes of masks that were asked for.

    Raises
    ------
    InputError
        If there is no such folder, nothing may be written into it, or its masks are not for the panel.

    Notes
    -----
    The manifest on disk is what counts: it is read again when its file has changed, so that masks can be added while the shelf is in use.
    The digest of a mask is checked when it is read. All methods may be called from several threads.
    """

    def __init__(self, folder: str | os.PathLike[str], panel: Panel, memory_bytes: int = MEMORY_BYTES) -> None:
        self.folder = Path(folder)
        if not self.folder.is_dir():
            raise InputError(f"{folder}: {'not a folder' if self.folder.exists() else 'no such folder'}; allowed: a folder for masks")
        check_writable(self.folder, self.folder)
        self.path = self.folder / MANIFEST
        self._empty = Manifest(panel.rows, panel.columns, "uint8" if panel.levels <= 256 else "uint16", ())
        self._memory_bytes, self._used = memory_bytes, 0
        self._kept: OrderedDict[tuple[str, str], bytes] = OrderedDict()
        self._lock, self._adding = threading.Lock(), threading.Lock()
        self._read = _Read(None, self._empty, {})
        self.manifest()

    def manifest(self) -> Manifest:
        """What the folder holds now.

        Raises
        ------
        InputError
            If the manifest cannot be read, or is for another panel.
        """
        return self._now().manifest

    def entry(self, name: str) -> Entry | None:
        """The mask of a name, or None; raises as `manifest`."""
        return self._now().by_name.get(name)

    def _now(self) -> _Read:
        try:
            found = self.path.stat()
            stamp = (found.st_mtime_ns, found.st_size, found.st_ino)
        except FileNotFoundError:
            stamp = None
        except OSError as error:
            raise InputError(f"{self.path}: cannot be read ({error.strerror or error})") from error
        read = self._read
        if stamp != read.stamp:
            manifest = self._empty if stamp is None else read_manifest(self.path)
            self._check_panel(manifest)
            read = self._read = _Read(stamp, manifest, {entry.name: entry for entry in manifest.masks})
        return read

    def _check_panel(self, manifest: Manifest) -> None:
        for key in ("rows", "columns", "type"):
            found, wanted = getattr(manifest, key), getattr(self._empty, key)
            if found != wanted:
                raise InputError(f"{self.path}: {key}: found {found}; allowed: {wanted}, as the panel of the bench has it")

    def kept(self, entry: Entry, form: str) -> bytes | None:
        """Bytes of a mask in one of `FORMATS`, if they are in memory."""
        with self._lock:
            body = self._kept.get((entry.digest, form))
            if body is not None:
                self._kept.move_to_end((entry.digest, form))
            return body

    def given(self, entry: Entry, form: str) -> bytes:
        """Bytes of a mask in one of `FORMATS`, read and checked if they are not in memory; raises as `holo.manifest.read_levels`."""
        body = self.kept(entry, form)
        if body is None:
            body = FORMATS[form](read_levels(self.path, self._empty, entry))
            self._keep((entry.digest, form), body)
        return body

    def _keep(self, key: tuple[str, str], body: bytes) -> None:
        with self._lock:
            if len(body) > self._memory_bytes or key in self._kept:
                return
            self._kept[key] = body
            self._used += len(body)
            while self._used > self._memory_bytes:
                self._used -= len(self._kept.popitem(last=False)[1])

    @property
    def used_bytes(self) -> int:
        """Memory that masks take now."""
        return self._used

    def mask(self, entry: Entry) -> Mask:
        """The mask with its phase and record; raises `InputError` if its file is not a mask file, or has changed."""
        mask = read_mask(entry_file(self.path, entry))
        if (found := levels_digest(mask.levels)) != entry.digest:
            raise InputError(
                f"{self.path}: mask {entry.name!r}: digest: found {found}; allowed: {entry.digest}, those the set was made with"
            )
        return mask

    def check_free(self, name: str) -> None:
        """Refuse a name that cannot be that of a new mask.

        Raises
        ------
        InputError
            See `holo.manifest.check_name`.
        OutputExistsError
            If there is a mask, or a file for one, of this name.
        """
        check_name(name)
        if self.entry(name) is not None:
            raise OutputExistsError(f"name: found {name!r}, which is there already; allowed: a new name")
        file = self.folder / f"{name}.tiff"
        if file.exists():
            raise OutputExistsError(
                f"name: found {name!r}, whose file {file} is there already, though {MANIFEST} does not list it; allowed: a new name, or"
                " take the file away"
            )

    def add(self, name: str, mask: Mask) -> Entry:
        """Write a new mask into the folder, its file first and then the manifest, while no other service does so.

        Raises
        ------
        InputError, OutputExistsError
            As `check_free`, and if the folder cannot be written, or is held for more than `WAIT_S`. Then the manifest is as it was.
        """
        with self._adding, locked(self.folder, WAIT_S):
            self.check_free(name)
            manifest = self.manifest()
            entry = Entry(name, f"{name}.tiff", 0, levels_digest(mask.levels), None, mask.record["figures"])
            changed = replace(manifest, masks=(*manifest.masks, entry))
            write_mask(self.folder / entry.file, mask)
            try:
                write_manifest(self.path, changed, overwrite=True)
            except BaseException:
                if self.entry(name) is None:  # else the manifest has taken its place
                    (self.folder / entry.file).unlink(missing_ok=True)
                raise
        return entry
