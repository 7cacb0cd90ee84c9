"""Bad input by name: what the design promises for each kind of it. `tests/fuzz` has the kinds nobody thought of."""

import json
import os
import signal
import socket
import struct
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from master_check.measurement.one_pass import measure
from master_check.output import OutputError, write_whole
from master_check.sound.format import AudioError
from tests.fuzz.harness import Answer, Command, Word, digests, faults_of_check, faults_of_end, needs_fork, obeyed, shown
from tests.fuzz.mutations import PROFILE, Seed, seeds

pytestmark = needs_fork

NOBODY = 65534
is_root = pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() != 0, reason="becomes another user, which only root can"
)


@pytest.fixture(scope="module")
def command(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Command]:
    with Command(tmp_path_factory.mktemp("bad")) as command:
        yield command


@pytest.fixture(scope="module")
def good(command: Command) -> Path:
    path = command.folder / "good.wav"
    path.write_bytes(Seed("WAV", "PCM_24", 2, 48_000).data())
    return path


def sendoff(
    *words: Word, stdout: Any = subprocess.PIPE, stderr: Any = subprocess.PIPE, env: dict[str, str] | None = None
) -> "subprocess.CompletedProcess[bytes]":
    """The real thing: a process of its own, with pipes."""
    command: list[Word] = [sys.executable, "-m", "master_check", *words]
    return subprocess.run(command, stdout=stdout, stderr=stderr, env=env, timeout=120, check=False)


# --- headers, written by hand ---


def wav(
    channels: int = 2,
    rate: int = 48_000,
    bits: int = 16,
    tag: int = 1,
    data: bytes = bytes(19_200),
    size: int | None = None,
) -> bytes:
    """A WAV file of 44 bytes of header (RIFF specification of 1991, WAVE form), true or not."""
    align = channels * bits // 8
    fmt = struct.pack("<HHIIHH", tag, channels, rate, rate * align & 0xFFFFFFFF, align & 0xFFFF, bits)
    size = len(data) if size is None else size
    return (
        b"RIFF"
        + struct.pack("<I", 36 + len(data))
        + b"WAVEfmt \x10\0\0\0"
        + fmt
        + b"data"
        + struct.pack("<I", size)
        + data
    )


def floats(value: float) -> bytes:
    """A float WAV of half a second, `value` in frame 10000 of its right channel."""
    samples = np.full((24_000, 2), 0.1, "<f4")
    samples[10_000, 1] = value
    return wav(bits=32, tag=3, data=samples.tobytes())


def patched(container: str, encoding: str, mark: bytes, offset: int, new: bytes) -> bytes:
    """A good file with `new` written `offset` bytes after where `mark` begins."""
    seed = next(s for s in seeds() if (s.container, s.encoding) == (container, encoding))
    data = bytearray(seed.data())
    at = data.index(mark) + offset
    data[at : at + len(new)] = new
    return bytes(data)


RANDOM = np.random.default_rng(1).bytes(20_000)
HUGE = 2**62

