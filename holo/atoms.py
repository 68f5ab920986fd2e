"""Atoms: mass, lines and hyperfine levels of the species, each number with its uncertainty and its source.

The species that come with holo stand in ``species.toml`` beside this module; a user's own have the same keys in a file of their own.
"""

from __future__ import annotations

import difflib
import os
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
from scipy import constants

from holo.errors import InputError
from holo.files import read_text
from holo.tables import REQUIRED, Table, parse_toml

DIPOLE_AU = constants.e * constants.physical_constants["Bohr radius"][0]
"""Atomic unit of the electric dipole moment, e a0, in C m."""


@dataclass(frozen=True)
class Number:
    """A measured or calculated number.

    Attributes
    ----------
    value : float
    error : float
        One standard uncertainty.
    source : str
        Where it was published; "from memory" where it was written down without looking at that.
    """

    value: float
    error: float
    source: str


@dataclass(frozen=True)
class Line:
    """An electric dipole line from the ground state.

    Attributes
    ----------
    name : str
    wavelength_nm : Number
        In vacuum, between centres of gravity of hyperfine structure.
    upper_j : float
        Angular momentum J' of the upper state.
    linewidth_mhz : Number or None
        Rate of decay to the ground state over 2 pi; None if the dipole is given.
    dipole_au : Number or None
        Reduced matrix element <J'||d||J> in e a0; None if the linewidth is given.
    """

    name: str
    wavelength_nm: Number
    upper_j: float
    linewidth_mhz: Number | None
    dipole_au: Number | None

    @property
    def frequency(self) -> float:
        """Angular frequency, rad/s."""
        return float(2 * np.pi * constants.c / (self.wavelength_nm.value * 1e-9))

    @property
    def decay(self) -> float:
        """Rate of decay to the ground state, 1/s.

        ``omega^3 |d|^2 / (3 pi eps0 hbar c^3 (2 J' + 1))`` where the dipole is given (D. A. Steck, Rubidium 87 D Line Data, eq. 38,
        there with the other convention for d, which is smaller by sqrt(2 J + 1); equation number from memory).
        """
        if self.linewidth_mhz is not None:
            return float(2e6 * np.pi * self.linewidth_mhz.value)
        assert self.dipole_au is not None
        square = (self.dipole_au.value * DIPOLE_AU) ** 2
        return float(
            self.frequency**3 * square / (3 * np.pi * constants.epsilon_0 * constants.hbar * constants.c**3 * (2 * self.upper_j + 1))
        )

    @property
    def decay_error(self) -> float:
        """Relative standard uncertainty of `decay`."""
        if self.linewidth_mhz is not None:
            return self.linewidth_mhz.error / self.linewidth_mhz.value
        assert self.dipole_au is not None
        return 2 * self.dipole_au.error / self.dipole_au.value

    @property
    def dipole(self) -> float:
        """Reduced matrix element <J'||d||J> in e a0, whichever was given."""
        square = 3 * np.pi * constants.epsilon_0 * constants.hbar * constants.c**3 * (2 * self.upper_j + 1) * self.decay / self.frequency**3
        return float(np.sqrt(square) / DIPOLE_AU)


@dataclass(frozen=True)
class Species:
    """An isotope in its ground state.

    Attributes
    ----------
    name : str
    mass_u : Number
    ground_j : float
        Angular momentum J of the ground state, 0 or 1/2.
    nuclear_spin : float
    hyperfine_ghz : Number or None
        Splitting of the ground state, E(I + 1/2) - E(I - 1/2) over h; None where there is none.
    range_nm : tuple of float
        Wavelengths at which these lines and the remainder are good for the polarizability.
    remainder_au : Number
        What the core and the lines that are not listed add to the scalar polarizability.
    lines : tuple of Line
    """

    name: str
    mass_u: Number
    ground_j: float
    nuclear_spin: float
    hyperfine_ghz: Number | None
    range_nm: tuple[float, float]
    remainder_au: Number
    lines: tuple[Line, ...]

    @property
    def mass_kg(self) -> float:
        """Mass, kg."""
        return float(self.mass_u.value * constants.atomic_mass)

    @property
    def splitting_ghz(self) -> float:
        """Hyperfine splitting of the ground state without its sign, 0 where there is none."""
        return abs(self.hyperfine_ghz.value) if self.hyperfine_ghz else 0.0

    def numbers(self) -> dict[str, Number]:
        """All numbers by name, for tables of sources.

        Returns
        -------
        dict of str to Number
            Masses in u, splittings in GHz, wavelengths in vacuum in nm, linewidths in MHz, dipoles and remainder in atomic units, as
            the names end.

        Examples
        --------
        >>> found = known_species()["Rb-87"].numbers()["D2 wavelength_nm"]
        >>> found.value, found.error
        (780.241209686, 1.3e-08)
        """
        found = {"mass_u": self.mass_u, "hyperfine_ghz": self.hyperfine_ghz, "remainder_au": self.remainder_au}
        for line in self.lines:
            for key in ("wavelength_nm", "linewidth_mhz", "dipole_au"):
                found[f"{line.name} {key}"] = getattr(line, key)
        return {name: number for name, number in found.items() if number is not None}


