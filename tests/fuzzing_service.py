"""The service as a reader: proper requests to start from, ways to damage them, and a client that believes nothing of what comes back.

A request is a file of `service_reader`. It is sent over loopback to a server that is started for it on a folder with two masks; the file
that is not as it was is the request, so that the machinery of `fuzzing` serves here, too.
"""

from __future__ import annotations

import asyncio
import json
import re
from dataclasses import dataclass
from functools import partial
from http import HTTPStatus

import fuzzing
from fuzzing import BYTE_WAYS, PLAIN, TINY, Reader
from running import request

from holo.errors import InputError
from holo.openapi import MEANING

TOKEN = "correct-horse-battery"
STATUSES = {*MEANING, 405, 408, 411, 421, 431}
"""What may be answered: what the description has, and what stands for itself in HTTP."""

SITES = [[-4, -3], [-1, -3], [-4, 0], [-1, 0]]
"""Sites of the tiny bench, far enough from one another."""

REQUESTS = {
    "root": ("GET", "/"),
    "openapi": ("GET", "/openapi.json"),
    "panel": ("GET", "/panel"),
    "masks": ("GET", "/masks"),
    "head": ("HEAD", "/masks/one"),
    "mask": ("GET", "/masks/one"),
    "levels": ("GET", "/masks/frame%20%C3%A4/levels?format=npy"),
    "raw": ("GET", "/masks/one/levels?format=raw"),
    "named": ("POST", "/designs", {"name": "new 1", "arrangement": "square", "effort": "quick", "seed": 1}),
    "listed": ("POST", "/designs", {"name": "new 2", "sites": SITES, "targets": [1, 1, 0.5, 1], "z_um": [0, 0, 0, 0], "iterations": 5}),
    "nudge": ("POST", "/nudges", {"name": "new 3", "mask": "one", "by_um": [0.1, 0], "focus_um": 0.1}),
    "filled": ("POST", "/moves", {"filled": [1, 1, 1, 0]}),
    "sites": ("POST", "/moves", {"sites": SITES[:3]}),
}
"""Proper requests, by name."""


def requests():
    """Files of proper requests."""
    return {f"{name}.http": request(*words, Authorization=f"Bearer {TOKEN}") for name, words in REQUESTS.items()}


# ---------------------------------------------------------------------------------------------------------------------
# the service


def service_reader(scratch):
    """The reader; `scratch` is a folder for making its files."""
    from holo.arrangement import from_sites
    from holo.bench import parse_bench
    from holo.design import DesignOptions, design
    from holo.manifest import manifest_of, write_manifest
    from holo.mask import write_mask
    from holo.moves import MoveOptions
    from holo.rearranger import RearrangeOptions, Rearranger
    from holo.record import sources_of
    from holo.registration import place
    from holo.service import Setting

    rate = f"{PLAIN['response']}\nframe_rate_hz = 60.0\nsettling_ms = 5.0"
    bench = parse_bench(TINY.format(**{**PLAIN, "response": rate}), "bench.toml")
    reservoir, wanted = (place(from_sites(sites), bench.lattice) for sites in (SITES, SITES[:2]))
    ready = Rearranger(bench, reservoir.xyz_um, wanted, RearrangeOptions(moves=MoveOptions(lowest=None)))
    setting = Setting(bench, None, {**sources_of(bench, from_sites(SITES)), "arrangement": None}, ready, reservoir.ij, 2, 4.0)
    folder = scratch / "served"
    folder.mkdir()
    made = design(bench, from_sites(SITES), options=DesignOptions(effort="quick"), sources=sources_of(bench, from_sites(SITES))).mask
    for name in ("one.tiff", "frame ä.tiff"):
        write_mask(folder / name, made)
    write_manifest(folder / "manifest.json", manifest_of(folder / "manifest.json", sorted(folder.iterdir(), reverse=True)))
    (folder / "square.toml").write_text(f"[[add]]\nsites = {SITES}\n")
    (folder / "outside.toml").write_text('[[add]]\nsites_csv = "../secret.csv"\n')
    served = {f"masks/{path.name}": path.read_bytes() for path in folder.iterdir()}
    proper = requests()
    files = {**proper, **served, "secret.csv": b"i,j\n2,1\n"}
    return Reader(files, partial(exchanged, setting, proper), tuple(proper), damage=damaged)


