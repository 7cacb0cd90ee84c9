"""The same audio twice, and versions against their main version: planted gains and delays are found again."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from scipy.signal import butter, resample_poly, sosfilt

from master_check.albums.versions import delay, gain_between, levels, same_audio, same_but_for_gain, same_samples
from master_check.measurement.one_pass import measure

RATE = 48_000


def music(seconds: float, seed: int, low: float = 60.0, high: float = 9000.0) -> NDArray[np.float64]:
    """Hits of filtered noise at odd times over a bed: made up, stereo."""
    random = np.random.default_rng(seed)
    n = round(seconds * RATE)
    out = 0.003 * random.standard_normal((n, 2))
    for start in random.integers(0, n - RATE // 4, round(seconds * 5)):
        length = int(random.integers(RATE // 20, RATE // 4))
        hit = random.standard_normal((length, 2)) * np.exp(-np.arange(length) / (length / 5))[:, None]
        out[start : start + length] += random.uniform(0.03, 0.2) * hit
    return np.asarray(sosfilt(butter(2, [low, high], "bandpass", fs=RATE, output="sos"), out, axis=0))


def write(path: Path, frames: NDArray[Any], subtype: str = "PCM_24", rate: int = RATE) -> Path:
    soundfile.write(path, frames, rate, subtype)
    return path


def late(frames: NDArray[np.float64], samples: int) -> NDArray[np.float64]:
    """The same length, moved."""
    moved = np.zeros_like(frames)
    if samples >= 0:
        moved[samples:] = frames[: len(frames) - samples]
    else:
        moved[:samples] = frames[-samples:]
    return moved


BACKING, VOICE = music(25.0, 1), music(25.0, 2, 300.0, 4000.0)


@pytest.mark.parametrize("samples", [0, 1, -1, 64, -511, 3000, -24_000, 200_000])
def test_an_instrumental_is_placed_to_the_sample(samples: int, tmp_path: Path) -> None:
    main = measure(write(tmp_path / "main.wav", BACKING + VOICE))
    version = measure(write(tmp_path / "version.wav", late(BACKING, samples)))
    assert delay(main, version) == samples / RATE


@pytest.mark.parametrize("samples", [0, 100, -2500])
def test_an_a_cappella_is_placed_to_the_sample(samples: int, tmp_path: Path) -> None:
    main = measure(write(tmp_path / "main.wav", BACKING + VOICE))
    version = measure(write(tmp_path / "version.wav", late(VOICE, samples)))
    assert delay(main, version) == samples / RATE


def test_polarity_gain_and_word_length_do_not_matter(tmp_path: Path) -> None:
    main = measure(write(tmp_path / "main.wav", BACKING + VOICE))
    version = measure(write(tmp_path / "version.wav", -0.2 * late(BACKING, 77), "PCM_16"))
    assert delay(main, version) == 77 / RATE


def test_another_sample_rate_is_placed_to_the_sample(tmp_path: Path) -> None:
    main = measure(write(tmp_path / "main.wav", BACKING + VOICE))
    version = measure(write(tmp_path / "version.wav", resample_poly(late(BACKING, 2400), 147, 160), rate=44_100))
    assert delay(main, version) == pytest.approx(0.05, abs=0.5 / 44_100)


def test_other_music_has_no_place(tmp_path: Path) -> None:
    main = measure(write(tmp_path / "main.wav", music(25.0, 3)))
    assert delay(main, measure(write(tmp_path / "other.wav", music(25.0, 4)))) is None
    assert delay(main, measure(write(tmp_path / "silence.wav", np.zeros((RATE * 25, 2))))) is None


@pytest.mark.parametrize("frames", [1, 4000, 9000, 30_000])
def test_short_files_do_no_harm(frames: int, tmp_path: Path) -> None:
    main = measure(write(tmp_path / "main.wav", BACKING[:frames]))
    found = delay(main, measure(write(tmp_path / "version.wav", BACKING[:frames])))
    assert found is None or found == pytest.approx(0.0, abs=0.005)


def test_same_samples_in_other_containers(tmp_path: Path) -> None:
    words = np.random.default_rng(1).integers(-(2**15), 2**15, (70_000, 2)).astype(np.int16)
    a = str(write(tmp_path / "a.wav", words, "PCM_16"))
    for name, subtype in (("b.flac", "PCM_16"), ("c.aiff", "PCM_24"), ("d.wav", "FLOAT"), ("e.flac", "PCM_24")):
        frames: NDArray[Any] = np.asarray(words / 32768.0 if subtype == "FLOAT" else words)
        assert same_samples(a, str(write(tmp_path / name, frames, subtype)))
    other = words.copy()
    other[-1, 1] ^= 1
    assert not same_samples(a, str(write(tmp_path / "other.wav", other, "PCM_16")))
    assert not same_samples(a, str(write(tmp_path / "short.wav", words[:-1], "PCM_16")))
    assert not same_samples(str(tmp_path / "short.wav"), a)
    assert not same_samples(a, str(write(tmp_path / "rate.wav", words, "PCM_16", 44_100)))
    assert not same_samples(a, str(write(tmp_path / "mono.wav", words[:, :1], "PCM_16")))


def test_heaps_of_the_same_audio(tmp_path: Path) -> None:
    frames = BACKING[: 5 * RATE].astype(np.float32)
    files: list[NDArray[Any]] = [frames, VOICE[: 5 * RATE], frames, -frames, frames[:, ::-1], frames]
    paths = [str(write(tmp_path / f"{i}.wav", each, "FLOAT")) for i, each in enumerate(files)]
    asked = []

    def same(a: int, b: int) -> bool:
        asked.append((a, b))
        return same_samples(paths[a], paths[b])

    measured = {i: measure(path) for i, path in enumerate(paths)}
    assert same_audio(measured, same) == [[0, 2, 5], [1], [3], [4]]
    # Only what cannot be told apart by its levels is decoded again.
    assert {i for pair in asked for i in pair} == {0, 2, 3, 5}


@pytest.mark.parametrize("gain", [0.0, -0.5, 3.0, -12.0])
def test_the_same_but_for_gain(gain: float, tmp_path: Path) -> None:
    frames = 0.3 * BACKING
    dither = np.random.default_rng(2).triangular(-1, 0, 1, frames.shape) / 32768.0
    turned = frames * 10.0 ** (gain / 20.0) + dither
    files = [frames, VOICE, turned, -frames[:, ::-1]]
    found = same_but_for_gain({i: measure(write(tmp_path / f"{i}.wav", x)) for i, x in enumerate(files)})
    assert [(i, k) for i, k, _ in found] == [(0, 2), (0, 3), (2, 3)]
    assert found[0][2] == pytest.approx(gain, abs=0.03)
    assert found[1][2] == pytest.approx(0.0, abs=1e-6)


def test_what_is_not_the_same_but_for_gain(tmp_path: Path) -> None:
    """Another master of the same mix, another take, steady tones that any other steady tone is like."""
    plain = measure(write(tmp_path / "plain.wav", BACKING))
    squashed = measure(write(tmp_path / "squashed.wav", np.tanh(4.0 * BACKING) / 4.0))
    moved = measure(write(tmp_path / "moved.wav", late(BACKING, 4800)))
    for other in (squashed, moved):
        assert gain_between(levels(plain.series), levels(other.series)) is None
    time = np.arange(5 * RATE) / RATE
    tones = [np.sin(2.0 * np.pi * f * time) * 0.2 for f in (440.0, 523.0)]
    assert same_but_for_gain({i: measure(write(tmp_path / f"{i}.wav", x)) for i, x in enumerate(tones)}) == []
