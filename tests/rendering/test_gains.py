"""Gains, against a table by the standard's reference renderer, and against the renderer itself."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from master_check.rendering.conversion import extent_to_polar, extent_to_room, point_to_polar, point_to_room
from master_check.rendering.decorrelation import decorrelators
from master_check.rendering.loudspeakers import loudspeakers
from master_check.rendering.objects import ObjectPanner
from master_check.sound.adm.model import DEFAULT_SCREEN
from master_check.tables.layouts import BS2051, of_bs2051
from tests import ear
from tests.rendering import gains

TABLE = json.loads(gains.TABLE.read_text(encoding="utf-8"))

FACTS = """
import json, sys
import numpy as np
from ear.core import allocentric, bs2051
from ear.core.objectbased.conversion import conversion
from ear.core.objectbased.decorrelate import design_decorrelators
layouts = {}
for name in sys.argv[2:]:
    layout = bs2051.get_layout(name)
    speakers = [[c.name, c.polar_position.azimuth, c.polar_position.elevation, c.is_lfe] for c in layout.channels]
    layouts[name] = [speakers, allocentric.positions_for_layout(layout).tolist(),
                     design_decorrelators(layout).T.tolist()]
converted = []
for azimuth, elevation, distance, *size in json.loads(sys.argv[1]):
    there = conversion.extent_polar_to_cart(azimuth, elevation, distance, *size)
    converted.append([[float(x) for x in there], [float(x) for x in conversion.extent_cart_to_polar(*there)]])
print(json.dumps([layouts, converted]))
"""


def directions() -> list[list[float]]:
    """Azimuth, elevation, distance, width, height, depth: random ones, and those where the conversion changes."""
    random = np.random.default_rng(10)
    low, high = (-180, -90, 0.1, 0, 0, 0), (180, 90, 1.5, 360, 360, 1)
    edges = [[a, e, 1.0, 20.0, 10.0, 0.0] for a in (-110.0, -30.0, 0.0, 30.0, 110.0, 180.0) for e in (-30.0, 0.0, 60.0)]
    return [*random.uniform(low, high, (60, 6)).tolist(), *edges, [0.0, 90.0, 1.0, 0.0, 0.0, 0.0]]


@pytest.mark.parametrize("layout", gains.LAYOUTS)
def test_gains_are_those_of_the_table(layout: str) -> None:
    """Made by the package `ear` 2.1.0, rounded to seven decimals."""
    blocks = [gains.block(source) for source in TABLE["sources"]]
    found = ObjectPanner(layout).gains(blocks, DEFAULT_SCREEN)
    assert np.abs(found - np.array(TABLE["gains"][layout])).max() < 6e-8


def test_gains_do_not_depend_on_what_else_is_panned() -> None:
    blocks = [gains.block(source) for source in TABLE["sources"]]
    panner = ObjectPanner("4+7+0")
    alone = np.concatenate([panner.gains([block], DEFAULT_SCREEN) for block in blocks])
    assert np.abs(alone - panner.gains(blocks, DEFAULT_SCREEN)).max() < 1e-12


def test_the_table_is_what_the_reference_renderer_says(tmp_path: Path) -> None:
    found = gains.ask(TABLE["sources"][:12], tmp_path)
    for layout in gains.LAYOUTS:
        assert np.abs(np.array(found[layout]) - np.array(TABLE["gains"][layout][:12])).max() < 6e-8


def test_loudspeakers_filters_and_conversion_are_those_of_the_reference_renderer() -> None:
    given = directions()
    layouts, converted = ear.ask(FACTS, json.dumps(given), *BS2051)
    for name, (speakers, room, filters) in layouts.items():
        ours = loudspeakers(name)
        rows = zip(ours.labels, ours.azimuths, ours.elevations, ours.lfe, strict=True)
        assert [list(row) for row in rows] == speakers
        assert ours.room.tolist() == room
        assert np.abs(decorrelators(name) - np.array(filters)).max() < 1e-7
    for (azimuth, elevation, distance, *size), (there, back) in zip(given, converted, strict=True):
        place = point_to_room(azimuth, elevation, distance)
        sizes = extent_to_room(azimuth, elevation, *size)
        assert (*place, *sizes) == pytest.approx(there, abs=1e-9)
        direction = point_to_polar(*there[:3])
        assert direction == pytest.approx(back[:3], abs=1e-6)
        assert extent_to_polar(*direction[:2], *there[3:]) == pytest.approx(back[3:], abs=1e-5)


@pytest.mark.parametrize("layout", BS2051)
def test_weights_of_a_rendering_follow_from_where_its_loudspeakers_stand(layout: str) -> None:
    """ITU-R BS.1770-5, Annex 3, Table 4: 1.41 from 60 to 120 degrees, less than 30 up or down."""
    speakers = loudspeakers(layout)
    inside = (np.abs(speakers.azimuths) >= 60) & (np.abs(speakers.azimuths) <= 120) & (np.abs(speakers.elevations) < 30)
    expected = np.where(speakers.lfe, 0.0, np.where(inside, 1.41, 1.0))
    assert of_bs2051(layout).weights == tuple(expected)


def test_filters_pass_all_frequencies_alike() -> None:
    """All-pass, as the standard asks: every bin of the transform of a filter's length has magnitude 1."""
    for layout in BS2051:
        assert np.abs(np.abs(np.fft.rfft(decorrelators(layout).astype(float), axis=1)) - 1.0).max() < 1e-5


def known() -> list[tuple[tuple[float, float, float], tuple[float, float, float]]]:
    """Corners of the conversion (BS.2127-0, section 10): where loudspeakers of 0+5+0 and above them are in the room."""
    return [
        ((0.0, 0.0, 1.0), (0.0, 1.0, 0.0)),
        ((30.0, 0.0, 1.0), (-1.0, 1.0, 0.0)),
        ((-110.0, 0.0, 1.0), (1.0, -1.0, 0.0)),
        ((30.0, 30.0, 1.0), (-1.0, 1.0, 1.0)),
        ((0.0, 90.0, 1.0), (0.0, 0.0, 1.0)),
        ((180.0, 0.0, 0.5), (0.0, -0.5, 0.0)),
    ]


@pytest.mark.parametrize(("direction", "place"), known())
def test_loudspeakers_are_converted_to_the_corners_of_the_room(direction: Any, place: Any) -> None:
    assert point_to_room(*direction) == pytest.approx(place, abs=1e-9)
    azimuth, elevation, distance = point_to_polar(*place)
    turned = (azimuth - direction[0] + 180.0) % 360.0 - 180.0
    assert (turned, elevation, distance) == pytest.approx((0.0, *direction[1:]), abs=1e-9)
