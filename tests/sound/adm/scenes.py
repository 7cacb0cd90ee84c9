"""Scenes for tests: beds and objects, written as files with `chna` and `axml` the way a workstation writes them.

The writer is the tests' own: it shares no line with the reader.
"""

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from xml.sax.saxutils import quoteattr

import numpy as np
from numpy.typing import NDArray

from tests.sound.files import chunk, riff

HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n'

BED_5_1 = tuple(f"AC_0001000{digit}" for digit in "123456")
"""The pack AP_00010003 of BS.2094: L R C LFE Ls Rs."""

BED_9_1 = (*BED_5_1, "AC_0001000d", "AC_0001000f", "AC_00010010", "AC_00010012")
"""AP_00010005: the same with four loudspeakers above."""


def clock(seconds: float) -> str:
    return f"{int(seconds) // 3600:02d}:{int(seconds) // 60 % 60:02d}:{seconds % 60:08.5f}"


def tag(name: str, content: str = "", **attributes: Any) -> str:
    """An element; attributes that are None are left out."""
    given = "".join(f" {key}={quoteattr(str(value))}" for key, value in attributes.items() if value is not None)
    return f"<{name}{given}>{content}</{name}>"


def block(
    number: int,
    channel: str,
    position: Mapping[str, float],
    content: str = "",
    rtime: float | None = None,
    duration: float | None = None,
) -> str:
    """An `audioBlockFormat` of an object: its coordinates, and what else is in it as XML."""
    coordinates = "".join(tag("position", f"{value:.10f}", coordinate=name) for name, value in position.items())
    return tag(
        "audioBlockFormat",
        coordinates + content,
        audioBlockFormatID=f"AB_{channel[3:]}_{number:08x}",
        rtime=None if rtime is None else clock(rtime),
        duration=None if duration is None else clock(duration),
    )


