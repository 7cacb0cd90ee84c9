"""Measurement x Profile -> findings: every rule of a profile held against what was measured."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from master_check.judgement.profile import Level, Profile, ProfileFile, Range, Rehearsal, Rule
from master_check.measurement.measurement import Measurement
from master_check.tables.quantities import (
    ALBUM_QUANTITIES,
    QUANTITIES,
    REHEARSAL_QUANTITIES,
    RULE_QUANTITIES,
    Quantity,
    Value,
)

Result = Literal["pass", "warn", "fail", "skip"]
Overall = Literal["pass", "warn", "fail", "error"]

_ORDER: Final = ("skip", "pass", "warn", "fail", "error")


@dataclass(frozen=True, slots=True)
class Finding:
    """One rule held against one value.

    Attributes
    ----------
    measure : str
        Key of the table of quantities.
    value : number, word or None
        What was measured.
    limit : str
        What the rule asks for, such as `<= -1.0`; empty where a note sets no limit.
    level : str
        must, should or note.
    result : str
        pass, warn (a `should` is broken), fail (a `must` is broken) or skip (a note, or nothing to judge).
    shown : str
        The value for people, with as many decimals as tell it from the limit.
    at_s : float or None
        When in the file.
    why, do, source : str
        Reason, what to do, where the limit comes from.
    rule : Rule
        The rule itself.
    """

    measure: str
    value: Value
    limit: str
    level: Level
    result: Result
    shown: str
    at_s: float | None
    why: str
    do: str
    source: str
    rule: Rule = field(repr=False)

    @property
    def quantity(self) -> Quantity:
        return (RULE_QUANTITIES | ALBUM_QUANTITIES | REHEARSAL_QUANTITIES)[self.measure]

    @property
    def wanted(self) -> str:
        """The limit for people, with its unit."""
        return f"{self.limit} {self.quantity.unit}".rstrip() if self.limit else "no limit"


@dataclass(frozen=True, slots=True)
class Verdict:
    """A file, or an album, held against one profile.

    Attributes
    ----------
    profile, title, source : str
        Of the profile.
    result : str
        The worst of the findings.
    findings : tuple of Finding
        One for each rule, in the profile's order.
    file : ProfileFile or None
        Where the profile was read from.
    bases : tuple of ProfileFile
        Those it extends, the nearest first.
    """

    profile: str
    title: str
    source: str
    result: Overall
    findings: tuple[Finding, ...]
    file: ProfileFile | None = None
    bases: tuple[ProfileFile, ...] = ()

    def broken(self) -> list[Finding]:
        """What fails, then what warns."""
        return [f for f in self.findings if f.result == "fail"] + [f for f in self.findings if f.result == "warn"]


def judge(measurement: Measurement, profile: Profile) -> Verdict:
    """Hold one file against a profile."""
    return _judge(profile, profile.rules, RULE_QUANTITIES, measurement.values, measurement.at_s)


def judge_values(values: Mapping[str, Value], profile: Profile) -> Verdict:
    """Hold a file's figures against a profile, where nothing else is kept of its measurement."""
    return _judge(profile, profile.rules, RULE_QUANTITIES, values, {})


def judge_album(values: Mapping[str, Value], profile: Profile) -> Verdict:
    """Hold an album's figures against the album rules of a profile."""
    return _judge(profile, profile.album_rules, ALBUM_QUANTITIES, values, {})


def judge_rehearsal(
    values: Mapping[str, Value], at_s: Mapping[str, float], rehearsal: Rehearsal, profile: Profile
) -> Verdict:
    """Hold what came out of a rehearsal against its rules."""
    return _judge(profile, rehearsal.rules, QUANTITIES | REHEARSAL_QUANTITIES, values, at_s)


def worst(results: Iterable[str], none: Overall = "pass") -> Overall:
    """The worst of several results; what is only skipped counts as passed."""
    found = max(results, key=_ORDER.index, default=none)
    return "pass" if found == "skip" else found  # type: ignore[return-value]


