"""The shop's language: one a process, chosen at start; a sentence is put into it where it is made.

Source texts are English. ``_("Bring {what}.").format(what=…)`` is said in the shop's language at once; a constant is marked
``N_("…")`` where it stands and said by ``_(constant)`` where it is used, since modules are read before a language is chosen.
What only the terminal or a log shows is not wrapped.

Each language is a folder of ``locale/`` with three catalogues: ``pages.po`` (web), ``scripts.po`` (web/static, handed to a
page whole) and ``station.po`` (station, hardware, calibration). They are one when looked up, and are compiled in
memory when a language is chosen, so that nothing built lies beside them. ``make words`` brings them up to date with the source.
"""

import gettext as standard
import io
from functools import cache
from pathlib import Path
from typing import Final

from station.errors import InputError

LOCALE: Final = Path(__file__).parent / "locale"
DOMAINS: Final = ("pages", "scripts", "station")
SOURCE: Final = "en"
"""The language of the texts in the source."""


class Spoken:
    """A language as it is being spoken. catalogue: where its sentences are looked up. decimal, group: what it writes between
    whole and parts, and between thousands. scripts: source text → said, for the pages' scripts."""

    def __init__(
        self,
        language: str,
        catalogue: standard.NullTranslations,
        decimal: str = ".",
        group: str = ",",
        scripts: dict[str, str] | None = None,
    ) -> None:
        self.language = language
        self.catalogue = catalogue
        self.decimal = decimal
        self.group = group
        self.scripts = scripts or {}


_now = Spoken(SOURCE, standard.NullTranslations())


def languages() -> tuple[str, ...]:
    """Codes of the languages that can be spoken, the source's first."""
    return (SOURCE, *sorted(folder.name for folder in LOCALE.iterdir() if folder.is_dir()))


def speak(language: str) -> None:
    """Say everything from here on in a language, by its code. Raises InputError where there is no catalogue of it."""
    use(_opened(language))


def use(spoken: Spoken) -> None:
    """Say everything from here on as one that is at hand."""
    global _now
    _now = spoken


def spoken() -> Spoken:
    """The language that is being spoken."""
    return _now


@cache
def _opened(language: str) -> Spoken:
    if language not in languages():
        raise InputError(f"language is {language!r}, expected one of: {', '.join(languages())}.")
    if language == SOURCE:
        return Spoken(SOURCE, standard.NullTranslations())
    from babel import Locale
    from babel.messages.mofile import write_mo
    from babel.messages.pofile import read_po

    whole = standard.NullTranslations()
    scripts: dict[str, str] = {}
    for domain in DOMAINS:
        with (LOCALE / language / f"{domain}.po").open("rb") as text:
            catalogue = read_po(text, locale=language)
        compiled = io.BytesIO()
        write_mo(compiled, catalogue)
        compiled.seek(0)
        read = standard.GNUTranslations(compiled)
        if domain == "scripts":
            scripts = {str(one.id): str(one.string) for one in catalogue if one.id and one.string}
        read.add_fallback(whole)
        whole = read
    symbols = Locale.parse(language).number_symbols["latn"]
    return Spoken(language, whole, str(symbols["decimal"]), str(symbols["group"]), scripts)


def _(text: str | None) -> str:
    """A source text, said in the shop's language; nothing of None."""
    return _now.catalogue.gettext(text) if text else ""


def ngettext(one: str, many: str, n: int) -> str:
    """The form that goes with n things: ``ngettext("{n} job", "{n} jobs", n).format(n=n)``."""
    return _now.catalogue.ngettext(one, many, n)


def N_(text: str) -> str:
    """Mark a constant for the catalogue, and leave it as it is; ``_`` says it where it is used."""
    return text
