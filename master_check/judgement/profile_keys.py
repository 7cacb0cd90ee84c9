"""What may stand in a profile's file, as data: files are checked by it, and the JSON Schema for editors is made of it.

Every key has a kind, and a kind says what a value has to be. All faults of a file are found at once.
"""

import difflib
import math
import re
import reprlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from master_check.judgement.profile import LEVELS, Range, Rehearsal, Rule
from master_check.tables.deliveries import CONTAINERS, DELIVERED_BITS, NAME_FIELDS
from master_check.tables.quantities import ALBUM_QUANTITIES, QUANTITIES, REHEARSAL_QUANTITIES, RULE_QUANTITIES, Quantity
from master_check.tables.rehearsals import BITS, DITHERS, HIGHEST_HZ, KINDS, LOWEST_HZ
from master_check.text import visible

NAME: Final = "[a-z0-9][a-z0-9-]*"

LONGEST_SILENCE_S: Final = 60.0
"""That a delivery can ask for at its start or end."""


class Misfit(ValueError):
    """A value that its key cannot have: what was expected, and where inside the value."""

    def __init__(self, expected: str, at: str = "", there: Any = None) -> None:
        super().__init__(expected)
        self.expected = expected
        self.at = at
        self.there = there


@dataclass(frozen=True, slots=True)
class Kind:
    """What a value has to be: a function that takes it or raises `Misfit`, and the same as JSON Schema."""

    take: Callable[[Any], Any]
    schema: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Key:
    """A key of a table: its name, what it means, and its kind, or the keys of the table that it holds."""

    name: str
    kind: "Kind | Sequence[Key] | TablesOf"
    description: str = ""
    required: bool = False


@dataclass(frozen=True, slots=True)
class TablesOf:
    """The kind of a key that holds rules, a table each: their keys, and the quantities they can be about."""

    keys: "Sequence[Key]"
    quantities: Mapping[str, Quantity]


