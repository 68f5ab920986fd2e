"""Installations: interpreters with the newest and the oldest libraries, bare systems, and places that are not as usual.

    python tests/benchmarks/installations.py [--python /usr/bin/python3.13]... [--system FOLDER]... [--parts PART,...]

In each installation: `pip check`, modules outside holo, `holo demo`, and some of the tests on what was installed. A system is a folder
with the files of one (such as debootstrap makes) that has python3 with its venv; changing into it takes root. As root, what is to be read
only belongs to root and the commands run as another user; so the interpreter must be one that all may use.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import shutil
import subprocess
import time
import tomllib
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
TESTS = ("arrays", "bench", "mask", "plans", "report", "registration", "files")
"""Those of the tests that touch each library at least once, and need no more than pytest and hypothesis."""

LOOK = """
import json, sys
from importlib.metadata import distributions, files, version
from pathlib import Path
import holo
place = Path(holo.__file__).parents[1]
own = [str(path) for path in files("holo")]
size = lambda names: sum(path.stat().st_size for path in names if path.is_file())
print(json.dumps({
    "python": ".".join(map(str, sys.version_info[:3])),
    "versions": " ".join(f"{name} {version(name)}" for name in ("numpy", "scipy", "numba", "pyfftw", "matplotlib")),
    "outside": [path for path in own if path.split("/")[0] not in ("holo", "..") and not path.startswith("holo-")],
    "holo_mb": size(place / path for path in own) / 1e6,
    "all_mb": size(place.rglob("*")) / 1e6,
}))
"""


@dataclass(frozen=True)
class Machine:
    """Where commands run."""

    root: Path = Path("/")
    environment: dict[str, str] = field(default_factory=lambda: dict(os.environ))

    def run(self, *words, cwd="/", other_user=False, **environment):
        """Run a command and return it with its texts and seconds; paths are those that it sees."""
        user = [shutil.which("setpriv"), "--reuid=65534", "--regid=65534", "--clear-groups"] if other_user and os.geteuid() == 0 else []
        enter = ["chroot", self.root, "env", f"--chdir={cwd}"] if self.root != Path("/") else []
        place = None if enter else cwd
        start = time.perf_counter()
        done = subprocess.run([*enter, *user, *words], cwd=place, env={**self.environment, **environment}, capture_output=True, text=True)
        return Done(done.returncode == 0, done.stdout, done.stderr, time.perf_counter() - start)

    def folder(self, path):
        """A folder of the machine, from outside."""
        return self.root / str(path).lstrip("/")


@dataclass(frozen=True)
class Done:
    """How a command ended."""

    well: bool
    out: str
    err: str
    seconds: float

    def __str__(self):
        return f"{self.seconds:.0f} s" if self.well else f"FAILED: {(self.err.strip() or self.out.strip()).splitlines()[-1][:200]}"


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--python", action="append", default=[], metavar="PATH", help="an interpreter; by default all on the path")
    parser.add_argument("--system", action="append", default=[], type=Path, metavar="FOLDER", help="folder with the files of a system")
    parser.add_argument("--parts", default="archives,libraries,systems,places")
    parser.add_argument("--libraries", default="newest,oldest", help="newest, oldest (what pyproject.toml asks for at least), or both")
    parser.add_argument("--tests", default=",".join(TESTS), help="tests to run on what was installed; may be empty")
    options = parser.parse_args()
    pythons = options.python or found_pythons()
    with TemporaryDirectory() as name:
        work = Path(name)
        work.chmod(0o755)
        copied(work / "source")
        for part in options.parts.split(","):
            {
                "archives": lambda: archives(work, pythons[0]),
                "libraries": lambda: libraries(work, pythons, options.libraries.split(","), options.tests),
                "systems": lambda: systems(options.system, options.tests),
                "places": lambda: places(work, pythons[0]),
            }[part]()


def found_pythons():
    """Interpreters on the path that are new enough, one of each version."""
    floor = int(re.search(r">=3\.(\d+)", PROJECT["requires-python"])[1])
    names = [shutil.which(f"python3.{minor}") for minor in range(floor, 30)]
    return [name for name in names if name and subprocess.run([name, "-c", "import venv"], capture_output=True).returncode == 0]


def copied(folder):
    """The source without what building and running leave in it."""
    left = shutil.ignore_patterns(".git", "__pycache__", "*.egg-info", "build", "dist", ".*_cache", ".hypothesis", ".venv", "holo-demo")
    return shutil.copytree(ROOT, folder, ignore=left)


def table(*heads):
    print(f"\n| {' | '.join(heads)} |\n| {' | '.join(['---'] * len(heads))} |", flush=True)


def row(*cells):
    print(f"| {' | '.join(str(cell) for cell in cells)} |", flush=True)


def archives(work, python):
    """Both archives, and whether they have what they should."""
    machine = Machine()
    machine.run(python, "-m", "venv", work / "builder")
    builder = work / "builder" / "bin" / "python"
    machine.run(builder, "-m", "pip", "install", "-q", "build")
    built = machine.run(builder, "-m", "build", "-q", "--outdir", work / "archives", work / "source")
    stale = work / "source" / "build" / "lib" / "holo" / "errors.py"
    stale.parent.mkdir(parents=True)
    stale.write_text("of another version, and newer")
    tree = machine.run(builder, "-m", "pip", "wheel", "-q", "--no-deps", "-w", work / "wheel", ".", cwd=work / "source")
    table("archive", "KB", "built", "content")
    source, wheel, other = (next(work.glob(where)) for where in ("archives/*.tar.gz", "archives/*.whl", "wheel/*.whl"))
    content = machine.run(builder, work / "source" / ".ci" / "content.py", source, wheel, other)
    row("source", source.stat().st_size // 1000, built, "")
    told = (content.out + content.err).strip().replace("\n", "; ")
    row("wheel, from it and from a folder with an older build", wheel.stat().st_size // 1000, tree, told)


COLUMNS = ("Python", "libraries", "install", "pip check", "outside holo", "MB of holo, of all", "demo, first run", "tests")


def libraries(work, pythons, ages, tests):
    """The newest and the oldest libraries with each interpreter."""
    table(*COLUMNS)
    floors = work / "floors.txt"
    needs = [*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["test"]]
    floors.write_text("".join(f"{need.replace('>=', '==')}\n" for need in needs))
    for python in pythons:
        for age in ages:
            environment = work / "environment"
            shutil.rmtree(environment, ignore_errors=True)
            row(*installed(Machine(), python, work / "source", environment, tests, ("-c", floors) if age == "oldest" else ()))


def installed(machine, python, source, environment, tests, constraints=(), own=()):
    """Install the source into a fresh environment, try it, and give the cells of a row."""
    lab = environment / "lab"
    made = machine.run(python, "-m", "venv", *own, environment)
    machine.folder(lab).mkdir(parents=True)
    command = environment / "bin" / "python"
    install = machine.run(command, "-m", "pip", "install", "-q", *constraints, ".", cwd=source) if made.well else made
    if not install.well:
        return python, "oldest" if constraints else "newest", install, *[""] * 5
    found = json.loads(machine.run(command, "-c", LOOK, cwd=lab).out)
    check = machine.run(command, "-m", "pip", "check")
    caches = {"NUMBA_CACHE_DIR": str(lab / "kernels"), "MPLCONFIGDIR": str(lab / "fonts"), "XDG_CACHE_HOME": str(lab / "plans")}
    demo = machine.run(command, "-m", "holo", "demo", cwd=lab, **caches)
    tested = tried(machine, command, source, lab, tests, constraints) if tests else ""
    sizes = f"{found['holo_mb']:.1f}, {found['all_mb']:.0f}"
    which = f"{'oldest' if constraints else 'newest'}: {found['versions']}"
    return found["python"], which, install, "well" if check.well else check, found["outside"] or "none", sizes, demo, tested


def tried(machine, command, source, lab, tests, constraints):
    """Run tests beside no source of holo, so that they try what was installed."""
    for name in ("tests", "pyproject.toml", "conftest.py"):
        (shutil.copytree if name == "tests" else shutil.copy)(machine.folder(source / name), machine.folder(lab / name))
    tools = machine.run(command, "-m", "pip", "install", "-q", *constraints, "pytest", "pytest-xdist", "hypothesis")
    if not tools.well:
        return tools
    files = [f"tests/test_{name}.py" for name in tests.split(",")]
    done = machine.run(command, "-m", "pytest", "-q", "-n0", "-p", "no:cacheprovider", *files, cwd=lab)
    return (done.out.strip().splitlines() or [done.err])[-1] if done.well else f"FAILED: {done.out[-3000:]}"


def systems(folders, tests):
    """Bare systems: the README's first command in an environment made by the system's own Python, and one that sees its libraries."""
    table("system", *COLUMNS)
    for folder in folders:
        name = re.search(r'PRETTY_NAME="(.*)"', (folder / "etc/os-release").read_text())[1]
        machine = Machine(folder, {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "HOME": "/root", **for_pip()})
        has_libraries = machine.run("python3", "-c", "import numpy").well
        for own in ((), ("--system-site-packages",))[: 1 + has_libraries]:
            place = folder / "root" / "tried"
            try:
                copied(place / "source")
                cells = installed(machine, "python3", Path("/root/tried/source"), Path("/root/tried/environment"), tests, own=own)
                row(f"{name}{', its own libraries too' if own else ''}", *cells)
            finally:
                shutil.rmtree(place, ignore_errors=True)


def for_pip():
    """What the environment says of where packages are."""
    return {key: value for key, value in os.environ.items() if key.startswith(("PIP_", "SSL_"))}


def places(work, python):
    """Places that are not as usual; each must end well, with no more than a note."""
    table("place", "how it ended", "seconds", "said besides warnings")
    strange = work / "größe µ 格子 it's"  # each a way to get a shell, an encoding or a template wrong
    source, home = copied(strange / "copy of holo"), strange / "mein Zuhause"
    home.mkdir()
    machine = Machine(
        environment={"PATH": os.environ["PATH"], "HOME": str(home)} | {k: v for k, v in os.environ.items() if k[:4] == "PIP_"}
    )
    environment = strange / "virtual environment"
    made = machine.run(python, "-m", "venv", environment)
    install = machine.run(environment / "bin" / "python", "-m", "pip", "install", "-q", ".", cwd=source)
    ended = made if not made.well else "well" if install.well else install
    row("spaces, letters beyond ASCII and quotes in all names: installation", ended, f"{install.seconds:.0f}", "")
    holo = environment / "bin" / "holo"

    def case(name, cwd=strange, words=(), **variables):
        variables = {"PATH": str(environment / "bin"), "HOME": str(home)} | variables
        lab = cwd / "Labor 1"
        shutil.rmtree(lab, ignore_errors=True)
        design = ["design", "Labor 1/patterns/ring.toml", "--bench", "Labor 1/bench.toml", "-o", "Labor 1/maske ß.tiff"]
        last = ["inspect", "Labor 1/maske ß.tiff"]
        bare = Machine(environment={})
        for command in (["new", "Labor 1"], [*design, "--report", "Labor 1/Bericht é", *words], last):
            done = bare.run(holo, *command, cwd=cwd, other_user=True, **variables)
            if command[0] == "design" or not done.well:
                said = [line[:160] for line in done.err.splitlines() if not line.startswith("warning: ")]
                result, seconds = "well" if done.well else done, done.seconds
            if not done.well:
                break
        row(name, result, f"{seconds:.0f}", "; ".join(said))

    def owned(name):
        folder = work / name
        folder.mkdir(exist_ok=True)
        if os.geteuid() == 0:
            os.chown(folder, 65534, 65534)
        return folder

    lab = owned("ein Ordner ü")
    mine = owned("my home")
    read_only = work / "read only"
    read_only.mkdir(mode=0o555)
    with not_writable(environment):
        case("the same: first run, no compiler, no display", lab, HOME=str(mine))
        case("the same: second run", lab, HOME=str(mine))
        case("a locale of ASCII alone", lab, HOME=str(mine), LC_ALL="C", PYTHONUTF8="0", PYTHONCOERCECLOCALE="0")
        case("a GPU asked for where there is none", lab, HOME=str(mine), words=["--device", "gpu"], CUDA_VISIBLE_DEVICES="")
        case("a home that is read only", lab, HOME=str(read_only))
        case("no home", lab, HOME="/nonexistent")
        given = {"NUMBA_CACHE_DIR": str(lab / "kernels"), "MPLCONFIGDIR": str(lab / "fonts"), "XDG_CACHE_HOME": str(lab / "plans")}
        case("no home, folders for caches given: first run", lab, HOME="/nonexistent", **given)
        case("the same: second run", lab, HOME="/nonexistent", **given)
        with full_disk(work / "small disk") as disk:
            if disk:
                case("caches on a disk that is full", lab, HOME=str(disk))


@contextmanager
def not_writable(folder):
    """Take the right to write into an installation from its owner; as root, other users have none anyway."""
    folders = [folder, *(path for path in folder.rglob("*") if path.is_dir())]
    for path in folders:
        path.chmod(0o555)
    yield
    for path in folders:
        path.chmod(0o755)


@contextmanager
def full_disk(folder):
    """A disk of 16 KiB; None where this user may not mount one."""
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=16k,mode=777", "none", folder]
    if subprocess.run(mount, capture_output=True).returncode:
        yield None
        return
    yield folder
    subprocess.run(["umount", folder], check=True)


if __name__ == "__main__":
    main()
