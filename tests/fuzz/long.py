"""The long run: `python -m tests.fuzz.long --minutes 10`. Exit status 1 where anything went wrong.

Prints how many cases of each kind were fed, and of each that went wrong its seed, number and story; the file itself is
kept. A failing case is had again with `--seed S --first NUMBER --cases 1`.
"""

import argparse
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.fuzz.harness import Command, Feeder
from tests.fuzz.mutations import profile_case, sound_case

BATCH = 20
PROFILES = 5
"""Sound files and profiles fed in turn."""


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz.long", description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--cases", type=int, default=sys.maxsize, help="stop after so many sound files")
    parser.add_argument("--seed", type=int, default=int(time.time()))
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--keep", type=Path, default=Path("fuzz-failures"), help="folder for what went wrong")
    given = parser.parse_args()
    tally: Counter[str] = Counter()
    end = time.monotonic() + 60.0 * given.minutes
    number = given.first
    with tempfile.TemporaryDirectory() as folder, Command(Path(folder)) as command:
        feeder = Feeder(command)
        while time.monotonic() < end and (left := given.first + given.cases - number) > 0:
            sounds = {n: sound_case(given.seed, n) for n in range(number, number + min(BATCH, left))}
            profiles = {n: profile_case(given.seed, n) for n in list(sounds)[:PROFILES]}
            faults = {("sound", n): found for n, found in feeder.sounds(sounds).items()}
            faults |= {("profile", n): found for n, case in profiles.items() if (found := feeder.profile(case))}
            for (kind, n), found in faults.items():
                case = (sounds if kind == "sound" else profiles)[n]
                tally["wrong"] += 1
                given.keep.mkdir(parents=True, exist_ok=True)
                kept = given.keep / f"{kind}-{given.seed}-{n}"
                kept.write_bytes(case.data)
                print(f"{kept}  ({case.story})", *found, sep="\n    ", flush=True)
            tally["sound files"] += len(sounds)
            tally["profiles"] += len(profiles)
            number += len(sounds)
        print(
            f"seed {given.seed}: {tally['sound files']} sound files and {tally['profiles']} profiles, "
            f"{feeder.refused} of them refused in one line each, {tally['wrong']} went wrong; "
            f"slowest call {feeder.slowest:.1f} s, most memory {feeder.rss / 1024:.0f} MB"
        )
    return 1 if tally["wrong"] else 0


if __name__ == "__main__":
    sys.exit(main())
