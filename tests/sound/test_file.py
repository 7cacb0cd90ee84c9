"""Reading: every container and encoding a record comes in, exactly; layouts from channel masks; whole hops."""

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from master_check.measurement.one_pass import measure
from master_check.sound.blocks import PAST, Block, blocks_of
from master_check.sound.file import AudioFile
from master_check.sound.format import AudioError
from master_check.tables import layouts
from tests.signals import RATE, Frames, db, noise, quantised, sine, value, write

LOSSLESS = {
    "WAV": ("PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"),
    "WAVEX": ("PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"),
    "RF64": ("PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"),
    "W64": ("PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"),
    "AIFF": ("PCM_S8", "PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"),
    "CAF": ("PCM_S8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "ALAC_16", "ALAC_20", "ALAC_24", "ALAC_32"),
    "AU": ("PCM_S8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"),
    "FLAC": ("PCM_S8", "PCM_16", "PCM_24"),
}
BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32, "DOUBLE": 64}
BITS |= {f"ALAC_{bits}": bits for bits in (16, 20, 24, 32)}
RATES = (8_000, 11_025, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000, 352_800, 384_000)


def kinds(table: dict[str, tuple[str, ...]]) -> list[tuple[str, str]]:
    return [(container, encoding) for container, encodings in table.items() for encoding in encodings]


@pytest.mark.parametrize(("container", "encoding"), kinds(LOSSLESS))
def test_every_lossless_encoding_is_read_to_the_last_bit(tmp_path: Path, container: str, encoding: str) -> None:
    # libsndfile 1.2.2 writes ALAC of incompressible noise that it reads back wrong (20 bits and more): a sine there.
    signal = sine(0.7, -12.0, channels=2) if "ALAC" in encoding else noise(0.7, -12.0, 2)
    frames = quantised(signal, min(BITS[encoding], 24))
    path = write(tmp_path / "file", frames, RATE, encoding, container)
    with AudioFile(path) as file:
        assert file.format.container == container
        assert file.format.encoding == encoding
        assert file.format.bit_depth == BITS[encoding]
        assert file.format.floating == (encoding in ("FLOAT", "DOUBLE"))
        assert (file.format.rate, file.format.channels, file.frames) == (RATE, 2, len(frames))
        np.testing.assert_array_equal(file.read_all(), frames)
        assert file.notes == []


@pytest.mark.parametrize(
    ("container", "encoding", "rate"),
    [
        ("OGG", "VORBIS", 44_100),
        ("OGG", "VORBIS", 96_000),
        ("OGG", "OPUS", 48_000),
        ("OGG", "OPUS", 16_000),
        ("MP3", "MPEG_LAYER_III", 44_100),
        ("MP3", "MPEG_LAYER_III", 22_050),
        ("WAV", "ULAW", 8_000),
        ("WAV", "MS_ADPCM", 44_100),
        ("AIFF", "IMA_ADPCM", 44_100),
    ],
)
def test_lossy_encodings_are_read_and_have_no_word_length(
    tmp_path: Path, container: str, encoding: str, rate: int
) -> None:
    path = write(tmp_path / "file.mp3", sine(4.0, -10.0, channels=2, rate=rate), rate, encoding, container)
    found = measure(path)
    assert (found.format.container, found.format.encoding) == (container, encoding)
    assert found.format.rate == rate
    assert found.values["bit_depth"] is None
    assert found.values["bits_used"] is None
    assert value(found, "duration_s") == pytest.approx(4.0, abs=0.1)  # encoders pad
    assert value(found, "rms_dbfs") == pytest.approx(-13.01, abs=0.3)  # and lose a little


@pytest.mark.parametrize("rate", RATES)
def test_every_rate_from_8_to_384_khz(tmp_path: Path, rate: int) -> None:
    path = write(tmp_path / "file.wav", sine(1.0, -6.0, channels=2, rate=rate), rate)
    found = measure(path)
    assert found.values["sample_rate_hz"] == rate
    assert value(found, "duration_s") == 1.0
    # A 997 Hz sine in both channels reads its peak level (BS.1770-5, Annex 1: -3.01 in one channel); the filter's
    # shape moves by up to 0.04 dB with the rate.
    assert value(found, "integrated_lufs") == pytest.approx(-6.0, abs=0.05)
    assert value(found, "true_peak_dbtp") == pytest.approx(-6.0, abs=0.05)


@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64", "W64", "AIFF", "CAF", "AU", "FLAC"])
@pytest.mark.parametrize("channels", [1, 2, 5, 6, 8])
def test_channels_keep_their_order(tmp_path: Path, container: str, channels: int) -> None:
    levels = -6.0 * np.arange(1, channels + 1)
    frames = quantised(np.hstack([sine(0.5, level) for level in levels]), 24)
    path = write(tmp_path / "file", frames, RATE, "PCM_24", container)
    found = measure(path)
    peaks = [channel["sample_peak_dbfs"] for channel in found.channels]
    assert peaks == pytest.approx(list(levels), abs=0.02)
    expected = {1: "mono", 2: "stereo", 5: "5.0", 6: "5.1", 8: "7.1"}[channels]
    if channels == 8 and container in ("WAVEX", "RF64"):
        expected = "L,R,C,LFE,Ls,Rs,Lc,Rc"  # libsndfile writes the mask 0xFF
    assert found.values["layout"] == expected


