"""Debian's Chromium on pages of a running server. Skipped where it is missing, a failure where CI promised it."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.outside import browser, not_here
from tests.web.browser import slow
from tests.web.browser.waiting import watch_requests
from tests.web.conftest import RunningServer

MENUS_OF_THE_ADDRESS_BAR = ("WebUIOmniboxPopup", "WebUIOmniboxAimPopup", "WebUIOmniboxFullPopup")
"""Each window loads them, unseen, with more work than a page of ours takes."""
OFF_BY_PLAYWRIGHT = (
    *("AvoidUnnecessaryBeforeUnloadCheckSync", "DestroyProfileOnBrowserClose", "HttpsUpgrades"),
    *("HttpsFirstBalancedModeAutoEnable", "LensOverlay", "MediaRouter", "PaintHolding"),
    *("ThirdPartyStoragePartitioning", "AvoidCorsURLLoaderRestartOnRedirect", "TcpPortRandomizationWin"),
    *("OptimizationHints", "NetworkTimeServiceQuerying", "AimEnabled", "PreconnectToSearch"),
)
"""Of two lists of features that are off the browser takes the last: they stand here again."""
ARGUMENTS = [
    f"--disable-features={','.join((*OFF_BY_PLAYWRIGHT, *MENUS_OF_THE_ADDRESS_BAR))}",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
]
NOISE = ("favicon",)


class Watched:
    """A page and what went wrong on it: errors of the page, refusals of the policy."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.errors: list[str] = []
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on("console", self._heard)

    def _heard(self, message: Any) -> None:
        if message.type == "error" and not any(word in message.text for word in NOISE):
            self.errors.append(message.text)


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """One browser for all tests."""
    path = browser()
    if path is None:
        not_here("chromium is not installed")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        folder = tempfile.mkdtemp()
        running = playwright.chromium.launch(
            headless=True, executable_path=path, args=[*ARGUMENTS, f"--crash-dumps-dir={folder}"]
        )
        yield running
        running.close()
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(scope="module")
def own(full_shelf: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningServer]:
    """A server on a copy of the full shelf: each test here leaves the record as the next one needs it."""
    shelf = tmp_path_factory.mktemp("own") / "shelf"
    shutil.copytree(full_shelf, shelf)
    running = RunningServer(shelf)
    yield running
    running.close()


@pytest.fixture
def open_page(chromium: Any) -> Iterator[Callable[..., Any]]:
    """Opens pages that must stay without errors; ``allow`` names words of errors that belong to a test. Without a ``path`` the page
    is a blank one yet: what must be there before it goes anywhere (a stand-in, a script) is laid in first."""
    contexts: list[Any] = []
    watched: list[tuple[Watched, tuple[str, ...]]] = []

    def opened(
        server: RunningServer, path: str | None = "/", *, allow: tuple[str, ...] = (), **options: Any
    ) -> Any:
        options.setdefault("viewport", {"width": 1280, "height": 900})
        options.setdefault("reduced_motion", "reduce")  # no colour on its way from light to dark is judged
        context = chromium.new_context(**options)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(60_000)  # what a loaded machine may need; nothing is measured here
        seed = slow.seed()
        if seed is not None:
            slow.slow_down(page, seed, by_network=not isinstance(server, RunningServer))
        watch_requests(page)
        watched.append((Watched(page), allow))
        if path is not None:
            page.goto(f"http://{server.host}{path}")
        return page

    yield opened
    for context in contexts:
        context.close()
    for each, allow in watched:
        assert [error for error in each.errors if not any(word in error for word in allow)] == []


@pytest.fixture(scope="session")
def axe_script() -> str:
    """axe-core as the PyPI package bundles it."""
    import axe_playwright_python

    return (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text("utf-8")
