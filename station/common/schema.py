"""From the tables of a file to frozen types, checked by pydantic against what each field says of itself.

A field states its range and, as its description, what to write there; a complaint is put together from that: file,
table, key, value, what is expected and what to do. Of a file every complaint is told at once; of a form the first.
"""

import difflib
import json
import re
import types
import typing
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, fields, is_dataclass
from functools import cache
from typing import Any, Literal, NoReturn, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, TypeAdapter, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from station.common.digits import number
from station.common.faults import Faults, Loc
from station.common.units import parse_temperature_c, parse_volume_l
from station.common.words import _
from station.errors import InputError

T = TypeVar("T", bound=BaseModel)
UNKNOWN = ("extra_forbidden", "unexpected_keyword_argument")
SHOWN = 60
"""Characters of a wrong value that a complaint repeats: enough to find it again."""


class Table(BaseModel):
    """A table of a file: no key that it does not name, no text where a number belongs, no NaN, no infinity."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class Expected(ValueError):
    """What a field's own check says of a wrong value: "expected …", with what to do."""


def _litres(text: Any, info: Any) -> float:
    return parse_volume_l(text, info.context["country"])


def _signed_litres(text: Any, info: Any) -> float:
    """Some compartments take more than is listed: then less than nothing was retained."""
    if isinstance(text, str) and text.strip().startswith("-"):
        return -_litres(text.strip()[1:], info)
    return _litres(text, info)


Litres = typing.Annotated[float, BeforeValidator(_litres)]
"""Typed with its unit, held in litres."""
SignedLitres = typing.Annotated[float, BeforeValidator(_signed_litres)]
Celsius = typing.Annotated[float, BeforeValidator(parse_temperature_c)]
"""Typed with its unit, held in °C."""


def read(
    kind: type[T],
    tables: Mapping[str, Any],
    source: str,
    country: str | None = None,
    names: Mapping[str, str] | None = None,
) -> T:
    """Tables as a file's type. source: the file's name; empty for a row, whose fields are texts and named alone.

    country: whose pint a bare "pint" is, "us" or "imperial". names: of a form, whose fields are named to a person as its
    labels name them. Raises InputError.
    """
    return _checked(kind, tables, source, {"country": country}, names)


def recorded(kind: type[T], texts: Mapping[str, str]) -> T:
    """A row of the record as its type; what depends on the country was checked when it was entered. Raises InputError."""
    return _checked(kind, texts, "", None, None)


def _checked(
    kind: type[T],
    tables: Mapping[str, Any],
    source: str,
    context: Mapping[str, Any] | None,
    names: Mapping[str, str] | None,
) -> T:
    try:
        # As JSON, in which a table stands for a type and a list for a tuple without loosening what a number is.
        text = json.dumps(tables, default=str)
        checked: T = _adapter(kind).validate_json(text, context=context)
        return checked
    except ValidationError as error:
        told = _independent(kind, error.errors())
        raise Faults([(one["loc"], _sentence(kind, one, source, names)) for one in told], source) from None
    except RecursionError:
        raise InputError(_deep(source)) from None


def _deep(source: str) -> str:
    return _("{source}: tables are nested too deep to be meant; take them out.").format(source=source)


def _independent(kind: type, errors: Sequence[ErrorDetails]) -> list[ErrorDetails]:
    """The unknown first. A misspelt key is also a missing one: the spelling is the better news, and the only one."""
    unknown = [one for one in errors if one["type"] in UNKNOWN]
    meant = {(*one["loc"][:-1], _nearest(kind, one["loc"])) for one in unknown}
    told = {
        one["loc"]: one for one in reversed(errors) if one["type"] not in UNKNOWN and one["loc"] not in meant
    }
    return [*unknown, *reversed(told.values())]


def complaint(source: str, loc: Loc, value: object, expected: str) -> str:
    """Of a value that its own field cannot judge, such as one that contradicts another table."""
    return _is(_place(source, loc), value, expected)


def complain(source: str, loc: Loc, value: object, expected: str) -> NoReturn:
    raise InputError(complaint(source, loc, value, expected))


