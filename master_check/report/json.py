"""Results as JSON, for scripts. `json_types` says what every command prints, `json_schema` makes the JSON Schema of it.

A value that does not apply or cannot be had is null, never 0; there is no NaN and no infinity.
"""

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final, Literal, TypedDict, cast

import numpy as np

from master_check.judgement.checked import Checked
from master_check.judgement.profile import Profile, ProfileFile
from master_check.judgement.verdict import Finding, Verdict, worst
from master_check.measurement.measurement import Measurement
from master_check.report import json_types as types
from master_check.tables.quantities import Value
from master_check.text import visible

if TYPE_CHECKING:  # what check does not use takes long to import
    from master_check.albums.album import Album, Playback, Track
    from master_check.judgement.profile import Rehearsal
    from master_check.judgement.tags import TaggedFile
    from master_check.limiting.plan import Plan
    from master_check.pair.comparison import Comparison
    from master_check.rehearsal.rehearse import Rehearsed, Run
    from master_check.selftest.run import Outcome

VERSION: Literal[1] = 1


def results_json(files: Sequence[Checked]) -> types.ResultsJson:
    """What `check --json` prints."""
    return {
        "sendoff_json": VERSION,
        "files": [file_json(file) for file in files],
        "result": worst(file.result for file in files),
    }


def file_json(file: Checked) -> types.FileJson:
    measurement = file.measurement
    return {
        "path": file.path,
        "sha256": file.sha256,
        "format": _format(measurement) if measurement else None,
        "measures": _numbers(measurement.values) if measurement else {},
        "at_s": {key: round(at, 6) for key, at in measurement.at_s.items()} if measurement else {},
        "places_s": {key: [round(at, 6) for at in found] for key, found in measurement.places_s.items()}
        if measurement
        else {},
        "channels": [_numbers(row) for row in measurement.channels] if measurement else [],
        "checks": [check_json(verdict) for verdict in file.verdicts],
        "origin": _traces(measurement) if measurement else None,
        "notes": list(measurement.notes) if measurement else [],
        "error": file.error,
    }


def _traces(measurement: Measurement) -> list[types.OriginJson] | None:
    from master_check.report.wording.origin import origin_text

    if measurement.origin is None:
        return None
    return [
        {
            "kind": found.kind,
            "result": found.result,
            "confidence": found.confidence,
            "reason": found.reason,
            "text": origin_text(found),
            "values": _numbers(found.values),
        }
        for found in measurement.origin
    ]


def album_json(album: "Album", skipped: int) -> types.AlbumResultsJson:
    """What `album --json` prints: the tracks as files of `check`, each with its place, then the album."""
    from master_check.report.wording.album import observation

    return {
        "sendoff_json": VERSION,
        "files": [_track(track) for track in album.tracks],
        "album": {
            "measures": _numbers(album.values),
            "checks": [check_json(verdict) for verdict in album.verdicts],
            "observations": [
                {"kind": o.kind, "tracks": list(o.tracks), "text": observation(o), "values": _numbers(o.values)}
                for o in album.observations
            ],
            "joins": [rounded(asdict(join)) for join in album.joins],
            "skipped_files": skipped,
        },
        "result": album.result,
    }


def _track(track: "Track") -> types.TrackJson:
    return {
        **file_json(track),
        "number": track.number,
        "offset_lu": rounded(track.offset_lu),
        "playback": [_playback(play) for play in track.playback],
        "version_of": None if track.version is None else rounded(asdict(track.version)),
    }


def _playback(play: "Playback") -> types.TrackPlaybackJson:
    return cast(types.TrackPlaybackJson, rounded(asdict(play)))


def plan_json(premaster: Checked, profile: Profile, plan: "Plan") -> types.PlanResultsJson:
    """What `plan --json` prints: the premaster as a file of `check`, then the plan."""
    planned = {"profile": profile.name} | rounded(plan.to_dict())
    return {**results_json([premaster]), "plan": cast(types.PlanJson, planned)}


