"""Goal L2: each rule of the record, the pump, the people and the server's edges is taken out of a copy of the house, one
line at a time, and the test that is named beside it must fail: ``mutations.toml``.

Run as a program: ``python -m tests.soak.mutations [WORD ...]`` prints a table of those whose rule has one of the words.
"""

import compileall
import importlib
import os
import shutil
import signal
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from tests.soak.proofs import Seen

ROOT = Path(__file__).parents[2]
TABLE = Path(__file__).with_suffix(".toml")
PATIENCE_S = 600.0
"""For one rule's tests, on a busy machine."""
A_TEST_S = 15.0
"""All tests together, while every rule stands, may take so much more for each."""
LEFT_OUT = shutil.ignore_patterns(".*", "var", "__pycache__", "node_modules")
ROOMS = ("calibration", "hardware", "station", "web", "tests")
LIBRARIES = (
    "numpy", "pydantic", "fastapi", "fastapi.testclient", "PIL.Image", "cryptography.hazmat.primitives.serialization", "argon2",
    "hypothesis", "sqlite_utils", "GTC", "pint", "gpiozero", "uvicorn", "prometheus_client", "jinja2", "pytest",
)  # fmt: skip
"""What most tests bring in: loaded once, before the copies part."""
LOADED = "ignore:Module already imported:pytest.PytestAssertRewriteWarning"


@dataclass(frozen=True)
class Mutation:
    """A rule, where it stands, and what fails without it. old stands in the file once. tests: as pytest names them."""

    rule: str
    file: str
    old: str
    new: str
    tests: tuple[str, ...]

    def stands(self, root: Path = ROOT) -> bool:
        return (root / self.file).read_text(encoding="utf-8").count(self.old) == 1


def read(path: Path = TABLE) -> list[Mutation]:
    """All of them, in the order of the table."""
    rows = tomllib.loads(path.read_text(encoding="utf-8"))["mutation"]
    return [Mutation(row["rule"], row["file"], row["old"], row["new"], tuple(row["tests"])) for row in rows]


class House:
    """A copy of the house, in which lines may be changed and tests run, each time in a child of its own."""

    def __init__(self, folder: Path) -> None:
        self.root = folder / "house"
        shutil.copytree(ROOT, self.root, ignore=LEFT_OUT)
        compileall.compile_dir(self.root, quiet=2)
        for name in LIBRARIES:
            importlib.import_module(name)

    @contextmanager
    def without(self, mutation: Mutation) -> Iterator[None]:
        """One rule less. Raises ValueError where the line is not there any more."""
        if not mutation.stands(self.root):
            raise ValueError(f"{mutation.rule}: {mutation.file} does not hold {mutation.old!r} once")
        file = self.root / mutation.file
        text, about = file.read_text(encoding="utf-8"), file.stat()
        file.write_text(text.replace(mutation.old, mutation.new), encoding="utf-8")
        os.utime(file, (about.st_atime, about.st_mtime + 7.0))  # what was compiled of it is of another moment
        try:
            yield
        finally:
            file.write_text(text, encoding="utf-8")
            os.utime(file, ns=(about.st_atime_ns, about.st_mtime_ns))

    def failing(self, tests: Sequence[str], patience_s: float = PATIENCE_S) -> str | None:
        """The first of these tests that fails; None where all pass. Raises ValueError where none is found or none ends."""
        read, write = os.pipe()
        child = os.fork()
        if child == 0:
            try:
                os.close(read)
                os._exit(self._run(tests, write))
            except BaseException as error:
                os.write(write, f"{error!r}".encode())
                os._exit(9)
        os.close(write)
        until_s = time.monotonic() + patience_s
        while (done := os.waitpid(child, os.WNOHANG))[0] == 0:
            if time.monotonic() > until_s:
                with suppress(ProcessLookupError):
                    os.killpg(child, signal.SIGKILL)
                os.waitpid(child, 0)
                os.close(read)
                raise ValueError(f"{', '.join(tests)}: no end within {patience_s:g} s")
            time.sleep(0.02)
        with os.fdopen(read, encoding="utf-8") as told:
            first = told.readline().strip()
        status = os.waitstatus_to_exitcode(done[1])
        if status == 0:
            return None
        if status != 1:
            raise ValueError(f"{', '.join(tests)}: pytest ended with {status}: {first}")
        return first

    def _run(self, tests: Sequence[str], told: int) -> int:
        """In the child: pytest in the copy, which alone is what is imported."""
        import pytest

        class First:
            def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
                if report.failed:
                    os.write(told, f"{report.nodeid}\n".encode())

            def pytest_collectreport(self, report: pytest.CollectReport) -> None:
                if report.failed:
                    os.write(told, f"{report.nodeid}: {report.longrepr}\n".encode())

        os.setsid()  # whatever the tests start goes with them
        nothing = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(nothing, stream)
        os.chdir(self.root)
        sys.path[:] = [str(self.root), *(path for path in sys.path if path not in ("", str(ROOT)))]
        for name in [name for name in sys.modules if name.partition(".")[0] in ROOMS]:
            del sys.modules[name]
        sys.dont_write_bytecode = True
        os.environ |= {"PYTHONDONTWRITEBYTECODE": "1", "PYTHONPATH": str(self.root)}
        return int(
            pytest.main(
                ["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "-W", LOADED, *tests], [First()]
            )
        )


def judged(house: House, mutation: Mutation) -> str:
    """The test that fails without the rule; "" where none does."""
    with house.without(mutation):
        return house.failing(mutation.tests) or ""


def l2(folder: Path, tell: Callable[[str], object], words: Sequence[str] = ()) -> Seen:
    """Every rule, or those with one of the words. tell: takes a table, line by line, as it comes to be."""
    seen = Seen("L2 rule taken out: its test fails", unit="s")
    wanted = [one for one in read() if not words or any(word in one.rule for word in words)]
    house = House(folder)
    tests = sorted({test for one in wanted for test in one.tests})
    try:
        sound = house.failing(tests, PATIENCE_S + A_TEST_S * len(tests))
    except ValueError:
        sound = "one of them, or does not end,"
    if sound is not None:
        seen.failed.append(f"{sound} fails with every rule in its place")
    for line in ("", "| L2: rule taken out | of | test that failed |", "|---|---|---|"):
        tell(line)
    for one in wanted:
        began_s = time.monotonic()
        try:
            found = judged(house, one)
        except ValueError as error:
            found = ""
            seen.failed.append(str(error))
        seen.trials += 1
        seen.values.append(time.monotonic() - began_s)
        seen.failed += [] if found else [f"{one.rule}: nobody missed it"]
        tell(f"| {one.rule} | {one.file} | {found.rpartition('/')[2] or 'NONE'} |")
    return seen


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        seen = l2(Path(folder), partial(print, flush=True), sys.argv[1:])
    print("", seen.line(), *seen.failed, sep="\n")
    return 1 if seen.failed else 0


if __name__ == "__main__":
    sys.exit(main())
