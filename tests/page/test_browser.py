"""The page in a real browser: drop, look, hear, switch, plan, edit. What is heard is caught behind the player.

Needs `chromium` (Debian package of that name); skipped where there is none.
"""

import base64
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pyloudnorm
import pytest
import soundfile
from axe_playwright_python.sync_playwright import Axe
from numpy.typing import NDArray
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from master_check.judgement.checked import check
from master_check.page import app, profile_text
from tests.page.server import Served, serving
from tests.signals import RATE, programme, write

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
pytestmark = [pytest.mark.skipif(CHROMIUM is None, reason="needs chromium"), pytest.mark.xdist_group("browser")]

OPTIONS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

LEVEL = 10 ** (-12 / 20)
"""-12 dB: what playing begins at."""

CATCH = """
// Puts a node behind the player that keeps all that is heard.
window.caught = [];
window.AudioWorkletNode = class extends AudioWorkletNode {
  constructor(context, name, options) {
    super(context, name, options);
    if (name !== "player") return;
    context.audioWorklet.addModule("assets/catch.js").then(() => {
      const node = new window.AudioWorkletNode(context, "catch", { numberOfOutputs: 1 });
      node.port.onmessage = ({ data }) => window.caught.push(data);
      this.connect(node).connect(context.destination);
      window.catching = true;
    });
  }
};
"""

CATCHER = """
registerProcessor("catch", class extends AudioWorkletProcessor {
  process(inputs) {
    if (inputs[0].length) this.port.postMessage(inputs[0].map((row) => row.slice()));
    return true;
  }
});
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A premaster, and a master of it: 0.4 s earlier, driven into a curve, with some clipped samples in the middle."""
    folder = tmp_path_factory.mktemp("browser")
    whole = programme(24.0, seed=9)
    whole *= 0.5 / np.abs(whole).max()
    master = 0.9 * np.tanh(3.2 * whole[round(0.4 * RATE) :])
    at = 10 * RATE
    master[at : at + 40] = 1.0
    write(folder / "premaster.wav", whole)
    write(folder / "master.wav", master)
    return folder