def exchanged(setting, proper, folder):
    """Send the request that is not as it was, and judge the answer and what became of the folder."""
    from holo.serve import Guard, Limits
    from holo.service import Service
    from holo.shelf import Shelf

    sent = changed(proper, folder)
    (folder / "masks" / "link.toml").symlink_to(folder / "secret.csv")
    before, lines = contents(folder), []
    service = Service(setting, Shelf(folder / "masks", setting.bench.panel), True)
    limits = Limits(idle_s=0.2, head_s=0.2, body_s=0.2, grace_s=0.2, body_bytes=2**17)
    try:
        came = asyncio.run(_exchange(service, limits, Guard(TOKEN.encode()), sent, lines))
    finally:
        service.abort()
        service.end()
        (folder / "masks" / "link.toml").unlink()
    before.pop("masks/link.toml")
    for line in lines:
        assert line.isprintable(), f"logged {line!r}"
    answers = answered(came, sent)
    check_kept(folder, before, [answer for answer in answers if answer.status == 201])
    if not answers:
        assert not whole(sent), f"no answer to {sent[:200]!r}"
        raise InputError("no whole request")
    if all(answer.status >= 400 for answer in answers):
        raise InputError(f"{answers[0].status}: {answers[0].error}")


def changed(proper, folder):
    """The request that is not as it was; the first if all are."""
    for name, content in proper.items():
        path = folder / name
        found = path.read_bytes() if path.is_file() and path.stat().st_size < 2**24 and not path.is_symlink() else b""
        if found != content:
            return found
    return next(iter(proper.values()))


async def _exchange(service, limits, guard, sent, lines):
    """What comes back for some bytes after which the client says no more, but listens to the end."""
    from holo.serve import Server

    server = Server(service, limits, guard, lines.append)
    port = await server.start("127.0.0.1", 0)
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        writer.write(sent)
        writer.write_eof()
        async with asyncio.timeout(20):
            return await reader.read()
    except ConnectionError:
        return b""
    finally:
        writer.close()
        await server.stop(service.abort)


# ---------------------------------------------------------------------------------------------------------------------
# the client


