"""What to look at in an album, in words. The tracks' names go in front: none is in here."""

from collections.abc import Callable, Mapping
from typing import Final

from master_check.albums.consistency import OCTAVES, RUN_ON_S, Kind, Observation, octave_key
from master_check.tables.quantities import Value

Values = Mapping[str, Value]


def observation(found: Observation) -> str:
    """One line for the engineer, to be read behind the names of the tracks."""
    return _TEXTS[found.kind](found.values)


def _odd(what: str, key: str, unit: str = "") -> Callable[[Values], str]:
    """A format that most tracks do not have."""

    def text(values: Values) -> str:
        usual = f"{values['usual_tracks']} of {values['all_tracks']} tracks have {values[f'usual_{key}']}{unit}"
        return f"{what} {values[key]}{unit}; {usual}"

    return text


def _loudness(values: Values) -> str:
    away = _number(values["difference_lu"])
    way = "louder" if away > 0 else "quieter"
    return f"{abs(away):.1f} LU {way} than the album's median of {_number(values['median_lufs']):z.1f} LUFS"


def _width(values: Values) -> str:
    away = _number(values["difference_db"])
    way = "wider" if away > 0 else "narrower"
    return f"{abs(away):.1f} dB {way} than the album's median (sides to mid {_number(values['median_db']):z.1f} dB)"


def _tone(values: Values) -> str:
    keys = {octave_key(name): name for name in OCTAVES}
    bands = ", ".join(f"{keys[key]} {_number(away):+.1f} dB" for key, away in values.items())
    return f"tonal balance against the album's median: {bands}"


def _step(values: Values) -> str:
    step, silence = _number(values["step_lu"]), _number(values["silence_s"])
    pause = "without a pause" if silence < RUN_ON_S else f"after {silence:.1f} s of silence"
    levels = f"{_number(values['end_lufs']):z.1f} to {_number(values['start_lufs']):z.1f} LUFS"
    return f"loudness {'rises' if step > 0 else 'drops'} by {abs(step):.1f} LU from one to the next {pause}, {levels}"


def _same(values: Values) -> str:
    if "gain_db" not in values:
        return "the same audio, sample for sample"
    return f"the same audio apart from {_conversions(values) or 'word length, dither or polarity'}"


def _same_gain(values: Values) -> str:
    gain = f"{_number(values['gain_db']):+.1f} dB of gain"
    return f"the same audio apart from {' and '.join(part for part in (gain, _conversions(values)) if part)}"


def _conversions(values: Values) -> str:
    """What else was done to a copy; empty where nothing was."""
    parts = []
    if "sample_rate_hz" in values:
        rates = [f"{_number(values[key]) / 1000:g}" for key in ("sample_rate_hz", "other_sample_rate_hz")]
        parts.append(f"the sample rate, {' and '.join(rates)} kHz")
    if "dc_offset_dbfs" in values:
        parts.append("a DC offset that only one of them has")
    return " and ".join(parts)


def _length(values: Values) -> str:
    longer = _number(values["longer_s"])
    return f"{_time(longer)} {'longer' if longer > 0 else 'shorter'} than its main version"


def _offset(values: Values) -> str:
    later = _number(values["later_s"])
    return f"the music is {_time(later)} {'later' if later > 0 else 'earlier'} than in its main version"


_TEXTS: Final[Mapping[Kind, Callable[[Values], str]]] = {
    "unread": lambda _: "could not be measured; the album's figures leave it out",
    "sample_rate": _odd("sample rate", "sample_rate_hz", " Hz"),
    "word_length": _odd("word length", "bit_depth", " bit"),
    "channels": _odd("channels", "channels"),
    "container": _odd("file type", "container"),
    "bits_used": lambda values: f"only {values['bits_used']} of its {values['bit_depth']} bits in use",
    "loudness": _loudness,
    "tone": _tone,
    "width": _width,
    "mono": lambda _: "both channels are identical: mono among stereo tracks",
    "head_silence": lambda values: f"{_number(values['head_silence_s']):.2f} s of silence at the start",
    "tail_silence": lambda values: f"{_number(values['tail_silence_s']):.2f} s of silence at the end",
    "step": _step,
    "same_audio": _same,
    "same_audio_gain": _same_gain,
    "version_alone": lambda _: "named like an alternate version, but no main version was found",
    "version_length": _length,
    "version_unlike": lambda _: "could not be aligned with its main version: listen to both",
    "version_offset": _offset,
}


def _number(value: Value) -> float:
    return float(value or 0.0)


def _time(seconds: float) -> str:
    seconds = abs(seconds)
    return f"{seconds:.2f} s" if seconds >= 1.0 else f"{1000.0 * seconds:.1f} ms"
