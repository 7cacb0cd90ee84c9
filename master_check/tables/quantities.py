"""The table of quantities: every measured quantity once, with its unit, its precision and what it means.

Tables, JSON keys, CSV columns, reports, profile validation and `--help` read this list. A key once shipped
keeps its meaning.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

GROUPS: Final = (
    "Loudness",
    "Peaks",
    "Clipping",
    "Dynamics",
    "Stereo",
    "Saturation",
    "Peaks pinned",
    "Silence and faults",
    "Metadata",
    "Sequence",
    "File",
)
"""What belongs together where figures are shown, in this order."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """One measured quantity.

    Attributes
    ----------
    key : str
        Name in JSON, CSV and profiles; ends in the unit.
    title : str
        Name for people.
    short : str
        Name where there is little room, under its group's; empty for what the terminal leaves to the reports.
    group : str
        One of `GROUPS`.
    unit : str
        Printed behind the figure; empty for counts and ratios.
    decimals : int
        Decimals that the measurement is good for.
    meaning : str
        One line: what it is and where it is defined.
    remedy : str
        What to do where a rule on it fails; empty where there is no usual answer.
    text : bool
        The value is a word (a container, a layout), not a number.
    needed : bool
        A rule on it fails where the file has no such value, instead of being skipped; a maximum alone is skipped.
    """

    key: str
    title: str
    short: str
    group: str
    unit: str
    decimals: int
    meaning: str
    remedy: str = ""
    text: bool = False
    needed: bool = False

    def format(self, value: "Value", decimals: int | None = None) -> str:
        """The value for people, with its unit; a dash where there is none."""
        if value is None:
            return "–"
        if isinstance(value, str):
            return value
        places = self.decimals if decimals is None else decimals
        number = round(float(value), places) + 0.0  # no -0.0
        return f"{number:.{places}f} {self.unit}".rstrip()


_ROWS: Final = (
    Quantity(
        "integrated_lufs",
        "Integrated loudness",
        "integrated",
        "Loudness",
        "LUFS",
        1,
        "Gated loudness of the whole file (ITU-R BS.1770-5).",
        "change the gain into the limiter; `sendoff plan` says by how much",
        needed=True,
    ),
    Quantity(
        "loudness_range_lu",
        "Loudness range",
        "range",
        "Loudness",
        "LU",
        1,
        "Spread of short-term loudness, 10th to 95th percentile (EBU Tech 3342).",
    ),
    Quantity(
        "momentary_max_lufs",
        "Momentary maximum",
        "momentary max",
        "Loudness",
        "LUFS",
        1,
        "Loudest 400 ms, ungated, in steps of 10 ms (EBU Tech 3341).",
    ),
    Quantity(
        "short_term_max_lufs",
        "Short-term maximum",
        "short-term max",
        "Loudness",
        "LUFS",
        1,
        "Loudest 3 s, ungated, in steps of 10 ms (EBU Tech 3341).",
        "lower the loudest passage",
    ),
    Quantity(
        "true_peak_dbtp",
        "True peak",
        "true peak",
        "Peaks",
        "dBTP",
        1,
        "Highest point of the four-times oversampled waveform (ITU-R BS.1770-5, Annex 2).",
        "lower the limiter's ceiling, or switch on its true-peak mode",
        needed=True,
    ),
    Quantity(
        "sample_peak_dbfs",
        "Sample peak",
        "sample peak",
        "Peaks",
        "dBFS",
        1,
        "Level of the largest sample.",
        "lower the ceiling; on a premaster, turn down the mix bus instead of limiting",
        needed=True,
    ),
    Quantity(
        "headroom_db",
        "Headroom",
        "headroom",
        "Peaks",
        "dB",
        1,
        "Distance from the largest sample to full scale.",
        "turn the mix bus down before exporting",
    ),
    Quantity(
        "plr_lu",
        "Peak-to-loudness ratio (PLR)",
        "PLR",
        "Dynamics",
        "LU",
        1,
        "True peak minus integrated loudness (AES TD1008).",
    ),
    Quantity(
        "psr_min_lu",
        "Lowest peak-to-short-term ratio (PSR)",
        "lowest PSR",
        "Dynamics",
        "LU",
        1,
        "Sample peak minus short-term loudness, where smallest; passages 10 LU below integrated loudness do not count.",
        "ease off the limiter there",
    ),
    Quantity(
        "rms_dbfs",
        "RMS",
        "RMS",
        "Dynamics",
        "dBFS",
        1,
        "Root mean square of all samples in all channels; a full-scale sine reads -3.0 dBFS.",
        "turn the mix bus up or down; leave the balance alone",
        needed=True,
    ),
    Quantity("crest_db", "Crest factor", "crest", "Dynamics", "dB", 1, "Sample peak minus RMS."),
    Quantity(
        "clipped_runs",
        "Clipped runs",
        "clipped runs",
        "Clipping",
        "",
        0,
        "Three or more samples in a row at full scale, with the same sign.",
        "go back to before the clipping, and turn the level down there",
    ),
    Quantity("clipped_samples", "Clipped samples", "", "Clipping", "", 0, "Samples in all clipped runs."),
    Quantity(
        "clipped_longest_samples",
        "Longest clipped run",
        "",
        "Clipping",
        "samples",
        0,
        "Samples in the longest of them.",
    ),
    Quantity(
        "flat_top_runs",
        "Flat tops below full scale",
        "flat tops",
        "Clipping",
        "",
        0,
        "Three or more equal samples in a row at a channel's highest level, with corners: clipped, then turned down.",
        "ask for a version from before the clipping",
    ),
    Quantity(
        "hidden_clipped_runs",
        "Hidden clipped runs",
        "hidden clips",
        "Clipping",
        "",
        0,
        "Tops cut at a common height that a filter, a conversion or an encode has rounded since: clipped earlier.",
        "ask for a version from before the clipping",
    ),
    Quantity(
        "true_peak_over_runs",
        "True-peak overs",
        "overs",
        "Peaks",
        "",
        0,
        "Times the oversampled waveform goes over full scale; each ends once it has stayed below for 1 ms.",
        "lower the limiter's ceiling, or switch on its true-peak mode",
    ),
    Quantity(
        "saturation_left_percent",
        "Saturation, left",
        "left",
        "Saturation",
        "%",
        1,
        "THD of a saturating curve at the left channel's peak level, from this file alone; 0 where none is certain.",
    ),
    Quantity(
        "saturation_left_low_percent",
        "Saturation, left, at least",
        "",
        "Saturation",
        "%",
        1,
        "Lower bound of the saturation of the left channel (95 %).",
    ),
    Quantity(
        "saturation_right_percent",
        "Saturation, right",
        "right",
        "Saturation",
        "%",
        1,
        "The same for the right channel.",
    ),
    Quantity(
        "saturation_right_low_percent",
        "Saturation, right, at least",
        "",
        "Saturation",
        "%",
        1,
        "Lower bound of the saturation of the right channel (95 %).",
    ),
    Quantity(
        "saturation_mid_percent",
        "Saturation, mid",
        "mid",
        "Saturation",
        "%",
        1,
        "The same for mid, (L + R) / 2; a mono file has only this one.",
    ),
    Quantity(
        "saturation_mid_low_percent",
        "Saturation, mid, at least",
        "",
        "Saturation",
        "%",
        1,
        "Lower bound of the saturation of mid (95 %).",
    ),
    Quantity(
        "saturation_side_percent",
        "Saturation, sides",
        "sides",
        "Saturation",
        "%",
        1,
        "The same for the sides, (L - R) / 2.",
    ),
    Quantity(
        "saturation_side_low_percent",
        "Saturation, sides, at least",
        "",
        "Saturation",
        "%",
        1,
        "Lower bound of the saturation of the sides (95 %).",
    ),
    Quantity(
        "pinned_left_percent",
        "Peaks pinned, left",
        "left",
        "Peaks pinned",
        "%",
        1,
        "How hard the left channel's peaks press against a ceiling, 0 to 100, judged from this file alone.",
    ),
    Quantity(
        "pinned_right_percent",
        "Peaks pinned, right",
        "right",
        "Peaks pinned",
        "%",
        1,
        "The same for the right channel.",
    ),
    Quantity(
        "pinned_mid_percent",
        "Peaks pinned, mid",
        "mid",
        "Peaks pinned",
        "%",
        1,
        "The same for mid, (L + R) / 2; a mono file has only this one.",
    ),
    Quantity(
        "pinned_side_percent",
        "Peaks pinned, sides",
        "sides",
        "Peaks pinned",
        "%",
        1,
        "The same for the sides, (L - R) / 2.",
    ),
    Quantity(
        "dc_offset_dbfs",
        "DC offset",
        "DC",
        "Silence and faults",
        "dBFS",
        1,
        "Largest mean value of any channel.",
        "remove the offset, or high-pass at 5 to 20 Hz, before limiting",
    ),
    Quantity(
        "correlation",
        "Correlation",
        "correlation",
        "Stereo",
        "",
        2,
        "Between left and right over the whole file: 1 is mono, 0 unrelated, -1 opposite polarity.",
    ),
    Quantity(
        "correlation_min",
        "Lowest correlation",
        "lowest",
        "Stereo",
        "",
        2,
        "In the worst 3 s with both channels above -60 dBFS.",
        "check that passage for inverted polarity or too much widening",
    ),
    Quantity(
        "balance_lu",
        "Balance",
        "balance",
        "Stereo",
        "LU",
        1,
        "Loudness of the right channel minus the left; positive values lean right.",
        "check the pan law and the mix bus",
    ),
    Quantity(
        "mono_loss_lu",
        "Loss in mono",
        "mono loss",
        "Stereo",
        "LU",
        1,
        "Loudness that the (L + R) / 2 fold-down loses against stereo; unrelated channels lose 3 LU.",
        "narrow the sides, especially in the low end",
    ),
    Quantity(
        "side_to_mid_db",
        "Sides to mid",
        "sides to mid",
        "Stereo",
        "dB",
        1,
        "RMS of (L - R) / 2 relative to that of (L + R) / 2.",
    ),
    Quantity(
        "head_silence_s",
        "Silence at start",
        "silence at start",
        "Silence and faults",
        "s",
        3,
        "From the start to the first sample above -60 dBFS.",
    ),
    Quantity(
        "tail_silence_s",
        "Silence at end",
        "silence at end",
        "Silence and faults",
        "s",
        3,
        "From the last sample above -60 dBFS to the end.",
    ),
    Quantity(
        "digital_silence_s",
        "Digital silence inside",
        "digital silence inside",
        "Silence and faults",
        "s",
        3,
        "All channels at digital zero between the first and the last sound, in whole steps of 10 ms.",
    ),
    Quantity(
        "dropouts",
        "Dropouts",
        "dropouts",
        "Silence and faults",
        "",
        0,
        "A channel drops from above -50 dBFS to digital zero for 1 to 100 ms, and comes back as abruptly.",
        "render the file again",
    ),
    Quantity(
        "channel_gaps",
        "Gaps in one channel",
        "gaps in one channel",
        "Silence and faults",
        "",
        0,
        "The same for longer than 100 ms, while another channel plays on.",
        "listen there; unless it is intended, render the file again",
    ),
    Quantity(
        "channel_gap_longest_s",
        "Longest gap in one channel",
        "",
        "Silence and faults",
        "s",
        3,
        "Length of the longest of them.",
    ),
    Quantity(
        "stated_loudness_error_lu",
        "Error of stated loudness",
        "loudness off by",
        "Metadata",
        "LU",
        1,
        "Integrated loudness stated in the file's metadata (bext, iXML) minus the measured one.",
        "write the metadata again from this file; `sendoff deliver` does",
    ),
    Quantity(
        "stated_range_error_lu",
        "Error of stated loudness range",
        "range off by",
        "Metadata",
        "LU",
        1,
        "The same for the loudness range.",
        "write the metadata again from this file",
    ),
    Quantity(
        "stated_true_peak_error_db",
        "Error of stated true peak",
        "true peak off by",
        "Metadata",
        "dB",
        1,
        "The same for the true peak.",
        "write the metadata again from this file",
    ),
    Quantity(
        "stated_momentary_error_lu",
        "Error of stated momentary maximum",
        "momentary max off by",
        "Metadata",
        "LU",
        1,
        "The same for the momentary maximum.",
        "write the metadata again from this file",
    ),
    Quantity(
        "stated_short_term_error_lu",
        "Error of stated short-term maximum",
        "short-term max off by",
        "Metadata",
        "LU",
        1,
        "The same for the short-term maximum.",
        "write the metadata again from this file",
    ),
    Quantity(
        "replaygain_error_db",
        "Error of ReplayGain",
        "ReplayGain off by",
        "Metadata",
        "dB",
        1,
        "Track gain in the tags minus the gain to -18 LUFS, or to the reference that the tags name.",
        "scan the file again, or remove the tag",
    ),
    Quantity(
        "replaygain_peak_error_db",
        "Error of ReplayGain peak",
        "ReplayGain peak off by",
        "Metadata",
        "dB",
        1,
        "Track peak in the tags against the sample peak or the true peak, whichever is nearer.",
        "scan the file again, or remove the tag",
    ),
    Quantity(
        "r128_gain_error_db",
        "Error of R128 gain",
        "R128 gain off by",
        "Metadata",
        "dB",
        1,
        "R128_TRACK_GAIN in the tags minus the gain to -23 LUFS (RFC 7845).",
        "scan the file again, or remove the tag",
    ),
    Quantity(
        "isrcs",
        "ISRCs",
        "",
        "Metadata",
        "",
        0,
        "Different ISRCs (ISO 3901) in the file's metadata; a file has one.",
        "ask the label which ISRC is right, and write it everywhere",
    ),
    Quantity(
        "malformed_isrcs",
        "Malformed ISRCs",
        "malformed ISRCs",
        "Metadata",
        "",
        0,
        "ISRCs that are not two letters, three letters or digits, and seven digits (ISO 3901).",
        "ask the label for the right ISRC",
    ),
    Quantity(
        "format_conflicts",
        "Format conflicts in metadata",
        "format conflicts",
        "Metadata",
        "",
        0,
        "Sample rate, word length or channels in coding history (EBU R 98) or iXML that the file does not have.",
        "complete the coding history, or write the iXML again",
    ),
    Quantity(
        "time_reference_s",
        "Time reference",
        "time reference",
        "Metadata",
        "s",
        3,
        "Position of the file's first sample after midnight, from bext or iXML.",
        "set the time reference again, or to 0",
    ),
    Quantity(
        "cue_points_outside",
        "Cue points outside",
        "cue points outside",
        "Metadata",
        "",
        0,
        "Cue points behind the end of the sound.",
        "write the markers again from this version",
    ),
    Quantity(
        "sample_rate_hz",
        "Sample rate",
        "",
        "File",
        "Hz",
        0,
        "As stated in the file.",
        "convert once, from the session's own rate",
    ),
    Quantity(
        "bit_depth",
        "Word length",
        "",
        "File",
        "bit",
        0,
        "As stored in the file; lossy files have none.",
        "export at the required word length, dithered once",
        needed=True,
    ),
    Quantity(
        "bits_used",
        "Bits in use",
        "bits in use",
        "File",
        "bit",
        0,
        "Bits that ever change; fewer than the word length means that shorter words were padded.",
        "export again from the session, instead of padding",
    ),
    Quantity(
        "channels",
        "Channels",
        "",
        "File",
        "",
        0,
        "As stated in the file.",
        "export with the required number of channels",
    ),
    Quantity("duration_s", "Duration", "", "File", "s", 3, "Length of the audio."),
    Quantity("layout", "Layout", "", "File", "", 0, "Loudspeakers that the channels feed.", text=True),
    Quantity(
        "container",
        "File type",
        "",
        "File",
        "",
        0,
        "Container format, such as WAV or FLAC.",
        "export in the required file type",
        text=True,
    ),
    Quantity(
        "encoding",
        "Encoding",
        "",
        "File",
        "",
        0,
        "How the samples are stored, such as PCM_24.",
        "export in the required encoding",
        text=True,
    ),
)

QUANTITIES: Final[dict[str, Quantity]] = {row.key: row for row in _ROWS}

_ALBUM_ROWS: Final = (
    Quantity(
        "album_integrated_lufs",
        "Album loudness",
        "album loudness",
        "Loudness",
        "LUFS",
        1,
        "Gated loudness of all tracks in sequence, measured as one programme (ITU-R BS.1770-5).",
    ),
    Quantity(
        "loudest_track_lufs", "Loudest track", "", "Loudness", "LUFS", 1, "Highest integrated loudness of any track."
    ),
    Quantity(
        "quietest_track_lufs", "Quietest track", "", "Loudness", "LUFS", 1, "Lowest integrated loudness of any track."
    ),
    Quantity(
        "track_spread_lu",
        "Spread between tracks",
        "spread",
        "Loudness",
        "LU",
        1,
        "Loudest track minus quietest track.",
        "compare the track that stands out with its neighbours by ear",
    ),
    Quantity(
        "album_true_peak_dbtp",
        "Album true peak",
        "true peak",
        "Peaks",
        "dBTP",
        1,
        "Highest true peak of any track.",
        "lower that track's ceiling, or switch on the limiter's true-peak mode",
    ),
    Quantity("tracks", "Tracks", "", "Sequence", "", 0, "Files in the sequence.", "split the album over two discs"),
    Quantity(
        "total_s",
        "Total time",
        "total time",
        "Sequence",
        "s",
        3,
        "Sum of the tracks' durations.",
        "shorten the programme, or split it over two discs",
    ),
    Quantity(
        "shortest_track_s",
        "Shortest track",
        "",
        "Sequence",
        "s",
        3,
        "Duration of the shortest track.",
        "join it to the track next to it",
    ),
    Quantity(
        "sample_rates",
        "Sample rates",
        "",
        "File",
        "",
        0,
        "Different sample rates in the sequence.",
        "convert the odd ones out from their sessions",
    ),
    Quantity(
        "bit_depths",
        "Word lengths",
        "",
        "File",
        "",
        0,
        "Different word lengths in the sequence.",
        "export the odd ones out again",
    ),
    Quantity(
        "channel_counts",
        "Channel counts",
        "",
        "File",
        "",
        0,
        "Different channel counts in the sequence.",
        "export the odd ones out again",
    ),
    Quantity(
        "containers",
        "File types",
        "",
        "File",
        "",
        0,
        "Different file types in the sequence.",
        "export the odd ones out again",
    ),
    Quantity(
        "duplicate_tracks",
        "Duplicate tracks",
        "",
        "Sequence",
        "",
        0,
        "Tracks with the same audio as another track, whatever their tags.",
        "replace the duplicate with the right file",
    ),
    Quantity(
        "unframed_tracks",
        "Tracks ending inside a CD frame",
        "",
        "Sequence",
        "",
        0,
        "Tracks that do not fill whole CD frames of 588 samples (IEC 60908): gapless joins may click.",
        "cut the track to whole CD frames of 1/75 s",
    ),
)

ALBUM_QUANTITIES: Final[dict[str, Quantity]] = {row.key: row for row in _ALBUM_ROWS}

_REHEARSAL_ROWS: Final = (
    Quantity(
        "overshoot_db",
        "Overshoot",
        "overshoot",
        "Peaks",
        "dB",
        2,
        "True peak of what comes out minus that of the master.",
        "leave more room under full scale",
    ),
    Quantity(
        "over_full_scale_samples",
        "Samples above full scale",
        "above full scale",
        "Clipping",
        "",
        0,
        "Samples of what comes out that lie above full scale: a player without headroom clips them.",
        "leave more room under full scale",
    ),
    Quantity(
        "loudness_change_lu",
        "Loudness change",
        "loudness change",
        "Loudness",
        "LU",
        2,
        "Integrated loudness of what comes out minus the master's: some encoders turn down, which hides overshoot.",
    ),
    Quantity(
        "added_noise_dbfs",
        "Added noise",
        "added noise",
        "File",
        "dBFS",
        1,
        "RMS of what shortening the words adds: rounding, and dither if there is any.",
    ),
    Quantity(
        "master_dither",
        "Dither in the master",
        "dither in the master",
        "File",
        "",
        0,
        "Whether the master's last bit is noisy in its quietest passages, as dither leaves it: found or not found.",
        text=True,
    ),
)

REHEARSAL_QUANTITIES: Final[dict[str, Quantity]] = {row.key: row for row in _REHEARSAL_ROWS}
"""What a rehearsal measures besides the quantities of a file."""

CHANNEL_KEYS: Final = (
    "true_peak_dbtp",
    "sample_peak_dbfs",
    "rms_dbfs",
    "clipped_runs",
    "clipped_samples",
    "clipped_longest_samples",
    "flat_top_runs",
    "hidden_clipped_runs",
    "true_peak_over_runs",
    "dc_offset_dbfs",
    "dropouts",
    "channel_gaps",
    "channel_gap_longest_s",
)
"""Quantities that each channel has by itself too."""

Value = float | int | str | None


def grouped(table: Mapping[str, Quantity]) -> dict[str, list[Quantity]]:
    """Quantities by their groups, in the order of `GROUPS`, then of the table."""
    found = {group: [quantity for quantity in table.values() if quantity.group == group] for group in GROUPS}
    return {group: quantities for group, quantities in found.items() if quantities}
