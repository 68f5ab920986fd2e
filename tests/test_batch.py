"""Batches: the right masks, once each, whatever fails, dies or is broken off meanwhile."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import holo
from holo.batch import run_jobs
from holo.cli import main
from holo.crew import Cluster
from holo.design import design, remake
from holo.design_smooth import design_smooth
from holo.errors import ClusterError, InputError, OutputExistsError
from holo.jobs import read_jobs
from holo.mask import read_mask, write_mask
from holo.record import read_inputs
from holo.results import JOURNAL, Results
from holo.worker import Made, Task, make

NINE = 'title = "nine and a hole"\n[[add]]\nblock = [3, 3]\n[[remove]]\nsites = [[1, 1]]\n[dark]\nmargin = 1\n'
BOX = 'title = "box"\n[smooth]\nbox = [6, 5]\nat = [11, 8]\npower = 0.5\n'
COMMON = '[common]\nbench = "bench.toml"\neffort = "quick"\n'


@pytest.fixture
def lab(tmp_path, small_bench_file):
    """A folder with a small bench and arrangements."""
    small_bench_file()
    (tmp_path / "nine.toml").write_text(NINE)
    (tmp_path / "box.toml").write_text(BOX)
    return tmp_path


def jobs_of(lab, text):
    (lab / "jobs.toml").write_text(COMMON + text)
    return read_jobs(lab / "jobs.toml")


def several(lab, count, more=""):
    """Jobs 0 to count - 1 of one arrangement."""
    return jobs_of(lab, f'arrangement = "nine.toml"\n{more}[[job]]\nname = "n"\n[sweep]\nseed = {list(range(count))}\n')


class Here:
    """A crew in this process, whose answers a test may change."""

    size = 1

    def __init__(self, change=None):
        self.asked, self.closed, self._change = [], False, change

    def ask(self, task):
        self.asked.append(task)
        return make(task) if self._change is None else self._change(task, len(self.asked))

    def close(self):
        self.closed = True


def quickly(task, count=0):
    """Answer without a search."""
    return Made(f"mask {task.options.seed}".encode(), {}, {"uniformity": 0.5, "sites": 8})


def pixels(path):
    mask = read_mask(path)
    return mask.levels.tobytes(), mask.phase.tobytes()


# ---------------------------------------------------------------------------------------------------------------------
# what is made


def test_masks_are_those_of_single_designs_bit_for_bit(lab, small_bench_text):
    nine = '[[job]]\narrangement = "nine.toml"\n'
    moved = 'name = "moved"\nlight.wavelength_nm = 710\nadd.1.target = 0.5\n'
    jobs = jobs_of(lab, nine + nine + moved + '[[job]]\narrangement = "box.toml"\niterations = 20\n')
    made = run_jobs(jobs, lab / "out", Here())
    assert (made.done, made.failed, made.kept) == (3, 0, 0)
    (lab / "moved-bench.toml").write_text(small_bench_text(light__wavelength_nm=710))
    (lab / "moved.toml").write_text(NINE.replace("3]", "3]\ntarget = 0.5"))
    for job, bench, arrangement in zip(jobs, ("bench", "moved-bench", "bench"), ("nine", "moved", "box"), strict=True):
        inputs = read_inputs(lab / f"{bench}.toml", lab / f"{arrangement}.toml")
        way = design if inputs.arrangement.smooth is None else design_smooth
        alone = way(inputs.bench, inputs.arrangement, options=job.options, sources=inputs.sources)
        write_mask(lab / "alone.tiff", alone.mask, overwrite=True)
        assert pixels(lab / "out" / "masks" / f"{job.name}.tiff") == pixels(lab / "alone.tiff")


def test_a_mask_of_changed_inputs_can_be_made_again_from_its_record(lab):
    (job,) = jobs_of(lab, 'arrangement = "nine.toml"\nlight.wavelength_nm = 710\nadd.1.target = 0.5\n')
    run_jobs([job], lab / "out", Here())
    mask = read_mask(lab / "out" / "masks" / "nine.tiff")
    again = remake(mask.record)
    assert np.array_equal(again.mask.levels, mask.levels)
    assert np.array_equal(again.mask.phase, mask.phase)


def test_the_tables_tell_all_and_agree(lab):
    named = '[[job]]\nname = "a"\nadd.1.at = [0, 1]\n[[job]]\nname = "b"\nuniformity = 0.9\n[[job]]\nname = "c"\nseed = 5\n'
    jobs = jobs_of(lab, f'arrangement = "nine.toml"\ndark.margin = 2\n{named}')

    def answer(task, count):
        return quickly(task) if task.options.seed == 0 else Made(error="no, with a comma")

    made = run_jobs(jobs, lab / "out", Here(answer))
    rows = [json.loads(line) for line in (lab / "out" / "table.jsonl").read_text().splitlines()]
    assert [*made.rows] == rows
    with (lab / "out" / "table.csv").open() as file:
        cells = [*csv.DictReader(file)]
    assert [*cells[0]] == [*rows[0]]
    assert [row["state"] for row in rows] == ["done", "done", "failed"]
    assert [row["uniformity"] for row in rows] == [0.5, 0.5, None]
    assert [row["asked_uniformity"] for row in rows] == [None, 0.9, None]
    assert rows[0]["add.1.at"] == [0, 1]
    assert cells[0]["add.1.at"] == "[0, 1]"
    assert [cell["error"] for cell in cells] == ["", "", "no, with a comma"]
    assert [row["mask"] for row in rows] == ["masks/a.tiff", "masks/b.tiff", None]
    pyarrow_parquet = pytest.importorskip("pyarrow.parquet")
    table = pyarrow_parquet.read_table(lab / "out" / "table.parquet").to_pylist()
    assert [{**row, "add.1.at": cell["add.1.at"] or None, "warnings": "[]"} for row, cell in zip(rows, cells, strict=True)] == [
        {**row, "warnings": "[]"} for row in table
    ]


def test_reports_come_with_the_masks(lab, monkeypatch):
    def write(folder, bench, mask, prediction, *, title, retrieval, seconds):
        folder.mkdir()
        (folder / "report.html").write_text(f"{title} {prediction.figures.uniformity} {retrieval.iterations} {seconds > 0}")
        (folder / "mask.png").write_bytes(mask.levels.tobytes())

    monkeypatch.setattr("holo.worker.write_report", write)
    (job,) = jobs_of(lab, 'arrangement = "nine.toml"\nreport = true\n')
    made = run_jobs([job], lab / "out", Here())
    (row,) = made.rows
    assert row["report"] == "reports/nine/report.html"
    assert (lab / "out" / row["report"]).read_text() == f"nine and a hole {row['uniformity']} {row['iterations']} True"
    assert (lab / "out" / "reports" / "nine" / "mask.png").read_bytes() == read_mask(lab / "out" / row["mask"]).levels.tobytes()
    assert run_jobs([job], lab / "out", Here()).kept == 1
    (lab / "out" / row["report"]).unlink()
    assert run_jobs([job], lab / "out", Here()).kept == 0


# ---------------------------------------------------------------------------------------------------------------------
# what fails


def test_a_job_that_fails_does_not_stop_the_others(lab):
    crew = Here(lambda task, count: Made(error="bad") if task.options.seed == 1 else quickly(task))
    made = run_jobs(several(lab, 4), lab / "out", crew)
    assert (made.done, made.failed) == (3, 1)
    assert [row["state"] for row in made.rows] == ["done", "failed", "done", "done"]
    assert [row["tries"] for row in made.rows] == [1, 1, 1, 1]  # bad input is bad every time
    assert not (lab / "out" / "masks" / "n_seed=1.tiff").exists()
    made = run_jobs(several(lab, 4), lab / "out", Here(quickly))
    assert (made.done, made.failed, made.kept) == (4, 0, 3)


def test_lost_workers_are_tried_again_as_often_as_asked(lab):
    steps = []
    crew = Here(lambda task, count: Made(error="lost", again=True) if task.options.seed == 0 else quickly(task))
    made = run_jobs(several(lab, 2), lab / "out", crew, retries=2, told=steps.append)
    assert [row["tries"] for row in made.rows] == [3, 1]
    assert [row["state"] for row in made.rows] == ["failed", "done"]
    assert sorted(step.state for step in steps) == ["again", "again", "begun", "done", "failed"]
    assert (steps[-1].finished, steps[-1].total, steps[-1].seconds_left) == (2, 2, 0)


def test_whatever_a_design_raises_is_an_answer(lab, monkeypatch):
    (job,) = several(lab, 1)
    inputs = read_inputs(job.bench, job.arrangement)
    for error, again, text in (
        (MemoryError("4 GB"), True, "not enough memory (4 GB)"),
        (OSError(28, "No space left on device"), True, "OSError: [Errno 28] No space left on device"),
        (InputError("seed: wrong"), False, "seed: wrong"),
    ):
        monkeypatch.setattr("holo.worker.design", lambda *_, error=error, **__: (_ for _ in ()).throw(error))
        made = make(Task(inputs, job.options))
        assert (made.again, made.mask) == (again, b"")
        assert made.error.startswith(text)
    other = make(replace(Task(inputs, job.options), version="0.0.1"))
    assert "on this worker; allowed: 0.0.1" in other.error


def test_nothing_is_written_unless_all_jobs_can_be_done(lab):
    jobs = jobs_of(lab, 'arrangement = "nine.toml"\n[sweep]\nlight.power_mw = [1, -1]\n')
    with pytest.raises(InputError, match=r"job nine_power_mw=-1: .*bench.toml: light.power_mw: found -1"):
        run_jobs(jobs, lab / "out", crew := Here())
    assert not (lab / "out").exists()
    assert crew.closed
    assert not crew.asked
    with pytest.raises(InputError, match="jobs: found none"):
        run_jobs([], lab / "out")
    with pytest.raises(InputError, match="found 'nine_power_mw=1' more than once"):
        run_jobs([jobs[0], jobs[0]], lab / "out")


def test_inputs_that_change_meanwhile_are_noticed(lab):
    def answer(task, count):
        (lab / "nine.toml").write_text(NINE + "# new\n")
        return quickly(task)

    made = run_jobs(several(lab, 5), lab / "out", Here(answer))
    assert made.failed >= 3  # those that were read before may be done
    assert "has changed since the batch was started" in made.rows[-1]["error"]


def test_folders_that_are_no_batch_are_left_alone(lab):
    jobs = several(lab, 1)
    (lab / "mine").mkdir()
    (lab / "mine" / "thesis.tex").write_text("x")
    for overwrite in (False, True):
        with pytest.raises(OutputExistsError, match=r"holds thesis.tex and no journal of a batch; name a new folder"):
            run_jobs(jobs, lab / "mine", Here(), overwrite=overwrite)
    with pytest.raises(InputError, match="is a file; name a folder"):
        run_jobs(jobs, lab / "nine.toml", Here())
    with pytest.raises(InputError, match="there is no folder"):
        run_jobs(jobs, lab / "no" / "out", Here())
    (lab / "mine" / JOURNAL).write_text("{}\n")
    with pytest.raises(InputError, match=r"journal.jsonl: found .* allowed: the journal of a batch"):
        run_jobs(jobs, lab / "mine", Here())
    assert (lab / "mine" / "thesis.tex").read_text() == "x"


def test_two_batches_at_once_in_one_folder_are_refused(lab):
    jobs = several(lab, 1)
    with Results(lab / "out"), pytest.raises(InputError, match="another command is at work in it"):
        run_jobs(jobs, lab / "out", Here(quickly))
    assert run_jobs(jobs, lab / "out", Here(quickly)).done == 1


# ---------------------------------------------------------------------------------------------------------------------
# going on


def test_what_is_done_is_made_again_only_if_something_has_changed(lab):
    jobs = several(lab, 3)
    out = lab / "out"
    run_jobs(jobs, out, Here(quickly))

    def asked(jobs, **options):
        crew = Here(quickly)
        made = run_jobs(jobs, out, crew, **options)
        assert made.kept == len(jobs) - len(crew.asked)
        return sorted(task.options.seed for task in crew.asked)

    assert asked(jobs) == []
    (out / "masks" / "n_seed=1.tiff").unlink()
    assert asked(jobs) == [1]
    (out / "masks" / "n_seed=2.tiff").write_bytes(b"mask 3")
    assert asked(jobs) == [2]
    assert asked(several(lab, 4)) == [3]
    assert asked(jobs, overwrite=True) == [0, 1, 2]
    (lab / "nine.toml").write_text(NINE.replace("margin = 1", "margin = 2"))
    assert asked(jobs) == [0, 1, 2]


def test_a_journal_cut_off_or_damaged_anywhere_costs_only_what_is_missing(lab):
    jobs = several(lab, 3)
    out = lab / "out"
    run_jobs(jobs, out, Here(quickly))
    whole = (out / JOURNAL).read_bytes()
    ends = [place + 1 for place, byte in enumerate(whole) if byte == ord("\n")]
    for cut in range(ends[0], len(whole) + 1, 19):
        (out / JOURNAL).write_bytes(whole[:cut])
        with Results(out) as results:
            assert len(results.entries) == sum(end <= cut for end in ends[1:])
        assert (out / JOURNAL).read_bytes() == whole[: max(end for end in ends if end <= cut)]
    (out / JOURNAL).write_bytes(whole[: ends[1]] + b'\x00\xff{"job": 3}\n[1]\n' + whole[ends[1] :])
    with Results(out) as results:
        assert len(results.entries) == 3


@pytest.mark.parametrize("call", ["os.fsync", "pathlib.Path.replace", "os.link"])
def test_a_break_at_any_write_is_mended_by_the_next_run(lab, monkeypatch, call):
    """Every system call that makes something last is broken off once; the next run goes on and ends in the same."""
    jobs = several(lab, 3)
    made = run_jobs(jobs, lab / "whole", Here(quickly))
    kept = []
    for broken in range(20):
        out = lab / f"out-{broken}"
        module, name = call.rsplit(".", 1)
        owner = Path if module == "pathlib.Path" else os
        real, calls = getattr(owner, name), iter(range(99))

        def breaking(*args, real=real, calls=calls, broken=broken, **kwargs):
            if next(calls) == broken:
                raise KeyboardInterrupt
            return real(*args, **kwargs)

        with monkeypatch.context() as patch:
            patch.setattr(owner, name, breaking)
            try:
                run_jobs(jobs, out, Here(quickly))
                break  # there are no more such calls
            except KeyboardInterrupt:
                pass
        again = run_jobs(jobs, out, Here(quickly))
        kept.append(again.kept)
        assert again.done == 3
        assert [row["mask"] for row in again.rows] == [row["mask"] for row in made.rows]
        assert all((out / row["mask"]).read_bytes() == (lab / "whole" / row["mask"]).read_bytes() for row in made.rows)
        assert not [*out.rglob(".*")]
    assert kept == sorted(kept)


def test_the_tables_grow_while_a_batch_runs(lab, monkeypatch):
    monkeypatch.setattr("holo.batch.TABLES_EVERY_S", 0.0)
    table, seen = lab / "out" / "table.jsonl", []
    steps = lambda step: seen.append(table.read_text().count('"done"') if table.exists() else 0)  # noqa: E731
    run_jobs(several(lab, 3), lab / "out", Here(quickly), told=steps)
    assert seen == [0, 0, 1, 2]


def test_ctrl_c_leaves_tables_and_a_run_that_goes_on(lab):
    def answer(task, count):
        if count == 3:
            raise KeyboardInterrupt
        return quickly(task)

    with pytest.raises(KeyboardInterrupt):
        run_jobs(several(lab, 5), lab / "out", crew := Here(answer))
    assert crew.closed
    rows = [json.loads(line) for line in (lab / "out" / "table.jsonl").read_text().splitlines()]
    done = [row["job"] for row in rows if row["state"] == "done"]
    assert {row["state"] for row in rows} == {"done", "waiting"}
    made = run_jobs(several(lab, 5), lab / "out", Here(quickly))
    assert (made.done, made.kept) == (5, len(done))


# ---------------------------------------------------------------------------------------------------------------------
# processes


def alive(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def until(condition, seconds=240):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.01)


def environment():
    paths = [str(Path(holo.__file__).parent.parent), os.environ.get("PYTHONPATH", "")]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, paths))}


def done_lines(folder):
    journal = folder / JOURNAL
    return journal.read_text().count('"state": "done"') if journal.exists() else 0


def test_a_worker_that_is_killed_costs_nothing_and_neither_does_the_whole_batch(lab):
    """A worker is killed with SIGKILL, then the batch, then it is started again: every mask is there, as in one process."""
    jobs = several(lab, 30)
    command = [sys.executable, "-m", "holo", "batch", "jobs.toml", "-o", "out", "--workers", "2"]
    batch = subprocess.Popen(command, cwd=lab, env=environment(), stderr=subprocess.PIPE, text=True)
    try:
        until(lambda: done_lines(lab / "out") >= 2)
        tasks = Path(f"/proc/{batch.pid}/task")
        workers = [int(pid) for path in tasks.iterdir() for pid in (path / "children").read_text().split()]
        os.kill(workers[0], signal.SIGKILL)
        before = done_lines(lab / "out")
        until(lambda: done_lines(lab / "out") >= before + 5)
    finally:
        batch.kill()
    stderr = batch.communicate()[1]
    assert "its worker was lost: killed by signal 9" in stderr
    assert "is tried again" in stderr
    until(lambda: not any(map(alive, workers)))  # they end with the batch
    kept = done_lines(lab / "out")
    assert 7 <= kept < 30
    made = run_jobs(jobs, lab / "out", Here())
    assert (made.done, made.failed, made.kept) == (30, 0, kept)
    alone = make(Task(read_inputs(jobs[9].bench, jobs[9].arrangement), jobs[9].options))
    (lab / "alone.tiff").write_bytes(alone.mask)
    assert pixels(lab / "out" / "masks" / "n_seed=9.tiff") == pixels(lab / "alone.tiff")


@contextmanager
def cluster(folder, workers):
    """A scheduler and its workers, each a process on the loopback interface; gives its address and these processes."""
    pytest.importorskip("distributed")
    where = ["--scheduler-file", str(folder / "scheduler.json"), "--host", "127.0.0.1", "--no-dashboard"]
    with ExitStack() as stack:

        def start(name, *options):
            log = stack.enter_context((folder / f"{name}.log").open("w"))
            command = [sys.executable, "-m", f"distributed.cli.dask_{name.rstrip('0123456789')}", *where, *options]
            process = subprocess.Popen(command, cwd=folder, env=environment(), stdout=log, stderr=log)
            stack.callback(process.wait)
            stack.callback(process.kill)
            return process

        scheduler = start("scheduler", "--port", "0")
        options = ["--nthreads", "1", "--no-nanny", "--local-directory", str(folder)]
        processes = [start(f"worker{number}", *options) for number in range(workers)]
        until(lambda: (folder / "scheduler.json").is_file() and (folder / "scheduler.json").read_text().rstrip().endswith("}"))
        yield json.loads((folder / "scheduler.json").read_text())["address"], scheduler, processes


def test_a_cluster_makes_the_same_masks_though_a_worker_is_killed(lab):
    jobs = several(lab, 16)
    steps = []
    with cluster(lab, 2) as (address, scheduler, workers):
        crew = Cluster(address, patience_s=240)
        crew.wait_for(2)

        def told(step):
            steps.append(step)
            if len(steps) == 4:
                workers[0].kill()

        made = run_jobs(jobs, lab / "out", crew, told=told)
        assert (made.done, made.failed) == (16, 0)
        crew = Cluster(address, patience_s=2)
        scheduler.kill()
        with pytest.raises(ClusterError, match=r"scheduler: lost the one at tcp://127.0.0.1:\d+ for more than 2 s"):
            run_jobs(several(lab, 17), lab / "out", crew)
    rows = [json.loads(line) for line in (lab / "out" / "table.jsonl").read_text().splitlines()]
    assert [row["state"] for row in rows] == 16 * ["done"] + ["waiting"]
    for job in jobs[::8]:
        (lab / "alone.tiff").write_bytes(make(Task(read_inputs(job.bench, job.arrangement), job.options)).mask)
        assert pixels(lab / "out" / "masks" / f"{job.name}.tiff") == pixels(lab / "alone.tiff")


def test_a_scheduler_that_does_not_answer_is_bad_input(lab):
    pytest.importorskip("distributed")
    with pytest.raises(InputError, match=r"scheduler: found none that answers at tcp://127.0.0.1:9 within 0.2 s"):
        Cluster("tcp://127.0.0.1:9", patience_s=0.2)


def test_without_dask_there_is_one_clear_message(lab, monkeypatch):
    several(lab, 1)
    monkeypatch.setitem(sys.modules, "distributed", None)
    run = CliRunner().invoke(main, ["batch", str(lab / "jobs.toml"), "--scheduler", "tcp://127.0.0.1:9"])
    assert run.exit_code == 2
    assert run.stderr.startswith("error: scheduler: found no Dask")
    assert run.stderr.count("\n") == 1
    assert "pip install 'holo[cluster]'" in run.stderr
    assert not (lab / "jobs-results").exists()


# ---------------------------------------------------------------------------------------------------------------------
# the command


@pytest.fixture
def here(monkeypatch):
    """The command works in this process."""
    crew = Here(quickly)
    monkeypatch.setattr("holo.crew.Processes", lambda *_: crew)
    return crew


def command(*args):
    return CliRunner().invoke(main, ["batch", *map(str, args)], catch_exceptions=False)


def test_the_command_prints_a_summary_and_progress(lab, here):
    several(lab, 3)
    run = command(lab / "jobs.toml", "--json")
    told = json.loads(run.stdout)
    seconds = told.pop("seconds")
    assert seconds > 0
    folder = str(lab / "jobs-results")
    assert told == {"folder": folder, "table": f"{folder}/table.csv", "jobs": 3, "done": 3, "kept": 0, "failed": 0}
    assert run.exit_code == 0
    assert sorted(line.split("  ")[1] for line in run.stderr.splitlines()[1:]) == [f"n_seed={n}: done: uniformity 0.5" for n in range(3)]
    assert json.loads(command(lab / "jobs.toml", "--json").stdout)["kept"] == 3


def test_failed_jobs_are_listed_and_the_exit_code_is_1(lab, here):
    several(lab, 3)
    here._change = lambda task, count: Made(error="because") if task.options.seed == 1 else quickly(task)
    run = command(lab / "jobs.toml", "-o", lab / "out")
    assert run.exit_code == 1
    assert "n_seed=1  because" in run.stdout
    assert "n_seed=1: failed: because" in run.stderr


def test_the_list_is_of_checked_jobs_and_makes_nothing(lab, here):
    several(lab, 3)
    run = command(lab / "jobs.toml", "--list", "--json")
    assert [entry["job"] for entry in json.loads(run.stdout)["list"]] == ["n_seed=0", "n_seed=1", "n_seed=2"]
    assert not here.asked
    assert not (lab / "jobs-results").exists()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("arrangement = 'nine.toml'\nsede = 1\n", "nearest known key: 'seed'"),
        ("arrangement = 'nine.toml'\nlight.power_mw = -1\n", "light.power_mw: found -1"),
        ("arrangement = 'none.toml'\n", "neither a file nor a starter pattern"),
    ],
)
def test_bad_input_is_one_message_and_exit_code_2(lab, here, text, message):
    (lab / "jobs.toml").write_text(COMMON + text)
    for more in ((), ("--list",)):
        run = command(lab / "jobs.toml", *more)
        assert run.exit_code == 2
        assert message in run.stderr
        assert run.stderr.count("\n") == 1
    assert not (lab / "jobs-results").exists()
