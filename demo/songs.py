"""The five songs of the demo EP, from the first note to the mix that leaves the studio.

Each function returns the desk with everything played on it.
"""

from collections.abc import Sequence

from demo.instruments import (
    Audio,
    bass,
    bell,
    brush,
    electric_piano,
    guitar,
    hat,
    kick,
    lead,
    pad,
    piano,
    snare,
    stab,
    tom,
)
from demo.mix import Desk

Chord = Sequence[int]


def _held(chord: Chord, beats: float, start: float = 0.0) -> list[tuple[float, float, float]]:
    return [(start, beats, midi) for midi in chord]


def copper_kite() -> Desk:
    """E minor, 124 a minute: four to the floor, arpeggio, bright."""
    desk = Desk(
        bpm=124, beats=4, bars=14, seed=105, room_s=1.3, echo_beats=0.75, rides=[(0, -1.0), (2, -1.5), (6, 0.0)]
    )
    chords = ((52, 59, 64, 67, 71), (48, 55, 64, 67, 72), (50, 55, 62, 67, 71), (50, 57, 62, 66, 69))
    roots = (40, 36, 43, 38)
    intro, verse, chorus, end = range(2), range(2, 6), range(6, 12), range(12, 14)
    beat = [*verse, *chorus, 12]

    desk.drums(kick(50.0, 0.17), beat, "X.x.X.x.", -0.5)
    desk.drums(kick(50.0, 0.14), [0, 1], "x.......", -5.5)
    desk.drums(snare(200.0, 0.10, 0.6), chorus, "..X...X.", -8.0, room_db=-14.0)
    desk.drums(snare(200.0, 0.10, 0.5), verse, "..o...x.", -6.5, room_db=-12.0)
    desk.drums(snare(200.0, 0.10, 0.6), [5, 11], "............o-xX", -7.5, room_db=-12.0)
    desk.drums(hat(), [*intro, *verse], "-.o.-.o.-.o.-.oo", -7.5, 0.35)
    desk.drums(hat(), chorus, "x-o-x-o-x-o-x-oo", -7.5, 0.35)
    desk.drums(hat(0.12, 7500.0), chorus, "..x...x...x...x.", -10.5, -0.3)
    desk.drums(hat(0.7, 4500.0), [6, 10, 12], "X...............", -10.5, -0.45, room_db=-16.0)

    for bar in range(13):
        chord, root = chords[(bar + 2) % 4], roots[(bar + 2) % 4]
        loud = bar in chorus
        if bar not in intro:
            steps = [0.5 * i for i in range(8)] if loud else [0, 0.5, 1.0, 1.5, 2, 3, 3.5]
            eighths = [(s, 0.42, root + (12 if s in (1.5, 3.5) else 0)) for s in steps]
            desk.line(bass(1.9, 1.4, 1.0), bar, eighths, 0.0)
        climb = (0, 2, 3, 4, 3, 2, 1, 2)
        arpeggio = [(0.5 * i, 0.4, chord[c] + 12) for i, c in enumerate(climb)]
        desk.line(stab(2.2, 1.2, 0.18), bar, arpeggio, -11.0 if loud else -7.0, -0.5, -12.0, -9.0)
        if loud or bar in intro:
            desk.line(pad(4, 10.0, 1.7, 0.05), bar, _held(chord, 3.95), -9.0 if loud else -6.0, room_db=-12.0)
        if loud:
            offbeats = [n for s in (0.5, 1.5, 2.5, 3.5) for n in _held(chord[1:], 0.35, s)]
            desk.line(stab(2.0, 1.0, 0.12), bar, offbeats, -14.5, 0.5, -14.0)
    tune = ((0, 1.4, 76), (1.5, 0.9, 79), (2.5, 1.4, 78), (4, 1.4, 76), (5.5, 0.9, 72), (6.5, 1.4, 74))
    answer = ((0, 1.4, 74), (1.5, 0.9, 71), (2.5, 1.4, 74), (4, 1.0, 78), (5, 1.0, 81), (6, 1.9, 78))
    for bar, phrase in ((6, tune), (8, answer), (10, tune)):
        desk.line(lead(1.5, True), bar, phrase, -4.5, 0.1, -13.0, -10.0)
    desk.line(lead(1.5, True), 12, [(0, 3.5, 76)], -5.5, 0.1, -10.0, -8.0)
    desk.line(pad(4, 10.0, 1.6, 0.02, 1.5), end[0], _held(chords[0], 6.5), -10.0, room_db=-9.0)
    desk.line(bass(1.9, 1.2, 1.5), end[0], [(0, 5.0, 40)], -2.0)
    return desk


