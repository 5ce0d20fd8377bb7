"""docs/json.md and docs/news.md name every field that is printed and all that is said."""

from __future__ import annotations

import ast
import re

from tests.docs.pages import SOURCE, text
from tests.reading import walked


def printed_fields() -> set[str]:
    """Keys of the objects that verbs print, and fields of the values they print whole."""
    from sidekeep.copies.kept.checking import VerifyResult
    from sidekeep.devices.inputs import SoundInput
    from sidekeep.flow.needle.gauge import GaugeReading
    from sidekeep.shelf.index.catalogue import Entry
    from sidekeep.shelf.shelf_take import ShelfTake, TakeFile
    from sidekeep.shelf.styluses import StylusHours

    fields: set[str] = set()
    for whole in (VerifyResult, SoundInput, GaugeReading, Entry, TakeFile, StylusHours, ShelfTake):
        fields |= set(whole.__dataclass_fields__)
    for path in (SOURCE / "flow" / "passes" / "contract.py", *sorted((SOURCE / "cli").rglob("*.py"))):
        for node in walked(path):
            # Tables of the skin itself (what a key does, how a phase or a piece of news reads) are no objects of the contract.
            if path == SOURCE / "cli" / "texts" / "news.py":
                continue
            is_object = isinstance(node, ast.Dict) and any(
                not isinstance(value, ast.Constant | ast.JoinedStr) for value in node.values
            )
            if is_object:
                assert isinstance(node, ast.Dict)
                fields |= {str(key.value) for key in node.keys if isinstance(key, ast.Constant)}
    return fields


def test_every_printed_field_is_documented() -> None:
    fields = printed_fields()
    assert {"integrated_lufs", "repairs", "gain_db", "size_bytes", "places"} <= fields
    page = text("docs/json.md")
    assert sorted(field for field in fields if not re.search(rf"`{field}(\[\])?`", page)) == []


def news_codes() -> set[str]:
    """Codes that are raised anywhere, by name."""
    codes: set[str] = set()
    for path in SOURCE.rglob("*.py"):
        for node in walked(path):
            if not isinstance(node, ast.Call):
                continue
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            given = [word.value for word in node.keywords if word.arg == "code"] if name == "News" else []
            given += node.args[:1] if name == "news" else []
            codes |= {str(value.value) for value in given if isinstance(value, ast.Constant)}
    return codes


def test_all_news_has_words_and_is_documented() -> None:
    from sidekeep.cli.texts.news import _WORDS

    codes = news_codes()
    assert {"begun", "loss", "next-place", "turn-up"} <= codes
    assert sorted(codes - set(_WORDS)) == []
    page = text("docs/news.md")
    assert sorted(code for code in codes | set(_WORDS) if f"`{code}`" not in page) == []


def test_words_of_an_action_are_documented() -> None:
    from typing import get_args

    from sidekeep.copies.run.finish import Action

    page = text("docs/json.md")
    assert all(f"`{word}`" in page for word in get_args(Action))
