"""The disc while it is zoomed: what was painted is stretched at first, and painted anew once the view has come to rest."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.web.browser.waiting import answered
from tests.web.conftest import RunningServer

KEEP = """
(name) => {
  const area = document.querySelector(".disc-view canvas");
  window[name] = area.getContext("2d").getImageData(0, 0, area.width, area.height).data;
}
"""
"""The pixels stay in the page: there are millions of them."""
LIKE = """
(name) => {
  const kept = window[name];
  const area = document.querySelector(".disc-view canvas");
  const now = area.getContext("2d").getImageData(0, 0, area.width, area.height).data;
  let away = 0;
  for (let at = 0; at < now.length; at += 1) away += Math.abs(now[at] - kept[at]) > 8 ? 1 : 0;
  return away < now.length / 1000;
}
"""
SETTLED = """
async () => {
  const area = document.querySelector(".disc-view canvas");
  const look = () => area.toDataURL();
  for (let last = look(), same = 0; same < 20; ) {
    await new Promise(requestAnimationFrame);
    const now = look();
    same = now === last ? same + 1 : 0;
    last = now;
  }
}
"""


def test_a_zoomed_disc_is_painted_anew_when_it_rests(
    server: RunningServer, open_page: Callable[..., Any]
) -> None:
    """The way to a view makes no difference to its picture: a stretched bitmap that stayed would be another one."""
    (record,) = server.get("/api/records")["records"]
    page = open_page(server, f"/record/{record['id']}/side/A#t=6")
    page.wait_for_selector(".disc-view canvas")
    page.wait_for_load_state("networkidle")
    closer = page.get_by_role("button", name="Closer to the disc")
    farther = page.get_by_role("button", name="Farther from the disc")

    def come(*buttons: Any) -> None:
        for button in buttons:
            button.click()

    def settle() -> None:
        """Every piece of the picture has come before it is asked whether it rests."""
        answered(page)
        page.evaluate(SETTLED)

    come(closer, closer, farther)
    settle()
    page.evaluate(KEEP, "closer")
    come(closer, farther)
    page.wait_for_function(LIKE, arg="closer")
    come(page.get_by_role("button", name="The whole disc"))
    settle()
    page.evaluate(KEEP, "whole")
    assert not page.evaluate(LIKE, "closer")
    come(closer, closer, farther)
    page.wait_for_function(LIKE, arg="closer")
    come(page.get_by_role("button", name="The whole disc"))
    page.wait_for_function(LIKE, arg="whole")


SHEEN = """
async () => {
  const { LivePicture } = await import("/page/pictures/live.js");
  const area = document.createElement("canvas");
  area.width = area.height = 720;
  document.body.append(area);
  const label = { colour: "#fff", writing: "#fff", title: "", artist: "", letter: "", paper: "#fff" };
  const picture = new LivePicture(label, 1320);
  const levels_db = Array.from({ length: 200 }, () => new Array(48).fill(-16));
  picture.hear({ code: "live-turns", facts: { first_turn: 0, turn_frames: 172800, levels_db } });
  picture.draw(area, { moving: false, still: true });
  const pixels = area.getContext("2d").getImageData(0, 0, 720, 720).data;
  const radius = (360 / 180) * picture.place.radius(100 * 172800);
  const around = Array.from({ length: 720 }, (_, at) => {
    const angle = (at * Math.PI) / 360;
    const [x, y] = [Math.floor(360 + radius * Math.cos(angle)), Math.floor(360 + radius * Math.sin(angle))];
    return pixels[4 * (720 * y + x)];
  });
  return around;
}
"""


def test_the_light_on_the_disc_that_draws_itself_has_no_edges(
    server: RunningServer, open_page: Callable[..., Any]
) -> None:
    """Music of one level, looked at once around: from one half degree to the next the sheen hardly changes. It stood in 48 wedges."""
    page = open_page(server, "/turntable")
    page.wait_for_selector("main h1")
    around = page.evaluate(SHEEN)
    steps = [abs(a - b) for a, b in zip(around, around[1:] + around[:1], strict=True)]
    assert max(around) - min(around) > 60  # there is a sheen
    assert max(steps) <= 6
