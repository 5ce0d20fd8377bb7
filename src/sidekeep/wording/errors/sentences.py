"""The sentence of an error by its code: the words of ``str(error)`` everywhere, for terminal, JSON and page alike."""

from __future__ import annotations

from collections.abc import Mapping

from sidekeep.errors import SidekeepError, bare_text
from sidekeep.wording.errors import (
    of_copies,
    of_demo,
    of_devices,
    of_files,
    of_page,
    of_service,
    of_settings,
    of_shelf,
    of_sound,
)
from sidekeep.wording.errors.facts import Sentence, filled, names_in

_SUBJECTS = (of_sound, of_settings, of_files, of_shelf, of_devices, of_copies, of_service, of_page, of_demo)
SENTENCES: dict[str, Sentence] = {
    code: words for subject in _SUBJECTS for code, words in subject.WORDS.items()
}


def learn(words: Mapping[str, Sentence]) -> None:
    """Add the words of a skin for its own errors, such as those about an option of the command line."""
    SENTENCES.update(words)


def error_text(error: SidekeepError) -> str:
    """The sentence of an error. One about a record among others says which: the fact ``record`` that the sentence does
    not take itself stands before it. A code without a sentence, or facts that do not fit it, are told as they are."""
    sentence = SENTENCES.get(error.code)
    if sentence is None:
        return bare_text(error)
    try:
        text = filled(sentence, error.facts)
    except (LookupError, TypeError, ValueError):
        return bare_text(error)
    is_told = "record" not in error.facts or callable(sentence) or "record" in names_in(sentence)
    return text if is_told else f"{error.facts['record']}: {text}"
