"""The JSON interface: every endpoint and what answers it. docs/api.md describes them; a test reads both."""

from __future__ import annotations

from typing import Any

from starlette.responses import Response

from sidekeep.errors import ParameterError
from sidekeep.model.recipe import LevelSettings
from sidekeep.service.choices.kinds import check_kinds, kinds_of_copies
from sidekeep.service.house.listen import listen
from sidekeep.service.house.sleeve_lines import read_sleeve_lines
from sidekeep.service.house.spectrum import SCALES, spectrum
from sidekeep.service.house.styluses import keep_stylus, stylus_views
from sidekeep.service.house.takes import VERSIONS
from sidekeep.service.house.upkeep import due_views
from sidekeep.service.house.views import damage_view
from sidekeep.service.house.waveform import waveform
from sidekeep.service.shelf.pictures import (
    LARGEST_UPLOAD,
    drop_picture,
    keep_picture,
    kind_of,
    move_corners,
    picture_of,
)
from sidekeep.web.answers import bytes_answer
from sidekeep.web.asking import Ask, Endpoint, Upload
from sidekeep.web.comparing import (
    combine_takes,
    compare_takes,
    comparison,
    comparison_report,
    comparison_sound,
    play_again,
)
from sidekeep.web.guard import REPORT_POLICY
from sidekeep.web.sent import (
    Check,
    Chosen,
    Copies,
    Corners,
    Edit,
    Evening,
    Older,
    On,
    Others,
    Pile,
    PlayAgain,
    Revision,
    SleeveText,
    StylusFacts,
    Text,
    Wish,
)


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


def empty_bin(ask: Ask) -> Any:
    _only_here(ask)
    return {"removed": ask.house.empty_bin()}


def empty_take_bin(ask: Ask) -> Any:
    _only_here(ask)
    record = ask.house.empty_take_bin(ask.part("record"), ask.body.revision)
    return {"revision": record["revision"], "record": record}


def styluses(ask: Ask) -> Any:
    return {"styluses": stylus_views(ask.house.shelf)}


def keep_stylus_sent(ask: Ask) -> Any:
    wanted = ask.body
    keep_stylus(
        ask.house.shelf, wanted.name, hours_before=wanted.hours_before, remind_at_h=wanted.remind_at_h
    )
    return {"styluses": stylus_views(ask.house.shelf)}


def write_sleeve(ask: Ask) -> Any:
    return ask.house.write_sleeve(ask.part("record"), ask.body.text, ask.body.revision)


def read_sleeve(ask: Ask) -> Any:
    return read_sleeve_lines(ask.body.text)


def picture(ask: Ask) -> Response:
    kept = picture_of(ask.house.library.folder(ask.part("record")), ask.part("kind"))
    path = kept.original or kept.path if ask.word("original") == "1" else kept.path
    return bytes_answer(ask.house.thumbnails.get(path, ask.whole("size", 600)), "image/jpeg")


def keep_picture_sent(ask: Ask) -> Any:
    kept = keep_picture(
        ask.house.library.folder(ask.part("record")), kind_of(ask.word("kind", "front")), ask.body
    )
    return {**kept.view(), "record": ask.house.changed(ask.part("record"))}


def put_corners(ask: Ask) -> Any:
    kept = move_corners(
        ask.house.library.folder(ask.part("record")),
        kind_of(ask.part("kind")),
        ask.body.corners,
        expected_revision=ask.body.revision,
    )
    return {**kept.view(), "record": ask.house.changed(ask.part("record"))}


def drop_picture_kept(ask: Ask) -> Any:
    drop_picture(ask.house.library.folder(ask.part("record")), kind_of(ask.part("kind")))
    return ask.house.changed(ask.part("record"))


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


def survey_record(ask: Ask) -> Any:
    return ask.house.ask_for("survey", ask.part("record"))


def write_copies(ask: Ask) -> Any:
    wanted = ask.body
    return ask.house.ask_for(
        "copies",
        ask.part("record"),
        kinds=check_kinds(wanted.copies if wanted.kinds is None else wanted.kinds),
        replace=wanted.replace,
        titles=wanted.titles,
        comment=wanted.comment,
        track_names=wanted.track_names,
        old_tags=wanted.old_tags,
    )


def verify_record(ask: Ask) -> Any:
    return ask.house.ask_for("verify", ask.part("record"), decode_flac=ask.body.decode_flac)


def verify_shelf(ask: Ask) -> Any:
    return ask.house.ask_for("verify", None, decode_flac=ask.body.decode_flac)


def interrupted(ask: Ask) -> Any:
    return {"takes": ask.house.interrupted()}


def close_interrupted(ask: Ask) -> Any:
    return ask.house.close_interrupted()


def due(ask: Ask) -> Any:
    return {"sides": due_views(ask.house.shelf, ask.decimal("months", 12.0))}


def index_again(ask: Ask) -> Any:
    return {"records": ask.house.index_again()}


