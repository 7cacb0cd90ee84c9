"""What mastering did, in words."""

from typing import Final

from master_check.alignment.align import Alignment
from master_check.alignment.edits import Edit
from master_check.measurement.measurement import SHORT_FOR_RANGE
from master_check.pair.comparison import Comparison, Remark
from master_check.pair.saturation import SideSaturation
from master_check.report.wording.figures import signed
from master_check.text import clock

TOLD_DB: Final = 0.7
"""Change of tone or width that is worth a word."""

TOLD_REDUCTION_DB: Final = 0.5
"""The same of gain reduction."""

MOST_EDITS: Final = 10
"""Edits that are told one by one; the rest are counted."""

SIDES: Final = {"left": "left", "right": "right", "mid": "mid", "side": "sides", "mono": "mono"}


def headline(comparison: Comparison) -> str:
    """What mastering did in a sentence."""
    louder, crest = comparison.differences.get("integrated_lufs"), comparison.differences.get("crest_db")
    if louder is None or crest is None:
        return "Premaster and master compared"
    return f"{signed(louder, 'LU')} of loudness, {signed(crest, 'dB')} of crest factor"


def summary(comparison: Comparison) -> list[str]:
    """What mastering did, a line for each kind of change."""
    lines = (
        _levels(comparison),
        _saturation(comparison),
        _tone(comparison),
        _width(comparison),
        _gain(comparison),
        _alignment(comparison),
    )
    return [line for line in lines if line]


def notes(comparison: Comparison) -> list[str]:
    """What to know before reading the figures."""
    lines = [*map(remark, comparison.remarks), *alignment_notes(comparison.alignment)]
    for name, measurement in (("premaster", comparison.premaster), ("master", comparison.master)):
        # The loudness range of excerpts is compared all the same.
        lines += [f"{name}: {note}" for note in measurement.notes if note != SHORT_FOR_RANGE]
    return lines


def alignment_notes(a: Alignment) -> list[str]:
    """What happened to the channels, and what was cut."""
    return [*_channels(a), *_edits(a)]


def remark(found: Remark) -> str:
    match found.kind:
        case "swapped":
            return "the master is quieter than the premaster and has a higher PLR: are the two the wrong way round?"
        case "premaster_lossy" | "master_lossy":
            which = found.kind.removesuffix("_lossy")
            return f"the {which} is a lossy encode: what its encoder changed is in these figures"
        case "premaster_only":
            return f"{clock(found.seconds)} of the premaster is not in the master"
        case "master_only":
            return f"{clock(found.seconds)} of the master is not in the premaster"


def _channels(a: Alignment) -> list[str]:
    """What happened to the channels on the way, which no engineer wants to have happened."""
    lines = []
    if a.swapped:
        lines.append("left and right are swapped in the master")
    if a.inverted_channel is not None:
        lines.append(f"only the {a.inverted_channel} channel of the master is inverted")
    if a.right_later_s:
        way = "later" if a.right_later_s > 0.0 else "earlier"
        lines.append(f"the master's right channel is {1000.0 * abs(a.right_later_s):.3f} ms {way} than its left")
    if a.folded:
        lines.append("the master is mono, the premaster is not")
    return lines


def _edits(a: Alignment) -> list[str]:
    more = len(a.edits) - MOST_EDITS
    return [*map(edit, a.edits[:MOST_EDITS]), *([f"{more} more edit{'s' * (more > 1)}"] if more > 0 else [])]


def edit(found: Edit) -> str:
    """One edit: `cut: 2.00 s at 1:01.500 in the master, from 1:02.750 in the premaster`."""
    source = "not in the premaster" if found.from_s is None else f"from {clock(found.from_s)} in the premaster"
    return f"{found.kind}: {found.length_s:.2f} s at {clock(found.at_s)} in the master, {source}"


def _levels(c: Comparison) -> str:
    louder, crest, peak = (c.differences.get(key) for key in ("integrated_lufs", "crest_db", "true_peak_dbtp"))
    if louder is None or crest is None or peak is None:
        return ""
    return (
        f"loudness {_up_or_down(louder, 'LU')}, crest factor {_up_or_down(crest, 'dB')}, "
        f"true peak {_up_or_down(peak, 'dB')}"
    )


