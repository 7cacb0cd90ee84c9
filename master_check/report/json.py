"""Results as JSON, for scripts. The keys are a promise; `schema` describes them.

A value that does not apply or cannot be had is null, never 0; there is no NaN and no infinity.
"""

import json
import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from typing_extensions import NotRequired, TypedDict

from master_check.judgement.checked import Checked
from master_check.judgement.profile import Profile
from master_check.judgement.verdict import Finding, Verdict, worst
from master_check.measurement.measurement import Measurement

if TYPE_CHECKING:  # what check does not use costs a second to import
    from master_check.limiting.plan import Plan
    from master_check.pair.comparison import Comparison

VERSION: Literal[1] = 1

Number = float | int | str | None


class FormatJson(TypedDict):
    container: str
    encoding: str
    sample_rate_hz: int
    channels: int
    layout: str | None
    labels: list[str]
    bit_depth: int | None
    floating: bool


class RuleJson(TypedDict):
    measure: str
    value: Number
    limit: str
    level: Literal["must", "should", "note"]
    result: Literal["pass", "warn", "fail", "skip"]
    at_s: float | None
    why: str
    do: str
    source: str


class ProfileFileJson(TypedDict):
    file: str
    sha256: str


class CheckJson(TypedDict):
    profile: str
    title: str
    source: str
    file: str | None
    sha256: str | None
    bases: list[ProfileFileJson]
    result: Literal["pass", "warn", "fail"]
    rules: list[RuleJson]


class FileJson(TypedDict):
    path: str
    format: FormatJson | None
    measures: dict[str, Number]
    at_s: dict[str, float]
    channels: list[dict[str, Number]]
    checks: list[CheckJson]
    notes: list[str]
    sha256: NotRequired[str]
    error: str | None


class ResultsJson(TypedDict):
    sendoff_json: Literal[1]
    files: list[FileJson]
    result: Literal["pass", "warn", "fail", "error"]


def results_json(files: Sequence[Checked]) -> ResultsJson:
    """What `check --json` prints."""
    return {
        "sendoff_json": VERSION,
        "files": [file_json(file) for file in files],
        "result": worst(file.result for file in files),
    }


def file_json(file: Checked) -> FileJson:
    measurement = file.measurement
    return {
        "path": file.path,
        "format": _format(measurement) if measurement else None,
        "measures": {key: number(value) for key, value in measurement.values.items()} if measurement else {},
        "at_s": {key: round(at, 6) for key, at in measurement.at_s.items()} if measurement else {},
        "channels": [{k: number(v) for k, v in row.items()} for row in measurement.channels] if measurement else [],
        "checks": [check_json(verdict) for verdict in file.verdicts],
        "notes": list(measurement.notes) if measurement else [],
        "error": file.error,
    }


def plan_json(premaster: Checked, profile: Profile, plan: "Plan") -> dict[str, Any]:
    """What `plan --json` prints: the premaster as a file of `check`, then the plan."""
    return results_json([premaster]) | {"plan": {"profile": profile.name} | rounded(plan.to_dict())}


def comparison_json(premaster: Checked, master: Checked, comparison: "Comparison") -> dict[str, Any]:
    """What `compare --json` prints: both files as `check` has them, the master judged, then what changed."""
    from master_check.report.wording.comparison import notes, summary

    a, c = comparison.alignment, comparison.change
    found = {
        "summary": summary(comparison),
        "notes": notes(comparison),
        "alignment": asdict(a),
        "differences": comparison.differences,
        "difference_db": c.difference_db,
        "mono_loss_change_db": c.mono_loss_change_db,
        "bands": [asdict(band) for band in c.bands],
        "gain_reduction": {
            "max_db": c.gain_reduction_max_db,
            "p95_db": c.gain_reduction_p95_db,
            "worst": [asdict(place) for place in c.worst],
            "step_s": c.step_s,
            "curve_db": c.gain_reduction_db.tolist(),
        },
        "saturation": {
            "domain": comparison.saturation.domain,
            "sides": [side.to_dict() for side in comparison.saturation.sides],
        },
    }
    return results_json([premaster, master]) | {"comparison": rounded(found)}


def profile_json(profile: Profile) -> dict[str, Any]:
    """What `profiles show --json` prints: the keys of a profile's file, and which files they come from."""
    head = {
        "name": profile.name,
        "title": profile.title,
        "source": profile.source,
        "playback_lufs": profile.playback_lufs,
        "max_gain_reduction_db": profile.max_gain_reduction_db,
    }
    return {
        "sendoff_json": VERSION,
        "profile": head | _files(profile),
        "rule": [asdict(rule) for rule in profile.rules],
        "album_rule": [asdict(rule) for rule in profile.album_rules],
    }


def _files(of: Profile | Verdict) -> dict[str, Any]:
    """Which file a profile came from, and which ones it extends."""
    return {
        "file": of.file.path if of.file else None,
        "sha256": of.file.sha256 if of.file else None,
        "bases": [{"file": base.path, "sha256": base.sha256} for base in of.bases],
    }


def rounded(value: Any) -> Any:
    """A tree of plain values with every number as `number` has it."""
    if isinstance(value, dict):
        return {key: rounded(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [rounded(item) for item in value]
    if isinstance(value, np.ndarray):
        return [rounded(item) for item in value.tolist()]
    return number(value)


def check_json(verdict: Verdict) -> CheckJson:
    return {
        "profile": verdict.profile,
        "title": verdict.title,
        "source": verdict.source,
        **_files(verdict),  # type: ignore[typeddict-item]
        "result": verdict.result,
        "rules": [_rule(finding) for finding in verdict.findings],
    }


def _rule(finding: Finding) -> RuleJson:
    return {
        "measure": finding.measure,
        "value": number(finding.value),
        "limit": finding.limit,
        "level": finding.level,
        "result": finding.result,
        "at_s": None if finding.at_s is None else round(finding.at_s, 6),
        "why": finding.why,
        "do": finding.do,
        "source": finding.source,
    }


def _format(measurement: Measurement) -> FormatJson:
    form = measurement.format
    return {
        "container": form.container,
        "encoding": form.encoding,
        "sample_rate_hz": form.rate,
        "channels": form.channels,
        "layout": form.layout.name if form.layout else None,
        "labels": list(form.labels),
        "bit_depth": form.bit_depth,
        "floating": form.floating,
    }


def number(value: Number) -> Number:
    """A value with no more digits than mean anything; None for what JSON cannot say."""
    if isinstance(value, float):
        return round(value, 6) + 0.0 if math.isfinite(value) else None
    return value


def text(results: Any) -> str:
    """JSON text, strict: no NaN, and names that are not Unicode as escapes."""
    return json.dumps(results, indent=2, allow_nan=False, ensure_ascii=True)


def schema() -> dict[str, Any]:
    """The JSON Schema of what `check --json` prints."""
    from pydantic import TypeAdapter  # nothing else here needs it

    return {"$schema": "https://json-schema.org/draft/2020-12/schema"} | TypeAdapter(ResultsJson).json_schema()
