"""The codecs' transforms against what their standards promise of them, and against transforms written out."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import scipy.signal

from master_check.provenance.filterbank import (
    LINES,
    STEPS,
    SUBBANDS,
    Hybrid,
    Mdct,
    Transform,
    kaiser_bessel_window,
    polyphase_window,
    sine_window,
    vorbis_window,
)

RATE = 44_100


@pytest.mark.parametrize("window", [sine_window, kaiser_bessel_window, vorbis_window])
def test_windows_give_back_what_they_take(window: Callable[[int], Any]) -> None:
    """Princen-Bradley: the squares of both halves add up to one (ISO/IEC 14496-3, 4.6.11; Vorbis I, 4.3.1)."""
    squares = np.square(window(2048))
    np.testing.assert_allclose(squares[:1024] + squares[1024:], 1.0, atol=1e-12)


def test_the_polyphase_filters_give_back_what_they_take() -> None:
    """ISO/IEC 11172-3, C.1.3: ripple below 0.07 dB, side lobes below -96 dB. A slip in the table would show."""
    n, k = np.arange(512), np.arange(SUBBANDS)[:, None]
    signs = np.where(n // 64 % 2, -1.0, 1.0)
    filters = polyphase_window() * signs * np.cos((2 * k + 1) * (n - 16) * np.pi / 64)
    powers = np.square(np.abs(np.fft.rfft(filters, 4096, axis=1)))
    total = powers.sum(axis=0)
    assert 10.0 * np.log10(total.max() / total.min()) < 0.07
    assert 10.0 * np.log10(powers[0, 160:].max() / powers[0].max()) < -96.0


def test_mdct_is_the_transform_of_the_standard() -> None:
    """Written out: sum of window x cos(2 pi / N (n + (N / 2 + 1) / 2) (k + 1 / 2)) (ISO/IEC 14496-3, 4.6.11.3.1)."""
    samples = np.random.default_rng(0).standard_normal(2052).astype(np.float32)
    transform = Mdct(sine_window(2048), RATE)
    found = transform.at(samples, 5)
    n, k = np.arange(2048), np.arange(1024)[:, None]
    cosines = np.cos(2.0 * np.pi / 2048.0 * (n + 512.5) * (k + 0.5))
    first = int(1500.0 / (RATE / 2048.0))
    for place in (0, 4):
        expected = 2.0 * cosines @ (sine_window(2048) * samples[place : place + 2048])
        np.testing.assert_allclose(np.abs(found[:, place]), np.abs(expected[first : first + len(found)]), atol=2e-3)


def test_the_hybrid_filterbank_is_that_of_the_standard() -> None:
    """Written out: the polyphase filters by scipy, then the windowed transform and the butterflies of one place."""
    samples = np.random.default_rng(1).standard_normal(Hybrid.support + 40).astype(np.float32)
    found = Hybrid(RATE).at(samples, 41)
    n, k = np.arange(512), np.arange(SUBBANDS)[:, None]
    filters = polyphase_window() * np.where(n // 64 % 2, -1.0, 1.0) * np.cos((2 * k + 1) * (n - 16) * np.pi / 64)
    t, line = np.arange(STEPS), np.arange(LINES)[:, None]
    lines = np.sin(np.pi / 36 * (t + 0.5)) * np.cos(np.pi / 72 * (2 * t + 19) * (2 * line + 1))
    place = 40
    spectrum = np.empty((SUBBANDS, LINES))
    for band in range(SUBBANDS):
        filtered = scipy.signal.fftconvolve(samples, filters[band], "valid")[place::32][:STEPS]
        spectrum[band] = lines @ (filtered * np.where((t % 2 == 1) & (band % 2 == 1), -1.0, 1.0))
    for i, c in enumerate((-0.6, -0.535, -0.33, -0.185, -0.095, -0.041, -0.0142, -0.0037)):  # table B.9
        below, above = spectrum[:-1, 17 - i].copy(), spectrum[1:, i].copy()
        spectrum[:-1, 17 - i] = (below - above * c) / np.hypot(1.0, c)
        spectrum[1:, i] = (above + below * c) / np.hypot(1.0, c)
    first = int(1500.0 / (RATE / 64.0))
    expected = spectrum[first : first + len(found) // LINES].reshape(-1)
    np.testing.assert_allclose(found[:, place], expected, atol=1e-5)


@pytest.mark.parametrize("transform", [Mdct(vorbis_window(2048), RATE), Hybrid(RATE)])
def test_few_places_are_as_many(transform: Transform) -> None:
    samples = np.random.default_rng(2).standard_normal(transform.support + 99).astype(np.float32)
    np.testing.assert_allclose(
        transform.at(samples[50:], 10)[:, :5], transform.at(samples, 100)[:, 50:55], rtol=1e-4, atol=1e-4
    )
