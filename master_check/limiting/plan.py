"""What ceiling and how much gain? Simulates a limiter until its result meets the target, and says the cost.

Two answers, for the two kinds of limiter an engineer owns: one that sees true peaks is set to the limit
itself; one that sees samples only must be set lower, by as much as the true peak of its output was measured
to pass the samples. Where the engineer clips ahead of the limiter, a third: as little clipping as brings the gain
reduction within its limit.

Time, in every statistic of the gain reduction, is the time the music plays: steps of 10 ms in which the
premaster's peak is within 60 dB of its highest, so that silence around a piece does not make the limiter look
idle.
"""

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, fields, is_dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from master_check import cores
from master_check.decibels import amplitude_of, decibels
from master_check.limiting.clipper import Clip, ClipLimit, Clipped, thd_percent, top_db
from master_check.limiting.limiter import LOOK_AHEAD_MS, RELEASE_MS, Detection, Limiter, check_settings
from master_check.meters.loudness import HopEnergies, integrated_of_energy
from master_check.meters.true_peak import TruePeakMeter
from master_check.sound.blocks import Block, Blocks
from master_check.sound.format import AudioFormat
from master_check.sound.kept import Signal

Need = Literal["unmeasurable", "no_target", "nothing", "turn_down", "plain_gain", "limiter", "out_of_reach"]

MAX_GAIN_REDUCTION_DB = 3.0
"""Common practice: more than 3 dB at the 95th percentile of the time is heard as the limiter at work."""

CEILING_STEP_DB = 0.1
"""A sample-peak ceiling is planned in steps an engineer can set."""

LOUDNESS_TOLERANCE_LU = 0.01
"""The solver stops this near to the target; five times nearer than promised."""

PROMISED_TOLERANCE_LU = 0.05

P95_TOLERANCE_DB = 0.01

LOWEST_READING = -100.0
"""Stands for no loudness while solving."""

DEEPEST_DB = 30.0
"""Where the search ends: this much gain into the ceiling is no mastering any more."""

PLAYING_DB = -60.0
ACTIVE_DB = 0.1
"""Gain reduction from which the limiter counts as active."""

RELEASES_MS = 50.0, 200.0
"""Releases of the limiters that engineers own: common practice. Loudness depends on them, the more the harder they
work."""

SPLIT_STEP_DB = 0.5
SPLITS = 6
"""Clipping is planned in steps of this, or in so many if it may be deeper than these reach."""

WORST_PLACES = 5
WORST_APART_S = 3.0


@dataclass(frozen=True)
class Levels:
    """Loudness and peaks of a signal; null where there is none (silence, or too short for a loudness)."""

    integrated_lufs: float | None
    true_peak_dbtp: float | None
    sample_peak_dbfs: float | None
    plr_lu: float | None


@dataclass(frozen=True)
class Place:
    """A moment at which the limiter works hardest."""

    at_s: float
    gain_reduction_db: float


@dataclass(frozen=True)
class GainReduction:
    """How hard the limiter works, over the time the music plays.

    The figures come from the deepest gain reduction in each `step_s`; the mean is over the steps with 0.1 dB
    or more, whose share of the time is `active_percent`. `curve_db`, a value each `step_s` of the whole
    premaster, is for pictures and not part of the JSON.
    """

    gain_reduction_max_db: float
    gain_reduction_p95_db: float
    gain_reduction_mean_db: float
    active_percent: float
    worst: tuple[Place, ...]
    step_s: float
    curve_db: NDArray[np.float64] = field(repr=False, compare=False)


@dataclass(frozen=True)
class Playback:
    """What a player that normalises to `playback_lufs` does: its gain, the true peak and the PLR after it."""

    playback_lufs: float
    gain_db: float
    true_peak_dbtp: float
    plr_lu: float


@dataclass(frozen=True)
class ReleaseRange:
    """What limiters of other releases make of the same gain and ceiling, from the shortest to the longest."""

    shortest_ms: float
    longest_ms: float
    loudest_lufs: float
    quietest_lufs: float


@dataclass(frozen=True)
class Setting:
    """What to set, and what came out when it was simulated.

    `gain_db` is relative to the premaster as it is. `ceiling_dbtp` is for a true-peak limiter, `ceiling_dbfs`
    for a sample-peak limiter; both null: plain gain, no limiter. `clip` is the clipper ahead of the limiter, if
    there is one; it clips before the gain. `release_range` is null without a limiter.
    """

    gain_db: float
    ceiling_dbtp: float | None
    ceiling_dbfs: float | None
    result: Levels
    gain_reduction: GainReduction | None
    playback: Playback | None
    clip: Clip | None = None
    release_range: ReleaseRange | None = None


