"""Reading ADM, held against the standard's reference renderer (the package `ear`, 2.1.0) on the same files."""

import dataclasses
import re
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from master_check.sound.adm import common_definitions
from master_check.sound.adm.items import rendering_items
from master_check.sound.adm.model import (
    Adm,
    AudioChannelFormat,
    DirectSpeakersBlock,
    PolarSpeakerPosition,
    TypeDefinition,
)
from master_check.sound.adm.read import read_adm
from master_check.sound.adm.values import ValueFault, time
from master_check.sound.format import AudioError
from tests import ear
from tests.sound.adm.scenes import BED_5_1, BED_9_1, Scene, adm_file, tag
from tests.sound.files import chunk, fmt, riff

THEIRS = """
import json, sys
from fractions import Fraction
from enum import Enum
import attr
from ear.fileio import openBw64Adm
from ear.core.select_items import select_rendering_items

def plain(value):
    if isinstance(value, Fraction):
        return f"{value.numerator}/{value.denominator}"
    if isinstance(value, Enum):
        return value.name
    if isinstance(value, (list, tuple)):
        return [plain(one) for one in value]
    if attr.has(type(value)):
        return {field.name: plain(getattr(value, field.name)) for field in attr.fields(type(value))}
    return value

def item(found):
    path = found.adm_path
    last = path.audioObjects[-1] if path.audioObjects else None
    channel = path.audioChannelFormat
    return dict(
        track=found.track_spec.track_index, channel=channel.id, type=channel.type.name,
        packs=[pack.id for pack in path.audioPackFormats],
        objects=[one.id for one in path.audioObjects or []],
        start=plain(last.start) if last else None, duration=plain(last.duration) if last else None,
        frequency=plain(channel.frequency), blocks=[plain(one) for one in channel.audioBlockFormats],
        screen=plain(path.audioProgramme.referenceScreen) if path.audioProgramme else None)

found = []
for name in sys.argv[1:]:
    with openBw64Adm(name) as file:
        found.append([item(one) for one in select_rendering_items(file.adm)
                      if hasattr(one.track_spec, "track_index")])  # the others are silent
print(json.dumps(found))
"""

COMMON = """
import json
from ear.fileio.adm.adm import ADM
from ear.fileio.adm.common_definitions import load_common_definitions
adm = ADM()
load_common_definitions(adm)
speakers = lambda found: [one for one in found if one.type.name == "DirectSpeakers"]
row = lambda block: [block.position.azimuth, block.position.elevation, block.position.distance, block.speakerLabel,
                     block.position.screenEdgeLock.horizontal]
print(json.dumps([
    {one.id: [one.audioChannelFormatName, one.frequency.lowPass, *row(one.audioBlockFormats[0])]
     for one in speakers(adm.audioChannelFormats)},
    {one.id: [two.id for two in one.audioChannelFormats] for one in speakers(adm.audioPackFormats)}]))
"""

AT = {"azimuth": -30.0, "elevation": 12.5, "distance": 0.75}

EVERYTHING = (
    tag("gain", "0.5") + tag("width", "20.0") + tag("height", "10.5") + tag("depth", "0.25") + tag("diffuse", "0.75"),
    tag("channelLock", "1") + tag("jumpPosition", "1") + tag("screenRef", "1") + tag("importance", "3"),
    tag("channelLock", "1", maxDistance="0.3") + tag("jumpPosition", "1", interpolationLength="0.005208"),
    tag("channelLock", "0") + tag("objectDivergence", "0.5", azimuthRange="30.0") + tag("jumpPosition", "0"),
    tag("zoneExclusion", tag("zone", minAzimuth=-30.0, maxAzimuth=30.0, minElevation=-90.0, maxElevation=90.0)
        + tag("zone", minX=-1.0, minY=-1.0, minZ=-1.0, maxX=1.0, maxY=1.0, maxZ=0.0)),
)  # fmt: skip


