"""Art and recordings that are sent in: bounded, decoded in limits, straightened, nothing lost."""

from __future__ import annotations

import io
import socket
import struct
import time
import zlib
from contextlib import suppress
from pathlib import Path
from threading import Event, Thread
from typing import Any

import numpy as np
import pytest
import soundfile
from PIL import Image

from sidekeep.web import bodies
from tests.files.test_sleeve_corners import SLANTED, photograph
from tests.web.conftest import RunningServer

TEXT = "Ada Thorn - Copper Weather (1979)\n\nSide A\nA1 Salt Road 0:04\n"


@pytest.fixture
def record(fresh: RunningServer) -> str:
    return str(fresh.ask("POST", "/api/records", {"text": TEXT}).json()["id"])


def jpeg(pixels: np.ndarray[Any, Any]) -> bytes:
    held = io.BytesIO()
    Image.fromarray(pixels).save(held, "JPEG", quality=90)
    return held.getvalue()


def send(server: RunningServer, record: str, data: bytes, kind: str = "front") -> Any:
    return server.ask(
        "POST", f"/api/records/{record}/pictures?kind={kind}", data, {"Content-Type": "image/jpeg"}
    )


def test_a_photograph_is_straightened_and_its_original_kept(fresh: RunningServer, record: str) -> None:
    data = jpeg(photograph(SLANTED, table=(120, 86, 60), size=(1600, 1200)))
    kept = send(fresh, record, data)
    assert kept.status == 200, kept.body
    view = kept.json()
    assert view["straightened"]
    assert view["width"] == view["height"]
    assert np.abs(np.array(view["corners"]) - SLANTED).max() < 0.01
    art = fresh.house.library.folder(record).path / "art"
    assert (art / "originals" / "front.picture").read_bytes() == data
    small = Image.open(io.BytesIO(fresh.ask("GET", f"/api/records/{record}/pictures/front?size=200").body))
    assert small.size == (200, 200)
    whole = fresh.ask("GET", f"/api/records/{record}/pictures/front?size=400&original=1")
    assert Image.open(io.BytesIO(whole.body)).size == (400, 300)


def test_corners_are_moved_by_hand_and_a_stale_move_is_told(fresh: RunningServer, record: str) -> None:
    send(fresh, record, jpeg(photograph(SLANTED, table=(120, 86, 60))))
    address = f"/api/records/{record}/pictures/front/corners"
    revision = fresh.get(f"/api/records/{record}")["revision"]
    moved = fresh.ask(
        "PUT", address, {"corners": [[0.1, 0.1], [0.6, 0.1], [0.6, 0.7], [0.1, 0.7]], "revision": revision}
    )
    assert moved.json()["corners"][2] == [0.6, 0.7]
    now = moved.json()["record"]["revision"]
    assert now == revision + 1
    edit = {"edit": {"kind": "notes", "text": "lent by a friend"}, "revision": now}
    assert fresh.ask("POST", f"/api/records/{record}/edits", edit).status == 200
    stale = fresh.ask("PUT", address, {"corners": SLANTED.tolist(), "revision": revision})
    assert stale.status == 409
    assert fresh.ask("PUT", address, {"corners": [[0, 0]] * 4}).status == 400


def test_what_is_replaced_or_dropped_stays_in_the_bin(fresh: RunningServer, record: str) -> None:
    first, second = (jpeg(np.full((300, 400, 3), shade, np.uint8)) for shade in (40, 200))
    send(fresh, record, first)
    send(fresh, record, second)
    assert fresh.ask("DELETE", f"/api/records/{record}/pictures/front").status == 200
    assert fresh.get(f"/api/records/{record}")["pictures"] == []
    art = fresh.house.library.folder(record).path / "art"
    assert {path.read_bytes() for path in (art / ".bin").glob("*.picture")} == {first, second}


