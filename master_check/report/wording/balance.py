"""Stems against their mix and against the rough mix, in words."""

from collections import Counter
from collections.abc import Iterable
from pathlib import PurePath
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.alignment.align import Alignment
from master_check.balance.levels import Level
from master_check.balance.mix import Foreign, MixFound, StemInMix
from master_check.balance.rough import Difference, RoughFound
from master_check.balance.statistics import EDGES_HZ
from master_check.report.wording.figures import signed
from master_check.text import clock

TOLD_DB: Final = 0.1
"""A stem's level in the mix against the others that is worth a word."""

CHANGED_DB: Final = 0.5
"""The same against the rough mix: what can be heard, and what figures are given to."""

MOVED_DB: Final = 0.3
"""What a bus does that is worth a word."""

LATE_SAMPLES: Final = 0.5
DRIFT_PPM: Final = 1.0

WHY: Final = {
    "not found": "the stem is not there as it is (left out, or another take)",
    "hidden": "other stems, a limiter or an encoder hide it",
    "unsteady": "its bands or passages disagree (an equaliser, a compressor or a reverb of its own)",
    "alone": "it plays alone in bands that were equalised, where level and equaliser cannot be told apart",
}


def names(paths: Iterable[str]) -> dict[str, str]:
    """What stems are called in a sentence, by path: their folders are named only where two are called alike."""
    split = {path: PurePath(path).with_suffix("").parts for path in paths}
    found = {path: parts[-1] for path, parts in split.items()}
    for depth in range(2, max(map(len, split.values()), default=1) + 1):
        alike = Counter(found.values())
        found = {path: "/".join(split[path][-depth:]) if alike[name] > 1 else name for path, name in found.items()}
    return found


def mix_summary(found: MixFound) -> list[str]:
    """Whether the stems make the mix, and what keeps them from it."""
    null = found.null
    if null.as_they_are_db is None:
        return ["the mix is silent"]
    if found.nulls:
        return [f"the stems make the mix: {-null.as_they_are_db:.0f} dB null", *_common(found)]
    lines = [_fails(found)]
    if found.foreign:
        lines.append(
            f"the stems are incomplete: the mix has something that is in none of them, {_where(found.foreign)}; "
            "levels of single stems may be off because of it"
        )
    called = names(stem.path for stem in found.stems)
    lines += [line for stem in found.stems for line in _stem(stem, called[stem.path], found.alignment.rate)]
    unknown = [called[stem.path] for stem in found.stems if stem.level.why in ("hidden", "unsteady", "alone")]
    if unknown:
        lines.append(f"level not known to half a decibel: {', '.join(unknown)}")
    return [*lines, *_bus(found), *_common(found)]


def mix_headline(found: MixFound) -> str:
    """Whether the stems make the mix, in a few words."""
    if found.null.as_they_are_db is None:
        return "The mix is silent"
    return "The stems make the mix" if found.nulls else "The stems do not make the mix as they are"


def _fails(found: MixFound) -> str:
    null = found.null
    text = f"the stems do not make the mix as they are: {-(null.as_they_are_db or 0.0):.0f} dB null"
    if null.fitted_db is not None and null.fitted_db < (null.as_they_are_db or 0.0) - 3.0:
        text += f", {-null.fitted_db:.0f} dB with each at its own level, delay and polarity"
    return text


def _where(found: Foreign) -> str:
    return (
        f"most of it from {_hertz(found.low_hz)} to {_hertz(found.high_hz)} "
        f"and from {clock(found.first_s)} to {clock(found.last_s)}"
    )


def _stem(stem: StemInMix, name: str, rate: int) -> list[str]:
    level = stem.level
    if stem.missing:
        return [f"{name} is not in the mix as it is: left out, or another take"]
    if level.why == "silent":
        return [f"{name} never plays"]
    told = []
    if level.gain_db is not None and abs(level.gain_db) >= max(TOLD_DB, level.within_db or 0.0):
        told.append(f"{abs(level.gain_db):.1f} dB {'lower' if level.gain_db > 0.0 else 'higher'}")
    if abs(stem.delay_samples) >= LATE_SAMPLES:
        told.append(_late(stem.delay_samples, rate))
    way = f"the stem {name} is {' and '.join(told)} than in the mix, against the others" if told else ""
    if level.inverted:
        way = f"{way}, and inverted" if told else f"the stem {name} is inverted against the mix"
    return [way] if way else []


def _late(samples: float, rate: int) -> str:
    """Of a stem that comes so many samples late in the mix: the stem itself is early."""
    way = "earlier" if samples > 0.0 else "later"
    count = abs(samples)
    return f"{1000.0 * count / rate:.2f} ms ({count:.0f} sample{'s' * (round(count) != 1)}) {way}"