@dataclass(frozen=True)
class Heard:
    """An answer as the client understands it."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def error(self):
        return json.loads(self.body)["error"] if self.body else "told to one who wants no body"


def answered(came, sent):
    """The answers in some bytes, each of them proper HTTP (RFC 9112) and, if it is no success, JSON with a message."""
    found, bare = [], b"HEAD " in sent
    while came:
        if came.startswith(b"HTTP/1.1 100 Continue\r\n\r\n"):
            came = came[25:]
            continue
        answer, came = _first(came, bare)
        assert answer.status in STATUSES, f"{answer.status} {answer.body[:300]!r}"
        if answer.status >= 400 and (answer.body or not bare):
            assert answer.headers["content-type"] == "application/json"
            told = json.loads(answer.body)
            assert list(told) == ["error"], told
            assert told["error"], told
            assert "Traceback" not in told["error"], told
        found.append(answer)
    return found


def _first(came, bare):
    """The first of some answers, and the bytes after it."""
    head, end, rest = came.partition(b"\r\n\r\n")
    first, *lines = head.decode("ascii").split("\r\n")
    found = re.fullmatch(r"HTTP/1\.1 (\d{3}) ([A-Z][A-Za-z -]+)", first)
    assert end, first
    assert found, first
    assert HTTPStatus(int(found[1])).phrase == found[2], first
    pairs = [re.fullmatch(r"([A-Za-z-]+): ([ -~]*)", line) for line in lines]
    assert all(pairs), lines
    headers = {pair[1].lower(): pair[2] for pair in pairs}
    assert len(headers) == len(pairs)
    if bare and (not rest or rest.startswith(b"HTTP/1.1 ")):
        return Heard(int(found[1]), headers, b""), rest
    if headers.get("transfer-encoding") == "chunked":
        body, rest = _chunks(rest)
    else:
        length = int(headers["content-length"])
        body, rest = rest[:length], rest[length:]
        assert len(body) == length
    return Heard(int(found[1]), headers, body), rest


def _chunks(rest):
    pieces = []
    while True:
        line, end, rest = rest.partition(b"\r\n")
        length = int(line, 16)
        assert end
        assert rest[length : length + 2] == b"\r\n"
        pieces.append(rest[:length])
        rest = rest[length + 2 :]
        if not length:
            return b"".join(pieces), rest


def whole(sent):
    """Whether some bytes are a request that wants an answer even from a client that says no more."""
    head, end, body = sent.removeprefix(b"\r\n").partition(b"\r\n\r\n")
    if not end or not head or head.startswith(b"\r\n"):  # but for one empty line
        return False
    told = re.search(rb"(?i)\ncontent-length:[ \t]*(\d{1,18})[ \t]*(\r|$)", head)
    return told is None or len(body) >= int(told[1])


def contents(folder):
    """Content of all files by their path."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def check_kept(folder, before, made):
    """See that nothing has changed but for the masks that were made, and take these away again."""
    from holo.manifest import check_manifest

    after = contents(folder)
    names = {f"masks/{json.loads(answer.body)['file']}" for answer in made} if made else set()
    assert after.keys() - before.keys() == names, f"found {after.keys() ^ before.keys()}"
    for name, content in before.items():
        if not (made and name == "masks/manifest.json"):
            assert after[name] == content, f"{name} has changed"
    if made:
        assert len(check_manifest(folder / "masks" / "manifest.json").masks) == 2 + len(names)
        for name in names:
            (folder / name).unlink()
        (folder / "masks" / "manifest.json").write_bytes(before["masks/manifest.json"])


# ---------------------------------------------------------------------------------------------------------------------
# damage

METHODS = (*b"GET HEAD POST PUT DELETE PATCH OPTIONS TRACE CONNECT get".split(), b"", b"G\0T", b"A" * 30)
PARTS = (
    *b". .. %2e%2e %2E. .... %00 one%00 %ff %c0%ae %0d%0aX-Bad:1 %2f ..%2fsecret %5c * http://localhost/ // % %zz".split(),
    *b"%u0041 ;x=1 #x ~ con one levels masks designs moves secret.csv link manifest.json %E2%80%AE %ED%A0%80 {name} %7f".split(),
    *(b"", b"\xc3\xa4", b"\xff", b"a" * 300, b"a" * 20000),
)
QUERIES = (
    *b"format=tiff format=npy&format=raw format= format = & format=%00 format=%ff x=1 a=1;b=2 format=raw%26 ? format=../one".split(),
    *(b"", b"&".join(b"a%d=1" % n for n in range(30)), b"format=" + b"n" * 5000),
)
VERSIONS = (b"HTTP/1.1", b"HTTP/1.0", b"HTTP/0.9", b"HTTP/2.0", b"HTTP/1.10", b"http/1.1", b"", b"HTTP/1.1 x", b"ICY")
HEADERS = (
    *b"""Transfer-Encoding: chunked
Transfer-Encoding: identity
Content-Length: 0
Content-Length: -1
Content-Length: 1e3
Content-Length: 99999999999999999999
Content-Length: 131073
Content-Length: 7
Content-Length: 3, 3
Content-Length: 0x10
Content-Length:
Content-Length : 3
Expect: 100-continue
Expect: x
Connection: keep-alive
Connection: upgrade
Upgrade: h2c
Host: localhost
HOST: localhost
Host: elsewhere.example
Host: [::1]:80
Host: [
Host:
Host: localhost@x
Authorization: Bearer wrong-horse-battery
Authorization:
Authorization: Basic Og==
Content-Type: text/plain
Content-Type: application/json; charset=utf-16
Content-Encoding: gzip
Accept-Encoding: gzip
Range: bytes=0-1
If-None-Match: *
TE: trailers
Cookie: a=b
Bad Name: x
no colon
: x
 folded
""".splitlines(),
    *(
        b"\tfolded",
        b"Content-Length: \xb2",
        b"Authorization: Bearer \xe4",
        b"X: \0",
        b"X: \x7f",
        b"X: \r",
        b"X: \n Y: 1",
        b"X: \xff",
        b"\x0bX: 1",
    ),
    *(b"X: " + b"y" * 20000, b"\r\n".join(b"X%d: 1" % n for n in range(500))),
)
TEXTS = (
    *("../secret", "/etc/passwd", "link", "outside", "square", "one", "frame ä", "new 1", "con", ".hidden", "manifest", "a\\b", "a:b"),
    *("~root", "$HOME", "%2e%2e", "a" * 100, "a" * 101, "\ud800", "x\0y", "\u202e", "dense", "auto", "smooth", "gpu", "NaN", "é"),
)
NUMBERS = (0, 1, 2, -1, 0.5, 1e-9, 1e308, -1e308, 2**53, 2**63, 10**400, 99, 1e6, 1e6 + 1, 5e-324, True)


