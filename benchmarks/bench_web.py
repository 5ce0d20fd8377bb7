"""How quick the page is: the first picture of a long side, panning and zooming on a slow machine, key to sound, weight; and
what its server bears: questions a second, and its memory with many pages open.

A side of 96/24 is made of noise that swells and falls, with the survey's own numbers left out: the page needs the
peaks, the envelope and the cuts, not the music. The damage of a worn side is told to the page by the bench, so that it has
points to draw. Chromium draws without a graphics card here, which is the slow case.

    ./run bench web [--minutes 25] [--quick]      --quick: 3 minutes

Goals: first picture 1 s; 95 % of frames under 20 ms with the processor slowed four times; key to sound 150 ms; all script
150 kB compressed. Times are of a machine that may be busy: read them beside the load that is printed.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from websockets.typing import Origin

from sidekeep.files.wave.rf64 import TakeWriter
from sidekeep.web.files import PAGE

RATE_HZ = 96_000
SLOWER = 4
PAGES = 30
SLEEVE = "Nan Okoro - Long Side (1979)\nSide A\n" + "\n".join(
    f"A{number} Part {number} 4:00" for number in range(1, 7)
)
SPY = """
window.begun = 0;
const begin = AudioBufferSourceNode.prototype.start;
AudioBufferSourceNode.prototype.start = function (when) {
  if (!window.begun) window.begun = performance.now() + 1000 * (when - this.context.currentTime);
  return begin.apply(this, arguments);
};
"""
FRAMES = """
async ({steps, canvas}) => {
  const strip = document.querySelector(canvas);
  strip.focus();
  strip.scrollIntoView({block: "center"});
  const box = strip.getBoundingClientRect();
  const times = [];
  let last = await new Promise(requestAnimationFrame);
  for (let step = 0; step < steps; step += 1) {
    const zooming = Math.floor(step / 30) % 2 === 0;
    const inward = Math.floor(step / 60) % 6 < 3;
    strip.dispatchEvent(new WheelEvent("wheel", {deltaY: zooming ? (inward ? -90 : 90) : 0, deltaX: zooming ? 0 : 40,
      clientX: box.left + box.width * 0.6, clientY: box.top + box.height * 0.35, bubbles: true, cancelable: true}));
    const now = await new Promise(requestAnimationFrame);
    times.push(now - last);
    last = now;
  }
  return times;
}
"""


def damage(minutes: float) -> str:
    """The answer of the server for a worn side: 150 repairs a minute, most of them small."""
    rng = np.random.default_rng(11)
    turn = 1.8 * RATE_HZ
    starts = np.sort(rng.uniform(0.0, minutes * 60.0 * RATE_HZ, round(150 * minutes)))
    kinds = rng.choice(["tick", "crackle", "pop", "thump"], len(starts), p=[0.6, 0.25, 0.14, 0.01])
    rows = [
        [f"{int(start):x}", int(start), int(start) + 90, "both", kind, 12.0, (start / turn) % 1.0, False]
        for start, kind in zip(starts, kinds.tolist(), strict=True)
    ]
    return json.dumps({"surveyed": True, "repairs": rows})


def make_side(folder: Path, minutes: float) -> Path:
    """A take with gaps, as a WAV file."""
    rng = np.random.default_rng(7)
    path = folder / "side-A.wav"
    with TakeWriter(path, rate_hz=RATE_HZ, channels=2, bits=24) as writer:
        for second in range(round(minutes * 60)):
            place = second % 60
            level = 0.002 if place < 2 else 0.05 + 0.2 * abs(np.sin(second / 9.0))
            noise = rng.standard_normal((RATE_HZ, 2)) * level * 0.25
            writer.append(np.round(np.clip(noise, -1.0, 1.0) * (2**23 - 1)).astype(np.int32))
    return path


def browser_path() -> str | None:
    """Debian's Chromium as people have it, else the one without windows."""
    return shutil.which("chromium") or shutil.which("chromium-headless-shell")


