"""From a master and profiles to their rehearsals: what every place will make of it, and the ceiling that is safe."""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, replace
from itertools import repeat
from pathlib import Path
from threading import Lock
from typing import Any, Final

from master_check import cores
from master_check.judgement.checked import Checked, load_all
from master_check.judgement.profile import Profile, Rehearsal
from master_check.judgement.verdict import Overall, Verdict, judge_rehearsal, worst
from master_check.measurement.measurement import Measurement
from master_check.measurement.one_pass import measure_kept
from master_check.output import temporary_folder
from master_check.rehearsal.ceiling import STEP_DB, PeakLimits, fewest_steps, peak_limits, steps_for
from master_check.rehearsal.conversion import Conversion, Master, Place, Whole, rate_for
from master_check.rehearsal.errors import RehearsalError
from master_check.rehearsal.rates import converted
from master_check.sound.kept import Kept, Signal
from master_check.tables.layouts import Layout
from master_check.tables.quantities import Value

WORST_PLACES: Final = 3

SHORT_S: Final = 60.0
"""Of a shorter master the loudest places take as long as all of it: the search looks at the whole at once."""

FIRST: Final = 0.5
"""What the first encodes take of the time, if a search follows."""


@dataclass(frozen=True, slots=True)
class Run:
    """One rehearsal of one profile.

    Attributes
    ----------
    profile : str
        Its name.
    rehearsal : Rehearsal
    encoder : str or None
        What made it, with its version; another may do otherwise. None where the master is so already, or nothing
        could be made.
    kbps : float or None
        Bit rate the encode came to, kbit/s.
    measurement : Measurement or None
        Of what came out.
    values : dict
        By key of the table of quantities and of that of rehearsals.
    worst : tuple of Place
        The worst moments above the lowest peak limit, or above full scale where there is none.
    verdict : Verdict or None
        The rules of the rehearsal held against what came out.
    safe_gain_db : float or None
        Gain with which it keeps its peak limits, 0 or less; None where it has none, or none is enough.
    late_samples : float
        How much later than the master it came; the worst moments are those of the master.
    seconds : float
        What making, decoding and measuring it took.
    error : str or None
        Why it could not be made.
    """

    profile: str
    rehearsal: Rehearsal
    encoder: str | None = None
    kbps: float | None = None
    measurement: Measurement | None = None
    values: Mapping[str, Value] | None = None
    worst: tuple[Place, ...] = ()
    verdict: Verdict | None = None
    safe_gain_db: float | None = None
    late_samples: float = 0.0
    seconds: float = 0.0
    error: str | None = None

    @property
    def result(self) -> Overall:
        return "error" if self.verdict is None else self.verdict.result

    @property
    def limits(self) -> PeakLimits:
        return peak_limits(self.rehearsal.rules)


@dataclass(frozen=True, slots=True)
class PlannedCeiling:
    """The ceiling that a plan for a profile takes, and whether it is enough for what was rehearsed.

    Attributes
    ----------
    profile : str
    ceiling_dbtp : float
    enough : bool or None
        Whether all that was rehearsed for the profile keeps its peak limits with the master turned down to that
        ceiling. None where the master lies below it and keeps them as it is, or where something could not be made.
    """

    profile: str
    ceiling_dbtp: float
    enough: bool | None


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """A master, and all that was rehearsed with it.

    Attributes
    ----------
    master : Checked
        Measured, not judged.
    runs : tuple of Run
        In the order of the profiles.
    safe_gain_db : float or None
        Gain, 0 or less, with which everything that could be made was measured to keep its peak limits; None where
        nothing has limits, or no gain is enough.
    safe_ceiling_dbtp : float or None
        True peak of the master with that gain.
    planned : tuple of PlannedCeiling
        One for each profile with peak limits for what it rehearses.
    """

    master: Checked
    runs: tuple[Run, ...]
    safe_gain_db: float | None
    safe_ceiling_dbtp: float | None
    planned: tuple[PlannedCeiling, ...]

    @property
    def result(self) -> Overall:
        return worst(run.result for run in self.runs)


