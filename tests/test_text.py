"""Times as people read them. Names and tags made safe are tested where they are shown (tests/cli, tests/report)."""

import pytest

from master_check.text import clock


@pytest.mark.parametrize(
    ("seconds", "decimals", "text"),
    [
        (0.0, 3, "0:00.000"),
        (0.0004, 3, "0:00.000"),
        (59.9996, 3, "1:00.000"),
        (61.5, 3, "1:01.500"),
        (3599.9994, 3, "59:59.999"),
        (3599.9996, 3, "1:00:00.000"),
        (36_001.001, 3, "10:00:01.001"),
        (59.97, 1, "1:00.0"),
        (59.94, 1, "0:59.9"),
        (59.97, 0, "1:00"),
        (90.0, 0, "1:30"),
        (10_800.0, 0, "3:00:00"),
    ],
)
def test_times_are_minutes_and_seconds_and_hours_from_an_hour_on(seconds: float, decimals: int, text: str) -> None:
    assert clock(seconds, decimals) == text
