"""Stems found in mixes made of them, whose making is known. No figure here comes from the code that is tested.

What is asked, set before measuring: half a decibel wherever a level is given, delays to the sample, and never a wrong
figure: a refusal instead.
"""

import io
from collections.abc import Callable, Mapping

import numpy as np
import pytest
import scipy.signal
import soundfile
from numpy.typing import NDArray

from master_check.alignment.align import PairError
from master_check.balance.mix import MixFound, against_mix
from master_check.balance.placed import Against
from master_check.balance.rough import RoughFound, against_rough, known
from master_check.report.wording.balance import mix_summary
from master_check.sound.kept import ArraySignal
from tests.balance.songs import RATE, delayed, mixed, song
from tests.pair.processing import compressor_gain, equalised, limiter_gain

Floats = NDArray[np.float64]

NAMES = tuple(song(0, 8.0))
GUITAR, BASS, SNARE, PAD, LEAD = (
    NAMES.index(name) for name in ("music/guitar", "bass/bass", "drums/snare", "music/pad", "vocals/lead")
)
GROUPS = {group: [n for n, name in enumerate(NAMES) if name.startswith(group)] for group in ("drums", "music")}


@pytest.fixture(scope="module")
def stems() -> dict[str, Floats]:
    return song(11, 20.0)


def signals(stems: Mapping[str, Floats]) -> list[ArraySignal]:
    return [ArraySignal(frames, RATE) for frames in stems.values()]


def in_mix(stems: Mapping[str, Floats], mix: Floats) -> tuple[MixFound, Against]:
    return against_mix(NAMES, signals(stems), "mix", ArraySignal(mix, RATE))


def mp3(frames: Floats) -> Floats:
    """Through libsndfile's MP3 encoder at about 128 kbit/s."""
    encoded = io.BytesIO()
    soundfile.write(encoded, frames, RATE, format="MP3", bitrate_mode="CONSTANT", compression_level=0.667)
    encoded.seek(0)
    return np.asarray(soundfile.read(encoded, always_2d=True)[0][: len(frames)])


def glued(frames: Floats) -> Floats:
    return np.asarray(frames * compressor_gain(frames, RATE, 0.02, 0.2, 2.0, 2.0)[:, None])


def limited(frames: Floats) -> Floats:
    return np.asarray(frames * limiter_gain(frames, RATE, 3.0)[:, None])


def test_stems_that_make_the_mix_null(stems: dict[str, Floats]) -> None:
    mix = np.rint(0.5 * mixed(stems) * 2**23) / 2**23
    found, _ = in_mix(stems, mix)
    assert found.nulls and found.complete
    # Rounding to 24 bits: noise of LSB / sqrt(12) in each channel.
    floor = 20.0 * np.log10(2.0**-23 / np.sqrt(12.0) / np.sqrt(np.mean(mix**2)))
    assert found.null.as_they_are_db == pytest.approx(floor, abs=6.0)  # single precision is as coarse
    assert found.null.common_gain_db == pytest.approx(20.0 * np.log10(0.5), abs=1e-4)
    assert found.bus_gain_db < 0.01 and np.abs(found.bus_equaliser_db).max() < 0.01


def test_a_mix_of_another_rate_nulls_below_its_filters(stems: dict[str, Floats]) -> None:
    """Converted by SciPy's polyphase filter, with noise of the hats up to 24 kHz."""
    steep = scipy.signal.firwin(2 * 64 * 160 + 1, 1.0 / 160.0, window=("kaiser", 10.0))
    mix = scipy.signal.resample_poly(0.5 * mixed(stems), 147, 160, axis=0, window=steep)
    found, _ = against_mix(NAMES, signals(stems), "mix", ArraySignal(mix, 44_100))
    assert found.nulls and found.complete
    assert "compared up to 18.7 kHz: stems and mix have different sample rates" in mix_summary(found)


