"""The gain sheet, in words."""

from collections.abc import Mapping, Sequence
from typing import Final

from master_check.report.wording.figures import signed
from master_check.stem.remarks import Remark
from master_check.stem.sheet import Stem, Stems
from master_check.stem.strip import Spot, What
from master_check.tables.quantities import STEM_QUANTITIES, Value
from master_check.text import clock

LANES: Final[dict[What, str]] = {
    "clipping": "clips",
    "dropout": "drops",
    "channel gap": "gap",
    "sibilance": "s, t",
    "ringing": "rings",
}
"""What is found at places, in few letters."""


def found_places(spots: Sequence[Spot]) -> str:
    """How often each was found, to follow a sentence."""
    counts = {kind: sum(spot.kind == kind for spot in spots) for kind in LANES}
    return "".join(f"; {kind}: {count}" for kind, count in counts.items() if count)


def headline(found: Stems) -> str:
    """What the sheet is of."""
    count, buses = len(found.stems), sum(1 for bus in found.buses if bus.group is not None)
    text = "1 stem" if count == 1 else f"{count} stems"
    return f"{text} in {buses} {'bus' if buses == 1 else 'buses'}" if buses else text


def bus_name(group: str | None) -> str:
    """What a bus is called."""
    return "all stems" if group is None else group


def remark(found: Remark, stems: Sequence[Stem]) -> str:
    """One thing that somebody should look at."""
    names = ", ".join(stems[place].name for place in found.stems)
    values = found.values
    match found.kind:
        case "unread":
            return f"not read: {names}"
        case "never_plays":
            return f"never plays: {names}"
        case "sample_rate":
            return f"{_hertz(values, 'sample_rate_hz')}, most others {_hertz(values, 'usual_sample_rate_hz')}: {names}"
        case "word_length":
            return f"{_bits(values['bit_depth'])}, most others {_bits(values['usual_bit_depth'])}: {names}"
        case "channels":
            return f"{values['channels']} channels, which do not go with the others: {names}"
        case "length":
            return f"{_clock(values['duration_s'])} long, most others {_clock(values['usual_duration_s'])}: {names}"
        case "start":
            return f"another time reference than most others: {names}"
        case "same_audio":
            return f"the same audio more than once: {names}"
        case "same_audio_gain":
            return f"the same audio at another level or polarity: {names}"
        case "rumble":
            return f"rumble below 40 Hz, {_figure('rumble_dbfs', values)} in the gaps: {names}"
        case "ringing":
            where, by, often = (_figure(f"ringing_{key}", values) for key in ("hz", "above_db", "percent"))
            return f"rings at {where}, {by} above its surroundings, {often} of the time: {names}"
        case "polarity":
            return f"low frequencies cancel, one may be inverted: {names}"


def left_out(names: Sequence[str]) -> str:
    """What a bus lacks."""
    return f"without {', '.join(names)}: another sample rate or other channels"


def trim(value: Value) -> str:
    """The gain to set."""
    return signed(float(value) if isinstance(value, int | float) else None, "dB")


def low_cut(values: Mapping[str, Value]) -> str:
    """How high a high-pass may go; "up to" where no fundamental that lasts bounds it."""
    words = _figure("low_cut_hz", values)
    return words if values.get("low_cut_hz") is None or values.get("lowest_fundamental_hz") else f"up to {words}"


def _figure(key: str, values: Mapping[str, Value]) -> str:
    return STEM_QUANTITIES[key].format(values.get(key))


def _hertz(values: Mapping[str, Value], key: str) -> str:
    return f"{float(values[key] or 0.0) / 1000.0:g} kHz"


def _bits(value: Value) -> str:
    return "no fixed word length" if value is None else f"{value} bit"


def _clock(value: Value) -> str:
    return clock(float(value)) if isinstance(value, int | float) else "?"
