"""Where a long word of a page may break. A browser on a desktop comes without a dictionary of the shop's language, and some
languages build the head of a column from one word.

Soft hyphens are nothing to whoever copies, searches or listens, and are seen only where a line ends at one. The syllables are
pyphen's, by the dictionaries of LibreOffice.
"""

import re
from functools import cache, lru_cache

import pyphen

LONG = 12
"""Letters from which a word may break: shorter ones fit a column."""
AT_LEAST = 4
"""Letters that stay together at either end of it."""
SOFT = "\N{SOFT HYPHEN}"
_TEXT = re.compile(r"(<(?:th|td|dt|dd|li|h[1-3]|summary|label|legend|button|a|span|small|br)\b[^>]*>)([^<]+)")
_LABEL = re.compile(r'(data-label=")([^"]+)')
_WORD = re.compile(rf"[^\W\d_]{{{LONG},}}")


@cache
def _syllables(language: str) -> pyphen.Pyphen | None:
    known = pyphen.language_fallback(language)
    return None if known is None else pyphen.Pyphen(lang=known, left=AT_LEAST, right=AT_LEAST)


@lru_cache(maxsize=4000)
def _broken(word: str, language: str) -> str:
    syllables = _syllables(language)
    return word if syllables is None else str(syllables.inserted(word, SOFT))


def hyphened(html: str, language: str) -> str:
    """The same page with soft hyphens in the long words of its tables, heads, labels and buttons."""

    def broken(found: re.Match[str]) -> str:
        return found[1] + _WORD.sub(lambda word: _broken(word[0], language), found[2])

    return _LABEL.sub(broken, _TEXT.sub(broken, html))
