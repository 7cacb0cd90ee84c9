"""The HTML report in a real browser: no console errors, hostile names are text, nothing wider than a telephone.

The pages are put into a frame of a page of the test's own, whose script looks at them; the report itself has none.
Needs `chromium` (Debian package of that name); skipped where there is none.
"""

import html
import json
import re
import shutil
import subprocess
from collections.abc import Callable, Sequence
from typing import Any

import pytest

from master_check.judgement.checked import Checked
from tests.report.pages import checked, clipped, loaded, music, page_of, write

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="needs chromium")

Browse = Callable[..., tuple[str, str]]

NAMES = [
    "<script>document.title='taken'</script>.wav",
    '"><img src=x onerror="document.title=1">.wav',
    "</style></title><h1>fine.wav",
    "pass\u202e\ufffd\nliaf.wav",
    "long-" + 240 * "w" + ".wav",
]
SHOWN = [NAMES[0].replace("/", "∕"), NAMES[1], NAMES[2].replace("/", "∕"), "pass\\u202e\ufffd\\x0aliaf.wav", NAMES[4]]


WIDTHS = (360, 390, 768, 1280)

LOOK = """
const d = frame.contentDocument, w = frame.contentWindow;
const line = d.querySelector('figure svg path.line'), body = getComputedStyle(d.body);
return {
  names: [...d.querySelectorAll('h2 bdi')].map(e => e.textContent),
  title: d.title, scripts: d.scripts.length, images: d.images.length, heads: d.querySelectorAll('h1').length,
  wide: d.documentElement.scrollWidth,
  out: [...d.querySelectorAll('body *')].filter(e => !e.closest('svg svg, .wide-table')
    && e.getBoundingClientRect().width > 0 && e.getBoundingClientRect().right > d.documentElement.clientWidth + 1)
    .map(e => e.outerHTML.slice(0, 200)),
  text: Math.min(...[...d.querySelectorAll('figure svg text')].filter(e => e.getClientRects().length)
    .map(e => e.getBoundingClientRect().height)),
  touching: [...d.querySelectorAll('figure svg.plot')].filter(plot => {
    const boxes = [...plot.querySelectorAll('text')].filter(e => e.getClientRects().length)
      .map(e => e.getBoundingClientRect());
    return boxes.some((a, i) => boxes.slice(i + 1).some(b =>
      a.left < b.right - 1 && b.left < a.right - 1 && a.top < b.bottom - 3 && b.top < a.bottom - 3));
  }).map(e => e.outerHTML.slice(0, 200)),
  paper: body.backgroundColor, ink: body.color, line: w.getComputedStyle(line).stroke,
};
"""
"""What a script of ours finds in a frame that holds the report."""


@pytest.fixture(scope="module")
def browse(tmp_path_factory: pytest.TempPathFactory) -> Browse:
    """Load a page; the document as it is after loading, and what the console said."""
    folder = tmp_path_factory.mktemp("browser")

    def load(page: str, *options: str) -> tuple[str, str]:
        place = folder / "page.html"
        place.write_text(page, encoding="utf-8")
        assert CHROMIUM is not None
        done = subprocess.run(
            [
                CHROMIUM,
                "--headless",
                "--no-sandbox",
                "--disable-gpu",
                "--no-first-run",
                "--disable-background-networking",
                "--disable-component-update",
                "--disable-sync",
                "--enable-logging=stderr",
                f"--user-data-dir={folder / 'profile'}",
                *options,
                "--dump-dom",
                place.as_uri(),
            ],
            capture_output=True,
            timeout=180,
            check=True,
        )
        console = [line for line in done.stderr.decode(errors="replace").splitlines() if ":CONSOLE" in line]
        return done.stdout.decode(), "\n".join(console)

    return load


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Four seconds with faults, under several hostile names."""
    profiles = loaded("streaming", "cd")
    path = write(tmp_path_factory.mktemp("browser") / "own.wav", clipped(music(4.0), 44_100, 1.0))
    own = checked(path, profiles)
    files = [own] + [Checked(name.replace("/", "∕"), own.measurement, own.verdicts) for name in NAMES]
    return page_of(files, profiles)


def looked_at(browse: Browse, page: str, widths: Sequence[int], *options: str) -> list[Any]:
    """What `LOOK` finds at widths in CSS pixels, all in one run of the browser."""
    frames = "".join(
        f'<iframe srcdoc="{html.escape(page)}" style="width:{width}px;height:900px;border:0"></iframe>'
        for width in widths
    )
    dom, _ = browse(
        f"<!DOCTYPE html><meta charset=utf-8><body>{frames}<pre></pre><script>onload = () => {{"
        "document.querySelector('pre').textContent = JSON.stringify("
        f"[...document.querySelectorAll('iframe')].map(frame => {{ {LOOK} }})) }}</script>",
        "--window-size=1400,1000",
        *options,
    )
    found = re.search(r"<pre>(.*?)</pre>", dom, re.S)
    assert found, dom[-2000:]
    answers = json.loads(html.unescape(found[1]))
    assert len(answers) == len(widths)
    return list(answers)


@pytest.fixture(scope="module")
def seen(browse: Browse, page: str) -> dict[int, Any]:
    return dict(zip(WIDTHS, looked_at(browse, page, WIDTHS, "--blink-settings=preferredColorScheme=1"), strict=True))


def test_the_console_is_listened_to(browse: Browse) -> None:
    # What a page that loads a picture from elsewhere says under the report's own policy; else silence means nothing.
    policy = "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">"
    _, console = browse(f'<!DOCTYPE html><html><head>{policy}</head><body><img src="x.png"></body></html>')
    assert "Content Security Policy" in console


def test_no_console_messages_and_the_whole_page_is_there(browse: Browse, page: str) -> None:
    dom, console = browse(page)
    assert not console
    assert dom.count('<section class="track"') == 1 + len(NAMES)
    assert dom.rstrip().endswith("</html>")


def test_hostile_names_are_text_in_the_document(seen: dict[int, Any]) -> None:
    found = seen[1280]
    assert found["names"][1:] == SHOWN
    assert found["title"] == "All 6 files fail: 6 files"
    assert (found["scripts"], found["images"], found["heads"]) == (0, 0, 1)


@pytest.mark.parametrize("width", WIDTHS)
def test_nothing_is_wider_than_the_screen_or_too_small_or_on_top_of_another(seen: dict[int, Any], width: int) -> None:
    found = seen[width]
    assert found["wide"] <= width
    assert found["out"] == []
    assert found["touching"] == [], "text in pictures"
    assert found["text"] >= 10.0, "text in pictures, CSS pixels high"


def test_light_and_dark(browse: Browse, page: str, seen: dict[int, Any]) -> None:
    (dark,) = looked_at(browse, page, [768], "--blink-settings=preferredColorScheme=0")
    assert seen[768]["paper"] == "rgb(255, 255, 255)"
    assert dark["paper"] == "rgb(21, 22, 26)"
    for found in (seen[768], dark):
        assert found["line"] == found["ink"], "pictures follow the page's colours"