# Vorbis I specification, section 4.3.9: the order in the stream; Opus shares it (RFC 7845, section 5.1.1.2).
@pytest.mark.parametrize("encoding", ["VORBIS", "OPUS"])
@pytest.mark.parametrize(
    ("channels", "order"),
    [(1, "M"), (2, "L R"), (5, "L C R Ls Rs"), (6, "L C R Ls Rs LFE"), (8, "L C R Lss Rss Lrs Rrs LFE")],
)
def test_ogg_has_its_own_channel_order(tmp_path: Path, encoding: str, channels: int, order: str) -> None:
    path = write(tmp_path / "file.ogg", noise(1.0, -20.0, channels), RATE, encoding, "OGG")
    with AudioFile(path) as file:
        assert file.format.labels == tuple(order.split())


def test_floats_above_full_scale_are_kept(tmp_path: Path) -> None:
    path = write(tmp_path / "hot.wav", sine(1.0, 4.0, channels=2), RATE, "FLOAT")
    assert value(measure(path), "sample_peak_dbfs") == pytest.approx(4.0, abs=0.001)


def test_the_input_is_only_read(tmp_path: Path) -> None:
    path = write(tmp_path / "master.wav", noise(1.0))
    path.chmod(0o444)
    before = path.stat(), path.read_bytes()
    measure(path)
    after = path.stat()
    assert path.read_bytes() == before[1]
    assert (after.st_mtime_ns, after.st_size, after.st_mode) == (
        before[0].st_mtime_ns,
        before[0].st_size,
        before[0].st_mode,
    )


# Layouts from the channel mask (Microsoft, "Multiple Channel Audio Data and WAVE Files"; bit order from memory).

FL, FR, FC, LFE, BL, BR, BC, SL, SR = 0x1, 0x2, 0x4, 0x8, 0x10, 0x20, 0x100, 0x200, 0x400
PCM_GUID = bytes.fromhex("0100000000001000800000aa00389b71")


def extensible(path: Path, frames: Frames, mask: int, valid_bits: int = 16) -> Path:
    """A WAVEFORMATEXTENSIBLE file of 16-bit words with any channel mask, written byte by byte."""
    channels = frames.shape[1]
    data = (quantised(frames, 16) * 32768.0).astype("<i2").tobytes()
    form = struct.pack("<HHIIHH", 0xFFFE, channels, RATE, RATE * 2 * channels, 2 * channels, 16)
    form += struct.pack("<HHI", 22, valid_bits, mask) + PCM_GUID
    body = b"WAVE" + b"fmt " + struct.pack("<I", len(form)) + form + b"data" + struct.pack("<I", len(data)) + data
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    return path


@pytest.mark.parametrize(
    ("mask", "name", "labels"),
    [
        (FC, "mono", "M"),
        (FL | FR, "stereo", "L R"),
        (FL | FR | FC, "3.0", "L R C"),
        (0x33, "4.0", "L R Ls Rs"),
        (0x37, "5.0", "L R C Ls Rs"),
        (0x607, "5.0", "L R C Ls Rs"),
        (0x3F, "5.1", "L R C LFE Ls Rs"),
        (0x60F, "5.1", "L R C LFE Ls Rs"),
        (0x63F, "7.1", "L R C LFE Lrs Rrs Lss Rss"),
        (0x13F, "L,R,C,LFE,Ls,Rs,Cs", "L R C LFE Ls Rs Cs"),
        (FL | FR | LFE, "L,R,LFE", "L R LFE"),
    ],
    ids=lambda given: hex(given) if isinstance(given, int) else "",
)
def test_layout_from_the_channel_mask(tmp_path: Path, mask: int, name: str, labels: str) -> None:
    path = extensible(tmp_path / "masked.wav", noise(0.5, -20.0, len(labels.split())), mask)
    found = measure(path)
    assert found.values["layout"] == name
    assert [channel["label"] for channel in found.channels] == labels.split()


def test_the_mask_decides_what_counts_as_loudness(tmp_path: Path) -> None:
    """Three channels of the same noise: the third counts as centre and not as LFE (BS.1770-5, Annex 1)."""
    frames = np.repeat(noise(3.0, -20.0, 1), 3, axis=1)
    as_centre = value(measure(extensible(tmp_path / "c.wav", frames, FL | FR | FC)), "integrated_lufs")
    as_lfe = value(measure(extensible(tmp_path / "lfe.wav", frames, FL | FR | LFE)), "integrated_lufs")
    assert as_centre - as_lfe == pytest.approx(10.0 * np.log10(3 / 2), abs=1e-6)


