"""``holo show``: a mask, or a sequence of masks, on the panel's screen."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from . import options
from .output import note, show, warn

if TYPE_CHECKING:
    from holo.mask import Levels
    from holo.player import Played, Player
    from holo.screen import Screen

CAUTION = (
    "caution: a new mask moves the light at once, and a blank panel sends all of it into the undiffracted spot; start at low power, and"
    " follow your laser safety officer, the panel's data sheet and the local rules"
)


@click.command()
@click.argument("mask", type=options.FILE, required=False)
@click.option("--list", "listing", is_flag=True, help="List the screens that are connected, and show nothing.")
@click.option("--screen", type=int, metavar="N", help="Number of the screen; by default the one that has the size of the mask.")
@click.option(
    "--at", type=int, nargs=2, metavar="X Y", default=(0, 0), help="Pixel of a larger screen for the top left corner of the mask."
)
@click.option("--pack", default="grey", show_default=True, metavar="P", help="How levels become colours: grey, 256r+g, 4g+r, or bits.")
@click.option("--blank", type=int, metavar="L", default=0, show_default=True, help="Level before, around and after the masks.")
@click.option(
    "--seconds", type=float, metavar="S", help="End by itself: this long after the last mask, or after the start (--key, --trigger)."
)
@click.option("--rate", type=float, metavar="HZ", help="Masks of a sequence a second; by default those of its manifest.")
@click.option("--key", is_flag=True, help="The masks of a sequence by key: right arrow or space, left arrow.")
@click.option(
    "--trigger", type=options.FILE, metavar="FILE", help="The mask whose number, from 0, stands in this file, looked at all the time."
)
@options.as_json
@click.pass_context
def command(
    context: click.Context,
    mask: Path | None,
    listing: bool,
    screen: int | None,
    at: tuple[int, int],
    pack: str,
    blank: int,
    seconds: float | None,
    rate: float | None,
    key: bool,
    trigger: Path | None,
    as_json: bool,
) -> None:
    """Show a mask, or a sequence of masks, on the panel's screen.

    MASK is a mask file, or a set: a manifest, its folder, or the file of many pages beside it. It is shown
    on the whole screen, pixel for pixel, its levels as they are, until Esc, Ctrl-C or --seconds; then
    the screen is blank.

    --pack says how the bits of a level lie in the colours of a pixel: grey (8 bits, the same in red,
    green and blue), 256r+g (level = 256 red + green), 4g+r (level = 4 green + red), or bit by
    bit, eight characters for each of red/green/blue from the highest bit down, such as
    ......10/98765432/........ for 4g+r. The panel's data sheet tells.
    """
    if listing:
        from holo.screen import screens

        found = screens()
        show({"found": len(found), "screens": [asdict(place) for place in found]}, as_json)
        return
    if mask is None:
        raise click.UsageError("needed: MASK, or --list", context)
    if sum([rate is not None, key, trigger is not None]) > 1:
        raise click.UsageError("found several of --rate, --key and --trigger; allowed: one of them", context)
    with _opened(mask) as shown:
        if not shown.sequence and (key or trigger or rate is not None):
            raise click.UsageError(f"found --rate, --key or --trigger for {mask}, one mask; allowed: with a sequence", context)
        period_s = _period_s(mask, shown, rate, timed=not (key or trigger))

        def play(player: Player) -> Played:
            if key or trigger:
                return player.by_wish(trigger, lambda text: warn([text]), seconds)
            return player.by_clock(period_s, seconds)

        result = _shown(shown, play, screen, at, pack, blank)
    show({"mask": mask, **result}, as_json)
    if not (key or trigger) and result["shown"] < shown.count:
        note(f"error: ended by {result['ended_by']} after {result['shown']} of {shown.count} masks")
        context.exit(1)


@dataclass(frozen=True)
class _Masks:
    """Masks to show: how many, of which shape, from where, and the time from one to the next if they are a sequence."""

    count: int
    shape: tuple[int, int]
    load: Callable[[int], Levels]
    sequence: bool
    period_ms: float | None
    cautions: list[str]


@contextmanager
def _opened(path: Path) -> Iterator[_Masks]:
    """Open a mask file or a sequence."""
    from holo.errors import InputError
    from holo.manifest import even_period_ms, manifest_file, opened_levels, read_manifest
    from holo.mask import read_mask

    where = manifest_file(path)
    if where is not None:
        found = read_manifest(where)
        if not found.masks:
            raise InputError(f"{where}: found no masks; allowed: one or more")
        with opened_levels(where, found) as load:
            yield _Masks(len(found.masks), (found.rows, found.columns), load, True, even_period_ms(found), [])
    else:
        mask = read_mask(path)
        rows, columns = mask.levels.shape
        yield _Masks(1, (rows, columns), lambda number: mask.levels, False, None, _cautions(mask.record))


def _cautions(record: dict[str, Any]) -> list[str]:
    """Warnings of the bench that a mask was made for, if that can still be read."""
    from holo.bench import bench_warnings, parse_bench
    from holo.errors import InputError

    try:
        return list(bench_warnings(parse_bench(record["bench"]["text"], record["bench"]["path"] or "bench.toml")))
    except InputError:
        return []


def _period_s(path: Path, masks: _Masks, rate: float | None, *, timed: bool) -> float:
    """Time from one mask to the next; 1 s where it does not matter."""
    from holo.errors import InputError
    from holo.player import FASTEST_HZ

    if rate is not None and not 1 / 3600 <= rate <= FASTEST_HZ:
        raise InputError(f"--rate: found {rate:g}; allowed: from {1 / 3600:.2g} to {FASTEST_HZ:g} a second")
    if rate is not None:
        return 1 / rate
    if timed and masks.count > 1 and masks.period_ms is None:
        raise InputError(f"{path}: its masks have no times, or uneven ones; needed: --rate, --key or --trigger")
    return (masks.period_ms or 1e3) / 1e3


def _shown(
    masks: _Masks, play: Callable[[Player], Played], number: int | None, at: tuple[int, int], pack: str, blank: int
) -> dict[str, Any]:
    """Show masks on a screen, and give what there is to say."""
    from holo.player import Player, ending_by_signal
    from holo.screen import check_levels, packing, showing

    colours = packing(pack)
    check_levels(masks.load(0), colours)
    with ending_by_signal() as ending, showing(masks.shape, colours, number=number, at=at, blank=blank) as screen:
        warn(masks.cautions)
        _announce(screen, masks.count)
        played = play(Player(screen, masks.load, masks.count, ending))
    found = played.summary()
    place = screen.place
    return {
        "screen": place.number,
        "columns": place.columns,
        "rows": place.rows,
        "driver": screen.driver,
        "pack": pack,
        "waits_for_screen": screen.refresh_s is not None,
        **(found if masks.count > 1 else {"shown": found["shown"], "ended_by": found["ended_by"]}),
        "late": [{"frame": frame, "periods": periods} for frame, periods in played.dropped],
    }


def _announce(screen: Screen, count: int) -> None:
    from holo.screen import UNSEEN

    note(CAUTION)
    if screen.driver in UNSEEN:
        warn([f"the video driver is {screen.driver!r}: nothing can be seen on any screen"])
    note(f"{count} mask{'s' if count > 1 else ''} on screen {screen.place}: Esc or Ctrl-C ends it and leaves it blank")
