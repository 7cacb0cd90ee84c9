"""sendoff: the last check before a master leaves the room.

    >>> import master_check
    >>> measurement, verdicts = master_check.check("master.wav", ["streaming", "cd"])  # doctest: +SKIP

What is heavy is imported when it is first used, so that `sendoff --help` answers at once.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from pathlib import Path

    from master_check.judgement.profile import Profile, ProfileError, load_profile
    from master_check.judgement.verdict import Finding, Verdict, judge
    from master_check.measurement.measurement import Measurement
    from master_check.measurement.one_pass import measure
    from master_check.sound.format import AudioError

__all__ = [
    "AudioError",
    "Finding",
    "Measurement",
    "Profile",
    "ProfileError",
    "Verdict",
    "check",
    "judge",
    "load_profile",
    "measure",
]

_HOMES = {
    "AudioError": "audio",
    "Measurement": "measure",
    "measure": "measure",
    "Profile": "profile",
    "ProfileError": "profile",
    "load_profile": "profile",
    "Finding": "verdict",
    "Verdict": "verdict",
    "judge": "verdict",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'master_check' has no attribute {name!r}")
    return getattr(import_module(f"master_check.{_HOMES[name]}"), name)


def check(path: "str | Path", profiles: "list[str | Profile]") -> "tuple[Measurement, list[Verdict]]":
    """Measure one file and hold it against profiles.

    Parameters
    ----------
    path : str or path
        Anything libsndfile reads.
    profiles : list of str or Profile
        Names, paths or loaded profiles.

    Raises
    ------
    AudioError
        The file cannot be measured.
    ProfileError
        A profile cannot be used.
    """
    from master_check.judgement.profile import Profile, load_profile
    from master_check.judgement.verdict import judge
    from master_check.measurement.one_pass import measure

    loaded = [p if isinstance(p, Profile) else load_profile(p) for p in profiles]
    measurement = measure(path)
    return measurement, [judge(measurement, profile) for profile in loaded]
