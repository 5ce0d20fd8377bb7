"""Everything one running sidekeep holds for one shelf; what a page, or any other skin, talks to."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sidekeep import __version__
from sidekeep.errors import NotThere
from sidekeep.service.house.events import EventHub
from sidekeep.service.house.library import Library
from sidekeep.service.house.pictures import Thumbnails
from sidekeep.service.house.takes import OpenTakes
from sidekeep.service.house.views import record_view, summary_view, take_page_view
from sidekeep.shelf.catalogue import Entry


class House:
    """One shelf, open. Every method may be called from any thread."""

    def __init__(self, shelf: Path) -> None:
        self.shelf = shelf
        self.news = EventHub()
        self.library = Library(shelf)
        self.takes = OpenTakes(self.library)
        self.thumbnails = Thumbnails()

    def state(self) -> dict[str, Any]:
        """What a page needs first."""
        return {
            "version": __version__,
            "seq": self.news.last_number,
            "shelf": {
                "name": self.shelf.name,
                "record_count": len(self.library.entries()),
                "free_bytes": self.library.free_bytes(),
                "writable": self.library.is_writable(),
            },
            "session": None,
            "jobs": [],
            "pile": [],
        }

    def records(self, words: str = "", state: str = "") -> list[dict[str, Any]]:
        """Records on the shelf, all or those that match."""
        return [summary_view(self.library, entry) for entry in self.library.entries(words, state)]

    def record(self, record_id: str) -> dict[str, Any]:
        """Everything about one record but its sound."""
        return record_view(self.library, self.takes, self.entry(record_id))

    def entry(self, record_id: str) -> Entry:
        """The index entry of a record, put right first if its folder moved or is new to the index."""
        folder = self.library.folder(record_id)
        relative = folder.path.relative_to(self.shelf).as_posix()
        for attempt in range(2):
            for entry in self.library.entries():
                if entry.record_id == record_id and entry.folder == relative:
                    return entry
            if attempt == 0:
                self.library.index(folder)
        raise NotThere("there is no such record on the shelf; it may have been moved or discarded")

    def take_page(self, take_id: str) -> dict[str, Any]:
        """What the Side place draws of a take."""
        opened = self.takes.get(take_id)
        chosen = {take.folder for take in opened.found.folder.chosen_takes()}
        return take_page_view(opened, opened.found.take.folder in chosen)

    def bin(self) -> list[dict[str, Any]]:
        """The discarded records that can still be restored."""
        found = []
        for folder in self.library.discarded():
            record = folder.record()
            found.append(
                {"id": folder.record_id, "artist": record.artist, "title": record.title, "year": record.year}
            )
        return found

    def changed(self, record_id: str) -> dict[str, Any]:
        """Tell everybody that a record changed; the record as it is now."""
        record = self.record(record_id)
        self.news.publish("record", {"id": record_id, "revision": record["revision"]})
        return record

    def close(self) -> None:
        """End what is running."""
