"""Jobs: many designs described in one file, lists of values multiplied out.

Paths start at the folder of the file. Conventions: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import difflib
import json
import math
import os
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from functools import lru_cache
from itertools import count, product
from pathlib import Path
from typing import Any

from holo.design import DesignOptions, check_sites, chosen_engine
from holo.design_smooth import check_options, placed_light
from holo.errors import InputError, naming
from holo.files import digest_of, read_text
from holo.record import Inputs, arrangement_source, bench_source, read_registration_source
from holo.registration import place
from holo.retrieve.dense import DenseOptions
from holo.starters import arrangement_file
from holo.tables import Table, parse_toml, shortened
from holo.toml_edit import changed_toml

FILES = ("arrangement", "bench", "registration")
"""Keys that name files."""

DENSE = tuple(option.name for option in fields(DenseOptions))
OPTIONS = (*(option.name for option in fields(DesignOptions) if option.name != "dense"), *DENSE)
"""Keys that are options of `holo design`."""

BENCH_TABLES = ("light", "panel", "optics", "camera", "lattice")
ARRANGEMENT_TABLES = ("add", "remove", "dark", "smooth")
TABLES = (*BENCH_TABLES, *ARRANGEMENT_TABLES)
"""First parts of dotted names that change a bench or an arrangement."""

KEYS = (*FILES, *OPTIONS, "report")
"""Keys that stand for themselves."""

MAX_JOBS = 100_000
"""Most jobs of one file."""

_NAME = re.compile(r"(?![.-])[\w.,=+-]{1,100}")
_NAME_RULE = "1 to 100 letters, digits and _ . , = + -, the first one neither . nor -"
_REALS = ("uniformity", "rms", *DENSE)


@dataclass(frozen=True, eq=False)
class Job:
    """One design.

    Attributes
    ----------
    name : str
        What its mask is called: letters, digits and ``_.,=+-``, no two the same.
    arrangement, bench : Path
    registration : Path or None
    options : DesignOptions
    changes : mapping of str to value
        New values of keys of the bench and of the arrangement, by dotted name (`holo.toml_edit.changed_toml`): ``light.power_mw``,
        ``add.1.target``. Their first part is one of `BENCH_TABLES` or `ARRANGEMENT_TABLES`.
    report : bool
        Whether to write a report as well.
    where : str
        Where the job is described, for messages.

    Examples
    --------
    >>> Job("ring", Path("ring.toml"), Path("bench.toml"), changes={"light.wavelength_nm": 780.0}).parameters()["light.wavelength_nm"]
    780.0
    """

    name: str
    arrangement: Path
    bench: Path
    registration: Path | None = None
    options: DesignOptions = DesignOptions()  # noqa: RUF009  a frozen record
    changes: Mapping[str, Any] = field(default_factory=dict)
    report: bool = False
    where: str = "job"

    def __post_init__(self) -> None:
        if not _NAME.fullmatch(self.name):
            raise InputError(f"{self.where}: name: found {shortened(self.name)}; allowed: {_NAME_RULE}")
        for key in self.changes:
            _check_key(key, self.where, ())

    def parameters(self) -> dict[str, Any]:
        """Everything that tells this job from others, for a table: files, options that are set, changes.

        Returns
        -------
        dict
            Numbers and texts; files as texts.
        """
        chosen = asdict(self.options) | asdict(self.options.dense or DenseOptions())
        del chosen["dense"]
        asked = {key: value for key, value in chosen.items() if value is not None and (key not in DENSE or self.options.dense is not None)}
        files = {key: str(value) for key in FILES if (value := getattr(self, key)) is not None}
        return {**files, **asked, **self.changes}


# ---------------------------------------------------------------------------------------------------------------------
# reading a file of jobs


def read_jobs(path: str | os.PathLike[str]) -> tuple[Job, ...]:
    r"""Read a file of jobs and multiply out its lists.

    Parameters
    ----------
    path : path
        TOML with the following tables, all of them optional but not all at once.

        ``[common]``
            Keys of all jobs: ``arrangement`` (a file, or the name of a starter pattern), ``bench``, ``registration``; the options of
            ``holo design`` with ``_`` for ``-``; ``report = true``; any key of the bench or the arrangement by its dotted name,
            as ``light.power_mw``, ``dark.margin`` or ``add.1.target``, the ``target`` of the first ``[[add]]``.
        ``[[job]]``
            Keys of one job, which go before those of ``[common]``; ``name``, by default that of the arrangement; and a table
            ``[job.sweep]`` for lists of this job's own.
        ``[sweep]``
            Lists of values: each of the jobs is made with each value, and with each combination where there are several lists.

    Returns
    -------
    tuple of Job
        In the order of the file, the last list going round fastest. Their files have not been read; see `Checker`.

    Raises
    ------
    InputError
        With file, table and key: what is missing, unknown (with the nearest known key), given twice or out of range.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "jobs.toml"
    ...     _ = path.write_text('[common]\nbench = "bench.toml"\n[sweep]\narrangement = ["ring", "block"]\nseed = [0, 1]')
    ...     [job.name for job in read_jobs(path)]
    ['ring_seed=0', 'ring_seed=1', 'block_seed=0', 'block_seed=1']
    """
    path = Path(path)
    root = parse_toml(read_text(path), path)
    root.text("title")
    common, tables, lists = root.table("common"), root.tables("job"), root.table("sweep")
    root.close()
    if not (common or tables or lists):
        raise InputError(f"{path}: found no job; allowed: tables [common], [[job]] and [sweep]")
    called = Counter(table.text("name") for table in tables if "name" in table)
    if called and max(called.values()) > 1:
        raise InputError(f"{path}: job: name: found {called.most_common(1)[0][0]!r} more than once; allowed: names that differ")
    shared, swept = _settings(common or Table({}, path)), _lists(lists or Table({}, path))
    drafts = [draft for table in tables or [Table({}, path)] for draft in _drafts(table, shared, swept)]
    if len(drafts) > MAX_JOBS:
        raise InputError(f"{path}: found {len(drafts)} jobs; allowed: at most {MAX_JOBS}")
    return tuple(replace(job, name=name) for (job, _), name in zip(drafts, _names([name for _, name in drafts]), strict=True))


def _settings(table: Table, own: Sequence[str] = ()) -> dict[str, Any]:
    """Values of a table by dotted name, but for keys of its own."""
    with naming(_place(table)):
        found = dict(_flat({key: value for key, value in table.content().items() if key not in own}))
    for key in found:
        _check_key(key, _place(table), KEYS, own)
    return found


def _lists(table: Table) -> dict[str, list[Any]]:
    """Values of a table of lists by dotted name."""
    found = _settings(table)
    for key, values in found.items():
        if not isinstance(values, list) or not values:
            raise InputError(f"{_place(table)}: {key}: found {shortened(values)}; allowed: a list of the values to go through")
    return found


def _place(table: Table) -> str:
    return f"{table.path}: {table.where}" if table.where else str(table.path)


def _flat(content: Mapping[str, Any], where: str = "") -> Iterator[tuple[str, Any]]:
    for key, value in content.items():
        name = f"{where}.{key}" if where else key
        if isinstance(value, dict):
            if name.count(".") > 8:  # deeper than any table of a bench or an arrangement
                raise InputError(f"{shortened(name)}: found tables in tables; allowed: keys of a bench or an arrangement")
            yield from _flat(value, name)
        else:
            yield name, value


def _check_key(key: str, where: str, plain: Sequence[str], own: Sequence[str] = ()) -> None:
    """Refuse a dotted name that begins as no key does; what follows is for the reader of the bench or the arrangement to judge."""
    first, _, rest = key.partition(".")
    if (first in TABLES and rest) or (first in plain and not rest):
        return
    if first in TABLES:
        raise InputError(f"{where}: {key}: found one value; allowed: keys of that table, as {first}.KEY = ...")
    near = difflib.get_close_matches(first, (*plain, *own, *TABLES), 1, 0.5)
    hint = f"; nearest known key: {near[0]!r}" if near else ""
    raise InputError(f"{where}: {key}: unknown key{hint}; allowed keys: {', '.join([*own, *plain, *(f'{name}.KEY' for name in TABLES)])}")


def _drafts(table: Table, common: Mapping[str, Any], sweep: Mapping[str, list[Any]]) -> Iterator[tuple[Job, str]]:
    """Jobs of one table with what their names are to be."""
    where, given, lists = _place(table), table.text("name"), _lists(table.table("sweep") or Table({}, table.path))
    own = _settings(table, ("name", "sweep"))
    for one, other, heading in ((lists, own, "[job.sweep]"), (sweep, {**own, **lists}, "[sweep]")):
        for key in one:
            if key in other:
                raise InputError(f"{where}: {key}: found here and under {heading}; allowed: one of them")
    swept = dict(sorted([*lists.items(), *sweep.items()], key=lambda entry: entry[0] != "arrangement"))
    total = math.prod(map(len, swept.values()))
    if total > MAX_JOBS:
        raise InputError(f"{where}: found {total} combinations; allowed: at most {MAX_JOBS} jobs")
    for picks in product(*(list(enumerate(values, 1)) for values in swept.values())):
        values = dict(zip(swept, picks, strict=True))
        job = _job(table.path, where, {**common, **own, **{key: value for key, (_, value) in values.items()}})
        yield job, _name(given, job, values)


def _job(path: Path, where: str, settings: Mapping[str, Any]) -> Job:
    with naming(where):
        files = {key: _text(settings, key) for key in FILES}
        for key in ("arrangement", "bench"):
            if files[key] is None:
                raise InputError(f"{key}: missing; needed: the name of a file{' or of a starter pattern' if key == 'arrangement' else ''}")
        report = settings.get("report", False)
        if not isinstance(report, bool):
            raise InputError(f"report: found {shortened(report)}; allowed: true or false")
        return Job(
            "draft",
            arrangement_file(files["arrangement"] or "", path.parent),
            path.parent / (files["bench"] or ""),
            None if files["registration"] is None else path.parent / files["registration"],
            _options({key: settings[key] for key in OPTIONS if key in settings}),
            {key: value for key, value in settings.items() if key not in KEYS},
            report,
            where,
        )


def _text(settings: Mapping[str, Any], key: str) -> str | None:
    value = settings.get(key)
    if value is not None and (not isinstance(value, str) or not value or "\0" in value):
        raise InputError(f"{key}: found {shortened(value)}; allowed: one name of a file; a list belongs under [sweep] or [job.sweep]")
    return value


def _options(given: dict[str, Any]) -> DesignOptions:
    """Options of a design; whole numbers do for real ones, and a number for an angle."""
    for key, value in given.items():
        if not isinstance(value, str | int | float):
            raise InputError(f"{key}: found {shortened(value)}; allowed: one value; a list belongs under [sweep] or [job.sweep]")
        if key in _REALS and type(value) is int and abs(value) < 10**300:
            given[key] = float(value)
    if "polarisation" in given:
        given["polarisation"] = str(given["polarisation"])
    dense = {key: given.pop(key) for key in DENSE if key in given}
    return DesignOptions(**given, dense=DenseOptions(**dense) if dense else None)


# ---------------------------------------------------------------------------------------------------------------------
# names


def _name(given: str | None, job: Job, swept: Mapping[str, tuple[int, Any]]) -> str:
    """Say what tells a job from the others: its name, and the values it takes from lists, with their places there."""
    if given is not None and not _NAME.fullmatch(given):
        raise InputError(f"{job.where}: name: found {shortened(given)}; allowed: {_NAME_RULE}")
    first = given or ("" if "arrangement" in swept else _slug(job.arrangement.stem))
    last = Counter(key.rpartition(".")[2] for key in swept)
    parts = [first] if first else []
    for key, (number, value) in swept.items():
        short = key.rpartition(".")[2]
        label = "" if key in FILES else f"{short if last[short] == 1 else key}="
        parts.append(label + _word(key, value, number))
    return "_".join(parts)


def _word(key: str, value: object, number: int) -> str:
    """Write a value for a name: numbers as they are, texts as far as a file may be called so, all else by its place in the list."""
    if isinstance(value, float):
        return f"{value:g}" if float(f"{value:g}") == value else repr(value)
    if isinstance(value, int):  # true and false too
        return str(value).lower()[:40]
    return (_slug(Path(value).stem if key in FILES else value) if isinstance(value, str) else "") or str(number)


def _slug(text: str) -> str:
    return re.sub(r"[^\w.,=+-]+", "-", text)[:60].strip(".-")


def _names(wanted: Iterable[str]) -> list[str]:
    """Names of all jobs; those that come out the same get numbers, also where only capitals differ, as for many file systems."""
    taken: set[str] = set()
    numbers: dict[str, Iterator[int]] = {}
    names = []
    for name in wanted:
        first = name = name[:90].strip(".-") or "job"
        while name.casefold() in taken:
            name = f"{first}-{next(numbers.setdefault(first.casefold(), count(2)))}"
        taken.add(name.casefold())
        names.append(name)
    return names


# ---------------------------------------------------------------------------------------------------------------------
# reading what a job names


class Checker:
    """Reads the inputs of jobs one after the other, files that the last few had in common once.

    What has been read is kept as it was then, however its files change.
    """

    def __init__(self) -> None:
        self._bench = lru_cache(4)(bench_source)
        self._arrangement = lru_cache(16)(arrangement_source)
        self._registration = lru_cache(4)(read_registration_source)

    def inputs(self, job: Job) -> Inputs:
        """Read what a job names, with its changes; raises `InputError` with job, file and key.

        Parameters
        ----------
        job : Job
            Of a job file.

        Returns
        -------
        Inputs
            As a design takes them.

        Raises
        ------
        InputError
            With job, file and key.
        """
        with naming(f"{job.where}: job {job.name}"):
            text = changed_toml(read_text(job.bench), job.bench, _starting(job.changes, BENCH_TABLES))
            bench, bench_from = self._bench(text, job.bench)
            text = changed_toml(read_text(job.arrangement), job.arrangement, _starting(job.changes, ARRANGEMENT_TABLES))
            arrangement, arrangement_from = self._arrangement(text, job.arrangement, bench.lattice)
            measured, measured_from = (None, None) if job.registration is None else self._registration(job.registration)
        sources = {"bench": bench_from, "arrangement": arrangement_from, "registration": measured_from}
        return Inputs(bench, arrangement, measured, sources)

    def check(self, job: Job) -> str:
        """Refuse a job that cannot be done, as far as that is known without doing it.

        Parameters
        ----------
        job : Job
            Of a job file.

        Returns
        -------
        str
            Digest of all that its mask depends on: texts, side files, options; not of where the files lie.

        Raises
        ------
        InputError
            With job, file and key.
        """
        inputs = self.inputs(job)
        with naming(f"{job.where}: job {job.name}"):
            _feasible(inputs, job.options)
        return inputs_digest(inputs, job)


def _feasible(inputs: Inputs, options: DesignOptions) -> None:
    """Refuse what a design would refuse before it begins to search."""
    if inputs.arrangement.smooth is not None:
        check_options(options)
        placed_light(inputs.bench, inputs.arrangement, inputs.registration)
        return
    if options.rms is not None:
        raise InputError(f"rms: found {options.rms:g}; allowed: with continuous light, a table [smooth] in the arrangement")
    sites = place(inputs.arrangement, inputs.bench.lattice, inputs.registration)
    check_sites(inputs.bench, sites, chosen_engine(inputs.bench, sites, options).name)


def inputs_digest(inputs: Inputs, job: Job) -> str:
    """Digest of all that the results of a job depend on.

    Parameters
    ----------
    inputs : Inputs
        As read, with changes.
    job : Job
        Its options that are not the usual ones count, and whether a report is wanted.

    Returns
    -------
    str
        As `holo.files.digest_of`.
    """
    sources = {name: source and source["digest"] for name, source in inputs.sources.items()}
    usual = asdict(DesignOptions())  # left out, so that options of later versions change nothing
    chosen = {key: value for key, value in asdict(job.options).items() if value != usual[key]}
    return digest_of(json.dumps([sources, chosen, job.report], sort_keys=True).encode())


def _starting(changes: Mapping[str, Any], tables: Sequence[str]) -> dict[str, Any]:
    return {key: value for key, value in changes.items() if key.partition(".")[0] in tables}
