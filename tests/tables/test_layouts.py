"""Loudspeaker layouts and their weights."""

import pytest

from master_check.tables import layouts
from master_check.tables.layouts import LOUDSPEAKERS, NAMED, Layout, of_count, of_labels, parse, weight


@pytest.mark.parametrize(
    ("label", "expected"),
    [  # ITU-R BS.1770-5: Annex 1, Table 3 for 5.1; Annex 3 for the others, by azimuth and elevation
        ("M", 1.0),
        ("L", 1.0),
        ("R", 1.0),
        ("C", 1.0),
        ("LFE", 0.0),
        ("Ls", 1.41),
        ("Rs", 1.41),
        ("Lss", 1.41),
        ("Rss", 1.41),
        ("Lrs", 1.0),
        ("Rrs", 1.0),
        ("Cs", 1.0),
        ("Lc", 1.0),
        ("Rc", 1.0),
        ("Ltf", 1.0),
        ("Rtf", 1.0),
        ("Ctf", 1.0),
        ("Ltr", 1.0),
        ("Rtr", 1.0),
        ("Ctr", 1.0),
        ("T", 1.0),
        ("Lw", 1.41),
        ("Rw", 1.41),
        ("Ltm", 1.0),
        ("Rtm", 1.0),
        ("Cbf", 1.0),
        ("Lbf", 1.0),
        ("Rbf", 1.0),
        ("LFE2", 0.0),
    ],
)
def test_weights_are_those_of_bs1770(label: str, expected: float) -> None:
    assert weight(label) == expected


def test_every_loudspeaker_is_tested_and_has_its_mirror_image() -> None:
    assert set(LOUDSPEAKERS) == {
        *("M", "L", "R", "C", "LFE", "Ls", "Rs", "Lss", "Rss", "Lrs", "Rrs", "Cs", "Lc", "Rc"),
        *("Ltf", "Rtf", "Ctf", "Ltr", "Rtr", "Ctr", "T"),
        *("Lw", "Rw", "Ltm", "Rtm", "Cbf", "Lbf", "Rbf", "LFE2"),
    }
    for label, position in LOUDSPEAKERS.items():
        if label.startswith("L") and position is not None:
            azimuth, elevation = position
            assert LOUDSPEAKERS["R" + label[1:]] == (-azimuth, elevation)
            assert azimuth > 0  # left is positive (BS.2051)


@pytest.mark.parametrize(
    ("channels", "name"), [(1, "mono"), (2, "stereo"), (5, "5.0"), (6, "5.1"), (8, "7.1"), (12, "7.1.4")]
)
def test_the_usual_layout_of_so_many_channels(channels: int, name: str) -> None:
    layout = of_count(channels)
    assert layout == Layout(name, NAMED[name])
    assert len(layout.weights) == channels


@pytest.mark.parametrize("channels", [0, 7, 9, 11, 13, 64])
def test_some_counts_have_no_usual_layout(channels: int) -> None:
    assert of_count(channels) is None


def test_5_1_is_in_the_order_of_wav_and_counts_surrounds_more_and_lfe_not() -> None:
    layout = parse("5.1")
    assert layout.labels == ("L", "R", "C", "LFE", "Ls", "Rs")  # WAVEFORMATEXTENSIBLE mask 0x3F or 0x60F
    assert layout.weights == (1.0, 1.0, 1.0, 0.0, 1.41, 1.41)


@pytest.mark.parametrize("channels", layouts.OGG_ORDER)
def test_ogg_has_the_same_loudspeakers_in_another_order(channels: int) -> None:
    """Vorbis I specification, section 4.3.9."""
    layout, usual = of_count(channels, ogg=True), of_count(channels)
    assert layout is not None and usual is not None
    assert sorted(layout.labels) == sorted(usual.labels)
    assert (layout.labels[1] == "C") == (channels != 4)


@pytest.mark.parametrize(
    ("text", "name", "labels"),
    [
        ("5.1", "5.1", "L R C LFE Ls Rs"),
        ("STEREO", "stereo", "L R"),
        ("L,R", "stereo", "L R"),
        ("l, r, c, lfe, ls, rs", "5.1", "L R C LFE Ls Rs"),
        ("L,C,R,Ls,Rs,LFE", "L,C,R,Ls,Rs,LFE", "L C R Ls Rs LFE"),
        ("c", "C", "C"),
    ],
)
def test_what_the_engineer_types(text: str, name: str, labels: str) -> None:
    assert parse(text) == Layout(name, tuple(labels.split()))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("5.1.9", "no layout or loudspeaker is called '5.1.9'; layouts: mono, stereo, "),
        ("L,X", "no layout or loudspeaker is called 'X'; "),
        ("", "no layout or loudspeaker is called ''; "),
        ("L,R,l", "layout 'L,R,l' names a loudspeaker twice"),
    ],
)
def test_what_cannot_be_one_is_told_with_what_there_is(text: str, message: str) -> None:
    with pytest.raises(ValueError) as caught:
        parse(text)
    assert str(caught.value).startswith(message)


def test_labels_are_named_where_they_have_a_name() -> None:
    assert of_labels(["L", "R"]).name == "stereo"
    assert of_labels(["R", "L"]).name == "R,L"
