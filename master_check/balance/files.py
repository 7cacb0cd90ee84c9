"""Stems and mixes from files."""

from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from master_check.balance.mix import MixFound, against_mix
from master_check.balance.rough import RoughFound, against_rough, known
from master_check.measurement.measurement import Measurement
from master_check.measurement.one_pass import measure_kept
from master_check.sound.file import AudioFile
from master_check.sound.kept import Kept

READING: Final = 0.3
"""Share of the time that reading the stems takes, about."""


@dataclass(frozen=True)
class Balance:
    """Stems against a mix and a rough mix.

    Attributes
    ----------
    mix : MixFound or None
    rough : RoughFound or None
    measurements : tuple of Measurement
        Of the mix, then of the rough mix, as far as there are such.
    """

    mix: MixFound | None
    rough: RoughFound | None
    measurements: tuple[Measurement, ...]


def balance(
    paths: Sequence[str],
    mix: str | Path | None,
    rough: str | Path | None,
    groups: Mapping[str, Sequence[int]],
    limit_db: float | None = None,
    progress: Callable[[float], Any] | None = None,
) -> Balance:
    """Hold stems against their mix, a rough mix, or both.

    Samples are kept in a temporary file meanwhile, so that length costs no memory.

    Parameters
    ----------
    paths : sequence of str
        The stems, which begin at the same time.
    mix, rough : str, path or None
    groups : mapping
        Name of each group to the numbers of its stems.
    limit_db : float, optional
        What may be left when the stems are taken from the mix, dB against it; `mix.NULL_DB` unless given.
    progress : callable, optional
        Told the share of the whole (0 to 1) done since it was last told.

    Raises
    ------
    AudioError
        One of the files cannot be measured.
    PairError
        A mix is not made of these stems at all.
    """
    tell = progress or _nobody
    each = (1.0 - READING) / sum(place is not None for place in (mix, rough))
    with ExitStack() as stack:
        signals = []
        for path in paths:
            signals.append(stack.enter_context(_kept(path)))
            tell(READING / len(paths))
        found, in_mix, measured = None, None, []
        if mix is not None:
            measurement, kept = measure_kept(mix)
            measured.append(measurement)
            found, held = against_mix(paths, signals, str(mix), stack.enter_context(kept), limit_db)
            in_mix = known(held, signals) if rough is not None else None
            del held
            tell(each)
        told = None
        if rough is not None:
            measurement, other = measure_kept(rough)
            measured.append(measurement)
            told = against_rough(paths, signals, str(rough), stack.enter_context(other), groups, in_mix)
            tell(each)
        return Balance(found, told, tuple(measured))


def _nobody(share: float) -> None:
    pass


def _kept(path: str) -> Kept:
    """A file's samples, readable anywhere."""
    with AudioFile(path) as file, ExitStack() as unless_all_goes_well:
        kept = unless_all_goes_well.enter_context(Kept(file))
        for _ in kept.blocks():
            pass
        unless_all_goes_well.pop_all()
    return kept