WRONG: dict[str, tuple[bytes, str]] = {
    "empty.wav": (b"", "is empty"),
    "text.wav": (b"not sound at all\n" * 100, "not a sound file"),
    "zeros.wav": (bytes(5000), "not a sound file"),
    "random.au": (RANDOM, "not a sound file"),
    "random.snd": (RANDOM, "not a sound file"),
    "random.raw": (RANDOM, "not a sound file"),
    "random.vox": (RANDOM, "not a sound file"),
    "random.mp3": (RANDOM, "not a sound file"),
    "header only.wav": (b"RIFF", "not a sound file"),
    "no data chunk.wav": (wav()[:36], "No 'data' chunk"),
    "data of zero bytes.wav": (wav(data=b""), "holds no samples"),
    "less than a frame.wav": (wav(data=b"\0\0"), "holds no samples"),
    "0 channels.wav": (wav(channels=0), "Channel count is zero"),
    "255 channels.wav": (wav(channels=255, data=bytes(510 * 480)), "255 channels, outside 1 to 128"),
    "65535 channels.wav": (wav(channels=65535), "Too many channels"),
    "0 channels.aif": (patched("AIFF", "PCM_16", b"COMM", 8, b"\0\0"), "Bad channel count"),
    "255 channels.au": (patched("AU", "PCM_16", b".snd", 20, b"\0\0\0\xff"), "255 channels"),
    "0 Hz.wav": (wav(rate=0), "a sample rate of 0 Hz"),
    "1 Hz.wav": (wav(rate=1), "a sample rate of 1 Hz"),
    "384001 Hz.wav": (wav(rate=384_001), "a sample rate of 384001 Hz"),
    "2^31-1 Hz.wav": (wav(rate=2**31 - 1), "a sample rate of 2147483647 Hz"),
    "2^31 Hz.wav": (wav(rate=2**31), "a sample rate of 2147483648 Hz"),
    "0 Hz.flac": (patched("FLAC", "PCM_16", b"fLaC", 18, b"\0\0\2"), "no usable sample rate"),
    "NaN Hz.caf": (patched("CAF", "PCM_16", b"desc", 12, struct.pack(">d", float("nan"))), "no usable sample rate"),
    "0 bits.wav": (wav(bits=0), "unimplemented format"),
    "65535 bits.wav": (wav(bits=65535), "unimplemented format"),
    "2 GB promised.wav": (wav(size=2**31 - 1), "cut short: 2147483647 bytes expected, 19200 found"),
    "2^62 bytes.rf64": (patched("RF64", "PCM_24", b"ds64", 16, struct.pack("<Q", HUGE)), f"cut short: {HUGE} bytes"),
    "2^62 in all.rf64": (patched("RF64", "PCM_24", b"ds64", 8, struct.pack("<QQQ", HUGE, HUGE, HUGE)), "cut short"),
    "2^62 bytes.w64": (patched("W64", "PCM_24", b"data", 16, struct.pack("<Q", HUGE)), f"cut short: {HUGE - 24} bytes"),
    "2^62 bytes.caf": (patched("CAF", "PCM_16", b"data", 4, struct.pack(">Q", HUGE)), f"cut short: {HUGE} bytes"),
    "2^36 frames.flac": (patched("FLAC", "PCM_16", b"fLaC", 22, b"\xff" * 4), "cut short: 42949"),
    "NaN.wav": (floats(float("nan")), "a sample at 0:00.208 (frame 10000) is not a number"),
    "infinity.wav": (floats(float("inf")), "a sample at 0:00.208 (frame 10000) is out of range: infinite, or more"),
    "minus infinity.wav": (
        floats(float("-inf")),
        "a sample at 0:00.208 (frame 10000) is out of range: infinite, or more",
    ),
    "1e300.wav": (
        wav(bits=64, tag=3, data=np.full((4800, 2), 1e300, "<f8").tobytes()),
        "a sample at 0:00.000 (frame 0) is out of range: infinite, or more than 770 dB above full scale",
    ),
    "1e13.wav": (floats(1e13), "a sample at 0:00.208 (frame 10000) is 260 dB above full scale"),
    "no name for it.sds": (b"\xf0\x7e\0\1" + bytes(4000), "not a sound file"),
}


@pytest.fixture(scope="module")
def refused(command: Command, good: Path) -> dict[str, str]:
    """The line of every file of `WRONG`, all checked in one call; the good one between them is measured."""
    folder = command.folder / "wrong"
    folder.mkdir()
    paths = [folder / name for name in WRONG]
    for path in paths:
        path.write_bytes(WRONG[path.name][0])
    alone = json.loads(command("check", "--json", good).stdout)["files"][0]["measures"]
    before = digests([*paths, good])
    answer = command("check", "--json", *paths[:10], good, *paths[10:])
    assert faults_of_check(answer, [*paths[:10], good, *paths[10:]], {good: alone}) == []
    assert digests([*paths, good]) == before
    return {path.name: line.removeprefix(f"sendoff: {path}: ") for path, line in zip(paths, answer.lines, strict=True)}


@pytest.mark.parametrize("name", WRONG)
def test_each_wrong_file_gets_a_line_that_says_what_is_wrong(refused: dict[str, str], name: str) -> None:
    assert WRONG[name][1] in refused[name]


