"""Pieces that sentences are put together from, in the shop's language."""

from collections.abc import Sequence

from station.common.words import N_, _, spoken

CAPITAL_NOUNS = frozenset({"de"})
"""Languages that begin a noun with a capital wherever it stands."""
VERDICTS = (N_("full"), N_("short"), N_("over"), N_("undecided"))
"""Words of a verdict, by which programs know it; said by ``_`` where a sentence has one."""


def listed(parts: Sequence[str]) -> str:
    """``meter, lip and container``; empty for none."""
    if len(parts) < 2:
        return "".join(parts)
    return _("{before} and {last}").format(before=", ".join(parts[:-1]), last=parts[-1])


def inside(text: str) -> str:
    """A whole sentence as a clause of another: without its full stop, and small at its head where the language allows."""
    text = text.rstrip(".")
    return text if spoken().language in CAPITAL_NOUNS else f"{text[:1].lower()}{text[1:]}"
