"""Listening in the browser: the samples that reach the sound card, and that changing over leaves no gap.

What a page plays is read where it is handed to WebAudio: buffers and the times they begin at.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.web.browser.waiting import side_is_ready, until
from tests.web.conftest import RunningServer

SPY = """
window.heard = [];
const begin = AudioBufferSourceNode.prototype.start;
AudioBufferSourceNode.prototype.start = function (when, offset) {
  heard.push({ buffer: this.buffer, when, offset: offset ?? 0, loop: this.loop, rate: this.context.sampleRate, now: this.context.currentTime });
  return begin.apply(this, arguments);
};
"""
SAMPLES = """
window.samples = (buffer, channel) => {
  const bytes = new Uint8Array(buffer.getChannelData(channel).buffer);
  let text = "";
  for (let at = 0; at < bytes.length; at += 32768) text += String.fromCharCode(...bytes.subarray(at, at + 32768));
  return btoa(text);
};
"""
"""The samples of a channel as text: a hundred thousand single numbers take seconds on their way."""
VERSIONS = ("played", "mended", "taken-out")


def side_page(server: RunningServer, open_page: Callable[..., Any], at: str = "") -> Any:
    record = server.get("/api/records")["records"][0]
    page = open_page(server, None, allow=("404", "Failed to load"))
    page.context.add_init_script(SPY + SAMPLES)
    page.goto(f"http://{server.host}/record/{record['id']}/side/A{at}")
    side_is_ready(page)
    return page


def sound(server: RunningServer, take: str, start: int, stop: int, version: str) -> NDArray[np.float32]:
    answer = server.ask("GET", f"/api/takes/{take}/sound?start_frame={start}&stop_frame={stop}&as={version}")
    data = answer.body[answer.body.index(b"data") + 8 :]
    return np.frombuffer(data, "<f4").reshape(-1, 2)


def samples(text: str) -> NDArray[np.float32]:
    """What ``SAMPLES`` made into text."""
    return np.frombuffer(base64.b64decode(text), "<f4")


def wait_for_pieces(page: Any, count: int) -> None:
    until(page, lambda: page.evaluate("heard.length") >= count, "nothing was played")


def test_the_three_versions_run_in_lockstep_with_the_samples_of_the_take(
    server: RunningServer, open_page: Callable[..., Any], take_a: str
) -> None:
    page = side_page(server, open_page, "#t=6")
    page.keyboard.press("Space")
    wait_for_pieces(page, 9)
    heard = page.evaluate(
        "heard.slice(0, 9).map(({buffer, when, offset, rate, now}) => ({when: when - offset, now, rate, length: buffer.length, left: samples(buffer, 0)}))"
    )
    rate = server.get(f"/api/takes/{take_a}/view")["rate_hz"]
    assert {each["rate"] for each in heard} == {rate}  # nothing is resampled
    at = 6 * rate
    pieces = [heard[:3], heard[3:6], heard[6:]]
    for piece in pieces:
        assert len({each["when"] for each in piece}) == 1
        stop = at + piece[0]["length"]
        for version, each in zip(VERSIONS, piece, strict=True):
            want = sound(server, take_a, at, stop, version)[:, 0]
            np.testing.assert_allclose(samples(each["left"]), want, atol=1e-7)
        at = stop
    # A piece begins on the very frame after the one before (by its offset, if it is a little late); one that came after that
    # moment, as on a loaded machine, begins when it is there, and nothing is left out.
    for (before, *_), (after, *_) in pairwise(pieces):
        over_s = before["when"] + before["length"] / rate
        gap = (after["when"] - over_s) * rate
        assert abs(gap) < 1e-3 if after["now"] < over_s else gap > -1e-3


def test_changing_over_begins_no_new_sound_and_stops_on_space(
    server: RunningServer, open_page: Callable[..., Any]
) -> None:
    """A run that began anew would ask for the sound at the needle once more: each piece is asked for once, in order."""
    page = side_page(server, open_page, "#t=6")
    asked: list[int] = []
    page.on(
        "request",
        lambda request: asked.extend(
            int(start) for start in re.findall(r"/sound\?start_frame=(\d+)&.*as=played", request.url)
        ),
    )
    page.keyboard.press("Space")
    wait_for_pieces(page, 3)
    for key, name in (("1", "as played"), ("3", "what was taken out")):
        page.keyboard.press(key)
        until(page, page.get_by_role("radio", name=name).is_checked)
    wait_for_pieces(page, 9)
    assert len(asked) >= 3
    assert asked == sorted(set(asked))
    page.get_by_role("button", name="Lift the needle").wait_for()
    page.keyboard.press("Space")
    page.get_by_role("button", name="Lower the needle").wait_for()


def test_a_repair_is_heard_around_and_around(
    server: RunningServer, open_page: Callable[..., Any], take_a: str
) -> None:
    page = side_page(server, open_page)
    page.get_by_text("The damage, by kind").click()
    page.locator(".largest button").first.click()
    page.locator(".chosen").get_by_text("It is mended").wait_for()
    page.keyboard.press("l")
    wait_for_pieces(page, 3)
    loops = page.evaluate(
        "heard.slice(-3).map(({buffer, loop}) => ({loop, peak: Math.max(...[0, 1].map(channel => buffer.getChannelData(channel).reduce("
        "(most, value) => Math.max(most, Math.abs(value)), 0)))}))"
    )
    assert [each["loop"] for each in loops] == [True] * 3
    assert loops[2]["peak"] > 0.001  # what was taken out holds the damage
    page.get_by_text("Again and again, from").wait_for()


@pytest.mark.parametrize("zoom", ["", "&from=6&to=6.001"])
def test_the_strip_shows_the_take(server: RunningServer, open_page: Callable[..., Any], zoom: str) -> None:
    """Down to single samples there is something to see: the picture is not of one colour."""
    page = side_page(server, open_page, f"#t=6{zoom}")
    page.wait_for_function(
        "() => { const c = document.querySelector('canvas.strip'); const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data; return new Set(d.filter((_, i) => i % 4 === 0)).size > 30 }"
    )