def _judge(
    profile: Profile,
    rules: Sequence[Rule],
    quantities: Mapping[str, Quantity],
    values: Mapping[str, Value],
    at_s: Mapping[str, float],
) -> Verdict:
    findings = tuple(_hold(rule, quantities[rule.measure], values, at_s.get(rule.measure)) for rule in rules)
    result = worst(finding.result for finding in findings)
    return Verdict(profile.name, profile.title, profile.source, result, findings, profile.file, profile.bases)


def _hold(rule: Rule, quantity: Quantity, values: Mapping[str, Value], at_s: float | None) -> Finding:
    value = values.get(rule.measure)
    if rule.level == "note" or not _applies(rule.when, values) or (value is None and not _needs(rule, quantity)):
        result: Result = "skip"
    elif value is not None and _meets(rule, value):
        result = "pass"
    else:
        result = "fail" if rule.level == "must" else "warn"
    limit, shown = _words(rule, quantity, value, meets=result == "pass")
    return Finding(
        rule.measure,
        value,
        limit,
        rule.level,
        result,
        shown,
        at_s,
        rule.why,
        rule.do or quantity.remedy,
        rule.source,
        rule,
    )


def _applies(when: Range | None, values: Mapping[str, Value]) -> bool:
    if when is None:
        return True
    value = values.get(when.measure)
    if value is None or isinstance(value, str):
        return False
    return (when.min is None or value >= when.min) and (when.max is None or value <= when.max)


def _needs(rule: Rule, quantity: Quantity) -> bool:
    """Whether there has to be a value: a maximum alone is not passed by nothing."""
    return quantity.needed and (rule.min is not None or rule.max is None)


def _meets(rule: Rule, value: float | int | str) -> bool:
    if rule.one_of is not None:
        return value in rule.one_of
    if isinstance(value, str):
        return False
    slack = rule.tolerance or 0.0
    if rule.target is not None:
        return abs(value - rule.target) <= slack
    return (rule.min is None or value >= rule.min - slack) and (rule.max is None or value <= rule.max + slack)


def _words(rule: Rule, quantity: Quantity, value: Value, meets: bool) -> tuple[str, str]:
    """Limit and value in words, with decimals enough that a value past its limit never looks equal to it."""
    places = quantity.decimals
    if isinstance(value, (int, float)) and not meets and rule.one_of is None:
        slack = rule.tolerance or 0.0
        edges = [rule.target - slack, rule.target + slack] if rule.target is not None else []
        edges += [edge for edge in (rule.min, rule.max) if edge is not None]
        edges += [rule.min - slack] if rule.min is not None else []
        edges += [rule.max + slack] if rule.max is not None else []
        while places < 6 and any(value != e and round(value, places) == round(e, places) for e in edges):
            places += 1
    return limit_text(rule, places), quantity.format(value, places)


def limit_text(rule: Rule, places: int) -> str:
    """What a rule asks for, in signs and figures: `<= -1.0`, `-23.0 ±1`, `one of 44100, 48000`; empty for no limit."""
    if rule.one_of is not None:
        allowed = ", ".join(v if isinstance(v, str) else f"{v:.10g}" for v in rule.one_of)
        return f"one of {allowed}" if len(rule.one_of) > 1 else f"= {allowed}"
    if rule.target is not None:
        return f"{_figure(rule.target, places)} ±{rule.tolerance:g}"
    slack = f" (±{rule.tolerance:g})" if rule.tolerance else ""
    if rule.min is not None and rule.max is not None:
        return f"{_figure(rule.min, places)} to {_figure(rule.max, places)}{slack}"
    if rule.min is not None:
        return f">= {_figure(rule.min, places)}{slack}"
    return f"<= {_figure(rule.max, places)}{slack}" if rule.max is not None else ""


def _figure(number: float, places: int) -> str:
    """With at least `places` decimals, and never fewer than the profile wrote."""
    text = f"{number:.10g}"
    written = len(text.partition(".")[2]) if "e" not in text else places
    return f"{number:.{max(places, written)}f}"
