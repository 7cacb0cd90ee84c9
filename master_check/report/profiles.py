"""Profiles and the table of quantities for the terminal."""

from collections.abc import Iterator, Mapping, Sequence

from rich.console import Console
from rich.text import Text

from master_check.judgement.profile import Profile, Rehearsal, Rule
from master_check.judgement.verdict import limit_text
from master_check.report.lines import Cell, columns, flow, indented, prose, show
from master_check.report.wording.delivery import delivery
from master_check.report.wording.rehearsal import told
from master_check.tables.quantities import (
    ALBUM_QUANTITIES,
    QUANTITIES,
    REHEARSAL_QUANTITIES,
    RULE_QUANTITIES,
    STEM_QUANTITIES,
    Quantity,
)
from master_check.text import visible

UNDER = 10
"""Where the lines of a rule begin, behind its level."""


def print_profiles(console: Console, rows: Sequence[tuple[str, str, str]]) -> None:
    """Profiles that can be named, as (name, title, file)."""
    shown: list[list[Cell]] = [
        [Text(visible(name), style="bold"), visible(title), Text(visible(file), style="dim")]
        for name, title, file in rows
    ]
    show(console, columns(["name", "for", "file"], shown, console.width, words=True))


def print_profile(console: Console, profile: Profile) -> None:
    """A profile's head, then each rule: level, quantity and limit; under them the reason and where it comes from."""
    show(console, prose(Text(visible(f"{profile.name}: {profile.title}"), style="bold"), console.width))
    show(console, prose(Text(visible(f"source: {profile.source}"), style="dim"), console.width))
    for word, file in (("file", profile.file), *(("extends", base) for base in profile.bases)):
        if file is not None:
            line = Text(visible(f"{word}: {file.path}, SHA-256 {file.sha256}"), style="dim")
            show(console, prose(line, console.width))
    if profile.playback_lufs is not None:
        show(console, [Text(f"playback at {profile.playback_lufs:g} LUFS")])
    for title, rules, quantities in (
        ("for each file", profile.rules, RULE_QUANTITIES),
        ("for the album", profile.album_rules, ALBUM_QUANTITIES),
    ):
        if rules:
            console.print()
            show(console, [Text(title, style="bold")])
            show(console, _rules(rules, quantities, console.width))
    if profile.rehearsals:
        console.print()
        show(console, [Text("rehearsed with `sendoff rehearse`", style="bold")])
        for rehearsal in profile.rehearsals:
            _print_rehearsal(console, rehearsal)

    if profile.deliver is not None:
        console.print()
        show(console, [Text("delivered with `sendoff deliver`", style="bold")])
        for told_line in delivery(profile.deliver):
            show(console, indented(prose(visible(told_line), console.width - 2), 2))


def _print_rehearsal(console: Console, rehearsal: Rehearsal) -> None:
    """Its name, what it does, why; then its rules."""
    name, what = visible(rehearsal.name), told(rehearsal)
    parts: list[Cell] = [Text(name, style="bold")] + ([what] if what != rehearsal.name else [])
    show(console, indented(flow(parts, console.width - 2, gap="  "), 2))
    reason = Text(" ".join([rehearsal.why, f"[{rehearsal.source}]"]).strip(), style="dim")
    show(console, indented(prose(reason, console.width - UNDER), UNDER))
    if rehearsal.rules:
        rules = _rules(rehearsal.rules, QUANTITIES | REHEARSAL_QUANTITIES, console.width - 2)
        show(console, indented(rules, 2))


def _rules(rules: Sequence[Rule], quantities: Mapping[str, Quantity], width: int) -> Iterator[Text]:
    widest = max(len(quantities[rule.measure].title) for rule in rules)
    for rule in rules:
        quantity = quantities[rule.measure]
        title = f"{quantity.title:<{widest}}" if UNDER + widest + 30 <= width else quantity.title
        limit = limit_text(rule, quantity.decimals)
        limit = f"{limit} {quantity.unit}".rstrip() if limit else "no limit"
        first, *rest = flow([title, visible(limit)], width - UNDER, gap="  ")
        yield Text.assemble("  ", (f"{rule.level:<{UNDER - 2}}", "bold"), first)
        reason = Text(visible(" ".join([rule.why, f"[{rule.source}]"]).strip()), style="dim")
        yield from indented([*rest, *_condition(rule, width), *prose(reason, width - UNDER)], UNDER)


def _condition(rule: Rule, width: int) -> list[Text]:
    if rule.when is None:
        return []
    quantity, low, high = RULE_QUANTITIES[rule.when.measure], rule.when.min, rule.when.max
    edges = [f"{sign} {edge:g}" for sign, edge in ((">=", low), ("<=", high)) if edge is not None]
    return prose(f"where {quantity.title.lower()} is {' and '.join(edges)} {quantity.unit}".rstrip(), width - UNDER)


def print_quantities(console: Console) -> None:
    """Every quantity: key, name and unit; under them what it means."""
    for title, quantities in (
        ("of a file", QUANTITIES),
        ("of a stem, besides", STEM_QUANTITIES),
        ("of an album", ALBUM_QUANTITIES),
        ("of a rehearsal, besides", REHEARSAL_QUANTITIES),
    ):
        show(console, [Text(f"Quantities {title}", style="bold")])
        widest = max(map(len, quantities))
        for quantity in quantities.values():
            name = f"{quantity.title}, {quantity.unit}" if quantity.unit else quantity.title
            key = f"{quantity.key:<{widest}}" if widest + 44 <= console.width else quantity.key
            show(console, indented(flow([Text(key, style="bold"), Text(name)], console.width - 2, gap="  "), 2))
            show(console, indented(prose(Text(quantity.meaning, style="dim"), console.width - 6), 6))
        console.print()
