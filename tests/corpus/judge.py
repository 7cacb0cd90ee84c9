"""Whether what was made of a file agrees with what a second decoder heard."""

import re
from typing import Final

import numpy as np

from master_check.measurement.measurement import Measurement
from tests.corpus.second import Heard

LOSSY: Final = re.compile("VORBIS|OPUS|MPEG|ADPCM|ULAW|ALAW|GSM|DWVW|G72")

FRAMES: Final = 2 * 1152
"""By how many frames decoders of lossy files may differ: they do not agree on what padding is."""

LOSSY_DB: Final = 0.1
LOSSLESS_DB: Final = 0.001

UNSUPPORTED: Final = re.compile("not a sound file this tool can read|which this tool cannot read")

OF_THE_SOUND: Final = re.compile("shorter than|digital silence|nothing louder|no layout")
"""Notes that are about the sound, not the file."""

DAMAGED: Final = re.compile("cut short|damaged|no sound|no samples")
IN_PARTS: Final = re.compile("joined|pieces of sound|side by side|run backwards|header counts|can be read:")


def faults_of_measured(found: Measurement, second: Heard) -> list[str]:
    """Where a measurement and the second decoder differ."""
    if not second.codec:
        noted = not all(OF_THE_SOUND.match(note) for note in found.notes)
        return [] if noted else ["measured, and the second decoder finds no sound"]
    lossy = bool(LOSSY.match(found.format.encoding))
    faults = []
    if second.channels != found.format.channels:
        return [f"{found.format.channels} channels, {second.channels} by the second decoder"]
    frames = round(float(found.values["duration_s"] or 0.0) * second.rate)  # Opus decodes at any rate
    if abs(frames - second.frames) > (FRAMES if lossy else 0):
        faults.append(f"{frames} frames, {second.frames} by the second decoder")
    if faults:
        return faults
    alike = abs(frames - second.frames) <= 0.01 * frames  # of shorter ones the last packet weighs too much
    stretch = (second.frames / max(frames, 1)) ** 0.5  # what one has more is nearly silent: energies are compared
    for channel, row in enumerate(found.channels):
        rms = stretch * second.powers[channel] ** 0.5
        for key, theirs in (("rms_dbfs", rms), ("sample_peak_dbfs", second.peaks[channel])):
            ours = row[key]
            if ours is None or theirs <= 1e-5 or (key == "rms_dbfs" and not alike):
                continue
            difference = abs(float(ours) - 20.0 * np.log10(theirs))
            if difference > (LOSSY_DB if lossy else LOSSLESS_DB):
                faults.append(f"{key} of channel {channel + 1} differs by {difference:.3f} dB")
    if faults and second.complaint:
        faults.append(f"the second decoder says {second.complaint.splitlines()[0]!r}")
    return faults


def is_confirmed(problem: str, second: Heard, frames: int | None) -> bool:
    """Whether the second decoder bears out why a file was refused.

    Parameters
    ----------
    problem : str
        What was said.
    second : Heard
    frames : int or None
        How many frames libsndfile alone would have read; None where it opens nothing.
    """
    if UNSUPPORTED.search(problem):
        return True  # counted apart
    if outside := re.match(r"a sample rate of (\d+) Hz is outside", problem):
        return int(outside[1]) == second.rate and not 8_000 <= second.rate <= 384_000
    if many := re.match(r"has (\d+) channels; 1 to", problem):
        return int(many[1]) == second.channels
    promised = re.search(r"(\d+) frames promised", problem)
    if DAMAGED.search(problem):
        return bool(second.complaint) or not second.frames or bool(promised and second.frames < int(promised[1]))
    if IN_PARTS.search(problem):
        return frames is None or second.frames > frames + FRAMES or bool(second.complaint)
    return False
