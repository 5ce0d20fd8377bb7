"""How a sentence takes the facts of an error: by name in braces, with the conversions and formats of ``str.format``.

A list, or a tuple of words, stands with commas between; a format other than that is what stands between instead
(``{inputs:; }``). A sentence that has to choose its words by a fact is a function of the facts.
"""

from __future__ import annotations

import string
from collections.abc import Callable, Mapping
from typing import Any

Facts = Mapping[str, Any]
Sentence = str | Callable[[Facts], str]


class _Filler(string.Formatter):
    def format_field(self, value: Any, format_spec: str) -> str:
        if isinstance(value, list) or (
            isinstance(value, tuple) and all(isinstance(each, str) for each in value)
        ):
            return (format_spec or ", ").join(map(str, value))
        return str(super().format_field(value if format_spec else str(value), format_spec))


_FILLER = _Filler()


def filled(sentence: Sentence, facts: Facts) -> str:
    """The sentence with its facts. Raises ``LookupError``, ``TypeError`` or ``ValueError`` when they do not fit it."""
    return sentence(facts) if callable(sentence) else _FILLER.vformat(sentence, (), facts)


def names_in(sentence: str) -> set[str]:
    """The facts that a sentence takes."""
    return {name for _, name, _, _ in _FILLER.parse(sentence) if name}
