"""Everything that is wrong with a file, in one message: whoever mends it mends it once."""

from collections.abc import Sequence

from station.common.words import _
from station.errors import InputError

Loc = tuple[int | str, ...]
MOST = 20
"""Complaints that one message holds."""


class Faults(InputError):
    """What is wrong with a file or a form. found: each place, with its sentence; a form is told the first of them."""

    def __init__(self, found: Sequence[tuple[Loc, str]], source: str) -> None:
        self.found = tuple(found)
        super().__init__(_told([sentence for _loc, sentence in found], source))


def _told(sentences: Sequence[str], source: str) -> str:
    if len(sentences) == 1 or not source:
        return sentences[0]
    rows = [one.removeprefix(f"{source}:").strip() for one in sentences[:MOST]]
    if len(sentences) > MOST:
        rows.append(_("And {n} more.").format(n=len(sentences) - MOST))
    head = _("{source}: {n} things are wrong:").format(source=source, n=len(sentences))
    return "\n  ".join([head, *rows])
