"""The HTML report held to the data it shows, to WCAG 2.1 and to HTML's own rules; a real browser is in test_browser.

Figures are compared with `Quantity.format` and with what `check --json` prints.
"""

import re
from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from master_check.albums.album import Album, album
from master_check.alignment.align import Alignment
from master_check.judgement.checked import Checked
from master_check.judgement.profile import Profile
from master_check.limiting.limiter import InMemory
from master_check.limiting.plan import Plan, plan_signal
from master_check.measurement.measurement import Measurement, Series
from master_check.meters.spectrum import BANDS_HZ
from master_check.pair.change import Band, Change, Place
from master_check.pair.comparison import Comparison, Remark
from master_check.pair.saturation import PairSaturation, SideSaturation
from master_check.report import html
from master_check.report.json import file_json
from master_check.report.seal import seal
from master_check.report.terminal import without_repeats
from master_check.report.wording import comparison as pair_words
from master_check.report.wording import plan as plan_words
from master_check.report.wording import verdicts as said
from master_check.report.wording.album import observation
from master_check.tables.quantities import ALBUM_QUANTITIES, CHANNEL_KEYS, QUANTITIES, Quantity, Value
from master_check.text import clock
from tests.report.pages import (
    DATE,
    Drawn,
    Element,
    checked,
    clipped,
    figures,
    loaded,
    music,
    page_of,
    parse,
    plain,
    share,
    signed,
    write,
)

STYLE = (Path(html.__file__).parent / "templates" / "style.css").read_text(encoding="utf-8")

HOSTILE = {
    "<script>alert(1)</script>.wav": "<script>alert(1)</script>.wav",
    '"><img src=x onerror=alert(1)>.wav': '"><img src=x onerror=alert(1)>.wav',
    "'onmouseover='alert(1).wav": "'onmouseover='alert(1).wav",
    "</style></title><h1>fine.wav": "</style></title><h1>fine.wav",
    "a\u202egnp.wav": "a\\u202egnp.wav",
    "two\nlines\x1b[31m.wav": "two\\x0alines\\x1b[31m.wav",
    "{{ 7 * 7 }}{% include 'x' %}.wav": "{{ 7 * 7 }}{% include 'x' %}.wav",
    "$\\frac{1}{2}$ &amp; &lt;.wav": "$\\frac{1}{2}$ &amp; &lt;.wav",
    "caf\udce9.wav": "caf\\xe9.wav",
    "\u05e9\u05dc\u05d5\u05dd.wav": "\u05e9\u05dc\u05d5\u05dd.wav",  # right to left is no fault
}


@pytest.fixture(scope="module")
def profiles() -> list[Profile]:
    return loaded("streaming", "cd", "broadcast-r128")


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory, profiles: list[Profile]) -> Checked:
    """Ten seconds with a clipped place at 7.5 s."""
    path = tmp_path_factory.mktemp("report") / "faulty.wav"
    return checked(write(path, clipped(music(10.0), 44_100, 7.5)), profiles)


@pytest.fixture(scope="module")
def page(faulty: Checked, profiles: list[Profile]) -> Element:
    return parse(page_of([faulty], profiles))


def told_of(values: Mapping[str, Value]) -> dict[str, Quantity]:
    """The quantities that a page shows: all but those on metadata and origin that the file does not have."""
    seldom = ("Metadata", "Origin")
    return {key: q for key, q in QUANTITIES.items() if q.group not in seldom or values[key] is not None}


def measurement_of(file: Checked) -> Measurement:
    assert file.measurement is not None
    return file.measurement


def test_every_quantity_of_the_table_is_shown_as_the_table_formats_it(faulty: Checked, page: Element) -> None:
    # The figures as `check --json` prints them; a broken rule may show more decimals, never another figure.
    values = file_json(faulty)["measures"]
    found = figures(page)
    shown = {f.measure: f.shown for v in faulty.verdicts for f in v.findings}
    told = told_of(values)
    for key, quantity in told.items():
        expected = quantity.format(values[key])
        assert found[quantity.title] in (expected, shown.get(key)), key
    assert len(found) == len(told)


def test_when_something_happened_is_beside_its_figure(faulty: Checked, page: Element) -> None:
    rows = {row.all("th")[0].text: row.text for row in page.all("tr") if row.having("at")}
    at_s = measurement_of(faulty).at_s
    assert at_s
    for key, at in at_s.items():
        assert f"at {clock(at)}" in rows[QUANTITIES[key].title], key
    assert "at 0:07.500" in rows["Clipped runs"]  # where the test put it


def test_every_broken_rule_is_a_finding_with_value_limit_time_reason_and_advice(faulty: Checked, page: Element) -> None:
    tables = page.having("findings")
    bodies = [body for table in tables for body in table.all("tbody")]
    # Of several broken rules of a profile on one quantity the gravest, as on the terminal.
    broken = [finding for verdict in faulty.verdicts for finding in without_repeats(verdict.broken())]
    assert len(broken) >= 6, "the file is made to break rules of every profile"
    assert len(bodies) == len(broken)
    for body, finding in zip(bodies, broken, strict=True):
        text = plain(body.text)
        assert {"fail": "fails", "warn": "warns"}[finding.result] in text
        assert finding.quantity.title in text
        assert finding.shown in text
        assert finding.limit.replace("<=", "≤").replace(">=", "≥") in text
        assert finding.why in text
        assert finding.do.replace("`", "") in text
        assert finding.source in text
        assert finding.at_s is None or clock(finding.at_s) in text


def test_every_limit_is_beside_the_figure_it_limits(faulty: Checked, page: Element) -> None:
    rows = {row.having("q")[0].text: plain(row.text) for row in page.all("tr") if row.having("q") and row.all("b")}
    for verdict in faulty.verdicts:
        for finding in verdict.findings:
            if finding.measure in told_of(measurement_of(faulty).values):
                row = rows[finding.quantity.title]
                assert plain(html.wanted(finding)) in row
                assert verdict.profile in row