def everything() -> Scene:
    """Every parameter of the model that rendering needs."""
    scene = Scene()
    scene.bed("AP_00010005", BED_9_1)
    polar = [
        {"position": AT, "content": content, "rtime": 0.1 * index, "duration": 0.1}
        for index, content in enumerate(EVERYTHING)
    ]
    scene.moving(polar, "Voice", start=0.25, duration=0.75, importance=5)
    divergence = tag("objectDivergence", "0.25", positionRange="0.4")
    room = {"X": 0.5, "Y": -0.25, "Z": 0.125}
    scene.moving([{"position": room, "content": tag("cartesian", "1") + divergence}])
    scene.moving([{"position": {"azimuth": 5.0, "elevation": -5.0}, "duration": 1.0}])
    locked = tag("position", "29.5", coordinate="azimuth", screenEdgeLock="left")
    locked += tag("position", "10.0", coordinate="elevation", screenEdgeLock="top")
    scene.moving([{"position": {}, "content": locked}])
    speaker = "".join(
        tag("position", value, coordinate=coordinate, bound=bound)
        for coordinate, value, bound in (
            ("azimuth", "-30", None), ("azimuth", "-40", "min"), ("azimuth", "-20.5", "max"), ("elevation", "2", None),
        )
    )  # fmt: skip
    labels = tag("speakerLabel", "M-030") + tag("speakerLabel", "urn:itu:bs:2051:0:speaker:M-030")
    cartesian = "".join(tag("position", value, coordinate=name) for name, value in (("X", "-1"), ("Y", "0.5")))
    for number, content in enumerate((speaker + labels, cartesian)):
        id = f"AC_0001100{number}"
        inside = tag("audioBlockFormat", content, audioBlockFormatID=f"AB_0001100{number}_00000001")
        frequency = tag("frequency", "120.0", typeDefinition="lowPass") + tag(
            "frequency", "20", typeDefinition="highPass"
        )
        scene.channel(id, inside, "DirectSpeakers", frequency)
    scene.pack("AP_00011001", ["AC_00011000"], "DirectSpeakers", ["AP_00011002"])
    scene.pack("AP_00011002", ["AC_00011001"], "DirectSpeakers")
    uids = [scene.uid("AT_00011000_01", "AP_00011001"), scene.uid("AT_00011001_01", "AP_00011002")]
    scene.object("Nested packs", "AP_00011001", uids, start=0.5)
    return scene


def in_parts() -> Scene:
    """Objects in objects, objects instead of others, a screen, a bed with a channel that has no track."""
    scene = Scene()
    inner = scene.moving([{"position": AT}], "Inner", listed=False)
    scene.object("Outer", None, [], tag("audioObjectIDRef", inner))
    other = scene.moving([{"position": AT}], "Second language")
    first = scene.moving([{"position": AT}], "First language")
    scene.elements[-1] = scene.elements[-1].replace(
        "</audioObject>", tag("audioComplementaryObjectIDRef", other) + "</audioObject>"
    )
    assert first
    uids = [scene.uid(f"AT_0001000{digit}_01", "AP_00010003") for digit in "12356"]
    scene.object("Bed", "AP_00010003", [*uids, "ATU_00000000"])
    return scene


def only_chna() -> bytes:
    """No objects and no programme: every track is of a common definition."""
    scene = Scene()
    scene.bed("AP_00010003", BED_5_1)
    return scene.chna()


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("adm")
    made = {}
    for kind in (b"RIFF", b"RF64", b"BW64"):
        name = f"everything {kind.decode()}"
        scene = everything()
        made[name] = scene.write(folder / f"{name}.wav", np.zeros((480, len(scene.rows))), name=kind)
    scene = in_parts()
    made["in parts"] = scene.write(folder / "in parts.wav", np.zeros((480, len(scene.rows))))
    made["chna"] = folder / "chna.wav"
    extended = tag("ebuCoreMain", tag("audioFormatExtended"), xmlns="urn:ebu:metadata-schema:ebuCore_2016")
    made["chna"].write_bytes(adm_file(np.zeros((480, 6)), 48_000, only_chna(), extended.encode()))
    return made


def camel(name: str) -> str:
    return {"labels": "speakerLabel", "divergence": "objectDivergence"}.get(
        name, re.sub(r"_(\w)", lambda found: found[1].upper(), name)
    )


