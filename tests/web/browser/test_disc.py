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
