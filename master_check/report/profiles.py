"""Profiles and the table of quantities for the terminal."""

from collections.abc import Mapping

from rich.console import Console
from rich.table import Table
from rich.text import Text

from master_check.judgement.profile import Profile, Rule
from master_check.judgement.verdict import limit_text
from master_check.tables.quantities import ALBUM_QUANTITIES, QUANTITIES, Quantity
from master_check.text import visible


def print_profile(console: Console, profile: Profile) -> None:
    console.print(Text(visible(f"{profile.name}: {profile.title}"), style="bold"))
    console.print(Text(visible(f"source: {profile.source}"), style="dim"))
    for word, file in (("file", profile.file), *(("extends", base) for base in profile.bases)):
        if file is not None:
            console.print(Text(visible(f"{word}: {file.path}, SHA-256 {file.sha256}"), style="dim"))
    if profile.playback_lufs is not None:
        console.print(f"played at {profile.playback_lufs:g} LUFS")
    table = _table("level", "what", "wanted", "why", "source")
    for rule in profile.rules:
        table.add_row(*_row(rule, QUANTITIES))
    for album_rule in profile.album_rules:
        table.add_row(*_row(album_rule, ALBUM_QUANTITIES))
    console.print(table)


def print_quantities(console: Console) -> None:
    for title, quantities in (("of a file", QUANTITIES), ("of an album", ALBUM_QUANTITIES)):
        console.print(Text(f"Quantities {title}", style="bold"))
        table = _table("key", "what", "unit", "meaning")
        for quantity in quantities.values():
            table.add_row(quantity.key, quantity.title, quantity.unit, quantity.meaning)
        console.print(table)


def _row(rule: Rule, quantities: Mapping[str, Quantity]) -> tuple[str, ...]:
    quantity = quantities[rule.measure]
    condition = ""
    if rule.when is not None:
        other, low, high = QUANTITIES[rule.when.measure], rule.when.min, rule.when.max
        condition = f" where {other.title.lower()}"
        condition += f" >= {low:g}" if low is not None else ""
        condition += f" <= {high:g}" if high is not None else ""
    limit = limit_text(rule, quantity.decimals)
    limit = f"{limit} {quantity.unit}{condition}" if limit else f"no limit{condition}"
    return rule.level, quantity.title, visible(limit), visible(rule.why), visible(rule.source)


def _table(*columns: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for column in columns:
        table.add_column(column, overflow="fold", no_wrap=column in ("key", "level", "unit"))
    return table