def brickyard_run() -> Desk:
    """A minor, 152 a minute: two guitars hard left and right, loud drums."""
    desk = Desk(bpm=152, beats=4, bars=17, seed=207, room_s=0.9, echo_beats=0.5, rides=[(0, -0.5), (3, -1.5), (9, 0.0)])
    roots = (45, 41, 48, 43)
    verse, chorus = range(3, 9), range(9, 16)
    for bar in range(16):
        root = roots[(bar + 3) % 4]
        for take, side in ((0, -0.85), (1, 0.85)):
            if bar in verse:
                chugs = [(0.5 * i, 0.45, root) for i in range(8) if i != 5]
                desk.line(guitar(True, take), bar, chugs, -1.5, side, -20.0, loose_s=0.006)
                desk.line(guitar(False, take), bar, [(2.5, 0.9, root + 7)], -8.0, side, -16.0)
            else:
                strums = ((0, 1.45, root), (1.5, 0.95, root), (2.5, 1.4, root))
                desk.line(guitar(False, take), bar, strums, -4.5, side, -18.0, loose_s=0.006)
        if bar in verse or bar in chorus:
            picks = [(0.5 * i, 0.46, root - 12 + (12 if i == 7 else 0)) for i in range(8)]
            desk.line(bass(1.7, 1.1, 0.6), bar, picks, 1.0)
        if bar in chorus:
            third = 3 if root == 45 else 4
            organ = (root + 12, root + 19, root + 12 + third)
            desk.line(pad(2, 5.0, 1.8, 0.03), bar, _held(organ, 3.9), -13.0, room_db=-14.0)

    desk.drums(tom(150.0), [2], "....X.x.....X...", -5.5, -0.3, -14.0)
    desk.drums(tom(105.0), [2], "........X.x...Xx", -4.5, 0.35, -14.0)
    desk.drums(kick(54.0, 0.12, 0.5), [0, 1], "X.......x.......", -4.5)
    desk.drums(kick(54.0, 0.12, 0.5), verse, "X.....x.X..x....", -3.0)
    desk.drums(kick(54.0, 0.12, 0.5), chorus, "X..x..X.X.x...x.", -2.5)
    desk.drums(snare(210.0, 0.13, 0.8), verse, "....X.......X..-", -4.5, room_db=-12.0)
    desk.drums(snare(210.0, 0.13, 0.8), [*chorus], "....X..-....X...", -6.5, room_db=-10.0)
    desk.drums(snare(210.0, 0.13, 0.8), [8, 15], "........o-x-xxXX", -5.5, room_db=-12.0)
    desk.drums(hat(0.04), verse, "x.o.x.o.x.o.x.o.", -9.5, 0.4)
    desk.drums(hat(0.25, 5500.0), chorus, "x.x.x.x.", -9.5, 0.4)
    desk.drums(hat(0.8, 4000.0), [3, 9, 13, 16], "X.......", -6.5, -0.5, -16.0)

    shout = ((0, 1.4, 69), (1.5, 0.9, 72), (2.5, 1.4, 71), (4, 1.4, 69), (5.5, 2.2, 65))
    reply = ((0, 1.4, 72), (1.5, 0.9, 76), (2.5, 1.4, 74), (4, 1.4, 74), (5.5, 2.2, 71))
    for bar, phrase in ((9, shout), (11, reply), (13, shout)):
        desk.line(lead(1.2, False, 18.0), bar, phrase, -3.0, 0.0, -12.0, -16.0)
    desk.line(lead(1.2, False, 18.0), 15, [(0, 3.0, 76)], -4.0, 0.0, -12.0, -16.0)
    for take, side in ((0, -0.85), (1, 0.85)):
        desk.line(guitar(False, take), 16, [(0, 6.5, 45)], -4.0, side, -14.0)
    desk.line(bass(1.5, 0.9, 2.0), 16, [(0, 5.0, 33)], -6.0)
    desk.drums(kick(54.0, 0.12, 0.5), [16], "X...", -2.5)
    return desk


