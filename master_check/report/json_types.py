"""What every command prints with --json, as types. The keys are a promise; `json_schema` makes the JSON Schema of them.

A value that does not apply or cannot be had is null, never 0. Keys end in their unit. Dicts whose keys are those of the
table of quantities say so by an annotation.
"""

from typing import Annotated, Literal, TypedDict

from master_check.provenance.finding import ORIGIN_KEYS
from master_check.tables.quantities import (
    ALBUM_QUANTITIES,
    CHANNEL_KEYS,
    QUANTITIES,
    REHEARSAL_QUANTITIES,
    RULE_QUANTITIES,
    Value,
)

Version = Literal[1]
Result = Literal["pass", "warn", "fail", "error"]
Level = Literal["must", "should", "note"]

Measures = Annotated[dict[str, Value], QUANTITIES]
AlbumMeasures = Annotated[dict[str, Value], ALBUM_QUANTITIES]
StemMeasures = Annotated[dict[str, Value], RULE_QUANTITIES]
RehearsalMeasures = Annotated[dict[str, Value], QUANTITIES | REHEARSAL_QUANTITIES]
Times = Annotated[dict[str, float], QUANTITIES]
ChannelRow = Annotated[dict[str, Value], ("label", *CHANNEL_KEYS)]


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
    """A rule held against a file or an album."""

    measure: str
    value: Value
    limit: str
    level: Level
    result: Literal["pass", "warn", "fail", "skip"]
    at_s: float | None
    why: str
    do: str
    source: str


class ProfileFileJson(TypedDict):
    file: str
    sha256: str


class CheckJson(TypedDict):
    """A file or an album held against a profile. `bases` are the files that the profile extends, the nearest first."""

    profile: str
    title: str
    source: str
    file: str | None
    sha256: str | None
    bases: list[ProfileFileJson]
    result: Literal["pass", "warn", "fail"]
    rules: list[RuleJson]


class OriginJson(TypedDict):
    """A question about a file's origin. `nothing` proves nothing; `reason` says why it is undecided."""

    kind: Literal["word_length", "sample_rate", "encode", "bandwidth", "channels"]
    result: Literal["found", "nothing", "undecided"]
    confidence: Literal["certain", "likely"] | None
    reason: Literal["quiet", "short", "dark", "converted", "lossy_file"] | None
    text: str
    values: Annotated[dict[str, Value], (*ORIGIN_KEYS, "step_db", "difference_db", "about_kbps")]


class FileJson(TypedDict):
    """A file; `sha256` is that of the very bytes that were measured. `origin` is null where nobody
    asked for it. `places_s` has the first thousand of each kind."""

    path: str
    sha256: str | None
    format: FormatJson | None
    measures: Measures
    at_s: Times
    places_s: Annotated[
        dict[str, list[float]],
        ("clipped_runs", "flat_top_runs", "true_peak_over_runs", "dropouts", "channel_gaps"),
    ]
    channels: list[ChannelRow]
    checks: list[CheckJson]
    origin: list[OriginJson] | None
    notes: list[str]
    error: str | None


class ResultsJson(TypedDict):
    """`sendoff check --json`."""

    sendoff_json: Version
    files: list[FileJson]
    result: Result


# --- album ---


class TrackPlaybackJson(TypedDict):
    """How a place that normalises loudness plays a track (AES TD1008)."""

    mode: Literal["track", "album"]
    level_lufs: float
    gain_db: float
    withheld_db: float
    plays_lufs: float
    true_peak_dbtp: float


class VersionJson(TypedDict):
    """`main` is the place of the main version in `files`."""

    main: int
    longer_s: float | None
    later_s: float | None


class TrackJson(FileJson):
    """`number` is the place in the sequence; null for an alternate version."""

    number: int | None
    offset_lu: float | None
    playback: list[TrackPlaybackJson]
    version_of: VersionJson | None


class ObservationJson(TypedDict):
    """`tracks` are places in `files`."""

    kind: str
    tracks: list[int]
    text: str
    values: dict[str, Value]