def plain(value: Any) -> Any:
    """A value of ours as the script writes theirs."""
    if isinstance(value, Fraction):
        return f"{value.numerator}/{value.denominator}"
    if isinstance(value, TypeDefinition):
        return value.name
    if isinstance(value, tuple):
        return [plain(one) for one in value]
    if dataclasses.is_dataclass(value):
        found = {camel(field.name): plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
        return {{"x": "X", "y": "Y", "z": "Z"}.get(key, key): one for key, one in found.items()}
    return value


def lowered(value: Any) -> Any:
    """Identifiers in one case: the standard's digits may be written either way."""
    if isinstance(value, dict):
        return {key: lowered(one) for key, one in value.items()}
    if isinstance(value, list):
        return [lowered(one) for one in value]
    return value.upper() if isinstance(value, str) and re.match(r"A[A-Z]+_", value) else value


def ours(path: Path) -> list[dict[str, Any]]:
    adm = read_adm(path)
    assert adm is not None
    found = []
    for item in rendering_items(adm):
        last = item.objects[-1] if item.objects else None
        found.append(
            {
                "track": item.track, "channel": item.channel.id, "type": item.type.name,
                "packs": [pack.id for pack in item.packs], "objects": [one.id for one in item.objects],
                "start": plain(last.start) if last else None, "duration": plain(last.duration) if last else None,
                "frequency": plain(item.channel.frequency), "blocks": [as_theirs(one) for one in item.channel.blocks],
                "screen": as_their_screen(plain(item.screen)) if adm.programmes else None,
            }
        )  # fmt: skip
    return found


def as_theirs(block: Any) -> dict[str, Any]:
    """A block of ours in the shape of theirs, whose locks are part of the position."""
    found: dict[str, Any] = plain(block)
    lock, position = found.pop("screenEdgeLock"), found["position"]
    if "speakerLabel" in found:
        position = {f"bounded_{key}": value for key, value in position.items()}
        del found["gain"], found["importance"]  # of BS.2076-2; 2.1.0 does not know them
    found["position"] = position | {"screenEdgeLock": lock}
    if "zoneExclusion" in found:
        rename = {f"{end}{axis}": f"{end}{axis.upper()}" for end in ("min", "max") for axis in "xyz"}
        found["zoneExclusion"] = [{rename.get(k, k): v for k, v in zone.items()} for zone in found["zoneExclusion"]]
    return found


def as_their_screen(screen: dict[str, Any]) -> dict[str, Any]:
    width = "widthX" if "X" in screen["centre"] else "widthAzimuth"
    return {"aspectRatio": screen["aspectRatio"], "centrePosition": screen["centre"], width: screen["width"]}


def test_all_that_is_rendered_is_read_as_the_reference_renderer_reads_it(files: dict[str, Path]) -> None:
    theirs = ear.ask(THEIRS, *files.values())
    for (name, path), expected in zip(files.items(), theirs, strict=True):
        found = ours(path)
        assert len(found) == len(expected) > 0, name
        for mine, other in zip(found, expected, strict=True):
            assert lowered(mine) == lowered(other), name


def test_common_definitions_are_those_of_the_reference_renderer() -> None:
    """ITU-R BS.2094-1, from the file that comes with it."""
    channels, packs = lowered(ear.ask(COMMON))
    found = {id: speaker_row(one) for id, one in common_definitions.channels().items()}
    assert found == {id.upper(): row for id, row in channels.items()}
    assert {id: list(one.channels) for id, one in common_definitions.packs().items()} == {
        id.upper(): row for id, row in packs.items()
    }


def speaker_row(channel: AudioChannelFormat) -> list[Any]:
    (block,) = channel.blocks
    assert isinstance(block, DirectSpeakersBlock)
    at = block.position
    assert isinstance(at, PolarSpeakerPosition)
    angles = [at.azimuth.value, at.elevation.value, at.distance.value]
    return [channel.name, channel.frequency.low_pass, *angles, list(block.labels), block.screen_edge_lock.horizontal]


def axml(text: str) -> bytes:
    return riff(fmt(), chunk(b"chna", only_chna()), chunk(b"axml", text.encode()), chunk(b"data", bytes(400)))


def test_a_file_without_chna_has_no_adm(tmp_path: Path) -> None:
    """`axml` holds metadata of other kinds, too (EBU Tech 3285, supplement 5)."""
    (tmp_path / "a.wav").write_bytes(riff(fmt(), chunk(b"axml", b"not even XML"), chunk(b"data", bytes(400))))
    assert read_adm(tmp_path / "a.wav") is None
    (tmp_path / "b.flac").write_bytes(b"fLaC")
    assert read_adm(tmp_path / "b.flac") is None


LAUGHS = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 10))


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        (f'<!DOCTYPE a [<!ENTITY l0 "ha">{LAUGHS}]><a>&l9;</a>', "document type or entities"),
        ('<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/passwd">]><a>&x;</a>', "document type or entities"),
        ('<!DOCTYPE a SYSTEM "http://example.invalid/a.dtd"><a/>', "document type or entities"),
        ("<a>" * 100 + "</a>" * 100, "more than 64 deep"),
        ("<a>" + "x" * 30_000 + "</a>", "more than 20000 characters"),
        ("<a>" + "<b/>" * 200_001 + "</a>", "more than 200000 elements"),
        ("<a b='" + "x" * 3_000_000, "longer than 1048576 bytes"),
        ("<a><b></a>", "mismatched tag in line 1"),
        ("", "no element found"),
        ('<?xml version="1.0" encoding="rot13"?><a/>', "known encoding"),
        ('<audioObject audioObjectName="x"/>', "it has no audioObjectID"),
        ('<audioObject audioObjectID="AO_1001" start="soon"/>', "start is 'soon', not a time"),
        ('<audioTrackUID UID="ATU_1" bitDepth="24.5"/>', "not a whole number"),
        ('<audioPackFormat audioPackFormatID="AP_1" typeLabel="0003" typeDefinition="HOA"/>', "both HOA and 0003"),
        ('<audioPackFormat audioPackFormatID="AP_1" typeLabel="0009"/>', "which BS.2076 does not know"),
    ],
)  # fmt: skip
def test_what_is_no_adm_or_could_be_a_trap_is_one_line(tmp_path: Path, text: str, problem: str) -> None:
    (tmp_path / "a.wav").write_bytes(axml(text))
    with pytest.raises(AudioError, match="its ADM metadata cannot be read") as caught:
        read_adm(tmp_path / "a.wav")
    assert problem in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (tag("position", "nan", coordinate="azimuth"), "azimuth is 'nan', not a number"),
        (tag("position", "1", coordinate="azimuth"), "its position has 'azimuth'; azimuth, elevation"),
        (tag("position", "1", coordinate="X") * 2, "'X' is there twice"),
        (tag("position", "1", coordinate="X", screenEdgeLock="top") + tag("position", "1", coordinate="Y"), "is 'top'"),
        (tag("position", "1", coordinate="X") + tag("position", "1", coordinate="Y") + tag("gain", "loud"), "'loud'"),
        (tag("position", "1", coordinate="X") + tag("position", "1", coordinate="Y") + tag("cartesian", "2"), "'2'"),
    ],
)
def test_a_value_that_is_none_is_named_with_its_block(tmp_path: Path, content: str, problem: str) -> None:
    scene = Scene()
    scene.moving([{"position": {}, "content": content}])
    (tmp_path / "a.wav").write_bytes(adm_file(np.zeros((480, 1)), 48_000, scene.chna(), scene.axml()))
    with pytest.raises(AudioError, match=r"audioBlockFormat AB_00031001_00000001, line \d+: ") as caught:
        read_adm(tmp_path / "a.wav")
    assert problem in str(caught.value)


