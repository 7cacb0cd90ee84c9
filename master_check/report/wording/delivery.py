"""Deliveries in words: what a profile asks for, what was written, and what became of a delivered folder."""

from collections.abc import Sequence

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