def test_limits_carry_their_unit(faulty: Checked) -> None:
    by_measure = {f.measure: html.wanted(f) for v in faulty.verdicts for f in v.findings}
    assert by_measure["true_peak_dbtp"].endswith("dBTP")
    assert by_measure["sample_rate_hz"].endswith("Hz")
    assert by_measure["clipped_runs"] == "≤ 0"


def test_the_verdict_comes_first_and_in_words(faulty: Checked, page: Element) -> None:
    results = {verdict.profile: verdict.result for verdict in faulty.verdicts}
    first = page.all("h1")[0].text
    for name, result in results.items():
        assert name in first
        assert ("fails" in first.lower()) if result == "fail" else True
    words = {"pass": "Passes", "warn": "Passes with warnings", "fail": "Fails"}
    for block, verdict in zip(page.having("verdict"), faulty.verdicts, strict=True):
        assert block.text.startswith(f"{words[verdict.result]} {verdict.profile}")


@pytest.mark.parametrize(
    ("results", "expected"),
    [
        ([("cd", "pass")], "Passes cd"),
        ([("cd", "warn")], "Passes cd with warnings"),
        ([("cd", "fail"), ("podcast", "pass")], "Fails cd, passes podcast"),
        ([("a", "fail"), ("b", "fail"), ("c", "fail")], "Fails a, b and c"),
        ([], "Measured, not judged"),
    ],
)
def test_headline_of_one_file(faulty: Checked, results: list[tuple[str, str]], expected: str) -> None:
    verdicts = tuple(
        replace(faulty.verdicts[0], profile=name, result=result)  # type: ignore[arg-type]
        for name, result in results
    )
    assert parse(page_of([replace(faulty, verdicts=verdicts)], [])).all("h1")[0].text == expected


def test_channels_and_checksum_and_method(faulty: Checked, profiles: list[Profile]) -> None:
    page = parse(page_of([faulty], profiles, selftest="all 74 cases within tolerance"))
    measured = measurement_of(faulty)
    table = page.having("channels")[0]
    rows = {row.all("th")[0].text: [plain(cell.text) for cell in row.all("td")] for row in table.all("tr")[1:]}
    for key in CHANNEL_KEYS:
        assert rows[QUANTITIES[key].title] == [QUANTITIES[key].format(row[key]) for row in measured.channels]
    text = page.text
    assert f"SHA-256 {1:064x}" in text
    for standard in ("ITU-R BS.1770-5", "EBU Tech 3341", "EBU Tech 3342", "AES TD1008", "IEC 61260-1"):
        assert standard in text
    assert "sendoff 9.8.7" in text
    assert "9 May 2031, 14:30 UTC" in text
    assert "all 74 cases within tolerance" in text


def test_what_the_figures_mean_is_explained(page: Element) -> None:
    text = page.having("glossary")[0].text
    assert QUANTITIES["plr_lu"].meaning in text
    assert QUANTITIES["clipped_runs"].meaning in text


def test_a_file_that_cannot_be_read_is_named_and_the_others_are_there(faulty: Checked, profiles: list[Profile]) -> None:
    page = parse(page_of([Checked("gone.wav", error="no such file"), faulty], profiles))
    assert page.all("h1")[0].text == "1 of 2 files fails, 1 could not be read"
    assert "Not read no such file" in page.text
    assert figures(page)["Clipped runs"] == "1"


def test_without_profiles_everything_is_measured_and_nothing_judged(faulty: Checked) -> None:
    page = parse(page_of([replace(faulty, verdicts=())], []))
    assert page.all("h1")[0].text == "Measured, not judged"
    assert not page.having("v")
    assert len(figures(page)) == len(told_of(measurement_of(faulty).values))


@pytest.fixture(scope="module")
def shred(tmp_path_factory: pytest.TempPathFactory, profiles: list[Profile]) -> Checked:
    """A file with few pictures."""
    path = tmp_path_factory.mktemp("report") / "shred.wav"
    return checked(write(path, music(0.1)), profiles)


@pytest.fixture(scope="module")
def usual(shred: Checked, profiles: list[Profile]) -> Element:
    return parse(page_of([shred, shred], profiles))


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_file_name_stays_text(shred: Checked, usual: Element, profiles: list[Profile], name: str) -> None:
    other = replace(shred, path=f"folder/{name.replace('/', '∕')}")
    shown = HOSTILE[name].replace("/", "∕")
    source = page_of([other, shred], profiles)
    page = parse(source)
    assert [e.text for e in page.all("bdi")].count(shown) == 2  # in the list, and above its own part
    assert [e.tag for e in page.all()] == [e.tag for e in usual.all()], "no element comes from a name"
    allowed = {(e.tag, attribute) for e in usual.all() for attribute in e.attributes}
    assert {(e.tag, attribute) for e in page.all() for attribute in e.attributes} <= allowed
    assert not re.search("[\u202a-\u202e\u2066-\u2069\x00-\x08\x0b-\x1f\x7f-\x9f]", source)
    source.encode("utf-8")


def test_a_hostile_name_in_title_and_error_stays_text(profiles: list[Profile]) -> None:
    name = "</title><script>x</script>\u202e.wav"
    page = parse(page_of([Checked(name, error=f"{name}: no such file")], profiles))
    assert "script>\\u202e.wav" in page.all("title")[0].text
    assert not page.all("script")


def test_a_hostile_profile_stays_text(faulty: Checked) -> None:
    verdict = faulty.verdicts[0]
    bad = "<b onclick=x>\u202e</b>"
    findings = tuple(replace(f, why=bad, do=bad, source=bad, limit=f"<= {bad}") for f in verdict.findings)
    hostile = replace(verdict, title=bad, source=bad, profile=bad, findings=findings)
    source = page_of([replace(faulty, verdicts=(hostile,))], [])
    page = parse(source)
    assert "\u202e" not in source
    assert not [e for e in page.all() if "onclick" in e.attributes]
    assert "<b onclick=x>\\u202e</b>" in page.having("why")[0].text


