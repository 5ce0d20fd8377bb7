"""Nobody asks this server who does not belong: foreign names, foreign pages, foreign paths."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from pathlib import Path

import pytest
import websockets

from sidekeep.web import files
from sidekeep.web import server as server_module
from sidekeep.web.files import PageFiles
from tests.web.conftest import RunningServer, run_alone


@pytest.mark.parametrize(
    "host",
    [
        "attacker.example",
        "attacker.example:{port}",
        "127.0.0.1",
        "127.0.0.1:1",
        "127.0.0.1.attacker.example:{port}",
        "",
    ],
)
def test_a_name_that_was_made_to_point_here_gets_nothing(server: RunningServer, host: str) -> None:
    host = host.format(port=server.port)
    for path in ("/", "/api/state", "/page/index.html"):
        answer = server.ask("GET", path, headers={"Host": host}, own=False)
        assert answer.status == 421
        assert b"shelf" not in answer.body


def test_two_hosts_or_none_get_nothing(server: RunningServer) -> None:
    twice = f"GET /api/state HTTP/1.1\r\nHost: {server.host}\r\nHost: attacker.example\r\nConnection: close\r\n\r\n"
    assert b" 200 " not in server.raw(twice.encode()).split(b"\r\n")[0]
    assert b" 200 " not in server.raw(b"GET /api/state HTTP/1.0\r\n\r\n").split(b"\r\n")[0]


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://attacker.example"},
        {"Origin": "null"},
        {"Origin": "https://127.0.0.1"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_another_page_can_neither_read_nor_change(server: RunningServer, headers: dict[str, str]) -> None:
    before = len(server.get("/api/records")["records"])
    assert server.ask("GET", "/api/state", headers=headers, own=False).status == 403
    asked = server.ask("POST", "/api/records", {"text": "A - B (1980)"}, headers=headers, own=False)
    assert asked.status == 403
    assert len(server.get("/api/records")["records"]) == before


def test_a_form_of_another_page_cannot_be_taken_for_a_question_of_ours(server: RunningServer) -> None:
    """Forms can send three media types only (HTML, form submission); JSON is none of them."""
    for kind in ("application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "text/plain"):
        answer = server.ask("POST", "/api/records", b'{"text":"A - B"}', {"Content-Type": kind})
        assert (answer.status, answer.json()["error"]["code"]) == (400, "not-json")


@pytest.mark.parametrize("body", [b'{"text":' + b"[" * 20_000, b'{"other":' + b'{"a":' * 20_000])
def test_a_body_nested_too_deeply_is_refused_in_our_words(server: RunningServer, body: bytes) -> None:
    answer = server.ask("POST", "/api/records", body, {"Content-Type": "application/json"})
    assert answer.status == 400
    assert answer.json()["error"]["code"] in ("nested-too-deeply", "not-readable")
    assert "recursion" not in answer.json()["error"]["text"]


def test_no_answer_lets_another_page_read_it(server: RunningServer) -> None:
    asked = server.ask("OPTIONS", "/api/records", headers={"Access-Control-Request-Method": "POST"})
    assert asked.status == 405
    for answer in (asked, server.ask("GET", "/api/state"), server.ask("GET", "/nowhere")):
        assert not [name for name in answer.headers if name.startswith("access-control")]
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"


def test_a_websocket_is_for_our_own_page_only(server: RunningServer) -> None:
    address = f"ws://{server.host}/api/events"

    async def first_word(origin: str | None, host: str | None = None) -> str:
        headers = {"Host": host} if host else None
        async with websockets.connect(address, origin=origin, additional_headers=headers) as line:  # type: ignore[arg-type]
            return str(await line.recv())

    assert '"hello"' in run_alone(first_word(f"http://{server.host}"))
    for origin in ("http://attacker.example", f"https://{server.host}", "null", None):
        with pytest.raises(websockets.exceptions.InvalidStatus, match="403"):
            run_alone(first_word(origin))


SPELLINGS = [
    "/page/../server.py",
    "/page/..%2fserver.py",
    "/page/%2e%2e/server.py",
    "/page/%2e%2e%2fserver.py",
    "/page/..%5cserver.py",
    "/page/....//server.py",
    "/page//etc/passwd",
    "/page/%2fetc%2fpasswd",
    "/page/index.html%00.js",
    "/api/takes/..%2f..%2f..%2fetc%2fpasswd/view",
    "/api/records/..%2f..%2fetc",
    "/api/records/%2e%2e/pictures/front",
    "/api/records/x%00y",
    "/api/takes/%ff%fe/damage",
]


@pytest.mark.parametrize("path", SPELLINGS)
def test_no_spelling_of_a_path_leads_outside(server: RunningServer, path: str) -> None:
    request = f"GET {path} HTTP/1.1\r\nHost: {server.host}\r\nConnection: close\r\n\r\n"
    answer = server.raw(request.encode())
    assert b"import" not in answer
    assert b"root:" not in answer
    assert answer.startswith(b"HTTP/1.1 404 ")


def test_a_link_in_the_page_folder_does_not_lead_out(tmp_path: Path) -> None:
    (tmp_path / "secret.txt").write_text("private")
    page = tmp_path / "page"
    page.mkdir()
    (page / "index.html").write_text("<!doctype html>")
    (page / "secret.txt").symlink_to(tmp_path / "secret.txt")
    (page / "more").symlink_to(tmp_path, target_is_directory=True)
    assert set(PageFiles(page).names()) == {"index.html"}


def test_a_line_that_says_nothing_is_closed(server: RunningServer, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server_module, "FIRST_REQUEST_S", 0.3)
    for words in (b"", b"GET / HTTP/1.1\r\nHost: "):
        with socket.create_connection(("127.0.0.1", server.port), timeout=60) as line:
            line.sendall(words)
            assert line.recv(100) == b""  # closed by the server; a timeout would raise


def test_a_websocket_stays_when_the_patience_for_a_first_request_is_over(
    server: RunningServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server_module, "FIRST_REQUEST_S", 1.0)

    async def heard_later() -> str:
        origin: websockets.Origin = websockets.Origin(f"http://{server.host}")
        # ``connect`` tries again where a busy machine needs longer than that to ask.
        async for line in websockets.connect(f"ws://{server.host}/api/events", origin=origin):
            await line.recv()
            await asyncio.sleep(1.2)
            server.house.news.publish("shelf")
            return str(await asyncio.wait_for(line.recv(), 60))
        raise AssertionError("the line never stood")

    assert '"shelf"' in run_alone(heard_later())


def test_every_directive_of_the_policy_stands_once(server: RunningServer) -> None:
    policy = server.ask("GET", "/").headers["content-security-policy"]
    names = [directive.split()[0] for directive in policy.split(";")]
    assert len(names) == len(set(names))


def test_a_head_without_end_is_refused(server: RunningServer) -> None:
    with contextlib.suppress(ConnectionError):
        answer = server.raw(f"GET / HTTP/1.1\r\nHost: {server.host}\r\nX: ".encode() + b"y" * 300_000)
        assert b" 200 " not in answer.split(b"\r\n")[0]


def test_many_silent_lines_do_not_keep_others_out(server: RunningServer) -> None:
    lines = [socket.create_connection(("127.0.0.1", server.port)) for _ in range(150)]
    try:
        assert server.ask("GET", "/api/state").status == 200  # or the question times out
    finally:
        for line in lines:
            line.close()


def test_the_page_folder_is_where_the_page_is() -> None:
    assert files.PAGE.name == "page"
