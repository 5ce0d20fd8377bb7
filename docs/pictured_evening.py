"""The evening that is pictured, told to the page as the server would tell it, from the levels of the pressed side."""

from __future__ import annotations

from typing import Any

import numpy as np

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
        "sides": [each["side"] for each in record["sides"]],
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