def test_nothing_is_loaded_from_elsewhere_and_no_script_runs(faulty: Checked, profiles: list[Profile]) -> None:
    source = page_of([faulty, faulty], profiles)
    page = parse(source)
    assert not page.all("script", "link", "iframe", "object", "embed", "img", "base", "form", "audio", "video")
    for element in page.all():
        for name, value in element.attributes.items():
            assert not name.startswith("on"), (element.tag, name)
            if name in ("href", "src", "action", "xlink:href"):
                assert value.startswith("#"), value
    assert all(target.startswith("#") for target in re.findall(r"url\(([^)]*)", source))
    assert not re.search(r"https?:|@import|javascript:", source)
    policy = next(e for e in page.all("meta") if e.attributes.get("http-equiv") == "Content-Security-Policy")
    assert policy.attributes["content"].startswith("default-src 'none'")


def test_ids_are_unique_and_links_lead_somewhere(faulty: Checked, profiles: list[Profile]) -> None:
    page = parse(page_of([faulty, faulty], profiles))  # the very same pictures twice
    ids = [e.attributes["id"] for e in page.all() if "id" in e.attributes]
    assert len(ids) == len(set(ids))
    links = {value[1:] for e in page.all() for name, value in e.attributes.items() if name == "href"}
    links |= {m for e in page.all() for value in e.attributes.values() for m in re.findall(r"url\(#([^)]*)\)", value)}
    assert links
    assert links <= set(ids)


def test_accessible(page: Element) -> None:
    # WCAG 2.1: 1.1.1 text for pictures, 1.3.1 table headers and headings, 2.4.2 title, 3.1.1 language.
    assert page.all("html")[0].attributes["lang"] == "en"
    assert page.all("title")[0].text
    drawn = [e for e in page.all("div") if e.attributes.get("role") == "img"]
    assert len(drawn) == 3
    assert all(len(e.attributes["aria-label"]) > 40 for e in drawn)
    inside = {id(svg) for e in drawn for svg in e.all("svg")}
    assert all(id(svg) in inside or svg.attributes.get("aria-hidden") == "true" for svg in page.all("svg"))
    for table in page.all("table"):
        assert all("scope" in head.attributes for head in table.all("th"))
        assert table.all("thead")
        assert table.all("th")
    levels = [int(e.tag[1]) for e in page.all("h1", "h2", "h3", "h4")]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_labels_of_pictures_give_the_figures(faulty: Checked, page: Element) -> None:
    labels = [plain(e.attributes["aria-label"]) for e in page.all("div") if e.attributes.get("role") == "img"]
    values = measurement_of(faulty).values
    for key in ("integrated_lufs", "momentary_max_lufs", "short_term_max_lufs"):
        assert QUANTITIES[key].format(values[key]) in labels[0]
    assert "playback at -14.0 LUFS, streaming" in labels[0]
    assert "integrated target -23.0 LUFS, broadcast-r128" in labels[0]
    assert "Sample peak 0.0 dBFS; clipped runs: 1; true-peak overs: 1" in labels[1]
    assert "Full scale is reached during 0.01 s" in labels[1]
    assert "63 Hz" not in labels[2]
    assert "50 Hz" in labels[2], "the 55 Hz bass lies in the 50 Hz third octave, 44.7 to 56.2 Hz"


def luminance(colour: str) -> float:
    """Relative luminance of sRGB (WCAG 2.1, definition)."""
    digits = colour.lstrip("#")
    digits = "".join(2 * d for d in digits) if len(digits) == 3 else digits
    parts = [int(digits[at : at + 2], 16) / 255.0 for at in (0, 2, 4)]
    linear = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))


@pytest.mark.parametrize("scheme", [0, 1, 2])
def test_text_has_contrast_in_light_dark_and_print(scheme: int) -> None:
    # WCAG 2.1, 1.4.3: 4.5 to 1 for text; 1.4.6: 7 to 1 asked of the running text.
    block = re.findall(r":root \{([^}]*)\}", STYLE)[scheme]
    colours = dict(re.findall(r"--(\w+): (#\w+)", block))

    def contrast(a: str, b: str) -> float:
        low, high = sorted((luminance(colours[a]), luminance(colours[b])))
        return (high + 0.05) / (low + 0.05)

    assert contrast("ink", "paper") >= 7.0
    assert contrast("grey", "paper") >= 4.5
    assert contrast("mark", "paper") >= 4.5


def test_pictures_take_every_colour_from_the_page(page: Element) -> None:
    """By classes of the page's style sheet, or by its variables: no colour is written in a drawing."""
    styled = set(re.findall(r"\.([a-z][\w-]*)", STYLE))
    defined = set(re.findall(r"--(\w+):", STYLE))
    for svg in page.all("svg"):
        for element in svg.all():
            assert set(element.attributes.get("class", "").split()) <= styled
            for name in ("style", "fill", "stroke"):
                value = element.attributes.get(name, "")
                assert set(re.findall(r"var\(--(\w+)\)", value)) <= defined
                assert re.sub(r"var\(--\w+\)|none", "", value) == ""
    assert not [e for svg in page.all("svg") for e in svg.all("style", "metadata")]
    swatches = {name for e in page.having("k") for name in e.attributes["class"].split()}
    assert swatches <= styled


def pictures_of(page: Element) -> list[Element]:
    return [e for e in page.all("div") if e.attributes.get("role") == "img"]


def drawn_of(page: Element, which: int) -> Drawn:
    return Drawn(pictures_of(page)[which].all("svg")[0])


def test_text_in_pictures_is_text(page: Element) -> None:
    assert set(drawn_of(page, 0).labels_left) == {"-6", "-12", "-18", "-24", "-30"}
    assert "0:05" in drawn_of(page, 0).labels_below
    assert drawn_of(page, 2).svg.all("text")[-1].text == "16 kHz"


