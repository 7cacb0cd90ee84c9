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


def headline(files: Sequence[Checked]) -> str:
    """The verdict on files in a sentence."""
    if len(files) == 1:
        return _one(files[0])
    judged = [file for file in files if file.verdicts]
    failed = sum(file.result == "fail" for file in judged)
    warned = sum(file.result == "warn" for file in judged)
    unread = sum(file.error is not None for file in files)
    parts = []
    if failed:
        parts.append(f"{failed} of {len(files)} files fail" if failed < len(files) else f"All {failed} files fail")
    if judged and not failed:
        parts.append(f"All {len(judged)} files pass" if not unread else f"{len(judged)} files pass")
    if warned:
        parts.append(f"{warned} with warnings")
    if unread:
        parts.append(f"{unread} could not be read")
    return ", ".join(parts) or NOT_JUDGED


def _one(file: Checked) -> str:
    return "Could not be read" if file.error is not None else of_verdicts(file.verdicts)


def of_verdicts(verdicts: Sequence[Verdict]) -> str:
    """Verdicts in a sentence: `Fails cd, passes streaming with warnings`."""
    forms = {"fail": "fails {}", "warn": "passes {} with warnings", "pass": "passes {}"}
    parts = []
    for result, form in forms.items():
        names = [verdict.profile for verdict in verdicts if verdict.result == result]
        if names:
            parts.append(form.format(listed(names)))
    text = ", ".join(parts)
    return text[:1].upper() + text[1:] or NOT_JUDGED


def listed(names: Sequence[str]) -> str:
    """Names in a row: `a, b and c`."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
