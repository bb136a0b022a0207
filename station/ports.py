"""What the engine needs of its hardware, whichever stands behind it."""

from typing import Protocol


class RigPort(Protocol):
    """The devices of one bay, opened; each pushes samples into the callback it was given."""

    @property
    def backend(self) -> str: ...

    def beat(self, run: bool) -> bool: ...

    def set_lamp(self, pattern: str) -> None: ...

    def beep(self, n: int = 1) -> None: ...

    def close(self) -> None: ...