def test_a_clipped_place_is_marked_where_it_is(page: Element) -> None:
    drawn = drawn_of(page, 1)
    points = np.concatenate(drawn.curves("tick"))
    assert np.allclose(drawn.seconds(points[:, 0]), 7.5, atol=0.02)
    assert points[:, 1].max() < 0.5, "in the first channel, which is drawn upwards"


def test_the_loudest_moment_is_drawn_at_its_level_and_time(faulty: Checked, page: Element) -> None:
    drawn, measured = drawn_of(page, 0), measurement_of(faulty)
    (integrated,) = drawn.across("dash")
    assert drawn.level(integrated) == pytest.approx(measured.values["integrated_lufs"], abs=0.01)
    (curve,) = drawn.curves("line")
    top = curve[np.argmin(curve[:, 1])]
    assert drawn.level(top[1]) == pytest.approx(measured.values["short_term_max_lufs"], abs=0.05)
    at = round((drawn.seconds(top[0]) - 1.5) * 100)
    series = measured.series.short_term()
    assert series[max(0, at - 3) : at + 4].max() == pytest.approx(series.max(), abs=0.02)


def test_the_waveform_is_as_high_as_the_samples(faulty: Checked, page: Element) -> None:
    drawn, tops = drawn_of(page, 1), measurement_of(faulty).series.tops
    hairs = [share(e.attributes["y1"]) for e in drawn.svg.all("line") if e.attributes["class"] == "hair"]
    full = 0.5 - min(hairs)  # the outer lines are full scale, as the scale says
    left, right = (points[:, 1] for points in drawn.curves("band"))
    assert (0.5 - left.min()) / full == pytest.approx(float(tops[0].max()), abs=0.01)
    assert (right.max() - 0.5) / full == pytest.approx(float(tops[1].max()), abs=0.01)
    assert left.max() <= 0.5 <= right.min()


def test_under_a_megabyte_an_hour_of_the_worst(faulty: Checked, profiles: list[Profile]) -> None:
    hops = 360_000
    rng = np.random.default_rng(3)
    measured = measurement_of(faulty)
    tops = rng.uniform(0.0, 1.6, (4, hops)).astype(np.float32)  # overs everywhere
    series = Series(44_100, measured.series.rows, rng.uniform(0.0, 400.0, hops), tops, measured.series.bands)
    long = replace(measured, series=series, values=measured.values | {"duration_s": 3600.0})
    source = page_of([replace(faulty, measurement=long)], profiles)
    assert len(source.encode()) < 1_000_000


def test_a_page_is_the_same_every_time(faulty: Checked, profiles: list[Profile]) -> None:
    assert page_of([faulty], profiles) == page_of([faulty], profiles)


@pytest.mark.parametrize("count", [1, 3])
def test_progress_is_told_track_by_track_and_adds_up(shred: Checked, profiles: list[Profile], count: int) -> None:
    told: list[float] = []
    files = [replace(shred, path=f"{number}.wav") for number in range(count)]
    html.check_page(files, profiles, checksums={}, version="9.8.7", date=DATE, progress=told.append)
    assert len(told) > count
    assert all(share > 0.0 for share in told)
    assert sum(told) == pytest.approx(1.0)


def test_the_seal_belongs_to_the_checksums() -> None:
    seals = {seal(digest, "Fails") for digest in (b"a", b"b", b"a")}
    assert len(seals) == 2


@pytest.mark.parametrize("channels", [1, 2, 6])
def test_every_channel_is_drawn(tmp_path: Path, profiles: list[Profile], channels: int) -> None:
    path = write(tmp_path / "wide.wav", music(4.0, 48_000, channels), 48_000)
    page = parse(page_of([checked(path, profiles)], profiles))
    labels = {1: set(), 2: {"L", "R"}, 6: {"L", "R", "C", "LFE", "Ls", "Rs"}}[channels]
    rows = pictures_of(page)[1].all("svg")
    assert labels <= {e.text for svg in rows for e in svg.all("text")}
    assert (
        sum(len(Drawn(svg).curves("band")) for svg in rows if "plot" in svg.attributes.get("class", "").split())
        == channels
    )


@pytest.mark.parametrize(("seconds", "level", "drawn"), [(2.0, 0.0, 0), (0.2, 1.0, 2), (0.001, 1.0, 2)])
def test_silence_and_shreds_have_a_page_too(
    tmp_path: Path, profiles: list[Profile], seconds: float, level: float, drawn: int
) -> None:
    path = write(tmp_path / "little.wav", music(seconds) * level)
    file = checked(path, profiles)
    page = parse(page_of([file], profiles))
    assert len(pictures_of(page)) == drawn
    assert figures(page)["Integrated loudness"] == "–"
    assert all(note in page.text for note in measurement_of(file).notes)


def test_more_channels_than_fit_have_a_table_of_their_own(tmp_path: Path, profiles: list[Profile]) -> None:
    path = write(tmp_path / "wide.wav", music(0.1, 48_000, 6), 48_000)
    page = parse(page_of([checked(path, profiles)], profiles))
    region = page.having("wide-table")[0]
    assert [e.text for e in region.all("thead")[0].all("th")] == ["Figure", "L", "R", "C", "LFE", "Ls", "Rs"]
    assert len(region.all("tbody")[0].all("tr")) == len(CHANNEL_KEYS)


def test_first_places_are_marked_on_the_waveform(faulty: Checked, page: Element) -> None:
    drawn, at_s = drawn_of(page, 1), measurement_of(faulty).at_s
    for style, key in (("point", "true_peak_dbtp"), ("point open", "true_peak_over_runs")):
        ((x, _),) = drawn.marks(style)
        assert drawn.seconds(x) == pytest.approx(at_s[key], abs=0.01)


@pytest.mark.parametrize(
    ("results", "word"),
    [
        ([], "Measured"),
        (["pass", "pass"], "Passes"),
        (["pass", "warn"], "Passes with warnings"),
        (["error", "fail", "pass"], "Fails"),
        (["error", "pass"], "Incomplete"),
        (["error", "error"], "Not read"),
    ],
)
def test_word_of_the_seal(results: list[str], word: str) -> None:
    assert said.word(results) == word


