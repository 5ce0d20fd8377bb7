"""``./run pictures [DIR]``: every place of the page in light, dark and phone size, as PNG files to look at.

A shelf is made of the pressed demo and a few records that never were; nothing on it is real. The evening at the turntable
is told to the page as the server would tell it, from the levels of the pressed side, because no record plays here.
``--readme`` also writes the three pictures of the README; ``--report FILE`` only the one of the demo's report.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageDraw

ROOT = Path(__file__).parents[1]
KEPT = ROOT / ".cache" / "pictures-shelf"
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
]
PLANNED = (
    ("The Wicker Boats", "Tallow Wharf Almanac", 1971, "#7a8f6a", 5),
    ("Nan Okoro", "Salt Hours", 1979, "#d9b44a", 6),
    ("Orchester Fahrenwald", "Nachtfahrt in Dorisch", 1966, "#243b53", 3),
    ("Ilse Brandt & Trio", "Small Rooms", 1958, "#b9482a", 5),
    ("Quarry Choir of Lund", "Stone Songs", 1983, "#8a8378", 4),
    ("Kofi Marsh", "The Unlit Transmitter", 1977, "#e8e2d4", 3),
)
INPUTS = {
    "inputs": [
        {
            "id": identity,
            "name": name,
            "channels": channels,
            "rate_hz": rate_hz,
            "bits": bits,
            "chosen": identity == "deck",
            "notes": [] if channels == 2 else [{"code": "input-mono", "severity": "act", "facts": {}}],
        }
        for identity, name, channels, rate_hz, bits in (
            ("deck", "Line in of the interface", 2, 96_000, 24),
            ("laptop", "Built-in microphone", 1, 48_000, 16),
        )
    ],
    "settings": {},
}
SIZES = {
    "light": {"color_scheme": "light", "viewport": {"width": 1280, "height": 860}},
    "dark": {"color_scheme": "dark", "viewport": {"width": 1280, "height": 860}},
    "phone": {
        "color_scheme": "light",
        "viewport": {"width": 360, "height": 740},
        "device_scale_factor": 2,
        "has_touch": True,
        "is_mobile": True,
    },
}


def make_shelf(folder: Path) -> None:
    """The demo pressed, adopted and copied; the others only planned."""
    from sidekeep.press.demo import press_demo
    from sidekeep.service.shelf import records as shelf_service
    from sidekeep.service.shelf.adopting import adopt
    from sidekeep.service.transfers.copies import copy_record
    from sidekeep.service.transfers.transferred import TransferOptions
    from sidekeep.shelf.index.catalogue import record_folders

    making = folder.with_name(folder.name + "-making")
    shutil.rmtree(making, ignore_errors=True)
    demo = press_demo(
        making / "pressed", lambda sides: print(f"pressed {sides:.0f} of 2 sides", file=sys.stderr)
    )
    shelf = making / "shelf"
    adopt(demo.recordings, shelf=shelf, sleeve_path=demo.sleeve_path)
    (record,) = record_folders(shelf)
    (record.path / "art").mkdir(exist_ok=True)
    shutil.copy(demo.picture_path, record.path / "art" / "front.png")
    copy_record(shelf, "drowned", options=TransferOptions(kinds="lossless,portable"))
    for artist, title, year, colour, count in PLANNED:
        names = ("Lamp Oil", "Rope Walk", "Slack Water", "Two Bridges", "Undersong", "Tidemark")
        tracks = [f"{names[number]} {3 + number}:{12 + 7 * number}" for number in range(count)]
        half = (count + 1) // 2
        text = f"{artist} - {title} ({year})\nLabel: Osprook\n\nSide A\n" + "\n".join(tracks[:half])
        planned = shelf_service.plan_sleeve(shelf, text + "\n\nSide B\n" + "\n".join(tracks[half:]) + "\n")
        picture = Image.new("RGB", (900, 900), colour)
        ImageDraw.Draw(picture).ellipse((200, 200, 700, 700), outline="white", width=8)
        (planned.path / "art").mkdir(exist_ok=True)
        picture.save(planned.path / "art" / "front.jpg")
    shutil.rmtree(making / "pressed")
    shutil.rmtree(folder, ignore_errors=True)
    shelf.rename(folder)
    shutil.rmtree(making, ignore_errors=True)


def make_year_later(shelf: Path) -> None:
    """Side A of the demo taken again a year later, with more dust, a duller inside and more noise; compared with the first."""
    from sidekeep.service.choices.edits import apply
    from sidekeep.service.comparing.compare import compare
    from sidekeep.service.shelf import records as shelf_service

    record = shelf_service.find_record(shelf, "drowned")
    first, second = (record.path / "takes" / name for name in ("A-1", "A-2"))
    if not second.exists():
        take_again(shelf, first)
        apply(record, {"kind": "choose-take", "side": "A", "number": 1})
    if not list(record.path.glob("comparisons/*/alignment.npz")):
        compare(shelf, str(first), str(second))


def take_again(shelf: Path, first: Path) -> None:
    """The second take of that side, made of the first, which is a year older from now on."""
    import soundfile
    from scipy.ndimage import map_coordinates
    from scipy.signal import butter, sosfilt

    from sidekeep.service.shelf.adopting import adopt

    audio, rate_hz = soundfile.read(first / "take.wav", always_2d=True)
    rng = np.random.default_rng(1975)
    dull = sosfilt(butter(1, 6000.0, fs=rate_hz, output="sos"), audio, axis=0)
    inward = np.linspace(0.0, 0.6, len(audio))[:, None]
    # No turntable plays a side twice alike: this one sways a little otherwise, once a turn.
    turns = np.arange(len(audio)) / (1.8 * rate_hz)
    sway = np.arange(len(audio)) + 12.0 * np.sin(2.0 * np.pi * turns + 1.0)
    audio, dull = (
        np.stack([map_coordinates(wall, [sway], mode="nearest") for wall in both.T], axis=1)
        for both in (audio, dull)
    )
    worn = audio * (1.0 - inward) + dull * inward + rng.normal(0.0, 2e-4, audio.shape)
    for start in rng.integers(9 * rate_hz, len(audio) - 9 * rate_hz, 40):
        worn[start : start + 30] += 0.35 * rng.choice((-1.0, 1.0)) * np.exp(-np.arange(30) / 6.0)[:, None]
    again = shelf.with_name(shelf.name + "-again") / "side A again.wav"
    again.parent.mkdir(exist_ok=True)
    soundfile.write(again, np.clip(worn, -1.0, 1.0 - 2.0**-23), rate_hz, subtype="PCM_24")
    adopt([again], shelf=shelf, record_name="drowned", side_letters=["A"])
    shutil.rmtree(again.parent)
    facts = json.loads((first / "take.json").read_text("utf-8"))
    year = int(facts["taken_utc"][:4]) - 1
    facts["taken_utc"] = f"{year}{facts['taken_utc'][4:]}"
    (first / "take.json").write_text(json.dumps(facts, indent=1), "utf-8")


@contextmanager
def running(shelf: Path) -> Iterator[Any]:
    """A server on that shelf."""
    sys.path.insert(0, str(ROOT))
    from tests.web.conftest import RunningServer

    server = RunningServer(shelf)
    try:
        yield server
    finally:
        server.close()


def turn_levels(server: Any, take: str, rate_hz: int, turn_frames: float, turns: int) -> list[list[float]]:
    """Peak level of 48 parts of each turn, as the live survey tells them."""
    width = turns * 48
    answer = server.ask(
        "GET", f"/api/takes/{take}/peaks?start_frame=0&stop_frame={int(turns * turn_frames)}&width={width}"
    )
    peaks = np.abs(np.frombuffer(answer.body, "<f4")).reshape(width, -1).max(axis=1)
    return np.round(20.0 * np.log10(np.maximum(peaks, 1e-5)), 1).reshape(turns, 48).tolist()


def evening(server: Any, record: dict[str, Any], phase: str) -> list[dict[str, Any]]:
    """What the server would tell in the middle of side A."""
    side = record["sides"][0]
    view = server.get(f"/api/takes/{side['chosen_take']}/view")
    rate_hz, turn_frames = view["rate_hz"], view["turn"]["period_frames"]
    turns = 62 if phase != "armed" else 0
    damage = [
        [row[1], row[2], row[3], row[4], row[5], row[6]]
        for row in server.get(f"/api/takes/{side['chosen_take']}/damage")["repairs"]
        if row[1] < (turns - 9) * turn_frames
    ]
    reading = {
        "needle": "up" if phase == "armed" else "down",
        "peak_dbfs": [-60.0, -60.0] if phase == "armed" else [-13.4, -16.2],
        "held_dbfs": [-60.0, -60.0] if phase == "armed" else [-10.2, -11.9],
        "highest_dbfs": -120.0 if phase == "armed" else -7.9,
        "clipped_frames": 0,
        "advice": {"code": "level-right", "facts": {}},
    }
    elapsed = int((turns + 0.31) * turn_frames)
    news = [{"code": "begun", "side": "A", "facts": {"side": "A", "before_s": 4.0}}] if turns else []
    session = {
        "record": record["id"],
        "phase": phase,
        "side": "B" if phase == "flip" else "A",
        "rate_hz": rate_hz,
        "elapsed_frames": elapsed if phase == "recording" else 0,
        "reading": reading,
        "taken": [],
        "news": news
        + (
            [{"code": "taken", "side": "A", "facts": {"length_s": 172}}, {"code": "fits", "side": "A"}]
            if phase == "flip"
            else []
        ),
    }
    state = {**server.get("/api/state"), "session": session}
    events: list[dict[str, Any]] = [{"kind": "hello", "seq": 0, "state": state}]
    if phase == "recording":
        levels = turn_levels(server, side["chosen_take"], rate_hz, turn_frames, turns)
        track = record["sides"][0]["printed"][2]
        live = [
            {
                "code": "live-turns",
                "facts": {"first_turn": 0, "turn_frames": turn_frames, "levels_db": levels},
            },
            {"code": "live-damage", "facts": {"repairs": damage}},
            {"code": "live-track", "facts": {"track": 3, "title": track["title"], "side_left_s": 71}},
        ]
        events += [{"kind": "live", **each} for each in live]
    return [*events, {"kind": "meter", "reading": reading}]


def take_pictures(server: Any, out: Path, only: str) -> None:
    """All places at all sizes; ``only`` keeps those with that word in their name."""
    from playwright.sync_api import sync_playwright

    records = server.get("/api/records")["records"]
    demo = next(each for each in records if each["title"].startswith("Charts"))
    other = next(each for each in records if each["title"] == "Salt Hours")
    record = server.get(f"/api/records/{demo['id']}")
    here = f"/record/{demo['id']}"
    places: dict[str, tuple[str, str]] = {
        "1-shelf": ("/", ""),
        "2-sleeve": (f"{here}/sleeve", ""),
        "2-sleeve-new": ("/new", ""),
        "3-set-up": ("/turntable", ""),
        "3-turntable-ready": (f"/record/{other['id']}/turntable", ""),
        "3-turntable-armed": (f"{here}/turntable", "armed"),
        "3-turntable-recording": (f"{here}/turntable", "recording"),
        "3-turntable-flip": (f"{here}/turntable", "flip"),
        "4-side": (f"{here}/side/A#t=93", ""),
        "4-side-disc": (f"{here}/side/A#t=60", "disc"),
        "4-side-turns": (f"{here}/side/A#t=45&from=36&to=58", ""),
        "4-side-groove": (f"{here}/side/A#t=50&from=50&to=50.03", ""),
        "4-side-samples": (f"{here}/side/B#t=50&from=50&to=50.001", ""),
        "5-copies": (f"{here}/copies", ""),
        "6-later": (f"{here}/later", ""),
        "7-phone": ("/phone", ""),
    }
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            headless=True, executable_path=shutil.which("chromium"), args=ARGUMENTS
        )
        for size, options in SIZES.items():
            context = browser.new_context(**options)
            for name, (path, phase) in places.items():
                if only not in f"{name}-{size}":
                    continue
                page = context.new_page()
                page.on("pageerror", lambda error, at=name: print(f"{at}: {error}", file=sys.stderr))
                if phase and phase != "disc":
                    told = evening(server, record, phase)
                    page.route_web_socket(
                        "**/api/events",
                        lambda socket, told=told: [socket.send(json.dumps(each)) for each in told],
                    )
                if name.startswith("3-"):
                    page.route("**/api/inputs", lambda route: route.fulfill(json=INPUTS))
                if name == "2-sleeve-new":
                    page.add_init_script(
                        "localStorage.setItem('sidekeep draft new', "
                        "'The Wicker Boats - Tallow Wharf Almanac (1971)\\nLabel: Osprook\\n\\nSide A\\nA1 Lamp Oil 3:45\\n"
                        "A2 Grüße vom Kai 4:10\\nA4 Rope Walk 3:75\\n\\nSide B\\nB1 Slack Water 5:02\\nB2 The Long Pier 7:19')"
                    )
                page.goto(f"http://{server.host}{path}")
                page.wait_for_selector("main h1, main .disc-view")
                page.wait_for_load_state("networkidle")
                for _ in range(7 if phase == "disc" else 0):  # so close that each turn is seen
                    page.get_by_role("button", name="Closer to the disc").click()
                page.wait_for_timeout(900)
                page.screenshot(path=out / f"{name}-{size}.png", full_page=True)
                page.close()
            context.close()
        browser.close()


def readme_pictures(out: Path) -> None:
    """The two of the README, as JPEG of the visible part; with ``--only`` those of them that were made."""
    for name, picture in (("turntable", "3-turntable-recording-light"), ("side", "4-side-turns-light")):
        if not (out / f"{picture}.png").exists():
            continue
        shown = Image.open(out / f"{picture}.png").convert("RGB")
        shown = shown.crop((0, 0, shown.width, min(shown.height, 1010)))
        shown.save(ROOT / "docs" / "images" / f"{name}.jpg", quality=84, optimize=True, progressive=True)


def report_picture(report: Path) -> None:
    """The README's picture of a report of the demo."""
    from playwright.sync_api import sync_playwright

    sys.path.insert(0, str(ROOT / "docs"))
    from report_picture import make_report_picture

    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=ARGUMENTS)
        make_report_picture(report, chromium)
        chromium.close()


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="./run pictures", description="Every place of the page as pictures."
    )
    parser.add_argument("out", nargs="?", type=Path, default=ROOT / ".cache" / "pictures", metavar="DIR")
    parser.add_argument(
        "--only", default="", metavar="WORD", help="only pictures with this word in their name"
    )
    parser.add_argument(
        "--shelf", type=Path, metavar="DIR", help="a shelf with the demo on it, instead of making one"
    )
    parser.add_argument("--readme", action="store_true", help="also write the pictures of the README")
    parser.add_argument(
        "--report",
        type=Path,
        metavar="FILE",
        help="only the README's picture of this report.html of the demo",
    )
    options = parser.parse_args()
    if shutil.which("chromium") is None:
        print("./run pictures: Chromium is needed (Debian: apt install chromium)", file=sys.stderr)
        return 2
    if options.report:
        report_picture(options.report)
        return 0
    shelf = options.shelf or KEPT
    if not shelf.exists():
        make_shelf(shelf)
    if shelf == KEPT:
        make_year_later(shelf)
    options.out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "My shelf"
        shutil.copytree(shelf, copy, symlinks=True)
        with running(copy) as server:
            take_pictures(server, options.out, options.only)
    if options.readme:
        readme_pictures(options.out)
        (report,) = shelf.glob("*/copies/*/report.html")
        report_picture(report)
    print(options.out)
    return 0


if __name__ == "__main__":
    sys.exit(main())
