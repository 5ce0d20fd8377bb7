"""What must be readable beside the sound: a record's texts, which are a person's to change, so that no checksum holds them."""

from __future__ import annotations

from sidekeep.errors import SidekeepError
from sidekeep.shelf.choices.choice_files import CUTS, RECIPE
from sidekeep.shelf.choices.choices import read_choices
from sidekeep.shelf.choices.journal import HISTORY, read_journal
from sidekeep.shelf.record_folder import RecordFolder


def text_faults(folder: RecordFolder) -> tuple[str, ...]:
    """Texts of a record that are gone, empty or not to be read, one sentence each."""
    if not (folder.path / "sleeve.txt").exists():
        return ("sleeve.txt is gone, and with it the titles; restore it from a backup, or write it anew",)
    empty = tuple(
        f"{name} is empty: a file that did not come along when the folder was copied or synchronised; restore it from a backup"
        for name in ("record.toml", "sleeve.txt", CUTS, RECIPE, HISTORY)
        if (folder.path / name).is_file() and (folder.path / name).stat().st_size == 0
    )
    if empty:
        return empty
    told: tuple[str, ...] = ()
    try:
        folder.facts()
        folder.sleeve_text()
        if read_journal(folder.path).set_aside:
            told = (
                f"{HISTORY} cannot be read to its end, so it is kept under another name and a new one begins: choices stand as "
                "they are, and earlier ones cannot be taken back; restore it from a backup",
            )
        read_choices(folder.path)
    except SidekeepError as error:
        return (*told, str(error))
    return told