RESULTS = ("pass", "warn", "fail", "error")


def with_result(file: Checked, result: str) -> Checked:
    if result == "error":
        return Checked("gone.wav", error="no such file")
    verdict = replace(file.verdicts[0], result=result, profile="cd")  # type: ignore[arg-type]
    return replace(file, verdicts=(verdict,))


@pytest.mark.parametrize("files", [[a, b] for a in RESULTS for b in RESULTS if a <= b] + [[a] for a in RESULTS])
@pytest.mark.parametrize("whole", ["pass", "warn", "fail"])
def test_headline_and_seal_never_contradict_each_other(faulty: Checked, files: list[str], whole: str) -> None:
    verdict = replace(faulty.verdicts[0], result=whole, profile="cd")  # type: ignore[arg-type]
    word, headline = said.outcome([with_result(faulty, result) for result in files], [verdict])
    assert ("fail" in headline.lower()) == (word == "Fails") == ("fail" in (*files, whole))
    assert ("could not be read" in headline.lower()) == ("error" in files)
    assert ("with warnings" in headline) == ("warn" in (*files, whole))
    assert word in ("Fails", "Incomplete", "Not read") or ("warnings" in word) == ("with warnings" in headline)


@pytest.mark.parametrize(
    ("files", "whole", "expected"),
    [
        (["pass", "pass"], "fail", "The album fails cd; both files pass"),
        (["pass", "warn", "pass"], "fail", "The album fails cd; all 3 files pass, 1 with warnings"),
        (["fail", "pass", "pass"], "fail", "1 of 3 files fails; the album fails cd"),
        (["pass"], "fail", "The album fails cd; the file passes"),
        (["pass"], "pass", "Passes cd"),
        (["fail", "fail"], "warn", "Both files fail; the album passes cd with warnings"),
        (["error", "pass"], "pass", "1 of 2 files passes, 1 could not be read"),
    ],
)
def test_headline_of_an_album(faulty: Checked, files: list[str], whole: str, expected: str) -> None:
    verdict = replace(faulty.verdicts[0], result=whole, profile="cd")  # type: ignore[arg-type]
    assert said.outcome([with_result(faulty, result) for result in files], [verdict])[1] == expected


def page_with(source: Path, rules: str, path: Path, name: str = "own") -> tuple[Checked, Element]:
    """A file held against a profile of the test's own."""
    (path / f"{name}.toml").write_text(f'[profile]\nname = "{name}"\ntitle = "Own"\n{rules}', encoding="utf-8")
    profiles = loaded(str(path / f"{name}.toml"))
    file = checked(source, profiles)
    return file, parse(page_of([file], profiles))


def rule(measure: str, limit: str, level: str = "must", more: str = "") -> str:
    return f'[[rule]]\nmeasure = "{measure}"\n{limit}\nlevel = "{level}"\n{more}\n'


def keys(page: Element, which: int) -> list[str]:
    figure = page.all("figure")[which]
    return [plain(e.text) for e in figure.having("keys")[0].all("li")]


def test_a_profile_without_a_limit_on_peaks_has_none_drawn(tmp_path: Path) -> None:
    _, page = page_with(write(tmp_path / "a.wav", music(4.0)), rule("channels", "one_of = [2]"), tmp_path)
    assert not drawn_of(page, 1).across("target")
    assert not drawn_of(page, 0).across("target")
    assert not [key for key in keys(page, 1) if "own" in key]


def test_limits_are_drawn_as_the_profile_has_them(tmp_path: Path) -> None:
    rules = (
        rule("true_peak_dbtp", "max = -1.5\ntolerance = 0.1")
        + rule("sample_peak_dbfs", "min = -60.0")
        + rule("true_peak_dbtp", "max = -4", "note")
        + rule("sample_peak_dbfs", "max = -6.5", more='when = { measure = "integrated_lufs", max = -60.0 }')
        + rule("integrated_lufs", "target = -20.25\ntolerance = 1", "should")
        + rule("integrated_lufs", "min = -90", "should")
        + rule("integrated_lufs", "max = -16", "should")
    )
    _, page = page_with(write(tmp_path / "a.wav", music(4.0)), rules, tmp_path)
    peaks, loudness = drawn_of(page, 1), drawn_of(page, 0)
    # Notes are never judged, and a rule on quiet files was not held against this one: neither is a limit of it. -60 dB
    # would lie on the middle line.
    assert [key for key in keys(page, 1) if "own" in key] == ["true peak ≤ -1.5 dBTP, own"]
    up, down = sorted(peaks.across("target"))
    hairs = [share(e.attributes["y1"]) for e in peaks.svg.all("line") if e.attributes["class"] == "hair"]
    full = 0.5 - min(hairs)
    assert (0.5 - up) / full == pytest.approx(10.0 ** (-1.5 / 20.0), abs=1e-3)
    assert (down - 0.5) / full == pytest.approx(10.0 ** (-1.5 / 20.0), abs=1e-3)
    assert [key for key in keys(page, 0) if "own" in key] == [
        "integrated target -20.25 LUFS, own",
        "integrated ≤ -16.0 LUFS, own",
    ]
    assert sorted(loudness.level(y) for y in loudness.across("target")) == pytest.approx([-20.25, -16.0], abs=0.01)


def test_full_scale_is_that_of_the_words_length(tmp_path: Path) -> None:
    """The largest code of 8 bits is 127/128, -0.07 dBFS: nothing in such a file lies higher."""
    frames = np.clip(8.0 * music(4.0), -127.0 / 128.0, 127.0 / 128.0)
    file, page = page_with(write(tmp_path / "a.wav", frames, subtype="PCM_U8"), "", tmp_path)
    assert int(measurement_of(file).values["clipped_runs"] or 0) > 10
    label = plain(pictures_of(page)[1].attributes["aria-label"])
    assert "Sample peak -0.1 dBFS; clipped runs: " in label
    assert "Full scale is reached during " in label
    assert "10 ms steps that reach full scale" in keys(page, 1)
    assert drawn_of(page, 1).curves("tick")