def test_a_real_process_answers_the_same(tmp_path: Path, good: Path) -> None:
    (tmp_path / "nan.wav").write_bytes(floats(float("nan")))
    done = sendoff("check", tmp_path / "nan.wav", good, "-p", "cd")
    assert done.returncode == 2
    message = "a sample at 0:00.208 (frame 10000) is not a number; export it again"
    assert done.stderr.decode() == f"sendoff: {tmp_path / 'nan.wav'}: {message}\n"
    assert b"good.wav" in done.stdout


# --- cut short, and what only looks like it ---

LOSSLESS_ENDS = [s for s in seeds(rare=False) if s.container != "MP3"]


@pytest.mark.parametrize("seed", LOSSLESS_ENDS, ids=lambda seed: seed.name)
def test_a_file_cut_short_is_never_measured_as_if_it_were_whole(seed: Seed, tmp_path: Path) -> None:
    path = tmp_path / "cut"
    whole = seed.data()
    path.write_bytes(whole)
    assert measure(path).values["duration_s"] == pytest.approx(0.5)
    for kept in (0.2, 0.5, 0.9, 0.99):
        path.write_bytes(whole[: int(len(whole) * kept)])
        with pytest.raises(AudioError, match="damaged after 0:00" if seed.container == "FLAC" else ": cut short: "):
            measure(path)


def test_an_mp3_that_lost_more_than_a_hundredth_is_cut_short(tmp_path: Path) -> None:
    samples = 0.1 * np.random.default_rng(3).standard_normal((20 * 44_100, 2))
    path = tmp_path / "a.mp3"
    soundfile.write(path, samples, 44_100, format="MP3", subtype="MPEG_LAYER_III")
    whole = path.read_bytes()
    assert measure(path).values["duration_s"] == pytest.approx(20.0)
    path.write_bytes(whole[: int(0.95 * len(whole))])
    with pytest.raises(AudioError, match="cut short"):
        measure(path)


def test_a_flac_written_into_a_pipe_does_not_know_its_length(tmp_path: Path) -> None:
    """Total samples of 0 mean unknown (RFC 9639, section 8.2)."""
    whole = bytearray(Seed("FLAC", "PCM_16", 2, 44_100).data())
    (tmp_path / "whole.flac").write_bytes(whole)
    whole[21] &= 0xF0
    whole[22:26] = bytes(4)
    (tmp_path / "pipe.flac").write_bytes(whole)
    assert measure(tmp_path / "pipe.flac").values == measure(tmp_path / "whole.flac").values


@pytest.mark.parametrize("size", [0, 0xFFFFFFFF])
def test_a_wav_written_into_a_pipe_says_all_ones(tmp_path: Path, size: int) -> None:
    """Common practice of programs that cannot go back to write the size; 0 means that the program never came to."""
    (tmp_path / "a.wav").write_bytes(wav(size=size))
    if size:
        assert measure(tmp_path / "a.wav").values["duration_s"] == 0.1
    else:
        with pytest.raises(AudioError, match="says that it holds no sound, but 19200 bytes follow"):
            measure(tmp_path / "a.wav")


@pytest.mark.parametrize("seed", seeds(rare=False), ids=lambda seed: seed.name)
def test_a_tag_behind_the_sound_changes_nothing(seed: Seed, tmp_path: Path) -> None:
    """Programs append ID3v1 (a "TAG" of 128 bytes) to files of any kind (common practice)."""
    for name, data in (("plain", seed.data()), ("tagged", seed.data() + b"TAG" + b"title".ljust(125, b"\0"))):
        (tmp_path / name).write_bytes(data)
    assert measure(tmp_path / "tagged").values == measure(tmp_path / "plain").values


def test_a_name_cannot_pass_for_a_header(tmp_path: Path) -> None:
    path = tmp_path / "Length : 9\nriff : 99999 (should be 5)\ndata : 999999 (should be 5)"
    path.write_bytes(wav())
    assert measure(path).values["duration_s"] == 0.1


# --- files that change while they are read ---


