"""A small HTTP/1.1 server that stands slow, broken and too many clients.

It knows nothing of masks: a function from `Request` to `Reply` says what is answered (`holo.service`). One thread reads and writes for
all clients; everything that a client can make long, large or many has a limit (`Limits`).

HTTP: RFC 9110 (semantics) and RFC 9112 (HTTP/1.1); section numbers from memory.
"""

from __future__ import annotations

import asyncio
import hmac
import ipaddress
import json
import re
import signal
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import Any
from urllib.parse import parse_qsl, unquote

from holo.errors import InputError

PIECE = 2**17
"""Bytes of an answer that are handed to the system at a time: no client that does not read keeps more in memory."""

LINGER_S = 2.0
"""How long an answer to a request that was not read to its end is left for the client to take."""

SPARE = 256
"""Connections beyond the most allowed that are told so; more are closed without a word."""

LOOPBACK = ("127.0.0.1", "localhost", "::1")
"""Names of the machine itself."""

_LINE = re.compile(r"([A-Z]{1,20}) (/[!-~]*) HTTP/1\.([01])")
_HEADER = re.compile(r"([!#$%&'*+.^_`|~0-9A-Za-z-]+):[ \t]*([^\x00-\x08\x0a-\x1f\x7f]*?)[ \t]*")
_ONCE = frozenset({"host", "content-length", "content-type", "authorization"})
"""Headers that may be there once only."""


@dataclass(frozen=True)
class Limits:
    """What clients may ask of the server.

    Attributes
    ----------
    connections : int
        Most of them at a time; more are answered with 503.
    head_bytes, body_bytes : int
        Largest head (431) and body (413) of a request.
    bodies_bytes : int
        Most of all bodies that are read at a time; more are answered with 503.
    idle_s, head_s, body_s, send_s : float
        Longest time until a next request begins, from its first byte to the end of its head, until its body is there (408), and for
        the client to take `PIECE` bytes of an answer.
    grace_s, abort_s : float
        How long requests that are being answered may take when the server stops; and once what answers them was told to give up.
    """

    connections: int = 1024
    head_bytes: int = 2**14
    body_bytes: int = 2**20
    bodies_bytes: int = 2**26
    idle_s: float = 60.0
    head_s: float = 10.0
    body_s: float = 30.0
    send_s: float = 30.0
    grace_s: float = 30.0
    abort_s: float = 5.0


@dataclass(frozen=True)
class Request:
    """What a client asks.

    Attributes
    ----------
    method : str
    parts : tuple of str
        Of the path, decoded; none of them is empty or consists of dots.
    query : mapping of str to str
    headers : mapping of str to str
        Names in small letters.
    body : bytes
    """

    method: str
    parts: tuple[str, ...]
    query: Mapping[str, str] = field(default_factory=dict)
    headers: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b""


def _nothing() -> None:
    pass


@dataclass(frozen=True)
class Reply:
    """What is answered.

    Attributes
    ----------
    status : int
    body : bytes or async iterator of bytes
        The latter is sent piece by piece as it comes, in chunks.
    kind : str
        Media type.
    headers : mapping of str to str
    done : callable
        Called once the reply is sent, or cannot be.
    """

    status: int
    body: bytes | AsyncIterator[bytes]
    kind: str = "application/json"
    headers: Mapping[str, str] = field(default_factory=dict)
    done: Callable[[], None] = _nothing


def json_reply(content: Any, status: int = 200, headers: Mapping[str, str] | None = None) -> Reply:
    """Answer with JSON."""
    return Reply(status, json.dumps(content, allow_nan=False).encode() + b"\n", headers=headers or {})


class Refusal(Exception):
    """A request that is not done; the reply to it is ``{"error": message}``.

    Parameters
    ----------
    status : int
    message : str
    headers : str
        Of the reply.
    """

    def __init__(self, status: int, message: str, **headers: str) -> None:
        super().__init__(message)
        self.status, self.headers = status, {name.replace("_", "-"): value for name, value in headers.items()}

    def reply(self) -> Reply:
        """Tell the client."""
        return json_reply({"error": str(self)}, self.status, self.headers)


