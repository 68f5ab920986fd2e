"""``holo trap``: what the light does to an atom."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from . import options
from .output import show, warn

if TYPE_CHECKING:
    from holo.bench import Bench
    from holo.trap import AtomInLight

BEAM = ("wavelength_nm", "waist_um")
"""What describes a beam without a mask."""


@dataclass(frozen=True)
class Asked:
    """What is asked about a trap, besides where its light comes from."""

    power_mw: float | None
    depth_uk: float | None
    lattice: float | None
    spacing_um: float | None
    polarisation: str


@click.command()
@click.argument("mask", type=options.FILE, required=False)
@options.recorded_bench
@click.option("--species", required=True, metavar="S", help="Isotope, such as Rb-87.")
@click.option("--lines", type=options.FILE, help="Species of your own: TOML with mass and lines, keys as in holo/species.toml.")
@click.option("--level", type=float, metavar="F", help="Hyperfine level; without it, the centre of gravity of the ground state.")
@click.option("--m", "magnetic", type=float, default=0.0, metavar="M", help="Magnetic quantum number, with --circularity.")
@click.option("--circularity", type=float, default=0.0, metavar="C", help="Of the light: -1 (sigma-), 0 (linear) to 1 (sigma+).")
@options.polarisation
@click.option("--power-mw", type=float, metavar="P", help="On the panel (without it, the bench's own), or in the focus of the beam.")
@click.option("--depth-uk", "--depth-uK", "depth_uk", type=float, metavar="D", help="Wanted depth: how much power does it need?")
@click.option("--wavelength-nm", type=float, metavar="W", help="Without a mask: of a Gaussian beam.")
@click.option("--waist-um", type=float, metavar="W", help="Without a mask: its 1/e^2 radius in the focus.")
@click.option("--sent-back", is_flag=True, help="Without a mask: the beam is sent back into itself and makes a lattice.")
@click.option("--lattice", type=float, metavar="S", help="Depth of an optical lattice in its recoil energies: gap and tunnelling.")
@click.option("--spacing-um", type=float, metavar="A", help="Its spacing; without it, that of the bench.")
@click.option("--table", type=options.FILE, metavar="CSV", help="Write the traps site by site into this file.")
@click.option("--sources", is_flag=True, help="Print where each number of the atom is from.")
@options.overwrite
@options.as_json
@click.pass_context
def command(
    context: click.Context,
    mask: Path | None,
    bench: Path | None,
    species: str,
    lines: Path | None,
    level: float | None,
    magnetic: float,
    circularity: float,
    polarisation: str,
    power_mw: float | None,
    depth_uk: float | None,
    wavelength_nm: float | None,
    waist_um: float | None,
    sent_back: bool,
    lattice: float | None,
    spacing_um: float | None,
    table: Path | None,
    sources: bool,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Work out the traps that light makes for an atom.

    With the mask file MASK: depth, frequencies and scattering at its sites, from the levels as the
    panel shows them, and where the power goes between laser and sites. Without it: the trap of a
    Gaussian beam, from --wavelength-nm, --waist-um and --power-mw or --depth-uk.

    Nothing that is printed says that a beam is safe: your laser safety officer, the data sheets and
    the local rules decide.
    """
    from holo.atoms import chosen_species
    from holo.trap import State

    atom, state = chosen_species(species, lines), State(level, magnetic, circularity)
    asked = Asked(power_mw, depth_uk, lattice, spacing_um, polarisation)
    if mask is not None:
        if wavelength_nm is not None or waist_um is not None or sent_back:
            raise click.UsageError("found --wavelength-nm, --waist-um or --sent-back beside MASK; allowed: without a mask", context)
        result = of_mask(mask, bench, lambda wavelength: _light(atom, wavelength, state), asked, (table, overwrite))
    else:
        alone = bench is None and table is None and polarisation == "scalar"
        if wavelength_nm is None or waist_um is None or not alone:
            raise click.UsageError(
                "needed: MASK (--bench, --polarisation and --table go with it), or --wavelength-nm and --waist-um", context
            )
        result = of_beam(_light(atom, wavelength_nm, state), waist_um, sent_back, asked, context)
    numbers = [{"number": name, "value": n.value, "error": n.error, "source": n.source} for name, n in atom.numbers().items()]
    if as_json or sources:
        result["sources"] = numbers
    if not as_json:
        result.pop("per_site", None)
    show(result, as_json)


def _light(atom: Any, wavelength_nm: float, state: Any) -> AtomInLight:
    from holo.trap import atom_in_light

    return atom_in_light(atom, wavelength_nm, state)


