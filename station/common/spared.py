"""Libraries that another library takes in where it finds them, and that nothing here asks it for. What they hold stays in
memory as long as a bay's service runs, on a board that has little of it."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from importlib.abc import MetaPathFinder


def spare(name: str) -> None:
    """Have every import of this module fail as if it were not installed; one that is loaded already stays."""
    sys.modules.setdefault(name, None)  # type: ignore[arg-type]  # Python's own way to say so


_NAMES: ContextVar[tuple[str, ...]] = ContextVar("names", default=())
"""What the thread that imports is to go without. In `sys.modules` it would be missing for every thread: one page's first use of
pint would fail another's first use of babel."""


class _Spared(MetaPathFinder):
    def find_spec(self, fullname: str, path: object, target: object = None) -> None:
        if fullname in _NAMES.get():
            raise ModuleNotFoundError(f"{fullname} is spared here", name=fullname)


sys.meta_path.insert(0, _Spared())


@contextmanager
def spared(*names: str) -> Iterator[None]:
    """The same for as long as this thread imports something, and for no other thread."""
    before = _NAMES.set((*_NAMES.get(), *names))
    try:
        yield
    finally:
        _NAMES.reset(before)