def comparison_json(premaster: Checked, master: Checked, comparison: "Comparison") -> types.ComparisonResultsJson:
    """What `compare --json` prints: both files as `check` has them, the master judged, then what changed."""
    from master_check.report.wording.comparison import notes, summary

    a, c = comparison.alignment, comparison.change
    found: types.ComparisonJson = {
        "summary": summary(comparison),
        "notes": notes(comparison),
        "alignment": rounded(asdict(a)),
        "differences": _numbers(comparison.differences),
        "difference_db": rounded(c.difference_db),
        "mono_loss_change_db": rounded(c.mono_loss_change_db),
        "bands": [rounded(asdict(band)) for band in c.bands],
        "gain_reduction": {
            "max_db": rounded(c.gain_reduction_max_db),
            "p95_db": rounded(c.gain_reduction_p95_db),
            "worst": [rounded(asdict(place)) for place in c.worst],
            "step_s": c.step_s,
            "curve_db": rounded(c.gain_reduction_db),
        },
        "saturation": rounded(comparison.saturation.to_dict()),
    }
    return {**results_json([premaster, master]), "comparison": found}


def tags_json(files: Sequence["TaggedFile"]) -> types.TagsResultsJson:
    """What `tags --json` prints: the files as `check` has them, then every statement."""
    fields = [
        cast(types.TagFieldJson, {"file": place, **rounded(asdict(field))})
        for place, file in enumerate(files)
        for field in file.fields
    ]
    return {**results_json([file.checked for file in files]), "tags": {"fields": fields}}


def rehearsal_json(rehearsed: "Rehearsed") -> types.RehearsalResultsJson:
    """What `rehearse --json` prints: the master as a file of `check`, then what came out of every rehearsal."""
    found: types.RehearsalJson = {
        "runs": [_run(run) for run in rehearsed.runs],
        "safe_gain_db": rounded(rehearsed.safe_gain_db),
        "safe_ceiling_dbtp": rounded(rehearsed.safe_ceiling_dbtp),
        "planned": [rounded(asdict(planned)) for planned in rehearsed.planned],
    }
    return {**results_json([rehearsed.master]), "rehearsal": found, "result": rehearsed.result}


def _run(run: "Run") -> types.RunJson:
    made = run.measurement
    values = run.values or {}
    return {
        "profile": run.profile,
        "name": run.rehearsal.name,
        "kind": cast(types.KindOfRehearsal, run.rehearsal.kind),
        "encoder": run.encoder,
        "kbps": rounded(run.rehearsal.kbps),
        "kbps_came_to": rounded(run.kbps),
        "sample_rate_hz": made.format.rate if made else None,
        "bits": run.rehearsal.bits,
        "dither": run.rehearsal.dither,
        "measures": _numbers(values),
        "at_s": {key: round(at, 6) for key, at in made.at_s.items()} if made else {},
        "loudness_change_lu": rounded(values.get("loudness_change_lu")),
        "worst": [rounded(asdict(place)) for place in run.worst],
        "late_samples": rounded(run.late_samples) if made else None,
        "safe_gain_db": rounded(run.safe_gain_db),
        "seconds": rounded(run.seconds) if made else None,
        "rules": [_rule(finding) for finding in run.verdict.findings] if run.verdict else [],
        "result": run.result,
        "error": run.error,
    }


def outcomes_json(outcomes: Sequence["Outcome"]) -> types.SelftestResultsJson:
    """What `selftest --json` prints."""
    return {
        "sendoff_json": VERSION,
        "selftest": [_outcome(outcome) for outcome in outcomes],
        "result": "pass" if all(outcome.passed for outcome in outcomes) else "fail",
    }


