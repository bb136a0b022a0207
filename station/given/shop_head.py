"""[shop] of a bay's file: whose sheets they are; and the language that a shop speaks."""

from dataclasses import dataclass
from typing import Annotated

from pydantic import AfterValidator, Field

from station.common.schema import Expected
from station.common.words import languages

Line = Annotated[
    str,
    Field(max_length=200, pattern=r"^[^\x00-\x1f]*$", description="write one line of at most 200 characters"),
]


def _language(code: str) -> str:
    if code not in languages():
        raise Expected(f"expected one of: {', '.join(languages())}")
    return code


Language = Annotated[str, AfterValidator(_language)]
"""One of ``station.common.words.languages``."""


@dataclass(frozen=True)
class ShopHead:
    """[shop]: what stands at the head of a printed sheet. contact: a telephone number or the like."""

    name: Line = ""
    address: Line = ""
    contact: Line = ""