@pytest.mark.parametrize(
    "change",
    [lambda path: os.truncate(path, 200_000), lambda path: path.write_bytes(b"")],
    ids=["shrinks", "is emptied"],
)
def test_a_file_that_shrinks_while_it_is_read_is_cut_short(tmp_path: Path, change: Callable[[Path], None]) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(wav(data=bytes(4 * 48_000 * 5)))
    with pytest.raises(AudioError, match=r"cut short: 240000 frames expected, sound ends at 0:0\d"):
        measure(path, progress=lambda share: change(path))


@pytest.mark.parametrize("change", ["grows", "vanishes"])
def test_a_file_that_vanishes_or_grows_while_it_is_read_is_refused(tmp_path: Path, change: str) -> None:
    """What was hashed would not be what was measured."""
    path = tmp_path / "a.wav"
    path.write_bytes(wav(data=RANDOM * 50))

    def changed(share: float) -> None:
        if change == "vanishes":
            path.unlink(missing_ok=True)
        else:
            path.write_bytes(path.read_bytes() + bytes(1000))

    with pytest.raises(AudioError, match="changed while it was being measured"):
        measure(path, progress=changed)


# --- what is there but is no file to read ---


def one_line(answer: Answer, path: str | bytes | Path, words: str) -> None:
    assert faults_of_end(answer) == []
    assert answer.status == 2
    (line,) = answer.lines
    assert line.startswith(f"sendoff: {shown(path)}: ") and words in line, line


