"""What the service for a control program answers: masks by name, designs, nudges, frames for an occupancy, the panel's state.

Requests are JSON, read as strictly as the files of holo are: nothing in them is evaluated, and no path of theirs is opened. Masks come
from and go to one folder (`holo.shelf.Shelf`); arrangements come from it, too, and may not name files outside it.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import quote

import numpy as np
from numpy.typing import NDArray

from holo import __version__
from holo.arrangement import Arrangement, from_sites
from holo.bench import Bench, bench_warnings
from holo.design import DesignOptions, check_nudged, design
from holo.design_smooth import design_smooth, placed_light
from holo.errors import HoloError, InputError, OutputExistsError, RearrangementError, RetrievalError, naming
from holo.field.path import light_path
from holo.files import digest_of
from holo.manifest import FORBIDDEN, LONGEST_NAME, Entry, check_name, entry_listed, inside, listed, raw_levels
from holo.mask import FARTHEST_NUDGE_UM, nudge_mask
from holo.moves import MoveFrame, told
from holo.openapi import Route, description, found_route
from holo.rearranger import Answer, Latency, Rearranger, told_plan
from holo.record import Source, read_arrangement_source, sources_of
from holo.registration import Registration, place
from holo.retrieve.spots import EFFORTS
from holo.sequence import panel_levels
from holo.serve import Refusal, Reply, Request, json_reply
from holo.shelf import FORMATS, Shelf
from holo.tables import REQUIRED, Table, parse_json, shortened
from holo.transition import share_after
from holo.work import Ended, Lane, Watch

Result = TypeVar("Result")

KINDS = {"raw": "application/octet-stream", "npy": "application/x-npy", "tiff": "image/tiff"}
"""Media types of `holo.shelf.FORMATS`."""

FRAMES_KIND = "application/x-holo-frames"
"""Media type of frames: lines of JSON, each followed by as many bytes as it says (`Service.moves`)."""

MOST_SITES = 100_000
"""Most sites that a request may name."""


@dataclass(frozen=True, eq=False)
class Setting:
    """What a service works with.

    Attributes
    ----------
    bench : Bench
    registration : Registration or None
    sources : dict
        What records are to say of bench and registration (`holo.record.read_inputs`).
    rearranger : Rearranger or None
        Prepared for the occupancies that are asked about; None if none are to be.
    reservoir_ij : ndarray, shape (sites, 2)
        Lattice coordinates of its reservoir.
    waiting : int
        Most requests of each kind that wait while one is worked on.
    work_s : float
        Longest time that one may take.
    """

    bench: Bench
    registration: Registration | None
    sources: dict[str, Source | None]
    rearranger: Rearranger | None = None
    reservoir_ij: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))
    waiting: int = 16
    work_s: float = 600.0


class Service:
    """Answers requests about one panel and one folder of masks.

    Parameters
    ----------
    setting : Setting
    shelf : Shelf
        For the panel of the same bench.
    token : bool
        Whether the description is to say that a token is asked for.

    Notes
    -----
    Designs, nudges and moves have a lane each (`holo.work.Lane`), so that a long design holds up no frames; masks that are not in memory
    are read by one thread, and so are arrangements. The levels of a mask in memory are answered at once.
    """

    def __init__(self, setting: Setting, shelf: Shelf, token: bool = False) -> None:
        self.setting, self.shelf = setting, shelf
        self.path = light_path(setting.bench)
        self.lanes = {name: Lane(name, setting.waiting, setting.work_s) for name in ("designs", "nudges", "moves")}
        self._reading = ThreadPoolExecutor(1, thread_name_prefix="reading")
        self._handed: dict[str, Any] | None = None
        self._latency: dict[str, float] | None = None
        self._began = time.monotonic()
        self._listing = (shelf.manifest(), json_reply(listed(shelf.manifest())))
        self.routes = self._table()
        self._description = description(self.routes, "holo: masks for the panel", token)

    def _table(self) -> tuple[Route, ...]:
        form = {"format": ({"type": "string", "enum": [*FORMATS], "default": "tiff"}, "As what the levels are given out.")}
        return (
            Route("GET", "/", "What this service is and has.", self.root),
            Route("GET", "/openapi.json", "This description.", self.openapi),
            Route("GET", "/panel", "State and timing of the panel and of the work for it.", self.panel),
            Route("GET", "/masks", "The manifest of all masks, in their order.", self.masks),
            Route("GET", "/masks/{name}", "What is known of a mask.", self.mask, (200, 404)),
            Route("GET", "/masks/{name}/levels", "The levels of a mask.", self.levels, (200, 400, 404), tuple(KINDS.values()), form),
            Route("POST", "/designs", "Design a mask.", self.designs, (201, 400, 404, 409), body=DESIGN),
            Route("POST", "/nudges", "Move or refocus the light of a mask.", self.nudges, (201, 400, 404, 409), body=NUDGE),
            Route("POST", "/moves", MOVES_SUMMARY, self.moves, (200, 400, 409), (FRAMES_KIND,), body=MOVES),
        )

    async def __call__(self, request: Request) -> Reply:
        """Answer a request; raises `Refusal`."""
        route, variable = found_route(self.routes, request)
        if route.body is not None and request.headers.get("content-type", "").split(";")[0].strip().lower() != "application/json":
            raise Refusal(415, f"Content-Type: found {request.headers.get('content-type', '')[:80]!r}; allowed: application/json")
        try:
            return await route.answer(request, variable)
        except OutputExistsError as error:
            raise Refusal(409, str(error)) from error
        except InputError as error:
            raise Refusal(400, str(error)) from error
        except (RetrievalError, RearrangementError) as error:
            raise Refusal(409, str(error)) from error
        except MemoryError as error:
            raise Refusal(503, f"not enough memory ({error or 'no details'})", Retry_After="10") from error

    def close(self) -> None:
        """Answer what waits with 503."""
        for lane in self.lanes.values():
            lane.close()

    def abort(self) -> None:
        """Have all work give up."""
        for lane in self.lanes.values():
            lane.abort()

    def end(self) -> None:
        """Wait for the threads."""
        for lane in self.lanes.values():
            lane.end()
        self._reading.shutdown(wait=True, cancel_futures=True)

    # -----------------------------------------------------------------------------------------------------------------
    # what is there

    async def root(self, request: Request, variable: Mapping[str, str]) -> Reply:
        """Say what this is."""
        routes = [f"{route.method} {route.path}" for route in self.routes]
        return json_reply({"service": "holo", "version": __version__, "bench": self.setting.bench.name, "routes": routes})

    async def openapi(self, request: Request, variable: Mapping[str, str]) -> Reply:
        """Describe the routes."""
        return json_reply(self._description)

    async def panel(self, request: Request, variable: Mapping[str, str]) -> Reply:
        """Tell the panel's numbers, which mask was handed out last, how long frames took, and how busy the service is."""
        bench, panel = self.setting.bench, self.setting.bench.panel
        frame_ms = None if panel.frame_rate_hz is None else 1000 / panel.frame_rate_hz
        manifest = _served(self.shelf.manifest)
        return json_reply(
            {
                "bench": bench.name,
                "rows": panel.rows,
                "columns": panel.columns,
                "levels": panel.levels,
                "type": manifest.type,
                "frame_rate_hz": panel.frame_rate_hz,
                "frame_ms": frame_ms,
                "settling_ms": panel.settling_ms,
                "settled_share": None if frame_ms is None else share_after(frame_ms, panel.settling_ms or 0.0),
                "handed_out": self._handed,
                "moves": self._latency,
                "reservoir": len(self.setting.reservoir_ij),
                "masks": len(manifest.masks),
                "memory_bytes": self.shelf.used_bytes,
                "work": {name: lane.told() for name, lane in self.lanes.items()},
                "up_s": time.monotonic() - self._began,
            }
        )

    async def masks(self, request: Request, variable: Mapping[str, str]) -> Reply:
        """List the masks."""
        manifest = _served(self.shelf.manifest)
        if manifest is not self._listing[0]:
            self._listing = (manifest, json_reply(listed(manifest)))
        return self._listing[1]

    async def mask(self, request: Request, variable: Mapping[str, str]) -> Reply:
        """Tell what the manifest says of a mask."""
        return json_reply(entry_listed(self._entry(variable["name"])))

    async def levels(self, request: Request, variable: Mapping[str, str]) -> Reply:
        """Give out the levels of a mask."""
        form = request.query.get("format", "tiff")
        if form not in FORMATS:
            raise Refusal(400, f"query: format: found {form[:80]!r}; allowed: {', '.join(FORMATS)}")
        entry = self._entry(variable["name"])
        body = self.shelf.kept(entry, form)
        if body is None:
            body = await asyncio.get_running_loop().run_in_executor(self._reading, _served, lambda: self.shelf.given(entry, form))
        self._hand_out(entry.name, entry.digest)
        panel = self.setting.bench.panel
        about = {"X-Rows": str(panel.rows), "X-Columns": str(panel.columns), "X-Digest": entry.digest}
        return Reply(200, body, KINDS[form], about)

    def _entry(self, name: str) -> Entry:
        """Find a mask; 404 if there is none."""
        entry = _served(lambda: self.shelf.entry(name))
        if entry is None:
            raise Refusal(404, f"name: found {name[:200]!r}; allowed: one of the {len(self.shelf.manifest().masks)} that GET /masks lists")
        return entry

    def _hand_out(self, name: str, digest: str) -> None:
        self._handed = {"name": name, "digest": digest, "time": datetime.now(UTC).isoformat(timespec="milliseconds")}

    # -----------------------------------------------------------------------------------------------------------------
    # what is made

    async def designs(self, request: Request, variable: Mapping[str, str]) -> Reply:
        """Design a mask, put it on the shelf and tell its figures."""
        table = _table(request)
        name = self._new_name(table)
        options = _design_options(table)
        arrangement, source = await asyncio.get_running_loop().run_in_executor(self._reading, self._arrangement, table)
        return _made(name, await self.lanes["designs"].run(lambda watch: self._design(name, arrangement, source, options, watch)))

    def _new_name(self, table: Table) -> str:
        name: str = table.text("name", default=REQUIRED)
        with naming("request"):
            check_name(name)
        _served(self.shelf.manifest)
        self.shelf.check_free(name)
        return name

    def _arrangement(self, table: Table) -> tuple[Arrangement, Source | None]:
        """The arrangement that a request names or lists; one of its own has no file that the record could tell."""
        lattice = self.setting.bench.lattice
        name, sites = table.text("arrangement"), table.rows("sites", 2, -1e6, 1e6)
        if (name is None) == (sites is None):
            raise InputError(f"request: found {'neither' if name is None else 'both'}; allowed: one of arrangement and sites")
        if sites is None:
            table.close()
            with naming("request: arrangement"):
                check_name(name)
                file = inside(self.shelf.folder, f"{name}.toml")
                if not file.is_file():
                    raise Refusal(404, f"request: arrangement: found {name!r}; allowed: the name of a .toml file in the served folder")
                return read_arrangement_source(file, lattice, confined=True)
        if len(sites) > MOST_SITES:
            raise InputError(f"request: sites: found {len(sites)}; allowed: at most {MOST_SITES}")
        target = table.numbers("targets", len(sites), 0, 1e6, (1.0,) * len(sites))
        z_um = table.numbers("z_um", len(sites), -1e4, 1e4, (0.0,) * len(sites))
        table.close()
        with naming("request"):
            return from_sites(sites, target, z_um), None

    def _design(
        self, name: str, arrangement: Arrangement, source: Source | None, options: DesignOptions, watch: Watch
    ) -> tuple[Entry, dict[str, Any]]:
        """Work in the thread: design and write."""
        bench, registration = self.setting.bench, self.setting.registration
        sources = {**self.setting.sources, "arrangement": source or sources_of(bench, arrangement)["arrangement"]}
        watch.look()
        with naming("request"):
            made: Any
            if arrangement.smooth is not None:
                _, sites = placed_light(bench, arrangement, registration)
                made = design_smooth(bench, arrangement, registration, options, watch.look, sources=sources)
            else:
                sites = place(arrangement, bench.lattice, registration)
                made = design(bench, arrangement, registration, options, watch.look, sources=sources)
        watch.look()
        entry = _kept(lambda: self.shelf.add(name, made.mask))
        found = made.retrieval
        about = {"sites": len(sites.target), "iterations": found.iterations, "converged": made.converged, "seconds": made.seconds}
        return entry, {**about, "warnings": [*bench_warnings(bench, sites), *([made.shortfall] if made.shortfall else [])]}

    async def nudges(self, request: Request, variable: Mapping[str, str]) -> Reply:
        """Nudge a mask and put the result on the shelf."""
        table = _table(request)
        name, source = self._new_name(table), self._entry(table.text("mask", default=REQUIRED))
        far = FARTHEST_NUDGE_UM
        by_um, focus_um = table.numbers("by_um", 2, -far, far, default=REQUIRED), table.number("focus_um", -far, far, 0.0)
        table.close()
        return _made(name, await self.lanes["nudges"].run(lambda watch: self._nudge(name, source, by_um, focus_um)))

    def _nudge(self, name: str, source: Entry, by_um: tuple[float, float], focus_um: float) -> tuple[Entry, dict[str, Any]]:
        """Work in the thread: read, nudge and write."""
        old = self.shelf.mask(source)
        with naming("request"):
            moved = nudge_mask(old, self.path, self.setting.bench.panel, by_um, focus_um)
            warnings = check_nudged(moved.record, self.setting.bench)
        return _kept(lambda: self.shelf.add(name, moved)), {"nudges": len(moved.record["nudges"]), "warnings": warnings}

    # -----------------------------------------------------------------------------------------------------------------
    # moves

    async def moves(self, request: Request, variable: Mapping[str, str]) -> Reply:
        """Send the frames that bring atoms to the wanted sites, each as soon as it is made."""
        ready = self.setting.rearranger
        if ready is None:
            raise Refusal(409, "moves: the service was started without wanted sites and a reservoir; needed: both")
        filled, lane = self._filled(_table(request)), self.lanes["moves"]
        timing: list[float] = []

        def begin(watch: Watch) -> tuple[Answer, Watch]:
            timing.append(time.perf_counter())
            with naming("request"):
                plan = ready.plan(filled)
            timing.append(time.perf_counter())
            answer = ready.begun(plan)
            timing.append(time.perf_counter())
            return answer, watch

        answer, watch = await lane.run(begin, keep=True)
        return Reply(200, self._frames(ready, answer, watch, timing), FRAMES_KIND, done=lane.leave)

    def _filled(self, table: Table) -> NDArray[np.bool_]:
        """Which sites of the reservoir hold an atom, as a request tells."""
        known = self.setting.reservoir_ij
        filled, sites = table.integers("filled", len(known), 0, 1), table.rows("sites", 2, -1e6, 1e6)
        table.close()
        if (filled is None) == (sites is None):
            raise InputError(f"request: found {'neither' if filled is None else 'both'}; allowed: one of filled and sites")
        if filled is not None:
            return np.array(filled, bool)
        number = {(i, j): index for index, (i, j) in enumerate(known.tolist())}
        held = np.zeros(len(known), bool)
        for site in sites:
            if site not in number:
                raise InputError(f"request: sites: found {shortened(list(site))}; allowed: sites of the reservoir")
            held[number[site]] = True
        return held

    async def _frames(self, ready: Rearranger, answer: Answer, watch: Watch, timing: list[float]) -> AsyncIterator[bytes]:
        """Lines of JSON and levels; what goes wrong after the first frame is told in the last line."""
        panel, lane = self.setting.bench.panel, self.lanes["moves"]
        kind = "uint8" if panel.levels <= 256 else "uint16"
        plan = {**told_plan(answer), "atoms": answer.plan.atoms.tolist(), "goals": answer.plan.goals.tolist()}
        yield _line({"rows": panel.rows, "columns": panel.columns, "type": kind, "frame_ms": ready.frame_ms, "plan": plan})
        frames, count = ready.frames(answer), 0
        try:
            while (made := await lane.more(lambda: _next_frame(frames, panel.levels, ready.frame_ms, watch))) is not None:
                timing.append(time.perf_counter())
                head, body = made
                self._hand_out(head["name"], head["digest"])
                yield _line(head)
                yield body
                count += 1
        except (HoloError, Ended) as error:
            yield _line({"error": str(error), "frames": count})
            return
        spent = 1000 * np.diff(timing)
        self._latency = Latency(float(spent[0]), float(spent[1]), spent[3:]).summary()  # the start counts as a frame that takes no time
        yield _line({"end": True, "frames": count})