def _number(value: Any) -> float:
    """TOML tells 1 from 1.0; a limit does not."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise Misfit("expected a number", there=value)
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise Misfit("expected a finite number", there=value)
    return number


def _zero_or_more(value: Any) -> float:
    if _number(value) < 0.0:
        raise Misfit("expected 0 or more", there=value)
    return float(value)


def _above_zero(value: Any) -> float:
    if _number(value) <= 0.0:
        raise Misfit("expected more than 0", there=value)
    return float(value)


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise Misfit("expected text", there=value)
    return value


def _line(value: Any) -> str:
    """Text for people: on one line, and with nothing in it that a terminal would obey."""
    return visible(" ".join(_text(value).split()))


def _title(value: Any) -> str:
    if not _line(value):
        raise Misfit("expected some text", there=value)
    return _line(value)


def _name(value: Any) -> str:
    if not re.fullmatch(NAME, _text(value)):
        raise Misfit("expected lower-case letters, digits and hyphens", there=value)
    return str(value)


def _level(value: Any) -> str:
    if value not in LEVELS:
        raise Misfit("expected must, should or note", there=value)
    return str(value)


def _one_of(words: Sequence[str]) -> Kind:
    def take(value: Any) -> str:
        if value not in words:
            raise Misfit(f"expected {', '.join(words[:-1])} or {words[-1]}", there=value)
        return str(value)

    return Kind(take, {"enum": list(words)})


def _whole(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise Misfit("expected a whole number", there=value)
    return value


def _hertz(value: Any) -> int:
    if not LOWEST_HZ <= _whole(value) <= HIGHEST_HZ:
        raise Misfit(f"expected a sample rate from {LOWEST_HZ} to {HIGHEST_HZ} Hz", there=value)
    return _whole(value)


def _bits(value: Any) -> int:
    if _whole(value) not in BITS:
        raise Misfit(f"expected {', '.join(map(str, BITS[:-1]))} or {BITS[-1]}", there=value)
    return _whole(value)


def _word_delivered(value: Any) -> int:
    if _whole(value) not in DELIVERED_BITS:
        raise Misfit("expected 16, 24 or 32", there=value)
    return _whole(value)


def _one_or_more(kind: Kind) -> Kind:
    """A value of a kind, or a list of them; either way, the sorted values."""

    def take(value: Any) -> tuple[Any, ...]:
        if not isinstance(value, list):
            return (kind.take(value),)
        if not value:
            raise Misfit("expected a list of at least one value")
        return tuple(sorted({_item(kind, each, number) for number, each in enumerate(value, 1)}))

    several = {"type": "array", "items": dict(kind.schema), "minItems": 1}
    return Kind(take, {"anyOf": [dict(kind.schema), several]})


def _item(kind: Kind, value: Any, number: int) -> Any:
    try:
        return kind.take(value)
    except Misfit as misfit:
        raise Misfit(misfit.expected, f"[{number}]", value) from None


def _silence(value: Any) -> float:
    if not 0.0 <= _number(value) <= LONGEST_SILENCE_S:
        raise Misfit(f"expected seconds from 0 to {LONGEST_SILENCE_S:g}", there=value)
    return float(value)


def _switch(value: Any) -> bool:
    if not isinstance(value, bool):
        raise Misfit("expected true or false", there=value)
    return value


def _pattern(value: Any) -> str:
    """The pattern of a file name: nothing but known fields in its braces, and nothing that leads to another folder."""
    for field_name in re.findall(r"\{([^{}]*)\}", _text(value)):
        if field_name not in NAME_FIELDS:
            raise Misfit(f"no field is called {{{_short(field_name)}}}; there are {', '.join(NAME_FIELDS)}")
    rest = re.sub(r"\{[^{}]*\}", "", value)
    if not value.strip() or re.search(r"[{}/\\]", rest) or visible(value) != value:
        raise Misfit("expected a file name without a folder, in which braces hold fields", there=value)
    return str(value)


def _values(value: Any) -> tuple[float | str, ...]:
    if not isinstance(value, list) or not value:
        raise Misfit("expected a list of at least one value")
    return tuple(_value(each, number) for number, each in enumerate(value, 1))


def _value(value: Any, number: int) -> float | str:
    try:
        return _line(value) if isinstance(value, str) else _number(value)
    except Misfit:
        raise Misfit("expected a finite number or a word", f"[{number}]", value) from None


NUMBER: Final = Kind(_number, {"type": "number"})
ZERO_OR_MORE: Final = Kind(_zero_or_more, {"type": "number", "minimum": 0})
ABOVE_ZERO: Final = Kind(_above_zero, {"type": "number", "exclusiveMinimum": 0})
TEXT: Final = Kind(_text, {"type": "string"})
LINE: Final = Kind(_line, {"type": "string"})
TITLE: Final = Kind(_title, {"type": "string", "minLength": 1})
PROFILE_NAME: Final = Kind(_name, {"type": "string", "pattern": f"^{NAME}$"})
LEVEL: Final = Kind(_level, {"enum": list(LEVELS)})
VALUES: Final = Kind(_values, {"type": "array", "items": {"type": ["number", "string"]}, "minItems": 1})

HERTZ: Final = Kind(_hertz, {"type": "integer", "minimum": LOWEST_HZ, "maximum": HIGHEST_HZ})
WORD: Final = Kind(_bits, {"enum": list(BITS)})

WORD_DELIVERED: Final = Kind(_word_delivered, {"enum": list(DELIVERED_BITS)})
SILENCE: Final = Kind(_silence, {"type": "number", "minimum": 0, "maximum": LONGEST_SILENCE_S})
PATTERN: Final = Kind(_pattern, {"type": "string", "minLength": 1})
SWITCH: Final = Kind(_switch, {"type": "boolean"})

HEAD_KEYS: Final = (
    Key("name", PROFILE_NAME, "Lower-case letters, digits and hyphens.", required=True),
    Key("title", TITLE, "One line for people.", required=True),
    Key("source", LINE, "The document the profile follows."),
    Key("extends", TEXT, "A profile whose rules are taken first and replaced by measure: a name, or a path from here."),
    Key("playback_lufs", NUMBER, "Loudness at which the place plays a track or album."),
    Key("max_gain_reduction_db", ABOVE_ZERO, "Limiter work, 95th percentile, above which a target costs too much."),
)


def _rule_keys(quantities: Mapping[str, Quantity]) -> tuple[Key, ...]:
    measure = Kind(_text, {"enum": list(quantities)})
    in_range = (
        Key("measure", Kind(_text, {"enum": list(RULE_QUANTITIES)}), "The other quantity.", required=True),
        Key("min", NUMBER, "Smallest value at which the rule applies."),
        Key("max", NUMBER, "Largest value at which the rule applies."),
    )
    return (
        Key("measure", measure, "A key of the table of quantities (`sendoff quantities`).", required=True),
        Key("min", NUMBER, "Smallest allowed value."),
        Key("max", NUMBER, "Largest allowed value."),
        Key("target", NUMBER, "Wanted value; needs tolerance."),
        Key("tolerance", ZERO_OR_MORE, "How far from target a value may lie, or past min or max meters may disagree."),
        Key("one_of", VALUES, "The allowed values."),
        Key("level", LEVEL, "must: fails. should: warns. note: shown, never judged. Without it: must."),
        *(() if quantities is ALBUM_QUANTITIES else (Key("when", in_range, "The rule applies only in this range."),)),
        Key("why", LINE, "The reason, for the one who reads the finding."),
        Key("do", LINE, "What to do about it, in place of the usual advice."),
        Key("source", LINE, "Where the limit comes from."),
    )


REHEARSED: Final = QUANTITIES | REHEARSAL_QUANTITIES
"""What the rules of a rehearsal can be about."""

RULE_KEYS: Final = _rule_keys(RULE_QUANTITIES)
ALBUM_RULE_KEYS: Final = _rule_keys(ALBUM_QUANTITIES)
REHEARSAL_RULE_KEYS: Final = _rule_keys(REHEARSED)

REHEARSAL_KEYS: Final = (
    Key("name", TITLE, "For people; replaces a rehearsal of the same name in what the profile extends.", required=True),
    Key("kind", _one_of(list(KINDS)), "What is done: an encoding, rate or word_length.", required=True),
    Key("kbps", ABOVE_ZERO, "Bit rate of an encode, kbit/s."),
    Key("rate_hz", HERTZ, "Sample rate to convert to; before an encode, where that is not what it would be anyway."),
    Key("bits", WORD, "Word length to convert to."),
    Key("dither", _one_of(DITHERS), "With bits: tpdf or none. Without it: tpdf."),
    Key("why", LINE, "The reason, for the one who reads the result."),
    Key("source", LINE, "Where it comes from."),
    Key("rule", TablesOf(REHEARSAL_RULE_KEYS, REHEARSED), "Limits on what comes out."),
)


DELIVER_KEYS: Final = (
    Key("container", _one_of(list(CONTAINERS)), "The kind of file. Without it: WAV, or BW64 above 4 GiB."),
    Key("rate_hz", _one_or_more(HERTZ), "Sample rates that the place takes, one or a list. Without it: the master's."),
    Key("bits", _one_or_more(WORD_DELIVERED), "Word lengths that it takes, one or a list. Without it: the master's."),
    Key("dither", _one_of(DITHERS), "Where bits are lost: tpdf or none. Without it: tpdf."),
    Key("head_silence_s", SILENCE, "Silence at the start, at least; what is missing is added."),
    Key("tail_silence_s", SILENCE, "Silence at the end, at least; what is missing is added."),
    Key("name", PATTERN, f"File name without suffix; in braces: {', '.join(NAME_FIELDS)}."),
    Key("metadata", SWITCH, "Whether to write metadata, with the measured loudness in WAVs. Without it: true."),
    Key("source", LINE, "Where it comes from."),
)


@dataclass(slots=True)
class Contents:
    """What stands in one file: the keys of `[profile]` that it has, its own rules, and all that is wrong with it."""

    head: dict[str, Any] = field(default_factory=dict)
    rules: list[Rule] = field(default_factory=list)
    album_rules: list[Rule] = field(default_factory=list)
    rehearsals: list[Rehearsal] = field(default_factory=list)
    deliver: dict[str, Any] | None = None
    faults: list[str] = field(default_factory=list)


def contents(table: Mapping[str, Any]) -> Contents:
    """Hold what TOML gave against the keys that profiles have."""
    found = Contents()
    if "profile" in table:
        found.head = _take_table(table["profile"], HEAD_KEYS, "profile", "", found.faults)
    else:
        found.faults.append("profile: missing")
    found.rules = _take_rules(table, "rule", RULE_KEYS, RULE_QUANTITIES, found.faults)
    found.album_rules = _take_rules(table, "album_rule", ALBUM_RULE_KEYS, ALBUM_QUANTITIES, found.faults)
    found.rehearsals = _take_rehearsals(table, found.faults)
    if "deliver" in table:
        found.deliver = _take_table(table["deliver"], DELIVER_KEYS, "deliver", "", found.faults)
        found.faults += [f"deliver: {fault}" for fault in _delivery_faults(found.deliver)]
    found.faults += [
        f"{_short(name)}: not a key that profiles have"
        for name in table
        if name not in ("profile", "rule", "album_rule", "rehearse", "deliver")
    ]
    return found


def _take_table(given: Any, keys: Sequence[Key], place: str, behind: str, faults: list[str]) -> dict[str, Any]:
    """The values of a table by key. `behind` stands after the key in every fault."""
    if not isinstance(given, dict):
        faults.append(f"{place}{behind}: expected a table")
        return {}
    found = {}
    for key in keys:
        try:
            if key.name not in given:
                if key.required:
                    raise Misfit("missing")
            elif isinstance(key.kind, Kind):
                found[key.name] = key.kind.take(given[key.name])
            elif isinstance(key.kind, TablesOf):
                within = _take_rules(given, key.name, key.kind.keys, key.kind.quantities, faults, f"{place}.")
                found[key.name] = within
            else:
                found[key.name] = _take_table(given[key.name], key.kind, f"{place}.{key.name}", behind, faults)
        except Misfit as misfit:
            faults.append(f"{place}.{key.name}{misfit.at}{behind}: {misfit.expected}{_there(misfit.there)}")
    names = [key.name for key in keys]
    faults += [f"{place}.{_short(name)}{behind}: not a key that profiles have" for name in given if name not in names]
    return found


def _take_rules(
    table: Mapping[str, Any],
    name: str,
    keys: Sequence[Key],
    quantities: Mapping[str, Quantity],
    faults: list[str],
    above: str = "",
) -> list[Rule]:
    given = _tables(table, name, faults, above)
    rules = []
    for number, each in enumerate(given, 1):
        place, before = f"{above}{name}[{number}]", len(faults)
        measure = each.get("measure") if isinstance(each, dict) else None
        behind = f" ({_short(measure)})" if isinstance(measure, str) else ""
        values = _take_table(each, keys, place, behind, faults)
        if len(faults) > before:
            continue  # what it all means together is no question yet
        if "when" in values:
            values["when"] = Range(**values["when"])
            faults += [f"{place}.when{behind}: {fault}" for fault in _range_faults(values["when"])]
        rule = Rule(**values)
        faults += [f"{place}{behind}: {fault}" for fault in _rule_faults(rule, quantities)]
        rules.append(rule)
    return rules


def _tables(table: Mapping[str, Any], name: str, faults: list[str], above: str = "") -> list[Any]:
    given = table.get(name, [])
    if isinstance(given, list):
        return given
    whole = re.sub(r"\[\d+\]", "", above) + name
    faults.append(f"{above}{name}: expected tables, each under its own [[{whole}]]")
    return []


def _take_rehearsals(table: Mapping[str, Any], faults: list[str]) -> list[Rehearsal]:
    rehearsals: list[Rehearsal] = []
    for number, each in enumerate(_tables(table, "rehearse", faults), 1):
        place, before = f"rehearse[{number}]", len(faults)
        name = each.get("name") if isinstance(each, dict) else None
        behind = f" ({_short(visible(name))})" if isinstance(name, str) else ""
        values = _take_table(each, REHEARSAL_KEYS, place, behind, faults)
        if len(faults) > before:
            continue  # what it all means together is no question yet
        values["rules"] = tuple(values.pop("rule", ()))
        if "bits" in values:
            values.setdefault("dither", "tpdf")
        rehearsal = Rehearsal(**values)
        faults += [f"{place}{behind}: {fault}" for fault in _rehearsal_faults(rehearsal, rehearsals)]
        rehearsals.append(rehearsal)
    return rehearsals


def _rehearsal_faults(rehearsal: Rehearsal, before: Sequence[Rehearsal]) -> list[str]:
    """What is wrong with a rehearsal as a whole: the first such thing."""
    kind = rehearsal.of_kind
    needs = {"encode": "kbps", "rate": "rate_hz", "word_length": "bits"}
    if getattr(rehearsal, needs[kind.group]) is None:
        return [f"{kind.key} needs {needs[kind.group]}"]
    may = {"encode": ("kbps", "rate_hz"), "rate": ("rate_hz",), "word_length": ("bits", "dither")}[kind.group]
    for key in ("kbps", "rate_hz", "bits", "dither"):
        if key not in may and getattr(rehearsal, key) is not None:
            return [f"{key} does not go with {kind.key}"]
    if rehearsal.kbps is not None and not kind.takes_kbps(rehearsal.kbps):
        return [f"{kind.key} takes {kind.kbps_words} kbit/s; there is {rehearsal.kbps:g}"]
    if rehearsal.rate_hz is not None and kind.rates and rehearsal.rate_hz not in kind.rates:
        allowed = ", ".join(map(str, sorted(kind.rates)))
        return [f"{kind.key} takes a rate_hz of {allowed}; there is {rehearsal.rate_hz}"]
    if any(other.name == rehearsal.name for other in before):
        return ["a rehearsal of this name is there already"]
    return []


def _delivery_faults(values: Mapping[str, Any]) -> list[str]:
    """What is wrong with a delivery as a whole."""
    container = CONTAINERS.get(values.get("container", ""))
    wrong = [bits for bits in values.get("bits", ()) if container is not None and bits not in container.bits]
    return [f"{container.key} takes no words of {wrong[0]} bits" for _ in wrong[:1] if container is not None]


def _range_faults(when: Range) -> list[str]:
    if when.measure not in RULE_QUANTITIES:
        return [_unknown(when.measure, RULE_QUANTITIES)]
    return ["expected min, max or both"] if when.min is None and when.max is None else []


def _rule_faults(rule: Rule, quantities: Mapping[str, Quantity]) -> list[str]:
    """What is wrong with a rule as a whole: the first such thing."""
    bounds = rule.min is not None or rule.max is not None
    limits = bounds + (rule.target is not None) + (rule.one_of is not None)
    if rule.measure not in quantities:
        return [_unknown(rule.measure, quantities)]
    if limits > 1 or (limits == 0 and rule.level != "note"):
        return ["expected exactly one of: min and/or max; target with tolerance; one_of (only a note needs none)"]
    if rule.target is not None and rule.tolerance is None:
        return ["target needs a tolerance"]
    if rule.tolerance is not None and (rule.one_of is not None or not limits):
        return ["tolerance goes with target, min or max"]
    if rule.min is not None and rule.max is not None and rule.min > rule.max:
        return [f"min {rule.min:g} is above max {rule.max:g}"]
    words = [value for value in rule.one_of or () if isinstance(value, str)]
    if quantities[rule.measure].text and limits and len(words) < len(rule.one_of or "-"):
        return [f"{rule.measure} is a word: expected one_of with words"]
    if not quantities[rule.measure].text and words:
        return [f"{rule.measure} is a number: one_of has {words[0]!r}"]
    return []


def _unknown(key: str, quantities: Mapping[str, Quantity]) -> str:
    near = difflib.get_close_matches(key, quantities, n=1)
    hint = f", perhaps {near[0]}" if near else ""
    return f"no quantity is called {reprlib.repr(key)}{hint}; `sendoff quantities` lists them"


def _there(value: Any) -> str:
    """What stands there instead, where that is a word or a number of a sensible length."""
    short = isinstance(value, (str, float, bool)) or (isinstance(value, int) and abs(value) < 10**30)
    return f"; there is {reprlib.repr(value)}" if short else ""


def _short(name: str) -> str:
    return name if len(name) < 60 else f"{name[:56]}..."


def schema() -> dict[str, Any]:
    """JSON Schema of a profile, for editors."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Delivery profile",
        "type": "object",
        "properties": {
            "profile": _schema(HEAD_KEYS),
            "rule": {"type": "array", "items": _schema(RULE_KEYS), "description": "Limits for a file."},
            "album_rule": {"type": "array", "items": _schema(ALBUM_RULE_KEYS), "description": "Limits for an album."},
            "deliver": _schema(DELIVER_KEYS) | {"description": "What file the place takes (`sendoff deliver`)."},
            "rehearse": {
                "type": "array",
                "items": _schema(REHEARSAL_KEYS),
                "description": "Encodes and conversions that the place will make.",
            },
        },
        "required": ["profile"],
        "additionalProperties": False,
    }


def _schema(keys: Sequence[Key]) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": {key.name: {**_of_kind(key.kind), "description": key.description} for key in keys},
        "required": [key.name for key in keys if key.required],
        "additionalProperties": False,
    }


def _of_kind(kind: Kind | Sequence[Key] | TablesOf) -> Mapping[str, Any]:
    if isinstance(kind, Kind):
        return kind.schema
    if isinstance(kind, TablesOf):
        return {"type": "array", "items": _schema(kind.keys)}
    return _schema(kind)
