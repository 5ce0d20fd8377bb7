"""One take: what the Side place draws of it, and any span of it as sound."""

from __future__ import annotations

from typing import Any

from starlette.responses import Response

from sidekeep.service.house.takes.damage_view import damage_view
from sidekeep.service.house.takes.held_takes import VERSIONS
from sidekeep.service.house.takes.listen import listen
from sidekeep.service.house.takes.spectrum import SCALES, spectrum
from sidekeep.service.house.takes.waveform import waveform
from sidekeep.web.answers import bytes_answer
from sidekeep.web.asking import Ask, Endpoint, Upload
from sidekeep.web.endpoints.sent import Revision


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
        "shows": found.shows,
        "floor_db": found.floor_db,
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


def adopt_sent(ask: Ask) -> Any:
    return ask.house.adopt_sent(
        ask.word("record"),
        ask.body,
        ask.word("name", "recording")[:200],
        ask.word("side", "A"),
        ask.word("stylus")[:200],
    )


def discard_take(ask: Ask) -> Any:
    record = ask.house.move_take(ask.part("take"), ask.body.revision, out=False)
    return {"revision": record["revision"], "record": record}


def restore_take(ask: Ask) -> Any:
    record = ask.house.move_take(ask.part("take"), ask.body.revision, out=True)
    return {"revision": record["revision"], "record": record}


ENDPOINTS: list[Endpoint] = [
    Endpoint(method="GET", path="/api/takes/{take}/view", handler=take_page),
    Endpoint(method="GET", path="/api/takes/{take}/damage", handler=damage),
    Endpoint(method="GET", path="/api/takes/{take}/peaks", handler=peaks),
    Endpoint(method="GET", path="/api/takes/{take}/spectrum", handler=spectrum_picture),
    Endpoint(method="GET", path="/api/takes/{take}/sound", handler=sound),
    Endpoint(method="POST", path="/api/adopt", handler=adopt_sent, body=Upload),
    Endpoint(method="POST", path="/api/takes/{take}/discard", handler=discard_take, body=Revision),
    Endpoint(method="POST", path="/api/takes/{take}/restore", handler=restore_take, body=Revision),
]
