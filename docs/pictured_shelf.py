"""The shelf that is pictured: the pressed demo, its side A taken again a year later, and records that are only planned."""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

PLANNED = (
    ("The Wicker Boats", "Tallow Wharf Almanac", 1971, "#7a8f6a", 5),
    ("Nan Okoro", "Salt Hours", 1979, "#d9b44a", 6),
    ("Orchester Fahrenwald", "Nachtfahrt in Dorisch", 1966, "#243b53", 3),
    ("Ilse Brandt & Trio", "Small Rooms", 1958, "#b9482a", 5),
    ("Quarry Choir of Lund", "Stone Songs", 1983, "#8a8378", 4),
    ("Kofi Marsh", "The Unlit Transmitter", 1977, "#e8e2d4", 3),
)


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
