"""How much of a seeded proof `make test` plays; `make soak` plays the rest."""

from collections.abc import Iterable
from typing import Any

import pytest


def short(n: int, cases: Iterable[Any]) -> list[Any]:
    """Parameters for a test: the first n always, what follows in the long form alone."""
    return [pytest.param(case, marks=pytest.mark.long) if i >= n else case for i, case in enumerate(cases)]