def lantern_tax() -> Desk:
    """F dorian, 92 a minute, swung: electric piano, low bass, a dry beat."""
    desk = Desk(bpm=92, beats=4, bars=10, seed=303, room_s=1.1, echo_beats=0.75, rides=[(0, -1.0), (1, -1.8), (5, 0.0)])
    chords = ((53, 63, 67, 68, 72), (58, 62, 65, 68, 74), (51, 62, 67, 70, 74), (48, 63, 67, 70, 74))
    roots = (29, 34, 27, 36)
    intro, verse, chorus = range(1), range(1, 5), range(5, 9)
    groove = [*verse, *chorus]
    swing = 0.28
    desk.drums(kick(46.0, 0.18, 0.3), verse, "X......x..X.....", -3.0, swing=swing)
    desk.drums(kick(46.0, 0.18, 0.3), chorus, "X..o...x..X..o..", -3.0, swing=swing)
    desk.drums(snare(175.0, 0.13, 0.6), groove, "....X..-.-..X...", -8.5, 0.05, -15.0, swing)
    desk.drums(snare(230.0, 0.05, 0.9), chorus, "....x.......x..-", -14.0, -0.4, -10.0, swing)
    desk.drums(hat(0.03), [*intro, *groove], "x-o-x-oox-o-x-o-", -9.0, 0.3, swing=swing, loose_s=0.005)
    desk.drums(hat(0.16, 7000.0), groove, "..............o.", -10.0, 0.3, swing=swing)
    desk.drums(hat(0.06, 9000.0), chorus, "..o...o...o...o.", -10.0, -0.6, -16.0, swing)
    desk.drums(tom(90.0), [4, 8], "...........o.x-X", -6.0, -0.2, -14.0, swing)
    for bar in range(9):
        chord, root = chords[(bar + 3) % 4], roots[(bar + 3) % 4]
        loud = bar in chorus
        comping = [*_held(chord, 1.3), *_held(chord[1:], 0.5, 1.62), *_held(chord[1:], 1.1, 2.5)]
        desk.line(electric_piano, bar, comping, -10.0 if loud else -9.0, -0.25, -12.0, -18.0, loose_s=0.008)
        if bar in groove:
            steps = ((0, 1.1, 0), (1.62, 0.3, 0), (2.5, 0.7, 12), (3.25, 0.3, 7), (3.62, 0.3, 10))
            walk = [(beat, length, root + step) for beat, length, step in steps]
            desk.line(bass(2.2, 1.5, 0.6), bar, walk, -1.0)
        if loud:
            desk.line(pad(4, 12.0, 1.7, 0.2), bar, _held([m + 12 for m in chord[1:]], 3.9), -14.5, room_db=-9.0)
        ticks = [(i * 0.5 + 0.12 * (i % 2), 0.15, chord[1 + i % 4] + 12) for i in range(8)]
        desk.line(stab(2.2, 1.2, 0.07), bar, ticks, -15.0, 0.6, -14.0, -10.0)
    tune = ((0.5, 0.5, 72), (1, 0.6, 75), (1.62, 1, 77), (2.62, 1.2, 75), (4.5, 0.5, 74), (5, 0.6, 72), (5.62, 1.8, 70))
    close = ((0.5, 0.5, 70), (1, 0.6, 74), (1.62, 1.9, 75), (4, 0.6, 79), (4.62, 0.9, 77), (5.62, 1.9, 75))
    desk.line(lead(2.0, True, 16.0, 0.04), 5, tune, -4.0, 0.15, -12.0, -9.0)
    desk.line(lead(2.0, True, 16.0, 0.04), 7, close, -4.0, 0.15, -12.0, -9.0)
    desk.line(electric_piano, 9, _held((41, 53, 63, 67, 68, 72), 5.0), -11.0, -0.25, -9.0)
    desk.line(bass(2.2, 1.5, 2.0), 9, [(0, 3.5, 29)], -4.0)
    desk.drums(kick(46.0, 0.18, 0.3), [9], "X...", -3.5)
    return desk


