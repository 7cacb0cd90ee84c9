"""The local page with an hour of sound: `python -m tests.benchmarks.page`. Needs `chromium`, and 5 GB for a while.

How soon it answers, what it takes of memory here and in the browser, and how long the longest picture takes while an
hour is scrolled and zoomed. Nothing here asserts a time.
"""

import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from playwright.sync_api import Page, sync_playwright

from tests.benchmarks.bench import music, row

SCROLL = """async () => {
  const place = document.getElementById("place"), frames = [];
  let last = await new Promise(requestAnimationFrame);
  for (let n = 0; n < 240; n++) {
    place.value = Math.round(10000 * (0.5 + 0.45 * Math.sin(n / 25)));
    place.dispatchEvent(new Event("input"));
    const now = await new Promise(requestAnimationFrame);
    frames.push(now - last);
    last = now;
  }
  return frames;
}"""


def page_table(minutes: int = 60, rate: int = 96_000) -> None:
    print(f"\nPage, {minutes:g} minutes of stereo at {rate / 1000:g} kHz; targets: up in 0.5 s, no picture over 50 ms,")
    print("at most 100 MB in the browser, and here besides what a page without files takes")
    with tempfile.TemporaryDirectory() as name:
        path = written(Path(name) / "hour.wav", minutes, rate)
        empty = memory_of([])
        row("", "value")
        served = subprocess.Popen(
            [sys.executable, "-m", "master_check", "listen", str(path), "-p", "streaming", "--no-browser"],
            stdout=subprocess.PIPE,
            text=True,
            env=os.environ | {"TMPDIR": name},
        )
        assert served.stdout
        address = served.stdout.readline().strip()
        try:
            looked_at(address, served.pid, empty)
        finally:
            served.terminate()
            served.wait()


def written(path: Path, minutes: int, rate: int) -> Path:
    """Two minutes of music over and over."""
    piece = np.clip(2.0 * music(120.0, rate), -1.0, 1.0)
    with soundfile.SoundFile(path, "w", rate, 2, "PCM_24", format="RF64") as file:
        for _ in range(round(minutes / 2.0)):
            file.write(piece)
    return path


def memory_of(words: list[str]) -> dict[str, float]:
    """MB of a page, as soon as it answers; and how soon that is."""
    started = time.perf_counter()
    command = [sys.executable, "-m", "master_check", "listen", "--no-browser", *words]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as served:
        assert served.stdout
        address = served.stdout.readline().strip()
        with contextless(address + "state"):
            soon = time.perf_counter() - started
        found = memory(served.pid) | {"soon": soon}
        served.terminate()
    row("answers after", f"{found['soon']:.2f} s")
    row("without a file", f"{found['now']:.0f} MB")
    return found


def contextless(address: str) -> Any:
    from urllib.request import urlopen

    return urlopen(address)


def memory(pid: int) -> dict[str, float]:
    text = Path(f"/proc/{pid}/status").read_text()
    return {
        name: int(re.search(rf"{key}:\s+(\d+)", text)[1]) / 1024  # type: ignore[index]
        for name, key in (("now", "RssAnon"), ("most", "VmHWM"))
    }


def looked_at(address: str, pid: int, empty: dict[str, float]) -> None:
    chromium = shutil.which("chromium")
    assert chromium
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport={"width": 1600, "height": 1000})
        page.set_default_timeout(600_000)
        started = time.perf_counter()
        page.goto(address)
        page.wait_for_selector("#findings .verdict")
        row("measured, drawn after", f"{time.perf_counter() - started:.1f} s")
        for name, closer in (("the whole hour", 0), ("a minute", 6), ("a second", 12), ("2 ms", 21)):
            page.click("#all")
            for _ in range(closer):
                page.click("#closer")
            page.wait_for_timeout(500)
            frames = np.array(page.evaluate(SCROLL))
            shown = f"longest {frames.max():.0f} ms, 99 % {np.percentile(frames, 99):.0f} ms"
            row(f"scrolling, {name} in view", shown)
        page.click("#play")
        page.wait_for_timeout(5000)
        row("heap of the page", f"{heap(page):.0f} MB")
        found = memory(pid)
        row("here, now", f"{found['now']:.0f} MB, {found['now'] - empty['now']:.0f} more than without a file")
        row("here, at most", f"{found['most']:.0f} MB")
        browser.close()


def heap(page: Page) -> float:
    """Of JavaScript, with its arrays, MB."""
    session = page.context.new_cdp_session(page)
    session.send("HeapProfiler.collectGarbage")
    found = session.send("Runtime.getHeapUsage")
    return float(found["usedSize"] + found.get("backingStorageSize", 0.0)) / 1e6


if __name__ == "__main__":
    page_table(*(int(word) for word in sys.argv[1:2]))
