"""Options and arguments that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click


class Place(click.Path):
    """A path; whether it can be read or written is the library's to say, but the empty name, which would be this folder, is a mistake."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Give the path."""
        if value == "":
            self.fail("found an empty name; allowed: the name of a file or folder", param, ctx)
        return super().convert(value, param, ctx)


FILE = Place(path_type=Path)
"""What all commands take as a name."""


def mask_output(ctx: click.Context, parameter: click.Parameter, value: Path) -> Path:
    """Refuse a name that does not look like a TIFF file, before it can replace a bench or an arrangement."""
    if value.suffix.lower() not in (".tif", ".tiff"):
        raise click.BadParameter(f"found {value.name!r}; allowed: a name that ends in .tiff or .tif (holo render writes pictures)")
    return value


mask = click.argument("mask", type=FILE)
bench = click.option("--bench", type=FILE, required=True, help="Bench file (TOML).")
recorded_bench = click.option("--bench", type=FILE, help="Bench file (TOML); without it, the bench in the mask's own record.")
registration = click.option("--registration", type=FILE, help="Registration file (TOML); without it, the bench's nominal lattice.")
new_mask = click.option("-o", "--output", type=FILE, required=True, callback=mask_output, help="Mask file to write (.tiff).")
dark_frame = click.option("--dark", type=FILE, metavar="FRAME", help="Frame without light, to take off; by default that of the bench file.")
polarisation = click.option(
    "--polarisation",
    default="scalar",
    show_default=True,
    metavar="P",
    help="Of the light on the panel, for the vector model: x, y, circular-xy, circular-yx or degrees from x towards y.",
)
device = click.option(
    "--device",
    default="cpu",
    show_default=True,
    metavar="D",
    help="Where to search: cpu, gpu (an NVIDIA GPU with cupy), or auto, the GPU if there is one. Masks of both are as good, not the same.",
)
overwrite = click.option("--overwrite", is_flag=True, help="Replace outputs that exist.")
as_json = click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of a table.")
