"""``holo serve``: masks for a control program, over HTTP."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from holo.starters import arrangement_file

from . import options
from .output import note, show, warn

if TYPE_CHECKING:
    from holo.rearranger import RearrangeOptions
    from holo.service import Setting

TOKEN = "HOLO_TOKEN"
"""Name of the environment variable with the token."""


@click.command()
@click.argument("folder", type=options.FILE)
@options.bench
@options.registration
@click.option("--wanted", type=options.FILE, metavar="ARRANGEMENT", help="Wanted sites, to be asked for the moves that fill them.")
@click.option("--reservoir", type=options.FILE, metavar="CSV", help="Sites that may hold an atom, columns i and j, for the same.")
@click.option("--spare", type=click.Choice(["drop", "park"]), default="drop", show_default=True, help="What becomes of spare atoms.")
@click.option("--lowest", type=float, default=0.75, show_default=True, help="Least light of a trap in a transition; 0 does not look at it.")
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen at; any but this machine's own needs a token.")
@click.option("--port", type=click.IntRange(0, 65535), default=8420, show_default=True, help="Port; 0 lets the system choose.")
@click.option("--token-file", type=options.FILE, help=f"File with the token that clients must show; else the environment variable {TOKEN}.")
@click.option("--connections", type=click.IntRange(1, 60000), default=1024, show_default=True, help="Most clients at a time.")
@click.option("--waiting", type=click.IntRange(0, 10000), default=16, show_default=True, help="Most requests for work that wait.")
@click.option("--work-s", type=click.FloatRange(1, 86400), default=600.0, show_default=True, help="Longest time for one piece of work.")
@click.option("--grace-s", type=click.FloatRange(0, 86400), default=30.0, show_default=True, help="Time to finish what runs, on stopping.")
@click.option(
    "--memory-mb", type=click.IntRange(0, 10**6), default=256, show_default=True, help="Most memory for masks that were asked for."
)
@options.as_json
def command(
    folder: Path,
    bench: Path,
    registration: Path | None,
    wanted: Path | None,
    reservoir: Path | None,
    spare: str,
    lowest: float,
    host: str,
    port: int,
    token_file: Path | None,
    connections: int,
    waiting: int,
    work_s: float,
    grace_s: float,
    memory_mb: int,
    as_json: bool,
) -> None:
    """Serve masks to the program that runs the experiment.

    FOLDER holds the masks and their manifest.json ("holo manifest", "holo rearrange"), and takes
    the new ones. The service is described at /openapi.json. It runs until it is interrupted
    (Ctrl-C, SIGTERM): what is being answered is finished first.
    """
    from dataclasses import replace

    from holo.bench import bench_warnings
    from holo.moves import MoveOptions
    from holo.rearranger import RearrangeOptions
    from holo.serve import Limits, Server, guarded, run
    from holo.service import Service
    from holo.shelf import Shelf

    token = _token(token_file)
    guard = guarded(host, token)
    wanted_options = RearrangeOptions(spare=spare, moves=MoveOptions(lowest=lowest or None))
    setting = replace(_setting(bench, registration, wanted, reservoir, wanted_options), waiting=waiting, work_s=work_s)
    shelf = Shelf(folder, setting.bench.panel, memory_mb * 2**20)
    service = Service(setting, shelf, token is not None)
    server = Server(service, Limits(connections=connections, grace_s=grace_s), guard, note)
    warn(bench_warnings(setting.bench))
    if not guard.hosts:
        warn([f"{host}: others can reach this service; the token and all else travel unencrypted"])

    def ready(found: int) -> None:
        name = f"[{host}]" if ":" in host else host
        masks = len(shelf.manifest().masks)
        show({"url": f"http://{name}:{found}", "folder": folder, "masks": masks, "token": token is not None}, as_json)

    try:
        run(server, host, port, ready=ready, close=service.close, abort=service.abort)
    finally:
        service.abort()
        service.end()
    note(f"stopped; {server.answered} requests answered")


def _token(file: Path | None) -> bytes | None:
    """Give the token of a file, or of the environment; None without."""
    import os

    from holo.files import read_text
    from holo.serve import check_token

    if file is not None:
        return check_token(read_text(file), str(file))
    return check_token(os.environ[TOKEN], TOKEN) if TOKEN in os.environ else None


def _setting(
    bench_file: Path, registration_file: Path | None, wanted: Path | None, reservoir: Path | None, chosen: RearrangeOptions
) -> Setting:
    """Read what the service works with, and prepare for moves if they are to be asked for."""
    from holo.arrangement import from_sites, read_arrangement
    from holo.errors import InputError, naming
    from holo.files import read_csv
    from holo.rearranger import Rearranger
    from holo.record import read_bench_source, read_registration_source
    from holo.registration import place
    from holo.service import Setting

    if (wanted is None) != (reservoir is None):
        raise InputError("found one of --wanted and --reservoir; allowed: both, or neither")
    bench, source = read_bench_source(bench_file)
    registration, registered = (None, None) if registration_file is None else read_registration_source(registration_file)
    sources: dict[str, Any] = {"bench": source, "registration": registered}
    if wanted is None or reservoir is None:
        return Setting(bench, registration, sources)
    sites = place(read_arrangement(arrangement_file(wanted), bench.lattice), bench.lattice, registration)
    columns = read_csv(reservoir, ("i", "j"), others=True)
    with naming(reservoir):
        places = from_sites([*zip(columns["i"], columns["j"], strict=True)])
        ready = Rearranger(bench, place(places, bench.lattice, registration).xyz_um, sites, chosen)
    return Setting(bench, registration, sources, ready, places.ij)