Handler = Callable[[Request], Awaitable[Reply]]
"""What is answered; raises `Refusal`."""


@dataclass(frozen=True)
class Guard:
    """Who may ask.

    Attributes
    ----------
    token : bytes or None
        What a client must show as ``Authorization: Bearer TOKEN``; None asks for none.
    hosts : tuple of str
        What the client may call the server, without port; empty for anything. This keeps out a page from elsewhere in a browser on
        this machine, which could make its own name mean this machine.
    """

    token: bytes | None = None
    hosts: tuple[str, ...] = LOOPBACK

    def check(self, headers: Mapping[str, str]) -> None:
        """Refuse who may not ask (401, 421); the token is compared in a time that does not depend on it."""
        host = headers.get("host", "")
        name = host[1:].split("]")[0] if host.startswith("[") else host.split(":")[0]
        if self.hosts and name.lower() not in self.hosts:
            raise Refusal(421, f"Host: found {host[:80]!r}; allowed: {', '.join(self.hosts)}")
        if self.token is None:
            return
        kind, _, shown = headers.get("authorization", "").partition(" ")
        if kind.lower() != "bearer" or not hmac.compare_digest(shown.strip().encode(), self.token):
            raise Refusal(
                401, "Authorization: found no or a wrong token; needed: Bearer and the token of this service", WWW_Authenticate="Bearer"
            )


def check_token(text: str, where: str) -> bytes:
    """Give a token as `Guard` wants it; raises `InputError`, naming `where` it is from, unless it is long enough and fits a header."""
    token = text.strip()
    if not 16 <= len(token) <= 500 or not token.isascii() or not token.isprintable() or " " in token:
        raise InputError(f"{where}: found a token of {len(token)} characters; allowed: 16 to 500 letters, digits and signs, no spaces")
    return token.encode()


def is_loopback(host: str) -> bool:
    """Whether an address is that of the machine itself, which others cannot reach.

    Examples
    --------
    >>> is_loopback("127.0.0.1"), is_loopback("0.0.0.0")
    (True, False)
    """
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def guarded(host: str, token: bytes | None) -> Guard:
    """Say who may ask a server that listens at an address; raises `InputError` if others could and no token is asked for."""
    if is_loopback(host):
        return Guard(token)
    if token is None:
        raise InputError(f"host: found {host!r}, where others can ask, and no token; allowed: {', '.join(LOOPBACK)}, or give a token")
    return Guard(token, ())


def parse_head(head: bytes) -> tuple[Request, bool]:
    r"""Read the head of a request.

    Parameters
    ----------
    head : bytes
        Up to and without the empty line.

    Returns
    -------
    request : Request
        Without its body.
    lasting : bool
        Whether the connection may be used for another request after it.

    Raises
    ------
    Refusal
        If it is malformed (400), or a path leads upwards.

    Examples
    --------
    >>> request, lasting = parse_head(b"GET /masks/ring%201/levels?format=npy HTTP/1.1\r\nHost: localhost")
    >>> request.parts, request.query["format"], lasting
    (('masks', 'ring 1', 'levels'), 'npy', True)
    """
    first, *lines = head.decode("latin-1").split("\r\n")
    line = _LINE.fullmatch(first)
    if line is None:
        raise Refusal(400, f"request line: found {first[:80]!r}; allowed: METHOD /path HTTP/1.1")
    headers: dict[str, str] = {}
    for text in lines:
        found = _HEADER.fullmatch(text)
        if found is None:
            raise Refusal(400, f"header: found {text[:80]!r}; allowed: Name: value")
        name = found[1].lower()
        if name in _ONCE and name in headers:
            raise Refusal(400, f"{found[1]}: found twice; allowed: once")
        headers[name] = found[2]
    method, target, minor = line.groups()
    if minor == "1" and "host" not in headers:
        raise Refusal(400, "Host: missing; needed: the name of the server")
    path, _, query = target.partition("?")
    asked = headers.get("connection", "").lower()
    lasting = "close" not in asked and (minor == "1" or "keep-alive" in asked)
    return Request(method, _parts(path), _query(query), headers), lasting


