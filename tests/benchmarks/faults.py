"""Saves that are broken off at every call by which a file changes, files that vanish, and commands that are killed at random moments.

    python tests/benchmarks/faults.py [--kills 60] [--seed 1]

Counted are the cases and those after which every file is whole, as it was or as it was to be, and the save, repeated, ends as if
nothing had happened. Of readers and commands, each file is taken away at each look at it, one at a time. The last row wants a Linux
that lets the user mount: a small disk that really fills up.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

import faulty
import fuzzing

ROOT = Path(__file__).parents[2]
CHILD = """
import sys
from pathlib import Path
import faulty
name, folder = sys.argv[1], Path(sys.argv[2])
save = faulty.saves()[name]
print("ready", flush=True)
for _ in range(1000):
    try:
        save.save(folder)
    except faulty.OutputExistsError:
        break
"""


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=60, help="commands killed at random moments")
    parser.add_argument("--only", default="", help="names of saves, with semicolons; then nothing is killed or filled besides")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with TemporaryDirectory() as name:
        folder = Path(name) / "place"
        sums = {}
        print(f"| save | calls | {' | '.join(faulty.HOWS)} |\n| {'--- | ' * (2 + len(faulty.HOWS))}")
        every = faulty.saves()
        for what, save in every.items() if not options.only else ((what, every[what]) for what in options.only.split(";")):
            facts = faulty.known(save, folder)
            row = []
            for how in faulty.HOWS:
                wrong = [(at, fault) for at in range(facts.calls) if (fault := faulty.broken(save, folder, facts, at, how))]
                for at, fault in wrong:
                    print(f"{what}: call {at}, {how}: {fault}", file=sys.stderr)
                row.append(f"{facts.calls - len(wrong)} of {facts.calls}")
                cases, whole = sums.get(how, (0, 0))
                sums[how] = cases + facts.calls, whole + facts.calls - len(wrong)
            print(f"| {what} | {facts.calls} | {' | '.join(row)} |", flush=True)
        print(f"| all | | {' | '.join(f'{whole} of {cases}' for cases, whole in sums.values())} |")
        if options.only:
            return
        told("files that vanish", *vanished(folder))
        told("killed at a random moment", *killed(Path(name), options.kills, random.Random(options.seed)))
        told("a disk that is full, at every size", *filled(Path(name)))


def told(what, cases, whole):
    print(f"| {what} | | {whole} of {cases} |", flush=True)


def vanished(folder):
    """Take each file of each command and reader away at each look at it; the message must name it, and nothing else may change."""
    every = {name: faulty.read_by(name) for name in faulty.READS}
    with TemporaryDirectory() as scratch:
        # the service reads no file of these when a request comes; runs and sequences go on from what is left, and so write
        others = {name: reader for name, reader in fuzzing.readers(Path(scratch)).items() if name != "service" and not reader.writes}
    every |= {f"reader {name}": faulty.read_again(reader) for name, reader in others.items()}
    cases = whole = 0
    for name, save in every.items():
        for at in range(1000):
            wrong, taken = faulty.vanished(save, folder, at)
            if not taken:
                break
            cases, whole = cases + 1, whole + (not wrong)
            if wrong:
                print(f"{name}: {wrong}", file=sys.stderr)
    return cases, whole


def killed(place, count, chance):
    """Kill a process that saves again and again, at random moments; what is there then must be whole."""
    whole = 0
    names = ("mask, again", "run, again", "last frame", "sequence, again", "batch, again", "manifest, again")
    environment = {**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'tests'}"}
    for number in range(count):
        folder, save = place / "killed", faulty.saves()[names[number % len(names)]]
        facts = faulty.known(save, folder)
        shutil.rmtree(folder)
        folder.mkdir()
        save.before(folder)
        command = [sys.executable, "-c", CHILD, names[number % len(names)], str(folder)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, env=environment) as process:
            process.stdout.readline()
            time.sleep(chance.uniform(0, 0.05))
            process.send_signal(signal.SIGKILL)
        save.save(folder)
        whole += faulty.contents(folder) == facts.new
    return count, whole


def filled(place):
    """Save on a disk of 4 KiB, 8 KiB and so on, until it is large enough."""
    cases = whole = 0
    disk = place / "disk"
    disk.mkdir()
    for name in ("mask, again", "run, again", "sequence", "folder, again"):
        save = faulty.saves()[name]
        facts = faulty.known(save, place / "large")
        for pages in range(1, 60):
            if subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={4096 * pages}", "none", disk], capture_output=True).returncode:
                return cases, whole
            try:
                save.before(disk)
                before = faulty.contents(disk)
            except (faulty.HoloError, OSError):
                continue  # not even what was there before fits
            finally:
                if not (fits := "before" in locals()):
                    subprocess.run(["umount", disk], check=True)
            try:
                save.save(disk)
                good, last = faulty.contents(disk) == facts.new, True
            except (faulty.HoloError, OSError):
                good, last = faulty.contents(disk) == before and not faulty.left(disk), False
            finally:
                subprocess.run(["umount", disk], check=True)
                del before
            cases, whole = cases + 1, whole + good
            if last and fits:
                break
    return cases, whole


if __name__ == "__main__":
    main()
