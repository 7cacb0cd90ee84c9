"""The mixing desk of the demo EP: notes and hits go to a place, a level, a room and an echo, at a musical time."""

from collections.abc import Sequence

import numpy as np
from scipy.signal import butter, fftconvolve, sosfilt

from demo.instruments import RATE, Audio, Hit, Note, hertz, panned
from demo.mastering import Compressor, compress, gain

STRENGTH = {"X": 1.0, "x": 0.8, "o": 0.55, "-": 0.32}
"""What the characters of a drum pattern stand for; anything else is a rest."""


HEAD_S, TAIL_S = 1.2, 1.1
"""Silence before the first beat, and after the ring-out."""

GLUE = Compressor(threshold_db=-20.0, ratio=3.0, attack_ms=1.0, release_ms=90.0, look_ahead_ms=3.0)
"""The mix bus's compressor; it sees the mix at a sample peak of 0 dBFS."""


class _Played:
    """What one instrument played: dry, and what it sends to the room and to the echo."""

    def __init__(self) -> None:
        self.buses: dict[str, Audio] = {}

    def add(self, bus: str, sound: Audio, start: int, frames: int) -> None:
        if bus not in self.buses:
            self.buses[bus] = np.zeros((frames, 2))
        self.buses[bus][start : start + len(sound)] += sound


def _name(instrument: Hit | Note) -> str:
    """What an instrument is called: it was made by the function of that name."""
    return instrument.__qualname__.partition(".")[0]


