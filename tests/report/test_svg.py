"""Plots held to their data: read back from the markup, places are where the numbers say.

Geometry by arithmetic on the numbers themselves; well-formedness by the standard library's XML parser.
"""

import xml.etree.ElementTree
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as some

from master_check.report.svg import COLUMNS, Plot, Thinned, Tick, round_places, thinned
from tests.report.pages import Drawn, parse, path_points


def read(
    draw: Callable[[Plot], None], x: tuple[float, float] = (0.0, 10.0), y: tuple[float, float] = (0.0, 4.0)
) -> Drawn:
    plot = Plot(x, y)
    draw(plot)
    return Drawn(parse(plot.svg()).all("svg")[0])


def test_thinning_keeps_the_extremes() -> None:
    values = np.random.default_rng(1).standard_normal(12_345)
    found = thinned(values)
    assert len(found.at) == len(found.low) == len(found.high) == COLUMNS
    assert found.low.min() == values.min()
    assert found.high.max() == values.max()
    assert np.all(np.diff(found.at) > 0)
    assert abs(found.at[np.argmax(found.high)] - np.argmax(values)) <= 12_345 / COLUMNS


def test_few_values_are_not_thinned() -> None:
    found = thinned(np.array([3.0, 1.0, 2.0]))
    assert found.at.tolist() == [0.0, 1.0, 2.0]
    assert found.low.tolist() == found.high.tolist() == [3.0, 1.0, 2.0]


def test_a_column_is_nothing_only_where_nothing_is() -> None:
    values = np.full(10 * COLUMNS, np.nan)
    values[5] = 1.0
    found = thinned(values)
    assert found.high[0] == 1.0
    assert np.isnan(found.high[1:]).all()


@given(some.lists(some.floats(0.0, 4.0), min_size=1, max_size=40))
def test_a_line_goes_through_its_points(values: list[float]) -> None:
    x, y = np.linspace(0.0, 10.0, len(values)), np.array(values)
    (curve,) = read(lambda plot: plot.line(x, y, "line")).curves("line")
    for at, value in zip(x, y, strict=True):
        distance = np.abs(curve - [at / 10.0, 1.0 - value / 4.0])
        assert (distance <= [0.5 / 1600 + 1e-9, 0.5 / 400 + 1e-9]).all(axis=1).any()


def test_a_long_line_does_not_drift() -> None:
    """Places are told from one to the next; what is rounded away must not add up."""
    x = np.linspace(0.0, 10.0, 5001)
    (curve,) = read(lambda plot: plot.line(x, 2.0 + 1.9 * np.sin(37.0 * x), "line")).curves("line")
    assert curve[-1] == pytest.approx([1.0, 1.0 - (2.0 + 1.9 * np.sin(370.0)) / 4.0], abs=0.5 / 400 + 1e-9)


def test_a_line_is_broken_where_nothing_is() -> None:
    y = np.array([1.0, 1.0, np.nan, np.nan, 3.0, np.nan, 2.0, 2.0])
    plot = Plot((0.0, 7.0), (0.0, 4.0))
    plot.line(np.arange(8.0), y, "line")
    pieces = path_points(parse(plot.svg()).all("path")[0].attributes["d"])
    assert [len(piece) for piece in pieces] == [2, 2, 2], "a lone point is a line of no length, which shows"
    assert np.ptp(pieces[1], axis=0).tolist() == [0.0, 0.0]


def test_a_line_of_nothing_is_nothing() -> None:
    plot = Plot((0.0, 1.0), (0.0, 1.0))
    plot.line(np.array([0.0, 1.0]), np.array([np.nan, np.nan]), "line")
    assert not parse(plot.svg()).all("path")


def test_an_envelope_touches_both_extremes_of_every_column() -> None:
    rng = np.random.default_rng(2)
    low = rng.uniform(0.0, 2.0, 50)
    curve = Thinned(np.arange(50.0), low, low + rng.uniform(0.0, 2.0, 50))
    (found,) = read(lambda plot: plot.envelope(curve.at, curve, "line"), (0.0, 49.0)).curves("line")
    for at, bottom, top in zip(curve.at, curve.low, curve.high, strict=True):
        there = 4.0 * (1.0 - found[np.abs(found[:, 0] - at / 49.0) < 1e-3, 1])
        assert there.max() == pytest.approx(top, abs=0.006)
        # Two pixels of some 130: nearer extremes are drawn as the upper one.
        assert there.min() == pytest.approx(bottom if top - bottom >= 4.0 * 0.015 else top, abs=0.006)


