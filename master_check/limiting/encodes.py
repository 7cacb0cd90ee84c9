"""A plan whose ceilings allow for encodes: lowered until all of them, of what the settings leave, keep their limits.

What an encode adds to peaks jumps about with the ceiling, so that it cannot be calculated: every ceiling that is tried
is planned for, limited, encoded as a whole and measured.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from typing import Final

import numpy as np

from master_check.decibels import amplitude_of
from master_check.judgement.profile import Rehearsal
from master_check.limiting.clipper import Clipped
from master_check.limiting.limiter import Detection, Limiter
from master_check.limiting.plan import AllowedFor, Plan, RehearsedRun, Setting
from master_check.measurement.measurement import Measurement
from master_check.measurement.one_pass import measure_source
from master_check.rehearsal.ceiling import STEP_DB, fewest_steps
from master_check.rehearsal.feed import CHUNK, Stream
from master_check.rehearsal.rehearse import peaks_of
from master_check.sound.kept import Frames, Kept, Signal

ALTERNATIVES: Final = (
    ("true_peak_limiter", "true_peak_affordable"),
    ("sample_peak_limiter", "sample_peak_affordable"),
    ("clipped",),
)
"""Settings that a plan gives, by their names there; the later of two where the first is out of reach."""


def plan_for_encodes(
    solve: Callable[[float], Plan],
    limit_dbtp: float,
    signal: Signal,
    measurement: Measurement,
    rehearsals: Sequence[Rehearsal],
    threads: int | None = None,
) -> Plan | None:
    """Find the highest limit, in steps of 0.1 dB, under which everything rehearsed keeps its peak limits.

    Parameters
    ----------
    solve : callable
        Plans for a limit in dBTP.
    limit_dbtp : float
        The profile's, tried first.
    signal : Signal
        The premaster.
    measurement : Measurement
        Of it.
    rehearsals : sequence of Rehearsal
        With peak limits.
    threads : int, optional
        Encodes made at once.

    Returns
    -------
    Plan or None
        With `allowed_for`, if there is anything to set; None where no limit is low enough.

    Raises
    ------
    RehearsalError
        An encode cannot be made.
    OSError
        There is no room for temporary files.
    """
    tried: dict[int, Plan] = {}

    def over_db(steps: int) -> float:
        lowered_db = round(steps * STEP_DB, 6)
        plan = solve(limit_dbtp - lowered_db)
        runs: list[RehearsedRun] = []
        for name, setting in _settings(plan):
            runs += _runs(name, setting, plan, signal, measurement, rehearsals, threads)
            if max(run.over_db for run in runs) > 0.0:  # the other settings could not make up for it
                break
        tried[steps] = replace(plan, allowed_for=AllowedFor(limit_dbtp, lowered_db, tuple(runs)) if runs else None)
        return max((run.over_db for run in runs), default=0.0)

    steps = fewest_steps(over_db(0), over_db)
    return None if steps is None else tried[steps]


def _settings(plan: Plan) -> list[tuple[str, Setting]]:
    """The settings that a plan gives, with their names."""
    found = [
        next(((name, setting) for name in names if (setting := getattr(plan, name)) is not None), None)
        for names in ALTERNATIVES
    ]
    settings = [each for each in found if each is not None]
    return settings if settings or plan.plain is None else [("plain", plan.plain)]


def _runs(
    name: str,
    setting: Setting,
    plan: Plan,
    signal: Signal,
    measurement: Measurement,
    rehearsals: Sequence[Rehearsal],
    threads: int | None,
) -> list[RehearsedRun]:
    with ExitStack() as stack:
        pieces = stack.enter_context(_pieces(signal, setting, plan))
        format = replace(measurement.format, encoding="FLOAT", bit_depth=32)
        kept = stack.enter_context(Kept(Stream(measurement.path, format, signal.frames, pieces)))
        left = measure_source(kept)
        return [
            RehearsedRun(
                name, each.rehearsal.name, each.rehearsal.kind, each.encoder, each.kbps, each.true_peak_dbtp,
                each.over_db,
            )
            for each in peaks_of(left, kept, rehearsals, threads)
        ]  # fmt: skip


@contextmanager
def _pieces(signal: Signal, setting: Setting, plan: Plan) -> Iterator[Callable[[], Iterator[Frames]]]:
    """What a setting leaves of the premaster."""
    ceiling_db = setting.ceiling_dbtp if setting.ceiling_dbtp is not None else setting.ceiling_dbfs
    if ceiling_db is None:
        yield lambda: _amplified(signal, setting.gain_db)
        return
    source: Signal = signal
    if setting.clip is not None:
        assert plan.premaster.sample_peak_dbfs is not None
        top = amplitude_of(plan.premaster.sample_peak_dbfs)
        source = Clipped(signal, top, setting.clip.shape, setting.clip.by_db)
    detection: Detection = "sample_peak" if setting.ceiling_dbtp is None else "true_peak"
    with Limiter(source, detection, plan.look_ahead_ms, plan.release_ms) as limiter:
        blocks = limiter.blocks
        yield lambda: (block.frames.T.copy() for block in blocks(setting.gain_db, ceiling_db))


def _amplified(signal: Signal, gain_db: float) -> Iterator[Frames]:
    gain = np.float32(amplitude_of(gain_db))
    for start in range(0, signal.frames, CHUNK):
        yield signal.read(start, min(start + CHUNK, signal.frames)) * gain