@pytest.mark.parametrize("mask", [0, 0x1, 0x4000_0000], ids=hex)
def test_a_mask_that_says_nothing_usable_leaves_the_usual_layout(tmp_path: Path, mask: int) -> None:
    path = extensible(tmp_path / "masked.wav", noise(0.5, -20.0, 6), mask)
    assert measure(path).values["layout"] == "5.1"


def test_the_engineer_overrides_the_layout(tmp_path: Path) -> None:
    path = extensible(tmp_path / "masked.wav", noise(0.5, -20.0, 6), 0x3F)
    found = measure(path, layouts.parse("L,C,R,Ls,Rs,LFE"))
    assert [channel["label"] for channel in found.channels] == ["L", "C", "R", "Ls", "Rs", "LFE"]
    with pytest.raises(AudioError, match=r"has 6 channels, but the layout stereo has 2$"):
        measure(path, layouts.parse("stereo"))


# Blocks


@pytest.mark.parametrize("rate", [8_000, 11_025, 44_100, 48_000])
@pytest.mark.parametrize("hops", [1, 3, 100])
def test_blocks_hold_every_sample_once_in_whole_hops(rate: int, hops: int) -> None:
    rng = np.random.default_rng(1)
    frames = np.where(rng.random((rate + 37, 2)) < 0.1, 0.0, noise(1.1, -10.0, 2, rate)[: rate + 37])
    frames = np.asarray(frames, np.float32)
    joined = []
    for number, block in enumerate(blocks_of(frames, rate, hops)):
        assert block.start == number * hops * rate // 100
        check_hops(block, frames, rate)
        joined.append(block.frames.T.copy())
        past = np.concatenate([np.zeros((PAST, 2), np.float32), frames])[block.start : block.start + PAST]
        np.testing.assert_array_equal(block.buffer[:, :PAST].T, past)
    np.testing.assert_array_equal(np.concatenate(joined), frames)


def check_hops(block: Block, frames: Frames, rate: int) -> None:
    """Hop h of the file begins at sample h * rate // 100; largest magnitude and zeros of each are as numpy finds."""
    first_hop = -(-block.start * 100 // rate)
    for hop, (first, last) in enumerate(zip(block.edges[:-1], block.edges[1:], strict=True)):
        assert block.start + first == (first_hop + hop) * rate // 100
        samples = frames[block.start + first : block.start + last]
        np.testing.assert_array_equal(block.tops[:, hop], np.abs(samples).max(axis=0))
        np.testing.assert_array_equal(block.zeros[:, hop], (samples == 0.0).sum(axis=0))
    assert block.edges[-1] == block.length


def test_words_of_32_bits_come_as_they_are_stored(tmp_path: Path) -> None:
    words = np.random.default_rng(1).integers(-(2**31), 2**31, (RATE, 2), dtype=np.int64).astype(np.int32)
    soundfile.write(tmp_path / "long.wav", words, RATE, subtype="PCM_32")
    with AudioFile(tmp_path / "long.wav") as file:
        blocks = [(block.words, block.frames.T.copy()) for block in file.blocks(hops=1000)]
    ((found, frames),) = blocks
    np.testing.assert_array_equal(found, words)
    np.testing.assert_allclose(frames, words / 2.0**31, atol=1e-7)


@pytest.mark.parametrize("left_after", [0, 1, 3])
def test_a_file_can_be_left_while_it_is_read_ahead(tmp_path: Path, left_after: int) -> None:
    path = tmp_path / "a.flac"
    soundfile.write(path, noise(20.0, -20.0, 2), RATE, subtype="PCM_24")
    with AudioFile(path) as file:
        blocks = file.blocks(hops=100, ahead=True)
        starts = [next(blocks).start for _ in range(left_after)]
    assert starts == [number * RATE for number in range(left_after)]


def test_what_is_wrong_with_a_file_read_ahead_is_said(tmp_path: Path) -> None:
    frames = noise(5.0, -20.0, 2)
    frames[-1, 0] = np.nan
    soundfile.write(tmp_path / "a.wav", frames, RATE, subtype="FLOAT")
    with AudioFile(tmp_path / "a.wav") as file, pytest.raises(AudioError, match="not a number"):
        list(file.blocks(hops=100, ahead=True))
    whole = tmp_path / "b.flac"
    soundfile.write(whole, frames[:-1], RATE, subtype="PCM_24")
    whole.write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    with (
        AudioFile(whole) as file,
        pytest.raises(AudioError, match=r"damaged after 0:0\d\.\d{3} \(flac decoder lost sync\)"),
    ):
        list(file.blocks(hops=100, ahead=True))


@pytest.mark.parametrize("size", [1, 100, 440, 441, 442, 44_100])
def test_any_length_is_read_whole(tmp_path: Path, size: int) -> None:
    frames = quantised(noise(1.0, -20.0, 2, 44_100)[:size], 24)
    path = write(tmp_path / "short.wav", frames, 44_100)
    with AudioFile(path) as file:
        np.testing.assert_array_equal(file.read_all(), frames)
    assert value(measure(path), "duration_s") == size / 44_100
    assert value(measure(path), "sample_peak_dbfs") == pytest.approx(float(db(np.abs(frames).max())), abs=1e-4)
