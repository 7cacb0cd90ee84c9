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
    "Peaks pinned",
    "Silence and faults",
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
        "Loudest 400 ms, ungated, sliding by 10 ms (EBU Tech 3341).",
    ),
    Quantity(
        "short_term_max_lufs",
        "Short-term maximum",
        "short-term max",
        "Loudness",
        "LUFS",
        1,
        "Loudest 3 s, ungated, sliding by 10 ms (EBU Tech 3341).",
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
        "lower the limiter's ceiling or switch its true-peak mode on",
        needed=True,
    ),
    Quantity(
        "sample_peak_dbfs",
        "Sample peak",
        "sample peak",
        "Peaks",
        "dBFS",
        1,
        "Largest sample.",
        "lower the ceiling; on a premaster lower the bus, not the limiter",
        needed=True,
    ),
    Quantity(
        "headroom_db",
        "Headroom",
        "headroom",
        "Peaks",
        "dB",
        1,
        "From the largest sample up to full scale.",
        "turn the mix bus down before exporting",
    ),
    Quantity(
        "plr_lu",
        "Peak to loudness (PLR)",
        "PLR",
        "Dynamics",
        "LU",
        1,
        "True peak minus integrated loudness (AES TD1008).",
    ),
    Quantity(
        "psr_min_lu",
        "Lowest peak to short-term loudness (PSR)",
        "lowest PSR",
        "Dynamics",
        "LU",
        1,
        "Smallest distance of sample peak and loudness within 3 s, where it is louder than 10 LU below integrated.",
        "ease the limiter there",
    ),
    Quantity(
        "rms_dbfs",
        "RMS",
        "RMS",
        "Dynamics",
        "dBFS",
        1,
        "Root mean square of all samples and channels; a full-scale sine reads -3.0.",
        "move the mix bus; leave the balance as it is",
        needed=True,
    ),
    Quantity("crest_db", "Crest factor", "crest", "Dynamics", "dB", 1, "Sample peak minus RMS."),
    Quantity(
        "clipped_runs",
        "Clipped places",
        "clipped",
        "Clipping",
        "",
        0,
        "Runs of three or more samples in a row at full scale, same sign.",
        "go back to before the clipping and take the level down there",
    ),
    Quantity("clipped_samples", "Clipped samples", "", "Clipping", "", 0, "Samples in those runs."),
    Quantity(
        "clipped_longest_samples", "Longest clip", "", "Clipping", "samples", 0, "Samples in the longest of those runs."
    ),
    Quantity(
        "flat_top_runs",
        "Flat tops below full scale",
        "flat tops",
        "Clipping",
        "",
        0,
        "Runs of three or more equal samples at a channel's own ceiling, with corners: clipped, then turned down.",
        "ask for the version before the clipping, or own up to it",
    ),
    Quantity(
        "true_peak_over_runs",
        "True-peak overs",
        "overs",
        "Peaks",
        "",
        0,
        "Places where the oversampled waveform passes full scale; one ends where it stays below for 1 ms.",
        "lower the limiter's ceiling or switch its true-peak mode on",
    ),
    Quantity(
        "saturation_left_percent",
        "Peaks pinned, left",
        "left",
        "Peaks pinned",
        "%",
        1,
        "How much the left channel's peaks press against a ceiling, 0 to 100, from this file alone.",
    ),
    Quantity(
        "saturation_right_percent", "Peaks pinned, right", "right", "Peaks pinned", "%", 1, "The same, right channel."
    ),
    Quantity(
        "saturation_mid_percent",
        "Peaks pinned, middle",
        "middle",
        "Peaks pinned",
        "%",
        1,
        "The same, (L + R) / 2; a mono file has only this one.",
    ),
    Quantity(
        "saturation_side_percent", "Peaks pinned, sides", "sides", "Peaks pinned", "%", 1, "The same, (L - R) / 2."
    ),
    Quantity(
        "dc_offset_dbfs",
        "DC offset",
        "DC",
        "Silence and faults",
        "dBFS",
        1,
        "Largest mean of a channel.",
        "high-pass at 5 to 20 Hz or take the offset out, before limiting",
    ),
    Quantity(
        "correlation",
        "Correlation",
        "correlation",
        "Stereo",
        "",
        2,
        "Of left and right over the whole file: 1 mono, 0 unrelated, -1 out of phase.",
    ),
    Quantity(
        "correlation_min",
        "Lowest correlation",
        "lowest",
        "Stereo",
        "",
        2,
        "Over the worst 3 s in which both channels are louder than -60 dBFS.",
        "look for a flipped channel or too much widening there",
    ),
    Quantity(
        "balance_lu",
        "Balance",
        "balance",
        "Stereo",
        "LU",
        1,
        "Loudness of the right minus that of the left; positive leans right.",
        "check the pan law and the bus",
    ),
    Quantity(
        "mono_loss_lu",
        "Lost in mono",
        "lost in mono",
        "Stereo",
        "LU",
        1,
        "How much loudness the (L + R) / 2 fold-down loses against stereo; unrelated channels lose 3.",
        "narrow the sides, above all in the bass",
    ),
    Quantity(
        "side_to_mid_db",
        "Sides to middle",
        "sides to middle",
        "Stereo",
        "dB",
        1,
        "RMS of (L - R) / 2 against that of (L + R) / 2.",
    ),
    Quantity(
        "head_silence_s",
        "Silence before",
        "silence before",
        "Silence and faults",
        "s",
        3,
        "From the start to the first sample above -60 dBFS.",
    ),
    Quantity(
        "tail_silence_s",
        "Silence after",
        "silence after",
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
        "All channels exactly zero between first and last sound, counted in whole steps of 10 ms.",
    ),
    Quantity(
        "dropouts",
        "Dropouts",
        "dropouts",
        "Silence and faults",
        "",
        0,
        "A channel falls from above -50 dBFS to exactly zero for 1 to 100 ms and comes back as abruptly.",
        "render the file again",
    ),
    Quantity(
        "channel_gaps",
        "Gaps in one channel",
        "gaps in one channel",
        "Silence and faults",
        "",
        0,
        "The same for longer than 100 ms, while another channel plays.",
        "listen there: unless the part was panned so, render the file again",
    ),
    Quantity(
        "channel_gap_longest_s",
        "Longest gap in one channel",
        "",
        "Silence and faults",
        "s",
        3,
        "Length of the longest of those gaps.",
    ),
    Quantity(
        "sample_rate_hz",
        "Sample rate",
        "",
        "File",
        "Hz",
        0,
        "As the file says.",
        "convert from the session's rate, once",
    ),
    Quantity(
        "bit_depth",
        "Word length",
        "",
        "File",
        "bit",
        0,
        "Of the file; nothing for lossy files.",
        "export at the word length asked for, dithered once",
        needed=True,
    ),
    Quantity(
        "bits_used",
        "Word length in use",
        "bits in use",
        "File",
        "bit",
        0,
        "Bits that ever change; fewer than the word length means a shorter file was padded.",
        "export again from the session instead of padding",
    ),
    Quantity(
        "channels", "Channels", "", "File", "", 0, "As the file says.", "export with the channels the delivery asks for"
    ),
    Quantity("duration_s", "Duration", "", "File", "s", 3, "Frames over sample rate."),
    Quantity("layout", "Layout", "", "File", "", 0, "Loudspeakers the channels feed.", text=True),
    Quantity(
        "container",
        "File type",
        "",
        "File",
        "",
        0,
        "The kind of file.",
        "export as the kind the delivery asks for",
        text=True,
    ),
    Quantity(
        "encoding",
        "Encoding",
        "",
        "File",
        "",
        0,
        "How samples are stored.",
        "export in the encoding the delivery asks for",
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
        "Gated loudness of all tracks in sequence, as one programme (ITU-R BS.1770-5).",
    ),
    Quantity(
        "loudest_track_lufs", "Loudest track", "", "Loudness", "LUFS", 1, "Highest integrated loudness of a track."
    ),
    Quantity(
        "quietest_track_lufs", "Quietest track", "", "Loudness", "LUFS", 1, "Lowest integrated loudness of a track."
    ),
    Quantity(
        "track_spread_lu",
        "Spread of the tracks",
        "spread",
        "Loudness",
        "LU",
        1,
        "Loudest minus quietest track.",
        "compare the outlying track with its neighbours by ear",
    ),
    Quantity(
        "album_true_peak_dbtp",
        "Album true peak",
        "true peak",
        "Peaks",
        "dBTP",
        1,
        "Highest true peak of a track.",
        "lower that track's ceiling or switch the limiter's true-peak mode on",
    ),
    Quantity("tracks", "Tracks", "", "Sequence", "", 0, "Files in the sequence.", "split the album over two carriers"),
    Quantity(
        "total_s",
        "Total time",
        "total time",
        "Sequence",
        "s",
        3,
        "Sum of the tracks' durations.",
        "shorten the programme or split it over two carriers",
    ),
    Quantity(
        "shortest_track_s",
        "Shortest track",
        "",
        "Sequence",
        "s",
        3,
        "Duration of the shortest track.",
        "join it to its neighbour",
    ),
    Quantity(
        "sample_rates",
        "Sample rates",
        "",
        "File",
        "",
        0,
        "How many different ones.",
        "convert the odd ones from their sessions",
    ),
    Quantity("bit_depths", "Word lengths", "", "File", "", 0, "How many different ones.", "export the odd ones again"),
    Quantity(
        "channel_counts", "Channel counts", "", "File", "", 0, "How many different ones.", "export the odd ones again"
    ),
    Quantity("containers", "File types", "", "File", "", 0, "How many different ones.", "export the odd ones again"),
    Quantity(
        "duplicate_tracks",
        "Same audio twice",
        "",
        "Sequence",
        "",
        0,
        "Tracks whose audio another track has too, whatever their tags.",
        "replace one of the two by what belongs there",
    ),
    Quantity(
        "unframed_tracks",
        "Tracks ending inside a CD frame",
        "",
        "Sequence",
        "",
        0,
        "Tracks that do not fill whole frames of 588 samples (IEC 60908): a gapless join clicks.",
        "cut the track on a frame of 1/75 s",
    ),
)

ALBUM_QUANTITIES: Final[dict[str, Quantity]] = {row.key: row for row in _ALBUM_ROWS}

CHANNEL_KEYS: Final = (
    "true_peak_dbtp",
    "sample_peak_dbfs",
    "rms_dbfs",
    "clipped_runs",
    "clipped_samples",
    "clipped_longest_samples",
    "flat_top_runs",
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
