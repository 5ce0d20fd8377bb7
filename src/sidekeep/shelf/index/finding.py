"""Words that the word index does not know: of scripts that write without spaces, signs, and ``ss`` for a sharp s.

The index parts a text at spaces and folds case and accents (SQLite, "FTS5", 4.3.1: unicode61); what is left is looked for
here, in the text itself.
"""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

_TERM = re.compile(r"\w+|[^\w\s]+")
_WITHOUT_SPACES = re.compile(
    "[\u0e00-\u0eff\u1000-\u109f\u1780-\u17ff\u3040-\u30ff\u3400-\u9fff\uf900-\ufaff\U00020000-\U0003ffff]"
)
_ASCII_SIGN = re.compile(r"[\x21-\x7e]+")


def parted(words: str) -> tuple[list[str], list[str]]:
    """Words for the index, and those to look for with ``holds``. Signs of the keyboard are no words."""
    known: list[str] = []
    others: list[str] = []
    for term in _TERM.findall(words):
        if term[0].isalnum() or term[0] == "_":
            is_plain = _WITHOUT_SPACES.search(term) is None and "ss" not in folded(term)
            (known if is_plain else others).append(term)
        elif not _ASCII_SIGN.fullmatch(term):
            others.append(term)
    return known, others


def holds(text: str, term: str) -> bool:
    """Whether a word of the text begins with the term; where words are not parted by spaces, or for a sign,
    whether it is there."""
    wanted = folded(term)
    if _WITHOUT_SPACES.search(term) is not None or not term[0].isalnum():
        return wanted in folded(text)
    return f" {wanted}" in " " + re.sub(r"\W+", " ", folded(text))


@lru_cache(maxsize=4000)
def folded(text: str) -> str:
    """Without case and accents."""
    parts = unicodedata.normalize("NFKD", text.casefold())
    return "".join(sign for sign in parts if not unicodedata.combining(sign))
