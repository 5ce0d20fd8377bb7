"""The report: self-contained, well formed, every text escaped, pictures where the damage is."""

from __future__ import annotations

import base64
import io
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from PIL import Image

from sidekeep.copies.report.data import (
    ClipView,
    FileView,
    FindingView,
    RepairView,
    ReportData,
    SideView,
    TrackView,
)
from sidekeep.copies.report.disc import brightness, disc_picture, strip_picture, turn_period_s
from sidekeep.copies.report.page import decibels, render_report, size_text
from sidekeep.files.pictures.colour import writing_on
from sidekeep.model.measures import Clicks, Level, Noise, Turn
from sidekeep.model.record import Record
from sidekeep.units import MINIMUM_DB

HOSTILE = '<script>alert("x")</script>&amp;\'" $title ${body} </style>'
VOID = {"meta", "link", "img", "br"}
LEVEL = Level(
    sample_peak_dbfs=-7.1,
    true_peak_dbtp=-6.8,
    integrated_lufs=-19.3,
    range_lu=8.1,
    clipped_frames=0,
    dc=(0.0, 0.0),
    balance_db=0.2,
)
PNG = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg=="
)


def side(name: str = "A") -> SideView:
    """Two minutes: loud, a gap at 60 s, half as loud; a scratch once a turn from 20 s on."""
    loud = np.concatenate((np.full(99, 0.5), np.full(2, 0.001), np.full(99, 0.25)))
    scratch = tuple(RepairView(time_s=20.0 + 1.8 * turn, kind="pop", size_db=20.0) for turn in range(12))
    return SideView(
        name=name,
        length_s=120.0,
        envelope=np.stack((-loud, loud), axis=1),
        level=LEVEL,
        mended_true_peak_dbtp=-8.0,
        tracks=(
            TrackView(number=1, title="Harbour Before Light", start_s=1.0, stop_s=59.5, boundary="edge"),
            TrackView(number=2, title="Tin Weather", start_s=60.6, stop_s=119.0, confidence=0.3),
        ),
        repairs=(*scratch, RepairView(time_s=90.0, kind="tick", channel="L", size_db=9.0)),
        noise=Noise(groove_dbfs=-61.0, hum_hz=50.0, hum_dbfs=-78.0, rumble_dbfs=-58.0),
        clicks=Clicks(count=13, per_min=6.5, share_of_samples=1e-5),
        turn=Turn(rpm=100.0 / 3.0, period_s=1.8, sd_ppm=30.0, source="clicks"),
    )


def data() -> ReportData:
    return ReportData(
        record=Record(artist="The Lantern Mile", title="Salt Roads", year=1974, rpm=100.0 / 3.0),
        sides=(side("A"), side("B")),
        picture=PNG,
        findings=(
            FindingView(text="Good to know only.", severity="note"),
            FindingView(text="One channel is silent.", severity="act", side="B", start_s=65.0, channel="L"),
        ),
        gain_db=7.0,
        gain_text="+7.00 dB for the whole record",
        clips=(ClipView(title="Side A at 0:20", played=b"played", mended=b"mended", taken_out=b"out"),),
        files=(FileView(name="lossless/01 Harbour.flac", size_bytes=12_345_678, sha256="ab" * 32),),
        made_with="sidekeep 0.1.0",
        made_at="25 November 2026",
    )


