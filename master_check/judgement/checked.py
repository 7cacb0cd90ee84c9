"""A file that was measured and judged, or what kept it from being so."""

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from master_check import cores
from master_check.judgement.profile import Profile
from master_check.judgement.profile_files import load_profile
from master_check.judgement.verdict import Overall, Verdict, judge, worst
from master_check.measurement.measurement import Measurement
from master_check.measurement.one_pass import measure
from master_check.provenance.finding import ORIGIN_KEYS
from master_check.sound.format import AudioError
from master_check.sound.source import Source
from master_check.tables.layouts import Layout


@dataclass(frozen=True, slots=True)
class Checked:
    """One file of a call: measured and judged, or what kept it from being so.

    Attributes
    ----------
    path : str
        As it was given or found.
    measurement : Measurement or None
        None where it could not be measured.
    verdicts : tuple of Verdict
        One for each profile.
    error : str or None
        What kept it from being measured, without its name.
    """

    path: str
    measurement: Measurement | None = None
    verdicts: tuple[Verdict, ...] = ()
    error: str | None = None

    @property
    def result(self) -> Overall:
        return "error" if self.error is not None else worst(v.result for v in self.verdicts)

    @property
    def sha256(self) -> str | None:
        """Of the very bytes that were measured, hexadecimal."""
        return self.measurement.sha256 if self.measurement else None


def check(
    source: str | Path | Source,
    profiles: str | Path | Profile | Sequence[str | Path | Profile] = (),
    layout: Layout | None = None,
    origin: bool = False,
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
    origin : bool
        Also look for what earlier conversions and encodes have left; done in any case for a profile that rules on it.

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
    measurement = measure(source, layout, origin=origin or asks_origin(loaded))
    return measurement, [judge(measurement, profile) for profile in loaded]


def check_files(
    paths: Sequence[str | Path],
    profiles: str | Path | Profile | Sequence[str | Path | Profile] = (),
    layout: Layout | None = None,
    threads: int | None = None,
    progress: Callable[[float], Any] | None = None,
    origin: bool = False,
) -> list[Checked]:
    """Measure several files at once and hold each against profiles; one that cannot be measured keeps no other from it.

    Parameters
    ----------
    paths : sequence of str or path
        Anything libsndfile reads.
    profiles, layout, origin
        As in `check`.
    threads : int, optional
        Files measured at once, one for each core by default; no figure depends on it.
    progress : callable, optional
        Told the share of a file (0 to 1) measured since it was last told, by several threads.

    Returns
    -------
    list of Checked
        In the order of the paths; where a file could not be measured, `error` says why.

    Raises
    ------
    ProfileError
        A profile cannot be used.
    """
    loaded = load_all(profiles)
    threads = cores.threads(threads)
    origin = origin or asks_origin(loaded)

    def one(path: str | Path) -> Checked:
        try:
            measurement = measure(path, layout, ahead=len(paths) < threads, progress=progress, origin=origin)
        except AudioError as error:
            return Checked(str(path), error=error.problem)
        return Checked(str(path), measurement, tuple(judge(measurement, profile) for profile in loaded))

    with ThreadPoolExecutor(min(threads, max(1, len(paths)))) as pool:
        return list(pool.map(one, paths))


def asks_origin(profiles: Iterable[Profile]) -> bool:
    """Whether one of them rules on a file's origin, which is looked for only where somebody asks."""
    return any(rule.measure in ORIGIN_KEYS for profile in profiles for rule in profile.rules)


def load_all(profiles: str | Path | Profile | Sequence[str | Path | Profile]) -> list[Profile]:
    """One profile or several, loaded.

    Raises
    ------
    ProfileError
        One of them cannot be used.
    """
    several = [profiles] if isinstance(profiles, str | Path | Profile) else profiles
    return [profile if isinstance(profile, Profile) else load_profile(profile) for profile in several]
