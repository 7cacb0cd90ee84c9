"""The table of quantities is the spine: keys carry their unit, and the meters fill every one of them."""

import numpy as np
import pytest

from master_check.measurement.measurement import Measurement
from master_check.measurement.stated import with_tags
from master_check.provenance.finding import ORIGIN_KEYS
from master_check.sound.tags.tag import Tag, Tags
from master_check.tables.quantities import ALBUM_QUANTITIES, CHANNEL_KEYS, GROUPS, QUANTITIES, Quantity, grouped
from tests.signals import measured, noise, quantised, sine

# Design of the JSON interface: "a key once shipped keeps its meaning", so none of these may go.
SHIPPED = (
    *("integrated_lufs", "loudness_range_lu", "momentary_max_lufs", "short_term_max_lufs", "true_peak_dbtp"),
    *("sample_peak_dbfs", "plr_lu", "psr_min_lu", "rms_dbfs", "crest_db", "headroom_db", "clipped_runs"),
    *("clipped_samples", "clipped_longest_samples", "flat_top_runs", "hidden_clipped_runs", "true_peak_over_runs"),
    *("saturation_left_percent", "saturation_right_percent", "saturation_mid_percent", "saturation_side_percent"),
    *("saturation_left_low_percent", "saturation_mid_low_percent", "pinned_left_percent", "pinned_side_percent"),
    *("dc_offset_dbfs", "correlation_min", "balance_lu", "mono_loss_lu", "side_to_mid_db", "head_silence_s"),
    *("tail_silence_s", "sample_rate_hz", "bit_depth", "bits_used", "channels", "duration_s"),
)

UNITS = {
    "lufs": "LUFS",
    "lu": "LU",
    "dbtp": "dBTP",
    "dbfs": "dBFS",
    "db": "dB",
    "percent": "%",
    "s": "s",
    "hz": "Hz",
    "samples": "samples",
}

TAGS = (
    *(Tag(name, "bext", -10.0) for name in ("loudness_lufs", "true_peak_dbtp", "momentary_max_lufs")),
    *(Tag(name, "bext", 5.0) for name in ("short_term_max_lufs", "loudness_range_lu")),
    *(Tag(name, "ID3", 1) for name in ("replaygain_track_gain_db", "replaygain_track_peak", "r128_track_gain")),
    *(Tag("isrc", "ID3", code) for code in ("GBAAA2612345", "none")),
    Tag("coding_history", "bext", "A=PCM,F=96000,W=24,M=mono"),
    *(Tag(name, "cue", 10**9) for name in ("time_reference_samples", "cue_point_samples")),
)

every_row = pytest.mark.parametrize("row", [*QUANTITIES.values(), *ALBUM_QUANTITIES.values()], ids=lambda row: row.key)


@pytest.fixture(scope="module")
def master() -> Measurement:
    """Ten seconds of clipped, unequal stereo, bass and noise, in words of 24 bits, and tags: all that can be had."""
    frames = np.clip(noise(10.0, -12.0, 2) + sine(10.0, -6.0, 97.0, channels=2), -1.0, 0.9)
    frames[:, 1] *= 0.8
    return with_tags(measured(quantised(np.asarray(frames, np.float32), 24), bits=24), Tags(TAGS))


def test_no_shipped_key_is_gone() -> None:
    assert set(SHIPPED) <= set(QUANTITIES)


@every_row
def test_the_key_ends_in_the_unit(row: Quantity) -> None:
    suffix = row.key.rsplit("_", 1)[-1]
    if suffix in UNITS and row.key not in ("clipped_samples",):
        assert row.unit == UNITS[suffix]
    else:
        assert row.unit in ("", "bit")  # counts, ratios, words


@every_row
def test_a_row_says_what_it_is(row: Quantity) -> None:
    assert row.title and row.title[0].isupper()
    assert row.meaning.endswith(".")
    assert "\n" not in row.meaning + row.remedy + row.title
    assert 0 <= row.decimals <= 3


@every_row
def test_a_row_is_in_a_group_and_its_short_name_is_short(row: Quantity) -> None:
    assert row.group in GROUPS
    assert len(row.short) <= 24 and not row.short.endswith(".")


def test_groups_hold_every_quantity_once_in_the_order_of_the_table() -> None:
    for table in (QUANTITIES, ALBUM_QUANTITIES):
        found = grouped(table)
        assert list(found) == [group for group in GROUPS if group in found]
        held = [row for rows in found.values() for row in rows]
        assert sorted(held, key=list(table.values()).index) == list(table.values())
        for rows in found.values():
            assert rows == [row for row in table.values() if row in rows]
            short = [row.short for row in rows if row.short]
            assert len(set(short)) == len(short), "told apart on the terminal"


def test_titles_are_not_used_twice() -> None:
    for table in (QUANTITIES, ALBUM_QUANTITIES):
        titles = [row.title for row in table.values()]
        assert len(set(titles)) == len(titles)
    assert not set(QUANTITIES) & set(ALBUM_QUANTITIES)


@pytest.mark.parametrize("key", QUANTITIES)
def test_every_quantity_is_measured(master: Measurement, key: str) -> None:
    found = master.values[key]
    if key in ORIGIN_KEYS:  # only where it is asked for, and something found: tests/provenance
        assert found is None
        return
    if QUANTITIES[key].text:
        assert isinstance(found, str)
    else:
        assert isinstance(found, (int, float)) and not isinstance(found, bool)
        assert np.isfinite(found)


def test_a_measurement_has_the_tables_keys_in_its_order(master: Measurement) -> None:
    assert list(master.values) == list(QUANTITIES)
    assert set(master.at_s) <= set(QUANTITIES)
    assert [list(channel) for channel in master.channels] == [["label", *CHANNEL_KEYS]] * 2


def test_numbers_are_plain_python_ones(master: Measurement) -> None:
    """What json and csv write without help."""
    for found in (
        *master.values.values(),
        *master.at_s.values(),
        *(v for row in master.channels for v in row.values()),
    ):
        assert type(found) in (int, float, str, type(None))
