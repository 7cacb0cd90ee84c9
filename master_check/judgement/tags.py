"""What a file says of itself, judged: every statement by itself, by the rules on metadata of profiles."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from master_check.judgement.checked import Checked, load_all
from master_check.judgement.profile import Profile
from master_check.judgement.verdict import Result, judge, worst
from master_check.measurement.measurement import Measurement
from master_check.measurement.one_pass import measure
from master_check.measurement.stated import Statement, statements
from master_check.sound.source import Source
from master_check.tables.layouts import Layout
from master_check.tables.quantities import RULE_QUANTITIES, Value

PROFILE = "metadata"
"""The shipped profile that judges where no other is asked for."""

GROUP = "Metadata"
"""The quantities that are about metadata."""


@dataclass(frozen=True, slots=True)
class TagField:
    """One statement of a file, judged.

    Attributes
    ----------
    name, place : str
        What it states and where it stands, as in `Tag`.
    value : str, int or float
        As it stands in the file.
    measured : number, word or None
        What should stand there by what was measured; None where nothing can tell.
    measure : str or None
        The quantity that tells how far it is off.
    error : number or None
        What this statement alone makes of that quantity.
    result : str
        pass, warn, fail, or skip where no rule is about it.
    """

    name: str
    place: str
    value: str | int | float
    measured: Value
    measure: str | None
    error: float | None
    result: Result


@dataclass(frozen=True, slots=True)
class TaggedFile:
    """A file with all its statements.

    Attributes
    ----------
    checked : Checked
        Measured, and held against the rules on metadata of every profile.
    fields : tuple of TagField
    """

    checked: Checked
    fields: tuple[TagField, ...] = ()


def tags(
    source: str | Path | Source,
    profiles: str | Path | Profile | Sequence[str | Path | Profile] = PROFILE,
    layout: Layout | None = None,
) -> TaggedFile:
    """Read what a file says of itself, and hold it against what is measured of it.

    Parameters
    ----------
    source, layout
        As in `check`.
    profiles : one or a sequence of str, path or Profile
        Whose rules on metadata judge; the shipped `metadata` by default.

    Raises
    ------
    AudioError
        The file cannot be measured.
    ProfileError
        A profile cannot be used.

    Examples
    --------
    >>> from master_check import tags
    >>> found = tags("master.wav")  # doctest: +SKIP
    >>> [(field.name, field.value, field.measured, field.result) for field in found.fields]  # doctest: +SKIP
    """
    return tagged(measure(source, layout), load_all(profiles))


def tagged(measurement: Measurement, profiles: Sequence[Profile]) -> TaggedFile:
    """The statements of a file that is measured already."""
    own = [on_metadata(profile) for profile in profiles]
    verdicts = tuple(judge(measurement, profile) for profile in own)
    found = statements(measurement.tags, measurement.values)
    fields = tuple(_field(each, measurement, own) for each in found)
    return TaggedFile(Checked(measurement.path, measurement, verdicts), fields)


def on_metadata(profile: Profile) -> Profile:
    """A profile with nothing but its rules on metadata."""
    rules = tuple(rule for rule in profile.rules if RULE_QUANTITIES[rule.measure].group == GROUP)
    return replace(profile, rules=rules, album_rules=())


def _field(each: Statement, measurement: Measurement, profiles: Sequence[Profile]) -> TagField:
    tag = each.tag
    return TagField(
        tag.name, tag.place, tag.value, each.measured, each.measure, each.value, _result(each, measurement, profiles)
    )


def _result(each: Statement, measurement: Measurement, profiles: Sequence[Profile]) -> Result:
    """What the rules on its quantity say of a statement alone."""
    if each.measure is None or each.value is None:
        return "skip"
    alone = replace(measurement, values=measurement.values | {each.measure: each.value})
    findings = [finding for profile in profiles for finding in judge(alone, profile).findings]
    results = [finding.result for finding in findings if finding.measure == each.measure]
    return worst(results) if set(results) - {"skip"} else "skip"  # type: ignore[return-value]
