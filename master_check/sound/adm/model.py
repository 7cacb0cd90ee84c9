"""The Audio Definition Model (ITU-R BS.2076-2) as small frozen classes, under the standard's own names.

Identifiers are kept in upper case, as the standard's hexadecimal digits may be written either way. References stay
identifiers, because in a faulty file they lead nowhere; `Adm` looks them up. Times are exact fractions of a second.
Angles are in degrees, positive to the left and upwards. Positions and times from memory, checked against the data of
the standard's reference renderer.
"""

from dataclasses import dataclass, field
from enum import Enum
from fractions import Fraction
from typing import Final

SILENT: Final = "ATU_00000000"
"""The track UID of a channel without a track, which is silent."""


class TypeDefinition(Enum):
    """What kind of sound a pack or channel holds; the value is the standard's `typeLabel`."""

    DirectSpeakers = 1
    Matrix = 2
    Objects = 3
    HOA = 4
    Binaural = 5


@dataclass(frozen=True, slots=True)
class PolarPosition:
    """A direction in degrees, and a distance: 1 is where the loudspeakers stand."""

    azimuth: float
    elevation: float
    distance: float = 1.0


@dataclass(frozen=True, slots=True)
class CartesianPosition:
    """A place in a room that goes from -1 to 1: x to the right, y to the front, z upwards."""

    x: float
    y: float
    z: float = 0.0


Position = PolarPosition | CartesianPosition


@dataclass(frozen=True, slots=True)
class ScreenEdgeLock:
    """To which edges of the screen a position is tied: `left` or `right`; `top` or `bottom`."""

    horizontal: str | None = None
    vertical: str | None = None


@dataclass(frozen=True, slots=True)
class Coordinate:
    """One coordinate of a loudspeaker, and the range in which another loudspeaker may stand for it."""

    value: float
    min: float | None = None
    max: float | None = None


@dataclass(frozen=True, slots=True)
class PolarSpeakerPosition:
    azimuth: Coordinate
    elevation: Coordinate
    distance: Coordinate = Coordinate(1.0)


@dataclass(frozen=True, slots=True)
class CartesianSpeakerPosition:
    x: Coordinate
    y: Coordinate
    z: Coordinate = Coordinate(0.0)


SpeakerPosition = PolarSpeakerPosition | CartesianSpeakerPosition


@dataclass(frozen=True, slots=True)
class ChannelLock:
    """The object goes to the nearest loudspeaker, if that is not farther than `max_distance`."""

    max_distance: float | None = None


@dataclass(frozen=True, slots=True)
class ObjectDivergence:
    """The object is split in three, `value` (0 to 1) of it to the sides: by degrees, or by a part of the room."""

    value: float
    azimuth_range: float | None = None
    position_range: float | None = None


@dataclass(frozen=True, slots=True)
class JumpPosition:
    """With `flag`, the object is at its new place after `interpolation_length` seconds, or at once."""

    flag: bool = False
    interpolation_length: Fraction | None = None


@dataclass(frozen=True, slots=True)
class PolarZone:
    """Loudspeakers that the object does not use, by their angles."""

    min_azimuth: float
    max_azimuth: float
    min_elevation: float
    max_elevation: float


@dataclass(frozen=True, slots=True)
class CartesianZone:
    """Loudspeakers that the object does not use, by their place in the room."""

    min_x: float
    min_y: float
    min_z: float
    max_x: float
    max_y: float
    max_z: float


Zone = PolarZone | CartesianZone

_STEADY = ScreenEdgeLock()
_SMOOTH = JumpPosition()


@dataclass(frozen=True, slots=True)
class ObjectsBlock:
    """An `audioBlockFormat` of type Objects: where the object is, from `rtime` for `duration` seconds.

    Attributes
    ----------
    id : str
    rtime, duration : Fraction or None
        From the start of the object; both None: all of it.
    position : PolarPosition or CartesianPosition
    cartesian : bool
        Whether extent and divergence are meant in the room, too, and not in degrees.
    width, height, depth : float
        Degrees, or parts of the room.
    gain, diffuse : float
        Linear; 0 to 1.
    screen_ref : bool
        The position is relative to the screen of the programme.
    importance : int
        0 to 10.
    """

    id: str
    position: Position
    rtime: Fraction | None = None
    duration: Fraction | None = None
    screen_edge_lock: ScreenEdgeLock = _STEADY
    cartesian: bool = False
    width: float = 0.0
    height: float = 0.0
    depth: float = 0.0
    gain: float = 1.0
    diffuse: float = 0.0
    channel_lock: ChannelLock | None = None
    divergence: ObjectDivergence | None = None
    jump_position: JumpPosition = _SMOOTH
    screen_ref: bool = False
    importance: int = 10
    zone_exclusion: tuple[Zone, ...] = ()


@dataclass(frozen=True, slots=True)
class DirectSpeakersBlock:
    """An `audioBlockFormat` of type DirectSpeakers: the loudspeaker that the channel is for.

    Attributes
    ----------
    id : str
    rtime, duration : Fraction or None
        As for an object.
    position : PolarSpeakerPosition or CartesianSpeakerPosition
    labels : tuple of str
        `speakerLabel`s in the file's order, such as `M+030` or `urn:itu:bs:2051:0:speaker:M+030`.
    gain : float
        Linear.
    """

    id: str
    position: SpeakerPosition
    rtime: Fraction | None = None
    duration: Fraction | None = None
    screen_edge_lock: ScreenEdgeLock = _STEADY
    labels: tuple[str, ...] = ()
    gain: float = 1.0
    importance: int = 10


