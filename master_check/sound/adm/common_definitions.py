"""The common definitions of loudspeakers and their packs (ITU-R BS.2094-1), which files refer to without writing them.

Only DirectSpeakers: of the other types, nothing is rendered here. The test holds these rows against the file that
comes with the standard's reference renderer; names of packs are shortened.
"""

from dataclasses import dataclass
from functools import cache
from typing import Final

from master_check.sound.adm.model import (
    AudioChannelFormat,
    AudioPackFormat,
    Coordinate,
    DirectSpeakersBlock,
    Frequency,
    PolarSpeakerPosition,
    ScreenEdgeLock,
    TypeDefinition,
)

_LFE_LOW_PASS: Final = 120.0
_LABEL: Final = "urn:itu:bs:2051:0:speaker:"
_EDGES: Final = {"M+SC": "left", "M-SC": "right"}


@dataclass(frozen=True, slots=True)
class _Speaker:
    number: int
    name: str
    label: str
    azimuth: float
    elevation: float


_SPEAKERS: Final = (
    _Speaker(0x01, "FrontLeft", "M+030", 30, 0),
    _Speaker(0x02, "FrontRight", "M-030", -30, 0),
    _Speaker(0x03, "FrontCentre", "M+000", 0, 0),
    _Speaker(0x04, "LowFrequencyEffects", "LFE", 0, -30),
    _Speaker(0x05, "SurroundLeft", "M+110", 110, 0),
    _Speaker(0x06, "SurroundRight", "M-110", -110, 0),
    _Speaker(0x07, "FrontLeftOfCentre", "M+022", 22.5, 0),
    _Speaker(0x08, "FrontRightOfCentre", "M-022", -22.5, 0),
    _Speaker(0x09, "BackCentre", "M+180", 180, 0),
    _Speaker(0x0A, "SideLeft", "M+090", 90, 0),
    _Speaker(0x0B, "SideRight", "M-090", -90, 0),
    _Speaker(0x0C, "TopCentre", "T+000", 0, 90),
    _Speaker(0x0D, "TopFrontLeft", "U+030", 30, 30),
    _Speaker(0x0E, "TopFrontCentre", "U+000", 0, 30),
    _Speaker(0x0F, "TopFrontRight", "U-030", -30, 30),
    _Speaker(0x10, "TopSurroundLeft", "U+110", 110, 30),
    _Speaker(0x11, "TopBackCentre", "U+180", 180, 30),
    _Speaker(0x12, "TopSurroundRight", "U-110", -110, 30),
    _Speaker(0x13, "TopSideLeft", "U+090", 90, 30),
    _Speaker(0x14, "TopSideRight", "U-090", -90, 30),
    _Speaker(0x15, "BottomFrontCentre", "B+000", 0, -30),
    _Speaker(0x16, "BottomFrontLeftMid", "B+045", 45, -30),
    _Speaker(0x17, "BottomFrontRightMid", "B-045", -45, -30),
    _Speaker(0x18, "FrontLeftWide", "M+060", 60, 0),
    _Speaker(0x19, "FrontRightWide", "M-060", -60, 0),
    _Speaker(0x1A, "BackLeftMidDiffuse", "M+135_Diff", 135, 0),
    _Speaker(0x1B, "BackRightMidDiffuse", "M-135_Diff", -135, 0),
    _Speaker(0x1C, "BackLeftMid", "M+135", 135, 0),
    _Speaker(0x1D, "BackRightMid", "M-135", -135, 0),
    _Speaker(0x1E, "TopBackLeftMid", "U+135", 135, 30),
    _Speaker(0x1F, "TopBackRightMid", "U-135", -135, 30),
    _Speaker(0x20, "LowFrequencyEffectsL", "LFEL", 45, -30),
    _Speaker(0x21, "LowFrequencyEffectsR", "LFER", -45, -30),
    _Speaker(0x22, "TopFrontLeftMid", "U+045", 45, 30),
    _Speaker(0x23, "TopFrontRightMid", "U-045", -45, 30),
    _Speaker(0x24, "FrontLeftScreen", "M+SC", 25, 0),
    _Speaker(0x25, "FrontRightScreen", "M-SC", -25, 0),
    _Speaker(0x26, "FrontLeftMid", "M+045", 45, 0),
    _Speaker(0x27, "FrontRightMid", "M-045", -45, 0),
    _Speaker(0x28, "UpperTopBackCentre", "UH+180", 180, 45),
)

