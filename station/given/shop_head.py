"""[shop] of a bay's file: whose sheets they are."""

from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

Line = Annotated[
    str,
    Field(max_length=200, pattern=r"^[^\x00-\x1f]*$", description="write one line of at most 200 characters"),
]


@dataclass(frozen=True)
class ShopHead:
    """[shop]: what stands at the head of a printed sheet. contact: a telephone number or the like."""

    name: Line = ""
    address: Line = ""
    contact: Line = ""
