"""The quick copy against the library's own."""

from dataclasses import dataclass, fields, replace
from typing import Any

import pytest

from station.common.evolve import evolve
from station.core.state import BayState
from station.rehearsing.scenario import read_scenario
from station.weighing.drip import DripFit
from station.weighing.pan import PanTrack


@pytest.mark.parametrize("state", [BayState(read_scenario(None).spec), PanTrack(), DripFit(1.0, 2.0)])
def test_evolve_equals_replace_for_every_field(state: Any) -> None:
    for field in fields(state):
        changed = evolve(state, **{field.name: 7})
        assert changed == replace(state, **{field.name: 7})
        assert changed != state
        assert getattr(changed, field.name) == 7


def test_evolve_leaves_the_old_one_alone_and_refuses_an_unknown_field() -> None:
    @dataclass(frozen=True)
    class Two:
        before: int
        after: int = 0

    old = Two(1)
    assert evolve(old, before=2) == Two(2)
    assert old == Two(1)
    with pytest.raises(TypeError, match="no field afer"):
        evolve(old, afer=3)  # type: ignore[call-arg]  # mypy sees it too, and so does a call that it cannot see
