"""Letting a phone in: one secret, one device, and nobody else from the network.

The network is stood in for by another address of this machine's own (127.0.0.2 is told to be a stranger's)."""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import re
import socket
import time
from typing import Any
from urllib.parse import parse_qs, urlparse

import pytest
import websockets

from sidekeep.web import door as door_module
from sidekeep.web import guests as guests_module
from sidekeep.web.guests import MOST_WRONG, Guests, WrongSecret, cookie_header, device_name
from tests.web.conftest import RunningServer, run_alone

PHONE = "Mozilla/5.0 (iPhone; <script>alert(1)</script>)"


@pytest.fixture
def at_home(fresh: RunningServer, monkeypatch: pytest.MonkeyPatch) -> RunningServer:
    """127.0.0.2 counts as the local network: what comes to it is a stranger's."""

    def lan_socket(port: int) -> socket.socket:
        bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        bound.bind(("127.0.0.2", 0))
        return bound

    monkeypatch.setattr(door_module, "lan_socket", lan_socket)
    monkeypatch.setattr(door_module, "_is_loopback", lambda address: address != "127.0.0.2")
    monkeypatch.setattr(door_module, "_LOOK_EVERY_S", 0.05)
    return fresh


def from_phone(
    host: str, method: str, path: str, body: str | None = None, cookie: str = ""
) -> tuple[int, dict[str, str], bytes]:
    name, port = host.split(":")
    connection = http.client.HTTPConnection(name, int(port), timeout=60)
    headers = {"User-Agent": PHONE, "Origin": f"http://{host}"}
    if cookie:
        headers["Cookie"] = cookie
    if body is not None:
        headers["Content-Type"] = "application/x-www-form-urlencoded"
    try:
        connection.request(method, path, body, headers)
        answer = connection.getresponse()
        return answer.status, {key.lower(): value for key, value in answer.getheaders()}, answer.read()
    finally:
        connection.close()


def invited(server: RunningServer) -> tuple[str, str]:
    """Host and secret of a fresh invitation."""
    found = server.ask("POST", "/api/guests").json()
    parts = urlparse(found["url"])
    assert found["svg"].startswith("<svg")
    return parts.netloc, parse_qs(parts.query)["code"][0]


def let_in(server: RunningServer) -> tuple[str, str]:
    host, code = invited(server)
    status, headers, _ = from_phone(host, "POST", "/let-me-in", f"code={code}")
    assert status == 200
    return host, headers["set-cookie"].split(";")[0]


def test_nothing_listens_on_the_network_until_somebody_is_expected(at_home: RunningServer) -> None:
    assert at_home.door.hosts() == {f"127.0.0.1:{at_home.port}", f"localhost:{at_home.port}"}
    with pytest.raises(OSError, match="refused"):
        socket.create_connection(("127.0.0.2", at_home.port), timeout=60)


def test_a_phone_is_let_in_by_a_secret_that_is_good_once(at_home: RunningServer) -> None:
    host, code = invited(at_home)
    for path in ("/", "/api/state", "/page/index.html", "/api/records"):
        assert from_phone(host, "GET", path)[0] == 401
    assert from_phone(host, "GET", f"/let-me-in?code={code}")[0] == 200  # a look uses nothing up
    status, headers, _ = from_phone(host, "POST", "/let-me-in", f"code={code}")
    assert status == 200
    cookie = headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert code not in cookie
    assert from_phone(host, "GET", "/api/state", cookie=cookie.split(";")[0])[0] == 200
    assert from_phone(host, "POST", "/let-me-in", f"code={code}")[0] == 403  # used


