"""What exactly is to be written of a master for a profile: rate, word length, silence, file name, statements."""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Final

from master_check import __version__
from master_check.judgement.profile import Delivery, Profile
from master_check.measurement.measurement import Measurement
from master_check.sound.format import AudioFormat
from master_check.tables.deliveries import CONTAINERS, Container
from master_check.text import visible

_LONGEST_NAME: Final = 200
"""Bytes of a file name without its suffix; file systems take 255."""

_UNFIT: Final = re.compile(r'[<>:"/\\|?*]')
"""Characters that file names cannot have everywhere."""

_MODES: Final = {1: "mono", 2: "stereo"}


class DeliveryError(Exception):
    """A delivery that cannot be made: which file, why, what to do, in one line."""


@dataclass(frozen=True, slots=True)
class Order:
    """A file to be written.

    Attributes
    ----------
    master : Measurement
        What it is made of.
    profile : Profile
    wanted : Delivery
        What the profile asks for.
    rate, bits : int
        Of the file.
    head, tail : int
        Frames of silence that are added.
    name : str
        The file's name.
    """

    master: Measurement
    profile: Profile
    wanted: Delivery
    rate: int
    bits: int
    head: int
    tail: int
    name: str

    @property
    def container(self) -> Container:
        return CONTAINERS[self.wanted.container]

    @property
    def ratio(self) -> Fraction:
        """New sample rate over the master's."""
        return Fraction(self.rate, self.master.format.rate)

    def loses_bits(self, trim_db: float) -> bool:
        """Whether the new words cannot hold what the master's do."""
        if self.master.values["sample_peak_dbfs"] is None:  # digital silence
            return False
        used = self.master.values["bits_used"]
        return self.ratio != 1 or trim_db != 0.0 or not isinstance(used, int) or used > self.bits


def order(master: Measurement, profile: Profile) -> Order:
    """What to write of a master for a profile.

    Raises
    ------
    DeliveryError
        The profile does not say, or its container or its file name cannot be had with this master.
    """
    wanted = profile.deliver
    if wanted is None:
        raise DeliveryError(f"{profile.name}: says nothing of deliveries; give it a [deliver] table")
    format, container = master.format, CONTAINERS[wanted.container]
    rate = _rate(format.rate, wanted.rate_hz or (format.rate,))
    bits = nearest(_own_bits(format), wanted.bits or container.bits)
    if format.channels > container.most_channels:
        raise DeliveryError(f"{master.path}: has {format.channels} channels, more than a {container.key} file takes")
    head = _missing(wanted.head_silence_s, master.values["head_silence_s"], rate)
    tail = _missing(wanted.tail_silence_s, master.values["tail_silence_s"], rate)
    made = Order(master, profile, wanted, rate, bits, head, tail, _name(master, profile, wanted, rate, bits))
    if container.largest is not None and _sound_bytes(made) > container.largest:
        raise DeliveryError(f"{master.path}: is too long for a {container.key} file; ask for WAV")
    return made


def _rate(own: int, choices: tuple[int, ...]) -> int:
    """The master's own where it can be had; else the highest that its own is a multiple of; else the next lower one."""
    even = [choice for choice in choices if own % choice == 0]
    return max(even) if even else nearest(own, choices)


def nearest(own: float, choices: Iterable[int]) -> int:
    """The master's own value where it can be had, or else the next lower one, or else the lowest."""
    lower = [choice for choice in choices if choice <= own]
    return max(lower) if lower else min(choices)


def _own_bits(format: AudioFormat) -> float:
    """Word length; floats and what lossy encodings give have no end of bits."""
    return math.inf if format.floating or format.bit_depth is None else format.bit_depth


def _missing(wanted_s: float, there: object, rate: int) -> int:
    """Frames that a stretch of silence is short of."""
    there_s = float(there) if isinstance(there, (int, float)) else 0.0
    return max(0, math.ceil((wanted_s - there_s) * rate - 1e-6))


def _sound_bytes(made: Order) -> int:
    frames = float(made.master.values["duration_s"] or 0.0) * made.rate + made.head + made.tail
    return math.ceil(frames * made.master.format.channels * made.bits / 8)


def _name(master: Measurement, profile: Profile, wanted: Delivery, rate: int, bits: int) -> str:
    """The file's name by the pattern; nothing from outside can lead to another folder."""
    values = {"name": Path(master.path).stem, "profile": profile.name, "rate": str(rate), "bits": str(bits)}
    values |= {key: texts(master).get(key, "") for key in ("title", "artist", "isrc")}
    missing = [key for key in re.findall(r"\{([^{}]*)\}", wanted.name) if not values[key].strip()]
    if missing:
        raise DeliveryError(
            f"{master.path}: states no {missing[0]}, which {profile.name} has in its file names; write it into the "
            "master or change the pattern"
        )
    name = re.sub(r"\{([^{}]*)\}", lambda field: values[field[1]], wanted.name)
    return plain_name(name) + CONTAINERS[wanted.container].suffix


def plain_name(text: str) -> str:
    """A text as a file name that every system takes, without a suffix."""
    name = _UNFIT.sub("_", visible(text)).strip(" .")
    return name.encode("utf-8", "replace")[:_LONGEST_NAME].decode("utf-8", "ignore").rstrip(" .") or "master"


def texts(master: Measurement) -> dict[str, str]:
    """What the master states in words: the first statement of each name."""
    found: dict[str, str] = {}
    for tag in master.tags.all:
        if isinstance(tag.value, str) and tag.value.strip():
            found.setdefault(tag.name, " ".join(tag.value.split()) if tag.name != "coding_history" else tag.value)
    return found


def stated_texts(made: Order, trim_db: float, dithered: bool) -> dict[str, str]:
    """What the new file states in words: what the master does, and how it was made."""
    told = texts(made.master)
    told["software"] = f"sendoff {__version__}"
    told.setdefault("description", told.get("title", ""))
    told["coding_history"] = _history(made, told.get("coding_history", ""), trim_db, dithered)
    return told


def _history(made: Order, before: str, trim_db: float, dithered: bool) -> str:
    """The coding history (EBU R 98) with a line for this file; one for the master where there was none."""
    form = made.master.format
    lines = [line.strip() for line in before.splitlines() if line.strip()]
    mode = f",M={_MODES[form.channels]}" if form.channels in _MODES else ""
    if not lines:
        words = f",W={form.bit_depth}" if form.bit_depth is not None else ""
        kind = "PCM" if form.bit_depth is not None else form.encoding
        lines = [f"A={kind},F={form.rate}{words}{mode},T=master"]
    steps = [
        f"sendoff {__version__}",
        *([f"{-trim_db:.1f} dB"] if trim_db else []),
        *(["rate converted"] if made.ratio != 1 else []),
        *(["TPDF dither"] if dithered else []),
    ]
    lines.append(f"A=PCM,F={made.rate},W={made.bits}{mode},T={'; '.join(steps)}")
    return "".join(f"{line}\r\n" for line in lines)


def time_reference(made: Order) -> int | None:
    """Samples from midnight to the new file's first sample, at its own rate; None where the master has no such."""
    for tag in made.master.tags.named("time_reference_samples"):
        if not isinstance(tag.value, str):
            return max(0, round(tag.value * made.ratio) - made.head)
    return None
