"""Libraries that another library takes in where it finds them, and that nothing here asks it for. What they hold stays in
memory as long as a bay's service runs, on a board that has little of it."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager


def spare(*names: str) -> None:
    """Have an import of these modules fail as if they were not installed; one that is loaded already stays."""
    for name in names:
        sys.modules.setdefault(name, None)  # type: ignore[arg-type]  # Python's own way to say so


@contextmanager
def spared(*names: str) -> Iterator[None]:
    """The same for as long as something is imported."""
    new = [name for name in names if name not in sys.modules]
    spare(*new)
    try:
        yield
    finally:
        for name in new:
            del sys.modules[name]