def measure(server: Any, record: str, minutes: float) -> None:
    """All figures, printed."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            headless=True,
            executable_path=browser_path(),
            args=["--no-sandbox", "--disable-gpu", "--autoplay-policy=no-user-gesture-required"],
        )
        first = []
        worn = damage(minutes)

        def opened() -> tuple[Any, Any]:
            context = browser.new_context(viewport={"width": 1280, "height": 900})
            page = context.new_page()
            page.route("**/damage", lambda route: route.fulfill(content_type="application/json", body=worn))
            return context, page

        for _ in range(5):
            context, page = opened()
            page.goto(f"http://{server.host}/record/{record}/side/A")
            page.wait_for_selector("canvas.strip", timeout=60_000)
            first.append(
                page.evaluate(
                    "async () => { await new Promise(requestAnimationFrame); return performance.now() }"
                )
            )
            context.close()
        row(f"first picture of {minutes:g} min of 96/24, median of 5", statistics.median(first), "ms", 1000)

        context, page = opened()
        page.add_init_script(SPY)
        page.goto(f"http://{server.host}/record/{record}/side/A#t=60")
        page.wait_for_selector("canvas.strip")
        page.wait_for_load_state("networkidle")
        waits = []
        for _ in range(9):
            page.evaluate("window.begun = 0")
            pressed = page.evaluate("performance.now()")
            page.keyboard.press("Space")
            for _ in range(200):
                if begun := page.evaluate("window.begun"):
                    waits.append(begun - pressed)
                    break
                page.wait_for_timeout(10)
            page.keyboard.press("Space")
            page.wait_for_timeout(150)
        row("key to sound, median of the later 8", statistics.median(waits[1:]), "ms", 150)

        debugger = context.new_cdp_session(page)
        for what, canvas in (("strip", "canvas.strip"), ("disc", ".disc-view canvas")):
            debugger.send("Emulation.setCPUThrottlingRate", {"rate": 1})
            page.evaluate(FRAMES, {"steps": 120, "canvas": canvas})  # pieces of the picture are fetched
            for slower in (1, SLOWER):
                debugger.send("Emulation.setCPUThrottlingRate", {"rate": slower})
                times = sorted(page.evaluate(FRAMES, {"steps": 360, "canvas": canvas}))
                name = f"frames of the {what}, slowed {slower} x: 95 % under"
                row(name, times[int(0.95 * len(times))], "ms", 20)
                print(f"{'':<58}median {statistics.median(times):.1f} ms, worst {times[-1]:.1f} ms")
        browser.close()


def measure_server(server: Any, shelf: Path, record: str) -> None:
    """Questions a second, over connections that stay as a browser's do, and memory with many pages listening."""
    take = server.get(f"/api/records/{record}")["sides"][0]["chosen_take"]
    asked = {
        "a file of the page": "/page/page.js",
        "the state": "/api/state",
        "the whole record": f"/api/records/{record}",
        "a piece of the picture": f"/api/takes/{take}/peaks?start_frame=0&stop_frame=4194304&width=4096",
    }
    process = subprocess.Popen(
        [sys.executable, "-m", "sidekeep", "open", "--no-browser", "--port", "0", "--shelf", str(shelf)],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    port = int(process.stdout.readline().rstrip("/\n").rpartition(":")[2])
    try:
        for what, path in asked.items():
            print(
                f"{'server: ' + what:<58}{questions_a_second(port, path):8.0f} a second, 4 askers", flush=True
            )
        alone_mb = memory_mb(process.pid)
        with contextlib.ExitStack() as lines:
            for _ in range(PAGES):
                lines.enter_context(listening(port))
            time.sleep(1.0)
            print(
                f"{'server: memory alone, with ' + str(PAGES) + ' pages listening':<58}"
                f"{alone_mb:8.0f} MB, {memory_mb(process.pid):.0f} MB"
            )
    finally:
        process.terminate()
        process.wait(20)


def questions_a_second(port: int, path: str, seconds: float = 3.0) -> float:
    """Answers of status 200 in some seconds, over four connections."""
    until = time.monotonic() + seconds

    def ask(_: int) -> int:
        line = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
        count = 0
        while time.monotonic() < until:
            line.request("GET", path, headers={"Sec-Fetch-Site": "same-origin"})
            answer = line.getresponse()
            answer.read()
            count += answer.status == 200
        line.close()
        return count

    with ThreadPoolExecutor(4) as pool:
        return sum(pool.map(ask, range(4))) / seconds


@contextlib.contextmanager
def listening(port: int) -> Iterator[None]:
    """A page's stream of news, open."""
    from websockets.sync.client import connect

    address = f"127.0.0.1:{port}"
    with connect(f"ws://{address}/api/events", origin=Origin(f"http://{address}")) as line:
        line.recv(timeout=20)
        yield


def memory_mb(pid: int) -> float:
    """Resident memory of a process; 0 where the system does not tell it."""
    try:
        for text in Path(f"/proc/{pid}/status").read_text().splitlines():
            if text.startswith("VmRSS:"):
                return int(text.split()[1]) / 1000.0
    except OSError:
        pass
    return 0.0


def row(what: str, value: float, unit: str, goal: float) -> None:
    print(f"{what:<58}{value:8.1f} {unit}   goal {goal:g} {unit}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(prog="bench web", description=str(__doc__).splitlines()[0])
    parser.add_argument("--minutes", type=float, default=25.0)
    parser.add_argument("--quick", action="store_true")
    options = parser.parse_args()
    if browser_path() is None:
        print("chromium is not installed: nothing measured")
        return
    sys.path.insert(0, str(Path(__file__).parents[1]))
    from tests.web.conftest import RunningServer

    from sidekeep.service.shelf.adopting import adopt

    minutes = 3.0 if options.quick else options.minutes
    print(f"load of the machine before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    with tempfile.TemporaryDirectory() as folder:
        path = make_side(Path(folder), minutes)
        sleeve = Path(folder) / "sleeve.txt"
        sleeve.write_text(SLEEVE)
        shelf = Path(folder) / "shelf"
        adopt([path], shelf=shelf, sleeve_path=sleeve, move=True)
        server = RunningServer(shelf)
        try:
            record = server.get("/api/records")["records"][0]["id"]
            measure(server, record, minutes)
            sizes = [
                len(
                    server.ask(
                        "GET",
                        f"/page/{file.relative_to(PAGE).as_posix()}",
                        headers={"Accept-Encoding": "gzip"},
                    ).body
                )
                for file in PAGE.rglob("*.js")
            ]
            measure_server(server, shelf, record)
            row(f"all script, {len(sizes)} files, compressed", sum(sizes) / 1000.0, "kB", 150)
        finally:
            server.close()


if __name__ == "__main__":
    main()
