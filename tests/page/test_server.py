"""What the page answers, to itself and to those who should not ask."""

import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from master_check.judgement.checked import check
from master_check.page import guard
from master_check.page.session import safe_name
from master_check.report.html import environment
from tests.page.server import Served, serving
from tests.signals import RATE, programme, write


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("page")
    master = programme(6.0, seed=4)
    write(folder / "master.wav", np.clip(1.4 * master / np.abs(master).max(), -1.0, 1.0))
    return folder


@pytest.fixture(scope="module")
def served(folder: Path) -> Iterator[Served]:
    with serving([folder / "master.wav"], ["streaming"]) as served:
        served.settled()
        yield served


def test_the_verdict_is_that_of_check(served: Served, folder: Path) -> None:
    measurement, (verdict,) = check(folder / "master.wav", "streaming")
    (row,) = served.settled()["files"]
    assert (row["result"], row["name"]) == (verdict.result, "master.wav")
    assert row["integrated"].replace("\u2212", "-") == f"{measurement.values['integrated_lufs']:.1f} LUFS"
    part = served.get("files/1/part").decode()
    broken = [finding for finding in verdict.broken() if finding.at_s is not None]
    assert broken
    for finding in broken:
        assert f'data-at="{finding.at_s}"' in part
        assert finding.quantity.title in part
    # The same drawing as in the report: its macro for a verdict, with nothing added.
    report = environment().get_template("parts.html").module.against  # type: ignore[attr-defined]
    assert str(report(verdict)).split("<table")[0].strip() in part


def test_its_sound_is_that_of_the_file(served: Served, folder: Path) -> None:
    samples, _ = soundfile.read(folder / "master.wav", dtype="float32", always_2d=True)
    found = np.frombuffer(served.get("sounds/1?start=1000&stop=4000"), "<f4").reshape(2, -1)
    np.testing.assert_array_equal(found, samples[1000:4000].T)
    last = np.frombuffer(served.get(f"sounds/1?start={len(samples) - 5}&stop={len(samples) + 100}"), "<f4")
    np.testing.assert_array_equal(last.reshape(2, -1), samples[-5:].T)


def test_a_dropped_file_is_measured_and_goes_when_it_is_closed(served: Served, folder: Path) -> None:
    dropped = {"Origin": f"http://127.0.0.1:{served.port}"}
    body = (folder / "master.wav").read_bytes()
    path = f"/{served.token}/files?name=..%2F..%2Fevil%2Fname.wav"
    status, answer, _ = served.ask(path, "POST", body, dropped)
    number = json.loads(answer)["number"]
    rows = {row["number"]: row for row in served.settled()["files"]}
    assert status == 200
    assert rows[number]["name"] == "name.wav"
    assert rows[number]["integrated"] == rows[1]["integrated"]
    kept = list(Path(tempfile.gettempdir()).glob("sendoff-listen-*/*/name.wav"))
    assert [path.read_bytes() for path in kept] == [body]
    assert served.post(f"files/{number}/close", {})[0] == 200
    assert not kept[0].exists()
    assert (folder / "master.wav").read_bytes() == body


def test_what_is_no_sound_says_so(served: Served) -> None:
    own = {"Origin": f"http://127.0.0.1:{served.port}"}
    _, answer, _ = served.ask(f"/{served.token}/files?name=notes.txt", "POST", b"not sound", own)
    number = json.loads(answer)["number"]
    row = next(row for row in served.settled()["files"] if row["number"] == number)
    assert row["state"] == "failed"
    assert "not a sound file" in row["error"]
    assert b"Not read" in served.get(f"files/{number}/part")
    served.post(f"files/{number}/close", {})


def test_the_report_is_that_of_check(served: Served) -> None:
    status, page, headers = served.ask(f"/{served.token}/report")
    assert status == 200
    assert "attachment" in headers["content-disposition"]
    assert b"Delivery report" in page
    assert b"<script" not in page


# Those who should not ask


def refused(served: Served, path: str, expected: int, method: str = "GET", **headers: str) -> None:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    status, body, answered = served.ask(path, method, b"{}" if method == "POST" else None, named)
    assert status == expected, body
    assert b"Traceback" not in body
    assert "default-src 'none'" in answered.get("content-security-policy", "default-src 'none'")


def test_without_the_token_nothing_is_there(served: Served) -> None:
    for path in ("/", "/state", f"/{served.token[:-1]}/state", f"/{served.token}x/state", "//state", "/%C3%A9/state"):
        refused(served, path, 404)


def test_another_host_name_is_turned_away(served: Served) -> None:
    """A name that someone else makes lead here (DNS rebinding)."""
    for host in ("example.org", f"example.org:{served.port}", "127.0.0.1", f"127.0.0.1:{served.port}.example.org", ""):
        refused(served, f"/{served.token}/state", 403, Host=host)


def test_another_page_is_turned_away(served: Served) -> None:
    for origin in ("http://example.org", "null", f"https://127.0.0.1:{served.port}", "http://127.0.0.1:1"):
        refused(served, f"/{served.token}/state", 403, Origin=origin)
        refused(served, f"/{served.token}/album", 403, "POST", Origin=origin)
    refused(served, f"/{served.token}/album", 403, "POST")  # no page of ours sends nothing
    refused(served, f"/{served.token}/state", 403, Sec_Fetch_Site="cross-site")