def damaged(rng, name, content):
    """Damage a request once or a few times."""
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        content = rng.choice(WAYS)(rng, content)
    return content


def _split(content):
    head, _, body = content.partition(b"\r\n\r\n")
    first, *lines = head.split(b"\r\n")
    return first, lines, body


def _joined(first, lines, body):
    return b"\r\n".join([first, *lines]) + b"\r\n\r\n" + body


def _line(rng, content):
    """Another method, path, query or version."""
    first, lines, body = _split(content)
    method, _, rest = first.partition(b" ")
    target, _, version = rest.rpartition(b" ")
    path, mark, query = target.partition(b"?")
    parts = path.split(b"/")
    match rng.randrange(6):
        case 0:
            method = rng.choice(METHODS)
        case 1:
            version = rng.choice(VERSIONS)
        case 2:
            mark, query = b"?", rng.choice(QUERIES)
        case 3:
            parts.insert(rng.randrange(len(parts) + 1), rng.choice(PARTS))
        case _:
            parts[rng.randrange(len(parts))] = rng.choice(PARTS)
    return _joined(b" ".join([method, b"/".join(parts) + mark + query, version]), lines, body)


def _header(rng, content):
    """A header more, less, twice, or another."""
    first, lines, body = _split(content)
    if lines and rng.random() < 0.5:
        one = rng.randrange(len(lines))
        lines[one : one + 1] = rng.choice(([], [lines[one]] * 2, [lines[one].swapcase()], [rng.choice(HEADERS)]))
    else:
        lines.insert(rng.randrange(len(lines) + 1), rng.choice(HEADERS))
    return _joined(first, lines, body)


def _body(rng, content):
    """Another body, mostly with its true length."""
    first, lines, body = _split(content)
    body = fuzzing.damaged_json(rng, body, _value) if rng.random() < 0.8 else rng.choice(fuzzing.TEXT_WAYS)(rng, body)
    if rng.random() < 0.9:
        lines = [b"Content-Length: %d" % len(body) if line.startswith(b"Content-Length:") else line for line in lines]
    return _joined(first, lines, body)


def _value(rng):
    """A value that a key of some request might have, or one that none has."""
    return rng.choice((rng.choice(TEXTS), rng.choice(NUMBERS), [rng.choice(NUMBERS)] * rng.choice((1, 2, 4)), rng.choice(fuzzing.VALUES)))


def _chunked(rng, content):
    """The body in chunks."""
    first, lines, body = _split(content)
    lines = [line for line in lines if not line.startswith(b"Content-Length:")] + [b"Transfer-Encoding: chunked"]
    return _joined(first, lines, b"%x\r\n%b\r\n0\r\n\r\n" % (len(body), body))


def _another(rng, content):
    """Another request behind the first, which may keep the connection."""
    keep = content.replace(b"Connection: close\r\n", b"", 1)
    return keep + rng.choice((content, *requests().values()))


def _bytes(rng, content):
    return rng.choice(BYTE_WAYS)(rng, content)


WAYS = (_line, _line, _header, _header, _body, _body, _body, _body, _chunked, _another, _bytes, _bytes)