class Desk:
    """One song on the desk.

    Parameters
    ----------
    bpm : float
        Tempo, in quarter notes a minute.
    beats : int
        Quarter notes a bar.
    bars : int
        Length of the song, without the ring-out.
    seed : int
        Everything that varies from hit to hit comes from it.
    room_s : float
        How long the room takes to die away by 60 dB.
    echo_beats : float
        From one echo to the next.
    rides : sequence of (bar, dB)
        Fader moves of the whole mix, in straight lines of half a bar that end there.
    ring_s : float
        Time to ring out after the last bar.
    """

    def __init__(
        self, bpm: float, beats: int, bars: int, seed: int, room_s: float, echo_beats: float,
        rides: Sequence[tuple[float, float]], ring_s: float = 1.6,
    ) -> None:  # fmt: skip
        self.random = np.random.default_rng(seed)
        self.beat_s = 60.0 / bpm
        self.beats = beats
        end = HEAD_S + bars * beats * self.beat_s + ring_s
        self._end = round(end * RATE)
        self._frames = self._end + round(TAIL_S * RATE)
        self._room_s, self._echo_beats, self._rides = room_s, echo_beats, rides
        self._played: dict[str, _Played] = {}

    def place(
        self, instrument: str, sound: Audio, beat: float, level_db: float, pan: float = 0.0,
        room_db: float = -99.0, echo_db: float = -99.0, loose_s: float = 0.003,
    ) -> None:  # fmt: skip
        """Put a sound at a beat of the song, a little early or late (standard deviation `loose_s`)."""
        if sound.ndim == 1:
            sound = sound[:, None] * panned(pan)
        elif pan:
            sound = sound * panned(pan)
        start = round((HEAD_S + beat * self.beat_s) * RATE)
        start = max(round(HEAD_S * RATE), start + round(float(self.random.normal(0.0, loose_s)) * RATE))
        stop = min(start + len(sound), self._end)
        heard = sound[: stop - start] * gain(level_db)
        played = self._played.setdefault(instrument, _Played())
        played.add("dry", heard, start, self._frames)
        if room_db > -90.0:
            played.add("room", gain(room_db) * heard, start, self._frames)
        if echo_db > -90.0:
            played.add("echo", gain(echo_db) * heard, start, self._frames)

    def drums(
        self, hit: Hit, bars: Sequence[int], pattern: str, level_db: float, pan: float = 0.0, room_db: float = -99.0,
        swing: float = 0.0, loose_s: float = 0.003,
    ) -> None:  # fmt: skip
        """A pattern a bar: evenly divided by its length, spaces ignored; every other step late by `swing` steps."""
        steps = pattern.replace(" ", "")
        for bar in bars:
            for i, step in enumerate(steps):
                if step in STRENGTH:
                    beat = self.beats * (bar + (i + swing * (i % 2)) / len(steps))
                    level = STRENGTH[step] * float(self.random.uniform(0.8, 1.0))
                    self.place(_name(hit), level * hit(self.random), beat, level_db, pan, room_db, loose_s=loose_s)

    def line(
        self, note: Note, bar: int, notes: Sequence[tuple[float, float, float]], level_db: float, pan: float = 0.0,
        room_db: float = -99.0, echo_db: float = -99.0, loose_s: float = 0.004,
    ) -> None:  # fmt: skip
        """Notes (beat after the start of `bar`, length in beats, MIDI number)."""
        for beat, length, midi in notes:
            strength = float(self.random.uniform(0.86, 1.0))
            sound = strength * note(hertz(midi), length * self.beat_s)
            self.place(_name(note), sound, bar * self.beats + beat, level_db, pan, room_db, echo_db, loose_s)

    def mixdown(self, peak_dbfs: float) -> Audio:
        """Everything together, with room and echo, glued, ridden, faded to silence, set to a sample peak.

        Returns
        -------
        (n, 2) float64
            Nothing limited, nothing clipped.
        """
        mix = self._sum("dry") + self._reverb(self._sum("room")) + self._echoes(self._sum("echo"))
        fade = round(1.2 * RATE)
        mix = compress(mix / np.abs(mix).max(), RATE, GLUE)
        mix *= self._ride()[:, None]
        mix = sosfilt(butter(2, 24.0, "highpass", fs=RATE, output="sos"), mix, axis=0)
        mix[self._end - fade : self._end] *= (0.5 + 0.5 * np.cos(np.pi * np.arange(1, fade + 1) / fade))[:, None]
        mix[self._end :] = 0.0
        return np.asarray(mix * (gain(peak_dbfs) / np.abs(mix).max()))

    def stems(self) -> dict[str, Audio]:
        """What each instrument sends to the mix bus, with its own room and echo; the sum has a peak of 0 dBFS."""
        nothing = np.zeros((self._frames, 2))
        state = self.random.bit_generator.state
        stems = {}
        for name, played in self._played.items():
            self.random.bit_generator.state = state  # the same room for all
            room, echo = (played.buses.get(bus, nothing) for bus in ("room", "echo"))
            stems[name] = played.buses["dry"] + self._reverb(room) + self._echoes(echo)
        peak = np.abs(np.sum(list(stems.values()), axis=0)).max()
        return {name: stem / peak for name, stem in stems.items()}

    def _sum(self, bus: str) -> Audio:
        total: Audio = np.zeros((self._frames, 2))
        for played in self._played.values():
            if bus in played.buses:
                total += played.buses[bus]
        return total

    def _ride(self) -> Audio:
        bar = self.beats * self.beat_s * RATE
        at, levels = [0.0], [self._rides[0][1]]
        for number, db in self._rides[1:]:
            end = HEAD_S * RATE + number * bar
            at += [end - 0.5 * bar, end]
            levels += [levels[-1], db]
        return np.asarray(10.0 ** (np.interp(np.arange(self._frames), at, levels) / 20.0))

    def _reverb(self, sent: Audio) -> Audio:
        """Two unrelated noises, left and right, dying away by 60 dB; the treble sooner."""
        room_s = self._room_s
        n = round(1.1 * room_s * RATE)
        t = np.arange(n) / RATE
        noise = self.random.standard_normal((n, 2))
        dull = sosfilt(butter(1, 2500.0, fs=RATE, output="sos"), noise, axis=0)
        decay, short = np.exp(-6.91 * t / room_s), np.exp(-6.91 * t / (0.4 * room_s))
        response = dull * decay[:, None] + 0.4 * (noise - dull) * short[:, None]
        response[: round(0.004 * RATE)] = 0.0
        response /= np.sqrt((response**2).sum(axis=0))
        feed = sosfilt(butter(2, 180.0, "highpass", fs=RATE, output="sos"), sent, axis=0)
        late = round(0.018 * RATE)
        out: Audio = np.zeros(feed.shape)
        out[late:] = fftconvolve(feed, response, axes=0)[: len(feed) - late]
        return out

    def _echoes(self, sent: Audio) -> Audio:
        """Six echoes to and fro between left and right, each duller and quieter."""
        step = round(self._echo_beats * self.beat_s * RATE)
        out: Audio = np.zeros(sent.shape)
        feed = sent.mean(axis=1)
        dull = butter(1, (250.0, 4500.0), "bandpass", fs=RATE, output="sos")
        for k in range(1, 7):
            feed = 0.55 * sosfilt(dull, feed)
            if k * step < len(feed):
                out[k * step :] += feed[: len(feed) - k * step, None] * panned(0.8 if k % 2 else -0.8)
        return out