def adopt_sent(ask: Ask) -> Any:
    return ask.house.adopt_sent(
        ask.word("record"),
        ask.body,
        ask.word("name", "recording")[:200],
        ask.word("side", "A"),
        ask.word("stylus")[:200],
    )


def recipe(ask: Ask) -> Any:
    level = None
    if ask.word("target"):
        level = LevelSettings(
            target=ask.choice("target", ("peak", "loudness", "none"), "peak"),
            peak_dbtp=ask.decimal("peak_dbtp", -1.0),
            loudness_lufs=ask.decimal("loudness_lufs", -18.0),
        )
    return ask.house.recipe(ask.part("record"), level)


def recipe_file(ask: Ask) -> Response:
    headers = {"Content-Disposition": "attachment"}
    return Response(ask.house.recipe_text(ask.part("record")), media_type="application/toml", headers=headers)


def report(ask: Ask) -> Response:
    page = ask.house.report(ask.part("record"))
    headers = {"Content-Security-Policy": REPORT_POLICY}
    return Response(page, media_type="text/html; charset=utf-8", headers=headers)


def open_folder(ask: Ask) -> Any:
    _only_here(ask)
    ask.house.open_folder(ask.part("record"))
    return {"opened": True}


def jobs(ask: Ask) -> Any:
    return {"jobs": ask.house.jobs.views()}


def job(ask: Ask) -> Any:
    return ask.house.jobs.view(ask.part("job"))


def cancel_job(ask: Ask) -> Any:
    return ask.house.jobs.cancel(ask.part("job"))


def kinds(ask: Ask) -> Any:
    return {"kinds": [{"name": name, "purpose": purpose} for name, purpose in kinds_of_copies()]}


def edit(ask: Ask) -> Any:
    record = ask.house.edit(ask.part("record"), ask.body.edit, ask.body.revision)
    return {"revision": record["revision"], "record": record}


def discard_take(ask: Ask) -> Any:
    record = ask.house.move_take(ask.part("take"), ask.body.revision, out=False)
    return {"revision": record["revision"], "record": record}


def restore_take(ask: Ask) -> Any:
    record = ask.house.move_take(ask.part("take"), ask.body.revision, out=True)
    return {"revision": record["revision"], "record": record}


def undo(ask: Ask) -> Any:
    record = ask.house.take_back(ask.part("record"), ask.body.revision)
    return {"revision": record["revision"], "record": record}


def redo(ask: Ask) -> Any:
    record = ask.house.take_back(ask.part("record"), ask.body.revision, again=True)
    return {"revision": record["revision"], "record": record}


def history(ask: Ask) -> Any:
    return {"entries": ask.house.history(ask.part("record"))}


def inputs(ask: Ask) -> Any:
    return ask.house.turntable.inputs()


def choose_input(ask: Ask) -> Any:
    return ask.house.turntable.choose(ask.body.input, ask.body.rate_hz, ask.body.bits)


def gauge(ask: Ask) -> Any:
    return ask.house.turntable.gauge(ask.body.on, ask.body.peak_dbfs)


def session(ask: Ask) -> Any:
    return {"session": ask.house.turntable.view()}


def start_session(ask: Ask) -> Any:
    wanted = ask.body.then.copies if ask.body.then else None
    return ask.house.start_session(
        ask.body.record,
        ask.body.sides,
        check_kinds(wanted) if wanted else [],
        stylus=ask.body.stylus,
        by_needle=ask.body.by_needle,
        any_side=ask.body.any_side,
        survey=ask.body.survey,
    )


def act(ask: Ask) -> Any:
    wish = ask.body
    session = ask.house.turntable.act(wish.do, wish.side, record=wish.record, take=wish.take)
    return {"session": session}


def pile(ask: Ask) -> Any:
    return {"pile": ask.house.pile()}


def keep_pile(ask: Ask) -> Any:
    return {"pile": ask.house.keep_pile(ask.body.records)}


def invite(ask: Ask) -> Any:
    _only_here(ask)
    return ask.door.invite()


def guests(ask: Ask) -> Any:
    return {"guests": ask.door.guests.views()}


def throw_out(ask: Ask) -> Any:
    _only_here(ask)
    ask.door.guests.throw_out(ask.part("guest"))
    return {"guests": ask.door.guests.views()}


def _only_here(ask: Ask) -> None:
    if not ask.door.is_here(ask.request.scope):
        raise ParameterError("not-here")


