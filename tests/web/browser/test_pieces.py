"""A side in pieces, by a person without a terminal: one button, where they meet, and back."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.web.browser.waiting import until
from tests.web.conftest import RunningServer, record_of
from tests.web.test_pieces import in_pieces

PATIENCE_MS = 180_000


def test_two_pieces_are_one_side_by_one_button(tmp_path: Path, open_page: Callable[..., Any]) -> None:
    in_pieces(tmp_path / "shelf")
    server = RunningServer(tmp_path / "shelf")
    try:
        page = open_page(server, f"/record/{record_of(server)['id']}/side/A")
        page.get_by_text("Take 1 in the bin", exact=False).wait_for()
        page.get_by_role("button", name="Put them together").first.click()
        page.get_by_text("Side A is take 3 now").wait_for(timeout=PATIENCE_MS)
        place = page.get_by_role("link", name="0:2").first
        place.click()
        until(page, lambda: "#t=2" in page.url)
        # the survey follows by itself, and the seam is what is unsure
        page.get_by_text("A-1 and A-2 were put together", exact=False).first.wait_for(timeout=PATIENCE_MS)
        page.get_by_role("button", name="Put take 3 in the bin").click()
        page.get_by_text("Take 1 in the bin", exact=False).wait_for(timeout=PATIENCE_MS)
        page.close()  # before its server goes away
    finally:
        server.close()