def test_dashes_cover_the_places_that_are_true_and_half_a_column_more() -> None:
    x = np.arange(0.5, 10.0)
    there = np.array([1, 1, 0, 0, 1, 0, 0, 0, 0, 1], bool)
    plot = Plot((0.0, 10.0), (0.0, 4.0))
    plot.dashes(x, there, 1.0, "tick")
    pieces = path_points(parse(plot.svg()).all("path")[0].attributes["d"])
    assert [(piece[:, 0] / 160.0).tolist() for piece in pieces] == [[-0.5, 2.5], [3.5, 5.5], [8.5, 10.5]]
    assert {float(y) for piece in pieces for y in piece[:, 1]} == {300.0}


def test_an_area_lies_between_its_curves() -> None:
    x = np.arange(11.0)
    (points,) = read(lambda plot: plot.area(x, 1.0, 2.0 + x / 10.0, "band")).curves("band")
    across, up = points[:, 0], points[:, 1]
    # Area of a polygon by the shoelace formula: a mean height of 1.5 of 4 over the whole width.
    area = 0.5 * abs(np.dot(across, np.roll(up, 1)) - np.dot(up, np.roll(across, 1)))
    assert area == pytest.approx(1.5 / 4.0, abs=1e-3)


def test_what_lies_outside_is_drawn_just_outside() -> None:
    x = np.array([0.0, 10.0])
    (points,) = read(lambda plot: plot.line(x, np.array([-1e6, 1e6]), "line")).curves("line")
    assert points[:, 1].tolist() == pytest.approx([1.1, -0.1])


def test_a_scale_may_fall() -> None:
    """Gain reduction is drawn downwards."""
    (points,) = read(lambda plot: plot.line(np.array([0.0, 10.0]), np.array([0.0, 3.0]), "line"), y=(4.0, 0.0)).curves(
        "line"
    )
    assert points[:, 1].tolist() == pytest.approx([0.0, 0.75])


def test_levels_marks_and_bars_stand_where_they_should() -> None:
    def draw(plot: Plot) -> None:
        plot.level(3.0, "dash")
        plot.mark(2.5, 1.0, "M0 0h1", "point")
        plot.bar(1.0, 2.0, 0.0, 3.0, "column")

    drawn = read(draw)
    assert drawn.across("dash") == [0.25]
    assert drawn.marks("point") == [(0.25, 0.75)]
    (box,) = drawn.svg.all("rect")
    assert [box.attributes[name] for name in ("x", "y", "width", "height")] == ["10%", "25%", "10%", "75%"]


def test_scales_say_what_is_where() -> None:
    def draw(plot: Plot) -> None:
        plot.scale_x([Tick(0.0, "0:00"), Tick(5.0, "0:05", roomy=True), Tick(10.0, "0:10")])
        plot.scale_y([Tick(1.0, "-1"), Tick(4.0, "-4")], "dB")

    drawn = read(draw)
    assert drawn.labels_below == {"0:00": 0.0, "0:05": 0.5, "0:10": 1.0}
    assert drawn.labels_left == {"-1": 0.75, "-4": 0.0}
    assert [e.text for e in drawn.svg.having("roomy")] == ["0:05"]
    assert drawn.svg.having("unit")[0].text == "dB"


def test_words_stay_words_and_the_markup_is_well_formed() -> None:
    plot = Plot((0.0, 1.0), (0.0, 1.0))
    hostile = "</svg><script>&amp;\"'"
    plot.scale_x([Tick(0.0, hostile, hostile)])
    plot.scale_y([Tick(0.0, hostile)], hostile)
    plot.beside(0.5, hostile)
    root = xml.etree.ElementTree.fromstring(plot.svg())
    assert [e.text for e in root.iter("text")] == [hostile] * 5
    assert {e.tag for e in root.iter()} == {"svg", "line", "path", "text"}


@given(some.floats(-1e4, 1e4), some.floats(1e-3, 1e4), some.integers(2, 10))
def test_round_places_are_round_and_not_too_many(low: float, span: float, most: int) -> None:
    places = round_places(low, low + span, most)
    assert len(places) <= most
    assert all(low - 1e-6 * span <= place <= low + span * (1.0 + 1e-6) for place in places)
    steps = np.diff(places)
    if len(steps):
        mantissa = steps[0] / 10.0 ** np.floor(np.log10(steps[0] * 1.000001))
        assert min(abs(mantissa - round_) for round_ in (1.0, 2.0, 5.0)) < 1e-3
        assert np.allclose(steps, steps[0], rtol=1e-6)
    # As many as there is room for: the next finer step would be too many, and that is at most 2.5 times as fine.
    assert len(places) >= most // 2.5 - 1