def of_mask(mask: Path, bench: Path | None, light_of: Any, asked: Asked, table: tuple[Path | None, bool]) -> dict[str, Any]:
    """Work out the traps of a mask's sites, write their table, warn, and give what there is to say."""
    from dataclasses import asdict

    from holo.bench import bench_warnings
    from holo.errors import InputError, naming
    from holo.files import check_output, write_text
    from holo.mask import read_mask
    from holo.record import recorded_bench, recorded_sites
    from holo.site_traps import at_power, site_traps, trap_warnings, traps_csv
    from holo.trap import told_atom

    path, overwrite = table
    if path is not None:
        check_output(path, overwrite)
    read = read_mask(mask)
    with naming(mask):
        used = recorded_bench(read.record) if bench is None else _read(bench)
        sites = recorded_sites(read.record, used)
        if not sites.bright.any():
            raise InputError("found no bright sites; allowed: a mask of sites (continuous light has no traps of its own)")
    other = bench is not None and used.digest != read.record["bench"]["digest"]
    used = at_power(used, asked.power_mw)
    light = light_of(used.light.wavelength_nm)
    lattice = _lattice(light, asked, used.lattice.spacing_um)
    with naming(mask):
        found = site_traps(used, read.levels, sites, light, asked.polarisation)
    needed, remarks = _needed(used, found.summary(), asked)
    warnings = [f"{bench}: is not the bench that the mask was made for"] if other else []
    warnings += [*bench_warnings(used, sites), *trap_warnings(used, found), *remarks]
    warn(warnings)
    if path is not None:
        write_text(path, traps_csv(found), overwrite)
    return {
        "mask": mask,
        **({"table": path} if path else {}),
        **told_atom(light),
        "polarisation": found.polarisation,
        "sites": len(found.ij),
        "power_mw": found.power_mw,
        **found.summary(),
        **needed,
        **lattice,
        "budget": [asdict(step) for step in found.budget],
        "per_site": found.rows(),
        "warnings": warnings,
    }


def _read(bench: Path) -> Bench:
    from holo.bench import read_bench

    return read_bench(bench)


def _needed(bench: Bench, summary: dict[str, Any], asked: Asked) -> tuple[dict[str, float], list[str]]:
    """The power that a wanted depth needs, and what to say about it."""
    from holo.site_traps import power_warnings
    from holo.trap import power_for_depth

    if asked.depth_uk is None:
        return {}, []
    power = power_for_depth(bench.light.power_mw, summary["depth_uk"], asked.depth_uk)
    lowest = power_for_depth(bench.light.power_mw, summary["depth_lowest_uk"], asked.depth_uk)
    laser = power * bench.light.laser_mw / bench.light.power_mw
    told = {"wanted_depth_uk": asked.depth_uk, "power_needed_mw": power, "laser_needed_mw": laser, "power_needed_lowest_site_mw": lowest}
    return told, power_warnings(bench, power)


def _lattice(light: AtomInLight, asked: Asked, spacing_um: float | None) -> dict[str, float]:
    """Gap and tunnelling in the optical lattice that is asked about."""
    from holo.band import lattice_bands
    from holo.errors import InputError
    from holo.trap import told_lattice

    if asked.lattice is None:
        if asked.spacing_um is not None:
            raise InputError("--spacing-um: found without --lattice; needed: the depth of the lattice")
        return {}
    spacing = asked.spacing_um if asked.spacing_um is not None else spacing_um
    if spacing is None:
        raise InputError("--lattice: found without --spacing-um; needed without a mask: the spacing of the lattice")
    return told_lattice(light.species.mass_kg, spacing, lattice_bands(asked.lattice))


def of_beam(light: AtomInLight, waist_um: float, sent_back: bool, asked: Asked, context: click.Context) -> dict[str, Any]:
    """Work out the trap of a Gaussian beam, warn, and give what there is to say."""
    from holo.exposure import beam_caution
    from holo.polarizability import polarizability_doubts
    from holo.trap import beam_trap, power_for_depth, told_atom, told_beam

    if asked.power_mw is None and asked.depth_uk is None:
        raise click.UsageError("needed without a mask: --power-mw, or --depth-uk for the power that it needs", context)
    lattice = _lattice(light, asked, None)
    power = asked.power_mw
    needed = {}
    if asked.depth_uk is not None:
        unit = beam_trap(light, 1.0, waist_um, sent_back)
        needed = {"wanted_depth_uk": asked.depth_uk, "power_needed_mw": power_for_depth(1.0, float(unit.traps.depth_uk), asked.depth_uk)}
        power = power if power is not None else needed["power_needed_mw"]
    assert power is not None
    beam = beam_trap(light, power, waist_um, sent_back)
    warnings = polarizability_doubts(light.species, light.wavelength_nm, light.scalar_au, light.error_au)
    if light.seen_au < 0:
        warnings.append(f"light of {light.wavelength_nm:g} nm repels {light.species.name}: the focus is a hill and holds nothing")
    elif not beam.held:
        warnings.append("the trap is too shallow to hold the atom against gravity across the beam: more power or a smaller waist")
    caution = beam_caution(light.wavelength_nm, power)
    warnings += [caution] if caution else []
    warn(warnings)
    return {
        **told_atom(light),
        "waist_um": waist_um,
        "power_mw": power,
        **told_beam(beam, light),
        **needed,
        **lattice,
        "warnings": warnings,
    }
