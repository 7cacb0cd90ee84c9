"""Deliveries in words: what a profile asks for, what was written, and what became of a delivered folder."""

from collections.abc import Sequence
from typing import Final

from master_check.delivery.delivered import Delivered, DeliveredFile
from master_check.delivery.manifest import Verified
from master_check.judgement.profile import Delivery


def delivery(wanted: Delivery) -> list[str]:
    """What a profile asks for, a line each, the source last."""
    rates = _either([f"{rate / 1000:g} kHz" for rate in wanted.rate_hz]) or "the master's sample rate"
    words = _either([f"{bits} bit" for bits in wanted.bits]) or "the master's word length"
    lines = [f"{wanted.container}, {rates}, {words}"]
    lines.append("TPDF dither where bits are lost" if wanted.dither == "tpdf" else "rounded without dither")
    for where, seconds in (("start", wanted.head_silence_s), ("end", wanted.tail_silence_s)):
        if seconds:
            lines.append(f"at least {seconds:g} s of silence at the {where}")
    lines.append(f"named {wanted.name}")
    lines.append("with metadata" if wanted.metadata else "without metadata")
    return [*lines, f"[{wanted.source}]"]


def _either(names: Sequence[str]) -> str:
    return " or ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def headline(found: Delivered) -> str:
    """What was delivered, in a few words."""
    count = len(found.files)
    return "1 file delivered" if count == 1 else f"{count} files delivered"


def made(file: DeliveredFile) -> list[str]:
    """What was done to the master to make a file, a line each."""
    lines = []
    if file.trim_db:
        lines.append(f"turned down by {file.trim_db:.1f} dB, so that it keeps its limits")
    if file.converted_from_hz is not None:
        lines.append(f"converted from {file.converted_from_hz / 1000:g} kHz")
    if file.dithered:
        lines.append("TPDF dither")
    for where, seconds in zip(("start", "end"), file.added_s, strict=True):
        if seconds:
            lines.append(f"{seconds:.3f} s of silence added at the {where}")
    return [*lines, null(file)]


def null(file: DeliveredFile) -> str:
    """What is left when the master is taken from a file."""
    found = file.null
    if found.identical:
        return "the same samples as the master"
    if found.null_db is None:
        return "too short to compare with the master"
    text = f"the master taken from it leaves {found.null_db:.1f} dBFS"
    if not found.as_expected:
        return f"{text}, which is more than conversion and dither account for: do not hand it over"
    causes = [
        *(["conversion"] if file.converted_from_hz is not None else []),
        *(["dither"] if file.dithered else ["rounding"]),
    ]
    return f"{text}: {' and '.join(causes)}, nothing else"


STATES: Final = {
    "as delivered": "as delivered",
    "other metadata": "other metadata, the same sound",
    "other sound": "not the file that was delivered: other sound",
    "missing": "missing",
    "unreadable": "cannot be read as sound any more",
}


def verified_headline(found: Sequence[Verified]) -> str:
    """What a look at a delivered folder came to."""
    files = [file for each in found for file in each.files]
    wrong = sum(file.state != "as delivered" for file in files)
    if not wrong:
        return f"as delivered: {len(files)} file{'s' * (len(files) != 1)}"
    return f"{wrong} of {len(files)} file{'s' * (len(files) != 1)} not as delivered"