@dataclass(frozen=True)
class RehearsedRun:
    """What an encode or a conversion made of the premaster as a setting leaves it.

    Attributes
    ----------
    setting : str
        "plain", "true_peak_limiter", "sample_peak_limiter", "clipped"; or one of the affordable ones, by their names in
        `Plan`.
    name, kind : str
        Of the rehearsal, as its profile has them.
    encoder : str or None
        What made it, with its version; None where there was nothing to convert.
    kbps : float or None
        Bit rate it came to, kbit/s.
    true_peak_dbtp : float or None
        Of what came out.
    over_db : float
        How far the worst of its peaks is above its limit; 0 or less.
    """

    setting: str
    name: str
    kind: str
    encoder: str | None
    kbps: float | None
    true_peak_dbtp: float | None
    over_db: float


@dataclass(frozen=True)
class AllowedFor:
    """What a plan's limit allows for: encodes and conversions, made of what its settings leave and measured.

    Attributes
    ----------
    profile_limit_dbtp : float
        True peak that the profile allows.
    lowered_db : float
        By how much the plan stays below that; 0.1 dB less was measured to be too little.
    runs : tuple of RehearsedRun
        Whatever has a peak limit, of every setting; all are kept.
    """

    profile_limit_dbtp: float
    lowered_db: float
    runs: tuple[RehearsedRun, ...]