class Page(HTMLParser):
    """Checks that tags are balanced; keeps texts and attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, text: str) -> None:
        self.texts.append(text)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.texts).split())


def test_what_is_special_about_a_track_is_said_beside_it() -> None:
    tracks = (
        TrackView(number=1, title="Harbour", start_s=2.0, stop_s=60.0),
        TrackView(
            number=2, title="Ebb", artist="The Tide Tables", boundary="segue", start_s=60.0, stop_s=90.0
        ),
        TrackView(number=3, title="Flow", confidence=0.3, start_s=90.0, stop_s=118.0),
    )
    text = Page(render_report(replace(data(), sides=(replace(side("A"), tracks=tracks),)))).text
    assert "The Tide Tables · runs on from the track before" in text
    assert "runs on" not in text.partition("Ebb")[0]
    assert text.count("its start is a guess") == 1
    assert "its start is a guess" in text.partition("Flow")[2]


def test_tells_the_whole_story() -> None:
    page = Page(render_report(data()))
    for words in (
        "The Lantern Mile",
        "Salt Roads",
        "1974",
        "Side A",
        "Harbour Before Light",
        "its start is a guess",
        "One channel is silent.",
        "side B, from 1:05, left",
        "26",
        "+7.0 dB",
        "−6.8 dBTP",
        "33.333 rpm",
        "Damage 6.5 a minute",
        "12.3 MB",
        "abababababababab",
        "check the local law",
        "25 November 2026",
    ):
        assert words in page.text, words
    assert page.text.index("One channel is silent.") < page.text.index("Good to know only.")


def test_the_unrolled_side_is_explained_once_where_the_first_one_stands() -> None:
    words = "The side unrolled:"
    assert Page(render_report(data())).text.count(words) == 1
    clean = replace(data(), sides=(replace(side("A"), repairs=()), side("B"), side("C")))
    page = Page(render_report(clean)).text
    assert page.count(words) == 1
    assert page.index("Side B") < page.index(words) < page.index("Side C")


def test_self_contained() -> None:
    """No address of any kind but data within the page, no script, no form, no import."""
    text = re.sub(r'"data:[^"]*"', '"inside"', render_report(data()))
    assert not re.search(r'(https?:|//[a-z]|url\((?!#|"inside")|@import|javascript:)', text)
    for tag, attributes in Page(text).tags:
        assert tag not in ("script", "iframe", "object", "embed", "form", "base")
        assert not [name for name in attributes if name.startswith("on")]
        for name in ("src", "href", "poster", "srcset"):
            if (value := attributes.get(name)) is not None:
                assert value == "inside"


def test_sounds_and_picture_are_inside() -> None:
    tags = Page(render_report(data())).tags
    sources = [attributes["src"] for tag, attributes in tags if tag == "audio"]
    assert [base64.b64decode(str(source).partition(",")[2]) for source in sources] == [
        b"played",
        b"mended",
        b"out",
    ]
    page = render_report(data())
    assert page.index("As played<") < page.index("Mended<") < page.index("What was taken out<")
    pictures = [attributes for tag, attributes in tags if tag == "img"]
    assert str(pictures[0]["src"]).startswith("data:image/png;base64,")
    assert "Salt Roads" in str(pictures[0]["alt"])


def test_every_text_is_escaped() -> None:
    bad = replace(
        side(HOSTILE), tracks=(TrackView(number=1, title=HOSTILE, artist=HOSTILE, start_s=1, stop_s=2),)
    )
    hostile = ReportData(
        record=Record(
            artist=HOSTILE, title=HOSTILE, label=HOSTILE, catalogue_number=HOSTILE, country=HOSTILE
        ),
        sides=(bad, bad),
        picture=PNG,
        findings=(FindingView(text=HOSTILE, side=HOSTILE),),
        gain_text=HOSTILE,
        clips=(ClipView(title=HOSTILE, played=b"", mended=b"", taken_out=b"", mime=HOSTILE),),
        files=(FileView(name=HOSTILE, size_bytes=1, sha256=HOSTILE),),
        made_with=HOSTILE,
        made_at=HOSTILE,
    )
    text = render_report(hostile)
    assert "<script" not in text
    assert "</style>" not in text.partition("</style>")[2]
    page = Page(text)
    assert 'alert("x")</script>&amp;' in page.text
    assert "${body}" in page.text
    bare = Page(render_report(replace(hostile, picture=None)))
    assert [tag for tag, _ in bare.tags if tag == "script"] == []


@pytest.mark.parametrize("picture", [None, b"", b"<svg onload=x>", b"\x89PN"])
def test_without_a_usable_picture_there_is_a_plate(picture: bytes | None) -> None:
    tags = Page(render_report(replace(data(), picture=picture))).tags
    assert "img" not in [tag for tag, _ in tags]
    assert any("plate" in str(attributes.get("class")) for _, attributes in tags)


@pytest.mark.parametrize(("sleeve", "writing"), [((240, 236, 226), "#000000"), ((70, 40, 90), "#ffffff")])
def test_labels_have_the_colour_of_the_sleeve_and_can_be_read(
    sleeve: tuple[int, int, int], writing: str
) -> None:
    kept = io.BytesIO()
    Image.new("RGB", (90, 90), sleeve).save(kept, "PNG")
    (main,) = [
        attributes
        for tag, attributes in Page(render_report(replace(data(), picture=kept.getvalue()))).tags
        if tag == "main"
    ]
    assert main["style"] == "--label: #{:02x}{:02x}{:02x}; --writing: {}".format(*sleeve, writing)


@pytest.mark.parametrize(
    ("colour", "ratio"), [("#000000", 21.0), ("#ffffff", 21.0), ("#767676", 4.54), ("#757575", 4.61)]
)
def test_writing_on_a_colour_stands_out(colour: str, ratio: float) -> None:
    """WCAG 2.2, contrast ratio: 21 for black on white; white on #767676 is the well-known 4.54. #757575 from memory."""
    levels = {"#000000": 0.0, "#ffffff": 1.0}
    grey = int(colour[1:3], 16) / 255.0
    shade = ((grey + 0.055) / 1.055) ** 2.4 if grey > 0.04045 else grey / 12.92
    light, dark = max(shade, levels[writing_on(colour)]), min(shade, levels[writing_on(colour)])
    assert (light + 0.05) / (dark + 0.05) >= 4.5
    white = max(shade, 1.0), min(shade, 1.0)
    assert colour == "#ffffff" or (white[0] + 0.05) / (white[1] + 0.05) == pytest.approx(ratio, abs=0.01)