def tidal_glass() -> Desk:
    """D lydian, 72 a minute, nearly no drums. The wash (pads and arpeggio) has its right side upside down.

    Left and right of the wash are the same waveform with opposite signs: all sides, no middle.
    """
    desk = Desk(bpm=72, beats=4, bars=8, seed=404, ring_s=2.6, room_s=2.6, echo_beats=0.75, rides=[(0, -1.0), (3, 0.0)])
    chords = ((50, 57, 66, 69, 76), (52, 59, 64, 68, 74), (47, 54, 62, 66, 73), (43, 55, 62, 66, 73))
    roots = (38, 40, 35, 43)

    def flipped(frequency: float, seconds: float) -> Audio:
        wash = pad(4, 8.0, 1.3, 0.5, 0.8, spread=0.0)(frequency, seconds)
        wash[:, 1] *= -1.0
        return wash

    def drops(frequency: float, seconds: float) -> Audio:
        drop = stab(1.8, 0.8, 0.35, 0.0)(frequency, seconds)
        drop[:, 1] = -drop[:, 0]
        return drop

    for bar in range(8):
        chord, swell = chords[bar % 4], bar in range(3, 7)
        held = 4.4 if bar < 7 else 5.6
        desk.line(flipped, bar, _held(chord, held), -4.5 if swell else -8.0, room_db=-15.0)
        rain = [(0.5 * i, 0.5, chord[(0, 2, 4, 3, 1, 3, 2, 4)[i]] + 12) for i in range(8 if bar < 7 else 4)]
        desk.line(drops, bar, rain, -2.0 if swell else -3.5, room_db=-13.0)
        desk.line(bass(2.6, 2.2, 2.0), bar, [(0, 3.6, roots[bar % 4])], -16.0)
    desk.drums(kick(44.0, 0.25, 0.1), range(1, 7), "x.....o.", -9.0, room_db=-14.0)
    desk.drums(hat(0.05, 8000.0), range(3, 7), "..-...-...-..-..", -12.0, 0.5, -8.0)
    melody = ((0, 1.5, 80), (1.5, 1.0, 78), (2.5, 2.0, 76), (5.0, 1.0, 78), (6.0, 2.0, 83))
    second = ((0, 1.5, 85), (1.5, 1.0, 83), (2.5, 2.0, 81), (5.0, 1.0, 78), (6.0, 2.5, 74))
    for bar, phrase, level in ((1, melody, -13.0), (3, second, -12.0), (5, melody, -12.0)):
        desk.line(bell, bar, phrase, level, 0.0, -8.0, -8.0)
    return desk


