"""A catalogue in words: what is in it, what this run did, how far a run is."""

from typing import TYPE_CHECKING, Final

from master_check.report.wording.verdicts import NOT_JUDGED, VERDICTS
from master_check.tables.quantities import RULE_QUANTITIES

if TYPE_CHECKING:
    from master_check.catalogues.contents import BrokenRule, Catalogued, CatalogueFile
    from master_check.catalogues.run import CatalogueProgress


NO_WORKER: Final = "the cluster has no workers: waiting for one"


def headline(found: "Catalogued") -> str:
    """The verdict in a word or two."""
    if found.judged:
        return VERDICTS["fail" if found.failed else "warn" if found.warned else "pass"]
    return NOT_JUDGED if found.files > found.errors else VERDICTS["error"]


def summary(found: "Catalogued") -> list[str]:
    """What is in a catalogue and what this run did, a line each."""
    counts = []
    if found.judged:
        counts = [
            f"{number:,} {words}"
            for number, words in (
                (found.failed, "fail"),
                (found.warned, "pass with warnings"),
                (found.passed, "pass"),
            )
            if number
        ]
    if found.errors:
        counts.append(f"{found.errors:,} could not be measured")
    lines = [
        f"{_files(found.files)}, {duration(found.audio_s)} of sound" + (f": {', '.join(counts)}" if counts else "")
    ]
    if found.vanished:
        lines.append(f"{_files(found.vanished)} vanished; the last figures are kept")
    if found.measured is not None:
        lines.append(_run(found))
    return lines


def _run(found: "Catalogued") -> str:
    parts = [f"{_files(found.measured or 0)} measured in {duration(found.seconds or 0.0)}"]
    if found.kept:
        again = f", {found.judged_again:,} of them judged again" if found.judged_again else ""
        parts.append(f"{found.kept:,} were there already{again}")
    if found.skipped:
        parts.append(f"{_files(found.skipped)} of other kinds skipped")
    return "; ".join(parts)


def rule(broken: "BrokenRule") -> str:
    """A rule that many files break."""
    title = RULE_QUANTITIES[broken.measure].title if broken.measure in RULE_QUANTITIES else broken.measure
    return f"{title} {broken.limit}"


def breaks(file: "CatalogueFile") -> str:
    """What a file breaks, or why it could not be measured."""
    if file.error is not None:
        return file.error
    parts = []
    for check in file.checks:
        names = dict.fromkeys(RULE_QUANTITIES[b["measure"]].title for b in check["broken"] if b["result"] == "fail")
        names = names or dict.fromkeys(RULE_QUANTITIES[b["measure"]].title for b in check["broken"])
        if names:
            parts.append(f"{check['profile']}: {', '.join(names)}")
    return "; ".join(parts)


def more_problems(number: int) -> str:
    """How many files that could not be measured are not named."""
    return f"and {number:,} more that could not be measured; --worst lists them first"


def pace(told: "CatalogueProgress") -> str:
    """How fast a run goes and how long it will take."""
    if told.slots == 0:
        return NO_WORKER
    if not told.done or told.elapsed_s <= 0.0:
        return ""
    left = told.left_s
    return f"{told.done / told.elapsed_s:.1f} files/s, {told.audio_s / told.elapsed_s / 3600.0:.2f} h of sound/s" + (
        f", {duration(left)} left" if left is not None else ""
    )


def duration(seconds: float) -> str:
    """A length of time in its two largest units."""
    if seconds < 60.0:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60.0)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if hours < 100 else f"{hours:,} h"


def _files(number: int) -> str:
    return f"{number:,} file{'s' * (number != 1)}"