class JoinJson(TypedDict):
    first: int
    second: int
    end_lufs: float | None
    start_lufs: float | None
    step_lu: float | None
    silence_s: float | None


class AlbumJson(TypedDict):
    measures: AlbumMeasures
    checks: list[CheckJson]
    observations: list[ObservationJson]
    joins: list[JoinJson]
    skipped_files: int


class AlbumResultsJson(TypedDict):
    """`sendoff album --json`."""

    sendoff_json: Version
    files: list[TrackJson]
    album: AlbumJson
    result: Result


# --- compare ---


class EditJson(TypedDict):
    kind: Literal["cut", "inserted", "moved", "repeated"]
    at_s: float
    from_s: float | None
    length_s: float


class AlignmentJson(TypedDict):
    offset_s: float
    offset_samples: float
    inverted: bool
    gain_db: float
    coherence: float
    overlap_s: float
    rate: int
    premaster_rate: int
    drift_ppm: float
    swapped: bool
    inverted_channel: Literal["left", "right"] | None
    right_later_s: float
    folded: bool
    edits: list[EditJson]


class BandJson(TypedDict):
    hz: float
    level_change_db: float | None
    width_change_db: float | None


class PlaceJson(TypedDict):
    at_s: float
    gain_reduction_db: float


class GainReductionOverTimeJson(TypedDict):
    max_db: float | None
    p95_db: float | None
    worst: list[PlaceJson]
    step_s: float
    curve_db: list[float | None]


class SideJson(TypedDict):
    side: Literal["left", "right", "mid", "side", "mono"]
    saturated: bool
    peak_dbfs: float | None
    thd_percent: float | None
    apparent_thd_percent: float | None
    peak_squash_db: float | None
    clip_dbfs: float | None
    residual_db: float | None
    explained_db: float | None
    level_in: list[float]
    level_out: list[float]


class SaturationJson(TypedDict):
    domain: Literal["left_right", "mid_side"] | None
    sides: list[SideJson]


class ComparisonJson(TypedDict):
    summary: list[str]
    notes: list[str]
    alignment: AlignmentJson
    differences: Measures
    difference_db: float | None
    mono_loss_change_db: float | None
    bands: list[BandJson]
    gain_reduction: GainReductionOverTimeJson
    saturation: SaturationJson


class ForeignJson(TypedDict):
    low_hz: float
    high_hz: float
    first_s: float
    last_s: float


class StemInMixJson(TypedDict):
    path: str
    gain_db: float | None
    within_db: float | None
    confidence: float
    why: Literal["silent", "not found", "hidden", "unsteady", "alone", "rides"] | None
    delay_samples: float
    inverted: bool
    missing: bool


class MixJson(TypedDict):
    """Stems against their mix."""

    path: str
    sha256: str | None
    summary: list[str]
    nulls: bool
    null_db: float | None
    fitted_null_db: float | None
    limit_db: float
    compared_hz: float | None
    common_gain_db: float | None
    complete: bool
    foreign: ForeignJson | None
    alignment: AlignmentJson
    bus_gain_db: float
    bus_equaliser_hz: list[float]
    bus_equaliser_db: list[float]
    left_step_s: float
    left_db: list[float | None]
    left_bands_db: list[float | None]
    stems: list[StemInMixJson]


class BalanceDifferenceJson(TypedDict):
    path: str
    difference_db: float | None
    within_db: float | None
    confidence: float
    why: Literal["silent", "not found", "hidden", "unsteady", "alone", "rides"] | None
    in_mix: bool
    sections_db: list[float | None]


class RoughJson(TypedDict):
    """The balance of a rough mix."""

    path: str
    sha256: str | None
    summary: list[str]
    alignment: AlignmentJson
    against_mix: bool
    stems: list[BalanceDifferenceJson]
    groups: list[BalanceDifferenceJson]
    extra: ForeignJson | None


class ComparisonResultsJson(TypedDict):
    """`sendoff compare --json`: the premaster, then the master."""

    sendoff_json: Version
    files: list[FileJson]
    comparison: ComparisonJson
    result: Result


# --- plan ---