def test_things_that_are_no_files(command: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    (tmp_path / "nowhere").symlink_to(tmp_path / "nothing")
    (tmp_path / "folder.wav").mkdir()
    with socket.socket(socket.AF_UNIX) as server:
        monkeypatch.chdir(tmp_path)
        server.bind("socket")  # by a short name: the path of one may have 108 bytes
    for name, words in {
        "pipe": "is not a regular file",
        "socket": "is not a regular file",
        "loop": "cannot be opened (Too many levels of symbolic links)",
        "nowhere": "no such file",
        "folder.wav": "is a folder",
        "n" * 256: "cannot be opened (File name too long)",
        "folder.wav/x": "no such file",
        "loop/x": "cannot be opened",
    }.items():
        one_line(command("check", tmp_path / name, seconds=5.0), tmp_path / name, words)


@pytest.mark.parametrize("device", ["/dev/zero", "/dev/full", "/dev/urandom"])
def test_input_without_end(command: Command, device: str) -> None:
    if not Path(device).exists():
        pytest.skip(f"there is no {device} here")
    one_line(command("check", device, seconds=5.0), device, "is not a regular file")


def open_to_all(folder: Path) -> None:
    """Let other users reach a folder of the tests; no other folder is touched."""
    for own in (folder, *folder.parents):
        mode = own.stat().st_mode
        if mode & 0o005 != 0o005:
            if "pytest" not in str(own):
                pytest.skip(f"{own} is closed to other users")
            own.chmod(mode | 0o055)


@is_root
def test_no_permission(command: Command, good: Path, tmp_path: Path) -> None:
    open_to_all(command.folder)
    open_to_all(tmp_path)
    good.chmod(0o644)
    path = tmp_path / "mine.wav"
    path.write_bytes(wav())
    path.chmod(0)
    answer = command("check", path, good, user=NOBODY)
    one_line(answer, path, "no permission to read it")
    assert b"good.wav" in answer.stdout
    (tmp_path / "closed").mkdir(mode=0)
    one_line(
        command("check", tmp_path / "closed" / "a.wav", user=NOBODY), tmp_path / "closed" / "a.wav", "no permission"
    )


# --- names ---

NAMES = [
    b"with space.wav",
    b" .wav",
    b"-p",
    b"--json",
    b"-",
    "emoji \N{FIRE}\N{ZERO WIDTH JOINER}\N{FIRE}.wav".encode(),
    b"line\nfeed.wav",
    b"return\rback\x08space.wav",
    b"colour \x1b[31m title \x1b]0;x\x07.wav",
    "c1 \x9b31m next line \x85 separator \u2028.wav".encode(),
    "abc\N{RIGHT-TO-LEFT OVERRIDE}vaw.exe \N{RIGHT-TO-LEFT ISOLATE}.wav".encode(),
    "zero\N{ZERO WIDTH SPACE}width \N{ZERO WIDTH NO-BREAK SPACE}.wav".encode(),
    b"<script>alert(1)<%2fscript>.wav",
    b"[bold red]markup[/].wav".replace(b"/", b"%"),
    b"%s%n{0}$(id)`id`.wav",
    b"not utf-8 \xff\xfe\xc3(.wav",
    "n\N{COMBINING TILDE}.wav".encode(),
    b"n" * 255,
    "\N{FIRE}".encode() * 63,
    b"=1+1.wav",
]


def unicode(name: str) -> str:
    """A name as JSON has it: what of it is not UTF-8 as escapes."""
    return os.fsencode(name).decode("utf-8", "backslashreplace")


@pytest.fixture(scope="module")
def named(command: Command) -> list[Path]:
    folder = command.folder / "names"
    folder.mkdir()
    paths = []
    for name in NAMES:
        path = folder / os.fsdecode(name)
        try:
            path.write_bytes(wav())
        except (OSError, ValueError):  # this file system takes no such name
            continue
        paths.append(path)
    assert len(paths) > len(NAMES) // 2
    return paths


@pytest.mark.parametrize("form", [[], ["--json"], ["--csv"], ["--all", "-p", "cd"]], ids=" ".join)
def test_any_name_is_measured_and_says_nothing_to_the_terminal(
    command: Command, named: list[Path], form: list[str]
) -> None:
    answer = command("check", *form, "--", *(path.name for path in named), folder=str(named[0].parent))
    assert answer.status == (1 if "cd" in form else 0), answer.lines
    assert faults_of_end(answer) == [] and answer.lines == []
    text = answer.stdout.decode()
    if form == ["--json"]:
        assert [file["path"] for file in json.loads(text)["files"]] == [unicode(path.name) for path in named]
    elif not form:
        for path in named:  # folded where too long for the line
            assert shown(path.name) in "".join(line.strip() for line in text.splitlines()) or len(path.name) > 60


def test_any_name_that_is_not_there_is_one_line(command: Command, named: list[Path]) -> None:
    missing = [f"{os.fsdecode(name)[:200]}?" for name in NAMES]
    answer = command("check", "--", *missing)
    assert answer.status == 2
    assert answer.lines == [f"sendoff: {shown(name)}: no such file" for name in missing]


@pytest.mark.parametrize("form", [[], ["--json"]], ids=" ".join)
def test_an_album_of_any_names(command: Command, named: list[Path], tmp_path: Path, form: list[str]) -> None:
    cache = {"XDG_CACHE_HOME": str(tmp_path / "cache")}
    folder = tmp_path / "album"
    folder.mkdir()
    tracks = [path.name for path in named if path.suffix == ".wav"]
    for name in tracks:
        (folder / name).write_bytes(wav())
    answer = command("album", *form, folder, environment=cache)
    assert faults_of_end(answer) == [] and answer.lines == [] and answer.status == 0
    if form:
        files = json.loads(answer.stdout)["files"]
        assert {Path(file["path"]).name for file in files} == {unicode(name) for name in tracks}


def test_words_for_the_program_itself(command: Command) -> None:
    for words in (["--no\x1b[31m"], ["check", "--no\nsuch"], ["che\u202eck"], ["check", "a", "--threads", "0\x07"]):
        answer = command(*words)
        assert faults_of_end(answer) == []
        assert (answer.status, len(answer.lines)) == (2, 1), answer.lines


# --- C libraries ---


def test_what_decoders_print_is_not_heard(tmp_path: Path) -> None:
    path = tmp_path / "a.mp3"
    data = bytearray(Seed("MP3", "MPEG_LAYER_III", 2, 44_100).data())
    data[1500:2500] = bytes(1000)
    path.write_bytes(data)
    code = "import soundfile, sys; soundfile.read(sys.argv[1])"
    loud = subprocess.run([sys.executable, "-c", code, path], capture_output=True, check=False)
    assert b"mpg123" in loud.stderr or b"Note:" in loud.stderr
    quiet = sendoff("check", path)
    assert quiet.stderr.count(b"\n") == (1 if quiet.returncode else 0)
    assert b"mpg123" not in quiet.stderr + quiet.stdout and b"Note:" not in quiet.stderr


def test_what_a_decoder_prints_among_the_figures_is_not_heard(tmp_path: Path) -> None:
    path = tmp_path / "a.caf"
    data = bytearray(Seed("CAF", "ALAC_24", 2, 48_000).data())
    table = data.index(b"pakt") + 12
    size = int.from_bytes(data[table - 8 : table], "big")
    data[table + 24 : table + size] = b"\xff" * (size - 24)  # packet sizes that never end
    path.write_bytes(data)
    code = "import soundfile, sys; soundfile.read(sys.argv[1])"
    assert subprocess.run([sys.executable, "-c", code, path], capture_output=True, check=False).stdout
    quiet = sendoff("check", path, "--json")
    assert quiet.returncode == 2
    assert json.loads(quiet.stdout)["files"][0]["error"]


# --- standard streams ---


def test_a_reader_that_leaves(good: Path) -> None:
    for form in ([], ["--json"]):
        reading, writing = os.pipe()
        os.close(reading)
        done = sendoff("check", *form, *[good] * 50, stdout=writing)
        os.close(writing)
        assert (done.returncode, done.stderr) == (2, b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no /dev/full here")
def test_standard_streams_that_are_full(good: Path) -> None:
    with Path("/dev/full").open("wb") as full:
        for words in (["check", good], ["check", "--json", good], ["--help"]):
            done = sendoff(*words, stdout=full)
            assert done.returncode == 2
            assert done.stderr == b"sendoff: standard output: No space left on device\n"
        done = sendoff("check", good, "missing.wav", stderr=full)
        assert done.returncode == 2 and b"good.wav" in done.stdout


@pytest.mark.parametrize("closed", ["1>&-", "2>&-", "0<&- 1>&- 2>&-"])
def test_standard_streams_that_are_closed(good: Path, closed: str) -> None:
    script = f'exec "$0" -m master_check check "$1" "$2" -p cd {closed}'
    done = subprocess.run(["sh", "-c", script, sys.executable, good, "missing.wav"], capture_output=True, check=False)
    assert done.returncode == 2
    assert b"good.wav" in done.stdout or "1>" in closed
    assert done.stderr == (b"" if "2>" in closed else b"sendoff: missing.wav: no such file\n")


def test_a_terminal_that_knows_only_latin_1(good: Path) -> None:
    done = sendoff("check", good, "\N{FIRE}.wav", "-p", "cd", env=os.environ | {"PYTHONIOENCODING": "latin-1"})
    assert done.returncode == 2
    assert done.stderr == b"sendoff: \\U0001f525.wav: no such file\n"
    assert b"WAV \xb7 24 bit" in done.stdout and b"\\u2192" in done.stdout


# --- writing ---


@pytest.fixture
def target(tmp_path: Path) -> Path:
    path = tmp_path / "report.html"
    path.write_text("what was there before")
    return path


def unharmed(target: Path) -> None:
    """The target is as it was, and nothing is beside it."""
    assert target.read_text() == "what was there before"
    assert list(target.parent.iterdir()) == [target]


def test_a_disk_that_fills(command: Command, good: Path, target: Path) -> None:
    answer = command("check", good, "--report", target, "--force", file_size=10_000)
    one_line(answer, f"--report {target}", "cannot be written (File too large)")
    unharmed(target)
    target.unlink()
    answer = command("check", good, "--report", target, file_size=10_000)
    assert answer.status == 2 and list(target.parent.iterdir()) == []


@is_root
def test_a_disk_that_is_full(tmp_path: Path) -> None:
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", tmp_path], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("no file system can be mounted here")
    try:
        target = tmp_path / "report.html"
        target.write_text("what was there before")
        with pytest.raises(OutputError, match=r"report\.html: cannot be written \(No space left on device\)$"):
            write_whole(target, "x" * 100_000)
        unharmed(target)
        write_whole(target, "new")
        assert target.read_text() == "new"
    finally:
        subprocess.run(["umount", tmp_path], check=True)


def test_killed_while_it_writes(target: Path) -> None:
    """SIGKILL when everything is written and nothing is moved: the worst moment. SIGINT: tests/cli/test_stopping.py."""
    code = """
import os, sys
from pathlib import Path
from master_check.output import write_whole
os.fsync = lambda fd: os.kill(os.getpid(), 9)
write_whole(Path(sys.argv[1]), "x" * 1_000_000)
"""
    done = subprocess.run([sys.executable, "-c", code, target], check=False)
    assert done.returncode == -signal.SIGKILL
    assert target.read_text() == "what was there before"


@is_root
def test_a_folder_that_cannot_be_written(command: Command, good: Path, target: Path) -> None:
    open_to_all(command.folder)
    open_to_all(target.parent)
    good.chmod(0o644)
    target.chmod(0o666)
    answer = command("check", good, "--report", target, "--force", user=NOBODY)
    one_line(answer, f"--report {target}", "cannot be written (no permission for the folder)")
    unharmed(target)


def test_targets_that_are_refused_before_anything_is_measured(command: Command, good: Path, target: Path) -> None:
    other = good.with_name("link.wav")
    other.symlink_to(good)
    before = good.read_bytes()
    for path, words in {
        target: "is there already; use --force",
        good: "is one of the files to be read",
        other: "is one of the files to be read",
        target.parent: "is a folder",
        target.parent / "nowhere" / "a.html": "there is no folder",
        Path("/dev/null"): "is not a regular file",
        target.with_name("n" * 256): "cannot be written (File name too long)",
    }.items():
        force = [] if path == target else ["--force"]
        answer = command("check", good, "--report", path, *force)
        one_line(answer, f"--report {path}", words)
        assert answer.stdout == b""
    assert good.read_bytes() == before
    assert not Path("/dev/null").is_file()
    unharmed(target)


def test_a_report_of_any_name_about_any_name(command: Command, named: list[Path], tmp_path: Path) -> None:
    for name in ("\N{FIRE}" * 62 + ".html", os.fsdecode(b"\xff\n.html")):
        report = tmp_path / name
        try:
            report.touch()
        except (OSError, ValueError):
            continue
        report.unlink()
        answer = command("check", "--report", report, "--", *named[::4])
        assert faults_of_end(answer) == [] and answer.status == 0, answer.lines
        page = report.read_text("utf-8")
        assert page.rstrip().endswith("</html>") and "<script>alert" not in page
        assert [c for c in obeyed(page) if c not in "\t\r"] == []


# --- profiles ---

FAULTS: dict[str, tuple[str | bytes, int, str]] = {
    "syntax": ("[profile\nname = 1", 1, "not TOML"),
    "binary": (b"\xff\xfe\x00\x01" * 100, 1, "not UTF-8 text (byte 0)"),
    "10 MB": ("#" * 10_000_000, 1, "larger than 1 MB"),
    "empty": ("", 1, "profile: missing"),
    "deep arrays": ("a = " + "[" * 100_000, 1, "nested too deeply"),
    "deep tables": ("[" + ".".join(["a"] * 20_000) + "]", 1, "nested too deeply"),
    "duplicate keys": (PROFILE + 'name = "again"\nname = "again"\n', 1, "not TOML"),
    "many digits": (PROFILE.replace("-14.0", "9" * 5000, 1), 1, "digits"),
    "hexadecimal": (PROFILE.replace("-14.0", "0x" + "f" * 9000, 1), 1, "expected a finite number"),
    "nan": (PROFILE.replace("-14.0", "nan"), 2, "expected a finite number; there is nan"),
    "inf": (PROFILE.replace("max = -1.0", "max = inf"), 1, "rule[2].max (true_peak_dbtp): expected a finite number"),
    "a date": (PROFILE.replace("max = -1.0", "max = 1979-05-27"), 1, "expected a number"),
    "a word": (PROFILE.replace("max = -1.0", 'max = "loud"'), 1, "expected a number; there is 'loud'"),
    "three faults": (PROFILE.replace("max", "maximum").replace('"should"', '"shall"'), 4, "rule[1].level"),
    "name with a path": (PROFILE.replace('"plant"', '"../plant"'), 1, "expected lower-case letters"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_profiles_with_faults(command: Command, tmp_path: Path, name: str) -> None:
    text, count, words = FAULTS[name]
    path = tmp_path / f"{name}.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    calls: list[list[Word]] = [["profiles", "lint", path], ["check", "a.wav", "-p", path], ["profiles", "show", path]]
    for call in calls:
        answer = command(*call)
        assert faults_of_end(answer) == []
        assert answer.status == 2 and answer.stdout == b""
        assert len(answer.lines) == count, answer.lines
        assert all(line.startswith(f"sendoff: {path}: ") for line in answer.lines)
        assert any(words in line for line in answer.lines), answer.lines


@pytest.mark.parametrize(
    ("extends", "words"),
    [
        ("./a.toml", "in a circle"),
        ("./b.toml", "in a circle"),
        ("missing", "no such profile"),
        ("../../../../../../../../../../etc/passwd", "not TOML"),
        ("/dev/zero", "not a file"),
        (".", "no such profile"),
        ("./folder.toml", "not a file"),
        ("./pipe.toml", "not a file"),
        ("./" + "n" * 300, "File name too long"),
        ("./\\u0000", "no such file"),
    ],
)
def test_profiles_that_extend_what_they_cannot(command: Command, tmp_path: Path, extends: str, words: str) -> None:
    (tmp_path / "folder.toml").mkdir()
    os.mkfifo(tmp_path / "pipe.toml")
    (tmp_path / "a.toml").write_text(f'[profile]\nname = "a"\ntitle = "A"\nextends = "{extends}"\n')
    (tmp_path / "b.toml").write_text('[profile]\nname = "b"\ntitle = "B"\nextends = "./a.toml"\n')
    answer = command("profiles", "lint", "./a.toml", folder=str(tmp_path), seconds=10.0)
    one_line(answer, "a.toml", words)


def test_a_long_chain_of_profiles(command: Command, tmp_path: Path) -> None:
    for n in range(2000):
        (tmp_path / f"p{n}.toml").write_text(f'[profile]\nname = "p{n}"\ntitle = "P"\nextends = "./p{n + 1}.toml"\n')
    answer = command("profiles", "lint", "./p0.toml", folder=str(tmp_path))
    one_line(answer, "p0.toml", "without end")


def test_the_words_of_a_profile_say_nothing_to_the_terminal(command: Command, good: Path, tmp_path: Path) -> None:
    path = tmp_path / "loud.toml"
    spell = '"\\u001b[31mred \\u202edem\\u2069 \\u0007 <script>alert(1)</script> [bold]x[/bold]"'
    text = PROFILE
    for old in ('"A pressing plant"', '"their sheet of 2024"', '"played back at -14 LUFS"', '"export again"', '"WAV"'):
        assert old in text
        text = text.replace(old, spell)
    path.write_text(text.replace('level = "should"', f"source = {spell}"))
    calls: list[list[Word]] = [
        ["profiles", "show", path],
        ["profiles", "lint", path],
        ["check", good, "--all", "-p", path],
        ["check", good, "--csv", "-p", path],
        ["check", good, "--json", "-p", path],
        ["check", good, "--all", "-p", path, "--report", tmp_path / "page.html"],
    ]
    for call in calls:
        answer = command(*call)
        assert answer.status in (0, 1), answer.lines
        assert faults_of_end(answer) == []
    page = (tmp_path / "page.html").read_text("utf-8")
    assert obeyed(page) == [] and "<script>alert" not in page


def test_copying_a_profile_stays_in_its_folder(command: Command, tmp_path: Path) -> None:
    for name in ("../evil", "/tmp/evil", "a/b", "Evil", "", "e" * 300):
        answer = command("profiles", "copy", "cd", name, "--here", folder=str(tmp_path))
        assert answer.status == 2 and len(answer.lines) == 1, answer.lines
    assert list(tmp_path.rglob("*.toml")) == []