def read(tmp_path: Path, chna: bytes, axml: bytes) -> Adm:
    (tmp_path / "a.wav").write_bytes(adm_file(np.zeros((480, 1)), 48_000, chna, axml))
    adm = read_adm(tmp_path / "a.wav")
    assert adm is not None
    return adm


def test_what_bs_2076_2_added(tmp_path: Path) -> None:
    """Gains in dB, objects with a gain, and tracks that name their channel (BS.2076-2; from memory)."""
    scene = Scene()
    content = tag("gain", "-6.0205999", gainUnit="dB")
    scene.moving([{"position": AT, "content": content}], content=tag("gain", "0.5") + tag("mute", "0"))
    scene.rows[0] = (1, "ATU_00000001", "AC_00031001_00", "AP_00031001")
    (item,) = rendering_items(read(tmp_path, scene.chna(), scene.axml()))
    assert item.channel.blocks[0].gain == pytest.approx(0.5)
    assert item.gain == 0.5


def test_circles_of_objects_and_packs_come_to_an_end(tmp_path: Path) -> None:
    scene = Scene()
    scene.moving([{"position": AT}], content=tag("audioObjectIDRef", "AO_1001"))
    scene.pack("AP_00031001", ["AC_00031002"], packs=["AP_00031001"])
    adm = read(tmp_path, scene.chna(), scene.axml())
    assert adm.repeated == ("AP_00031001",)
    assert len(rendering_items(adm)) == 1
    wide = Scene()
    ids = [f"AO_{number:04x}" for number in range(0x1001, 0x1041)]
    everyone = "".join(tag("audioObjectIDRef", id) for id in ids)
    uid = wide.uid("AT_00010001_01", "AP_00010002")
    for _ in ids:
        wide.object("x", "AP_00010002", [uid], everyone)
    with pytest.raises(ValueError, match="more than 1024 tracks"):
        rendering_items(read(tmp_path, wide.chna(), wide.axml()))


def test_zeros_behind_the_text_and_rows_that_are_not_used(tmp_path: Path) -> None:
    scene = Scene()
    scene.moving([{"position": AT}])
    unused = bytes(40)
    chna = scene.chna()[:2] + b"\2\0" + unused + scene.chna()[4:]
    adm = read(tmp_path, chna, scene.axml() + bytes(200_000))
    assert len(rendering_items(adm)) == len(adm.chna) == 1


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("00:00:00.00000", Fraction(0)),
        ("01:02:03.5", Fraction(7447, 2)),
        ("00:00:01.00001S48000", 1 + Fraction(1, 48_000)),
        ("00:00:07", Fraction(7)),
    ],
)
def test_times_are_exact(text: str, expected: Fraction) -> None:
    """Decimals, and counts of samples (BS.2076-2, section 5.10; from memory)."""
    assert time(text, "start") == expected


@pytest.mark.parametrize("text", ["", "1", "00:00:01.5S0", "00:00:-1", "00:00:01,5", "00:00:1e5", "٠٠:00:00"])
def test_what_is_no_time(text: str) -> None:
    with pytest.raises(ValueFault, match="not a time"):
        time(text, "start")
