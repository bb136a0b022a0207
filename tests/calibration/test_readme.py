import doctest
from pathlib import Path

README = Path(__file__).parents[2] / "calibration" / "README.md"


def test_every_example_of_the_readme_runs_and_prints_what_it_says() -> None:
    failures, tried = doctest.testfile(str(README), module_relative=False, encoding="utf-8")
    assert tried >= 20
    assert failures == 0


def test_every_module_stands_in_the_table() -> None:
    text = README.read_text("utf-8")
    modules = {p.stem for p in README.parent.glob("*.py")} - {"__init__", "ranges"}
    assert {m for m in modules if f"`{m}`" not in text} == set()
