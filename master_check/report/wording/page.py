"""What the local page says."""

from collections.abc import Sequence
from typing import Final

from master_check.alignment.align import Alignment
from master_check.judgement.checked import Checked
from master_check.limiting.limiter import Detection
from master_check.limiting.preview import Preview
from master_check.report.wording.comparison import alignment_notes
from master_check.report.wording.figures import signed

HEAR: Final = "Play from two seconds before"

CAUTION: Final = (
    "Turn the monitors down before the first play. It begins at 12 dB under the level of the file, and nothing on this "
    "page plays louder than the level shown."
)

LOCAL: Final = "Served by this machine to this machine only. Nothing leaves it. Files are only read."

NOT_BROUGHT: Final = "the file did not arrive whole; drop it again"

TOO_LARGE: Final = "too large to be dropped here; give its path to `sendoff listen` instead"

FOLDED: Final = "Heard folded down to stereo: centre and surrounds at -3 dB, LFE left out (ITU-R BS.775-4)."

FIRST_TWO: Final = "Nobody says which loudspeakers the channels are for; the first two are heard."

NO_WORK_DB: Final = 0.05
"""Less gain reduction than this is none."""

STATES: Final = {"waiting": "waits", "measuring": "is measured", "ready": "", "failed": "Not read"}

MOST_PLACES: Final = 60
"""Buttons for places of one kind; all are marked in the waveform."""


def pair_lines(first: str, second: str, alignment: Alignment, first_gain_db: float, second_gain_db: float) -> list[str]:
    """How two files lie over each other, and what is done to match them: a line each."""
    lines = [offset(alignment)]
    if alignment.premaster_rate != alignment.rate:
        lines.append(
            f"{first} is converted from {alignment.premaster_rate} to {alignment.rate} Hz to be heard beside it"
        )
    if alignment.inverted:
        lines.append(f"the polarity of {second} is the opposite; {first} is inverted to be heard beside it")
    lines += alignment_notes(alignment)
    turned = [(name, gain) for name, gain in ((first, first_gain_db), (second, second_gain_db)) if gain < -0.005]
    if turned:
        lines += [f"matched in loudness: {name} is turned down by {-gain:.2f} dB" for name, gain in turned]
    else:
        lines.append("both have the same loudness")
    return lines


def offset(alignment: Alignment) -> str:
    """Where the second file lies against the first, in samples."""
    samples = alignment.offset_samples
    if abs(samples) < 0.01:
        return "aligned: no offset"
    how = "later" if samples > 0.0 else "earlier"
    shown = f"{abs(samples):.2f}".rstrip("0").rstrip(".")
    return f"aligned: the second is {shown} samples ({abs(1000.0 * alignment.offset_s):.2f} ms) {how}"


def title(files: Sequence[Checked]) -> str:
    """Of the browser's window."""
    return files[0].path if len(files) == 1 else "Look and listen"


def playback(profile: str, level_lufs: float, gain_db: float) -> str:
    """What turning down to a place's playback level does."""
    return f"as {profile} plays it, at {level_lufs:.1f} LUFS: {signed(gain_db, 'dB')}"


def setting(found: Preview | None, detection: Detection, limit_dbtp: float) -> str:
    """What to set one kind of limiter to."""
    name = "true-peak limiter" if detection == "true_peak" else "sample-peak limiter"
    if found is None:
        return f"{name}: out of reach"
    if found.gain_reduction_max_db < NO_WORK_DB:
        return f"{name}: not needed; {signed(found.gain_db, 'dB')} of gain alone"
    unit = "dBTP" if detection == "true_peak" else "dBFS"
    return (
        f"{name}: ceiling {found.ceiling_db:.1f} {unit}, gain {signed(found.gain_db, 'dB')}; gain reduction up to "
        f"{found.gain_reduction_max_db:.1f} dB, 95th percentile {found.gain_reduction_p95_db:.1f} dB"
    )
