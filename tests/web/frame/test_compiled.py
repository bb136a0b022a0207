from pathlib import Path

import pytest
from jinja2 import DictLoader, Environment
from jinja2.compiler import CodeGenerator

from web.frame.compiled import Compiled, compile_all

HELLO = {"hello.html": "Hello {{ name }}"}


def an_environment(folder: Path, templates: dict[str, str]) -> Environment:
    return Environment(loader=DictLoader(templates), autoescape=True, bytecode_cache=Compiled(folder))


def said(environment: Environment) -> str:
    return environment.get_template("hello.html").render(name="Bay 1")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    kept = tmp_path / "__pycache__"
    compile_all(an_environment(kept, HELLO))
    (one,) = kept.iterdir()
    assert one.stat().st_mode & 0o777 == 0o644, "made by root, read by the service"
    return kept


@pytest.fixture
def compilings(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Each template that is compiled."""
    seen: list[str] = []
    before = CodeGenerator.visit_Template

    def visit(self: CodeGenerator, *arguments: object, **more: object) -> None:
        seen.append(str(self.name))
        before(self, *arguments, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(CodeGenerator, "visit_Template", visit)
    return seen


def test_what_was_compiled_once_is_not_compiled_again(folder: Path, compilings: list[str]) -> None:
    assert said(an_environment(folder, HELLO)) == "Hello Bay 1"
    assert compilings == []


def test_another_text_is_compiled(folder: Path, compilings: list[str]) -> None:
    assert said(an_environment(folder, {"hello.html": "Good day {{ name }}"})) == "Good day Bay 1"
    assert compilings == ["hello.html"]


@pytest.mark.parametrize("left", [0, 8, 30, -1])
def test_half_a_file_is_made_anew(folder: Path, left: int, compilings: list[str]) -> None:
    (kept,) = folder.iterdir()
    kept.write_bytes(kept.read_bytes()[:left])
    for _start in range(2):
        assert said(an_environment(folder, HELLO)) == "Hello Bay 1"
    assert compilings == ["hello.html"]


def test_a_place_that_cannot_be_written_keeps_no_page_away(tmp_path: Path, compilings: list[str]) -> None:
    (tmp_path / "file").touch()
    assert said(an_environment(tmp_path / "file/below", HELLO)) == "Hello Bay 1"
    assert compilings == ["hello.html"]