Block = ObjectsBlock | DirectSpeakersBlock


@dataclass(frozen=True, slots=True)
class Frequency:
    """Within which band the channel is meant to be, in Hz."""

    low_pass: float | None = None
    high_pass: float | None = None


@dataclass(frozen=True, slots=True)
class AudioChannelFormat:
    """One channel over time; `blocks` is empty for types other than DirectSpeakers and Objects, which are not read."""

    id: str
    name: str
    type: TypeDefinition
    blocks: tuple[Block, ...] = ()
    frequency: Frequency = Frequency()


@dataclass(frozen=True, slots=True)
class AudioPackFormat:
    """Channels that belong together: a bed, an object."""

    id: str
    name: str
    type: TypeDefinition
    channels: tuple[str, ...] = ()
    packs: tuple[str, ...] = ()
    importance: int | None = None
    absolute_distance: float | None = None


@dataclass(frozen=True, slots=True)
class AudioStreamFormat:
    """What an `audioTrackFormat` belongs to: one channel, or a pack."""

    id: str
    channel: str | None = None
    pack: str | None = None
    tracks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class AudioTrackFormat:
    id: str
    stream: str | None = None


@dataclass(frozen=True, slots=True)
class AudioTrackUID:
    """A track of the file as `axml` knows it; which one it is says `chna`."""

    id: str
    track: str | None = None
    channel: str | None = None
    pack: str | None = None
    sample_rate: int | None = None
    bit_depth: int | None = None


@dataclass(frozen=True, slots=True)
class AudioObject:
    """A part of the programme: what is heard from `start` on, for `duration` seconds.

    Attributes
    ----------
    packs, track_uids, objects, complementary : tuple of str
        Identifiers.
    start, duration : Fraction or None
        Seconds from the start of the programme; without a duration, to the end of the file.
    gain : float
        Linear.
    position_offset : bool
        It is moved as a whole, which BS.2127 does not say how to render.
    """

    id: str
    name: str
    start: Fraction | None = None
    duration: Fraction | None = None
    packs: tuple[str, ...] = ()
    track_uids: tuple[str, ...] = ()
    objects: tuple[str, ...] = ()
    complementary: tuple[str, ...] = ()
    importance: int | None = None
    interact: bool = False
    gain: float = 1.0
    mute: bool = False
    position_offset: bool = False


@dataclass(frozen=True, slots=True)
class LoudnessMetadata:
    """What the programme or content states of its own loudness."""

    method: str | None = None
    integrated: float | None = None
    range: float | None = None
    max_true_peak: float | None = None
    max_momentary: float | None = None
    max_short_term: float | None = None


@dataclass(frozen=True, slots=True)
class AudioContent:
    id: str
    name: str
    language: str | None = None
    objects: tuple[str, ...] = ()
    loudness: tuple[LoudnessMetadata, ...] = ()


@dataclass(frozen=True, slots=True)
class Screen:
    """The screen that positions were made for (`audioProgrammeReferenceScreen`).

    Attributes
    ----------
    aspect_ratio : float
    centre : PolarPosition or CartesianPosition
    width : float
        Degrees where the centre is polar, else a part of the room.
    """

    aspect_ratio: float = 1.78
    centre: Position = PolarPosition(0.0, 0.0, 1.0)
    width: float = 58.0


DEFAULT_SCREEN = Screen()
"""Where the programme names none (BS.2076, audioProgramme)."""


@dataclass(frozen=True, slots=True)
class AudioProgramme:
    id: str
    name: str
    language: str | None = None
    start: Fraction | None = None
    end: Fraction | None = None
    contents: tuple[str, ...] = ()
    screen: Screen = DEFAULT_SCREEN
    loudness: tuple[LoudnessMetadata, ...] = ()


@dataclass(frozen=True, slots=True)
class ChnaEntry:
    """A row of `chna` (ITU-R BS.2088): what a track of the file holds.

    Attributes
    ----------
    track : int
        The channel of the file, from 0.
    uid : str
    format : str
        An `audioTrackFormat`, or an `audioChannelFormat` without one.
    pack : str or None
    """

    track: int
    uid: str
    format: str
    pack: str | None


@dataclass(frozen=True, slots=True)
class Adm:
    """All of a file's metadata, by identifier; what `axml` leaves to the common definitions is not in here.

    Attributes
    ----------
    chna : tuple of ChnaEntry
    repeated : tuple of str
        Identifiers that are there twice; the first is kept.
    rows : dict
        The first row of `chna` of each UID.
    """

    programmes: dict[str, AudioProgramme] = field(default_factory=dict)
    contents: dict[str, AudioContent] = field(default_factory=dict)
    objects: dict[str, AudioObject] = field(default_factory=dict)
    packs: dict[str, AudioPackFormat] = field(default_factory=dict)
    channels: dict[str, AudioChannelFormat] = field(default_factory=dict)
    streams: dict[str, AudioStreamFormat] = field(default_factory=dict)
    tracks: dict[str, AudioTrackFormat] = field(default_factory=dict)
    track_uids: dict[str, AudioTrackUID] = field(default_factory=dict)
    chna: tuple[ChnaEntry, ...] = ()
    repeated: tuple[str, ...] = ()
    rows: dict[str, ChnaEntry] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "rows", {})
        for entry in self.chna:
            self.rows.setdefault(entry.uid, entry)
