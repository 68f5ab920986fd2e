"""The service under load: requests a second, latency, memory; work and frames; what a thousand clients do to it.

    python tests/benchmarks/serve.py [--seconds 3] [--clients 1 16 1000]

The service is ``holo serve`` in a process of its own, the clients another process; both share the cores of this machine. Every answer is
compared with what was to come.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import re
import resource
import subprocess
import sys
import time
from http.client import HTTPConnection
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from bench_tools import bench_text, machine
from running import ask, request

from holo.files import digest_of

ROOT = Path(__file__).parents[2]


def prepared(folder, rows, columns):
    """Files for the service: a bench, a mask, wanted sites and a reservoir of 20 x 20."""
    (folder / "masks").mkdir(parents=True)
    text = bench_text(columns, rows)
    (folder / "bench.toml").write_text(text)
    (folder / "wanted.toml").write_text("[[add]]\nblock = [14, 14]\nat = [3, 3]\n")
    sites = [(i, j) for j in range(20) for i in range(20)]
    (folder / "sites.csv").write_text("i,j\n" + "".join(f"{i},{j}\n" for i, j in sites))
    holo("design", folder / "wanted.toml", "--bench", folder / "bench.toml", "-o", folder / "masks" / "one.tiff", "--effort", "quick")
    holo("manifest", folder / "masks" / "one.tiff", "-o", folder / "masks" / "manifest.json")
    return ["--wanted", folder / "wanted.toml", "--reservoir", folder / "sites.csv", "--bench", folder / "bench.toml"]


def holo(*words):
    subprocess.run([sys.executable, "-m", "holo", *map(str, words)], cwd=ROOT, capture_output=True, check=True)


def started(folder, words):
    """The service as a process, and its port."""
    command = [sys.executable, "-m", "holo", "serve", folder / "masks", *words, "--port", "0", "--json", "--connections", "2048"]
    process = subprocess.Popen([*map(str, command)], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    return process, int(json.loads(process.stdout.readline())["url"].rsplit(":", 1)[1])


def peak_mb(process):
    """Peak memory of a process."""
    return int(re.search(r"VmHWM:\s+(\d+)", Path(f"/proc/{process.pid}/status").read_text())[1]) / 1024


async def client(port, data, wanted, until, times):
    """Ask the same again and again on one connection; count wrong answers."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=2**22)
    wrong = 0
    while time.perf_counter() < until or not times:
        start = time.perf_counter()
        writer.write(data)
        head = await reader.readuntil(b"\r\n\r\n")
        body = await reader.readexactly(int(re.search(rb"Content-Length: (\d+)", head)[1]))
        times.append(time.perf_counter() - start)
        wrong += not head.startswith(b"HTTP/1.1 200") or (wanted is not None and body != wanted)
    writer.close()
    return wrong


async def load(port, path, wanted, clients, seconds):
    """Rate (1/s), latencies (s) and wrong answers of a number of clients that ask at the same time."""
    data = request("GET", path).replace(b"close", b"keep-alive")
    times = [[] for _ in range(clients)]
    start = time.perf_counter()
    wrong = await asyncio.gather(*(client(port, data, wanted, start + seconds, own) for own in times))
    everything = np.concatenate([np.array(own) for own in times])
    return len(everything) / (time.perf_counter() - start), everything, sum(wrong)


def table(port, process, seconds, numbers, raw):
    print("\n| asked for | clients | requests a second | latency p50, ms | p99, ms | wrong answers | peak memory, MB |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    paths = {"state of the panel": ("/panel", None), f"levels, {len(raw) / 1e6:.2f} MB": ("/masks/one/levels?format=raw", raw)}
    for name, (path, wanted) in paths.items():
        for clients in numbers:
            rate, times, wrong = asyncio.run(load(port, path, wanted, clients, seconds))
            p50, p99 = 1000 * np.percentile(times, [50, 99])
            print(f"| {name} | {clients} | {rate:.0f} | {p50:.2f} | {p99:.2f} | {wrong} | {peak_mb(process):.0f} |", flush=True)


def work(port):
    """Nudges, and the first frames of moves of a reservoir that is filled by 60 %: to the first one, and between frames."""
    rng, nudges, first, between = np.random.default_rng(0), [], [], []
    for number in range(15):
        start = time.perf_counter()
        answer = ask(port, "POST", "/nudges", {"name": f"n{number}", "mask": "one", "by_um": [0.1, 0]})
        nudges.append(time.perf_counter() - start)
        assert answer.status == 201, answer
    for _ in range(5):
        times = moved(port, (rng.random(400) < 0.6).astype(int).tolist(), 10)
        first.append(times[0])
        between += np.diff(times).tolist()
    told = [f"{1000 * np.median(times):.0f} ms ({1000 * min(times):.0f} to {1000 * max(times):.0f})" for times in (nudges, first, between)]
    print(f"\nnudge of a mask, written and listed: {told[0]}")
    print(f"moves, 196 sites wanted, 400 filled by 60 %: first frame after {told[1]}, then one every {told[2]}")


def moved(port, filled, count):
    """Times from the question until each of the first frames is there, s; then the client leaves."""
    start, times = time.perf_counter(), []
    connection = HTTPConnection("127.0.0.1", port)
    connection.request("POST", "/moves", json.dumps({"filled": filled}), {"Content-Type": "application/json"})
    answer = connection.getresponse()
    answer.readline()
    while len(times) < count:
        head = json.loads(answer.readline())
        assert digest_of(answer.read(head["bytes"])) == head["digest"]
        times.append(time.perf_counter() - start)
    answer.close()
    connection.close()
    return times


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=3.0, help="time for each row")
    parser.add_argument("--clients", type=int, nargs="+", default=[1, 16, 1000])
    parser.add_argument("--size", type=int, nargs=2, default=[1024, 1024], help="rows and columns of the panel")
    options = parser.parse_args()
    resource.setrlimit(resource.RLIMIT_NOFILE, (resource.getrlimit(resource.RLIMIT_NOFILE)[1],) * 2)
    print(machine(), flush=True)
    with TemporaryDirectory() as name:
        process, port = started(Path(name), prepared(Path(name), *options.size))
        try:
            answer = ask(port, "GET", "/masks/one/levels?format=raw")
            assert digest_of(answer.body) == answer.headers["x-digest"]
            table(port, process, options.seconds, options.clients, answer.body)
            work(port)
        finally:
            process.terminate()
        print(f"\nends with exit code {process.wait()}")


if __name__ == "__main__":
    main()
