"""The pile: the records to work through tonight, kept beside the shelf."""

from __future__ import annotations

from typing import Any

from sidekeep.files.atomic import write_json
from sidekeep.files.bounded import kept_json
from sidekeep.service.house.events import EventHub
from sidekeep.service.house.library import Library

PILE = ".pile.json"


class Pile:
    """That of one shelf; whoever watches hears of every change."""

    def __init__(self, library: Library, news: EventHub) -> None:
        self._library = library
        self._news = news

    def record_ids(self) -> list[str]:
        """In order; those that are gone are left out."""
        kept: Any = kept_json(self._library.shelf / PILE)
        known = {entry.record_id for entry in self._library.entries()}
        return [each for each in kept if each in known] if isinstance(kept, list) else []

    def keep(self, record_ids: list[str]) -> list[str]:
        """Another pile. Raises ``NotThere`` for an id that is no record's."""
        for record_id in record_ids:
            self._library.folder(record_id)
        write_json(self._library.shelf / PILE, list(dict.fromkeys(record_ids)), replace=True)
        self._news.publish("pile", {"pile": self.record_ids()})
        return self.record_ids()
