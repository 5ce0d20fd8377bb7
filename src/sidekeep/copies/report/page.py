"""The report page: what ``report.html``, a Jinja template, is filled with. Pictures of the sides are in ``disc``."""

from __future__ import annotations

import base64
from collections import Counter
from functools import cache
from html import escape

from jinja2 import Environment, PackageLoader, StrictUndefined, Template, pass_context
from jinja2.runtime import Context
from markupsafe import Markup

from sidekeep.copies.report.data import FindingView, ReportData, SideView, TrackView
from sidekeep.copies.report.disc import disc_picture, strip_picture
from sidekeep.copies.report.typeset import tight
from sidekeep.errors import ParameterError
from sidekeep.files.pictures.colour import sleeve_colour, writing_on
from sidekeep.fonts import with_faces
from sidekeep.model.finding import SEVERITY_WORDS
from sidekeep.model.record import Record
from sidekeep.units import MINIMUM_DB, clock_text, count, whole_number

_PICTURE_MIME = {b"\x89PNG": "image/png", b"\xff\xd8\xff": "image/jpeg", b"GIF8": "image/gif"}
_KINDS = {
    "tick": ("ticks", "short and sharp, dust or static"),
    "pop": ("pops", "longer and louder, deeper damage"),
    "crackle": ("crackle", "faint and dense, a worn or dusty groove"),
    "thump": ("thumps", "with a low tail, the needle thrown by a deep scratch"),
}


def render_report(data: ReportData) -> str:
    """The whole page as text, to be written as UTF-8."""
    mime, record = _mime(data.picture), data.record
    order = list(SEVERITY_WORDS)
    counts = [Counter[str](repair.kind for repair in side.repairs) for side in data.sides]
    page = _template().render(
        heading=_heading(record),
        record=record,
        picture=_inside(mime, data.picture) if data.picture and mime else "",
        label=_label(data.picture) if data.picture and mime else None,
        printed=_printed(record),
        facts=_facts(data),
        sides=data.sides,
        findings=sorted(data.findings, key=lambda finding: order.index(finding.severity)),
        counts=counts if any(counts) else (),
        kinds=[(kind, name.capitalize(), meaning) for kind, (name, meaning) in _KINDS.items()],
        level_text=_level_text(data),
        room=Markup(_room(data)),
        clips=data.clips,
        files=data.files,
        files_text=f"{count(len(data.files), 'file')}, "
        f"{size_text(sum(file.size_bytes for file in data.files))} in all",
        made=" · ".join(part for part in (data.made_with, data.made_at) if part),
    )
    return with_faces(page)


@cache
def _template() -> Template:
    """``report.html``: every text that goes in is escaped, but for the pictures made here."""
    environment = Environment(
        loader=PackageLoader("sidekeep.copies.report", ""),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"clock": clock_text, "size": size_text, "tight": tight}
    environment.globals |= {
        "disc": lambda *given, **named: Markup(disc_picture(*given, **named)),
        "strip": lambda *given, **named: Markup(strip_picture(*given, **named)),
        "remarks": _remarks,
        "measured": _measured,
        "where": _where,
        "inside": _inside,
        "severity_words": SEVERITY_WORDS,
    }
    return environment.get_template("report.html")


def _label(picture: bytes) -> dict[str, str] | None:
    """The labels are drawn in the sleeve's colour, as on the page of a side; None where it cannot be told."""
    try:
        colour = sleeve_colour(picture)
    except ParameterError:
        return None
    return {"colour": colour, "writing": writing_on(colour)}


def _heading(record: Record) -> str:
    names = [name for name in (record.artist, record.title) if name]
    return " – ".join(names) or "A record"


def decibels(value: float, unit: str, digits: int = 1) -> str:
    """A level as people read it: a true minus sign, ``silence`` at the floor."""
    if value <= MINIMUM_DB + 1.0:
        return "silence"
    text = f"{value:.{digits}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return f"{text.replace('-', '−')}\u00a0{unit}"


def _gain(value: float) -> str:
    text = decibels(value, "dB")
    return text if text[0] == "−" or not any(digit in text for digit in "123456789") else f"+{text}"


def size_text(size_bytes: int) -> str:
    """A size in decimal units."""
    if size_bytes < 1000:
        return f"{size_bytes}\u00a0bytes"
    size, units = size_bytes / 1000.0, ["kB", "MB", "GB", "TB"]
    while size >= 999.5 and len(units) > 1:
        size /= 1000.0
        units.pop(0)
    unit = units[0]
    return f"{size:.0f}\u00a0{unit}" if size >= 99.5 else f"{size:.1f}\u00a0{unit}"


def _printed(record: Record) -> str:
    parts = [
        str(record.year) if record.year else "",
        " ".join(part for part in (record.label, record.catalogue_number) if part),
        record.country,
    ]
    return " · ".join(part for part in parts if part)


