"""What must be there: ``inventory.json`` in a record's folder, so that a take or copies that vanish are missed.

A folder that is gone leaves no trace of its own. Closing a take and making copies note them here; verifying notes
what it finds besides. Nothing is taken off the list but by making the shelf's index again, which means: what is
there now is what there should be. A take in the bin, or restored from it under another number, is not missed: it is
known by its checksums.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from sidekeep.errors import ShelfError
from sidekeep.files.atomic import write_json
from sidekeep.files.bounded import LIST_BYTES, decode_json, kept_json, read_bounded

INVENTORY = "inventory.json"


@dataclass(frozen=True, kw_only=True)
class Inventory:
    """``takes``: folder such as ``takes/A-1`` to file name to SHA-256; ``copies``: folders below ``copies``."""

    takes: dict[str, dict[str, str]] = field(default_factory=dict)
    copies: tuple[str, ...] = ()


def read_inventory(record_folder: Path) -> Inventory:
    """What is noted; nothing yet for a record from before there was an inventory. Raises ``ShelfError`` for a list
    that cannot be read."""
    path = record_folder / INVENTORY
    if not os.path.lexists(path):
        return Inventory()
    try:
        content = read_bounded(path, "list", most_bytes=LIST_BYTES, error=ShelfError)
        value: Inventory = decode_json(content, Inventory)
        return value
    except (ShelfError, ValueError) as error:
        raise ShelfError("inventory-unread", path=path, reason=error) from None


def write_inventory(record_folder: Path, inventory: Inventory) -> None:
    """Write the list whole; untouched when it says the same."""
    path = record_folder / INVENTORY
    value = {
        "schema": 1,
        "takes": {name: inventory.takes[name] for name in sorted(inventory.takes)},
        "copies": sorted(set(inventory.copies)),
    }
    if kept_json(path, most_bytes=LIST_BYTES) == value:
        return
    write_json(path, value, replace=True)


def remember(
    record_folder: Path,
    *,
    takes: Iterable[tuple[str, dict[str, str]]] = (),
    copies: Iterable[str] = (),
    moved: Iterable[str] = (),
) -> None:
    """Add takes and folders of copies to what must be there; ``moved`` are copies that we gave another name."""
    before = read_inventory(record_folder)
    write_inventory(
        record_folder,
        Inventory(
            takes={**before.takes, **dict(takes)}, copies=tuple({*before.copies, *copies} - set(moved))
        ),
    )
