"""The rules of an immersive master's metadata, as data: each a count that a profile's rule can be about.

What BS.2076 and BS.2127 ask for, and what receivers of music ask for besides (common practice). The sources are in the
profile `adm`, which has a rule on each.
"""

from typing import Final

from master_check.tables.quantities import Quantity

GROUP: Final = "Immersive"


def _row(key: str, title: str, short: str, meaning: str, remedy: str, unit: str = "", decimals: int = 0) -> Quantity:
    return Quantity(key, title, short, GROUP, unit, decimals, meaning, remedy)


_ROWS: Final = (
    _row(
        "adm_uncovered_types",
        "Types that are not rendered",
        "other types",
        "Channels of the types HOA, Binaural and Matrix, which are not rendered here.",
        "export as beds and objects, or have it rendered where these types are known",
    ),
    _row(
        "adm_dangling_references",
        "Dangling references",
        "dangling",
        "References in the metadata to something that is not there.",
        "export the metadata again; if it stays, the program that wrote it is at fault",
    ),
    _row(
        "adm_repeated_identifiers",
        "Identifiers used twice",
        "used twice",
        "Identifiers that two elements of the metadata share, or two tracks.",
        "export the metadata again; if it stays, the program that wrote it is at fault",
    ),
    _row(
        "adm_tracks_missing",
        "Tracks that are missing",
        "no track",
        "Track UIDs that an object names and `chna` does not, or tracks in `chna` that the file does not have.",
        "export again with all tracks",
    ),
    _row(
        "adm_tracks_unused",
        "Tracks that no object uses",
        "unused",
        "Tracks of the file that are in no object of the programme, so that nobody hears them.",
        "put them into an object, or export without them",
    ),
    _row(
        "adm_pack_conflicts",
        "Objects that do not fit their pack",
        "pack unlike",
        "Objects whose tracks are not one for each channel of their pack.",
        "export again with one track for each channel of the bed",
    ),
    _row(
        "adm_format_conflicts",
        "Rates and word lengths that are not the file's",
        "format unlike",
        "Track UIDs that state another sample rate or word length than the file has.",
        "export again: the metadata was written for another file",
    ),
    _row(
        "adm_durations_missing",
        "Blocks without a time",
        "no duration",
        "Blocks without start or duration in a channel that has several.",
        "export the metadata again; if it stays, the program that wrote it is at fault",
    ),
    _row(
        "adm_block_gaps",
        "Gaps between blocks",
        "gaps",
        "Places longer than a sample where a channel has no block, so that it is silent there.",
        "let each block last until the next one begins",
    ),
    _row(
        "adm_block_overlaps",
        "Blocks that overlap",
        "overlaps",
        "Blocks that begin before the one before them has ended.",
        "let each block end where the next one begins",
    ),
    _row(
        "adm_values_outside",
        "Positions and values out of range",
        "out of range",
        "Blocks with a position outside the room, or a size, gain or other value outside its range.",
        "move the object into the room and export again",
    ),
    _row(
        "adm_coordinate_conflicts",
        "Blocks of two kinds of coordinates",
        "coordinates",
        "Blocks that say they are Cartesian and have angles, or the other way round.",
        "export the metadata again; if it stays, the program that wrote it is at fault",
    ),
    _row(
        "adm_times_outside",
        "Times past the end",
        "past the end",
        "Objects and blocks that end after the sound or after their object does.",
        "trim the object, or export the whole length",
    ),
    _row(
        "adm_programme_end_error_s",
        "Length of the programme against the file's",
        "programme length",
        "How much longer the programme is than the sound, by its start and end.",
        "set start and end of the programme to those of the master",
        "s",
        3,
    ),
    _row(
        "adm_objects",
        "Objects",
        "objects",
        "Tracks that are objects.",
        "merge objects that play together into a bed",
    ),
    _row(
        "adm_bed_channels",
        "Bed channels",
        "bed channels",
        "Tracks that are for loudspeakers.",
        "",
    ),
    _row(
        "adm_silent_objects",
        "Silent objects",
        "silent objects",
        "Objects whose tracks are digital silence from start to end.",
        "delete them, or find out why they are empty",
    ),
    _row(
        "adm_empty_bed_channels",
        "Empty bed channels",
        "empty channels",
        "Channels of a bed that are digital silence from start to end.",
        "check the routing of the bed; if it is meant, use a smaller bed",
    ),
    _row(
        "lfe_above_150_hz_db",
        "LFE above 150 Hz",
        "LFE, highs",
        "Energy above 150 Hz in the low-frequency channels, against all of their energy.",
        "low-pass the LFE at 100 to 120 Hz",
        "dB",
        1,
    ),
)

ADM_QUANTITIES: Final[dict[str, Quantity]] = {row.key: row for row in _ROWS}
"""What an immersive master has besides `QUANTITIES`; None of every other file."""
