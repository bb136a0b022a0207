"""A list of any page: what it can be asked for, which part of it is shown, and where the rest and its files are.

A plain form by GET, so that a list works without a script and its address can be kept. ``_list.html`` draws it. A file holds
the whole of what was asked for, whatever page of it is looked at.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated, TypeVar
from urllib.parse import urlencode

from fastapi import Query

from station.common.words import _
from web.frame import format as fmt

PER_PAGE = 50
"""Rows on a page, of every list."""
MOST = 10_000
"""Rows of a file or a JSON list that is read out of the record row by row; ``before`` goes on behind them."""

T = TypeVar("T")
Words = Annotated[str, Query(alias="q", max_length=200)]
Pick = Annotated[str, Query(max_length=200)]
From = Annotated[str, Query(alias="from", max_length=40)]
To = Annotated[str, Query(alias="to", max_length=40)]
Page = Annotated[int, Query(ge=1, le=1_000_000)]


@dataclass(frozen=True)
class Field:
    """One thing that a list can be asked for. options: value and text of what may be chosen; empty for a date."""

    name: str
    label: str
    value: str
    options: Sequence[tuple[str, str]] = ()


@dataclass(frozen=True)
class Link:
    text: str
    address: str


@dataclass(frozen=True)
class Listing:
    """A list's form, pages and files. search: what the search field looks through, "" where there is none. kept: what else the
    address says, sent along by the form. count: what is shown, in words. clear: the list with nothing asked for.
    hold: what the files have."""

    address: str
    search: str
    words: str
    fields: Sequence[Field]
    kept: Sequence[tuple[str, str]]
    asked: bool
    narrowed: bool
    clear: str
    count: str
    pages: Sequence[Link]
    files: Sequence[Link]
    hold: str


@dataclass(frozen=True)
class Asked:
    """What somebody asked a list for. address: of the page. twins: the addresses of its CSV and its JSON. at: the place on the
    page that a link leads to."""

    address: str
    search: str
    words: str = ""
    fields: Sequence[Field] = ()
    kept: Sequence[tuple[str, str]] = ()
    twins: Sequence[tuple[str, str]] = ()
    at: str = ""

    def link(self, **more: str) -> str:
        """The page as asked for, with more in its address."""
        return self._to(self.address, **more) + self.at

    def _to(self, address: str, **more: str) -> str:
        given = [*self.kept, ("q", self.words), *((one.name, one.value) for one in self.fields)]
        query = urlencode([(name, value) for name, value in [*given, *more.items()] if value])
        return f"{address}?{query}" if query else address

    def _listing(self, count: str, pages: Sequence[Link], hold: str) -> Listing:
        narrowed = any(one.value for one in self.fields)
        return Listing(
            address=self.address + self.at,
            search=self.search,
            words=self.words,
            fields=self.fields,
            kept=self.kept,
            asked=bool(self.words) or narrowed,
            narrowed=narrowed,
            clear=Asked(self.address, self.search, kept=self.kept, at=self.at).link(),
            count=count,
            pages=pages,
            hold=hold,
            files=[Link(text, self._to(address)) for text, address in self.twins],
        )

    def by_page(self, rows: Sequence[T], page: int) -> tuple[Sequence[T], Listing]:
        """One page of rows that are all at hand, and the list's frame. A page beyond the last is the last."""
        total = len(rows)
        last = max(1, -(-total // PER_PAGE))
        page = min(page, last)
        shown = rows[(page - 1) * PER_PAGE : page * PER_PAGE]
        pages = []
        if page > 1:
            pages += [Link(_("First"), self.link()), Link(_("Back"), self.link(page=f"{page - 1}"))]
        if page < last:
            pages += [
                Link(_("Next"), self.link(page=f"{page + 1}")),
                Link(_("Last"), self.link(page=f"{last}")),
            ]
        begin = (page - 1) * PER_PAGE + 1
        count = (
            _("{total} in all").format(total=total)
            if last == 1
            else _("{begin} to {end} of {total}").format(begin=begin, end=begin + len(shown) - 1, total=total)
        )
        return shown, self._listing(count, pages, _("all that was asked for"))

    def by_key(self, rows: Sequence[T], key: Callable[[T], str], begun: bool) -> tuple[Sequence[T], Listing]:
        """The same of rows that the record was asked for, one more than a page where there are more. key: of a row, which the
        next page goes on behind. begun: whether this is the first page."""
        shown = rows[:PER_PAGE]
        pages = [] if begun else [Link(_("Newest"), self.link())]
        if len(rows) > PER_PAGE:
            pages.append(Link(_("Older"), self.link(before=key(shown[-1]))))
        count = _("{n} shown").format(n=len(shown)) if pages else _("{total} in all").format(total=len(shown))
        return shown, self._listing(
            count, pages, _("the newest {n} of what was asked for").format(n=fmt.thousands(MOST))
        )


def options(names: Iterable[str], any_text: str) -> list[tuple[str, str]]:
    """A choice among names, or of none of them."""
    return [("", any_text), *((name, name) for name in names)]
