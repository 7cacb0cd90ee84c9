"""The long run: `python -m tests.corpus`. Exit status 1 where the two decoders disagree about any file.

Prints a table of counts by package and by what became of the files, every refusal, what the second decoder remarks, and
every disagreement.
"""

import argparse
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import soundfile

from master_check.cli.streams import prepare_streams
from master_check.measurement.one_pass import measure
from master_check.sound.format import AudioError
from tests.corpus.judge import UNSUPPORTED, faults_of_measured, is_confirmed
from tests.corpus.second import heard

PACKAGES = (
    "asc-music", "asterisk-core-sounds-en-wav", "asterisk-moh-opsound-wav", "colobot-common-sounds", "endless-sky-data",
    "fillets-ng-data", "hedgewars-data", "hydrogen-data", "hydrogen-drumkits", "hyperrogue-music", "ktuberling-data",
    "lmms-common", "lomiri-sounds", "minetest-data", "oxygen-sounds", "pathological", "scorched3d-data",
    "singularity-music", "sonic-pi-samples", "sound-theme-freedesktop", "supercollider-common", "supertux-data",
    "warzone2100-music",
)  # fmt: skip
"""Debian packages with sound in them: voices, drums, effects and music, in Vorbis, Opus, FLAC, MP3, WAV and AIFF."""

SUFFIXES = frozenset(
    (".wav", ".wave", ".ogg", ".oga", ".opus", ".flac", ".mp3", ".mp2", ".aif", ".aiff", ".aifc", ".au", ".snd", ".caf",
     ".w64", ".rf64")
)  # fmt: skip


@dataclass(slots=True)
class Outcome:
    """What became of one file."""

    path: Path
    kind: str
    said: str = ""
    notes: tuple[str, ...] = ()
    remark: str = ""
    faults: list[str] = field(default_factory=list)


def look_at(path: Path) -> Outcome:
    """Measure a file, and ask the second decoder."""
    second = heard(path)
    remark = second.complaint.split("\n")[0]
    try:
        found = measure(path)
    except AudioError as error:
        kind = "not supported" if UNSUPPORTED.search(error.problem) else "refused"
        confirmed = is_confirmed(error.problem, second, _frames_read(path))
        fault = f"not confirmed: {second.codec or 'no codec'}, {second.frames} frames"
        return Outcome(path, kind, error.problem, remark=remark, faults=[] if confirmed else [fault])
    except Exception as error:
        return Outcome(path, "crash", faults=[repr(error)])
    kind, faults = f"{found.format.container} {found.format.encoding}", faults_of_measured(found, second)
    return Outcome(path, kind, "", found.notes, remark, faults)


def _frames_read(path: Path) -> int | None:
    try:
        return int(soundfile.info(str(path)).frames)
    except (soundfile.SoundFileError, RuntimeError, TypeError, ValueError, OSError):
        return None


def unpacked(packages: Iterable[str], folder: Path) -> None:
    """Fetch packages, and lay out what is in them under a folder, each in its own."""
    for package in packages:
        place = folder / package
        if place.exists():
            continue
        with tempfile.TemporaryDirectory(dir=folder) as fetched:
            Path(fetched).chmod(0o755)
            done = subprocess.run(["apt-get", "download", "-qq", package], cwd=fetched, check=False)
            files = list(Path(fetched).glob("*.deb"))
            if done.returncode or not files:
                print(f"{package}: not to be had")
                continue
            subprocess.run(["dpkg", "-x", files[0], place], check=True)


def sounds(folder: Path) -> Iterator[Path]:
    """Sound files anywhere below a folder, without those that are links to others."""
    for path in sorted(folder.rglob("*")):
        if path.suffix.lower() in SUFFIXES and path.is_file() and not path.is_symlink():
            yield path


def report(outcomes: list[Outcome], folder: Path) -> int:
    """Print the tables; the number of disagreements."""
    packages = Counter(outcome.path.relative_to(folder).parts[0] for outcome in outcomes)
    kinds = Counter(outcome.kind for outcome in outcomes)
    for title, counts in (("package", packages), ("what became of them", kinds)):
        print(f"\n{title}")
        for name, count in counts.most_common():
            print(f"  {count:6} {name}")
    noted: Counter[str] = Counter(note for outcome in outcomes for note in outcome.notes)
    print("\nnotes")
    for note, count in noted.most_common(40):
        print(f"  {count:6} {note}")
    print("\nrefused")
    for outcome in outcomes:
        if outcome.said:
            print(f"  {outcome.path.relative_to(folder)}: {outcome.said}")
    print("\nremarks of the second decoder on files that it heard alike")
    for outcome in outcomes:
        if outcome.remark and not outcome.said and not outcome.faults:
            print(f"  {outcome.path.relative_to(folder)}: {outcome.remark}")
    wrong = [outcome for outcome in outcomes if outcome.faults]
    print(f"\ndisagreements: {len(wrong)} of {len(outcomes)} files in {len(packages)} packages")
    for outcome in wrong:
        print(f"  {outcome.path.relative_to(folder)} ({outcome.kind} {outcome.said}): {'; '.join(outcome.faults)}")
    return len(wrong)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.corpus", description=__doc__)
    parser.add_argument("packages", nargs="*", default=PACKAGES, help="Debian packages to look through")
    parser.add_argument("--folder", type=Path, help="where packages are, or are to be, unpacked; kept")
    parser.add_argument("--threads", type=int, default=2)
    given = parser.parse_args()
    prepare_streams()
    started = time.monotonic()
    with tempfile.TemporaryDirectory() as temporary, ThreadPoolExecutor(given.threads) as pool:
        folder = given.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        unpacked(given.packages, folder)
        files = [path for package in given.packages for path in sounds(folder / package)]
        outcomes = list(pool.map(look_at, files))
        wrong = report(outcomes, folder)
    print(f"{time.monotonic() - started:.0f} s")
    return 1 if wrong or not outcomes else 0


if __name__ == "__main__":
    sys.exit(main())
