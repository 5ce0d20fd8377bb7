"""The JSON interface: every endpoint and what answers it. docs/api.md describes them; a test reads both."""

from __future__ import annotations

from typing import Any

from msgspec import Struct
from starlette.responses import Response

from sidekeep.service.house.listen import listen
from sidekeep.service.house.pictures import picture_of
from sidekeep.service.house.sleeve_lines import read_sleeve_lines
from sidekeep.service.house.spectrum import SCALES, spectrum
from sidekeep.service.house.takes import VERSIONS
from sidekeep.service.house.views import damage_view
from sidekeep.service.house.waveform import waveform
from sidekeep.web.answers import bytes_answer
from sidekeep.web.asking import Ask, Endpoint


class Text(Struct, forbid_unknown_fields=True):
    """A sleeve text."""

    text: str


class SleeveText(Struct, forbid_unknown_fields=True):
    """A sleeve text for a record that was last seen at a revision."""

    text: str
    revision: str | int | None = None


def state(ask: Ask) -> Any:
    return ask.house.state()


def records(ask: Ask) -> Any:
    return {"records": ask.house.records(ask.word("words")[:500], ask.word("state"))}


def create_record(ask: Ask) -> Any:
    record_id = ask.house.library.create(ask.body.text)
    ask.house.news.publish("shelf")
    return ask.house.changed(record_id)


def record(ask: Ask) -> Any:
    return ask.house.record(ask.part("record"))


def discard_record(ask: Ask) -> Any:
    ask.house.library.discard(ask.part("record"))
    ask.house.news.publish("shelf")
    return {"discarded": ask.part("record")}


def restore_record(ask: Ask) -> Any:
    ask.house.library.restore(ask.part("record"))
    ask.house.news.publish("shelf")
    return ask.house.changed(ask.part("record"))


def bin_content(ask: Ask) -> Any:
    return {"records": ask.house.bin()}


def write_sleeve(ask: Ask) -> Any:
    ask.house.library.write_sleeve(ask.part("record"), ask.body.text, ask.body.revision)
    return ask.house.changed(ask.part("record"))


def read_sleeve(ask: Ask) -> Any:
    return read_sleeve_lines(ask.body.text)


def picture(ask: Ask) -> Response:
    kept = picture_of(ask.house.library.folder(ask.part("record")), ask.part("kind"))
    return bytes_answer(ask.house.thumbnails.get(kept.path, ask.whole("size", 600)), "image/jpeg")


def take_page(ask: Ask) -> Any:
    return ask.house.take_page(ask.part("take"))


def damage(ask: Ask) -> Any:
    return damage_view(ask.house.takes.get(ask.part("take")))


def peaks(ask: Ask) -> Response:
    take = ask.house.takes.get(ask.part("take"))
    found = waveform(
        take,
        ask.whole("start_frame"),
        ask.whole("stop_frame"),
        ask.whole("width"),
        ask.choice("as", VERSIONS, "played"),
    )
    facts = {
        "start_frame": found.start_frame,
        "stop_frame": found.stop_frame,
        "columns": len(found.columns),
        "channels": found.columns.shape[1],
        "frames_per_column": found.frames_per_column,
        "rate_hz": take.rate_hz,
    }
    return bytes_answer(found.columns.astype("<f4").tobytes(), "application/octet-stream", facts, "Peaks")


def spectrum_picture(ask: Ask) -> Response:
    take = ask.house.takes.get(ask.part("take"))
    found = spectrum(
        take,
        ask.whole("start_frame"),
        ask.whole("stop_frame"),
        ask.whole("width"),
        ask.whole("height"),
        version=ask.choice("as", VERSIONS, "played"),
        scale=ask.choice("scale", SCALES, "octaves"),
    )
    facts = {
        "start_frame": found.start_frame,
        "stop_frame": found.stop_frame,
        "columns": found.levels.shape[0],
        "rows": found.levels.shape[1],
        "lowest_hz": round(float(found.edges_hz[0]), 3),
        "highest_hz": round(float(found.edges_hz[-1]), 3),
        "scale": ask.word("scale", "octaves"),
        "floor_db": -120.0,
        "rate_hz": take.rate_hz,
    }
    return bytes_answer(found.levels.tobytes(), "application/octet-stream", facts, "Spectrum")


def sound(ask: Ask) -> Response:
    take = ask.house.takes.get(ask.part("take"))
    data = listen(
        take,
        ask.whole("start_frame"),
        ask.whole("stop_frame"),
        version=ask.choice("as", VERSIONS, "played"),
        gain_db=ask.decimal("gain_db", 0.0),
    )
    return bytes_answer(data, "audio/wav")


ENDPOINTS: list[Endpoint] = [
    Endpoint(method="GET", path="/api/state", handler=state),
    Endpoint(method="GET", path="/api/records", handler=records),
    Endpoint(method="POST", path="/api/records", handler=create_record, body=Text),
    Endpoint(method="GET", path="/api/records/{record}", handler=record),
    Endpoint(method="DELETE", path="/api/records/{record}", handler=discard_record),
    Endpoint(method="POST", path="/api/records/{record}/restore", handler=restore_record),
    Endpoint(method="GET", path="/api/bin", handler=bin_content),
    Endpoint(method="PUT", path="/api/records/{record}/sleeve", handler=write_sleeve, body=SleeveText),
    Endpoint(method="POST", path="/api/sleeve/read", handler=read_sleeve, body=Text),
    Endpoint(method="GET", path="/api/records/{record}/pictures/{kind}", handler=picture),
    Endpoint(method="GET", path="/api/takes/{take}/view", handler=take_page),
    Endpoint(method="GET", path="/api/takes/{take}/damage", handler=damage),
    Endpoint(method="GET", path="/api/takes/{take}/peaks", handler=peaks),
    Endpoint(method="GET", path="/api/takes/{take}/spectrum", handler=spectrum_picture),
    Endpoint(method="GET", path="/api/takes/{take}/sound", handler=sound),
]
