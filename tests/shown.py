"""What the README shows, and whether a command prints it."""

from __future__ import annotations

import re
from pathlib import Path

README = (Path(__file__).parent.parent / "README.md").read_text()

NOISY = (
    *("seconds", "iterations", "measured", "axis", "stretch", "shear", "rms", "largest", "map error", "origin errors", "shift"),
    *("saturated", "highest", "spacing errors", "spread by", "0      0.0", "1      0.0", "2      0.0"),
    *("predicted error", "counting limit", "threshold", "light empty", "width", "made"),
    *("verdict", "error rad", "change rad", "light lost", "variation", "chi2", "unexplained", "depth spread"),
)
"""Lines whose figures depend on the noise of a frame, or on the time."""


def blocks(kind):
    """Blocks of code of a kind."""
    return re.findall(rf"```{kind}\n(.*?)```", README, flags=re.DOTALL)


def close(shown, found):
    """Whether a word of the README is what a command prints: figures to 3 %, small ones to a factor of 30."""
    try:
        one, other = float(shown.rstrip(",")), float(found.rstrip(","))
    except ValueError:
        return shown == found
    return abs(one - other) <= 0.03 * abs(one) or (0 < abs(one) < 1e-2 and abs(one) / 30 < abs(other) < 30 * abs(one))


def assert_printed(shown, found, noisy=NOISY):
    """Whether lines of the README are those that a command prints, but for what noise makes of them."""
    assert len(found) == len(shown)
    for expected, line in zip(shown, found, strict=True):
        if not expected.startswith(noisy):
            assert len(expected.split()) == len(line.split())
            assert all(map(close, expected.split(), line.split())), (expected, line)