def _next_frame(frames: Iterator[MoveFrame], levels: int, frame_ms: float, watch: Watch) -> tuple[dict[str, Any], bytes] | None:
    """Work in the thread: the next frame as the line and the bytes that tell it; None after the last."""
    watch.look()
    frame = next(frames, None)
    if frame is None:
        return None
    body = raw_levels(panel_levels(frame, levels))
    name = f"frame-{frame.number:05d}"
    head = {"name": name, "time_ms": frame.number * frame_ms, "digest": digest_of(body), "bytes": len(body), "figures": told(frame)}
    return head, body


def _line(content: Any) -> bytes:
    return json.dumps(content, allow_nan=False).encode() + b"\n"


def _made(name: str, found: tuple[Entry, dict[str, Any]]) -> Reply:
    entry, about = found
    return json_reply({**entry_listed(entry), **about}, 201, {"Location": f"/masks/{quote(name)}"})


def _table(request: Request) -> Table:
    """The JSON object in the body of a request, to be read key by key."""
    return Table(parse_json(request.body, "request"), Path("request"))


def _design_options(table: Table) -> DesignOptions:
    given = {
        "effort": table.text("effort", tuple(EFFORTS)),
        "seed": table.integer("seed", 0, 2**53),
        "uniformity": table.number("uniformity", 0, 1),
        "iterations": table.integer("iterations", 1, 100_000),
        "engine": table.text("engine"),
        "polarisation": table.text("polarisation"),
        "rms": table.number("rms", 0, 1),
    }
    with naming("request"):
        return DesignOptions(**{name: value for name, value in given.items() if value is not None})


