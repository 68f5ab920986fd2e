"""A server in a thread of its own, and clients that say to it what no proper client would."""

from __future__ import annotations

import asyncio
import json
import socket
import threading
from contextlib import contextmanager
from dataclasses import dataclass

from holo.serve import Server


@dataclass(frozen=True)
class Answered:
    """What came back."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def json(self):
        return json.loads(self.body)


@contextmanager
def running(handler, limits=None, guard=None, abort=lambda: None, log=None):
    """Port of a server that runs in a thread."""
    loop, server = asyncio.new_event_loop(), Server(handler, limits, guard, log)
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    port = asyncio.run_coroutine_threadsafe(server.start("127.0.0.1", 0), loop).result()
    try:
        yield port
    finally:
        asyncio.run_coroutine_threadsafe(server.stop(abort), loop).result()
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.run_until_complete(loop.shutdown_asyncgens())
        loop.close()


def request(method, path, body=None, **headers):
    """Bytes of a request, as a proper client sends them."""
    content = b"" if body is None else body if isinstance(body, bytes) else json.dumps(body).encode()
    lines = {"Host": "localhost", "Connection": "close"}
    if body is not None:
        lines |= {"Content-Type": "application/json", "Content-Length": str(len(content))}
    lines |= {name.replace("_", "-"): value for name, value in headers.items()}
    return (
        f"{method} {path} HTTP/1.1\r\n".encode()
        + b"".join(f"{name}: {value}\r\n".encode() for name, value in lines.items())
        + b"\r\n"
        + content
    )


def parsed(data):
    """An answer from its bytes."""
    head, _, body = data.partition(b"\r\n\r\n")
    first, *lines = head.decode().split("\r\n")
    headers = {name.lower(): value for name, _, value in (line.partition(": ") for line in lines)}
    if headers.get("transfer-encoding") == "chunked":
        body = unchunked(body)
    return Answered(int(first.split()[1]), headers, body)


def unchunked(body):
    """Content of a chunked body; whole or an error."""
    pieces, place = [], 0
    while True:
        end = body.index(b"\r\n", place)
        length = int(body[place:end], 16)
        place = end + 2 + length + 2
        if length == 0:
            assert len(body) == place
            return b"".join(pieces)
        pieces.append(body[end + 2 : place - 2])


def sent(port, data, *, stop=False):
    """The answer to some bytes; with `stop` the client says that no more will come."""
    with socket.create_connection(("127.0.0.1", port), timeout=20) as client:
        client.sendall(data)
        if stop:
            client.shutdown(socket.SHUT_WR)
        found = b""
        while piece := client.recv(2**16):
            found += piece
    return parsed(found) if found else None


def ask(port, method, path, body=None, **headers):
    """The answer to a proper request."""
    return sent(port, request(method, path, body, **headers))


async def _one(port, data, gate):
    async with gate:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        writer.write(data)
        await writer.drain()
        return parsed(await reader.read())
    except (ConnectionError, asyncio.IncompleteReadError):
        return None
    finally:
        writer.close()


def at_once(port, requests):
    """Answers to many requests, all of them open at the same time; None where there was none."""

    async def all_of_them():
        gate = asyncio.Semaphore(200)  # of connections being made, not of those that are open
        return await asyncio.gather(*(_one(port, data, gate) for data in requests))

    return asyncio.run(all_of_them())
