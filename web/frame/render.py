"""Templates → HTML. A template sees only what it is given; a name it was not given is an error, never a blank."""

from collections.abc import Callable, Sequence
from contextvars import ContextVar
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined, pass_context
from jinja2.runtime import Context
from markupsafe import Markup, escape

from station.common import days, words
from station.record.author import BY
from web.frame import format as fmt
from web.frame.compiled import Compiled
from web.frame.guide import STEPS
from web.frame.hyphens import hyphened

HERE = Path(__file__).parents[1]
ENVIRONMENT = Environment(
    loader=FileSystemLoader(HERE / "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    bytecode_cache=Compiled(HERE / "templates/__pycache__"),
    auto_reload=False,  # an update that replaces files under a running station must not mix old code with new pages
)


def _said(text: str) -> Markup:
    """``_`` of a template. Markup, so that ``.format`` leaves markup that fills a blank as it is, and escapes all else."""
    return escape(words._(text))


def _counted(one: str, many: str, n: int) -> Markup:
    return escape(words.ngettext(one, many, n))


def _tagged(name: str, text: object, **attributes: str) -> Markup:
    """An element that fills a blank of a sentence: ``tagged("a", _("the wall"), href="/wall")``."""
    marks = "".join(f' {key}="{escape(value)}"' for key, value in attributes.items())
    return Markup(f"<{name}{marks}>{escape(text)}</{name}>")


@lru_cache(8)
def _choices(options: tuple[tuple[str, str], ...]) -> str:
    """Kept, as the shops of a company are on every page of it, and a thousand of them took half of a page's time."""
    return "".join(f'<option value="{escape(value)}">{escape(text)}</option>' for value, text in options)


def _choice(options: Sequence[tuple[str, str]], chosen: str) -> Markup:
    """What a list to choose from has, value and text of each, one of them chosen."""
    value = f'value="{escape(chosen)}"'
    return Markup(_choices(tuple(options)).replace(value, f"{value} selected", 1))


ENVIRONMENT.globals |= {
    "choice": _choice,
    "tagged": _tagged,
    "_": _said,
    "ngettext": _counted,
    "spoken": words.spoken,
}


@pass_context  # without it a constant is said once, in the language of its template's first rendering
def _typed(context: Context, text: str) -> str:
    return fmt.typed(text)


@pass_context
def _listed(context: Context, text: str) -> str:
    return fmt.listed(text)


ENVIRONMENT.filters |= {"typed": _typed, "listed": _listed}
ENVIRONMENT.globals["printed"] = lambda: fmt.moment(days.now().isoformat())
"""When the page was made, for its head on paper."""
ENVIRONMENT.globals["who"] = BY.get
"""Who looks at the page, for its header; a template calls it."""


@dataclass(frozen=True)
class Behind:
    """The bay behind what is being answered. simulated: every page of it says so, and every file from it. guided: its past
    is the invented depot's, in which there is something to find. many: it is no bay, but the roll-up over many."""

    simulated: bool = False
    guided: bool = False
    many: bool = False


NOBODYS = Behind()
BEHIND: ContextVar[Behind] = ContextVar("behind", default=NOBODYS)
MAY: ContextVar[Callable[[str], bool]] = ContextVar("may", default=lambda path: True)
"""Whether whoever looks is not turned away from a page, or only asked to sign in first: no menu leads to a refusal, and no form."""
ENVIRONMENT.globals["may"] = lambda asked: MAY.get()(asked)
ENVIRONMENT.globals["simulated"] = lambda: BEHIND.get().simulated
ENVIRONMENT.globals["many"] = lambda: BEHIND.get().many
ENVIRONMENT.globals["guide_steps"] = lambda: STEPS if BEHIND.get().guided else ()


def render(template: str, **values: Any) -> str:
    """Fill in a template of web/templates."""
    html = ENVIRONMENT.get_template(template).render(**values)
    language = words.spoken().language
    return html if language == words.SOURCE else hyphened(html, language)