def rehearse(
    master: str | Path,
    profiles: str | Path | Profile | Sequence[str | Path | Profile],
    layout: Layout | None = None,
    threads: int | None = None,
    progress: Callable[[float], Any] | None = None,
) -> Rehearsed:
    """Make every encode and conversion that profiles name, measure what comes out, and find the safe ceiling.

    Parameters
    ----------
    master : str or path
        Anything libsndfile reads.
    profiles : one or a sequence of str, path or Profile
        Names, paths to TOML files, or profiles already loaded.
    layout : Layout, optional
        What the channels are, where the file does not say or is wrong.
    threads : int, optional
        Encodes made at once, one for each core by default; no figure depends on it.
    progress : callable, optional
        Told the share (0 to 1) of all the work done since it was last told.

    Raises
    ------
    AudioError
        The file cannot be measured.
    ProfileError
        A profile cannot be used.
    RehearsalError
        No profile names a rehearsal.
    """
    loaded = load_all(profiles)
    asked = [(profile, rehearsal) for profile in loaded for rehearsal in profile.rehearsals]
    if not asked:
        names = ", ".join(profile.name for profile in loaded) or "none given"
        raise RehearsalError(f"nothing to rehearse: no [[rehearse]] in the profile ({names})")
    tell = progress or (lambda share: None)
    with ExitStack() as stack:
        measurement, kept = measure_kept(master, layout, ahead=True)
        stack.enter_context(kept)
        pool = stack.enter_context(ThreadPoolExecutor(cores.threads(threads)))
        folder = stack.enter_context(temporary_folder("rehearse"))
        signals = _at_rates(kept, measurement, [each for _, each in asked], pool, cores.threads(threads), stack)
        work = _Work(Master(measurement, signals), folder, pool)
        runs = work.first(asked, tell)
        runs, gain = work.search(runs, tell)
        planned = tuple(work.planned(profile, runs) for profile in loaded if limited(profile))
    peak = measurement.values["true_peak_dbtp"]
    ceiling = None if gain is None or peak is None else float(peak) + gain
    return Rehearsed(Checked(str(master), measurement), tuple(runs), gain, ceiling, planned)


@dataclass(frozen=True, slots=True)
class Peaks:
    """What the peaks of one rehearsal came to.

    Attributes
    ----------
    rehearsal : Rehearsal
    encoder : str or None
        What made it, with its version.
    kbps : float or None
        Bit rate the encode came to, kbit/s.
    true_peak_dbtp : float or None
    over_db : float
        How far the worst of its peaks is above its limit; 0 or less where all are kept.
    """

    rehearsal: Rehearsal
    encoder: str | None
    kbps: float | None
    true_peak_dbtp: float | None
    over_db: float


def limited(profile: Profile) -> list[Rehearsal]:
    """The rehearsals of a profile that have a peak limit."""
    return [rehearsal for rehearsal in profile.rehearsals if peak_limits(rehearsal.rules)]


def peaks_of(
    measurement: Measurement, kept: Kept, rehearsals: Sequence[Rehearsal], threads: int | None = None
) -> list[Peaks]:
    """Make rehearsals of samples as they are, whole, and say how their peaks keep their limits.

    Parameters
    ----------
    measurement : Measurement
        Of the samples.
    kept : Kept
        The samples.
    rehearsals : sequence of Rehearsal
        With peak limits.
    threads : int, optional
        Encodes made at once, one for each core by default; no figure depends on it.

    Raises
    ------
    RehearsalError
        One cannot be made.
    """
    with ExitStack() as stack:
        pool = stack.enter_context(ThreadPoolExecutor(cores.threads(threads)))
        folder = stack.enter_context(temporary_folder("rehearse"))
        master = Master(measurement, _at_rates(kept, measurement, rehearsals, pool, cores.threads(threads), stack))

        def one(rehearsal: Rehearsal) -> Peaks:
            try:
                whole = Conversion(master, rehearsal, folder).whole()
            except RehearsalError as error:
                raise RehearsalError(f"{rehearsal.name}: {error}") from None
            peak = whole.values["true_peak_dbtp"]
            over_db = peak_limits(rehearsal.rules).excess_db(whole.values)
            return Peaks(rehearsal, whole.encoder, whole.kbps, None if peak is None else float(peak), over_db)

        return list(pool.map(one, rehearsals))


def _at_rates(
    kept: Kept,
    measurement: Measurement,
    asked: Sequence[Rehearsal],
    pool: ThreadPoolExecutor,
    ahead: int,
    stack: ExitStack,
) -> dict[int, Signal]:
    """The master at every sample rate that is needed."""
    own = measurement.format.rate
    signals: dict[int, Signal] = {own: kept}
    for rate in dict.fromkeys(rate_for(rehearsal, own) for rehearsal in asked):
        if rate not in signals:
            signals[rate] = stack.enter_context(
                converted(kept, measurement.path, measurement.format.layout, rate, pool, ahead)
            )
    return signals


@dataclass(frozen=True, slots=True)
class _Key:
    """What makes a conversion another one."""

    kind: str
    kbps: float | None
    rate: int
    bits: int | None
    dither: str | None