def test_almost_nothing_to_tell() -> None:
    empty = SideView(
        name="A", length_s=0.0, envelope=np.zeros((0, 2)), level=LEVEL, mended_true_peak_dbtp=MINIMUM_DB
    )
    page = Page(render_report(ReportData(record=Record(), sides=(empty,))))
    for words in ("A record", "No tracks were found", "Nothing that needs you", "silence"):
        assert words in page.text
    assert "every sample is as it came" in page.text
    Page(render_report(ReportData(record=Record())))


def test_accessible() -> None:
    text = render_report(data())
    tags = Page(text).tags
    assert ("html", {"lang": "en"}) in tags
    assert [tag for tag, _ in tags].count("h1") == 1
    assert {"svg", "th"} <= {tag for tag, _ in tags}
    assert all(a.get("role") == "img" and a.get("aria-label") for tag, a in tags if tag == "svg")
    assert all("scope" in attributes for tag, attributes in tags if tag == "th")
    identifiers = [str(attributes["id"]) for _, attributes in tags if "id" in attributes]
    assert len(identifiers) == len(set(identifiers))
    for needed in ("prefers-color-scheme: dark", "@media print", "width=device-width"):
        assert needed in text


def points(svg: str, kind: str) -> list[tuple[float, float]]:
    found = re.search(rf'class="damage {kind}" d="([^"]*)"', svg)
    assert found
    return [(float(x), float(y)) for x, y in re.findall(r"M(-?[\d.]+) (-?[\d.]+)h0", found[1])]


def test_a_scratch_makes_a_line() -> None:
    """Once a turn is one angle: a straight line towards the middle, and one height when unrolled."""
    record = data().record
    on_disc = points(disc_picture(side(), record, number=1), "pop")
    angles = [np.arctan2(y, x) for x, y in on_disc]
    assert np.ptp(angles) < 0.01
    # Against the clock from three o'clock: 20 s is 11 turns and a ninth.
    assert angles[0] == pytest.approx(-2.0 * np.pi / 9.0, abs=0.01)
    radii = [np.hypot(x, y) for x, y in on_disc]
    assert radii == sorted(radii, reverse=True)
    unrolled = points(strip_picture(side(), record, number=1), "pop")
    assert np.ptp([y for _, y in unrolled]) <= 0.2
    assert [x for x, _ in unrolled] == sorted(x for x, _ in unrolled)
    assert unrolled[0][0] == pytest.approx(1000.0 * 20.0 / 120.0, abs=0.2)


def test_brightness_is_the_level() -> None:
    light = brightness(side(), 120)
    assert light[10] > light[100] > 0.7
    assert light[60] < 0.1
    one_click = side()
    one_click.envelope[150] = (-1.0, 1.0)
    np.testing.assert_allclose(brightness(one_click, 120), light)


def test_turn_is_measured_or_that_of_the_record() -> None:
    silent_turn = replace(side(), turn=Turn(rpm=0.0, period_s=0.0, sd_ppm=0.0, source="none"))
    assert turn_period_s(side(), Record(rpm=45.0)) == 1.8
    assert turn_period_s(silent_turn, Record(rpm=45.0)) == pytest.approx(60.0 / 45.0)
    assert turn_period_s(replace(side(), turn=None), Record()) == pytest.approx(1.8)


def test_very_many_repairs_keep_the_page_small() -> None:
    crowded = tuple(
        RepairView(time_s=0.003 * index, kind="crackle", size_db=index % 30) for index in range(40_000)
    )
    text = render_report(replace(data(), sides=(replace(side(), repairs=crowded),)))
    assert len(text) < 400_000
    assert "40\u202f000" in text


@pytest.mark.parametrize(
    ("size", "text"),
    [(0, "0 bytes"), (999, "999 bytes"), (1000, "1.0 kB"), (999_499, "999 kB"), (999_500, "1.0 MB"),
     (12_345_678, "12.3 MB"), (4_700_000_000, "4.7 GB")],
)  # fmt: skip
def test_sizes(size: int, text: str) -> None:
    assert size_text(size) == text.replace(" ", "\u00a0")


def test_decibels() -> None:
    assert decibels(-0.04, "dB") == "0.0\u00a0dB"
    assert decibels(-1.25, "dB", 2) == "−1.25\u00a0dB"
    assert decibels(MINIMUM_DB, "dB") == "silence"