def test_nothing_is_said_of_full_scale_where_it_is_not_reached(tmp_path: Path) -> None:
    _, page = page_with(write(tmp_path / "a.wav", music(4.0)), "", tmp_path)
    label = pictures_of(page)[1].attributes["aria-label"]
    assert "ull scale" not in label
    assert "Sample peak" in label
    assert not drawn_of(page, 1).curves("tick")


# The album's page.


@pytest.fixture(scope="module")
def an_album(tmp_path_factory: pytest.TempPathFactory, profiles: list[Profile]) -> Album:
    """Three tracks and an instrumental, one of them loud, one quiet; and one that cannot be read."""
    folder = tmp_path_factory.mktemp("album")
    paths = [
        write(folder / "1 one.wav", clipped(music(5.0), 44_100, 2.0)),
        write(folder / "2 <i>two</i>.wav".replace("/", "∕"), music(5.0, peak_db=-20.0)),
        write(folder / "3 three.wav", music(5.0, rate=48_000), 48_000),
        write(folder / "3 three (instrumental).wav", music(5.0, rate=48_000), 48_000),
        folder / "4 gone.wav",
    ]
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SENDOFF_CACHE", str(folder / "cache"))
        return album(paths, profiles)


@pytest.fixture(scope="module")
def album_page(an_album: Album, profiles: list[Profile]) -> Element:
    return parse(html.album_page(an_album, profiles, title="<b>LP</b>", version="9.8.7", date=DATE))


def test_album_headline_and_title(album_page: Element) -> None:
    assert album_page.all("h1")[0].text == "4 of 5 files fail, 1 could not be read"
    assert "<b>LP</b>" in album_page.all("title")[0].text
    assert "<b>LP</b>" in album_page.having("subject")[0].text


def test_album_has_a_row_a_track_with_its_figures(an_album: Album, album_page: Element) -> None:
    rows = album_page.having("stack")[0].all("tbody")[0].all("tr")
    assert len(rows) == len(an_album.tracks) == 5
    for row, track in zip(rows, an_album.tracks, strict=True):
        text = plain(row.text)
        assert text.startswith("alt" if track.number is None else str(track.number))
        assert Path(track.path).name in text
        if track.measurement is None:
            assert "Not read" in text
            continue
        for key in ("integrated_lufs", "true_peak_dbtp"):
            assert QUANTITIES[key].format(track.measurement.values[key]) in text
        assert track.offset_lu is not None
        assert signed(track.offset_lu, "LU") in text
        assert clock(float(track.measurement.values["duration_s"] or 0)) in text
        assert [v.text for v in row.having("v")] == [said.VERDICTS[verdict.result] for verdict in track.verdicts]


def test_album_figures_remarks_joins_and_playback(an_album: Album, album_page: Element) -> None:
    found, text = figures(album_page), plain(album_page.text)
    for key, quantity in ALBUM_QUANTITIES.items():
        shown = [f.shown for v in an_album.verdicts for f in v.findings if f.measure == key]
        assert found[quantity.title] in [quantity.format(an_album.values[key]), *shown], key
    assert an_album.observations
    for remark in an_album.observations:
        names = ", ".join(Path(an_album.tracks[i].path).name for i in remark.tracks)
        assert f"{names}: {observation(remark)}" in text
    assert len(an_album.joins) == 2
    for join in an_album.joins:
        assert join.step_lu is not None
        assert f"{signed(join.step_lu, 'LU')} {join.silence_s:.2f} s" in text
    for track in an_album.tracks:
        for played in track.playback:
            assert QUANTITIES["integrated_lufs"].format(played.plays_lufs) in text
            assert signed(played.gain_db, "dB") in text


def test_album_pictures_name_every_track(an_album: Album, album_page: Element) -> None:
    labels = [plain(e.attributes["aria-label"]) for e in pictures_of(album_page)[:2]]
    for track in an_album.tracks:
        if track.number is None or track.measurement is None:
            continue
        loudness, peak = (track.measurement.values[key] for key in ("integrated_lufs", "true_peak_dbtp"))
        assert f"track {track.number} {loudness:.1f}" in labels[0]
        assert f"track {track.number} {peak:.1f}" in labels[1]
    assert list(drawn_of(album_page, 0).labels_below) == ["1", "2", "3", "4"]


