"""A real X server without hardware, whose pictures are read from its own memory."""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
import tempfile
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest


class VirtualScreen:
    """What stands on the screen of one X server."""

    def __init__(self, display, memory):
        self.display = display
        self._memory = memory

    def colours(self):
        """Red, green and blue, shape (rows, columns, 3), from the server's memory, which has the format XWD.

        Fields of the header by their place: size 0, width 4, height 5, bits a pixel 11, bytes a line 12, colours 19; each of the colours
        that follow takes 12 bytes (X11/XWDFile.h of the X Window System).
        """
        raw = self._memory.read_bytes()
        head = struct.unpack(">25I", raw[:100])
        width, height, line = head[4], head[5], head[12]
        assert head[11] == 32
        pixels = np.frombuffer(raw, np.uint8, line * height, head[0] + 12 * head[19]).reshape(height, line)
        return pixels[:, : 4 * width].reshape(height, width, 4)[..., 2::-1]


@contextmanager
def virtual_screen(columns, rows, depth=24):
    """A white screen of this size on an X server of its own; skips the test where there is no Xvfb."""
    if shutil.which("Xvfb") is None:
        pytest.skip("Xvfb, the X server without hardware, is not installed")
    end, ours = os.pipe()
    with tempfile.TemporaryDirectory() as folder:
        command = [
            "Xvfb",
            "-displayfd",
            str(ours),
            "-screen",
            "0",
            f"{columns}x{rows}x{depth}",
            "-fbdir",
            folder,
            "-nolisten",
            "tcp",
            "-wr",
        ]
        server = subprocess.Popen(command, pass_fds=[ours], stderr=subprocess.DEVNULL)
        os.close(ours)
        try:
            with os.fdopen(end) as told:
                number = told.readline().strip()
            assert number, "Xvfb did not start"
            yield VirtualScreen(f":{number}", Path(folder) / "Xvfb_screen0")
        finally:
            server.terminate()
            server.wait()