def _outcome(outcome: "Outcome") -> types.OutcomeJson:
    return {
        "case": outcome.name,
        "signal": outcome.title,
        "measure": outcome.measure,
        "sample_rate_hz": outcome.rate,
        "expected": rounded(outcome.expected),
        "below": outcome.below,
        "above": outcome.above,
        "read": rounded(outcome.read),
        "result": "pass" if outcome.passed else "fail",
    }


def profile_json(profile: Profile) -> types.ProfileResultsJson:
    """What `profiles show --json` prints: the keys of a profile's file, and which files they come from."""
    return {
        "sendoff_json": VERSION,
        "profile": {
            "name": profile.name,
            "title": profile.title,
            "source": profile.source,
            "playback_lufs": profile.playback_lufs,
            "max_gain_reduction_db": profile.max_gain_reduction_db,
            **_origin(profile.file, profile.bases),
        },
        "rule": [cast(types.ProfileRuleJson, asdict(rule)) for rule in profile.rules],
        "album_rule": [cast(types.ProfileRuleJson, asdict(rule)) for rule in profile.album_rules],
        "rehearse": [_profile_rehearsal(rehearsal) for rehearsal in profile.rehearsals],
        "deliver": cast(types.ProfileDeliveryJson, asdict(profile.deliver)) if profile.deliver else None,
    }


def _profile_rehearsal(rehearsal: "Rehearsal") -> types.ProfileRehearsalJson:
    found = asdict(rehearsal)
    return cast(types.ProfileRehearsalJson, found | {"rule": found.pop("rules")})


def check_json(verdict: Verdict) -> types.CheckJson:
    return {
        "profile": verdict.profile,
        "title": verdict.title,
        "source": verdict.source,
        **_origin(verdict.file, verdict.bases),
        "result": cast(Literal["pass", "warn", "fail"], verdict.result),
        "rules": [_rule(finding) for finding in verdict.findings],
    }


class _Origin(TypedDict):
    """Which file a profile came from, and which ones it extends."""

    file: str | None
    sha256: str | None
    bases: list[types.ProfileFileJson]


def _origin(file: ProfileFile | None, bases: Sequence[ProfileFile]) -> _Origin:
    return {
        "file": file.path if file else None,
        "sha256": file.sha256 if file else None,
        "bases": [{"file": base.path, "sha256": base.sha256} for base in bases],
    }


def _rule(finding: Finding) -> types.RuleJson:
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


def _format(measurement: Measurement) -> types.FormatJson:
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


def _numbers(values: Mapping[str, Value]) -> dict[str, Value]:
    return {key: number(value) for key, value in values.items()}


def rounded(value: Any) -> Any:
    """A tree of plain values with every number as `number` has it."""
    if isinstance(value, dict):
        return {key: rounded(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [rounded(item) for item in value]
    if isinstance(value, np.ndarray):
        return [rounded(item) for item in value.tolist()]
    return number(value)


def number(value: Value) -> Value:
    """A value with no more digits than mean anything; None for what JSON cannot say."""
    if isinstance(value, float):
        return round(value, 6) + 0.0 if math.isfinite(value) else None
    return value


_SURROGATE: Final = re.compile(r"\\\\|\\ud[89ab][0-9a-f]{2}\\ud[c-f][0-9a-f]{2}|\\u(d[89a-f][0-9a-f]{2})")
"""In JSON text: an escaped backslash, a pair of surrogates, or one alone, which is no Unicode."""


def text(results: Any) -> str:
    """JSON text, strict (RFC 8259): no NaN, and nothing that is no Unicode.

    A byte of a file's name that is not UTF-8 reads `\\xff`, as on the terminal.
    """
    written = json.dumps(results, indent=2, allow_nan=False, ensure_ascii=True)
    return _SURROGATE.sub(lambda found: _escaped(found[1]) if found[1] else found[0], written)


def _escaped(surrogate: str) -> str:
    """The escape, as text, of a character that is half of one: `visible` in JSON."""
    return json.dumps(visible(chr(int(surrogate, 16))))[1:-1]