@dataclass(frozen=True)
class Plan:
    """The answer, from `plan_signal`.

    Attributes
    ----------
    need : str
        What the premaster needs: "unmeasurable" (no loudness to plan with), "no_target" (only a peak limit),
        "nothing", "turn_down", "plain_gain" (no limiter), "limiter", "out_of_reach" (no limiting gets there).
    plain : Setting or None
        Gain alone: to the loudness target, or without one to the true-peak limit. It may pass the limit.
    true_peak_limiter, sample_peak_limiter : Setting or None
        The settings that meet the target; null where that is out of reach. Without a target: the ceiling, and
        the gain that takes the peak to it.
    true_peak_affordable, sample_peak_affordable : Setting or None
        The loudest within `max_gain_reduction_db` at the 95th percentile, where the target costs more than
        that, cannot be reached, or is not set.
    clip : ClipLimit or None
        What may be clipped ahead of a true-peak limiter.
    splits : tuple of Setting
        Settings that meet the target, from no clipping to all that is allowed.
    clipped : Setting or None
        The split with the least clipping whose gain reduction stays within `max_gain_reduction_db` at the 95th
        percentile; where none does, the one with the least gain reduction, to 0.1 dB.
    allowed_for : AllowedFor or None
        Encodes that `true_peak_limit_dbtp`, and so every ceiling, allows for; None where none were made.
    """

    need: Need
    target_lufs: float | None
    true_peak_limit_dbtp: float
    max_gain_reduction_db: float
    look_ahead_ms: float
    release_ms: float
    premaster: Levels
    plain: Setting | None = None
    true_peak_limiter: Setting | None = None
    sample_peak_limiter: Setting | None = None
    true_peak_affordable: Setting | None = None
    sample_peak_affordable: Setting | None = None
    clip: ClipLimit | None = None
    splits: tuple[Setting, ...] = ()
    clipped: Setting | None = None
    allowed_for: AllowedFor | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain dicts, lists, numbers, strings and None, ready for JSON; no NaN, no infinity."""
        result = _to_json(self)
        assert isinstance(result, dict)
        return result


def plan_signal(
    signal: Signal,
    weights: Sequence[float],
    target_lufs: float | None,
    tp_limit_dbtp: float,
    *,
    playback_lufs: float | None = None,
    max_gain_reduction_db: float = MAX_GAIN_REDUCTION_DB,
    look_ahead_ms: float = LOOK_AHEAD_MS,
    release_ms: float = RELEASE_MS,
    clip: ClipLimit | None = None,
) -> Plan:
    """Solve for gain and ceiling so that the limited premaster reads the target with a legal true peak.

    Parameters
    ----------
    signal : Signal
        The premaster.
    weights : sequence of float
        Loudness weight of each channel, ITU-R BS.1770-5 Annex 1 (0 for LFE).
    target_lufs : float or None
        Integrated loudness to reach; None plans for the peak limit alone.
    tp_limit_dbtp : float
        Highest legal true peak.
    playback_lufs : float or None
        Level that the player normalises to, for `Setting.playback`.
    max_gain_reduction_db : float
        Cost the engineer will pay, at the 95th percentile of the time.
    look_ahead_ms, release_ms : float
        Of the simulated limiter.
    clip : ClipLimit, optional
        What may be clipped ahead of the limiter.

    Raises
    ------
    ValueError
        As `Limiter`; or weights that do not fit the channels, a target, limit, playback
        level or cost that is not finite, a target no loudness can read (-70 or less), a cost not above 0.
    OSError
        There is no room for temporary files.
    """
    figures = {"target_lufs": target_lufs, "tp_limit_dbtp": tp_limit_dbtp, "playback_lufs": playback_lufs}
    for name, value in figures.items():
        if value is not None and not math.isfinite(value):
            raise ValueError(f"{name} must be finite, not {value}")
    if target_lufs is not None and target_lufs <= -70.0:
        raise ValueError(f"target_lufs must be above the absolute gate of -70, not {target_lufs}")
    if not 0 < max_gain_reduction_db < math.inf:
        raise ValueError(f"max_gain_reduction_db must be above 0, not {max_gain_reduction_db}")
    check_settings("true_peak", look_ahead_ms, release_ms)
    if len(weights) != signal.channels:
        raise ValueError(f"{len(weights)} weights for {signal.channels} channels")

    wanted = _Wanted(weights, target_lufs, tp_limit_dbtp, playback_lufs, max_gain_reduction_db)
    untouched = heard(signal_blocks(signal), signal.rate, weights)
    premaster = untouched.levels()
    task = target_lufs, tp_limit_dbtp, max_gain_reduction_db, look_ahead_ms, release_ms, premaster
    if premaster.true_peak_dbtp is None or premaster.integrated_lufs is None:
        return Plan("unmeasurable", *task, clip=clip)
    if target_lufs is None:
        gain_db = tp_limit_dbtp - premaster.true_peak_dbtp
    else:
        gain_db = _plain_gain(untouched, target_lufs, premaster.integrated_lufs)
    levels = untouched.levels(gain_db)
    plain = Setting(gain_db, None, None, levels, None, _playback(levels, playback_lufs))
    need: Need = "no_target" if target_lufs is None else _need(plain, tp_limit_dbtp)
    if need in ("nothing", "turn_down", "plain_gain"):
        return Plan(need, *task, plain, clip=clip)

    def solve(detection: Detection) -> tuple[Setting | None, Setting | None]:
        with Limiter(signal, detection, look_ahead_ms, release_ms) as limiter:
            solver = _Solver(limiter, wanted)
            setting = solver.meet(plain.gain_db)
            return setting, solver.afford(setting)

    def clipped(by_db: float) -> Setting | None:
        assert clip is not None
        assert premaster.sample_peak_dbfs is not None
        source = Clipped(signal, amplitude_of(premaster.sample_peak_dbfs), clip.shape, by_db)
        with Limiter(source, "true_peak", look_ahead_ms, release_ms) as limiter:
            setting = _Solver(limiter, wanted).meet(plain.gain_db)
        if setting is None:
            return None
        at_dbfs = premaster.sample_peak_dbfs + top_db(clip.shape, by_db)
        return replace(setting, clip=Clip(clip.shape, by_db, at_dbfs, thd_percent(clip.shape, by_db)))

    with ThreadPoolExecutor(cores.threads()) as pool:
        depths = [] if clip is None or target_lufs is None else _depths(clip.deepest_db())
        answers, found = pool.map(solve, ("true_peak", "sample_peak")), pool.map(clipped, depths)
        (by_true_peak, cheap_true_peak), (by_sample, cheap_sample) = answers
        splits = [setting for setting in found if setting is not None]
    if by_true_peak is None and by_sample is None:
        need = "out_of_reach"
    if splits and by_true_peak is not None:
        splits.insert(0, by_true_peak)
    return Plan(
        need, *task, plain, by_true_peak, by_sample, cheap_true_peak, cheap_sample, clip, tuple(splits),
        _least(splits, max_gain_reduction_db),
    )  # fmt: skip


def _depths(deepest_db: float) -> list[float]:
    """Depths of clipping to try, up to the deepest."""
    step = SPLIT_STEP_DB * math.ceil(deepest_db / SPLIT_STEP_DB / SPLITS)
    whole = [step * (n + 1) for n in range(math.floor(deepest_db / step + 1e-9))]
    return whole if whole and deepest_db - whole[-1] < 0.05 else [*whole, deepest_db]


def _least(splits: Sequence[Setting], most_db: float) -> Setting | None:
    """The first split within the cost, or else the first of those that cost least, to 0.1 dB."""
    within = (setting for setting in splits if _p95(setting) <= most_db)
    return next(within, min(splits, key=lambda setting: round(_p95(setting), 1), default=None))


def _need(plain: Setting, tp_limit_dbtp: float) -> Need:
    if _or_zero(plain.result.true_peak_dbtp) > tp_limit_dbtp:
        return "limiter"
    if abs(plain.gain_db) <= PROMISED_TOLERANCE_LU:
        return "nothing"
    return "turn_down" if plain.gain_db < 0 else "plain_gain"


@dataclass(frozen=True)
class _Wanted:
    """What is planned for."""

    weights: Sequence[float]
    target_lufs: float | None
    limit_db: float
    playback_lufs: float | None
    most_db: float


@dataclass(frozen=True)
class Heard:
    """What the meters read: weighted energies of every 10 ms, and the highest peaks, linear."""

    rate: int
    energy: NDArray[np.float64]
    true_peak: float
    sample_peak: float

    def levels(self, gain_db: float = 0.0) -> Levels:
        """Of the signal amplified by so much."""
        gain = amplitude_of(gain_db)
        lufs = integrated_of_energy(self.energy * gain**2, self.rate)
        peak_db = decibels(self.true_peak * gain)
        plr_lu = None if lufs is None or peak_db is None else peak_db - lufs
        return Levels(lufs, peak_db, decibels(self.sample_peak * gain), plr_lu)


def heard(blocks: Iterable[Block], rate: int, weights: Sequence[float]) -> Heard:
    """Loudness and peaks of a signal, without the other meters."""
    energies, true_peak = HopEnergies(rate, weights), TruePeakMeter(AudioFormat("", "", rate, len(weights)))
    top = 0.0
    for block in blocks:
        energies.feed(block)
        true_peak.feed(block)
        top = max(top, float(block.tops.max()))
    return Heard(rate, energies.weighted(), float(true_peak.peaks().max()), top)


def _loudness(blocks: Iterable[Block], rate: int, weights: Sequence[float]) -> float | None:
    energies = HopEnergies(rate, weights)
    for block in blocks:
        energies.feed(block)
    return integrated_of_energy(energies.weighted(), rate)


def signal_blocks(signal: Signal) -> Iterator[Block]:
    """A signal from the first sample to the last, as meters take it."""
    blocks = Blocks(signal.rate, signal.channels)
    start = 0
    for size in blocks.sizes():
        if start >= signal.frames:
            return
        yield blocks.lay(np.asarray(signal.read(start, min(start + size, signal.frames)), np.float32))
        start += size


def _plain_gain(heard: Heard, target: float, premaster_lufs: float) -> float:
    """Gain alone to the target. The absolute gate of the loudness moves too, so even this is solved."""

    def loudness(gain_db: float) -> float:
        return _or_silent(heard.levels(gain_db).integrated_lufs)

    found = _solve(loudness, target - premaster_lufs, 1.0, target, LOUDNESS_TOLERANCE_LU, math.inf)
    assert found is not None
    return found[0]


class _Solver:
    """Finds the settings of one limiter on one premaster.

    What a limiter does depends on its drive alone, the gain over the ceiling: gain and ceiling moved together move its
    output by as much. So the drive is what is simulated and solved for, and other ceilings cost nothing.
    """

    def __init__(self, limiter: Limiter, wanted: _Wanted) -> None:
        self.limiter = limiter
        self.wanted = wanted
        self.limit_db = wanted.limit_db
        self.rate = limiter.signal.rate
        self.peak_db = decibels(float(limiter.levels.max())) or 0.0
        self.playing = limiter.levels > float(limiter.levels.max()) * amplitude_of(PLAYING_DB)
        self._last: tuple[float, Heard] | None = None  # the drive, and what was heard under a ceiling of 0 dBFS

    def meet(self, start_db: float) -> Setting | None:
        """The setting that reads the target (or takes the peak to the ceiling). None: out of reach."""
        target = self.wanted.target_lufs
        if target is None:
            return self._with_legal_ceiling(lambda ceiling_db: -self.peak_db)
        highest = DEEPEST_DB - self.peak_db
        guess = min(start_db - self.limit_db, highest), 1.0

        def drive_at(ceiling_db: float) -> float | None:
            def loudness(drive_db: float) -> float:
                return _or_silent(self._levels(drive_db, ceiling_db).integrated_lufs)

            nonlocal guess
            found = _solve(loudness, *guess, target, LOUDNESS_TOLERANCE_LU, highest)
            if found is None:
                return None
            guess = found
            return found[0]

        return self._with_legal_ceiling(drive_at)

    def afford(self, setting: Setting | None) -> Setting | None:
        """The loudest setting whose gain reduction stays within the cost, if what meets a target does not."""
        most_db = self.wanted.most_db
        if self.wanted.target_lufs is not None and setting is not None and _p95(setting) <= most_db:
            return None
        # Gain over ceiling alone decides the gain reduction, so this needs no rendering and no loudness.
        found = _solve(
            lambda drive_db: float(np.percentile(self._reduction_while_playing(drive_db), 95)),
            most_db - self.peak_db,
            1.0,
            most_db - P95_TOLERANCE_DB,
            P95_TOLERANCE_DB,
            DEEPEST_DB - self.peak_db,
        )
        if found is None:
            return None  # peaks so rare that the 95th percentile never feels them
        return self._with_legal_ceiling(lambda ceiling_db: found[0])

    def _with_legal_ceiling(self, drive_at: Callable[[float], float | None]) -> Setting | None:
        """The setting with the highest legal ceiling, the drive following from it. None: no drive does."""
        if self.limiter.detection == "true_peak":
            return self._true_peak_ceiling(drive_at)
        return self._sample_peak_ceiling(drive_at)

    def _true_peak_ceiling(self, drive_at: Callable[[float], float | None]) -> Setting | None:
        """The ceiling is the limit; the detector's is lowered by what it leaves, as `limit` does."""
        inner_db = self.limit_db
        while True:
            drive_db = drive_at(inner_db)
            if drive_db is None:
                return None
            found = self._limited(drive_db, inner_db)
            over_db = _or_zero(found.result.true_peak_dbtp) - self.limit_db
            if over_db <= 0:
                return replace(
                    found, ceiling_dbtp=self.limit_db, release_range=self._release_range(found.gain_db, inner_db)
                )
            inner_db -= over_db + 1e-5

    def _sample_peak_ceiling(self, drive_at: Callable[[float], float | None]) -> Setting | None:
        """The highest ceiling, in steps, whose result is measured to have a legal true peak."""
        top = math.floor(min(self.limit_db, 0.0) / CEILING_STEP_DB + 1e-9)
        steps = top
        tried: dict[int, Setting] = {}
        legal: list[int] = []
        while True:
            ceiling_db = round(steps * CEILING_STEP_DB, 6)
            drive_db = drive_at(ceiling_db)
            if drive_db is None:
                return None
            tried[steps] = self._limited(drive_db, ceiling_db)
            room_db = self.limit_db - _or_zero(tried[steps].result.true_peak_dbtp)
            if room_db >= 0:
                legal.append(steps)
            # The overshoot hardly changes from one ceiling to the next, so the room says how far to go.
            steps = min(top, steps + math.floor(room_db / CEILING_STEP_DB))
            if steps in tried:
                if legal:
                    found = tried[max(legal)]
                    ceiling_db = round(max(legal) * CEILING_STEP_DB, 6)
                    return replace(found, release_range=self._release_range(found.gain_db, ceiling_db))
                steps = min(tried) - 1

    def _limited(self, drive_db: float, ceiling_db: float) -> Setting:
        by_true_peak = self.limiter.detection == "true_peak"
        levels = self._levels(drive_db, ceiling_db)
        return Setting(
            gain_db=drive_db + ceiling_db,
            ceiling_dbtp=ceiling_db if by_true_peak else None,
            ceiling_dbfs=None if by_true_peak else ceiling_db,
            result=levels,
            gain_reduction=self._gain_reduction(drive_db),
            playback=_playback(levels, self.wanted.playback_lufs),
        )

    def _levels(self, drive_db: float, ceiling_db: float) -> Levels:
        """What the limiter makes of the premaster; what was asked last is known."""
        if self._last is None or self._last[0] != drive_db:
            self._last = drive_db, heard(self.limiter.blocks(drive_db, 0.0), self.rate, self.wanted.weights)
        return self._last[1].levels(ceiling_db)

    def _release_range(self, gain_db: float, ceiling_db: float) -> ReleaseRange | None:
        """What other releases make of the same gain and detector's ceiling; None where one has no loudness."""
        readings = [
            _loudness(self.limiter.blocks(gain_db, ceiling_db, release_ms), self.rate, self.wanted.weights)
            for release_ms in RELEASES_MS
        ]
        known = [reading for reading in readings if reading is not None]
        return ReleaseRange(*RELEASES_MS, max(known), min(known)) if len(known) == len(readings) else None

    def _reduction_while_playing(self, drive_db: float) -> NDArray[np.float64]:
        return np.asarray(self.limiter.reduction_db(drive_db)[self.playing], np.float64)

    def _gain_reduction(self, drive_db: float) -> GainReduction:
        curve = self.limiter.reduction_db(drive_db)
        playing = curve[self.playing]
        active = playing[playing >= ACTIVE_DB]
        step_s = self.limiter.step / self.rate
        return GainReduction(
            gain_reduction_max_db=float(playing.max()),
            gain_reduction_p95_db=float(np.percentile(playing, 95)),
            gain_reduction_mean_db=float(active.mean()) if active.size else 0.0,
            active_percent=100.0 * active.size / playing.size,
            worst=_worst_places(curve, step_s),
            step_s=step_s,
            curve_db=curve,
        )


