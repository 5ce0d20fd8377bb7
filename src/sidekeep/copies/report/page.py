"""The report page: plain functions from values to HTML, every text escaped on the way in.

The frame of the page and its style sheet are in ``report.html``; pictures of the sides in ``report_disc``.
"""

from __future__ import annotations

import base64
from collections import Counter
from collections.abc import Iterable, Iterator
from html import escape
from importlib import resources
from string import Template

from sidekeep.copies.report.data import ClipView, FileView, FindingView, ReportData, SideView, TrackView
from sidekeep.copies.report.disc import disc_picture, strip_picture
from sidekeep.model.finding import SEVERITY_WORDS
from sidekeep.model.record import Record
from sidekeep.units import MINIMUM_DB, clock_text

_PICTURE_MIME = {b"\x89PNG": "image/png", b"\xff\xd8\xff": "image/jpeg", b"GIF8": "image/gif"}
_KINDS = {
    "tick": "ticks: short and sharp, dust or static",
    "pop": "pops: longer and louder, deeper damage",
    "crackle": "crackle: faint and dense, a worn or dusty groove",
    "thump": "thumps: with a low tail, the needle thrown by a deep scratch",
}
_KEPT_DIGITS = 16


def render_report(data: ReportData) -> str:
    """The whole page as text, to be written as UTF-8."""
    frame = resources.files("sidekeep.copies.report").joinpath("report.html").read_text("utf-8")
    body = "\n".join(
        part
        for part in (
            _cover(data),
            *(_side(side, data.record, number) for number, side in enumerate(data.sides, 1)),
            _found(data.findings, len(data.sides) > 1),
            _mended(data.sides),
            _level(data),
            _listen(data.clips),
            _written(data.files),
            _foot(data),
        )
        if part
    )
    return Template(frame).substitute(title=escape(_heading(data.record)), body=body)


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


def whole_number(number: int) -> str:
    """Digits in threes, separated by narrow spaces."""
    return f"{number:,}".replace(",", "\u202f")


def _count(number: int, one: str, many: str) -> str:
    return f"{whole_number(number)} {one if number == 1 else many}"


def _cover(data: ReportData) -> str:
    record = data.record
    printed = [
        str(record.year) if record.year else "",
        " ".join(part for part in (record.label, record.catalogue_number) if part),
        record.country,
    ]
    line = " · ".join(part for part in printed if part)
    music_s = sum(track.stop_s - track.start_s for side in data.sides for track in side.tracks)
    tracks = sum(len(side.tracks) for side in data.sides)
    mended = sum(len(side.repairs) for side in data.sides)
    facts = [
        (clock_text(music_s), f"of music in {_count(tracks, 'track', 'tracks')}"),
        (whole_number(mended), "place mended" if mended == 1 else "places mended"),
        (_gain(data.gain_db), "for the whole record, nothing compressed"),
        (
            whole_number(len(data.files)),
            "file written" if len(data.files) == 1 else "files written",
        ),
    ]
    listed = "".join(f"<div><dt>{escape(what)}</dt><dd>{escape(value)}</dd></div>" for value, what in facts)
    return (
        f'<header><div class="cover">{_sleeve(data)}<div>'
        + (f'<p class="artist">{escape(record.artist)}</p>' if record.artist else "")
        + f"<h1>{escape(record.title or 'A record')}</h1>"
        + (f'<p class="printed">{escape(line)}</p>' if line else "")
        + f'</div></div><dl class="facts">{listed}</dl></header>'
    )


def _sleeve(data: ReportData) -> str:
    mime = _mime(data.picture)
    if data.picture and mime:
        what = escape(f"The sleeve of {_heading(data.record)}", quote=True)
        return f'<img class="sleeve" alt="{what}" src="{_inside(mime, data.picture)}">'
    artist = f"<span>{escape(data.record.artist)}</span>"
    return f'<div class="sleeve plate" aria-hidden="true">{escape(data.record.title)}{artist}</div>'


def _mime(picture: bytes | None) -> str:
    if not picture:
        return ""
    if picture[:4] == b"RIFF" and picture[8:12] == b"WEBP":
        return "image/webp"
    return next((mime for start, mime in _PICTURE_MIME.items() if picture.startswith(start)), "")


def _inside(mime: str, data: bytes) -> str:
    return f"data:{escape(mime, quote=True)};base64,{base64.b64encode(data).decode('ascii')}"


def _side(side: SideView, record: Record, number: int) -> str:
    strip = ""
    if side.repairs:
        strip = (
            f"<figure>{strip_picture(side, record, number=number)}<figcaption>The side unrolled: it plays from "
            "left to right, and each height is one place on the way round the disc. Bright is loud, dark is "
            "quiet, every point of light is a place that was mended; a scratch that comes back once a turn "
            "draws a line.</figcaption></figure>"
        )
    return (
        f'<section aria-labelledby="side{number}"><h2 id="side{number}">Side {escape(side.name)}</h2>'
        f'<div class="side"><figure>{disc_picture(side, record, number=number)}</figure>'
        f'<div>{_tracks(side.tracks)}</div></div>{strip}<dl class="numbers">{_numbers(side)}</dl></section>'
    )


def _tracks(tracks: Iterable[TrackView]) -> str:
    lines = []
    for track in tracks:
        remarks = [track.artist] if track.artist else []
        if track.boundary == "segue":
            remarks.append("runs on from the track before")
        if track.confidence < 0.5:
            remarks.append("its start is a guess: have a look")
        small = f"<small>{escape(' · '.join(remarks))}</small>" if remarks else ""
        title = escape(track.title) if track.title else '<span class="soft">without a title</span>'
        lines.append(
            f'<li><span>{track.number}</span><span>{title}{small}</span><span class="time">'
            f"{clock_text(track.stop_s - track.start_s)}</span></li>"
        )
    if not lines:
        return '<p class="soft">No tracks were found on this side.</p>'
    return f'<ol class="tracks">{"".join(lines)}</ol>'


