"""Silence before, after and inside, and dropouts, against constructed truth. Common practice: no standard has them."""

import numpy as np
import pytest

from tests.signals import RATE, Frames, measured, noise, silence, sine, value

# Head and tail: to the first and from the last sample above -60 dBFS.


@pytest.mark.parametrize(("head", "tail"), [(0, 0), (1, 479), (480, 481), (24_000, 96_001), (60_000, 3)])
def test_head_and_tail_are_exact_to_the_sample(head: int, tail: int) -> None:
    frames = np.vstack([silence(head / RATE, 2), np.full((4_800, 2), 0.5, np.float32), silence(tail / RATE, 2)])
    found = measured(frames)
    assert value(found, "head_silence_s") == head / RATE
    assert value(found, "tail_silence_s") == tail / RATE


@pytest.mark.parametrize(("level_db", "heard"), [(-59.9, True), (-60.1, False)])
def test_a_noise_floor_below_minus_60_dbfs_is_silence(level_db: float, heard: bool) -> None:
    floor = np.full((RATE, 1), 10.0 ** (level_db / 20.0), np.float32)
    found = measured(np.vstack([floor, np.full((RATE, 1), 0.5, np.float32)]))
    assert value(found, "head_silence_s") == (0.0 if heard else 1.0)


def test_one_channel_is_enough_to_be_heard() -> None:
    frames = silence(1.0, 2)
    frames[10_000, 1] = 0.5
    frames[20_000, 0] = -0.5
    found = measured(frames)
    assert value(found, "head_silence_s") == 10_000 / RATE
    assert value(found, "tail_silence_s") == (RATE - 20_001) / RATE


def test_where_nothing_is_heard_there_is_no_before_and_after() -> None:
    found = measured(noise(1.0, -90.0))
    assert found.values["head_silence_s"] is None
    assert found.values["tail_silence_s"] is None


# Digital silence between first and last sound, counted in whole 10 ms hops.


def with_gaps(*gaps: tuple[int, int], channels: int = 2, seconds: float = 3.0) -> Frames:
    """A tone without an exact zero, with gaps of (first sample, samples) of exact zeros."""
    frames = sine(seconds, -12.0, 997.0, channels, phase=0.1) + np.float32(1e-4)
    assert np.all(frames != 0.0)
    for first, samples in gaps:
        frames[first : first + samples] = 0.0
    return frames


@pytest.mark.parametrize("hops", [1, 9, 100])
def test_digital_silence_inside_is_summed_and_timed(hops: int) -> None:
    frames = with_gaps((48_000, 9_600), (100_000, 24_000))
    found = measured(frames, hops=hops)
    # To the hop: 0.2 s fits exactly, the second gap begins and ends within hops.
    assert value(found, "digital_silence_s") == pytest.approx(0.2 + 0.5, abs=0.02)
    assert found.at_s["digital_silence_s"] == pytest.approx(1.0, abs=0.01)


def test_silence_at_head_and_tail_is_not_inside() -> None:
    frames = with_gaps((0, 48_000), (96_000, 48_000))
    found = measured(frames)
    assert found.values["digital_silence_s"] == 0.0
    assert "digital_silence_s" not in found.at_s
    assert value(found, "head_silence_s") == pytest.approx(1.0, abs=0.001)


def test_silence_in_one_channel_is_none() -> None:
    frames = with_gaps()
    frames[48_000:96_000, 1] = 0.0
    assert measured(frames).values["digital_silence_s"] == 0.0


def test_dither_is_not_digital_silence() -> None:
    frames = with_gaps()
    frames[48_000:96_000] = 2.0**-23
    assert measured(frames).values["digital_silence_s"] == 0.0


# Dropouts: from above -50 dBFS to exact zero for 1 to 100 ms and back as abruptly.


@pytest.mark.parametrize("hops", [1, 100])
@pytest.mark.parametrize(
    ("samples", "count"), [(1, 0), (47, 0), (48, 1), (100, 1), (480, 1), (4_800, 1), (4_801, 0), (20_000, 0)]
)
def test_a_dropout_lasts_from_1_to_100_ms(samples: int, count: int, hops: int) -> None:
    frames = with_gaps()
    frames[50_001 : 50_001 + samples, 1] = 0.0
    found = measured(frames, hops=hops)
    assert found.values["dropouts"] == count
    assert [channel["dropouts"] for channel in found.channels] == [0, count]
    if count:
        assert found.at_s["dropouts"] == 50_001 / RATE


def test_each_is_counted_in_each_channel() -> None:
    frames = with_gaps((30_000, 100), (47_990, 100), (96_000, 1_000))
    frames[10_000:10_200, 0] = 0.0
    found = measured(frames)
    assert found.values["dropouts"] == 7
    assert [channel["dropouts"] for channel in found.channels] == [4, 3]
    assert found.at_s["dropouts"] == 10_000 / RATE


