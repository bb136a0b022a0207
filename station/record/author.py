"""Who enters what is being entered: set where a request comes in, and followed from there through threads and calls."""

from contextvars import ContextVar

BY: ContextVar[str] = ContextVar("by", default="")
"""A signed-in person's name; "" where nobody said who they are, and for what the station enters by itself."""
