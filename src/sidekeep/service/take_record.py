"""Taking a record onto the shelf: the record is found or planned, the sides are recorded, the index follows."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from sidekeep.devices.inputs import SoundInput
from sidekeep.errors import ParameterError
from sidekeep.service.inputs import recorder_settings
from sidekeep.service.shelf import find_record, open_catalogue, plan_record, planned_before, stylus_hours
from sidekeep.service.take import Key, TakeOptions, TakeSession, TakeStatus, only_one_taker, recover
from sidekeep.shelf.record_folder import ShelfTake
from sidekeep.shelf.record_lock import at_work


def take_record(
    shelf: Path,
    record_name: str | None,
    *,
    sleeve_path: Path | None = None,
    sides: tuple[str, ...],
    sound_input: SoundInput,
    rate_hz: int | None = None,
    bits: int | None = None,
    stylus: str = "",
    by_needle: bool = True,
    tell: Callable[[TakeStatus], None] = lambda status: None,
    key: Callable[[], Key | None] = lambda: None,
) -> list[ShelfTake]:
    """Record sides of a record. What an earlier, interrupted session left is repaired first."""
    if bad := [side for side in sides if not (side.isalpha() and side.isascii() and side.isupper())]:
        raise ParameterError(f"side {bad[0]!r} must be a letter such as A")
    settings = recorder_settings(sound_input, rate_hz=rate_hz, bits=bits)
    with open_catalogue(shelf, create=True):
        pass
    for take in recover(shelf):
        tell(
            TakeStatus(
                phase="armed",
                side=take.side,
                elapsed_s=0.0,
                message=f"an interrupted take of side {take.side} was repaired and kept: {take.folder}",
            )
        )
    if record_name is None:
        if sleeve_path is None:
            raise ParameterError("name a record on the shelf, or a sleeve text to plan it from")
        folder = planned_before(shelf, sleeve_path) or plan_record(shelf, sleeve_path)
    else:
        folder = find_record(shelf, record_name)
    _remind_of_stylus(shelf, stylus, tell)
    options = TakeOptions(sides=sides, stylus=stylus, input_name=sound_input.name, by_needle=by_needle)
    session = TakeSession(folder, settings, options, tell=tell, key=key)
    with only_one_taker(shelf), at_work(folder.path, "recording"):
        try:
            return session.run()
        finally:
            with open_catalogue(shelf) as catalogue:
                catalogue.put(folder)


def _remind_of_stylus(shelf: Path, stylus: str, tell: Callable[[TakeStatus], None]) -> None:
    for log in stylus_hours(shelf):
        if log.name == stylus and log.is_due:
            tell(
                TakeStatus(
                    phase="armed",
                    side="",
                    elapsed_s=0.0,
                    message=f"{stylus} has played {log.hours:.0f} h: have its tip looked at (400 to 800 h are usual)",
                )
            )