def slow_orchard() -> Desk:
    """G major, a waltz at 100 a minute: piano, brushes, a wide reed organ, a fiddle-like lead."""
    desk = Desk(bpm=100, beats=3, bars=15, seed=514, room_s=1.7, echo_beats=1.0, rides=[(0, -1.5), (2, -2.0), (6, 0.0)])
    chords = ((55, 59, 62, 67), (52, 59, 64, 67), (48, 55, 64, 67), (50, 57, 62, 66))
    roots = (43, 40, 36, 38)
    intro, verse, chorus = range(2), range(2, 6), range(6, 13)
    desk.drums(brush(), [*verse, *chorus], "..x.o.", -6.5, -0.25, -14.0, loose_s=0.006)
    desk.drums(kick(52.0, 0.15, 0.12), [*verse], "x.....", -7.5)
    desk.drums(kick(52.0, 0.15, 0.12), [*chorus], "X....-", -6.0)
    desk.drums(snare(185.0, 0.12, 0.5), chorus, "..o.x.", -9.5, 0.1, -12.0)
    desk.drums(snare(185.0, 0.12, 0.5), [5, 12], "......o-x-xX", -12.5, 0.1, -12.0)
    desk.drums(hat(0.05, 8000.0), chorus, "o-x-o-x-o-x-", -9.5, 0.45, -18.0)
    desk.drums(hat(0.9, 5000.0), [6, 10, 13], "x.....", -12.5, -0.5, -14.0)
    for bar in range(13):
        chord, root = chords[(bar + 2) % 4], roots[(bar + 2) % 4]
        loud = bar in chorus
        oompah = [(0, 2.6, root + 12), *_held(chord[1:], 0.85, 1.0), *_held(chord[1:], 0.85, 2.0)]
        desk.line(piano, bar, oompah, -6.0 if loud else -3.5, -0.1, -12.0, loose_s=0.007)
        if bar not in intro:
            desk.line(bass(2.0, 1.5, 0.5), bar, ((0, 1.8, root), (2, 0.8, root + 7)), 0.5)
        if loud:
            # Reeds in two ranks, hard left and right and out of tune with each other: the sides of this song.
            for rank, side in ((-7.0, -0.95), (7.0, 0.95)):
                reed = [(b, n, m + 12 + rank / 100.0) for b, n, m in _held(chord, 2.9)]
                desk.line(lead(1.1, False, 4.0, 0.06), bar, reed, -10.0, side, -20.0)
            strum = [(0.5 * i, 0.45, chord[1 + i % 3] + 12 + (0.0 if i % 2 else 12.0)) for i in range(6)]
            desk.line(stab(2.0, 1.0, 0.2), bar, strum[::2], -10.0, 0.85, -14.0)
            desk.line(stab(2.0, 1.0, 0.2), bar, strum[1::2], -10.0, -0.85, -14.0)
        else:
            desk.line(pad(4, 7.0, 1.9, 0.3), bar, _held(chord, 2.9), -14.0, room_db=-10.0)
    verse_tune = ((0, 2, 74), (2, 1, 71), (3, 2.5, 67), (6, 1, 69), (7, 1, 71), (8, 1, 72), (9, 2.6, 69))
    chorus_tune = ((0, 2, 79), (2, 1, 78), (3, 1.9, 76), (5, 1, 74), (6, 1.9, 76), (8, 1, 72), (9, 2.7, 74))
    second_tune = ((0, 2, 79), (2, 1, 81), (3, 1.9, 83), (5, 1, 79), (6, 2.7, 76))
    desk.line(piano, 2, verse_tune, -3.0, 0.2, -10.0, -16.0)
    desk.line(lead(1.4, False, 14.0, 0.05), 6, chorus_tune, -5.0, 0.0, -11.0, -14.0)
    desk.line(lead(1.4, False, 14.0, 0.05), 10, second_tune, -5.0, 0.0, -11.0, -14.0)
    desk.line(piano, 13, [(0.12 * i, 6.0, m) for i, m in enumerate((43, 55, 62, 67, 71, 79))], -5.0, -0.1, -12.0)
    desk.line(bass(2.0, 1.5, 2.0), 13, [(0, 4.0, 31)], -7.0)
    desk.drums(kick(52.0, 0.15, 0.12), [13], "x.....", -8.5)
    return desk