def known_species() -> dict[str, Species]:
    """The species that come with holo, by name.

    Returns
    -------
    dict of str to Species
        In the order of ``species.toml``.

    Examples
    --------
    >>> rubidium = known_species()["Rb-87"]
    >>> rubidium.lines[1].name, rubidium.lines[1].wavelength_nm.value
    ('D2', 780.241209686)
    >>> round(rubidium.lines[1].dipole / 2**0.5, 4)  # the convention of D. A. Steck
    4.2275
    """
    return parse_species(resources.files("holo").joinpath("species.toml").read_text(encoding="utf-8"), "species.toml")


def read_species(path: str | os.PathLike[str]) -> dict[str, Species]:
    """Read species of one's own from a TOML file, by name; they can be `like` a species that comes with holo.

    Parameters
    ----------
    path : path
        A TOML file, built as ``species.toml`` in the package, which says what each key means.

    Returns
    -------
    dict of str to Species
        Those of the file alone.

    Raises
    ------
    InputError
        With file, key, value found and values allowed, for anything missing, unknown, of the wrong type or out of range.
    """
    return parse_species(read_text(path), path, known_species())


def parse_species(text: str, path: str | os.PathLike[str], known: Mapping[str, Species] | None = None) -> dict[str, Species]:
    """Check the TOML `text` of species; `path` names it in messages, `known` are species that new ones can be `like`.

    Parameters
    ----------
    text : str
        Of the file.
    path : path
        Names the text in messages.
    known : mapping of str to Species, optional
        Species that new ones can be `like`.

    Returns
    -------
    dict of str to Species

    Raises
    ------
    InputError
        As `read_species`.

    Examples
    --------
    >>> text = '''
    ... [Rb-heavy]
    ... like = "Rb-87"
    ... mass_u = { value = 88.0, error = 0.1, source = "a guess" }
    ... '''
    >>> parse_species(text, "mine.toml", known_species())["Rb-heavy"].mass_u.source
    'a guess'
    """
    table = parse_toml(text, Path(path))
    found: dict[str, Species] = {}
    for name in table.keys:
        found[name] = _read_species(name, table.table(name), {**(known or {}), **found})
    if not found:
        raise InputError(f"{path}: found no species; needed: a table [NAME] for each")
    return found


def chosen_species(name: str, lines: str | os.PathLike[str] | None = None) -> Species:
    """The species of a name, from the user's file of lines if there is one, else from those that come with holo.

    Parameters
    ----------
    name : str
        As in ``Rb-87``.
    lines : path, optional
        A file of species of one's own (`read_species`), which come before those of holo.

    Returns
    -------
    Species

    Raises
    ------
    InputError
        If there is no such species; the message names those that there are.

    Examples
    --------
    >>> chosen_species("Rb87")
    Traceback (most recent call last):
    ...
    holo.errors.InputError: species: found 'Rb87'; did you mean 'Rb-87'? allowed: Rb-87, Rb-85, Cs-133, Na-23, K-39, ...
    """
    known = {**known_species(), **(read_species(lines) if lines is not None else {})}
    if name not in known:
        near = difflib.get_close_matches(name, known, 1)
        hint = f" did you mean {near[0]!r}?" if near else ""
        raise InputError(f"species: found {name!r};{hint} allowed: {', '.join(known)}, or your own in a file of lines")
    return known[name]


