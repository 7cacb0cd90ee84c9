"""A file that was measured and judged, or what kept it from being so."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from master_check.judgement.profile import Profile
from master_check.judgement.profile_files import load_profile
from master_check.judgement.verdict import Verdict, judge, worst
from master_check.measurement.measurement import Measurement
from master_check.measurement.one_pass import measure
from master_check.sound.source import Source
from master_check.tables.layouts import Layout


@dataclass(frozen=True, slots=True)
class Checked:
    """One file of a call: measured and judged, or what kept it from being so."""

    path: str
    measurement: Measurement | None = None
    verdicts: tuple[Verdict, ...] = ()
    error: str | None = None

    @property
    def result(self) -> str:
        return "error" if self.error is not None else worst(v.result for v in self.verdicts)


def check(
    source: str | Path | Source,
    profiles: str | Path | Profile | Sequence[str | Path | Profile] = (),
    layout: Layout | None = None,
) -> tuple[Measurement, list[Verdict]]:
    """Measure one file and hold it against profiles.

    Parameters
    ----------
    source : str, path or Source
        Anything libsndfile reads, or a source such as `ArraySource`.
    profiles : one or a sequence of str, path or Profile
        Names, paths to TOML files, or profiles already loaded.
    layout : Layout, optional
        What the channels of a file are, where it does not say or is wrong.

    Returns
    -------
    measurement : Measurement
    verdicts : list of Verdict
        One for each profile, in their order.

    Raises
    ------
    AudioError
        The file cannot be measured.
    ProfileError
        A profile cannot be used.

    Examples
    --------
    >>> import numpy as np
    >>> from master_check import ArraySource, check
    >>> loud = ArraySource(np.ones((480_000, 2)), 48_000)
    >>> measurement, (verdict,) = check(loud, "streaming")
    >>> verdict.result
    'fail'
    """
    loaded = load_all(profiles)
    measurement = measure(source, layout)
    return measurement, [judge(measurement, profile) for profile in loaded]


def load_all(profiles: str | Path | Profile | Sequence[str | Path | Profile]) -> list[Profile]:
    """One profile or several, loaded.

    Raises
    ------
    ProfileError
        One of them cannot be used.
    """
    several = [profiles] if isinstance(profiles, str | Path | Profile) else profiles
    return [profile if isinstance(profile, Profile) else load_profile(profile) for profile in several]