def _up_or_down(change: float, unit: str) -> str:
    rounded = round(change, 1)
    return f"{'up' if rounded > 0.0 else 'down'} {abs(rounded):.1f} {unit}" if rounded else "unchanged"


def _saturation(c: Comparison) -> str:
    own = [side for side in c.saturation.own if side.peak_dbfs is not None]
    if any(side.thd_percent is None for side in own):
        return "saturation cannot be judged: equalising, gain and a curve do not explain what was done"
    hot = [side for side in own if side.saturated]
    bent = [side for side in own if side.bent and side not in hot]
    clean = [SIDES[side.side] for side in own if side not in hot and side not in bent]
    if hot:
        told = [_hot(side) for side in hot] + [_doubtful(side) for side in bent]
        return ", ".join(told) + (f"; {' and '.join(clean)} clean" if clean else "")
    if bent:
        return f"no saturation found; {', '.join(map(_doubtful, bent))}"
    most = max((side.thd_percent or 0.0 for side in own), default=0.0)
    return f"no saturation found ({most:.1f} % THD at most)"


def _hot(side: SideSaturation) -> str:
    how = "saturated" if side.clip_dbfs is None else f"clipped at {side.clip_dbfs:z.1f} dBFS"
    # A decibel off the highest peaks leaves the level that a side plays at as it was.
    return f"{SIDES[side.side]} {how}" + (f" ({side.thd_percent:.1f} % THD)" if side.curved else "")


def _doubtful(side: SideSaturation) -> str:
    return f"{SIDES[side.side]}: {side.thd_percent:.1f} % THD that fast compression or limiting can account for"


def _tone(c: Comparison) -> str:
    told = [
        f"{region.level_change_db:+.1f} dB {_span(region.low_hz, region.high_hz)}"
        for region in c.regions
        if region.level_change_db is not None and abs(region.level_change_db) >= TOLD_DB
    ]
    return f"tonal balance: {', '.join(told)}" if told else "tonal balance unchanged"


def _span(low: float | None, high: float | None) -> str:
    if low is None:
        return f"below {_hertz(high or 0.0)}"
    if high is None:
        return f"above {_hertz(low)}"
    return f"from {_hertz(low)} to {_hertz(high)}"


def _hertz(frequency: float) -> str:
    return f"{frequency / 1000:g} kHz" if frequency >= 1000 else f"{frequency:g} Hz"


def _width(c: Comparison) -> str:
    wider, mono = c.differences.get("side_to_mid_db"), c.differences.get("mono_loss_lu")
    if wider is None or mono is None:
        return ""
    if abs(wider) < TOLD_DB:
        return "stereo width unchanged"
    return f"stereo width: sides {wider:+.1f} dB against mid, mono loss {signed(mono, 'LU')}"


def _gain(c: Comparison) -> str:
    most, often = c.change.gain_reduction_max_db, c.change.gain_reduction_p95_db
    if most is None or often is None or most < TOLD_REDUCTION_DB:
        return f"gain reduction stays below {TOLD_REDUCTION_DB:g} dB"
    place = f", most at {clock(c.change.worst[0].at_s)}" if c.change.worst else ""
    return f"gain reduction up to {most:.1f} dB, 95th percentile {often:.1f} dB{place}"


def _alignment(c: Comparison) -> str:
    a = c.alignment
    way = "later" if a.offset_s > 0 else "earlier"
    place = "no offset" if abs(a.offset_s) < 1e-4 else f"master {abs(a.offset_s):.4f} s {way}"
    polarity = "polarity INVERTED" if a.inverted else "same polarity"
    rates = (
        f", converted from {a.premaster_rate / 1000:g} to {a.rate / 1000:g} kHz" if a.premaster_rate != a.rate else ""
    )
    speed = f", {abs(a.drift_ppm):.0f} ppm {'slower' if a.drift_ppm > 0.0 else 'faster'}" if a.drift_ppm else ""
    gain = signed(a.gain_db, "dB")
    return f"alignment: {place}{speed}, {polarity}, gain {gain}{rates}, coherence {a.coherence:.2f}"