def level_offset_ghz(species: Species, level: float | None) -> float:
    """Energy over h of a hyperfine level F above the centre of gravity of the ground state; 0 for no level in particular.

    ``splitting I / (2 I + 1)`` for ``F = I + 1/2`` and ``-splitting (I + 1) / (2 I + 1)`` for ``F = I - 1/2`` (Lande's interval rule
    and the centre of gravity).

    Parameters
    ----------
    species : Species
    level : float or None
        F; None for none in particular.

    Returns
    -------
    float
        GHz.

    Raises
    ------
    InputError
        If the ground state has no such level.

    Examples
    --------
    >>> rubidium = known_species()["Rb-87"]
    >>> round(level_offset_ghz(rubidium, 2), 4), round(level_offset_ghz(rubidium, 1), 4)
    (2.563, -4.2717)
    """
    if level is None:
        return 0.0
    spin = species.nuclear_spin
    levels = (spin - 0.5, spin + 0.5) if species.hyperfine_ghz else (spin,)
    if level not in levels:
        raise InputError(f"level: found F = {level:g}; allowed for {species.name}: {' or '.join(f'{each:g}' for each in levels)}")
    if species.hyperfine_ghz is None:
        return 0.0
    share = spin / (2 * spin + 1) if level > spin else -(spin + 1) / (2 * spin + 1)
    return share * species.hyperfine_ghz.value


def _read_species(name: str, table: Table, known: Mapping[str, Species]) -> Species:
    like = table.text("like", tuple(known)) if "like" in table else None
    base = known[like] if like else None
    j = table.number("ground_j", 0, 0.5, base.ground_j if base else REQUIRED)
    if j not in (0, 0.5):
        raise table.wrong("ground_j", "0 or 0.5")
    spin = table.number("nuclear_spin", 0, 10, base.nuclear_spin if base else 0.0)
    if (2 * spin) % 1:
        raise table.wrong("nuclear_spin", "a multiple of 0.5")
    low, high = table.numbers("range_nm", 2, 100, 1e6, base.range_nm if base else REQUIRED)
    if low >= high:
        raise table.wrong("range_nm", "the shorter wavelength first")
    species = Species(
        name=name,
        mass_u=_number(table, "mass_u", 1, 300, base.mass_u if base else REQUIRED),
        ground_j=j,
        nuclear_spin=spin,
        hyperfine_ghz=_number(table, "hyperfine_ghz", -100, 100, base.hyperfine_ghz if base else None),
        range_nm=(low, high),
        remainder_au=_number(table, "remainder_au", -1000, 10000, base.remainder_au if base else REQUIRED),
        lines=_read_lines(table, j, base),
    )
    if species.hyperfine_ghz is not None and (j == 0 or spin == 0):
        raise table.problem("hyperfine_ghz", "found a splitting; allowed: only with ground_j = 0.5 and a nuclear_spin above 0")
    table.close()
    return species


def _read_lines(table: Table, ground_j: float, base: Species | None) -> tuple[Line, ...]:
    lines: dict[str, Line] = {line.name: line for line in base.lines} if base else {}
    own: Table | None = table.table("lines", None if base else REQUIRED)
    for name in own.keys if own else ():
        assert own is not None
        lines[name] = _read_line(name, own.table(name), ground_j, lines.get(name))
    if not lines:
        raise table.problem("lines", "found none; needed: at least one table [NAME.lines.LINE]")
    return tuple(lines.values())


def _read_line(name: str, table: Table, ground_j: float, base: Line | None) -> Line:
    upper = table.number("upper_j", 0, 1.5, base.upper_j if base else REQUIRED)
    allowed = (1.0,) if ground_j == 0 else (0.5, 1.5)
    if upper not in allowed:
        raise table.wrong("upper_j", " or ".join(f"{j:g}" for j in allowed))
    strengths = [key for key in ("linewidth_mhz", "dipole_au") if key in table]
    if len(strengths) > 1 or not (strengths or base):
        raise table.problem("linewidth_mhz", f"found {' and '.join(strengths) or 'nothing'}; needed: one of linewidth_mhz, dipole_au")
    inherited = base is not None and not strengths
    line = Line(
        name=name,
        wavelength_nm=_number(table, "wavelength_nm", 50, 1e5, base.wavelength_nm if base else REQUIRED),
        upper_j=upper,
        linewidth_mhz=_number(table, "linewidth_mhz", 1e-12, 1e4, base.linewidth_mhz if base and inherited else None),
        dipole_au=_number(table, "dipole_au", 1e-9, 100, base.dipole_au if base and inherited else None),
    )
    table.close()
    return line


def _number(table: Table, key: str, low: float, high: float, default: Any) -> Any:
    """Take ``key = { value, error, source }``."""
    try:
        inner: Any = table.table(key, default)
    except InputError:
        raise table.wrong(key, 'a table like { value = 1.5, error = 0.1, source = "where it is from" }') from None
    if not isinstance(inner, Table):
        return inner
    number = Number(
        inner.number("value", low, high, REQUIRED), inner.number("error", 0, high, REQUIRED), inner.text("source", default=REQUIRED)
    )
    inner.close()
    return number
