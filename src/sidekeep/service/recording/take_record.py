"""Taking a record onto the shelf: the record is found or planned, the sides are recorded, the index follows."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from sidekeep.devices.inputs import SoundInput
from sidekeep.devices.recorder import RecorderSettings
from sidekeep.errors import ParameterError, ShelfError, SidekeepError
from sidekeep.model.news import News
from sidekeep.service.inputs import find_same_input, notes_of, recorder_settings
from sidekeep.service.recording.room import Room
from sidekeep.service.recording.side_fit import printed_sides
from sidekeep.service.recording.take_close import only_one_taker, recover
from sidekeep.service.recording.take_session import TakeSession
from sidekeep.service.recording.take_types import Follower, TakeOptions, TakeStatus
from sidekeep.service.shelf.records import find_record, open_catalogue, plan_record, planned_before
from sidekeep.service.shelf.stylus_hours import stylus_hours
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.record_lock import at_work
from sidekeep.shelf.shelf_take import ShelfTake

Tell = Callable[[TakeStatus], None]


@contextmanager
def open_session(
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
    any_side: bool = False,
    shortest_side_s: float | None = None,
    tell: Tell = lambda status: None,
    follower: Follower | None = None,
) -> Iterator[TakeSession]:
    """A session ready to ``run``. What an earlier, interrupted one left is repaired first. While the context is open no other
    sidekeep records onto the shelf; leaving it puts the index right.

    Raises ``ParameterError``, ``ShelfError`` or ``DeviceError`` before anything is recorded: a side that is no letter or not on
    the sleeve, no such record, no room for the first side.
    """
    if bad := [side for side in sides if not (side.isalpha() and side.isascii() and side.isupper())]:
        raise ParameterError("side-letter", side=bad[0])
    settings = recorder_settings(sound_input, rate_hz=rate_hz, bits=bits)

    def say(*news: News) -> None:
        tell(TakeStatus(phase="opening", side=sides[0] if sides else "", rate_hz=settings.rate_hz, news=news))

    # From here on: two that start at once would both repair what an interrupted evening left.
    with only_one_taker(shelf):
        with open_catalogue(shelf, create=True):
            pass
        for take in recover(shelf, am_taking=True):
            say(News(code="repaired", severity="look", side=take.side, take=take.folder))
        folder = _folder(shelf, record_name, sleeve_path)
        say(
            News(code="input", facts={"name": sound_input.name}),
            *notes_of(sound_input),
            *_stylus_due(shelf, stylus),
        )
        options = TakeOptions(
            sides=sides, stylus=stylus, input_name=sound_input.name, by_needle=by_needle, any_side=any_side
        )
        if shortest_side_s is not None:
            options = TakeOptions(**{**vars(options), "shortest_side_s": shortest_side_s})
        _expect_room(folder, settings, sides)

        def find_input() -> tuple[RecorderSettings | None, tuple[News, ...]]:
            channels = settings.channels
            found = find_same_input(sound_input.key, rate_hz=settings.rate_hz, channels=channels)
            if found is None:
                return None, (News(code="input-missing", severity="act", facts={"name": sound_input.name}),)
            return recorder_settings(found, rate_hz=settings.rate_hz, bits=settings.bits), ()

        session = TakeSession(folder, settings, options, tell=tell, follower=follower, find_input=find_input)
        with at_work(folder.path, "recording"):
            try:
                yield session
            finally:
                # The takes are on the shelf; the index can be made again at any time.
                with suppress(SidekeepError, OSError), open_catalogue(shelf) as catalogue:
                    catalogue.put(session.folder)


def take_record(
    shelf: Path,
    record_name: str | None,
    *,
    sleeve_path: Path | None = None,
    sides: tuple[str, ...],
    sound_input: SoundInput,
    stylus: str = "",
    shortest_side_s: float | None = None,
    tell: Tell = lambda status: None,
) -> list[ShelfTake]:
    """Record sides of a record, start to end, for scripts."""
    with open_session(
        shelf,
        record_name,
        sleeve_path=sleeve_path,
        sides=sides,
        sound_input=sound_input,
        stylus=stylus,
        shortest_side_s=shortest_side_s,
        tell=tell,
    ) as session:
        return session.run()


def _folder(shelf: Path, record_name: str | None, sleeve_path: Path | None) -> RecordFolder:
    if record_name is not None:
        return find_record(shelf, record_name)
    if sleeve_path is None:
        raise ParameterError("no-record-to-take")
    return planned_before(shelf, sleeve_path) or plan_record(shelf, sleeve_path)


def _expect_room(folder: RecordFolder, settings: RecorderSettings, sides: tuple[str, ...]) -> None:
    """Refuse before the needle goes down, not in the middle of the side."""
    news = Room(folder.path, settings).check(printed_sides(folder.record()).get(sides[0] if sides else ""))
    if news is not None:
        facts = news.facts
        raise ShelfError(
            "no-room",
            free_min=facts["free_min"],
            folder=folder.path.parent,
            side=sides[0],
            needed_min=facts["needed_min"],
        )


def _stylus_due(shelf: Path, stylus: str) -> list[News]:
    return [
        News(code="stylus-due", severity="look", facts={"name": stylus, "hours": round(log.hours)})
        for log in stylus_hours(shelf)
        if log.name == stylus and log.is_due
    ]
