"""What a batch costs beside the designs themselves: many designs on a few workers against the same ones one after the other.

One after the other means what a user would write: read the inputs, design, write the mask, in one process with one thread, as
each worker has. The ideal of N workers is the Nth part of that time. Three overheads are printed:

- of the time: seconds of the batch over the ideal, less 1, from the call to the last table, the start of the workers
  included. Designs that slow each other down, by the memory that they share or by other users of the machine, count too;
- of the work: CPU seconds of the batch, all its processes, over those of the plain loop, less 1;
- of the batch: seconds of all workers over those that they spent in designs, less 1: starting, waiting, moving data.

Both sides run in turns, each in a process of its own, so that a machine whose speed drifts is unfair to nobody. The masks
are compared.

    python tests/benchmarks/batch.py [--designs 200] [--workers 2] [--rounds 3] [--pixels 1024] [--sites 16] [--scheduler]
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import statistics
import subprocess
import sys
import time
from contextlib import ExitStack
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

WHAT = ("time", "work", "batch")
ONE_THREAD = {"HOLO_THREADS": "1", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


def prepare(folder, designs, pixels, sites):
    from bench_tools import bench_text

    (folder / "bench.toml").write_text(bench_text(pixels, pixels))
    (folder / "block.toml").write_text(f'title = "block"\n[[add]]\nblock = [{sites}, {sites}]\n')
    seeds = list(range(designs))
    common = '[common]\nbench = "bench.toml"\narrangement = "block.toml"\n'
    (folder / "jobs.toml").write_text(f"{common}[sweep]\nseed = {seeds}\n")


def cpu_seconds():
    """Of this process and of those of its children that have ended."""
    found = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(usage.ru_utime + usage.ru_stime for usage in found)


def loop(folder, _workers, _scheduler):
    """The same designs one after the other."""
    from holo.design import DesignOptions, design
    from holo.jobs import read_jobs
    from holo.mask import write_mask
    from holo.record import read_inputs

    (folder / "loop").mkdir()
    for job in read_jobs(folder / "jobs.toml"):
        inputs = read_inputs(job.bench, job.arrangement)
        made = design(inputs.bench, inputs.arrangement, options=DesignOptions(seed=job.options.seed), sources=inputs.sources)
        write_mask(folder / "loop" / f"{job.name}.tiff", made.mask)


def batch(folder, workers, scheduler):
    from holo.batch import run_jobs
    from holo.crew import Cluster, Processes
    from holo.jobs import read_jobs

    crew = Cluster(scheduler, workers) if scheduler else Processes(workers)
    made = run_jobs(read_jobs(folder / "jobs.toml"), folder / "batch", crew)
    assert not made.failed, made.rows


def in_a_process(way, folder, workers, scheduler):
    """Seconds and CPU seconds of one way."""
    command = [sys.executable, __file__, "--way", way, "--folder", str(folder), "--workers", str(workers)]
    run = subprocess.run([*command, "--scheduler", scheduler], env={**os.environ, **ONE_THREAD}, stdout=subprocess.PIPE, check=True)
    return json.loads(run.stdout)


def measure(way, folder, workers, scheduler):
    begin, before = time.perf_counter(), cpu_seconds()
    {"loop": loop, "batch": batch}[way](folder, workers, scheduler)
    print(json.dumps([time.perf_counter() - begin, cpu_seconds() - before]))


def cluster(stack, folder, workers):
    """A scheduler and single-threaded workers on the loopback interface; gives its address and what its processes have used until now."""
    file = ["--scheduler-file", str(folder / "scheduler.json"), "--host", "127.0.0.1", "--no-dashboard"]
    environment = {**os.environ, **ONE_THREAD, "PYTHONPATH": str(Path(__file__).parent.parent.parent)}
    processes = []

    def start(kind, *options):
        log = stack.enter_context((folder / f"{kind}-{len(processes)}.log").open("w"))
        command = [sys.executable, "-m", f"distributed.cli.dask_{kind}", *file, *options]
        processes.append(subprocess.Popen(command, cwd=folder, env=environment, stdout=log, stderr=log))
        stack.callback(processes[-1].wait)
        stack.callback(processes[-1].kill)

    start("scheduler", "--port", "0")
    for _ in range(workers):
        start("worker", "--nthreads", "1", "--no-nanny", "--local-directory", str(folder))
    while not (folder / "scheduler.json").is_file():
        time.sleep(0.1)
    time.sleep(1)

    def used():
        ticks = [Path(f"/proc/{process.pid}/stat").read_text().rsplit(")", 1)[1].split()[11:13] for process in processes]
        return sum(int(tick) for pair in ticks for tick in pair) / os.sysconf("SC_CLK_TCK")

    return json.loads((folder / "scheduler.json").read_text())["address"], used


def same(folder):
    import numpy as np

    from holo.mask import read_mask

    pairs = [(read_mask(path), read_mask(folder / "batch" / "masks" / path.name)) for path in sorted((folder / "loop").glob("*.tiff"))[::7]]
    return all(np.array_equal(one.levels, other.levels) and np.array_equal(one.phase, other.phase) for one, other in pairs)


def one_round(arguments, folder, scheduler, used):
    """Seconds and CPU seconds of the loop and of the batch, and what of the latter the designs took."""
    prepare(folder, arguments.designs, arguments.pixels, arguments.sites)
    alone = in_a_process("loop", folder, arguments.workers, scheduler)
    before = used()
    together = in_a_process("batch", folder, arguments.workers, scheduler)
    together[1] += used() - before
    assert same(folder), "the masks differ"
    rows = map(json.loads, (folder / "batch" / "table.jsonl").read_text().splitlines())
    return alone, together, sum(row["design_seconds"] for row in rows)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--designs", type=int, default=200)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--pixels", type=int, default=1024)
    parser.add_argument("--sites", type=int, default=16, help="sites along each side")
    parser.add_argument("--scheduler", nargs="?", const="own", default="", help="use a Dask cluster, started here")
    parser.add_argument("--way", help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.way:
        measure(arguments.way, arguments.folder, arguments.workers, arguments.scheduler)
        return

    from bench_tools import machine

    kind = f"Dask {version('distributed')}" if arguments.scheduler else "processes"
    print(f"{machine()}; {arguments.workers} workers ({kind}), one thread each")
    print(f"{arguments.designs} designs, {arguments.pixels} x {arguments.pixels} pixels, {arguments.sites}^2 sites, effort normal\n")
    print("| round | loop, s | CPU s | batch, s | CPU s | overhead of the time | of the work | of the batch |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    overheads = []
    with ExitStack() as stack:
        scheduler, used = "", lambda: 0.0
        if arguments.scheduler:
            scheduler, used = cluster(stack, Path(stack.enter_context(TemporaryDirectory())), arguments.workers)
        for number in range(arguments.rounds):
            with TemporaryDirectory() as temporary:
                (alone, alone_cpu), (together, together_cpu), designing = one_round(arguments, Path(temporary), scheduler, used)
            all_of_them = together * arguments.workers
            overheads.append((all_of_them / alone - 1, together_cpu / alone_cpu - 1, all_of_them / designing - 1))
            cells = [f"{number + 1}", *(f"{value:.1f}" for value in (alone, alone_cpu, together, together_cpu))]
            print("| " + " | ".join([*cells, *(f"{100 * value:+.1f} %" for value in overheads[-1])]) + " |", flush=True)
    of = [f"of the {name} {100 * statistics.median(found):+.1f} %" for name, found in zip(WHAT, zip(*overheads, strict=True), strict=True)]
    print(f"\nmedian overhead: {', '.join(of)}")


if __name__ == "__main__":
    main()