def test_swapped_channels_are_told_and_a_stem_that_is_there_twice(stems: dict[str, Floats]) -> None:
    twice = [*signals(stems), ArraySignal(stems[NAMES[GUITAR]], RATE)]
    found, _ = against_mix((*NAMES, "again"), twice, "mix", ArraySignal(mixed(stems)[:, ::-1], RATE))
    assert "left and right are swapped in the mix" in mix_summary(found)
    assert [stem.path for stem in found.stems if stem.missing] == ["again"]
    for stem in found.stems[:-1]:
        assert stem.level.gain_db == pytest.approx(0.0, abs=0.01)


def test_each_fault_is_told_from_the_others(stems: dict[str, Floats]) -> None:
    """One 1.5 dB low, one 12 ms late, one inverted, one a sample early, one not there; the mix 5,000 samples late."""
    made = dict(stems)
    made[NAMES[GUITAR]] = delayed(stems[NAMES[GUITAR]], 576)
    made[NAMES[BASS]] = -stems[NAMES[BASS]]
    made[NAMES[LEAD]] = delayed(stems[NAMES[LEAD]], -1)
    del made[NAMES[PAD]]
    mix = np.concatenate([np.zeros((5_000, 2)), mixed(made, {NAMES[SNARE]: -1.5})])
    found, _ = in_mix(stems, mix)
    assert not found.nulls and found.complete
    assert found.null.fitted_db is not None and found.null.fitted_db < -80.0
    assert [stem.missing for stem in found.stems] == [n == PAD for n in range(len(NAMES))]
    assert [stem.level.inverted for stem in found.stems] == [n == BASS for n in range(len(NAMES))]
    late = {GUITAR: 576.0, LEAD: -1.0}
    for n, stem in enumerate(found.stems):
        if n != PAD:
            assert stem.delay_samples == pytest.approx(late.get(n, 0.0), abs=0.05)
            assert stem.level.gain_db == pytest.approx(-1.5 if n == SNARE else 0.0, abs=0.01)


@pytest.mark.parametrize(
    "bus",
    [glued, limited, lambda x: mp3(limited(glued(x))), lambda x: glued(equalised(x, RATE))],
    ids=["compressor", "limiter", "compressor, limiter, MP3", "equaliser, compressor"],
)
def test_levels_through_a_bus(stems: dict[str, Floats], bus: Callable[[Floats], Floats]) -> None:
    gains = dict(zip(NAMES, np.random.default_rng(2).uniform(-6.0, 6.0, len(NAMES)), strict=True))
    found, _ = in_mix(stems, bus(0.5 * mixed(stems, gains)))
    given = [n for n, stem in enumerate(found.stems) if stem.level.gain_db is not None]
    assert len(given) >= 5
    off = [(found.stems[n].level.gain_db or 0.0) - gains[NAMES[n]] for n in given]
    assert np.abs(np.array(off) - np.median(off)).max() < 0.5
    assert not found.nulls and not any(stem.missing for stem in found.stems)


def test_what_moves_on_the_bus_is_told(stems: dict[str, Floats]) -> None:
    found, _ = in_mix(stems, glued(0.5 * mixed(stems)))
    assert found.bus_gain_db == pytest.approx(2.0, abs=0.5)
    assert np.abs(found.bus_equaliser_db).max() < 0.1


def test_something_that_no_stem_has_is_told_first(stems: dict[str, Floats]) -> None:
    foreign = np.zeros((len(mixed(stems)), 2))
    foreign[8 * RATE : 12 * RATE] = 0.3 * np.sin(2.0 * np.pi * 830.0 * np.arange(4 * RATE) / RATE)[:, None]
    found, _ = in_mix(stems, mixed(stems) + foreign)
    assert found.foreign is not None and not found.complete
    assert found.foreign.low_hz <= 830.0 <= found.foreign.high_hz
    assert (found.foreign.first_s, found.foreign.last_s) == pytest.approx((8.0, 12.0), abs=0.5)