class LevelsJson(TypedDict):
    integrated_lufs: float | None
    true_peak_dbtp: float | None
    sample_peak_dbfs: float | None
    plr_lu: float | None


class GainReductionJson(TypedDict):
    gain_reduction_max_db: float
    gain_reduction_p95_db: float
    gain_reduction_mean_db: float
    active_percent: float
    worst: list[PlaceJson]
    step_s: float


class PlaybackJson(TypedDict):
    playback_lufs: float
    gain_db: float
    true_peak_dbtp: float
    plr_lu: float


class ClipJson(TypedDict):
    shape: Literal["hard", "soft"]
    by_db: float
    at_dbfs: float
    thd_percent: float


class ReleaseRangeJson(TypedDict):
    shortest_ms: float
    longest_ms: float
    loudest_lufs: float
    quietest_lufs: float


class SettingJson(TypedDict):
    gain_db: float
    ceiling_dbtp: float | None
    ceiling_dbfs: float | None
    result: LevelsJson
    gain_reduction: GainReductionJson | None
    playback: PlaybackJson | None
    clip: ClipJson | None
    release_range: ReleaseRangeJson | None


class ClipLimitJson(TypedDict):
    shape: Literal["hard", "soft"]
    most_db: float | None
    most_thd_percent: float | None


class RehearsedRunJson(TypedDict):
    setting: Literal[
        "plain",
        "true_peak_limiter",
        "sample_peak_limiter",
        "true_peak_affordable",
        "sample_peak_affordable",
        "clipped",
    ]
    name: str
    kind: str
    encoder: str | None
    kbps: float | None
    true_peak_dbtp: float | None
    over_db: float


class AllowedForJson(TypedDict):
    """Encodes that the plan's limit allows for."""

    profile_limit_dbtp: float
    lowered_db: float
    runs: list[RehearsedRunJson]


class PlanJson(TypedDict):
    profile: str
    need: Literal["unmeasurable", "no_target", "nothing", "turn_down", "plain_gain", "limiter", "out_of_reach"]
    target_lufs: float | None
    true_peak_limit_dbtp: float
    max_gain_reduction_db: float
    look_ahead_ms: float
    release_ms: float
    premaster: LevelsJson
    plain: SettingJson | None
    true_peak_limiter: SettingJson | None
    sample_peak_limiter: SettingJson | None
    true_peak_affordable: SettingJson | None
    sample_peak_affordable: SettingJson | None
    clip: ClipLimitJson | None
    splits: list[SettingJson]
    clipped: SettingJson | None
    allowed_for: AllowedForJson | None


class PlanResultsJson(TypedDict):
    """`sendoff plan --json`."""

    sendoff_json: Version
    files: list[FileJson]
    plan: PlanJson
    result: Result


# --- tags ---


class TagFieldJson(TypedDict):
    """A statement of a file. `file` is its place in `files`; `measured` is what should stand there, and `error` what
    the statement makes of the quantity `measure`."""

    file: int
    name: str
    place: str
    value: str | int | float
    measured: Value
    measure: str | None
    error: float | None
    result: Literal["pass", "warn", "fail", "skip"]


class TagsJson(TypedDict):
    fields: list[TagFieldJson]


class TagsResultsJson(TypedDict):
    """`sendoff tags --json`: the files as `check` has them, held against rules on metadata."""

    sendoff_json: Version
    files: list[FileJson]
    tags: TagsJson
    result: Result


# --- rehearse ---

KindOfRehearsal = Literal["mp3", "vorbis", "opus", "aac", "ac3", "eac3", "rate", "word_length"]
Dither = Literal["tpdf", "none"]


class RehearsalPlaceJson(TypedDict):
    """`at_s` is in the master."""

    at_s: float
    true_peak_dbtp: float


class RunJson(TypedDict):
    """An encode or conversion that was made; `kbps` is what was asked for, `kbps_came_to` what it came to.

    `safe_gain_db` is the gain with which it keeps its peak limits; null where it has none, or none is enough.
    """

    profile: str
    name: str
    kind: KindOfRehearsal
    encoder: str | None
    kbps: float | None
    kbps_came_to: float | None
    sample_rate_hz: int | None
    bits: int | None
    dither: Dither | None
    measures: RehearsalMeasures
    at_s: Times
    loudness_change_lu: float | None
    worst: list[RehearsalPlaceJson]
    late_samples: float | None
    safe_gain_db: float | None
    seconds: float | None
    rules: list[RuleJson]
    result: Result
    error: str | None


