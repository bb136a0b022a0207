"""What the station has to say about the measurement itself."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Notice:
    """kind: a stable word for programs. text: a sentence for people: what, which value, what to do.

    stops: whether it keeps the pump off. t_s: when, in the stream's seconds.
    """

    kind: str
    text: str
    t_s: float
    stops: bool = False