def test_a_loud_stem_that_is_inverted_or_late_hides_no_other(stems: dict[str, Floats]) -> None:
    """With most of the power in one stem, the sum of all is not in the mix any more."""
    loud = stems | {NAMES[BASS]: 4.0 * stems[NAMES[BASS]]}
    for made, late, inverted in ((-loud[NAMES[BASS]], 0, True), (delayed(loud[NAMES[BASS]], 1_000), 1_000, False)):
        found, _ = in_mix(loud, np.pad(mixed(loud | {NAMES[BASS]: made}), ((700, 0), (0, 0))))
        for n, stem in enumerate(found.stems):
            assert stem.level.inverted == (inverted and n == BASS)
            assert stem.delay_samples == (late if n == BASS else 0)
            assert stem.level.gain_db == pytest.approx(0.0, abs=0.05)
        assert found.alignment.offset_samples == 700
        assert not found.alignment.inverted


def test_another_take_is_refused(stems: dict[str, Floats]) -> None:
    other = dict(stems)
    other[NAMES[GUITAR]] = song(77, 20.0)[NAMES[GUITAR]]
    found, _ = in_mix(stems, mixed(other))
    assert found.stems[GUITAR].missing and found.stems[GUITAR].level.gain_db is None
    for n, stem in enumerate(found.stems):
        if n != GUITAR and stem.level.gain_db is not None:
            assert stem.level.gain_db == pytest.approx(0.0, abs=0.5)


def rough_of(stems: dict[str, Floats], rough: Floats, mix: Against | None = None) -> RoughFound:
    told = known(mix, signals(stems)) if mix else None
    return against_rough(NAMES, signals(stems), "rough", ArraySignal(rough, RATE), GROUPS, told)


def test_the_balance_of_a_rough_mix(stems: dict[str, Floats]) -> None:
    gains = {NAMES[SNARE]: 2.0, NAMES[LEAD]: 3.0, NAMES[BASS]: -2.0}
    _, mix = in_mix(stems, mixed(stems, {NAMES[SNARE]: -1.0}))
    found = rough_of(stems, mp3(limited(glued(0.4 * mixed(stems, gains)))), mix)
    true = {SNARE: 3.0, LEAD: 3.0, BASS: -2.0}
    known = 0
    for n, each in enumerate(found.stems):
        if each.difference_db is not None:
            known += 1
            assert each.difference_db == pytest.approx(true.get(n, 0.0), abs=0.5)
    assert known >= 5
    assert found.extra is None and found.against_mix


def test_a_ride_is_no_difference_but_is_told_by_section(stems: dict[str, Floats]) -> None:
    ridden = dict(stems)
    gain_db = np.repeat([-2.0, -2.0, 0.0, 0.0, 2.0, 2.0], -(-len(stems[NAMES[PAD]]) // 6))[: len(stems[NAMES[PAD]])]
    ridden[NAMES[PAD]] = stems[NAMES[PAD]] * 10.0 ** (gain_db / 20.0)[:, None]
    pad = rough_of(stems, glued(mixed(ridden))).stems[PAD]
    assert pad.difference_db is None and pad.why == "rides"
    moved = np.array([np.nan if each is None else each for each in pad.sections_db])
    assert moved[4:].mean() - moved[:2].mean() == pytest.approx(4.0, abs=0.5)


def test_a_mix_of_other_stems_is_refused(stems: dict[str, Floats]) -> None:
    with pytest.raises(PairError, match="do not belong together"):
        in_mix(stems, mixed(song(78, 20.0)))


def test_mono_mixes_and_other_rates(stems: dict[str, Floats]) -> None:
    mono = mixed(stems, {NAMES[BASS]: -3.0}).mean(axis=1, keepdims=True)
    found, _ = in_mix(stems, mono)
    assert found.stems[BASS].level.gain_db == pytest.approx(-3.0, abs=0.1)
