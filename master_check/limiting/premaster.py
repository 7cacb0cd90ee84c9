"""From a premaster's file and a profile to a plan: is it fit to be mastered, and what must the limiter do."""

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

from master_check.judgement.checked import Checked
from master_check.judgement.profile import Profile, Rehearsal
from master_check.judgement.profile_files import load_profile
from master_check.judgement.verdict import judge
from master_check.limiting.clipper import ClipLimit
from master_check.limiting.limiter import LOOK_AHEAD_MS, RELEASE_MS
from master_check.limiting.plan import Plan, plan_signal
from master_check.measurement.one_pass import measure_kept
from master_check.rehearsal.errors import RehearsalError
from master_check.tables.layouts import Layout

FITNESS: Final = "premaster"
"""The profile that says whether a mix is fit to be mastered."""


class PlanError(Exception):
    """A premaster that cannot be planned for: which one and why, in one line."""


@dataclass(frozen=True, slots=True)
class PremasterPlan:
    """What is planned for a premaster.

    Attributes
    ----------
    premaster : Checked
        Measured, and held against the profile `premaster`: fit to be mastered or not.
    profile : Profile
        The delivery that is planned for.
    plan : Plan
        What to set.
    """

    premaster: Checked
    profile: Profile
    plan: Plan


def _rehearsals(profile: Profile) -> list[Rehearsal]:
    """Those with a peak limit. What makes encodes takes long to load, and is seldom asked for."""
    from master_check.rehearsal.rehearse import limited

    return limited(profile)


def plan(
    premaster: str | Path,
    profile: str | Path | Profile,
    *,
    target_lufs: float | None = None,
    layout: Layout | None = None,
    look_ahead_ms: float = LOOK_AHEAD_MS,
    release_ms: float = RELEASE_MS,
    clip: ClipLimit | None = None,
    rehearse: bool = False,
    threads: int | None = None,
    progress: Callable[[float], Any] | None = None,
) -> PremasterPlan:
    """Plan the limiter for one premaster and one delivery.

    Parameters
    ----------
    premaster : str or path
        Anything libsndfile reads.
    profile : str, path or Profile
        The delivery to plan for: a name, a path to a TOML file, or a profile already loaded.
    target_lufs : float, optional
        Loudness to reach, in place of the profile's.
    layout : Layout, optional
        What the channels are, where the file does not say or is wrong.
    look_ahead_ms, release_ms : float
        Of the simulated limiter.
    clip : ClipLimit, optional
        What may be clipped ahead of the limiter; `Plan.clipped` is the answer.
    rehearse : bool
        Make the encodes and conversions that the profile names of what the settings leave, and lower the ceiling until
        all of them keep their peak limits; `Plan.allowed_for` says what was made.
    threads : int, optional
        Encodes made at once, one for each core by default; no figure depends on it.
    progress : callable, optional
        Told the share of the file (0 to 1) measured since it was last told.

    Raises
    ------
    AudioError
        The file cannot be measured.
    ProfileError
        The profile cannot be used.
    PlanError
        A target or a limiter setting that makes no sense for this file; encodes that no ceiling keeps, or that cannot
        be made.
    """
    wanted = profile if isinstance(profile, Profile) else load_profile(profile)
    fitness = load_profile(FITNESS)
    rehearsals = _rehearsals(wanted) if rehearse else []
    if rehearse and not rehearsals:
        raise PlanError(f"nothing to rehearse: no [[rehearse]] with a peak limit in the profile {wanted.name}")
    measurement, kept = measure_kept(premaster, layout, ahead=True, progress=progress)
    with kept:
        try:
            solve = partial(
                plan_signal,
                kept,
                measurement.format.weights,
                wanted.target_lufs() if target_lufs is None else target_lufs,
                playback_lufs=wanted.playback_lufs,
                max_gain_reduction_db=wanted.max_gain_reduction_db,
                look_ahead_ms=look_ahead_ms,
                release_ms=release_ms,
                clip=clip,
            )
            limit_dbtp = wanted.highest_peak_db()
            found: Plan | None
            if rehearsals:
                from master_check.limiting.encodes import plan_for_encodes  # likewise

                found = plan_for_encodes(solve, limit_dbtp, kept, measurement, rehearsals, threads)
            else:
                found = solve(limit_dbtp)
        except RehearsalError as error:
            raise PlanError(f"{premaster}: {error}") from None
        except ValueError as error:
            raise PlanError(f"{premaster}: {error}") from None
        except OSError as error:
            where = tempfile.gettempdir()
            words = f"what is planned cannot be kept in {where} ({error.strerror}); make room there or set TMPDIR"
            raise PlanError(f"{premaster}: {words}") from None
    if found is None:
        raise PlanError(f"{premaster}: no ceiling is low enough for what {wanted.name} rehearses")
    checked = Checked(str(premaster), measurement, (judge(measurement, fitness),))
    return PremasterPlan(checked, wanted, found)
