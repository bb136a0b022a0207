"""[roll_up] in a bay's file: what is let in, and what is named."""

from typing import Any

import pytest

from station.common.files import read_toml
from station.errors import InputError
from station.given.config import config_from_tables, demo_path
from station.given.reporting import RollUpRules


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"address": "http://office.local:8766"}, "TLS only"),
        ({"address": "office.local:8766"}, "address"),
        ({"address": "https://user@office.local"}, "address"),
        ({"address": "https://office.local:99999"}, "address"),
        ({"token_file": "token"}, "token_file"),
        ({"every_s": 0.0}, "every_s"),
        ({"batch": 5000}, "batch"),
        ({"token": "tallypan.a.b.c"}, "token"),
    ],
)
def test_a_roll_up_that_cannot_be_is_named(table: dict[str, Any], said: str) -> None:
    sound = {"address": "https://office.local:8766", "token_file": "/etc/tallypan/roll-up.token"}
    tables = read_toml(demo_path())
    assert config_from_tables({**tables, "roll_up": sound}, "bay.toml").roll_up == RollUpRules(
        sound["address"], sound["token_file"]
    )
    config_from_tables({**tables, "roll_up": {**sound, "address": "http://127.0.0.1:8766"}}, "bay.toml")
    with pytest.raises(InputError, match=said):
        config_from_tables({**tables, "roll_up": {**sound, **table}}, "bay.toml")