class PlannedCeilingJson(TypedDict):
    """`enough` is null where it cannot be told."""

    profile: str
    ceiling_dbtp: float
    enough: bool | None


class RehearsalJson(TypedDict):
    """`safe_ceiling_dbtp` is the true peak of the master with `safe_gain_db`, with which every run keeps its limits."""

    runs: list[RunJson]
    safe_gain_db: float | None
    safe_ceiling_dbtp: float | None
    planned: list[PlannedCeilingJson]


class RehearsalResultsJson(TypedDict):
    """`sendoff rehearse --json`: the master, then what came out."""

    sendoff_json: Version
    files: list[FileJson]
    rehearsal: RehearsalJson
    result: Result


# --- deliver ---


class DeliveredFileJson(TypedDict):
    """A file that was written. `audio_sha256` is of the sound alone. `null_db` is what is left when the master is taken
    from it, null where nothing is. `trim_db` is by how much it was turned down."""

    path: str
    profile: str
    sha256: str | None
    audio_sha256: str
    trim_db: float
    converted_from_hz: int | None
    dithered: bool
    added_head_s: float
    added_tail_s: float
    identical: bool
    null_db: float | None
    null_as_expected: bool
    result: Result


class DeliveryJson(TypedDict):
    """`manifest` is the path of the list."""

    manifest: str
    master: str
    master_audio_sha256: str
    files: list[DeliveredFileJson]


class DeliveryResultsJson(TypedDict):
    """`sendoff deliver --json`: the master, the files that were written, then the delivery."""

    sendoff_json: Version
    files: list[FileJson]
    delivery: DeliveryJson
    result: Result


class VerifiedFileJson(TypedDict):
    """`sha256` is what the file has now."""

    path: str
    state: Literal["as delivered", "other metadata", "other sound", "missing", "unreadable"]
    sha256: str | None


class VerificationJson(TypedDict):
    """The files of one list."""

    manifest: str
    files: list[VerifiedFileJson]
    result: Result


class VerificationResultsJson(TypedDict):
    """`sendoff deliver --verify --json`."""

    sendoff_json: Version
    verification: list[VerificationJson]
    result: Result


# --- catalogue ---


class BrokenRuleJson(TypedDict):
    """A rule, and how many files of a catalogue break it."""

    profile: str
    measure: str
    limit: str
    level: Level
    files: int


class CatalogueRuleJson(TypedDict):
    """A rule that a file breaks."""

    measure: str
    limit: str
    level: Level
    result: Literal["warn", "fail"]


class CatalogueCheckJson(TypedDict):
    profile: str
    result: Literal["pass", "warn", "fail"]
    broken: list[CatalogueRuleJson]


class CatalogueFileJson(TypedDict):
    """A row of a catalogue."""

    path: str
    result: Result
    error: str | None
    sha256: str | None
    measures: Measures
    checks: list[CatalogueCheckJson]


class UnreadFolderJson(TypedDict):
    path: str
    error: str


class CatalogueJson(TypedDict):
    """What is in a catalogue. Counts do not include files that vanished. From `measured` on: what this run did; null
    where it only read. `broken` has what most files break, `worst` as many files as were asked for."""

    path: str
    schema_version: int
    files: int
    vanished: int
    passed: int
    warned: int
    failed: int
    errors: int
    audio_s: float
    broken: list[BrokenRuleJson]
    worst: list[CatalogueFileJson]
    measured: int | None
    kept: int | None
    judged_again: int | None
    skipped_files: int | None
    unread_folders: list[UnreadFolderJson]
    seconds: float | None


class CatalogueResultsJson(TypedDict):
    """`sendoff catalogue --json`."""

    sendoff_json: Version
    catalogue: CatalogueJson
    result: Result


# --- stems ---


