"""The catalogues of the shop's languages, brought up to date with the source: ``python -m tests.catalogue [LANGUAGE]``.

A new message stands empty in its .po until somebody writes it; one that the source says no longer is taken out. A language
that has no folder yet is begun.
"""

import sys
from functools import cache
from pathlib import Path

from babel.core import Locale
from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_file
from babel.messages.pofile import read_po, write_po

from station.common.words import DOMAINS, LOCALE, SOURCE, languages

ROOT = Path(__file__).parents[1]
KEYWORDS = {"_": None, "N_": None, "ngettext": (1, 2)}
PYTHON, SCRIPT, TEMPLATE = "python", "javascript", "jinja2.ext:babel_extract"
SOURCES = {
    "pages": (("web", "*.py", PYTHON), ("web/templates", "*.html", TEMPLATE)),
    "scripts": (("web/static", "*.js", SCRIPT),),
    "station": (("station", "*.py", PYTHON), ("hardware", "*.py", PYTHON), ("calibration", "*.py", PYTHON)),
}
"""Domain → (folder, files, how they are read)."""
OPTIONS = {
    TEMPLATE: {"trim_blocks": "true", "lstrip_blocks": "true", "silent": "false"},
    SCRIPT: {"parse_template_string": "true"},
}
HEAD = r"""msgid ""
msgstr ""
"Language: {language}\n"
"Content-Type: text/plain; charset=utf-8\n"
"Plural-Forms: {plural}\n"

"""
"""What an editor of such files needs to know, and no date that would change with every run."""


@cache
def extracted(domain: str) -> Catalog:
    """Every message that the source has for a domain, with the files that say it."""
    found = Catalog(project="Tallypan", charset="utf-8")
    for folder, files, method in SOURCES[domain]:
        for path in sorted((ROOT / folder).rglob(files)):
            if "vendor" in path.parts:
                continue
            name = str(path.relative_to(ROOT))
            for _, message, _, _ in extract_from_file(
                method, path, keywords=KEYWORDS, options=OPTIONS.get(method, {})
            ):
                found.add(message, None, [(name, 0)])
    return found


def kept(language: str, domain: str) -> Catalog:
    """What a language has for a domain so far."""
    path = LOCALE / language / f"{domain}.po"
    if not path.exists():
        return Catalog(locale=language, project="Tallypan", charset="utf-8")
    with path.open("rb") as text:
        return read_po(text, locale=language)


def updated(language: str, domain: str) -> Catalog:
    """What a language has, with what the source says now and nothing else."""
    catalogue = kept(language, domain)
    catalogue.update(extracted(domain), no_fuzzy_matching=True, update_creation_date=False)
    return catalogue


def main(asked: list[str]) -> None:
    for language in asked:
        Locale.parse(language)  # raises on what is no language, before it becomes a folder
    for language in asked or [one for one in languages() if one != SOURCE]:
        (LOCALE / language).mkdir(exist_ok=True)
        for domain in DOMAINS:
            catalogue = updated(language, domain)
            path = LOCALE / language / f"{domain}.po"
            with path.open("wb") as text:
                text.write(HEAD.format(language=language, plural=catalogue.plural_forms).encode())
                write_po(
                    text, catalogue, width=0, omit_header=True, sort_output=True, ignore_obsolete=True, include_lineno=False
                )  # fmt: skip
            empty = sum(1 for one in catalogue if one.id and not all(forms(one.string)))
            print(f"{path.relative_to(ROOT)}: {len(catalogue)} messages, {empty} to be written")


def forms(string: str | list[str] | tuple[str, ...] | None) -> list[str]:
    """Singular and plural of a message, or its one text; one empty one where nothing is written."""
    if isinstance(string, list | tuple):
        return list(string)
    return [string or ""]


if __name__ == "__main__":
    main(sys.argv[1:])