@pytest.mark.parametrize(
    "path",
    [
        "sounds/..%2F..%2Fetc%2Fpasswd?start=0&stop=1",
        "sounds/%2Fetc%2Fpasswd?start=0&stop=1",
        "sounds/99?start=0&stop=1",
        "sounds/pair?start=0&stop=1",
        "files/99/part",
        "files/1/tiles/secret/0/0",
        "files/1/tiles/waveform/99/0",
        "profiles/..%2Fx",
    ],
)
def test_only_what_was_opened_is_served(served: Served, path: str) -> None:
    status, body, _ = served.ask(f"/{served.token}/{path}")
    assert status in (400, 404, 409), body


@pytest.mark.parametrize(
    "path", ["assets/..%2Fapp.py", "assets/%2e%2e/app.py", "assets/../app.py", "files/-1/part", "nothing"]
)
def test_paths_lead_nowhere_else(served: Served, path: str) -> None:
    refused(served, f"/{served.token}/{path}", 404)


@pytest.mark.parametrize("query", ["", "?start=-1&stop=5", "?start=0&stop=99999999", "?start=a&stop=b", "?start=0"])
def test_sound_comes_in_bounded_pieces(served: Served, query: str) -> None:
    status, body, _ = served.ask(f"/{served.token}/sounds/1{query}")
    if query == "?start=0&stop=99999999":  # as much as there is, which is less than ten seconds
        assert (status, len(body)) == (200, 6 * RATE * 2 * 4)
    else:
        assert status == 400


def test_a_request_that_is_too_large_is_refused(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    own = {"Origin": f"http://127.0.0.1:{served.port}"}
    most = guard.MOST_BYTES
    assert served.ask(f"/{served.token}/album", "POST", b"", own | {"Content-Length": str(most + 1)})[0] == 413
    assert served.ask(f"/{served.token}/album", "POST", b"", own | {"Content-Length": "many"})[0] in (400, 413)
    large = str(guard.MOST_FILE_BYTES + 1)
    assert served.ask(f"/{served.token}/files?name=a.wav", "POST", b"", own | {"Content-Length": large})[0] == 413
    # One that does not say how long it is, in pieces (RFC 9112, section 7.1).
    monkeypatch.setattr(guard, "MOST_FILE_BYTES", 1000)
    with socket.create_connection(("127.0.0.1", served.port), 10) as connection:
        head = f"POST /{served.token}/files?name=a.wav HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\n"
        head += f"Origin: http://127.0.0.1:{served.port}\r\nTransfer-Encoding: chunked\r\n\r\n"
        connection.sendall(head.encode() + 2 * (b"300\r\n" + 0x300 * b"x" + b"\r\n") + b"0\r\n\r\n")
        assert connection.recv(100).startswith(b"HTTP/1.1 413")
    assert not list(Path(tempfile.gettempdir()).glob("sendoff-listen-*/*/a.wav"))


def test_json_that_is_none_is_refused(served: Served) -> None:
    own = {"Origin": f"http://127.0.0.1:{served.port}"}
    for path in ("pair", "plan", "profiles/chosen", "profiles/faults", "profiles/save"):
        for body in (b"", b"[]", b"{", b'{"names": 3}', b"[" * 5000):
            status, answer, _ = served.ask(f"/{served.token}/{path}", "POST", body, own)
            assert status in (400, 409), (path, body, answer)


def test_no_socket_is_opened(served: Served) -> None:
    asked = {"Connection": "Upgrade", "Upgrade": "websocket", "Sec-WebSocket-Key": "x", "Sec-WebSocket-Version": "13"}
    status, _, _ = served.ask(f"/{served.token}/socket", headers=asked)
    assert status in (400, 403, 404)


def test_every_answer_says_what_the_page_may_do(served: Served) -> None:
    for path in ("", "assets/page.js", "state", "files/1/part"):
        headers = served.ask(f"/{served.token}/{path}")[2]
        assert "script-src 'self'" in headers["content-security-policy"]
        assert "unsafe-inline" not in headers["content-security-policy"].replace("style-src-attr 'unsafe-inline'", "")
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"
    assert b"http" not in served.get("").replace(b"http-equiv", b"")  # nothing from elsewhere


@pytest.mark.parametrize(
    ("name", "kept"),
    [("a.wav", "a.wav"), ("../../b.wav", "b.wav"), ("c:\\d\\e.wav", "e.wav"), ("", "sound"), ("..", "sound"),
     ("x\n\x00.wav", "x__.wav"), ("n" * 400 + ".flac", "n" * 195 + ".flac"), ("\u00e9" * 300, "\u00e9" * 100)],
)  # fmt: skip
def test_names_of_dropped_files_are_no_paths(name: str, kept: str) -> None:
    assert safe_name(name) == kept


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_it_prints_the_address_first_and_cleans_up(how: signal.Signals, tmp_path: Path, folder: Path) -> None:
    words = [sys.executable, "-m", "master_check", "listen", str(folder / "master.wav"), "--no-browser"]
    environment = os.environ | {"TMPDIR": str(tmp_path)}
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment, text=True) as process:
        assert process.stdout and process.stderr
        served = Served(process.stdout.readline().strip())
        assert served.address.startswith("http://127.0.0.1:")
        served.settled()
        assert list(tmp_path.glob("sendoff-listen-*"))
        process.send_signal(how)
        assert process.wait(20) == (130 if how == signal.SIGINT else 0)
        assert process.stderr.read() == ("sendoff: stopped\n" if how == signal.SIGINT else "")
    assert list(tmp_path.iterdir()) == []
