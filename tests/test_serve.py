"""The server and what it stands: slow, broken, greedy and too many clients."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from running import ask, at_once, request, running, sent

from holo.errors import InputError
from holo.serve import Guard, Limits, Refusal, Reply, Server, check_token, guarded, json_reply, parse_head
from holo.work import Ended, Lane

QUICK = Limits(idle_s=0.5, head_s=0.5, body_s=0.5, send_s=0.5, body_bytes=1000)
TOKEN = "correct-horse-battery"


async def echo(request):
    """What was asked, or a fault."""
    if request.parts == ("fault",):
        raise ZeroDivisionError("division by zero")
    if request.parts == ("large",):
        return Reply(200, bytes(2**26), "application/octet-stream")
    return json_reply({"method": request.method, "parts": request.parts, "query": request.query, "bytes": len(request.body)})


@pytest.fixture(scope="module")
def port():
    with running(echo, QUICK) as found:
        yield found


def test_a_proper_request_is_answered(port):
    found = ask(port, "POST", "/a/b%20%C3%A4?x=1&y=%26", b"12345")
    assert found.status == 200
    assert found.json == {"method": "POST", "parts": ["a", "b ä"], "query": {"x": "1", "y": "&"}, "bytes": 5}
    assert found.headers["connection"] == "close"


def test_an_empty_line_before_a_request_is_passed_over(port):
    assert sent(port, b"\r\n" + request("GET", "/1")).json["parts"] == ["1"]
    assert sent(port, b"\rX" + request("GET", "/1")).status == 400


def test_one_connection_takes_several_requests(port):
    one = request("GET", "/1").replace(b"Connection: close\r\n", b"")
    with socket.create_connection(("127.0.0.1", port), timeout=5) as client:
        client.sendall(one + one + request("HEAD", "/3"))
        found = b""
        while piece := client.recv(2**16):
            found += piece
    assert found.count(b"HTTP/1.1 200 OK") == 3
    assert found.endswith(b"\r\n\r\n")  # a HEAD has no body


@pytest.mark.parametrize(
    ("data", "status", "message"),
    [
        (b"hello\r\n\r\n", 400, "request line: found 'hello'; allowed: METHOD /path HTTP/1.1"),
        (b"GET http://elsewhere/ HTTP/1.1\r\nHost: localhost\r\n\r\n", 400, "request line: found"),
        (b"GET / HTTP/2.0\r\nHost: localhost\r\n\r\n", 400, "request line: found"),
        (b"\x16\x03\x01\x02\x00\r\n\r\n", 400, "request line: found"),
        (b"GET / HTTP/1.1\r\n\r\n", 400, "Host: missing"),
        (b"GET / HTTP/1.1\r\nHost: evil.example\r\n\r\n", 421, "Host: found 'evil.example'; allowed: 127.0.0.1, localhost, ::1"),
        (b"GET / HTTP/1.1\r\nHost: localhost\r\nHost: evil\r\n\r\n", 400, "Host: found twice; allowed: once"),
        (b"GET / HTTP/1.1\r\nHost : localhost\r\n\r\n", 400, "header: found 'Host : localhost'; allowed: Name: value"),
        (b"GET / HTTP/1.1\r\nHost: localhost\r\n folded\r\n\r\n", 400, "header: found ' folded'"),
        (b"GET /../etc/passwd HTTP/1.1\r\nHost: localhost\r\n\r\n", 400, "path: found '/../etc/passwd'"),
        (b"GET /%2e%2e/passwd HTTP/1.1\r\nHost: localhost\r\n\r\n", 400, "path: found '/%2e%2e/passwd'"),
        (b"GET /masks/..%2Fpasswd HTTP/1.1\r\nHost: localhost\r\n\r\n", 400, "path: found"),
        (b"GET /masks/..%5Cpasswd HTTP/1.1\r\nHost: localhost\r\n\r\n", 400, "path: found"),
        (b"GET /masks/a%00b HTTP/1.1\r\nHost: localhost\r\n\r\n", 400, "path: found"),
        (b"GET /%ff HTTP/1.1\r\nHost: localhost\r\n\r\n", 400, "path: found '/%ff'; allowed: UTF-8 text"),
        (b"GET /?a HTTP/1.1\r\nHost: localhost\r\n\r\n", 400, "query: found 'a'; allowed: name=value"),
        (b"GET /?a=1&a=2 HTTP/1.1\r\nHost: localhost\r\n\r\n", 400, "query: found 'a=1&a=2'; allowed: every name once"),
        (request("POST", "/", b"", Transfer_Encoding="chunked"), 411, "Transfer-Encoding: found 'chunked'; allowed: none"),
        (request("POST", "/", b"abc", Content_Length="-3"), 400, "Content-Length: found '-3'; allowed: a whole number"),
        (request("POST", "/", b"abc", Content_Length="+3"), 400, "Content-Length: found '+3'; allowed: a whole number"),
        (request("POST", "/", b"abc", Content_Length="1001"), 413, "Content-Length: found 1001; allowed: at most 1000 bytes"),
        (request("POST", "/", b"abc", Content_Length="9" * 400), 413, "Content-Length: found 999"),
        (request("POST", "/", bytes(2**24)), 413, "Content-Length: found 16777216; allowed: at most 1000 bytes"),
        (b"GET / HTTP/1.1\r\nX: " + b"x" * 20_000 + b"\r\n\r\n", 431, "found a head of more than 16384 bytes"),
        (b"GET / HTTP/1.1\r\nHost: local", 408, "found no whole head of a request within 0.5 s"),
        (request("POST", "/", b"abc", Content_Length="4"), 408, "Content-Length: found fewer than 4 bytes within 0.5 s"),
    ],
)
def test_what_is_malformed_is_told(port, data, status, message):
    found = sent(port, data)
    assert found.status == status
    assert found.json["error"].startswith(message)
    assert found.headers["connection"] == "close"
    assert ask(port, "GET", "/").status == 200


def test_a_body_longer_than_told_is_no_part_of_the_request(port):
    found = sent(port, request("POST", "/", b"abcGARBAGE\r\n\r\n", Content_Length="3", Connection="keep-alive"))
    assert found.status == 200
    assert found.body.startswith(b'{"method": "POST", "parts": [], "query": {}, "bytes": 3}\nHTTP/1.1 400 Bad Request')


def test_an_expected_body_is_asked_for(port):
    with socket.create_connection(("127.0.0.1", port), timeout=5) as client:
        client.sendall(request("POST", "/", b"", Content_Length="3", Expect="100-continue"))
        assert client.recv(100) == b"HTTP/1.1 100 Continue\r\n\r\n"
        client.sendall(b"abc")
        found = b""
        while piece := client.recv(2**16):
            found += piece
    assert b'"bytes": 3' in found


@pytest.mark.parametrize("data", [b"", b"G", b"GET / HTTP/1.1\r\n", request("POST", "/", b"abc", Content_Length="100")])
def test_a_client_that_stops_is_no_trouble(port, data):
    assert sent(port, data, stop=True) is None
    assert ask(port, "GET", "/").status == 200


def test_a_client_that_reads_nothing_is_cut_off(port):
    with socket.create_connection(("127.0.0.1", port), timeout=5) as client:
        client.sendall(request("GET", "/large"))
        time.sleep(1.0)
        found = 0
        while piece := client.recv(2**20):
            found += len(piece)
    assert 0 < found < 2**26  # fewer than its Content-Length


def test_an_idle_connection_is_closed(port):
    with socket.create_connection(("127.0.0.1", port), timeout=5) as client:
        assert client.recv(1) == b""


def test_a_fault_is_told_without_its_traceback(port):
    found = ask(port, "GET", "/fault")
    assert found.status == 500
    assert found.json == {"error": "this is a fault in holo: ZeroDivisionError: division by zero; please report it"}


@given(st.binary(max_size=200))
@settings(max_examples=100, deadline=None)
def test_any_head_is_read_or_refused(head):
    with contextlib.suppress(Refusal):
        request, _ = parse_head(head)
        assert ".." not in request.parts


@given(st.text("GET /.%2feE\\?=&ä", max_size=30))
@settings(max_examples=100, deadline=None)
def test_no_path_leads_upwards(target):
    try:
        request, _ = parse_head(f"GET /{target} HTTP/1.1\r\nHost: localhost".encode())
    except Refusal:
        return
    assert not any("/" in part or "\\" in part or part.strip(".") == "" for part in request.parts)


# ---------------------------------------------------------------------------------------------------------------------
# who may ask


@pytest.mark.parametrize(
    "shown", [None, "", "Bearer", "Bearer wrong", f"Basic {TOKEN}", f"Bearer {TOKEN}x", f"Bearer {TOKEN[:-1]}", "Bearer ä"]
)
def test_a_wrong_token_is_refused_before_the_body_is_read(shown):
    headers = {} if shown is None else {"Authorization": shown}
    with running(echo, guard=Guard(TOKEN.encode(), ())) as port:
        found = ask(port, "POST", "/", bytes(100), **headers)
        assert found.status == 401
        assert found.headers["www-authenticate"] == "Bearer"
        assert ask(port, "POST", "/", b"1", Host="any.name", Authorization=f"Bearer {TOKEN}").status == 200


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.5", "lab-pc", ""])
def test_elsewhere_a_token_is_needed(host):
    with pytest.raises(InputError, match=r"host: found .*, where others can ask, and no token; allowed: 127\.0\.0\.1"):
        guarded(host, None)
    assert guarded(host, b"x").token == b"x"


@pytest.mark.parametrize("host", ["127.0.0.1", "127.1.2.3", "::1", "localhost"])
def test_on_this_machine_none_is_needed(host):
    assert guarded(host, None).hosts


@pytest.mark.parametrize("text", ["", "short", "x" * 501, "with a space in it", "ä" * 20, "line\nfeed" * 4])
def test_a_token_is_long_and_fits_a_header(text):
    with pytest.raises(InputError, match=r"token\.txt: found a token of \d+ characters; allowed: 16 to 500"):
        check_token(text, "token.txt")
    assert check_token(f" {TOKEN}\n", "token.txt") == TOKEN.encode()


# ---------------------------------------------------------------------------------------------------------------------
# many at once


def test_more_clients_than_allowed_are_told_so():
    async def slow(request):
        await asyncio.sleep(0.2)
        return json_reply({})

    with running(slow, Limits(connections=20)) as port:
        found = [answer.status for answer in at_once(port, [request("GET", "/")] * 50)]
        assert sorted(set(found)) == [200, 503]
        assert 20 <= found.count(200) < 50
        assert ask(port, "GET", "/").status == 200


def test_large_bodies_at_once_have_a_limit():
    with running(echo, Limits(body_bytes=1000, bodies_bytes=1500, body_s=0.5)) as port:
        with socket.create_connection(("127.0.0.1", port)) as slow:
            slow.sendall(request("POST", "/", b"", Content_Length="1000"))
            time.sleep(0.1)
            full = ask(port, "POST", "/", bytes(600))
            assert (full.status, full.headers["retry-after"]) == (503, "1")
            assert ask(port, "POST", "/", bytes(400)).status == 200
        assert ask(port, "POST", "/", bytes(600)).status == 200


# ---------------------------------------------------------------------------------------------------------------------
# work


def test_one_piece_of_work_runs_and_few_wait():
    async def main():
        lane, running, most = Lane("designs", 2, 5.0), [0], [0]

        def work(watch):
            running[0] += 1
            most[0] = max(most[0], running[0])
            time.sleep(0.05)
            running[0] -= 1
            return "done"

        found = await asyncio.gather(*(lane.run(work) for _ in range(6)), return_exceptions=True)
        assert lane.told() == {"running": 0, "waiting": 0, "most_waiting": 2}
        lane.end()
        return found, most[0]

    found, most = asyncio.run(main())
    assert most == 1
    assert found[:3] == ["done"] * 3
    assert all(refusal.status == 503 and int(refusal.headers["Retry-After"]) >= 1 for refusal in found[3:])
    assert str(found[3]).startswith("designs: 2 requests wait already, the most allowed; try again in")


def test_work_has_an_end():
    def forever(watch):
        while True:
            watch.look()
            time.sleep(0.01)

    async def main():
        lane = Lane("designs", 5, 0.2)
        found = await asyncio.gather(lane.run(forever), lane.run(forever), return_exceptions=True)
        after = await lane.run(lambda watch: "done")
        lane.end()
        return found, after

    found, after = asyncio.run(main())
    assert "designs: not done within 0.2 s, the longest that this service works on one thing; nothing was written" in str(found[0])
    assert all(refusal.status == 503 for refusal in found)
    assert after == "done"


def test_stopping_refuses_what_waits_and_finishes_what_runs():
    async def main():
        lane = Lane("designs", 5, 5.0)
        pieces = [asyncio.create_task(lane.run(lambda watch: time.sleep(0.1) or "done")) for _ in range(3)]
        await asyncio.sleep(0.03)
        lane.close()
        found = await asyncio.gather(*pieces, lane.run(lambda watch: "late"), return_exceptions=True)
        lane.end()
        return found

    first, *others = asyncio.run(main())
    assert first == "done"
    assert all(refusal.status == 503 and "designs: the service is stopping" in str(refusal) for refusal in others)


def test_a_turn_that_nobody_waits_for_is_the_next_ones():
    async def main():
        lane = Lane("moves", 5, 5.0)
        await lane.turn()
        gone, stays = asyncio.create_task(lane.turn()), asyncio.create_task(lane.turn())
        await asyncio.sleep(0)
        lane.leave()  # the turn is gone's, which is cut off before it sees it
        gone.cancel()
        watch = await stays
        lane.abort()
        with pytest.raises(Ended, match="the service is stopping"):
            watch.look()
        lane.leave()
        lane.end()
        return lane.told()["running"], gone.cancelled()

    assert asyncio.run(main()) == (0, True)


def test_work_of_a_client_that_is_cut_off_gives_up():
    async def main():
        lane, ended = Lane("designs", 5, 5.0), []

        def work(watch):
            try:
                while True:
                    watch.look()
                    time.sleep(0.01)
            except Ended:
                ended.append(True)
                raise

        task = asyncio.create_task(lane.run(work))
        await asyncio.sleep(0.05)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        after = await lane.run(lambda watch: "done")
        lane.end()
        return ended, after

    assert asyncio.run(main()) == ([True], "done")


def test_stopping_finishes_what_is_asked_and_cuts_off_what_takes_too_long():
    async def slow(request):
        await asyncio.sleep(0.3 if request.parts == ("soon",) else 60)
        return json_reply({})

    async def client(port, data):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(data)
        found = await reader.read()
        writer.close()
        return found, time.monotonic()

    async def main():
        server, told = Server(slow, Limits(grace_s=0.5, abort_s=0.2)), []
        port = await server.start("127.0.0.1", 0)
        asked = [b"", request("GET", "/soon").replace(b"close", b"keep-alive"), request("GET", "/late")]
        clients = [asyncio.create_task(client(port, data)) for data in asked]
        await asyncio.sleep(0.1)
        began = time.monotonic()
        await server.stop(lambda: told.append(time.monotonic() - began))
        found = [(data, ended - began) for data, ended in await asyncio.gather(*clients)]
        with pytest.raises(ConnectionRefusedError):
            await asyncio.open_connection("127.0.0.1", port)
        return found, told

    (idle, soon, late), told = asyncio.run(main())
    assert idle[0] == b""
    assert idle[1] < soon[1]
    assert soon[0].startswith(b"HTTP/1.1 200 OK")
    assert b"Connection: close" in soon[0]
    assert late[0] == b""
    assert told[0] >= 0.5
    assert late[1] >= told[0] + 0.2
