"""Errors about what a browser asks for."""

from __future__ import annotations

from collections.abc import Mapping

from sidekeep.wording.errors.facts import Sentence

WORDS: Mapping[str, Sentence] = {
    "not-one-of": "{name}={given!r} must be one of {known}",
    "uploads-waiting": "{most} recordings are being sent already; wait until one of them has arrived",
    "not-json": "send this as application/json",
    "nested-too-deeply": "this cannot be read: brackets in it are nested too deeply",
    "not-readable": "this cannot be read: {reason}",
    "number-missing": "{name} is missing; give a number",
    "not-a-number": "{name}={given!r} must be a number",
    "body-too-large": "{bytes} bytes are too many here; at most {most_bytes} are accepted",
    "body-too-slow": "this arrives too slowly; send it again over a faster connection",
    "body-outgrew": "more than {most_bytes} bytes came; no more are accepted here",
    "body-stalled": "nothing came for {waited_s:g} s; send it again",
    "sender-gone": "the sender went away before all was sent",
    "no-port": "no port could be opened on the local network; end the program that holds them, or restart the computer",
    "no-network": "this machine is not on a local network; connect it to the one that the phone is on",
    "wrong-secret": "this code was used already or is too old; ask for a new one on the machine itself",
    "no-guest": "no device of that name has been let in",
    "not-here": "this can only be done on the machine that runs sidekeep",
    "port-range": "port={port} must lie between 0 and 65535",
    "no-local-port": "no port could be opened on this machine: {reason}",
    "disk": "the disk reports: {reason}",
    "fault": "something went wrong inside; the window that runs sidekeep shows more",
    "no-such-address": "there is nothing to ask at this address",
    "no-such-file": "the page has no such file",
    "wrong-host": "this server does not go by that name; use the address that sidekeep printed",
    "wrong-origin": "only its own page may ask this server",
    "no-origin": "a websocket must say which page opens it",
    "not-let-in": "this device was not let in; scan the code on the machine that runs sidekeep",
}
