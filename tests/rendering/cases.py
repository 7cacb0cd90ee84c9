"""Scenes for every feature of ITU-R BS.2127, static and moving."""

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.sound.adm.scenes import BED_9_1, Scene, tag

LENGTH_S = 0.5

_RANDOM_SEED = 20


def sound(tracks: int, seconds: float = LENGTH_S, rate: int = 48_000) -> NDArray[np.float64]:
    """Noise at -10 dBFS on every track, which no two share."""
    random = np.random.default_rng(_RANDOM_SEED)
    return random.uniform(-0.3, 0.3, (int(seconds * rate), tracks))


def polar(random: np.random.Generator) -> dict[str, float]:
    azimuth, elevation = random.uniform(-180, 180), random.uniform(-90, 90)
    return {"azimuth": azimuth, "elevation": elevation, "distance": random.choice([1.0, 1.0, 0.4, 1.3])}


def room(random: np.random.Generator) -> dict[str, float]:
    return dict(zip("XYZ", random.uniform(-1.1, 1.1, 3), strict=True))


def _zone(*bounds: float) -> str:
    polar = "minAzimuth", "maxAzimuth", "minElevation", "maxElevation"
    names = polar if len(bounds) == 4 else ("minX", "maxX", "minY", "maxY", "minZ", "maxZ")
    given: dict[str, Any] = dict(zip(names, bounds, strict=True))
    return tag("zone", **given)


def _zones(*zones: tuple[float, ...]) -> str:
    return tag("zoneExclusion", "".join(_zone(*zone) for zone in zones))


def _size(width: float, height: float, depth: float = 0.0) -> str:
    return tag("width", str(width)) + tag("height", str(height)) + tag("depth", str(depth))


BOTH = {
    "plain": ("",),
    "gain": (tag("gain", "0.5"), tag("gain", "1.5")),
    "diffuse": (tag("diffuse", "1.0"), tag("diffuse", "0.3")),
    "jump": (tag("jumpPosition", "1"), tag("jumpPosition", "1", interpolationLength="0.0125")),
    "lock": (tag("channelLock", "1"), tag("channelLock", "1", maxDistance="0.6")),
    "zones": (
        _zones((-45, 45, -20, 20)),
        _zones((100, -100, -90, 90)),
        _zones((-1, 1, 0.1, 1, -1, 1)),
        _zones((-180, 180, 10, 90), (-10, 10, -5, 5)),
        _zones((-1, -0.5, -1, 1, -1, 1)),
    ),
}
"""Features of both kinds of positions: what the blocks of an object hold, one after the other."""

POLAR = {
    "extent": (_size(60, 20), _size(20, 100), _size(4, 0), _size(360, 360), _size(200, 30), _size(90, 10, 0.5)),
    "divergence": (tag("objectDivergence", "0.5"), tag("objectDivergence", "1.0", azimuthRange="30.0")),
    "screen": (tag("screenRef", "1"),),
}

ROOM = {
    "extent": (_size(0.1, 0.05), _size(1, 1, 1), _size(0.3, 0, 0.6), _size(0, 0.5, 0.2), _size(0.02, 0.02, 0.02)),
    "divergence": (
        tag("objectDivergence", "0.5", positionRange="0.3"),
        tag("objectDivergence", "1.0", positionRange="1.5"),
        tag("objectDivergence", "0.25"),
    ),
    "screen": (tag("screenRef", "1"),),
}


def features() -> Iterator[tuple[str, Scene]]:
    """One scene a feature: for both kinds of positions an object that stays, one that moves, one that rests between."""
    for name in (*BOTH, *(own for own in POLAR if own not in BOTH)):
        scene = Scene()
        random = np.random.default_rng(sum(map(ord, name)))
        for place, more, cartesian in ((polar, POLAR, ""), (room, ROOM, tag("cartesian", "1"))):
            contents = BOTH.get(name) or more[name]
            for content in contents:
                scene.moving([{"position": place(random), "content": content + cartesian}])
            for pause in (0.0, 0.017):
                count = max(len(contents), 4)
                scene.moving(
                    [
                        {
                            "position": place(random),
                            "content": contents[number % len(contents)] + cartesian,
                            "rtime": 0.1 * number,
                            "duration": 0.1 - pause * (number % 2),
                        }
                        for number in range(count)
                    ]
                )
        yield name, scene
    yield "times", times()
    yield "edges", edges()


def times() -> Scene:
    """Objects that begin late and end early, and blocks between samples."""
    scene = Scene()
    random = np.random.default_rng(7)
    scene.moving([{"position": polar(random)}], start=0.1, duration=0.2)
    scene.moving([{"position": polar(random)}], start=0.30001)
    steps = [{"position": polar(random), "rtime": 0.01003 * n, "duration": 0.01003} for n in range(20)]
    scene.moving(steps, start=0.04567, duration=0.3)
    scene.moving([{"position": polar(random), "rtime": 0.2, "duration": 0.1}])
    return scene