def test_guests_are_named_by_us_and_thrown_out(at_home: RunningServer) -> None:
    host, cookie = let_in(at_home)
    (guest,) = at_home.get("/api/guests")["guests"]
    assert guest["name"] == "iPhone"
    assert from_phone(host, "POST", "/api/guests", cookie=cookie)[0] == 400  # a guest invites nobody
    assert from_phone(host, "DELETE", f"/api/guests/{guest['id']}", cookie=cookie)[0] == 400
    assert at_home.ask("DELETE", f"/api/guests/{guest['id']}").json() == {"guests": []}
    # The door may be shut behind it already, or its address no longer ours.
    with contextlib.suppress(OSError):
        assert from_phone(host, "GET", "/api/state", cookie=cookie)[0] in {401, 421}
    end = time.monotonic() + 60.0
    while at_home.door.hosts() & {host} and time.monotonic() < end:
        time.sleep(0.05)
    assert host not in at_home.door.hosts()


def test_the_pages_of_a_guest_end_when_it_is_thrown_out(at_home: RunningServer) -> None:
    host, cookie = let_in(at_home)
    invited(at_home)  # the door stays open for another one
    (guest,) = at_home.get("/api/guests")["guests"]

    async def watch() -> None:
        headers = {"Cookie": cookie}
        async with websockets.connect(
            f"ws://{host}/api/events", origin=f"http://{host}", additional_headers=headers
        ) as line:  # type: ignore[arg-type]
            assert "hello" in str(await line.recv())
            await asyncio.to_thread(at_home.ask, "DELETE", f"/api/guests/{guest['id']}")
            at_home.house.news.publish("shelf", {"secret": "private"})
            heard = ""
            with contextlib.suppress(websockets.exceptions.ConnectionClosed):
                while True:  # a line that is not closed ends in a TimeoutError here
                    heard += str(await asyncio.wait_for(line.recv(), 20.0))
            assert "private" not in heard

    run_alone(watch())


def test_guessing_voids_the_code(at_home: RunningServer) -> None:
    guests = at_home.door.guests
    host, code = invited(at_home)
    for attempt in range(MOST_WRONG):
        with pytest.raises(WrongSecret):
            guests.redeem(f"guess {attempt}", PHONE, "x")
    with pytest.raises(WrongSecret):
        guests.redeem(code, PHONE, "x")
    # With nobody to wait for the door may be shut already, or its address no longer ours.
    with contextlib.suppress(OSError):
        assert from_phone(host, "POST", "/let-me-in", f"code={code}")[0] in {403, 421}
    assert at_home.get("/api/guests")["guests"] == []


def test_a_code_grows_old_and_a_new_one_voids_it(monkeypatch: pytest.MonkeyPatch) -> None:
    guests = Guests()
    first = guests.new_secret()
    second = guests.new_secret()
    with pytest.raises(WrongSecret):
        guests.redeem(first, "", "")
    monkeypatch.setattr(guests_module.time, "monotonic", lambda: 10.0**9)
    with pytest.raises(WrongSecret):
        guests.redeem(second, "", "")
    assert not guests.is_open()


@pytest.mark.parametrize("cookie", ["", "x", "a" * 10_000, "\udcff", "sidekeep-guest=", "🎵"])
def test_no_other_token_is_known(cookie: str) -> None:
    guests = Guests()
    guests.redeem(guests.new_secret(), PHONE, "x")
    assert guests.knows(cookie) is None


def test_names_are_our_own_words_and_differ() -> None:
    assert device_name(PHONE, set()) == "iPhone"
    assert device_name(PHONE, {"iPhone"}) == "iPhone 2"
    assert device_name("<b>", set()) == "A device"
    assert re.fullmatch(r"[^;]+; Path=/; HttpOnly; SameSite=Strict", cookie_header("t"))


def test_this_machine_behind_another_name_is_a_stranger(at_home: RunningServer) -> None:
    """A page that rebinds its name to the network address reaches the door with a foreign Host."""
    host, _ = let_in(at_home)
    port: Any = host.split(":")[1]
    answer = b""
    with socket.create_connection(("127.0.0.2", int(port)), timeout=60) as line:
        line.sendall(
            f"GET /api/state HTTP/1.1\r\nHost: attacker.example:{port}\r\nConnection: close\r\n\r\n".encode()
        )
        while part := line.recv(4096):
            answer += part
    assert b" 421" in answer.split(b"\r\n")[0]