@pytest.fixture(scope="module", autouse=True)
def catcher() -> Iterator[None]:
    """The node's module comes from the page's own server: worklets load nothing from elsewhere."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(app.ASSETS, "catch.js", CATCHER.encode())
        yield


@pytest.fixture(scope="module")
def served(folder: Path) -> Iterator[Served]:
    with serving([folder / "master.wav", folder / "premaster.wav"], ["streaming"], pair=True) as served:
        served.settled()
        yield served


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        assert CHROMIUM is not None
        yield playwright.chromium.launch(executable_path=CHROMIUM, args=OPTIONS)


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    context = browser.new_context(viewport={"width": 1100, "height": 900})
    context.set_default_timeout(20_000)
    context.add_init_script(CATCH)
    yield context
    context.close()


def opened(context: BrowserContext, served: Served) -> Page:
    """The page, whose console must stay silent."""
    page = context.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text) if message.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: said.append(str(error)))
    page.goto(served.address)
    page.said = said  # type: ignore[attr-defined]
    return page


@pytest.fixture
def page(context: BrowserContext, served: Served) -> Iterator[Page]:
    """With the pair in hand."""
    page = opened(context, served)
    page.wait_for_selector("#pair:not([hidden])")
    yield page
    assert page.said == []  # type: ignore[attr-defined]


def caught(page: Page) -> NDArray[np.float32]:
    """All that was heard so far, (frames, 2), from the first sample that is not silent."""
    rows = page.evaluate("""() => {
      const all = window.caught, length = all.reduce((sum, rows) => sum + rows[0].length, 0);
      const both = new Float32Array(2 * length);
      let at = 0;
      for (const rows of all) { for (let c = 0; c < 2; c++) both.set(rows[c], c * length + at); at += rows[0].length; }
      const bytes = new Uint8Array(both.buffer);
      let text = "";
      for (let n = 0; n < bytes.length; n += 32768) text += String.fromCharCode(...bytes.subarray(n, n + 32768));
      return btoa(text);
    }""")
    both = np.frombuffer(base64.b64decode(rows), "<f4").reshape(2, -1).T
    sounding = np.flatnonzero(np.abs(both).max(axis=1))
    return both[sounding[0] :] if len(sounding) else both[:0]


def wait_for(page: Page, seconds: float, rate: int = RATE) -> None:
    """Until so much more has been heard."""
    page.evaluate("window.before = window.caught.length")
    page.wait_for_function(f"() => 128 * (window.caught.length - window.before) >= {seconds * rate}")


def place_of(heard: NDArray[Any], samples: NDArray[Any]) -> int:
    """The frame that the first one heard comes from; the first 5 ms fade in, so what follows decides."""
    part = heard[2000:2512].astype(np.float64)
    size = 1 << int(np.ceil(np.log2(len(samples) + len(part))))
    lag = np.fft.irfft(np.fft.rfft(samples[:, 0], size) * np.conj(np.fft.rfft(part[:, 0], size)), size)
    return int(np.argmax(lag[: len(samples)])) - 2000


def test_a_dropped_file_gets_its_verdict(context: BrowserContext, folder: Path) -> None:
    with serving() as served:
        page = opened(context, served)
        data = page.evaluate_handle(
            """async (text) => {
              const bytes = Uint8Array.from(atob(text), (each) => each.charCodeAt(0)), transfer = new DataTransfer();
              transfer.items.add(new File([bytes], "dropped.wav"));
              return transfer;
            }""",
            base64.b64encode((folder / "master.wav").read_bytes()).decode(),
        )
        page.dispatch_event("body", "drop", {"dataTransfer": data})
        page.wait_for_selector("#findings:not([hidden]) h2")
        assert page.inner_text("#list th button") == "dropped.wav"
        page.check('input[value="streaming"]')
        page.wait_for_selector("#findings .verdict")
        _, (verdict,) = check(folder / "master.wav", "streaming")
        shown = page.locator("#findings .findings th[scope=row]").all_inner_texts()
        assert shown == list(dict.fromkeys(finding.quantity.title for finding in verdict.broken()))
        with page.expect_download() as saving:
            page.click("#report")
        text = Path(saving.value.path()).read_text("utf-8")
        assert "dropped.wav" in text
        assert "<script" not in text
        assert page.said == []  # type: ignore[attr-defined]


def test_a_finding_plays_from_two_seconds_before_at_the_shown_level(context: BrowserContext, folder: Path) -> None:
    samples, _ = soundfile.read(folder / "master.wav", dtype="float32", always_2d=True)
    measurement, _ = check(folder / "master.wav", "streaming")
    with serving([folder / "master.wav"], ["streaming"]) as served:
        page = opened(context, served)
        page.wait_for_selector("#findings .verdict")
        assert page.locator("#sound .caution").is_visible()
        row = page.locator("#findings tbody", has_text="Clipped runs").first
        row.locator("button.hear").click()
        page.wait_for_function("() => window.catching")
        wait_for(page, 3.0)
        heard = caught(page)
        # The catcher may have come when the first samples were past; what it caught is in one piece.
        from_ = place_of(heard, samples)
        expected = round((measurement.at_s["clipped_runs"] - 2.0) * RATE)
        assert 0 <= from_ - expected < 0.3 * RATE
        ramp = round(0.005 * RATE)
        kept = heard[ramp : ramp + 2 * RATE]
        np.testing.assert_allclose(kept, LEVEL * samples[from_ + ramp :][: len(kept)], atol=1e-6)
        assert np.abs(heard).max() <= LEVEL * np.abs(samples).max() + 1e-6
        page.keyboard.press("Tab")
        page.click("#play")
        page.wait_for_function("() => document.getElementById('play').textContent === 'Play'")
        assert page.said == []  # type: ignore[attr-defined]


def test_switching_makes_no_jump_and_both_are_equally_loud(page: Page, served: Served) -> None:
    streams = {}
    for name in ("pair", "1"):
        parts = [
            np.frombuffer(served.get(f"sounds/{name}?start={s * RATE}&stop={(s + 8) * RATE}"), "<f4")
            for s in (0, 8, 16)
        ]
        streams[name] = np.concatenate([part.reshape(2, -1).T for part in parts])
    premaster, master = streams["pair"], streams["1"][: len(streams["pair"])]
    pair = served.state()["pair"]
    # Heard: the master first, then the premaster, then the master again.
    page.click("#play")
    page.wait_for_function("() => window.catching")
    page.locator("#waveform").focus()
    wait_for(page, 1.0)
    for _ in range(4):
        page.keyboard.press("x")
        wait_for(page, 0.4)
    page.keyboard.press(" ")
    wait_for(page, 0.2)
    heard = caught(page).astype(np.float64)
    from_ = place_of(heard, master)
    a, b = (s[from_ : from_ + len(heard)].astype(np.float64) for s in (premaster, master))
    a, b, heard = (s[: min(len(a), len(heard))] for s in (a, b, heard))
    # In windows of 50 ms without a switch, what is heard is one of the two with its gain, and nothing else.
    gains = {"first": set(), "second": set()}  # type: dict[str, set[float]]
    for at in range(RATE // 2, len(heard) - RATE // 2, RATE // 20):
        window = slice(at, at + RATE // 20)
        for name, signal in (("first", a), ("second", b)):
            gain = float((heard[window] * signal[window]).sum() / np.square(signal[window]).sum())
            if np.abs(heard[window] - gain * signal[window]).max() < 1e-5:
                gains[name].add(round(20 * np.log10(gain), 3))
    assert gains["first"] == {round(-12.0 + pair["first_gain_db"], 3)}
    assert gains["second"] == {round(-12.0 + pair["second_gain_db"], 3)}
    # pyloudnorm as the second meter, over all that the two have in common.
    meter = pyloudnorm.Meter(RATE)
    first, second = (
        meter.integrated_loudness(signal.astype(np.float64) * 10 ** (next(iter(gains[name])) / 20))
        for name, signal in (("first", premaster[: 23 * RATE]), ("second", master[: 23 * RATE]))
    )
    assert first == pytest.approx(second, abs=0.1)
    # No step is larger than the signals' own and what 5 ms of going from one to the other adds.
    weights = [10 ** ((-12.0 + pair[f"{name}_gain_db"]) / 20) for name in ("first", "second")]
    own = max(np.abs(np.diff(s, axis=0)).max() * w for s, w in zip((a, b), weights, strict=True))
    apart = np.abs(a * weights[0] - b * weights[1]).max()
    assert np.abs(np.diff(heard, axis=0)).max() <= own + 1.01 * apart / (0.005 * RATE) + 1e-6
    assert np.abs(heard).max() <= LEVEL * max(np.abs(a).max(), np.abs(b).max()) + 1e-6


def test_the_difference_is_one_less_the_other_and_quieter(page: Page, served: Served) -> None:
    pair = served.state()["pair"]
    page.click("#difference")
    assert page.get_attribute("#difference", "aria-pressed") == "true"
    page.click("#play")
    page.wait_for_function("() => window.catching")
    wait_for(page, 1.2)
    heard = caught(page)
    streams = [
        np.frombuffer(served.get(f"sounds/{name}?start=0&stop={6 * RATE}"), "<f4").reshape(2, -1).T
        for name in ("pair", "1")
    ]
    weights = [0.5 * 10 ** ((-12.0 + pair[f"{name}_gain_db"]) / 20) for name in ("first", "second")]
    expected = weights[1] * streams[1] - weights[0] * streams[0]
    from_ = place_of(heard, expected)
    ramp = round(0.005 * RATE)
    kept = heard[ramp:RATE]
    np.testing.assert_allclose(kept, expected[from_ + ramp :][: len(kept)], atol=2e-6)


def test_blind_says_which_is_which_only_after(page: Page) -> None:
    page.check("#blind")
    assert [page.inner_text(f"#{which}") for which in ("first", "second")] == ["One", "Two"]
    assert page.is_disabled("#difference")
    assert page.is_hidden("#pair-lines")
    page.uncheck("#blind")
    told = page.inner_text("#blind-told")
    assert re.fullmatch(r"One was (pre)?master\.wav, Two was (pre)?master\.wav\.", told)


def test_moving_and_zooming_by_keys(page: Page) -> None:
    def where() -> float:
        minutes, seconds = page.inner_text("#clock").split(":")
        return 60 * int(minutes) + float(seconds)

    page.locator("#waveform").focus()
    page.keyboard.press("ArrowRight")
    assert where() == 5.0
    page.keyboard.press("Shift+ArrowLeft")
    assert where() == pytest.approx(4.9)
    page.keyboard.press("n")
    assert page.inner_text("#mark") != ""
    for _ in range(22):
        page.keyboard.press("+")
    page.wait_for_timeout(300)
    page.keyboard.press("0")
    page.uncheck("#keys-on")
    page.locator("#close, #closer").first.focus()
    before = where()
    page.keyboard.press("ArrowRight")
    assert where() == before


def test_the_target_is_dragged(context: BrowserContext, folder: Path) -> None:
    with serving([folder / "premaster.wav"], ["streaming"]) as served:
        page = opened(context, served)
        page.wait_for_selector("#limiter:not([hidden])")
        page.click("#plan")
        page.wait_for_selector("#planned:not([hidden])")
        page.wait_for_function("() => document.getElementById('plan-true').textContent !== ''")
        before = page.inner_text("#plan-true")
        page.locator("#target").evaluate("e => { e.value = Number(e.max); e.dispatchEvent(new Event('input')); }")
        page.wait_for_selector("#plan-true:has-text('ceiling')")
        assert page.inner_text("#plan-true") != before
        assert "gain reduction" in page.inner_text("#plan-true")
        page.locator("#target").evaluate("e => e.dispatchEvent(new Event('change'))")
        page.wait_for_selector("#solved li >> nth=1")
        assert "true-peak limiter" in page.inner_text("#solved").lower()
        assert page.said == []  # type: ignore[attr-defined]


def test_another_file_is_heard_by_itself(context: BrowserContext, folder: Path) -> None:
    with serving([folder / "master.wav", folder / "premaster.wav"], pair=True) as served:
        page = opened(context, served)
        page.wait_for_selector("#pair:not([hidden])")
        page.click("#list .show >> text=premaster.wav")
        page.wait_for_selector("#pair", state="hidden")
        page.click("#play")
        page.wait_for_function("() => window.catching")
        wait_for(page, 0.5)
        samples, _ = soundfile.read(folder / "premaster.wav", dtype="float32", always_2d=True)
        heard = caught(page)
        from_ = place_of(heard, samples)
        np.testing.assert_allclose(heard[300:12_000], LEVEL * samples[from_ + 300 : from_ + 12_000], atol=1e-6)
        assert page.said == []  # type: ignore[attr-defined]


def test_a_profile_is_edited_with_its_faults_beside_the_line(
    page: Page, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(profile_text, "user_folder", lambda: tmp_path)
    page.select_option("#profile", "cd")
    page.click("#profile-look")
    page.wait_for_selector("#profile-faults .none")
    text = page.input_value("#profile-text")
    page.fill("#profile-text", text.replace("measure =", "meassure =", 1))
    page.wait_for_selector("#profile-faults li:not(.none)")
    line = text[: text.index("measure =")].count("\n") + 1
    assert str(line) in page.locator("#profile-lines b").all_inner_texts()
    assert page.is_disabled("#profile-save")
    page.fill("#profile-text", text)
    page.wait_for_selector("#profile-faults .none")
    page.fill("#profile-name", "mine")
    page.click("#profile-save")
    page.wait_for_selector("#profile-told:text('saved')")
    assert (tmp_path / "mine.toml").read_text() == text.replace('name = "cd"', 'name = "mine"')


@pytest.mark.parametrize("width", [360, 800, 1600])
def test_it_fits_and_can_be_read_by_everyone(page: Page, width: int) -> None:
    """Rules of axe-core for WCAG 2.2 A and AA, at three widths, light and dark."""
    page.set_viewport_size({"width": width, "height": 900})
    page.click("#plan")
    page.click("#profile-look")
    page.wait_for_selector("#profile-faults .none")
    schemes: tuple[Literal["light", "dark"], ...] = ("light", "dark")
    for scheme in schemes:
        page.emulate_media(color_scheme=scheme)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
        found: Any = Axe().run(page, options={"runOnly": {"type": "tag", "values": tags}})
        wrong = [(rule["id"], [node["html"][:150] for node in rule["nodes"]]) for rule in found.response["violations"]]
        assert wrong == []
