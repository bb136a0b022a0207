"""The moments that a page tells aloud, from made views."""

import pytest

from station.bay.views import TimerView
from tests.web.fake_views import view_of
from web.live.cues import cue


@pytest.mark.parametrize(
    ("stage", "changes", "word"),
    [
        ("drain", {}, ""),
        ("drip", {}, ""),
        ("drip", {"wait_s": 0.0}, "drip_over"),
        ("reseal", {}, ""),
        ("reseal", {"timer": TimerView("cure", 0.0, 1200.0)}, "cure_over"),
        ("fill", {}, ""),
        ("fill", {"to_go_l": 0.2}, "near"),
        ("fill", {"to_go_l": 0.201}, ""),
        ("fill", {"to_go_l": 0.2, "pump_on": False}, ""),
        ("fill", {"to_go_l": 0.0}, ""),
        ("fill", {"to_go_l": 0.0, "pump_on": False}, "target"),
        ("fill", {"to_go_l": 0.0, "pump_on": False, "latched": "target reached"}, "target"),
        ("fill", {"pump_on": False, "latched": "no flow"}, "stopped"),
        ("settle", {}, ""),
    ],
)
def test_what_is_told(stage: str, changes: dict[str, object], word: str) -> None:
    assert cue(view_of(stage, **changes)) == word