class SpotJson(TypedDict):
    kind: Literal["clipping", "dropout", "channel gap", "sibilance", "ringing"]
    start_s: float
    end_s: float


class StemJson(TypedDict):
    """`low_cut_hz` is for 12 dB an octave; `spots` is where something was found."""

    path: str
    name: str
    group: str | None
    measures: StemMeasures
    trim_db: float | None
    low_cut_hz: float | None
    spots: list[SpotJson]
    result: Result
    error: str | None


class BusJson(TypedDict):
    """`group` is null for the sum of all stems."""

    group: str | None
    stems: list[str]
    left_out: list[str]
    measures: StemMeasures
    trim_db: float | None
    result: Result
    error: str | None


class StemRemarkJson(TypedDict):
    kind: Literal[
        "unread",
        "sample_rate",
        "word_length",
        "channels",
        "length",
        "start",
        "never_plays",
        "same_audio",
        "same_audio_gain",
        "rumble",
        "ringing",
        "polarity",
    ]
    stems: list[str]
    values: Annotated[
        dict[str, Value],
        (
            "sample_rate_hz",
            "usual_sample_rate_hz",
            "bit_depth",
            "usual_bit_depth",
            "channels",
            "usual_channels",
            "duration_s",
            "usual_duration_s",
            "time_reference_s",
            "usual_time_reference_s",
            "sample_peak_dbfs",
            "gain_db",
            "rumble_dbfs",
            "noise_floor_dbfs",
            "ringing_hz",
            "ringing_above_db",
            "ringing_percent",
            "correlation",
        ),
    ]
    words: str


class StemsJson(TypedDict):
    """`mix` and `rough` are null where none was named."""

    stems: list[StemJson]
    buses: list[BusJson]
    remarks: list[StemRemarkJson]
    mix: MixJson | None
    rough: RoughJson | None


class StemsResultsJson(TypedDict):
    """`sendoff stems --json`: the stems, then the sheet."""

    sendoff_json: Version
    files: list[FileJson]
    stems: StemsJson
    result: Result


# --- selftest, profiles show ---


class OutcomeJson(TypedDict):
    case: str
    signal: str
    measure: str
    sample_rate_hz: int
    expected: float
    below: float
    above: float
    read: float | None
    result: Literal["pass", "fail"]


class SelftestResultsJson(TypedDict):
    """`sendoff selftest --json`."""

    sendoff_json: Version
    selftest: list[OutcomeJson]
    result: Literal["pass", "fail"]


class RangeJson(TypedDict):
    measure: str
    min: float | None
    max: float | None


class ProfileRuleJson(TypedDict):
    """A rule as a profile has it."""

    measure: str
    min: float | None
    max: float | None
    target: float | None
    tolerance: float | None
    one_of: list[float | str] | None
    level: Level
    when: RangeJson | None
    why: str
    do: str
    source: str


class ProfileRehearsalJson(TypedDict):
    """A rehearsal as a profile has it."""

    name: str
    kind: KindOfRehearsal
    kbps: float | None
    rate_hz: int | None
    bits: int | None
    dither: Dither | None
    why: str
    source: str
    rule: list[ProfileRuleJson]


class ProfileHeadJson(TypedDict):
    name: str
    title: str
    source: str
    playback_lufs: float | None
    max_gain_reduction_db: float
    file: str | None
    sha256: str | None
    bases: list[ProfileFileJson]


class ProfileDeliveryJson(TypedDict):
    """What file a profile asks for; an empty list stands for whatever the master has."""

    container: Literal["WAV", "FLAC", "AIFF"]
    rate_hz: list[int]
    bits: list[int]
    dither: Literal["tpdf", "none"]
    head_silence_s: float
    tail_silence_s: float
    name: str
    metadata: bool
    source: str


class ProfileResultsJson(TypedDict):
    """`sendoff profiles show --json`."""

    sendoff_json: Version
    profile: ProfileHeadJson
    rule: list[ProfileRuleJson]
    album_rule: list[ProfileRuleJson]
    rehearse: list[ProfileRehearsalJson]
    deliver: ProfileDeliveryJson | None