def _solve(
    measure: Callable[[float], float], start: float, slope: float, target: float, tolerance: float, highest: float
) -> tuple[float, float] | None:
    """The argument, at most `highest`, at which the rising `measure` reads `target`, and the slope near it.

    Secant steps from `start`, the first by `slope`, kept inside the bracket found so far. Where the measure jumps over
    the target (a gated loudness can), the last argument below the jump. None: it stays below the target.
    """
    below, above = -math.inf, math.inf
    at = min(start, highest)
    last: tuple[float, float] | None = None
    while above - below > 1e-4:
        value = measure(at)
        if last is not None:
            slope = min(1.0, max(0.1, (value - last[1]) / (at - last[0])))
        if abs(value - target) <= tolerance:
            return at, slope
        if value > target:
            above = at
        elif at < highest:
            below = at
        else:
            return None
        last = at, value
        at = min(at + (target - value) / slope, highest)
        if not below < at < above:
            at = 0.5 * (below + above)
    return below, slope


def _worst_places(curve_db: NDArray[np.float64], step_s: float) -> tuple[Place, ...]:
    """The deepest moments of the curve, deepest first, `WORST_APART_S` or more from each other."""
    left = curve_db.copy()
    apart = math.ceil(WORST_APART_S / step_s)
    places: list[Place] = []
    while len(places) < WORST_PLACES and left.max() >= ACTIVE_DB:
        at = int(left.argmax())
        places.append(Place(at_s=at * step_s, gain_reduction_db=float(left[at])))
        left[max(0, at - apart + 1) : at + apart] = 0.0
    return tuple(places)


def _playback(levels: Levels, playback_lufs: float | None) -> Playback | None:
    if playback_lufs is None or levels.integrated_lufs is None:
        return None
    gain_db = playback_lufs - levels.integrated_lufs
    return Playback(playback_lufs, gain_db, _or_zero(levels.true_peak_dbtp) + gain_db, _or_zero(levels.plr_lu))


def _p95(setting: Setting) -> float:
    return 0.0 if setting.gain_reduction is None else setting.gain_reduction.gain_reduction_p95_db


def _or_zero(value: float | None) -> float:
    """For readings that a signal which is not silent always has."""
    return 0.0 if value is None else value


def _or_silent(lufs: float | None) -> float:
    """A loudness to solve with."""
    return LOWEST_READING if lufs is None else lufs


def _to_json(value: Any) -> Any:
    if is_dataclass(value):
        return {each.name: _to_json(getattr(value, each.name)) for each in fields(value) if each.repr}
    if isinstance(value, tuple):
        return [_to_json(each) for each in value]
    return value