def _parts(path: str) -> tuple[str, ...]:
    """Parts of a path, decoded."""
    try:
        parts = tuple(unquote(part, errors="strict") for part in path.split("/")[1:])
    except UnicodeDecodeError as error:
        raise Refusal(400, f"path: found {path[:80]!r}; allowed: UTF-8 text, percent-encoded") from error
    if parts == ("",):
        return ()
    for part in parts:
        if part.strip(".") == "" or "/" in part or "\\" in part or not part.isprintable():
            raise Refusal(400, f"path: found {path[:80]!r}; allowed: names between slashes, no dots alone")
    return parts


def _query(query: str) -> dict[str, str]:
    try:
        pairs = parse_qsl(query, keep_blank_values=True, strict_parsing=bool(query), errors="strict", max_num_fields=20)
    except ValueError as error:
        raise Refusal(400, f"query: found {query[:80]!r}; allowed: name=value pairs with & between them") from error
    if len(dict(pairs)) < len(pairs):
        raise Refusal(400, f"query: found {query[:80]!r}; allowed: every name once")
    return dict(pairs)


def body_length(headers: Mapping[str, str], limit: int) -> int:
    """Bytes of the body that a request announces; raises `Refusal` (400, 411, 413)."""
    if "transfer-encoding" in headers:
        raise Refusal(411, f"Transfer-Encoding: found {headers['transfer-encoding'][:80]!r}; allowed: none, a body has a Content-Length")
    text = headers.get("content-length", "0")
    if not (text.isascii() and text.isdigit()):
        raise Refusal(400, f"Content-Length: found {text[:80]!r}; allowed: a whole number")
    if len(text) > 18 or int(text) > limit:
        raise Refusal(413, f"Content-Length: found {text[:80]}; allowed: at most {limit} bytes")
    return int(text)