def _facts(data: ReportData) -> list[tuple[str, str]]:
    """The record in a few numbers: what, and how many."""
    music_s = sum(track.stop_s - track.start_s for side in data.sides for track in side.tracks)
    tracks = sum(len(side.tracks) for side in data.sides)
    mended = sum(len(side.repairs) for side in data.sides)
    return [
        (f"of music in {count(tracks, 'track')}", clock_text(music_s)),
        ("place mended" if mended == 1 else "places mended", whole_number(mended)),
        ("for the whole record, nothing compressed", _gain(data.gain_db)),
        ("file written" if len(data.files) == 1 else "files written", whole_number(len(data.files))),
    ]


def _remarks(track: TrackView) -> str:
    remarks = [track.artist] if track.artist else []
    if track.boundary == "segue":
        remarks.append("runs on from the track before")
    if track.confidence < 0.5:
        remarks.append("its start is a guess: have a look")
    return " · ".join(remarks)


def _mime(picture: bytes | None) -> str:
    if not picture:
        return ""
    if picture[:4] == b"RIFF" and picture[8:12] == b"WEBP":
        return "image/webp"
    return next((mime for start, mime in _PICTURE_MIME.items() if picture.startswith(start)), "")


def _inside(mime: str, data: bytes) -> str:
    return f"data:{mime};base64,{base64.b64encode(data).decode('ascii')}"


def _measured(side: SideView) -> list[tuple[str, str]]:
    """What is measured of a side, each in words."""
    rows: list[tuple[str, str]] = [
        ("Highest peak", decibels(side.level.true_peak_dbtp, "dBTP")),
        ("Peak, mended", decibels(side.mended_true_peak_dbtp, "dBTP")),
        ("Loudness", decibels(side.level.integrated_lufs, "LUFS")),
        ("Loudness range", decibels(side.level.range_lu, "LU")),
    ]
    if side.noise is not None:
        rows.append(("Groove noise", decibels(side.noise.groove_dbfs, "dBFS")))
        rows.append(("Rumble", decibels(side.noise.rumble_dbfs, "dBFS")))
        if side.noise.hum_hz > 0.0:
            rows.append((f"Hum at {side.noise.hum_hz:.0f} Hz", decibels(side.noise.hum_dbfs, "dBFS")))
    if side.clicks is not None:
        rows.append(
            ("Damage", f"{side.clicks.per_min:.{0 if side.clicks.per_min >= 100.0 else 1}f} a minute")
        )
    if side.turn is not None and side.turn.source != "none":
        rows.append(("Speed", f"{side.turn.rpm:.3f} rpm"))
    return rows


@pass_context
def _where(context: Context, finding: FindingView) -> str:
    """The place of a finding; the side only where there are several."""
    where = [f"side {finding.side}"] if finding.side and len(context["sides"]) > 1 else []
    if finding.start_s is not None and finding.start_s > 0.0:
        where.append(f"from {clock_text(finding.start_s)}")
    if finding.channel != "both":
        where.append("left" if finding.channel == "L" else "right")
    return ", ".join(where)


def _level_text(data: ReportData) -> str:
    text = data.gain_text or f"{_gain(data.gain_db)} for the whole record"
    return tight(text[0].upper() + text[1:].rstrip(".")) + "."


def _room(data: ReportData) -> str:
    """How far each side's highest peak is from the top, before and after the gain."""
    low, high, left, right = -30.0, 1.5, 64.0, 392.0

    def across(level_db: float) -> float:
        return left + (min(max(level_db, low), high) - low) / (high - low) * (right - left)

    bottom = 26.0 + 26.0 * len(data.sides)
    parts = []
    for tick in range(-30, 1, 6):
        kind = ' class="top"' if tick == 0 else ""
        parts.append(
            f'<path{kind} d="M{across(tick):.1f} 8V{bottom:.0f}"/><text x="{across(tick):.1f}" y="{bottom + 18:.0f}" '
            f'text-anchor="middle">{decibels(tick, "", 0).strip()}</text>'
        )
    said = []
    for index, side in enumerate(data.sides):
        before_db = side.mended_true_peak_dbtp
        after_db = before_db + data.gain_db
        y = 24.0 + 26.0 * index
        parts.append(
            f'<text class="name" x="0" y="{y + 5:.0f}">Side {escape(side.name)}</text>'
            f'<path class="way" d="M{across(before_db):.1f} {y:.0f}H{across(after_db):.1f}"/>'
            f'<circle class="from" cx="{across(before_db):.1f}" cy="{y:.0f}" r="5"/>'
            f'<circle class="to" cx="{across(after_db):.1f}" cy="{y:.0f}" r="5"/>'
        )
        said.append(f"side {side.name} from {decibels(before_db, 'dBTP')} to {decibels(after_db, 'dBTP')}")
    return (
        f'<svg class="room" viewBox="0 0 400 {bottom + 26:.0f}" role="img" '
        f'aria-label="{escape("Highest true peak: " + "; ".join(said))}">{"".join(parts)}</svg>'
    )