_PACKS: Final = {
    0x01: ("mono (0+1+0)", "03"),
    0x02: ("stereo (0+2+0)", "01 02"),
    0x0A: ("3.0 (0+3+0)", "01 02 03"),
    0x0B: ("4.0 (0+4+0)", "01 02 03 09"),
    0x0C: ("5.0 (0+5+0)", "01 02 03 05 06"),
    0x03: ("5.1 (0+5+0)", "01 02 03 04 05 06"),
    0x0D: ("6.1 (0+6+0)", "01 02 03 04 05 06 09"),
    0x0E: ("7.1front (0+7+0)", "01 02 03 04 05 06 26 27"),
    0x0F: ("7.1back (0+7+0)", "01 02 03 04 0A 0B 1C 1D"),
    0x04: ("7.1top (2+5+0)", "01 02 03 04 05 06 0D 0F"),
    0x12: ("7.1side 5.1+sc (0+7+0)", "01 02 03 04 05 06 24 25"),
    0x13: ("7.1topside 5.1.2 (2+5+0)", "01 02 03 04 05 06 13 14"),
    0x14: ("9.1screen 5.1.2+sc (2+7+0)", "01 02 03 04 05 06 13 14 24 25"),
    0x16: ("9.1 7.1.2 (2+7+0)", "01 02 03 04 0B 0C 1C 1D 13 14"),
    0x05: ("9.1 5.1.4 (4+5+0)", "01 02 03 04 05 06 0D 0F 10 12"),
    0x10: ("10.1 (4+5+1)", "01 02 03 04 05 06 0D 0F 10 12 15"),
    0x07: ("10.2 (3+7+0)", "03 01 02 22 23 0A 0B 1C 1D 28 20 21"),
    0x15: ("11.1 5.1.4+sc (4+7+0)", "01 02 03 04 05 06 0D 0F 10 12 24 25"),
    0x17: ("11.1 7.1.4 (4+7+0)", "01 02 03 04 0A 0B 1C 1D 22 23 1E 1F"),
    0x08: ("13.1 (4+9+0)", "01 02 03 04 0A 0B 1C 1D 22 23 1E 1F 24 25"),
    0x09: ("22.2 (9+10+3)", "18 19 03 20 1C 1D 01 02 09 21 0A 0B 22 23 0E 0C 1E 1F 13 14 11 15 16 17"),
    0x11: ("18.1 (9+9+0)", "01 02 03 04 05 06 0A 0B 1A 1B 0D 0F 0E 10 12 13 14 1E 1F"),
}


@cache
def channels() -> dict[str, AudioChannelFormat]:
    """Every loudspeaker, by identifier."""
    return {f"AC_0001{speaker.number:04X}": _channel(speaker) for speaker in _SPEAKERS}


@cache
def packs() -> dict[str, AudioPackFormat]:
    """Every pack of loudspeakers, by identifier."""
    return {
        f"AP_0001{number:04X}": AudioPackFormat(
            f"AP_0001{number:04X}",
            name,
            TypeDefinition.DirectSpeakers,
            tuple(f"AC_000100{channel}" for channel in numbers.split()),
        )
        for number, (name, numbers) in _PACKS.items()
    }


def type_of(id: str) -> TypeDefinition | None:
    """The type that an identifier such as `AP_00040001` is of by its first four digits; None where it is no such."""
    label = id[3:7]
    try:
        return TypeDefinition(int(label, 16))
    except ValueError:
        return None


def is_common(id: str) -> bool:
    """Whether an identifier of a format stands for a common definition (BS.2094: the last four digits below 1000)."""
    digits = id[7:11]
    return type_of(id) is not None and len(digits) == 4 and digits < "1000"


def _channel(speaker: _Speaker) -> AudioChannelFormat:
    id = f"AC_0001{speaker.number:04X}"
    is_lfe = speaker.label.startswith("LFE")
    block = DirectSpeakersBlock(
        id.replace("AC_", "AB_") + "_00000001",
        PolarSpeakerPosition(Coordinate(speaker.azimuth), Coordinate(speaker.elevation)),
        screen_edge_lock=ScreenEdgeLock(_EDGES.get(speaker.label)),
        labels=(_LABEL + speaker.label,),
    )
    frequency = Frequency(low_pass=_LFE_LOW_PASS if is_lfe else None)
    return AudioChannelFormat(id, speaker.name, TypeDefinition.DirectSpeakers, (block,), frequency)
