"""What was found about a file's origin, in words that say what is there, and accuse nobody."""

from collections.abc import Callable, Mapping, Sequence
from typing import Final

from master_check.provenance.finding import Kind, OriginFinding, Reason
from master_check.tables.quantities import Value

Values = Mapping[str, Value]

NAMES: Final[Mapping[Kind, str]] = {
    "word_length": "shorter words",
    "sample_rate": "a lower sample rate",
    "encode": "a lossy encode",
    "bandwidth": "a low end of the spectrum",
    "channels": "one signal in both channels",
}

NO_PROOF: Final = "where no trace is found, that does not prove that there was none"


def origin_lines(findings: Sequence[OriginFinding]) -> list[str]:
    """What was found, what cannot be told, and what was looked for in vain."""
    lines = [origin_text(each) for each in findings if each.result == "found"]
    lines += _undecided([each for each in findings if each.result == "undecided"])
    vain = [NAMES[each.kind] for each in findings if each.result == "nothing"]
    if vain:
        lines.append(f"no trace found of {_listed(vain)}, which does not prove that there was none")
    return lines


def origin_text(finding: OriginFinding) -> str:
    """One finding, or why there is none."""
    if finding.result == "found":
        return f"{finding.confidence}: {_FOUND[finding.kind](finding.values)}"
    if finding.result == "undecided" and finding.reason is not None:
        return f"{NAMES[finding.kind]}: cannot be told, {_REASONS[finding.reason]}"
    return f"{NAMES[finding.kind]}: no trace found, which does not prove that there was none"


def _undecided(findings: Sequence[OriginFinding]) -> list[str]:
    """One line for each reason."""
    reasons = dict.fromkeys(each.reason for each in findings if each.reason is not None)
    names = {reason: [NAMES[each.kind] for each in findings if each.reason == reason] for reason in reasons}
    return [f"{_listed(names[reason])}: cannot be told, {_REASONS[reason]}" for reason in reasons]


def _listed(names: Sequence[str]) -> str:
    return " or ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


_REASONS: Final[Mapping[Reason, str]] = {
    "quiet": "there is too little sound above -60 dBFS",
    "short": "the file is too short",
    "dark": "there is too little treble",
    "converted": "a conversion of the sample rate hides it",
    "lossy_file": "the file itself is lossy",
}


def _word_length(values: Values) -> str:
    gain = round(_number(values["source_gain_db"]), 1) + 0.0
    turned = f", turned {'down' if gain < 0 else 'up'} by {abs(gain):.1f} dB" if gain else ""
    return f"the samples lie on the steps of {values['source_bits']}-bit words{turned}"


def _sample_rate(values: Values) -> str:
    rate = _number(values["source_rate_hz"])
    return (
        f"nothing above {rate / 2000:g} kHz, as after a conversion from {rate / 1000:g} kHz "
        f"(the level falls by {_number(values['step_db']):.0f} dB there)"
    )


def _encode(values: Values) -> str:
    codec = str(values["source_codec"])
    rate = f" of about {values['about_kbps']} kbit/s" if "about_kbps" in values else ""
    return (
        f"coefficients rounded to zero, as after {'a' if codec == 'Vorbis' else 'an'} {codec} encode{rate} "
        f"({_number(values['codec_trace']):.0f} standard deviations above chance)"
    )


def _bandwidth(values: Values) -> str:
    return (
        f"nothing above {_number(values['spectrum_end_hz']) / 1000:.1f} kHz, as after a low-pass, a low sample rate or "
        f"a low-rate encode (the level falls by {_number(values['spectrum_drop_db']):.0f} dB there)"
    )


def _channels(values: Values) -> str:
    difference = values["difference_db"]
    if difference is None:
        return "left and right are the same, sample for sample: mono in two channels"
    return f"left and right are one signal, with a difference of {_number(difference):.0f} dB: mono in two channels"


_FOUND: Final[Mapping[Kind, Callable[[Values], str]]] = {
    "word_length": _word_length,
    "sample_rate": _sample_rate,
    "encode": _encode,
    "bandwidth": _bandwidth,
    "channels": _channels,
}


def _number(value: Value) -> float:
    return float(value or 0.0)
