"""A delivery profile: the rules that a place has for what it takes.

Nothing in a profile is law: the client's or broadcaster's own sheet goes first. `profile_files` reads them.
"""

from dataclasses import dataclass
from pathlib import PurePath
from typing import Final, Literal

from master_check.tables.rehearsals import KINDS, Dither, Kind
from master_check.text import first_of

Level = Literal["must", "should", "note"]
LEVELS: Final[tuple[Level, ...]] = ("must", "should", "note")

COMMON_PRACTICE: Final = "common practice"
"""The source of a rule that names none."""

MAX_GAIN_REDUCTION_DB: Final = 3.0


class ProfileError(Exception):
    """A profile that cannot be used. `faults` lists everything wrong with it."""

    def __init__(self, profile: str, faults: list[str]) -> None:
        super().__init__(profile, faults)
        self.profile = profile
        self.faults = faults

    def __str__(self) -> str:
        return "\n".join(self.lines)

    @property
    def lines(self) -> list[str]:
        """The faults for people, each with the profile it is in: the first ones, then how many more there are."""
        return first_of([f"{self.profile}: {fault}" for fault in self.faults], self.profile)


@dataclass(frozen=True, slots=True)
class ProfileFile:
    """A file that rules came from.

    Attributes
    ----------
    path : str
        Where it was found.
    sha256 : str
        Of the bytes that were read, hexadecimal.
    shipped : bool
        It came with sendoff.
    """

    path: str
    sha256: str
    shipped: bool = False

    @property
    def name(self) -> str:
        return PurePath(self.path).name


@dataclass(frozen=True, slots=True)
class Range:
    """Where a quantity has to lie for a rule to apply."""

    measure: str
    min: float | None = None
    max: float | None = None


@dataclass(frozen=True, slots=True)
class Rule:
    """One limit on one quantity: min, max, both, target with tolerance, or one_of; a note may have none.

    Attributes
    ----------
    measure : str
        A key of the table of quantities.
    min, max : float or None
        Smallest and largest allowed value.
    target : float or None
        The wanted value.
    tolerance : float or None
        How far from target a value may lie, or how far past min or max meters may disagree.
    one_of : tuple or None
        The allowed values.
    level : str
        must: fails. should: warns. note: shown, never judged.
    when : Range or None
        The rule applies only where another quantity lies in this range.
    why, do, source : str
        The reason, what to do about it, where the limit comes from.
    """

    measure: str
    min: float | None = None
    max: float | None = None
    target: float | None = None
    tolerance: float | None = None
    one_of: tuple[float | str, ...] | None = None
    level: Level = "must"
    when: Range | None = None
    why: str = ""
    do: str = ""
    source: str = COMMON_PRACTICE


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """An encode or conversion that the place will make, and the rules that its result must keep.

    Attributes
    ----------
    name : str
        For people; its own in the profile.
    kind : str
        A key of `tables.rehearsals.KINDS`.
    kbps : float or None
        Bit rate of an encode, kbit/s.
    rate_hz : int or None
        Sample rate that is converted to first; of an encode, None leaves it to what the encoding takes.
    bits : int or None
        Word length that is converted to.
    dither : str or None
        Of a conversion to shorter words: tpdf or none.
    why, source : str
        The reason, where it comes from.
    rules : tuple of Rule
        Limits on what comes out.
    """

    name: str
    kind: str
    kbps: float | None = None
    rate_hz: int | None = None
    bits: int | None = None
    dither: Dither | None = None
    why: str = ""
    source: str = COMMON_PRACTICE
    rules: tuple[Rule, ...] = ()

    @property
    def of_kind(self) -> Kind:
        return KINDS[self.kind]


@dataclass(frozen=True, slots=True)
class Delivery:
    """What file a place takes.

    Attributes
    ----------
    container : str
        A key of `tables.deliveries.CONTAINERS`.
    rate_hz, bits : tuple of int
        Sample rates and word lengths that the place takes; empty for whatever the master has. The master's own is kept
        where it is among them. Else the highest rate is made that divides the master's, else the next lower one, else
        the lowest.
    dither : str
        Where bits are lost: tpdf or none.
    head_silence_s, tail_silence_s : float
        Silence that the file has at least at its start and end; what is missing is added, nothing is cut.
    name : str
        Pattern of the file name, with `tables.deliveries.NAME_FIELDS` in braces, without the suffix.
    metadata : bool
        Whether metadata is written: bext and LIST-INFO, comments, or ID3.
    source : str
        Where this comes from.
    """

    container: str = "WAV"
    rate_hz: tuple[int, ...] = ()
    bits: tuple[int, ...] = ()
    dither: Dither = "tpdf"
    head_silence_s: float = 0.0
    tail_silence_s: float = 0.0
    name: str = "{name} ({profile})"
    metadata: bool = True
    source: str = COMMON_PRACTICE


@dataclass(frozen=True, slots=True)
class Profile:
    """What a place takes: rules for a file, and for an album.

    Attributes
    ----------
    name, title, source : str
        Its name, a line for people, the document it follows.
    playback_lufs : float or None
        Loudness at which the place plays a track or an album.
    max_gain_reduction_db : float
        Limiter work (95th percentile) above which a plan calls the target too costly.
    rules, album_rules : tuple of Rule
        Those it takes from other profiles included.
    rehearsals : tuple of Rehearsal
        What the place will do to a master; those it takes from other profiles included.
    deliver : Delivery or None
        What file it takes, completed by what other profiles say; None where none says anything.
    file : ProfileFile or None
        Where it was read from.
    bases : tuple of ProfileFile
        Those it extends, the nearest first.
    """

    name: str
    title: str
    source: str = COMMON_PRACTICE
    playback_lufs: float | None = None
    max_gain_reduction_db: float = MAX_GAIN_REDUCTION_DB
    rules: tuple[Rule, ...] = ()
    album_rules: tuple[Rule, ...] = ()
    rehearsals: tuple[Rehearsal, ...] = ()
    deliver: Delivery | None = None
    file: ProfileFile | None = None
    bases: tuple[ProfileFile, ...] = ()

    def target_lufs(self) -> float | None:
        """Loudness to master for: the target of the tightest integrated rule, else the playback level, else None."""
        targets = [r for r in self.rules if r.measure == "integrated_lufs" and r.target is not None]
        if targets:
            return min(targets, key=lambda rule: rule.tolerance or 0.0).target
        return self.playback_lufs

    def highest_peak_db(self) -> float:
        """The true peak to stay under, dBTP: the lowest maximum of a rule on true or sample peak; 0 without one.

        Rules that are only notes, or apply only sometimes, do not count. A sample is never above the true peak,
        so a limit on samples is kept by keeping it as a true-peak limit.
        """
        peaks = [r for r in self.rules if r.measure in ("true_peak_dbtp", "sample_peak_dbfs")]
        return min((r.max for r in peaks if r.max is not None and r.level != "note" and r.when is None), default=0.0)
