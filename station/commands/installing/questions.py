"""Questions to whoever installs, on the terminal: asked again where the answer is of no use, and given up after a few."""

from collections.abc import Callable, Sequence
from typing import Any

from station.errors import InputError

Ask = Callable[[str, str], str]
"""A question and what an empty answer stands for → the answer."""
TRIES = 5


def retried(
    ask: Ask, question: str, default: str, read: Callable[[str], Any], say: Callable[[str], None]
) -> Any:
    for _ in range(TRIES):
        answer = ask(question, default).strip() or default
        try:
            return read(answer)
        except ValueError as error:
            say(f"  {error}")
    raise InputError(
        f"{question} No usable answer came. Write the bay's file by hand and name it with --from."
    )


def text(ask: Ask, question: str, default: str, say: Callable[[str], None]) -> str:
    def read(answer: str) -> str:
        if not answer or len(answer) > 80 or not answer.isprintable():
            raise ValueError("Expected a name of at most 80 characters.")
        return answer

    return str(retried(ask, question, default, read, say))


def number(
    ask: Ask, question: str, default: str, within: tuple[float, float], say: Callable[[str], None]
) -> float:
    low, high = within

    def read(answer: str) -> float:
        try:
            value = float(answer)
        except ValueError:
            value = float("nan")
        if not low <= value <= high:
            raise ValueError(f"{answer!r} is not usable here; expected a number from {low:g} to {high:g}.")
        return value

    return float(retried(ask, question, default, read, say))


def one_of(ask: Ask, question: str, choices: Sequence[str], say: Callable[[str], None]) -> str:
    def read(answer: str) -> str:
        if answer.lower() not in choices:
            raise ValueError(f"Expected one of: {', '.join(choices)}.")
        return answer.lower()

    return str(retried(ask, f"{question} ({', '.join(choices)})", choices[-1], read, say))


def yes(ask: Ask, question: str, say: Callable[[str], None]) -> bool:
    return one_of(ask, question, ("no", "yes"), say) == "yes"