class Server:
    """Reads requests and sends replies.

    Parameters
    ----------
    handler : callable
    limits : Limits
    guard : Guard
    log : callable
        Given one line for each request that changes something or is refused.
    """

    def __init__(
        self, handler: Handler, limits: Limits | None = None, guard: Guard | None = None, log: Callable[[str], None] | None = None
    ) -> None:
        self._handler, self._log = handler, log or (lambda line: None)
        self.limits, self._guard = limits or Limits(), guard or Guard()
        self._tasks: set[asyncio.Task[None]] = set()
        self._idle: dict[asyncio.Task[None], asyncio.StreamWriter] = {}
        self._stopping, self._bodies = False, 0
        self._server: asyncio.Server | None = None
        self.answered = 0
        """Replies sent."""

    async def start(self, host: str, port: int) -> int:
        """Listen; returns the port, which with 0 the system chooses. Raises OSError if it cannot."""
        self._server = await asyncio.start_server(self._connected, host, port, limit=self.limits.head_bytes, backlog=1024)
        found: int = self._server.sockets[0].getsockname()[1]
        return found

    async def stop(self, abort: Callable[[], None] = _nothing) -> None:
        """Listen no more, close connections that ask nothing, finish the others.

        Parameters
        ----------
        abort : callable
            Called if requests are not finished within `Limits.grace_s`: what answers them is to give up. What is still there
            `Limits.abort_s` later is cut off.
        """
        assert self._server is not None
        self._server.close()
        self._stopping = True
        for writer in self._idle.values():
            writer.close()
        for seconds, then in ((self.limits.grace_s, abort), (self.limits.abort_s, self._cut)):
            if self._tasks:
                await asyncio.wait(self._tasks, timeout=seconds)
            if self._tasks:
                then()
        if self._tasks:
            await asyncio.wait(self._tasks)

    def _cut(self) -> None:
        for task in self._tasks:
            task.cancel()

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Answer the requests of one client, one after the other."""
        task = asyncio.current_task()
        assert task is not None
        full = len(self._tasks) >= self.limits.connections
        if len(self._tasks) >= self.limits.connections + SPARE:
            writer.transport.abort()
            return
        self._tasks.add(task)
        try:
            if full or self._stopping:
                why = "the service is stopping" if self._stopping else f"{self.limits.connections} clients are connected, the most allowed"
                await self._send(writer, Refusal(503, why, Retry_After="1").reply(), False, True)
                await self._linger(reader, writer)
            else:
                while await self._exchange(task, reader, writer):
                    pass
        except (ConnectionError, TimeoutError, asyncio.IncompleteReadError, asyncio.CancelledError):
            pass  # the client has gone, or is cut off
        finally:
            self._tasks.discard(task)
            writer.transport.abort() if writer.transport.get_write_buffer_size() else writer.close()

    async def _exchange(self, task: asyncio.Task[None], reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> bool:
        """Answer one request; False if it was the last of the connection."""
        self._idle[task] = writer
        try:
            async with asyncio.timeout(self.limits.idle_s):
                first = await reader.readexactly(1)
        finally:
            del self._idle[task]
        request, lasting = Request("?", ()), False
        try:
            request, wanted = await self._head(first, reader)
            self._guard.check(request.headers)
            body = await self._body(request, reader, writer)
            lasting = wanted  # else the rest of the request would be taken for another
            reply = await self._answered(request, body)
        except Refusal as refusal:
            reply = refusal.reply()
        lasting = lasting and not self._stopping
        try:
            await self._send(writer, reply, lasting, request.method == "HEAD")
        finally:
            reply.done()
        self._note(request, reply)
        if not lasting:
            await self._linger(reader, writer)
        return lasting

    def _note(self, request: Request, reply: Reply) -> None:
        """Count a reply, and log it if the request changed something or was refused."""
        self.answered += 1
        why = f" {reply.body.decode().strip()}" if reply.status >= 400 and isinstance(reply.body, bytes) else ""
        if why or request.method not in ("GET", "HEAD"):
            self._log(f"{request.method} /{'/'.join(request.parts)} {reply.status}{why}")

    async def _head(self, first: bytes, reader: asyncio.StreamReader) -> tuple[Request, bool]:
        try:
            async with asyncio.timeout(self.limits.head_s):
                if first == b"\r":  # an empty line before a request is passed over (RFC 9112, section 2.2)
                    first = (first + await reader.readexactly(2)).removeprefix(b"\r\n")
                head = first + await reader.readuntil(b"\r\n\r\n")
        except TimeoutError as error:
            raise Refusal(408, f"found no whole head of a request within {self.limits.head_s:g} s") from error
        except asyncio.LimitOverrunError as error:
            raise Refusal(431, f"found a head of more than {self.limits.head_bytes} bytes; allowed: at most that") from error
        return parse_head(head[:-4])

    async def _body(self, request: Request, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> bytes:
        length = body_length(request.headers, self.limits.body_bytes)
        if not length:
            return b""
        if self._bodies + length > self.limits.bodies_bytes:
            raise Refusal(
                503, f"bodies of {self._bodies} bytes are being read; allowed: {self.limits.bodies_bytes} in all", Retry_After="1"
            )
        if request.headers.get("expect", "").lower() == "100-continue":
            writer.write(b"HTTP/1.1 100 Continue\r\n\r\n")
        self._bodies += length
        try:
            async with asyncio.timeout(self.limits.body_s):
                return await reader.readexactly(length)
        except TimeoutError as error:
            raise Refusal(408, f"Content-Length: found fewer than {length} bytes within {self.limits.body_s:g} s") from error
        finally:
            self._bodies -= length

    async def _answered(self, request: Request, body: bytes) -> Reply:
        """The handler's reply; a fault in it is told without its traceback."""
        method = "GET" if request.method == "HEAD" else request.method
        try:
            return await self._handler(Request(method, request.parts, request.query, request.headers, body))
        except Refusal:
            raise
        except Exception as error:
            message = f"this is a fault in holo: {type(error).__name__}: {error}; please report it"
            raise Refusal(500, message) from error

    async def _send(self, writer: asyncio.StreamWriter, reply: Reply, lasting: bool, bare: bool) -> None:
        length = {"Transfer-Encoding": "chunked"} if isinstance(reply.body, AsyncIterator) else {"Content-Length": str(len(reply.body))}
        headers = {
            **{"Content-Type": reply.kind, **length, "Connection": "keep-alive" if lasting else "close"},
            **{"Cache-Control": "no-cache", "X-Content-Type-Options": "nosniff", **reply.headers},
        }
        status = f"HTTP/1.1 {reply.status} {HTTPStatus(reply.status).phrase}"
        head = "\r\n".join([status, *(f"{name}: {value}" for name, value in headers.items()), "\r\n"]).encode("latin-1")
        if isinstance(reply.body, bytes):
            if bare or len(reply.body) > PIECE:
                writer.write(head)
            await self._pieces(writer, b"" if bare else reply.body if len(reply.body) > PIECE else head + reply.body)
            return
        writer.write(head)
        if not bare:
            async for piece in reply.body:
                writer.write(b"%x\r\n" % len(piece))
                await self._pieces(writer, piece + b"\r\n")
            await self._pieces(writer, b"0\r\n\r\n")

    async def _pieces(self, writer: asyncio.StreamWriter, content: bytes) -> None:
        """Send bytes as fast as the client takes them."""
        view = memoryview(content)
        for start in range(0, max(len(content), 1), PIECE):
            writer.write(view[start : start + PIECE])
            async with asyncio.timeout(self.limits.send_s):
                await writer.drain()

    async def _linger(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Take what the client still sends: closed before that, the connection is reset and the reply lost (RFC 9112, section 9.6)."""
        with suppress(OSError, TimeoutError):
            writer.write_eof()
            async with asyncio.timeout(LINGER_S):
                while await reader.read(PIECE):
                    pass


def run(
    server: Server, host: str, port: int, *, ready: Callable[[int], None], close: Callable[[], None], abort: Callable[[], None]
) -> None:
    """Serve until the process is asked to end (SIGINT, SIGTERM); a second time, at once.

    Parameters
    ----------
    server : Server
    host : str
    port : int
        0 lets the system choose.
    ready : callable
        Called with the port as soon as requests are answered.
    close : callable
        Called when the server is to stop: what has not begun is to be refused.
    abort : callable
        See `Server.stop`.

    Raises
    ------
    InputError
        If the address cannot be listened on.
    """

    async def main() -> None:
        stop = asyncio.Event()

        def asked(*_: object) -> None:
            if stop.is_set():
                abort()
            stop.set()

        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            with suppress(NotImplementedError):  # where there are none, Ctrl-C ends at once
                loop.add_signal_handler(number, asked)
        try:
            found = await server.start(host, port)
        except (OSError, OverflowError) as error:
            raise InputError(f"host and port: found {host}:{port}, which cannot be listened on ({error}); allowed: a free port") from error
        ready(found)
        await stop.wait()
        close()
        await server.stop(abort)

    _allow_files(server.limits.connections)
    asyncio.run(main())


def _allow_files(connections: int) -> None:
    """Let the process have as many files open as there may be connections, as far as the system allows; a common limit is 1024."""
    try:
        import resource
    except ImportError:  # not on every system
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = connections + SPARE + 64
    if soft != resource.RLIM_INFINITY and soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted if hard == resource.RLIM_INFINITY else min(wanted, hard), hard))
