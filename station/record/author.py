"""Who enters what is being entered: set where a request comes in, and followed from there through threads and calls."""

from collections.abc import Mapping
from contextvars import ContextVar
from typing import Any

BY: ContextVar[str] = ContextVar("by", default="")
"""A signed-in person's name; "" where nobody said who they are, and for what the station enters by itself."""


def signed(body: Mapping[str, Any]) -> dict[str, Any]:
    """An event's body with who enters it. A signed-in name goes before one that was typed."""
    by = BY.get()
    return {**body, "by": by} if by else dict(body)


def unsigned(body: Mapping[str, Any]) -> dict[str, Any]:
    """An event's body as it was before ``signed``."""
    return {name: value for name, value in body.items() if name != "by"}
