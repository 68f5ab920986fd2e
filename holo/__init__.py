"""Phase masks that put equally bright light on the lattice sites you name."""

from __future__ import annotations

from pathlib import Path

# In a checkout the commands and the starter patterns lie beside this folder, where installing would put them inside it.
if not (Path(__file__).parent / "cli").is_dir():
    __path__.append(str(Path(__file__).parent.parent))

__version__ = "0.1.0"