def _bus(found: MixFound) -> list[str]:
    lines = []
    if found.bus_gain_db >= MOVED_DB:
        lines.append(
            f"the gain of the whole mix moves by {found.bus_gain_db:.1f} dB: compression or limiting on the bus"
        )
    equaliser = found.bus_equaliser_db
    if np.abs(equaliser).max() >= MOVED_DB:
        lines.append(f"the whole mix was equalised: {_curve(equaliser)}")
    return lines


def _curve(bands: NDArray[np.float64]) -> str:
    """The highest and the lowest of bands, dB."""
    told = []
    for band in sorted({int(np.argmax(bands)), int(np.argmin(bands))}):
        if abs(bands[band]) >= MOVED_DB:
            middle = float(np.sqrt(EDGES_HZ[band] * EDGES_HZ[band + 1]))
            told.append(f"{bands[band]:+.1f} dB around {_hertz(float(f'{middle:.1g}'))}")
    return ", ".join(told)


def _common(found: MixFound) -> list[str]:
    gain, lines = found.null.common_gain_db, []
    if gain is not None and abs(gain) >= TOLD_DB and found.nulls:
        lines.append(f"all stems are at {signed(gain, 'dB')} in the mix")
    if found.alignment.inverted:
        lines.append("the mix has the opposite polarity of the stems")
    lines += _channels(found.alignment)
    if found.compared_hz is not None:
        lines.append(f"compared up to {found.compared_hz / 1000.0:.1f} kHz: stems and mix have different sample rates")
    if abs(found.alignment.offset_s) >= 1e-4:
        way = "later" if found.alignment.offset_s > 0.0 else "earlier"
        lines.append(f"the mix begins {abs(found.alignment.offset_s):.4f} s {way} than the stems")
    return lines


def _channels(found: Alignment) -> list[str]:
    """What became of left and right."""
    lines = []
    if found.swapped:
        lines.append("left and right are swapped in the mix")
    if found.inverted_channel is not None:
        lines.append(f"the {found.inverted_channel} channel of the mix has the opposite polarity of the stems'")
    if abs(found.right_later_s) * found.rate >= LATE_SAMPLES:
        way = "later" if found.right_later_s > 0.0 else "earlier"
        lines.append(f"the right channel of the mix is {1000.0 * abs(found.right_later_s):.2f} ms {way} than the left")
    if found.folded:
        lines.append("the mix is mono: left and right of the stems were added")
    if abs(found.drift_ppm) >= DRIFT_PPM:
        lines.append(f"the mix drifts against the stems by {found.drift_ppm:+.0f} ppm: another clock, or varispeed")
    return lines


def level_cell(level: Level) -> str:
    """A stem's level for a table."""
    return "\u2013" if level.gain_db is None else f"{level.gain_db:+z.1f} dB"


def rough_summary(found: RoughFound) -> list[str]:
    """Whether the mix has the balance of the rough mix, stem by stem."""
    called = names(each.path for each in found.stems)
    lines = [line for each in found.stems if (line := _changed(each, called[each.path], found.against_mix))]
    same = [called[each.path] for each in found.stems if each.difference_db is not None and not _differs(each)]
    if same:
        lines.append(f"as in the rough mix, within {CHANGED_DB:g} dB: {', '.join(same)}")
    lines += [
        f"{each.path} together: {_words(each.difference_db or 0.0)} in the rough mix"
        for each in found.groups
        if _differs(each)
    ]
    if found.extra:
        lines.append(f"the rough mix has something that is in no stem, {_where(found.extra)}")
    unknown: dict[str, list[str]] = {}
    for each in found.stems:
        if each.difference_db is None and each.why not in ("rides", "silent"):
            why = WHY[each.why or "hidden"] + (" (in the mix)" if each.in_mix else "")
            unknown.setdefault(why, []).append(called[each.path])
    return [*lines, *(f"not known, because {why}: {', '.join(told)}" for why, told in unknown.items())]


def _differs(each: Difference) -> bool:
    return each.difference_db is not None and abs(each.difference_db) >= max(CHANGED_DB, each.within_db or 0.0)


def _changed(each: Difference, name: str, against_mix: bool) -> str:
    if each.why == "rides":
        known = [level for level in each.sections_db if level is not None]
        return f"{name} rides against the rough mix: {min(known):+.1f} to {max(known):+.1f} dB, by section"
    if not _differs(each) or each.difference_db is None:
        return ""
    way = "lower" if each.difference_db > 0.0 else "higher"
    what = name if against_mix else f"the stem {name}"
    difference = f"{abs(each.difference_db):.1f} dB {way}"
    return f"{what} is {difference} than in the rough mix (within {each.within_db:.1f} dB)"


def _words(difference_db: float) -> str:
    return f"{abs(difference_db):.1f} dB {'lower' if difference_db > 0.0 else 'higher'} than"


def _hertz(frequency: float) -> str:
    return f"{frequency / 1000:g} kHz" if frequency >= 1000 else f"{frequency:g} Hz"
