"""The table of gains in `gains.json`, and how it is made: `python -m tests.rendering.gains`.

Source: the standard's reference renderer (EBU Tech 3388), the package `ear` 2.1.0, asked for the gains of the blocks
of `SEEDS` random sources to every layout. The table is there so that a part of the comparison always runs.
"""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np

from master_check.sound.adm.model import (
    CartesianPosition,
    CartesianZone,
    ChannelLock,
    ObjectDivergence,
    ObjectsBlock,
    PolarPosition,
    PolarZone,
)
from tests import ear

TABLE: Final = Path(__file__).with_name("gains.json")
LAYOUTS: Final = ("0+2+0", "0+5+0", "0+7+0", "4+5+0", "4+7+0", "9+10+3")
SEEDS: Final = 60

_ASK = """
import json, sys
import numpy as np
from ear.core import bs2051
from ear.core.metadata_input import ExtraData, ObjectTypeMetadata
from ear.core.objectbased.gain_calc import GainCalc
from ear.fileio.adm import elements as e
def made(b):
    zones = [(e.PolarZone if "minAzimuth" in z else e.CartesianZone)(**z) for z in b.pop("zones")]
    p = b.pop("position")
    lock, divergence = b.pop("lock"), b.pop("divergence")
    return e.AudioBlockFormatObjects(
        position=(e.ObjectPolarPosition if "azimuth" in p else e.ObjectCartesianPosition)(**p), zoneExclusion=zones,
        channelLock=None if lock is None else e.ChannelLock(**lock),
        objectDivergence=None if divergence is None else e.ObjectDivergence(**divergence), **b)
found = {}
blocks = [made(b) for b in json.load(open(sys.argv[1]))]
for name in sys.argv[2:]:
    calc = GainCalc(bs2051.get_layout(name))
    both = [calc.render(ObjectTypeMetadata(block_format=b, extra_data=ExtraData())) for b in blocks]
    found[name] = [[list(g.direct), list(g.diffuse)] for g in both]
print(json.dumps(found))
"""


def sources(count: int = SEEDS) -> Iterator[dict[str, Any]]:
    """Random sources, half in degrees and half in the room, by the names of the standard."""
    random = np.random.default_rng(2127)
    for number in range(count):
        cartesian = bool(number % 2)
        kind = number // 2 % 6
        position = dict(zip("XYZ", random.uniform(-1, 1, 3).round(2).tolist(), strict=True))
        if not cartesian:
            position = {
                "azimuth": round(random.uniform(-180, 180), 1),
                "elevation": round(random.uniform(-90, 90), 1),
                "distance": round(random.choice([1.0, 0.5, 1.5]), 1),
            }
        sizes = (random.uniform(0, 1, 3) * random.choice([0, 0.05, 1], 3)).round(3).tolist()
        angle = 1.0 if cartesian else 360.0
        yield {
            "position": position,
            "cartesian": cartesian,
            "width": angle * sizes[0] if kind == 1 else 0.0,
            "height": angle * sizes[1] if kind == 1 else 0.0,
            "depth": sizes[2] if kind == 1 else 0.0,
            "gain": round(random.uniform(0.1, 2.0), 2),
            "diffuse": round(random.uniform(0.0, 1.0), 2) if kind == 2 else 0.0,
            "lock": {"maxDistance": round(random.uniform(0.3, 2.0), 2)} if kind == 3 else None,
            "divergence": {
                "value": round(random.uniform(0.0, 1.0), 2),
                "positionRange" if cartesian else "azimuthRange": round(random.uniform(0.1, 0.9) * angle / 4.0, 2),
            }
            if kind == 4
            else None,
            "zones": [_zone(random)] if kind == 5 else [],
        }


def _zone(random: np.random.Generator) -> dict[str, float]:
    if random.random() < 0.5:
        start, end, low, high = random.uniform(-180, 180, 4).round(1).tolist()
        return {"minAzimuth": start, "maxAzimuth": end, "minElevation": min(low, 0.0), "maxElevation": max(high, 0.0)}
    low, high = np.sort(random.uniform(-1.1, 1.1, (2, 3)), axis=0).round(2).tolist()
    return dict(zip(("minX", "minY", "minZ", "maxX", "maxY", "maxZ"), (*low, *high), strict=True))


def block(source: dict[str, Any]) -> ObjectsBlock:
    """The same in the classes of this project."""
    place, lock, divergence = source["position"], source["lock"], source["divergence"]
    return ObjectsBlock(
        "AB_00031001_00000001",
        CartesianPosition(*place.values()) if source["cartesian"] else PolarPosition(*place.values()),
        cartesian=source["cartesian"],
        width=source["width"],
        height=source["height"],
        depth=source["depth"],
        gain=source["gain"],
        diffuse=source["diffuse"],
        channel_lock=ChannelLock(lock["maxDistance"]) if lock else None,
        divergence=ObjectDivergence(
            divergence["value"], divergence.get("azimuthRange"), divergence.get("positionRange")
        )
        if divergence
        else None,
        zone_exclusion=tuple(
            PolarZone(*zone.values()) if "minAzimuth" in zone else CartesianZone(*zone.values())
            for zone in source["zones"]
        ),
    )


def ask(asked: list[dict[str, Any]], folder: Path) -> dict[str, list[Any]]:
    """Gains of sources by the reference renderer: by layout, source, direct and diffuse, loudspeaker."""
    path = folder / "sources.json"
    path.write_text(json.dumps(asked), encoding="utf-8")
    found: dict[str, list[Any]] = ear.ask(_ASK, path, *LAYOUTS)
    return found


def write() -> None:
    """Make the table again."""
    import tempfile

    asked = list(sources())
    with tempfile.TemporaryDirectory() as folder:
        found = ask(asked, Path(folder))
    rows = {name: [[[round(g, 7) for g in part] for part in both] for both in gains] for name, gains in found.items()}
    lines = [json.dumps(source) for source in asked]
    text = '{"sources": [\n' + ",\n".join(lines) + '\n], "gains": {\n'
    text += ",\n".join(
        f'"{name}": [\n' + ",\n".join(json.dumps(both) for both in gains) + "\n]" for name, gains in rows.items()
    )
    TABLE.write_text(text + "\n}}\n", encoding="utf-8")


if __name__ == "__main__":
    write()
