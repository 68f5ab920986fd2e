"""``python -m holo``: the command line where scripts are not on the path."""

from __future__ import annotations

from holo.cli import main

if __name__ == "__main__":
    main(prog_name="holo")