@cache
def _adapter(kind: type[T]) -> TypeAdapter[T]:
    return TypeAdapter(kind)


def _is(place: str, value: object, expected: str) -> str:
    return _("{place} is {value}; {expected}.").format(place=place, value=_shown(value), expected=expected)


def _shown(value: object) -> str:
    if isinstance(value, Mapping):
        return _("a table")
    if isinstance(value, str) and len(value) <= SHOWN:
        return repr(value)
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) >= 10**SHOWN:
        return _("a number of {n} digits").format(n=len(str(abs(value))))
    text = repr(value)
    return text if len(text) <= SHOWN else f"{text[:SHOWN]}…"


def _place(source: str, loc: Loc, is_table: bool = False) -> str:
    """File, table and key; a list's entries are counted from 1, as people do."""
    names = [
        _("entry {n}").format(n=part + 1) if isinstance(part, int) else str(part)[:SHOWN] for part in loc
    ]
    if not source:
        return ", ".join(names) or _("the entry:")
    if not names:
        return f"{source}:"
    if is_table or len(names) == 1:
        return f"{source}: [{'.'.join(names)}]"
    table, entry = names[:-1], ""
    if isinstance(loc[-2], int):
        entry = f" {table.pop()}"
    if not table:
        return f"{source}: {names[-1]}"
    return f"{source}: [{'.'.join(table)}]{entry} {names[-1]}"


def _sentence(kind: type, error: ErrorDetails, source: str, names: Mapping[str, str] | None) -> str:
    loc, value = error["loc"], error["input"]
    wanted, said = _field_at(kind, loc)
    place = (
        names.get(str(loc[-1]), str(loc[-1])) if names is not None else _place(source, loc, _is_table(wanted))
    )
    if error["type"] in UNKNOWN:
        return _unknown(kind, loc, value, source)
    if error["type"] == "json_invalid":
        return _deep(source)
    if error["type"] == "value_error":
        raised = error["ctx"]["error"]
        text = str(raised).rstrip(".")
        if isinstance(value, Mapping):
            return f"{place}: {text}." if isinstance(raised, Expected) else f"{place} {text}."
        # On a form the value stands beside the sentence.
        told = names is not None or _tells(text, value)
        if not source and text.startswith(f"{place} "):
            return f"{text}."
        return f"{place}: {text}." if told else _is(place, value, text)
    expected = _("expected {what}").format(what=_expected(wanted, said, quoted=bool(source)))
    if error["type"] == "missing":
        return _("{place} is missing; {expected}.").format(place=place, expected=expected)
    if error["type"] == "recursion_loop":
        return _("{place} is nested too deep to be meant; {expected}.").format(place=place, expected=expected)
    return _is(place, value, expected)


def _tells(text: str, value: object) -> bool:
    """Whether a sentence names the value already; the same number in an example, in quotes, is another."""
    return re.search(rf"(?<![\w.\"]){re.escape(repr(value))}(?![\w.])", text) is not None


def _nearest(kind: type, loc: Loc) -> str:
    """The key that an unknown one was probably meant to be; "" where it is like none."""
    known = list(_fields(_field_at(kind, loc[:-1])[0]))
    return next(iter(difflib.get_close_matches(str(loc[-1]), known, 1)), "")


def _unknown(kind: type, loc: Loc, value: object, source: str) -> str:
    known = list(_fields(_field_at(kind, loc[:-1])[0]))
    near = _nearest(kind, loc)
    if isinstance(value, Mapping):
        text = _("unknown table {name!r}; expected only {names}: {remedy}.")
    elif source:
        text = _("unknown key {name!r}; expected only {names}: {remedy}.")
    else:
        text = _("unknown field {name!r}; expected only {names}: {remedy}.")
    names = ", ".join(f"[{name}]" if len(loc) == 1 and source else name for name in known)
    remedy = (
        _("write {name}, or take it out").format(name=near)
        if near
        else _("correct its spelling or take it out")
    )
    unknown = text.format(name=str(loc[-1])[:SHOWN], names=names, remedy=remedy)
    if not source:
        return unknown
    if len(loc) == 1:
        return f"{source}: {unknown}"
    return _("{place} has the {unknown}").format(place=_place(source, loc[:-1], True), unknown=unknown)


