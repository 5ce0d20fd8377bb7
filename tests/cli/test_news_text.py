"""News on a terminal: one line each, also of a kind that has no words yet."""

from __future__ import annotations

from sidekeep.cli.texts.news import news_text
from sidekeep.model.news import News


def test_news_without_words_of_its_own_is_said_with_its_facts() -> None:
    assert news_text(News(code="moon-rises", severity="note")) == "moon-rises"
    assert news_text(News(code="moon-rises", severity="note", facts={"hour": 21, "phase": "full"})) == (
        "moon-rises: hour 21, phase full"
    )


def test_news_with_words_never_shows_its_code() -> None:
    said = news_text(News(code="cap", severity="look", facts={"hours": 4.0}))
    assert "4" in said
    assert not said.startswith("cap:")