@dataclass
class Scene:
    """Metadata in the making: `chna` rows, and the elements of `axml`.

    Objects that are added fill tracks one after the other, from 1.
    """

    rows: list[tuple[int, str, str, str]] = field(default_factory=list)
    elements: list[str] = field(default_factory=list)
    objects: list[str] = field(default_factory=list)
    programme: dict[str, str] = field(default_factory=lambda: {"start": "00:00:00.00000"})

    def bed(self, pack: str, channels: Sequence[str], name: str = "Bed", **attributes: Any) -> str:
        """A bed of common definitions (BS.2094): one object, a track for every channel."""
        uids = [self.uid(f"AT_{channel[3:]}_01", pack) for channel in channels]
        return self.object(name, pack, uids, **attributes)

    def moving(self, blocks: Sequence[Any], name: str = "Object", **attributes: Any) -> str:
        """An object of one track; each block is keywords of `block`, its number and channel aside."""
        number = 0x1001 + len(self.objects)
        channel, pack = f"AC_0003{number:04x}", f"AP_0003{number:04x}"
        self.channel(channel, "".join(block(index, channel, **given) for index, given in enumerate(blocks, 1)))
        self.pack(pack, [channel])
        return self.object(name, pack, [self.uid(f"AT_0003{number:04x}_01", pack)], **attributes)

    def channel(self, id: str, blocks: str, kind: str = "Objects", frequency: str = "") -> None:
        """A channel with its stream and track formats; `blocks` and `frequency` are XML."""
        digits, label = id[3:], f"{('DirectSpeakers', 'Matrix', 'Objects', 'HOA', 'Binaural').index(kind) + 1:04d}"
        self.elements += [
            tag("audioChannelFormat", blocks + frequency, audioChannelFormatID=id, audioChannelFormatName=f"C {digits}",
                typeLabel=label, typeDefinition=kind),
            tag("audioStreamFormat",
                tag("audioChannelFormatIDRef", id) + tag("audioTrackFormatIDRef", f"AT_{digits}_01"),
                audioStreamFormatID=f"AS_{digits}", audioStreamFormatName="PCM", formatLabel="0001",
                formatDefinition="PCM"),
            tag("audioTrackFormat", tag("audioStreamFormatIDRef", f"AS_{digits}"), audioTrackFormatID=f"AT_{digits}_01",
                audioTrackFormatName="PCM", formatLabel="0001", formatDefinition="PCM"),
        ]  # fmt: skip

    def pack(self, id: str, channels: Sequence[str], kind: str = "Objects", packs: Sequence[str] = ()) -> None:
        references = [tag("audioChannelFormatIDRef", channel) for channel in channels]
        references += [tag("audioPackFormatIDRef", pack) for pack in packs]
        label = f"{('DirectSpeakers', 'Matrix', 'Objects', 'HOA', 'Binaural').index(kind) + 1:04d}"
        self.elements.append(
            tag("audioPackFormat", "".join(references), audioPackFormatID=id, audioPackFormatName=f"P {id}",
                typeLabel=label, typeDefinition=kind)
        )  # fmt: skip

    def uid(self, track_format: str, pack: str) -> str:
        """The next track of the file."""
        track = len(self.rows) + 1
        uid = f"ATU_{track:08x}"
        self.rows.append((track, uid, track_format, pack))
        self.elements.append(
            tag("audioTrackUID", tag("audioTrackFormatIDRef", track_format) + tag("audioPackFormatIDRef", pack),
                UID=uid, sampleRate=48000, bitDepth=24)
        )  # fmt: skip
        return uid

    def object(
        self,
        name: str,
        pack: str | None,
        uids: Sequence[str],
        content: str = "",
        listed: bool = True,
        **attributes: Any,
    ) -> str:
        """An object of these tracks; `attributes` such as start and duration in seconds; `listed` in the content."""
        id = f"AO_{0x1001 + len(self.objects):04x}"
        times = {key: clock(value) for key, value in attributes.items() if key in ("start", "duration")}
        references = tag("audioPackFormatIDRef", pack) if pack else ""
        references += "".join(tag("audioTrackUIDRef", uid) for uid in uids)
        self.elements.append(
            tag("audioObject", references + content, audioObjectID=id, audioObjectName=name, **attributes | times)
        )
        self.objects.append(id if listed else "")
        return id

    def axml(self) -> bytes:
        references = "".join(tag("audioObjectIDRef", id) for id in self.objects if id)
        head = tag(
            "audioProgramme", tag("audioContentIDRef", "ACO_1001"), audioProgrammeID="APR_1001",
            audioProgrammeName="Song", **self.programme,
        ) + tag("audioContent", references, audioContentID="ACO_1001", audioContentName="Music")  # fmt: skip
        extended = tag("audioFormatExtended", "\n".join((head, *self.elements)))
        whole = tag("ebuCoreMain", tag("coreMetadata", tag("format", extended)),
                    xmlns="urn:ebu:metadata-schema:ebuCore_2016")  # fmt: skip
        return (HEAD + whole).encode()

    def chna(self) -> bytes:
        rows = [struct.pack("<H12s14s11sx", row[0], *(text.encode() for text in row[1:])) for row in self.rows]
        return struct.pack("<HH", len({row[0] for row in self.rows}), len(rows)) + b"".join(rows)

    def write(self, path: Path, samples: NDArray[Any], rate: int = 48_000, name: bytes = b"RIFF") -> Path:
        """The scene with 24-bit samples (frames, tracks) as RIFF, RF64 or BW64."""
        path.write_bytes(adm_file(samples, rate, self.chna(), self.axml(), name))
        return path


def adm_file(samples: NDArray[Any], rate: int, chna: bytes, axml: bytes, name: bytes = b"RIFF") -> bytes:
    """A file of 24-bit samples with both chunks; the sound last."""
    channels = samples.shape[1]
    words = np.clip(np.round(np.asarray(samples, np.float64) * 2**23), -(2**23), 2**23 - 1).astype("<i4")
    data = np.ascontiguousarray(words.reshape(-1, 1).view(np.uint8).reshape(-1, 4)[:, :3]).tobytes()
    form = struct.pack("<HHIIHH", 1, channels, rate, 3 * rate * channels, 3 * channels, 24)
    chunks = [chunk(b"fmt ", form), chunk(b"chna", chna), chunk(b"axml", axml)]
    if name == b"RIFF":
        return riff(*chunks, chunk(b"data", data))
    size = 4 + 36 + sum(map(len, chunks)) + 8 + len(data) + len(data) % 2
    sizes = chunk(b"ds64", struct.pack("<QQQI", size, len(data), len(samples), 0))
    return riff(sizes, *chunks, chunk(b"data", data, 0xFFFFFFFF), name=name, size=0xFFFFFFFF)