def _is_table(kind: Any) -> bool:
    return isinstance(kind, type) and (issubclass(kind, BaseModel) or is_dataclass(kind))


def _fields(kind: Any) -> dict[str, FieldInfo]:
    """Name → annotation with its metadata, of a model or a plain dataclass."""
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return {info.alias or name: info for name, info in kind.model_fields.items()}
    if _is_table(kind):
        hints = typing.get_type_hints(kind, include_extras=True)
        return {
            one.name: FieldInfo.from_annotation(hints[one.name])
            if one.default is MISSING and one.default_factory is MISSING
            else FieldInfo.from_annotated_attribute(hints[one.name], one.default)
            for one in fields(kind)
            if one.init
        }
    return {}


def _bare(kind: Any, said: FieldInfo | None = None) -> tuple[Any, FieldInfo | None]:
    """A type without its metadata and without ``None``, and what its metadata say of it; ``said`` where they say nothing."""
    while True:
        if typing.get_origin(kind) is typing.Annotated:
            said = FieldInfo.from_annotation(kind)
            kind = typing.get_args(kind)[0]
        elif typing.get_origin(kind) in (typing.Union, types.UnionType):
            kind = next(part for part in typing.get_args(kind) if part is not type(None))
        else:
            return kind, said


def _field_at(kind: Any, loc: Loc) -> tuple[Any, FieldInfo | None]:
    """The bare type at a place, and what its field says; ``Any`` and None where nothing is said of it."""
    said: FieldInfo | None = None
    for part in loc:
        if typing.get_origin(kind) in (Mapping, tuple):
            kind, said = _bare(typing.get_args(kind)[1 if typing.get_origin(kind) is Mapping else 0])
        else:
            said = _fields(kind).get(str(part))
            kind, said = (Any, None) if said is None else _bare(said.annotation, said)
    return kind, said


def _expected(kind: Any, said: FieldInfo | None, quoted: bool) -> str:
    """What stands at a place: its type and range, then what to write."""
    text = _type_words(kind, said, quoted)
    return text if said is None or said.description is None else f"{text}: {_(said.description)}"


def _type_words(kind: Any, said: FieldInfo | None, quoted: bool) -> str:
    if kind in (float, int):
        return (_("a number") if kind is float else _("a whole number")) + _range_words(said)
    if typing.get_origin(kind) is Literal:
        return _("one of: {words}").format(words=", ".join(map(repr, typing.get_args(kind))))
    if typing.get_origin(kind) is tuple:
        inner = _bare(typing.get_args(kind)[0])[0]
        if typing.get_origin(inner) is tuple:
            return _("a list of number pairs")
        return {float: _("a list of numbers"), str: _("a list of texts")}.get(inner, _("a list of tables"))
    if not _is_table(kind):
        return _("text in quotes") if quoted else _("text")
    needed = [name for name, info in _fields(kind).items() if info.is_required()]
    if not needed:
        return _("a table with keys below it")
    return _("a table with at least {keys}").format(keys=", ".join(needed))


def _range_words(said: FieldInfo | None) -> str:
    limits = {} if said is None else {
        name: getattr(meta, name) for meta in said.metadata for name in ("ge", "gt", "le", "lt") if hasattr(meta, name)
    }  # fmt: skip
    words = []
    for name, word in (
        ("gt", _("above {limit}")),
        ("ge", _("from {limit}")),
        ("lt", _("below {limit}")),
        ("le", _("to {limit}")),
    ):
        if name in limits:
            words.append(word.format(limit=number(limits[name], ".12g")))
    if "ge" in limits and "le" not in limits:
        words[0] = _("of at least {limit}").format(limit=number(limits["ge"], ".12g"))
    return f" {' '.join(words)}" if words else ""