def test_a_column_is_marked_where_a_rule_is_broken_and_not_by_the_picture(tmp_path: Path) -> None:
    """0.05 dB past a limit with a tolerance of 0.1 dB breaks nothing; 0.2 dB does."""
    frames = music(4.0)
    at = float(measurement_of(checked(write(tmp_path / "0.wav", frames), [])).values["true_peak_dbtp"] or 0.0)
    paths = [write(tmp_path / f"{past}.wav", frames * 10.0 ** ((past - 1.0 - at) / 20.0)) for past in (0.05, 0.2)]
    (tmp_path / "own.toml").write_text(
        '[profile]\nname = "own"\ntitle = "Own"\n' + rule("true_peak_dbtp", "max = -1.0\ntolerance = 0.1"),
        encoding="utf-8",
    )
    profiles = loaded(str(tmp_path / "own.toml"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SENDOFF_CACHE", str(tmp_path / "cache"))
        found = album(paths, profiles)
    page = parse(html.album_page(found, profiles, version="9.8.7", date=DATE))
    assert [track.result for track in found.tracks] == ["pass", "fail"]
    columns = [e.attributes["class"] for e in drawn_of(page, 1).svg.all("rect")]
    assert columns == ["column", "column over"]
    assert keys(page, 1) == ["true peak", "breaks a rule", "true peak ≤ -1.0 dBTP, own"]


def test_album_has_every_checksum_and_a_part_for_every_track(an_album: Album, album_page: Element) -> None:
    text = album_page.text
    assert all(track.sha256 in text for track in an_album.tracks if track.sha256)
    assert [e.attributes["id"] for e in album_page.having("track")] == [f"track-{i}" for i in range(1, 6)]
    ids = [e.attributes["id"] for e in album_page.all() if "id" in e.attributes]
    assert len(ids) == len(set(ids))
    assert not [e for e in album_page.all("b", "i") if "two" in e.text]


# The plan's page.


def plan_page(frames: NDArray[np.float64], path: Path, target: float | None) -> tuple[Plan, Element]:
    profile, fitness = loaded("streaming", "premaster")
    premaster = checked(write(path, frames, 44_100, "FLOAT"), [fitness])
    found = plan_signal(InMemory(frames.astype(np.float32), 44_100), (1.0, 1.0), target, -1.0, playback_lufs=-14.0)
    page = html.plan_page(premaster, profile, found, checksums={}, version="9.8.7", date=DATE)
    return found, parse(page)


def test_plan_shows_both_answers_and_their_cost(tmp_path: Path) -> None:
    found, page = plan_page(music(6.0, peak_db=-6.0), tmp_path / "mix.wav", -9.0)
    assert found.need == "limiter"
    assert found.true_peak_limiter is not None
    assert found.sample_peak_limiter is not None
    assert (
        page.all("h1")[0].text == f"{html.gain(found.true_peak_limiter.gain_db, 'dB')} into the limiter for streaming"
    )
    rows = {
        row.all("th")[0].text: [plain(c.text) for c in row.all("td")]
        for row in page.having("settings")[0].all("tr")[1:]
    }
    answers = [found.true_peak_limiter, found.sample_peak_limiter]
    for column, setting in enumerate(answers):
        work, played = setting.gain_reduction, setting.playback
        assert work is not None
        assert played is not None
        assert rows["Gain"][column] == f"{setting.gain_db:+.1f} dB"
        ceiling = f"{setting.ceiling_dbtp:.1f} dBTP" if column == 0 else f"{setting.ceiling_dbfs:.1f} dBFS"
        assert rows["Ceiling"][column] == ceiling
        assert rows["Result"][column] == QUANTITIES["integrated_lufs"].format(setting.result.integrated_lufs)
        assert rows["True peak"][column] == QUANTITIES["true_peak_dbtp"].format(setting.result.true_peak_dbtp)
        assert rows["Gain reduction, maximum"][column] == f"{work.gain_reduction_max_db:.1f} dB"
        assert rows["Gain reduction, 95th percentile"][column] == f"{work.gain_reduction_p95_db:.1f} dB"
        assert rows["Time spent limiting"][column] == f"{work.active_percent:.1f} %"
        assert rows["Gain from playback at -14.0 LUFS".replace("-", "−")][column] == f"{played.gain_db:+.1f} dB"
        for place in work.worst:
            assert f"{clock(place.at_s)} ({place.gain_reduction_db:.1f} dB)" in page.text
    label = next(
        e.attributes["aria-label"] for e in pictures_of(page) if "Gain reduction" in e.attributes["aria-label"]
    )
    deepest = max(s.gain_reduction.gain_reduction_max_db for s in answers if s.gain_reduction)
    assert f"at most {deepest:.1f} dB" in label
    assert "premaster" in page.having("verdict")[0].text


@pytest.mark.parametrize(
    ("level", "target", "headline"),
    [
        (0.0, -14.0, "Nothing to plan for streaming"),
        (1.0, -30.0, "Turn it down for streaming"),
        (0.05, -35.0, "Gain alone is enough for streaming"),
        (1.0, None, "{room:+.1f} dB up to the peak limit of streaming"),
    ],
)
def test_plan_without_a_limiter(tmp_path: Path, level: float, target: float | None, headline: str) -> None:
    found, page = plan_page(level * music(4.0), tmp_path / "mix.wav", target)
    room = -1.0 - (found.premaster.true_peak_dbtp or 0.0)
    assert plain(page.all("h1")[0].text) == headline.format(room=room)
    for line in plan_words.without_settings(found):
        assert line in plain(page.text)


def test_peaks_pinned_have_a_bar_as_long_as_their_figure(faulty: Checked, profiles: list[Profile]) -> None:
    measured = measurement_of(faulty)
    values = measured.values | {"pinned_left_percent": 42.04, "pinned_side_percent": 0.0}
    page = parse(page_of([replace(faulty, measurement=replace(measured, values=values))], profiles))
    bars = {row.having("q")[0].text: row.having("share") for row in page.all("tr") if row.having("q")}
    assert bars["Peaks pinned, left"][0].all("i")[0].attributes["style"] == "width:42.0%"
    assert bars["Peaks pinned, sides"][0].all("i")[0].attributes["style"] == "width:0.0%"
    assert figures(page)["Peaks pinned, left"] == "42.0 %"


# The pair's page.


@pytest.fixture(scope="module")
def pair(faulty: Checked, tmp_path_factory: pytest.TempPathFactory) -> Comparison:
    """A comparison with figures of the test's own."""
    path = write(tmp_path_factory.mktemp("pair") / "mix <b>.wav", music(10.0, peak_db=-9.0))
    after, before = measurement_of(faulty), measurement_of(checked(path, []))
    level = np.linspace(-0.8, 0.8, 41)
    nothing: NDArray[np.float64] = np.zeros(0)
    sides = (
        SideSaturation("left", -1.9, 3.21, 3.3, 0.84, None, -31.4, 12.5, level, np.tanh(level)),
        SideSaturation("right", -2.0, 0.02, 0.9, 0.0, None, -48.2, 0.1, level, level),
        SideSaturation("mid", -2.1, 0.01, 1.7, 0.0, -0.2, -41.0, 0.0, level, level),
        SideSaturation("side", None, None, None, None, None, None, None, nothing, nothing),
    )
    curve = np.full(1000, 0.25)
    curve[:100] = np.nan  # nothing plays there
    curve[640] = 4.4
    bands = [Band(hz, 2.0 if hz == 8000.0 else 0.5, None if hz > 16_000.0 else -1.0) for hz in BANDS_HZ]
    bands[0] = Band(25.0, None, None)
    changed = Change(-17.3, 0.1, tuple(bands), 4.4, 0.25, (Place(6.4, 4.4),), 0.01, curve)
    alignment = Alignment(0.0125, 551.25, True, 5.9, 0.93, 9.98, 44_100, 48_000)
    keys = ("integrated_lufs", "crest_db", "true_peak_dbtp", "correlation", "side_to_mid_db", "mono_loss_lu")
    differences: dict[str, float | None] = {
        key: float(after.values[key] or 0.0) - float(before.values[key] or 0.0) for key in keys
    }
    saturation = PairSaturation("left_right", sides)
    return Comparison(before, after, alignment, changed, saturation, differences, (Remark("swapped"),))


@pytest.fixture(scope="module")
def pair_page(pair: Comparison, faulty: Checked, profiles: list[Profile]) -> Element:
    return parse(html.compare_page(pair, faulty.verdicts, profiles, checksums={}, version="9.8.7", date=DATE))


def test_pair_says_first_what_was_done(pair: Comparison, pair_page: Element) -> None:
    louder, crest = pair.differences["integrated_lufs"], pair.differences["crest_db"]
    assert louder is not None
    assert crest is not None
    headline = f"{signed(louder, 'LU')} of loudness, {signed(crest, 'dB')} of crest factor"
    assert plain(pair_page.all("h1")[0].text) == headline
    text = plain(pair_page.text)
    for line in (*pair_words.summary(pair), *pair_words.notes(pair)):
        assert line in text
    assert "mix <b>.wav" in text


def test_pair_before_and_after(pair: Comparison, pair_page: Element) -> None:
    table = pair_page.having("differences")[0]
    rows = {row.all("th")[0].text: [plain(c.text) for c in row.all("td")] for row in table.all("tr")[1:]}
    for key, difference in pair.differences.items():
        before, after, changed = rows[QUANTITIES[key].title]
        assert before == QUANTITIES[key].format(pair.premaster.values[key])
        assert after == QUANTITIES[key].format(pair.master.values[key])
        assert difference is not None
        assert float(changed.split()[0]) == pytest.approx(difference, abs=0.5 * 10.0 ** -QUANTITIES[key].decimals)
    assert rows["Residual after subtracting the premaster"][-1] == "-17.3 dB"


def test_pair_tells_saturation_a_side_at_a_time(pair_page: Element) -> None:
    table = next(t for t in pair_page.all("table") if "Distortion (THD)" in t.text)
    rows = {row.all("th")[0].text: [plain(c.text) for c in row.all("td")] for row in table.all("tr")[1:]}
    assert rows["Left"] == ["3.21 %", "", "0.8 dB", "–", "-1.9 dBFS", "-31.4 dB"]
    assert rows["Right"] == ["0.02 %", "", "0.0 dB", "–", "-2.0 dBFS", "-48.2 dB"]
    assert rows["Mid"] == ["0.01 %", "", "0.0 dB", "-0.2 dBFS", "-2.1 dBFS", "-41.0 dB"]
    assert rows["Sides"] == ["–", "", "–", "–", "–", "–"]
    bars = [e.all("i")[0].attributes["style"] for e in table.having("share")]
    assert bars == ["width:100.0%", "width:0.6%", "width:0.3%"]
    assert "It was done to left and right." in pair_page.text


@pytest.mark.parametrize(("percent", "clip"), [(0.2, None), (0.7, None), (0.2, -3.0)])
def test_pair_page_says_one_thing_of_saturation(pair: Comparison, percent: float, clip: float | None) -> None:
    """One decision for the summary, the table and the line above it."""
    left, right, mid, side = pair.saturation.sides
    left = replace(left, thd_percent=percent, clip_dbfs=clip, residual_db=-50.0)
    sides = (left, right, replace(mid, clip_dbfs=None), side)
    found = replace(pair, saturation=PairSaturation("left_right", sides))
    text = parse(html.compare_page(found, (), (), checksums={}, version="9.8.7", date=DATE)).text
    saturated = sides[0].saturated
    assert saturated == (percent > 0.3 or clip is not None)
    assert ("No saturation found" in text or "no saturation found" in text) == (not saturated)
    assert ("It was done to" in text) == saturated


def test_pair_pictures(pair_page: Element) -> None:
    drawn = pictures_of(pair_page)[:3]
    labels = [plain(e.attributes["aria-label"]) for e in drawn]
    assert "Left, Right, Mid:" in labels[0], "the silent sides have no curve"
    assert labels[1] == "Change of the spectrum in third octaves. Most, level: +2.0 dB at 8 kHz."
    assert labels[2] == "Gain reduction over time, at most 4.4 dB."
    assert "0:06.400 (4.4 dB)" in pair_page.text
    gain = drawn_of(pair_page, 2)
    (curve,) = gain.curves("line")
    seconds = gain.seconds(curve[:, 0])
    assert seconds.min() == pytest.approx(1.0, abs=0.02), "nothing is drawn where nothing plays"
    deepest = curve[np.argmax(curve[:, 1])]
    assert gain.seconds(deepest[0]) == pytest.approx(6.4, abs=0.02)
    assert gain.level(deepest[1]) == pytest.approx(-4.4, abs=0.02)
    assert gain.seconds(gain.marks("point up")[0][0]) == pytest.approx(6.4, abs=0.01)


def test_pair_without_profiles_or_curves(pair: Comparison) -> None:
    quiet = replace(pair.change, gain_reduction_db=np.full(10, np.nan), worst=(), gain_reduction_max_db=None)
    bare = replace(pair, change=quiet, saturation=PairSaturation(None, pair.saturation.sides[3:]))
    page = parse(html.compare_page(bare, (), (), checksums={}, version="9.8.7", date=DATE))
    assert "Compared" in page.having("seal")[0].text
    assert len(page.having("verdict")) == 0
    assert len(pictures_of(page)) == 1 + 3 + 3  # the spectrum's change, and those of both files