def bomb(width: int, height: int) -> bytes:
    """A PNG of a few bytes whose head promises far more pixels than anybody has room for."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(bytes(1000)))
        + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize(
    "data",
    [b"", b"GIF89a" + bytes(50), b"<svg onload=alert(1)/>", b"\xff\xd8\xff\xe0" + bytes(100), bomb(60_000, 60_000), bomb(2**31 - 1, 1),
     b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n", b"\x00" * 5000],
    ids=["empty", "gif", "svg", "torn jpeg", "bomb", "strip", "postscript", "zeros"],
)  # fmt: skip
def test_what_is_no_picture_is_one_line_and_nothing_is_kept(
    fresh: RunningServer, record: str, data: bytes
) -> None:
    answer = send(fresh, record, data)
    assert answer.status == 400
    assert "\n" not in answer.json()["error"]["text"]
    assert fresh.get(f"/api/records/{record}")["pictures"] == []


def test_too_much_is_refused_before_it_is_read(fresh: RunningServer, record: str) -> None:
    head = (
        f"POST /api/records/{record}/pictures HTTP/1.1\r\nHost: {fresh.host}\r\nOrigin: http://{fresh.host}\r\n"
        "Content-Length: 99999999999\r\nConnection: close\r\n\r\n"
    )
    assert b" 413" in fresh.raw(head.encode()).split(b"\r\n")[0]


def test_too_much_without_a_length_is_cut_off(fresh: RunningServer) -> None:
    with socket.create_connection(("127.0.0.1", fresh.port), timeout=30) as line:
        line.sendall(
            f"POST /api/sleeve/read HTTP/1.1\r\nHost: {fresh.host}\r\nContent-Type: application/json\r\n"
            "Transfer-Encoding: chunked\r\nConnection: close\r\n\r\n".encode()
        )
        try:
            for _ in range(100):
                line.sendall(b"10000\r\n" + b" " * 65536 + b"\r\n")
        except OSError:
            return
        assert b" 413" in line.recv(1000).split(b"\r\n")[0]


def test_a_body_that_drips_or_stays_away_is_given_up(
    fresh: RunningServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bodies, "SLOWEST_CHUNK_S", 0.5)
    monkeypatch.setattr(bodies, "PATIENCE_S", 1.0)
    for drips in (True, False):
        with socket.create_connection(("127.0.0.1", fresh.port), timeout=60) as line:
            line.sendall(
                f"POST /api/sleeve/read HTTP/1.1\r\nHost: {fresh.host}\r\nContent-Type: application/json\r\n"
                "Content-Length: 1000\r\nConnection: close\r\n\r\n".encode()
            )
            if not drips:
                assert line.recv(1000).startswith(b"HTTP/1.1 408 ")  # or the wait for it times out
                continue
            sender = Thread(target=drip, args=(line,), daemon=True)
            sender.start()
            # Closing on bytes that nobody reads resets the line, and what was said before may go with it (RFC 9112, 9.6).
            with suppress(ConnectionError):
                while said := line.recv(1000):
                    assert said.startswith((b"HTTP/1.1 408 ", b"{"))
            sender.join(60)
            assert not sender.is_alive()


def drip(line: socket.socket) -> None:
    """A byte now and then, for as long as somebody takes them; far fewer than were announced."""
    with suppress(OSError):
        for _ in range(900):
            line.sendall(b" ")
            time.sleep(0.05)


def wav(folder: Path) -> bytes:
    rng = np.random.default_rng(2)
    soundfile.write(folder / "x.wav", rng.normal(0, 0.01, (44_100 * 3, 2)), 44_100, subtype="PCM_24")
    return (folder / "x.wav").read_bytes()


def finished(server: RunningServer, job: str) -> Any:
    for _ in range(2000):
        view = server.get(f"/api/jobs/{job}")
        if view["state"] in ("done", "failed", "cancelled"):
            return view
        time.sleep(0.05)
    raise AssertionError(view)


def test_a_recording_is_sent_in_bit_for_bit_under_a_safe_name(
    fresh: RunningServer, record: str, tmp_path: Path
) -> None:
    data = wav(tmp_path)
    asked = fresh.ask(
        "POST",
        f"/api/adopt?record={record}&side=A&name=..%2F..%2F%3Cb%3Emy%20side.wav",
        data,
        {"Content-Type": "audio/wav"},
    )
    assert asked.status == 200, asked.body
    done = finished(fresh, asked.json()["id"])
    assert done["state"] == "done", done
    (take,) = fresh.get(f"/api/records/{record}")["takes"]
    assert take["id"] == done["result"]["take"]
    assert "/" not in take["original_name"]
    assert "<" not in take["original_name"]
    found = fresh.house.library.take(take["id"])
    assert found.files[0].read_bytes() == data
    assert (found.path / "peaks.bin").exists()
    assert list((fresh.house.shelf / ".uploads").iterdir()) == []
    following = [job for job in fresh.get("/api/jobs")["jobs"] if job["kind"] == "survey"]
    assert following  # the survey is asked for by itself


@pytest.mark.parametrize(("query", "data"), [("side=A&name=x.wav", b"no sound"), ("side=a1&name=x.wav", b""), ("side=A&name=x", b"y"), ("side=A&name=x.wav", b"")])  # fmt: skip
def test_what_is_no_recording_leaves_nothing(
    fresh: RunningServer, record: str, query: str, data: bytes
) -> None:
    asked = fresh.ask("POST", f"/api/adopt?record={record}&{query}", data, {"Content-Type": "audio/wav"})
    if asked.status == 200:
        failed = finished(fresh, asked.json()["id"])
        assert failed["state"] == "failed"
        assert failed["error"]["text"].startswith(
            "x"
        )  # by the name it was sent under, not by a place of ours
    else:
        assert asked.status == 400
    assert list((fresh.house.shelf / ".uploads").iterdir()) == []
    assert list((fresh.house.library.folder(record).path / "takes").iterdir()) == []


def test_the_recipe_tells_what_it_will_do(server: RunningServer) -> None:
    (summary,) = server.get("/api/records")["records"]
    address = f"/api/records/{summary['id']}/recipe"
    effect = server.get(address)["effect"]
    assert effect["copies"]["true_peak_dbtp"] == pytest.approx(-1.0, abs=0.02)
    assert effect["gain_db"] == pytest.approx(-1.0 - effect["mended"]["true_peak_dbtp"], abs=0.02)
    louder = server.get(address + "?target=loudness&loudness_lufs=-30")["effect"]
    assert louder["copies"]["integrated_lufs"] == pytest.approx(-30.0, abs=0.02)
    assert server.get(address)["choices"]["level"]["target"] == "peak"  # trying keeps nothing


def test_the_report_has_a_policy_of_its_own(server: RunningServer) -> None:
    (summary,) = server.get("/api/records")["records"]
    answer = server.ask("GET", f"/api/records/{summary['id']}/report")
    assert answer.headers["content-type"].startswith("text/html")
    policy = answer.headers["content-security-policy"]
    assert "script-src" not in policy
    assert "default-src 'none'" in policy
    assert "sandbox" in policy


def test_a_slow_disk_holds_up_the_upload_and_nobody_else(
    fresh: RunningServer, record: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk with much to write takes seconds to make a file and to take a large one away: pages are answered meanwhile."""
    opened, unlinked = Path.open, Path.unlink
    begun = {word: Event() for word in ("open", "unlink")}
    may_end = {word: Event() for word in begun}
    held_up: list[str] = []

    def wait(path: Path, word: str) -> None:
        if path.parent.name == ".uploads":
            begun[word].set()
            held_up.extend([] if may_end[word].wait(20.0) else [word])

    def slow_open(self: Path, *rest: Any, **more: Any) -> Any:
        wait(self, "open")
        return opened(self, *rest, **more)

    def slow_unlink(self: Path, *rest: Any, **more: Any) -> None:
        wait(self, "unlink")
        unlinked(self, *rest, **more)

    monkeypatch.setattr(Path, "open", slow_open)
    monkeypatch.setattr(Path, "unlink", slow_unlink)
    head = (
        f"POST /api/adopt?record={record}&side=A&name=a.wav HTTP/1.1\r\nHost: {fresh.host}\r\n"
        "Content-Length: 1000000\r\n\r\n"
    )
    with socket.create_connection(("127.0.0.1", fresh.port)) as line:
        line.sendall(head.encode() + b"\0" * 1000)
        assert begun["open"].wait(60.0)
        assert fresh.get("/api/session") == {"session": None}
        may_end["open"].set()
    assert begun["unlink"].wait(60.0)
    assert fresh.get("/api/session") == {"session": None}
    may_end["unlink"].set()
    until = time.monotonic() + 60.0
    while list((fresh.house.shelf / ".uploads").iterdir()):
        assert time.monotonic() < until
        time.sleep(0.02)
    assert held_up == []