def edges() -> Scene:
    """Objects at the screen's edges, and one whose programme has another screen."""
    scene = Scene()
    for horizontal, vertical in (("left", None), ("right", "top"), (None, "bottom")):
        for names, more in ((("azimuth", "elevation"), ""), (("X", "Z"), tag("cartesian", "1"))):
            places = tag("position", "0.5", coordinate=names[0], screenEdgeLock=horizontal)
            places += tag("position", "0.25", coordinate=names[1], screenEdgeLock=vertical)
            if more:
                places += tag("position", "0.75", coordinate="Y")
            scene.moving([{"position": {}, "content": places + more}])
    return scene


def beds() -> Iterator[tuple[str, Scene]]:
    """Beds of common definitions, and of channels of their own by label and by place."""
    packs = {
        "0+2+0": ("AP_00010002", "01 02"),
        "0+5+0": ("AP_00010003", "01 02 03 04 05 06"),
        "2+5+0": ("AP_00010004", "01 02 03 04 05 06 0d 0f"),
        "4+5+0": ("AP_00010005", "01 02 03 04 05 06 0d 0f 10 12"),
        "4+5+1": ("AP_00010010", "01 02 03 04 05 06 0d 0f 10 12 15"),
        "3+7+0": ("AP_00010007", "03 01 02 22 23 0a 0b 1c 1d 28 20 21"),
        "0+7+0": ("AP_0001000f", "01 02 03 04 0a 0b 1c 1d"),
        "4+7+0": ("AP_00010017", "01 02 03 04 0a 0b 1c 1d 22 23 1e 1f"),
        "9+10+3": (
            "AP_00010009",
            "18 19 03 20 1c 1d 01 02 09 21 0a 0b 22 23 0e 0c 1e 1f 13 14 11 15 16 17",
        ),
        "sc": ("AP_00010014", "01 02 03 04 05 06 13 14 24 25"),
    }
    for name, (pack, channels) in packs.items():
        scene = Scene()
        scene.bed(pack, [f"AC_000100{channel}" for channel in channels.split()])
        yield f"bed {name}", scene
    yield "bed own", own_bed()


def own_bed() -> Scene:
    """Channels that only labels or places say something of."""
    scene = Scene()

    def channel(content: str, frequency: str = "") -> None:
        number = 0x1001 + len(scene.rows)
        id = f"AC_0001{number:04x}"
        inside = tag("audioBlockFormat", content, audioBlockFormatID=f"AB_{id[3:]}_00000001")
        scene.channel(id, inside, "DirectSpeakers", frequency)
        scene.pack(f"AP_0001{number:04x}", [id], "DirectSpeakers")
        pack = f"AP_0001{number:04x}"
        scene.object(id, pack, [scene.uid(f"AT_0001{number:04x}_01", pack)])

    def place(**coordinates: Any) -> str:
        found = ""
        for name, value in coordinates.items():
            value, low, high = value if isinstance(value, tuple) else (value, None, None)
            found += tag("position", str(value), coordinate=name)
            found += "" if low is None else tag("position", str(low), coordinate=name, bound="min")
            found += "" if high is None else tag("position", str(high), coordinate=name, bound="max")
        return found

    channel(place(azimuth=28.0, elevation=3.0) + tag("speakerLabel", "M+030"))
    channel(place(azimuth=28.0, elevation=3.0) + tag("speakerLabel", "urn:itu:bs:2051:0:speaker:M+135"))
    channel(place(azimuth=-100.0, elevation=30.0))
    channel(place(azimuth=(-105.0, -115, -85), elevation=(0.0, -5, 5)))
    channel(place(azimuth=(0.0, -60, 60), elevation=(0.0, -5, 5)))
    channel(place(azimuth=(0.0, -60, 60), elevation=(20.0, 10, 40)))
    channel(place(X=-0.9, Y=(0.3, 0.0, 1.0), Z=0.0))
    channel(place(X=1.0, Y=-1.0, Z=0.0))
    channel(place(X=0.3, Y=0.1, Z=0.4))
    channel(place(azimuth=0.0, elevation=-30.0), tag("frequency", "120", typeDefinition="lowPass"))
    channel(place(azimuth=-45.0, elevation=-30.0) + tag("speakerLabel", "LFER"))
    return scene


def mixed(seconds: float, objects: int = 20, step: float = 0.1, seed: int = 3) -> Scene:
    """A bed of ten channels and objects that move all the time, each with some of the features."""
    random = np.random.default_rng(seed)
    scene = Scene()
    scene.bed("AP_00010005", BED_9_1)
    kinds = ["plain", "plain", "extent", "gain", "diffuse", "jump", "divergence", "zones", "lock"]
    for number in range(objects):
        place, more, cartesian = (polar, POLAR, "") if number % 3 else (room, ROOM, tag("cartesian", "1"))
        name = kinds[number % len(kinds)]
        contents = BOTH.get(name) or more[name]
        blocks = [
            {
                "position": place(random),
                "content": contents[index % len(contents)] + cartesian,
                "rtime": step * index,
                "duration": step,
            }
            for index in range(round(seconds / step))
        ]
        scene.moving(blocks)
    return scene
