"""Verdicts on files and rules, in a word and in a sentence."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from master_check.judgement.checked import Checked
from master_check.judgement.verdict import Verdict, worst

VERDICTS: Final[Mapping[str, str]] = {
    "pass": "Passes",
    "warn": "Passes with warnings",
    "fail": "Fails",
    "error": "Not read",
    "skip": "–",
}
"""What is said of a file or an album."""

RULES: Final[Mapping[str, str]] = {"pass": "meets", "warn": "warns", "fail": "fails", "skip": "note"}
"""What is said of a single rule."""

NOT_JUDGED: Final = "Measured, not judged"


def word(results: Iterable[str]) -> str:
    """The verdict on several files in a word or two. A file that could not be read hides no failure of the others."""
    found = set(results)
    if not found:
        return "Measured"
    if "error" in found and "fail" not in found:
        return "Not read" if found == {"error"} else "Incomplete"
    return VERDICTS[worst(found - {"error"})]


def outcome(files: Sequence[Checked], album: Sequence[Verdict] = ()) -> tuple[str, str]:
    """The verdict on files, and on the album that they are, in a word or two and in a sentence."""
    results = [file.result for file in files if file.verdicts or file.error is not None]
    together = _clause([verdict for verdict in album if verdict.result != "pass"])
    if len(files) == 1 and not together:
        sentence = "could not be read" if files[0].error is not None else _clause(files[0].verdicts)
    else:
        clauses = [_count(files), f"the album {together}" if together else ""]
        if "fail" not in results:
            clauses.reverse()  # what fails comes first
        sentence = "; ".join(clause for clause in clauses if clause)
    return word([*results, *(verdict.result for verdict in album)]), _capital(sentence) or NOT_JUDGED


def of_verdicts(verdicts: Sequence[Verdict]) -> str:
    """Verdicts in a sentence: `Fails cd, passes streaming with warnings`."""
    return _capital(_clause(verdicts)) or NOT_JUDGED


def _clause(verdicts: Sequence[Verdict]) -> str:
    forms = {"fail": "fails {}", "warn": "passes {} with warnings", "pass": "passes {}"}
    parts = []
    for result, form in forms.items():
        names = [verdict.profile for verdict in verdicts if verdict.result == result]
        if names:
            parts.append(form.format(listed(names)))
    return ", ".join(parts)


def _count(files: Sequence[Checked]) -> str:
    """How many fail, pass, could not be read: `1 of 3 files fails, 1 with warnings`."""
    judged = [file for file in files if file.verdicts]
    failed = sum(file.result == "fail" for file in judged)
    warned = sum(file.result == "warn" for file in judged)
    unread = sum(file.error is not None for file in files)
    parts = []
    if failed:
        parts.append(f"{_so_many(failed, len(files))} {'fails' if failed == 1 else 'fail'}")
    elif judged:
        passing = _so_many(len(judged), len(judged) + unread)
        parts.append(f"{passing} {'passes' if len(judged) == 1 else 'pass'}")
    if warned:
        parts.append(f"{warned} with warnings")
    if unread:
        parts.append(f"{unread} could not be read")
    return ", ".join(parts)


def _so_many(some: int, of: int) -> str:
    if some < of:
        return f"{some} of {of} files"
    return {1: "the file", 2: "both files"}.get(of, f"all {of} files")


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]


def listed(names: Sequence[str]) -> str:
    """Names in a row: `a, b and c`."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