@pytest.mark.parametrize("end", ["before", "after"])
def test_a_fade_to_or_from_zero_is_no_dropout(end: str) -> None:
    frames = with_gaps((48_000, 480))
    fade = np.linspace(0.0, 0.003, 200, dtype=np.float32)[:, None]  # stays below -50 dBFS for 200 samples
    if end == "before":
        frames[48_000 - 200 : 48_000] = fade[::-1]
    else:
        frames[48_480 : 48_480 + 200] = fade
    assert measured(frames).values["dropouts"] == 0


def test_gaps_in_quiet_passages_and_at_the_ends_are_none() -> None:
    quiet = with_gaps((48_000, 480)) * np.float32(0.01)
    assert measured(quiet).values["dropouts"] == 0
    assert measured(with_gaps((0, 480), (3 * RATE - 480, 480))).values["dropouts"] == 0


def test_clean_music_like_material_has_none() -> None:
    assert measured(noise(3.0, -20.0)).values["dropouts"] == 0


# Gaps of one channel: as dropouts, but longer than 100 ms, and while another channel plays.

GAPS = ("channel_gaps", "channel_gap_longest_s")


@pytest.mark.parametrize("hops", [1, 7, 100])
@pytest.mark.parametrize(("samples", "count"), [(4_800, 0), (4_801, 1), (20_000, 1), (60_001, 1)])
def test_a_gap_in_one_channel_is_counted_with_its_length(samples: int, count: int, hops: int) -> None:
    frames = with_gaps()
    frames[50_001 : 50_001 + samples, 1] = 0.0
    found = measured(frames, hops=hops)
    assert found.values["channel_gaps"] == count
    assert found.values["dropouts"] == 1 - count
    assert found.values["channel_gap_longest_s"] == count * samples / RATE
    assert [[channel[key] for key in GAPS] for channel in found.channels] == [[0, 0.0], [count, count * samples / RATE]]
    assert [found.at_s.get(key) for key in GAPS] == ([50_001 / RATE] * 2 if count else [None, None])


def test_the_longest_of_several_gaps_is_timed_by_itself() -> None:
    frames = with_gaps(seconds=6.0)
    frames[10_000:18_000, 0] = 0.0
    frames[60_000:90_000, 1] = 0.0
    frames[120_000:130_000, 1] = 0.0
    found = measured(frames)
    assert [found.values[key] for key in GAPS] == [3, 30_000 / RATE]
    assert [found.at_s[key] for key in GAPS] == [10_000 / RATE, 60_000 / RATE]
    assert [channel["channel_gaps"] for channel in found.channels] == [1, 2]


def test_a_break_of_all_channels_is_no_gap_of_one() -> None:
    frames = with_gaps((48_000, 48_000))
    frames[46_000:48_000, 1] = 0.0  # one channel ends a little earlier
    found = measured(frames)
    assert found.values["channel_gaps"] == 0
    assert value(found, "digital_silence_s") == pytest.approx(1.0, abs=0.02)


def test_a_mono_file_has_no_gap_of_one_channel() -> None:
    assert measured(with_gaps((48_000, 48_000), channels=1)).values["channel_gaps"] == 0


def test_in_surround_the_other_channels_count_together() -> None:
    frames = with_gaps(channels=6)
    frames[40_000:60_000, 2] = 0.0
    frames[40_000:60_000, 4:] = 0.0
    found = measured(frames)
    assert [channel["channel_gaps"] for channel in found.channels] == [0, 0, 1, 0, 1, 1]


@pytest.mark.parametrize("where", [slice(0, 70_000), slice(70_000, None), slice(None)])
def test_a_channel_that_enters_late_or_ends_early_has_no_gap(where: slice) -> None:
    frames = with_gaps()
    frames[where, 1] = 0.0
    assert measured(frames).values["channel_gaps"] == 0


@pytest.mark.parametrize("end", ["before", "after"])
def test_a_part_that_fades_out_or_in_while_the_other_plays_on_leaves_no_gap(end: str) -> None:
    """Hard-panned parts: a channel is legitimately silent between two of them."""
    frames = with_gaps()
    frames[48_000:96_000, 1] = 0.0
    fade = np.linspace(0.0, 1.0, 9_600, dtype=np.float32) ** 2
    if end == "before":
        frames[48_000 - 9_600 : 48_000, 1] *= fade[::-1]
    else:
        frames[96_000 : 96_000 + 9_600, 1] *= fade
    assert measured(frames).values["channel_gaps"] == 0


def test_music_has_no_gap_until_one_is_cut(music: tuple[Frames, int]) -> None:
    frames, rate = music[0].copy(), music[1]
    assert measured(frames, rate).values["channel_gaps"] == 0
    frames[10 * rate : 10 * rate + rate // 2, 0] = 0.0
    found = measured(frames, rate)
    assert [found.values[key] for key in GAPS] == [1, pytest.approx(0.5, abs=0.001)]