class _Work:
    """The conversions of one master, each made once for every gain, whatever profiles ask for it."""

    def __init__(self, master: Master, folder: Path, pool: ThreadPoolExecutor) -> None:
        self._master = master
        self._folder = folder
        self._pool = pool
        self._made: dict[_Key, Conversion] = {}
        self._wholes: dict[tuple[_Key, int], Whole] = {}
        self._lock = Lock()

    def first(self, asked: Sequence[tuple[Profile, Rehearsal]], tell: Callable[[float], Any]) -> list[Run]:
        """Everything as it is."""
        keys = {self._key(rehearsal): rehearsal for _, rehearsal in asked}

        def one(key: _Key) -> str | None:
            try:
                self._made[key] = Conversion(self._master, keys[key], self._folder)
                self._whole(key, 0)
            except RehearsalError as error:
                return str(error)
            finally:
                tell(FIRST / len(keys))
            return None

        errors = dict(zip(keys, self._pool.map(one, keys), strict=True))
        return [self._run(profile, rehearsal, errors[self._key(rehearsal)]) for profile, rehearsal in asked]

    def search(self, runs: Sequence[Run], tell: Callable[[float], Any]) -> tuple[list[Run], float | None]:
        """Each with its safe gain, and the gain that is safe for all of them, measured again."""

        def one(run: Run) -> Run:
            steps = self._steps(run) if run.values is not None and run.limits else None
            tell((1.0 - FIRST) / len(runs))
            return replace(run, safe_gain_db=None if steps is None else _gain(steps))

        found = list(self._pool.map(one, runs))
        limited = [run for run in found if run.limits and run.values is not None]
        gains = [run.safe_gain_db for run in limited if run.safe_gain_db is not None]
        if not limited or len(gains) < len(limited):
            return found, None
        steps = max(round(-gain / STEP_DB) for gain in gains)
        return found, self._verified(limited, steps)

    def _verified(self, runs: Sequence[Run], steps: int) -> float:
        """What an encode adds is not less for less gain: all of them once more, until all keep their limits.

        Each does at its own gain, so that what is over now is a jump, and says nothing of the next step.
        """
        while max(self._pool.map(self._excess, runs, repeat(steps))) > 0.0:
            steps += 1
        return _gain(steps)

    def planned(self, profile: Profile, runs: Sequence[Run]) -> PlannedCeiling:
        """Whether the ceiling that a plan takes is enough: what was rehearsed for the profile, made once more at it."""
        ceiling = profile.highest_peak_db()
        own = [run for run in runs if run.profile == profile.name and run.limits]
        made = [run for run in own if run.values is not None]
        peak = self._master.measurement.values["true_peak_dbtp"]
        if peak is None or not made:
            return PlannedCeiling(profile.name, ceiling, None)
        above_db = float(peak) - ceiling
        steps = steps_for(above_db) if above_db > 0.0 else 0
        kept = max(self._pool.map(self._excess, made, repeat(steps))) <= 0.0
        told = not kept or (len(made) == len(own) and above_db > -STEP_DB)
        return PlannedCeiling(profile.name, ceiling, kept if told else None)

    def _steps(self, run: Run) -> int | None:
        """The search looks around the loudest places first, where these tell what the whole will do."""
        over_db, first = self._excess(run, 0), None
        if run.rehearsal.of_kind.local and float(self._master.measurement.values["duration_s"] or 0.0) >= SHORT_S:
            key = self._key(run.rehearsal)
            places = self._whole(key, 0).loudest
            first = fewest_steps(
                over_db, lambda steps: run.limits.excess_db(self._made[key].peaks_at(_gain(steps), places))
            )
        return fewest_steps(over_db, lambda steps: self._excess(run, steps), first)

    def _excess(self, run: Run, steps: int) -> float:
        return run.limits.excess_db(self._whole(self._key(run.rehearsal), steps).values)

    def _whole(self, key: _Key, steps: int) -> Whole:
        with self._lock:
            found = self._wholes.get((key, steps))
        if found is None:
            found = self._made[key].whole(_gain(steps))
            with self._lock:
                self._wholes[key, steps] = found
        return found

    def _run(self, profile: Profile, rehearsal: Rehearsal, error: str | None) -> Run:
        if error is not None:
            return Run(profile.name, rehearsal, error=error)
        key = self._key(rehearsal)
        whole = self._whole(key, 0)
        limits = peak_limits(rehearsal.rules)
        over = [place for place in whole.loudest if place.true_peak_dbtp > limits.lowest_dbtp]
        return Run(
            profile=profile.name,
            rehearsal=rehearsal,
            encoder=whole.encoder,
            kbps=whole.kbps,
            measurement=whole.measurement,
            values=whole.values,
            worst=tuple(over[:WORST_PLACES]),
            verdict=judge_rehearsal(whole.values, whole.measurement.at_s, rehearsal, profile),
            late_samples=whole.late_samples,
            seconds=whole.seconds,
        )

    def _key(self, rehearsal: Rehearsal) -> _Key:
        rate = rate_for(rehearsal, self._master.measurement.format.rate)
        return _Key(rehearsal.kind, rehearsal.kbps, rate, rehearsal.bits, rehearsal.dither)


def _gain(steps: int) -> float:
    return round(-steps * STEP_DB, 6) + 0.0
