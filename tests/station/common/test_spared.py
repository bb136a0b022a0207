"""What a library is to go without while it is imported."""

import importlib
import sys
import threading
from pathlib import Path

import pytest

from station.common.spared import spared

NAME = "module_of_a_test_of_spared"


@pytest.fixture
def module(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """The name of a module that can be imported and is not yet."""
    (tmp_path / f"{NAME}.py").write_text("")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.delitem(sys.modules, NAME, raising=False)
    return NAME


def test_an_import_fails_for_as_long_as_it_is_spared_and_no_longer(module: str) -> None:
    with spared(module):
        with spared("another"), pytest.raises(ModuleNotFoundError):
            importlib.import_module(module)
        with pytest.raises(ModuleNotFoundError):
            importlib.import_module(module)
    assert importlib.import_module(module).__name__ == module
    with spared(module):
        assert importlib.import_module(module), "what is loaded stays"
    assert module in sys.modules


def test_what_one_thread_spares_another_imports_meanwhile_and_keeps(module: str) -> None:
    found: list[object] = []
    with spared(module):
        other = threading.Thread(target=lambda: found.append(importlib.import_module(module)))
        other.start()
        other.join()
    assert found == [sys.modules[module]]


def test_what_two_threads_spare_stays_spared_in_either_until_it_leaves(module: str) -> None:
    inside, left = threading.Event(), threading.Event()
    missed: list[str | None] = []

    def second() -> None:
        with spared(module):
            inside.set()
            left.wait(60.0)
            try:
                importlib.import_module(module)
            except ModuleNotFoundError as error:
                missed.append(error.name)

    other = threading.Thread(target=second)
    with spared(module):
        other.start()
        assert inside.wait(60.0)
    left.set()
    other.join()
    assert missed == [module]
    assert importlib.import_module(module)