ENDPOINTS: list[Endpoint] = [
    Endpoint(method="GET", path="/api/state", handler=state),
    Endpoint(method="GET", path="/api/records", handler=records),
    Endpoint(method="POST", path="/api/records", handler=create_record, body=Text),
    Endpoint(method="GET", path="/api/records/{record}", handler=record),
    Endpoint(method="DELETE", path="/api/records/{record}", handler=discard_record),
    Endpoint(method="POST", path="/api/records/{record}/restore", handler=restore_record),
    Endpoint(method="GET", path="/api/bin", handler=bin_content),
    Endpoint(method="DELETE", path="/api/bin", handler=empty_bin),
    Endpoint(method="DELETE", path="/api/records/{record}/bin", handler=empty_take_bin, body=Revision),
    Endpoint(method="GET", path="/api/styluses", handler=styluses),
    Endpoint(method="POST", path="/api/styluses", handler=keep_stylus_sent, body=StylusFacts),
    Endpoint(method="PUT", path="/api/records/{record}/sleeve", handler=write_sleeve, body=SleeveText),
    Endpoint(method="PUT", path="/api/records/{record}/again", handler=play_again, body=PlayAgain),
    Endpoint(method="POST", path="/api/sleeve/read", handler=read_sleeve, body=Text),
    Endpoint(method="GET", path="/api/records/{record}/pictures/{kind}", handler=picture),
    Endpoint(method="GET", path="/api/takes/{take}/view", handler=take_page),
    Endpoint(method="GET", path="/api/takes/{take}/damage", handler=damage),
    Endpoint(method="GET", path="/api/takes/{take}/peaks", handler=peaks),
    Endpoint(method="GET", path="/api/takes/{take}/spectrum", handler=spectrum_picture),
    Endpoint(method="GET", path="/api/takes/{take}/sound", handler=sound),
    Endpoint(method="POST", path="/api/takes/{take}/compare", handler=compare_takes, body=Older),
    Endpoint(method="GET", path="/api/takes/{take}/compare", handler=comparison),
    Endpoint(method="GET", path="/api/takes/{take}/compare/sound", handler=comparison_sound),
    Endpoint(method="POST", path="/api/takes/{take}/combine", handler=combine_takes, body=Others),
    Endpoint(method="GET", path="/api/takes/{take}/compare/report", handler=comparison_report),
    Endpoint(method="POST", path="/api/takes/{take}/discard", handler=discard_take, body=Revision),
    Endpoint(method="POST", path="/api/takes/{take}/restore", handler=restore_take, body=Revision),
    Endpoint(method="POST", path="/api/records/{record}/survey", handler=survey_record),
    Endpoint(method="POST", path="/api/records/{record}/copies", handler=write_copies, body=Copies),
    Endpoint(method="POST", path="/api/records/{record}/verify", handler=verify_record, body=Check),
    Endpoint(method="POST", path="/api/verify", handler=verify_shelf, body=Check),
    Endpoint(method="GET", path="/api/interrupted", handler=interrupted),
    Endpoint(method="POST", path="/api/interrupted/close", handler=close_interrupted),
    Endpoint(method="GET", path="/api/due", handler=due),
    Endpoint(method="POST", path="/api/index", handler=index_again),
    Endpoint(method="GET", path="/api/kinds", handler=kinds),
    Endpoint(method="GET", path="/api/jobs", handler=jobs),
    Endpoint(method="GET", path="/api/jobs/{job}", handler=job),
    Endpoint(method="DELETE", path="/api/jobs/{job}", handler=cancel_job),
    Endpoint(
        method="POST", path="/api/records/{record}/pictures", handler=keep_picture_sent, body=LARGEST_UPLOAD
    ),
    Endpoint(
        method="PUT", path="/api/records/{record}/pictures/{kind}/corners", handler=put_corners, body=Corners
    ),
    Endpoint(method="DELETE", path="/api/records/{record}/pictures/{kind}", handler=drop_picture_kept),
    Endpoint(method="POST", path="/api/adopt", handler=adopt_sent, body=Upload),
    Endpoint(method="GET", path="/api/records/{record}/recipe", handler=recipe),
    Endpoint(method="GET", path="/api/records/{record}/recipe/file", handler=recipe_file),
    Endpoint(method="GET", path="/api/records/{record}/report", handler=report),
    Endpoint(method="POST", path="/api/records/{record}/open-folder", handler=open_folder),
    Endpoint(method="GET", path="/api/inputs", handler=inputs),
    Endpoint(method="POST", path="/api/inputs/choose", handler=choose_input, body=Chosen),
    Endpoint(method="POST", path="/api/gauge", handler=gauge, body=On),
    Endpoint(method="GET", path="/api/session", handler=session),
    Endpoint(method="POST", path="/api/session", handler=start_session, body=Evening),
    Endpoint(method="POST", path="/api/session/act", handler=act, body=Wish),
    Endpoint(method="GET", path="/api/pile", handler=pile),
    Endpoint(method="PUT", path="/api/pile", handler=keep_pile, body=Pile),
    Endpoint(method="POST", path="/api/guests", handler=invite),
    Endpoint(method="GET", path="/api/guests", handler=guests),
    Endpoint(method="DELETE", path="/api/guests/{guest}", handler=throw_out),
    Endpoint(method="POST", path="/api/records/{record}/edits", handler=edit, body=Edit),
    Endpoint(method="POST", path="/api/records/{record}/undo", handler=undo, body=Revision),
    Endpoint(method="POST", path="/api/records/{record}/redo", handler=redo, body=Revision),
    Endpoint(method="GET", path="/api/records/{record}/history", handler=history),
]