def _numbers(side: SideView) -> str:
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
            ("Clicks a minute", f"{side.clicks.per_min:.{0 if side.clicks.per_min >= 100.0 else 1}f}")
        )
    if side.turn is not None and side.turn.source != "none":
        rows.append(("Speed", f"{side.turn.rpm:.3f} rpm"))
    return "".join(f"<div><dt>{escape(what)}</dt><dd>{escape(value)}</dd></div>" for what, value in rows)


def _found(findings: tuple[FindingView, ...], is_side_named: bool) -> str:
    if not findings:
        return "<section><h2>What was found</h2><p>Nothing that needs you.</p></section>"
    order = list(SEVERITY_WORDS)
    lines = []
    for finding in sorted(findings, key=lambda finding: order.index(finding.severity)):
        where = [f"side {finding.side}"] if finding.side and is_side_named else []
        if finding.start_s is not None and finding.start_s > 0.0:
            where.append(f"from {clock_text(finding.start_s)}")
        if finding.channel != "both":
            where.append("left" if finding.channel == "L" else "right")
        place = f'<span class="where">{escape(", ".join(where))}</span>' if where else ""
        lines.append(
            f'<li class="{finding.severity}"><span class="weight">{SEVERITY_WORDS[finding.severity]}{place}</span>'
            f"<p>{escape(finding.text)}</p></li>"
        )
    return f'<section><h2>What was found</h2><ul class="findings">{"".join(lines)}</ul></section>'


def _mended(sides: tuple[SideView, ...]) -> str:
    counts = [Counter[str](repair.kind for repair in side.repairs) for side in sides]
    if not any(counts):
        return "<section><h2>What was mended</h2><p>Nothing: every sample is as it came from the record.</p></section>"
    head = "".join(
        f'<th scope="col" class="number">{"Side " if len(sides) < 4 else ""}{escape(side.name)}</th>'
        for side in sides
    )
    rows = []
    for kind, words in _KINDS.items():
        name, _, meaning = words.partition(": ")
        cells = "".join(f'<td class="number">{count[kind]}</td>' for count in counts)
        rows.append(
            f'<tr><th scope="row">{name.capitalize()} <span class="soft">{meaning}</span></th>{cells}</tr>'
        )
    return (
        "<section><h2>What was mended</h2><p>What stood between two undamaged stretches was worked out from "
        "both. Everything else is untouched, sample for sample, and the recording itself is kept as it was."
        f'</p><table><thead><tr><th scope="col">Damage</th>{head}</tr></thead>'
        f"<tbody>{''.join(rows)}</tbody></table></section>"
    )


def _level(data: ReportData) -> str:
    if not data.sides:
        return ""
    text = data.gain_text or f"{_gain(data.gain_db)} for the whole record"
    text = text[0].upper() + text[1:].rstrip(".") + "."
    return (
        f"<section><h2>The level</h2><p>{escape(text.replace('-', '−'))}</p>{_room(data)}"
        '<p class="soft">Ring: the highest true peak after mending. Dot: where the record’s one gain puts it. '
        "All sides move alike, so that they stay in proportion.</p></section>"
    )


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


def _listen(clips: tuple[ClipView, ...]) -> str:
    if not clips:
        return ""
    return (
        '<section class="listen"><h2>Listen</h2><p>The same few seconds as played, mended, and what was '
        'taken out, at the same level.</p><div class="clips">' + "".join(_clips(clips)) + "</div></section>"
    )


def _clips(clips: tuple[ClipView, ...]) -> Iterator[str]:
    for clip in clips:
        players = "".join(
            f'<label>{name}<audio controls preload="metadata" src="{_inside(clip.mime, sound)}"></audio></label>'
            for name, sound in _versions(clip)
        )
        yield f'<div class="clip"><h3>{escape(clip.title)}</h3>{players}</div>'


def _versions(clip: ClipView) -> tuple[tuple[str, bytes], ...]:
    return ("As played", clip.played), ("Mended", clip.mended), ("What was taken out", clip.taken_out)


def _written(files: tuple[FileView, ...]) -> str:
    if not files:
        return ""
    rows = "".join(
        f'<tr><th scope="row">{escape(file.name)}</th><td class="number">{size_text(file.size_bytes)}</td>'
        f"<td><code>{escape(file.sha256[:_KEPT_DIGITS])}</code></td></tr>"
        for file in files
    )
    total = size_text(sum(file.size_bytes for file in files))
    return (
        f"<section><h2>What was written</h2><p>{_count(len(files), 'file', 'files')}, {total} in all. Each was "
        "read back and compared before it got its name. The first digits of its SHA-256 are beside it, all of "
        'them in the manifest.</p><table class="files"><thead><tr><th scope="col">File</th>'
        '<th scope="col" class="number">Size</th><th scope="col">SHA-256</th></tr></thead>'
        f"<tbody>{rows}</tbody></table></section>"
    )


def _foot(data: ReportData) -> str:
    made = " · ".join(part for part in (data.made_with, data.made_at) if part)
    return (
        f"<footer><p>{escape(made)}</p><p>Keep the record: it is the original. What may be copied, and for whom, "
        "differs by country; check the local law.</p></footer>"
    )
