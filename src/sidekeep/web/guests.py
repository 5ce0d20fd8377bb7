"""Letting a phone in: a one-time secret in a code to scan, a name for every device, and a door that shuts.

The server listens on the local network only while somebody is let in or expected. The secret is good once and for
some minutes; whoever scans it gets a cookie (HttpOnly, SameSite=Strict) that stands for the device until it is thrown
out or sidekeep ends. Wrong secrets are counted for all devices together: after a handful the code is void.
"""

from __future__ import annotations

import hashlib
import hmac
import io
import re
import secrets
import threading
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from http.cookies import CookieError, SimpleCookie
from typing import Any

from starlette.types import Scope

from sidekeep.errors import NotThere, SidekeepError

COOKIE = "sidekeep-guest"
GOOD_FOR_S = 300.0
MOST_WRONG = 5
MOST_GUESTS = 8
_SYSTEMS = ("iPhone", "iPad", "Android", "Windows", "Macintosh", "Linux")


class WrongSecret(SidekeepError):
    """A secret that is none, was used, or is too old."""


@dataclass
class Guest:
    """A device that was let in."""

    guest_id: str
    name: str
    address: str
    since_utc: str
    last_seen_s: float
    token_hash: bytes


class Guests:
    """Who is let in. Safe for any thread; secrets are compared in constant time and kept only as hashes."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._guests: dict[str, Guest] = {}
        self._secret_hash: bytes | None = None
        self._expires_s = 0.0
        self._wrong = 0

    def new_secret(self) -> str:
        """A fresh secret; the one before is void from now on."""
        secret = secrets.token_urlsafe(24)
        with self._lock:
            self._secret_hash = _hash(secret)
            self._expires_s = time.monotonic() + GOOD_FOR_S
            self._wrong = 0
        return secret

    def redeem(self, secret: str, agent: str, address: str) -> str:
        """Let a device in; its token for the cookie. Raises ``WrongSecret``."""
        with self._lock:
            is_right = (
                self._secret_hash is not None
                and time.monotonic() < self._expires_s
                and hmac.compare_digest(self._secret_hash, _hash(secret))
            )
            if not is_right or len(self._guests) >= MOST_GUESTS:
                self._wrong += 1
                if self._wrong >= MOST_WRONG:
                    self._secret_hash = None
                raise WrongSecret("wrong-secret")
            self._secret_hash = None
            token = secrets.token_urlsafe(32)
            guest = Guest(
                guest_id=secrets.token_hex(8),
                name=device_name(agent, {each.name for each in self._guests.values()}),
                address=address,
                since_utc=datetime.now(UTC).replace(microsecond=0).isoformat(),
                last_seen_s=time.monotonic(),
                token_hash=_hash(token),
            )
            self._guests[guest.guest_id] = guest
            return token

    def knows(self, token: str) -> Guest | None:
        """The guest a cookie stands for."""
        wanted = _hash(token)
        with self._lock:
            for guest in self._guests.values():
                if hmac.compare_digest(guest.token_hash, wanted):
                    guest.last_seen_s = time.monotonic()
                    return guest
        return None

    def throw_out(self, guest_id: str) -> None:
        """A device that may no longer ask. Raises ``NotThere``."""
        with self._lock:
            if self._guests.pop(guest_id, None) is None:
                raise NotThere("no-guest")

    def views(self) -> list[dict[str, Any]]:
        """The devices let in."""
        now = time.monotonic()
        with self._lock:
            return [
                {
                    "id": guest.guest_id,
                    "name": guest.name,
                    "address": guest.address,
                    "since_utc": guest.since_utc,
                    "seen_s_ago": round(now - guest.last_seen_s, 1),
                }
                for guest in self._guests.values()
            ]

    def is_open(self) -> bool:
        """Whether anybody is let in or expected: else nothing listens on the network."""
        with self._lock:
            is_expected = self._secret_hash is not None and time.monotonic() < self._expires_s
            return is_expected or bool(self._guests)


def token_of(scope: Scope) -> str:
    """The guest's cookie of a request or websocket, or nothing."""
    for name, value in scope["headers"]:
        if name == b"cookie":
            try:
                found = SimpleCookie(value.decode("latin-1")).get(COOKIE)
            except CookieError:
                return ""
            if found is not None:
                return found.value[:200]
    return ""


def cookie_header(token: str) -> str:
    """The cookie as the answer sets it. No ``Secure``: the local network has no certificate, and the token is good here only."""
    return f"{COOKIE}={token}; Path=/; HttpOnly; SameSite=Strict"


def device_name(agent: str, taken: set[str]) -> str:
    """A name a person knows the device by: made of our own words, never of what the device sent."""
    system = next((word for word in _SYSTEMS if re.search(word, agent[:400])), "device")
    name = {"Macintosh": "Mac", "device": "A device"}.get(system, system)
    number, found = 1, name
    while found in taken:
        number += 1
        found = f"{name} {number}"
    return found


def code_svg(address: str) -> str:
    """A code to scan (QR, ISO/IEC 18004) as SVG."""
    import segno

    held = io.BytesIO()
    segno.make(address, error="m", micro=False).save(
        held,
        kind="svg",
        scale=6,
        border=4,
        xmldecl=False,
        svgns=True,
        dark="#000",
        light="#fff",
        omitsize=True,
    )
    return held.getvalue().decode("utf-8")


def _hash(secret: str) -> bytes:
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).digest()
