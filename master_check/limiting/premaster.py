"""From a premaster's file and a profile to a plan: is it fit to be mastered, and what must the limiter do."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from master_check.judgement.checked import Checked
from master_check.judgement.profile import Profile
from master_check.judgement.profile_files import load_profile
from master_check.judgement.verdict import judge
from master_check.limiting.limiter import LOOK_AHEAD_MS, RELEASE_MS
from master_check.limiting.plan import Plan, plan_frames
from master_check.measurement.one_pass import measure
from master_check.sound.file import AudioFile
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


def plan(
    premaster: str | Path,
    profile: str | Path | Profile,
    *,
    target_lufs: float | None = None,
    layout: Layout | None = None,
    look_ahead_ms: float = LOOK_AHEAD_MS,
    release_ms: float = RELEASE_MS,
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
    progress : callable, optional
        Told the share of the file (0 to 1) measured since it was last told.

    Raises
    ------
    AudioError
        The file cannot be measured.
    ProfileError
        The profile cannot be used.
    PlanError
        A target or a limiter setting that makes no sense for this file.
    """
    wanted = profile if isinstance(profile, Profile) else load_profile(profile)
    fitness = load_profile(FITNESS)
    measurement = measure(premaster, layout, ahead=True, progress=progress)
    with AudioFile(premaster, layout) as file:
        frames = file.read_all()
    try:
        found = plan_frames(
            frames,
            measurement.format.rate,
            measurement.format.weights,
            wanted.target_lufs() if target_lufs is None else target_lufs,
            wanted.highest_peak_db(),
            playback_lufs=wanted.playback_lufs,
            max_gain_reduction_db=wanted.max_gain_reduction_db,
            look_ahead_ms=look_ahead_ms,
            release_ms=release_ms,
        )
    except ValueError as error:
        raise PlanError(f"{premaster}: {error}") from None
    checked = Checked(str(premaster), measurement, (judge(measurement, fitness),))
    return PremasterPlan(checked, wanted, found)