def _served(read: Callable[[], Result]) -> Result:
    """Read what is served; if that is damaged, it is not the request that is wrong (503)."""
    try:
        return read()
    except InputError as error:
        raise Refusal(503, str(error), Retry_After="10") from error


def _kept(write: Callable[[], Result]) -> Result:
    """Write what was made; if that fails, it is not the request that is wrong (503), unless its name is taken meanwhile (409)."""
    try:
        return write()
    except OutputExistsError:
        raise
    except InputError as error:
        raise Refusal(503, str(error), Retry_After="10") from error


def _object(required: tuple[str, ...], **properties: Any) -> dict[str, Any]:
    return {"type": "object", "properties": properties, "required": list(required), "additionalProperties": False}


_NAME = {
    "type": "string",
    "minLength": 1,
    "maxLength": LONGEST_NAME,
    "description": f"Printable characters but {' '.join(sorted(FORBIDDEN))}, no dot or space at either end.",
}
_SITES = {"type": "array", "items": {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2}, "maxItems": MOST_SITES}
_NUMBERS = {"type": "array", "items": {"type": "number"}}

DESIGN = _object(
    ("name",),
    name=_NAME,
    arrangement={"type": "string", "description": "Name, without .toml, of an arrangement file in the served folder; or:"},
    sites={**_SITES, "description": "Lattice coordinates (i, j)."},
    targets={**_NUMBERS, "description": "Relative intensity of each of the sites, 0 for dark; 1 by default."},
    z_um={**_NUMBERS, "description": "Depth of each of the sites, um; 0 by default."},
    effort={"type": "string", "enum": [*EFFORTS], "default": "normal"},
    seed={"type": "integer", "minimum": 0, "default": 0},
    uniformity={"type": "number", "exclusiveMinimum": 0, "exclusiveMaximum": 1},
    iterations={"type": "integer", "minimum": 1, "maximum": 100_000},
    engine={"type": "string", "default": "auto"},
    polarisation={"type": "string", "default": "scalar"},
    rms={"type": "number", "exclusiveMinimum": 0, "exclusiveMaximum": 1},
)
"""JSON schema of a request for a design."""

NUDGE = _object(
    ("name", "mask", "by_um"),
    name=_NAME,
    mask={"type": "string", "description": "The mask whose light is to be moved."},
    by_um={**_NUMBERS, "minItems": 2, "maxItems": 2, "description": "How far it moves in the objective plane, x and y, um."},
    focus_um={"type": "number", "default": 0, "description": "How far it moves along the axis, um."},
)
"""JSON schema of a request for a nudge."""

MOVES = _object(
    (),
    filled={
        "type": "array",
        "items": {"enum": [0, 1]},
        "description": "Whether each site of the reservoir holds an atom, in its order; or:",
    },
    sites={**_SITES, "description": "The sites (i, j) of the reservoir that hold an atom."},
)
"""JSON schema of a request for moves."""

MOVES_SUMMARY = (
    "Frames that bring atoms to the wanted sites, each sent as soon as it is made: a line of JSON with the plan; for each frame a line of"
    " JSON with name, time_ms, digest, bytes and figures, and so many bytes of levels; a last line with end, or with error."
)
