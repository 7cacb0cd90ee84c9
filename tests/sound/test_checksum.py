"""What was measured and what was hashed are the same bytes; SHA-256 against the standard library's."""

import hashlib
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from master_check.measurement.one_pass import measure
from master_check.sound.format import AudioError
from tests.signals import RATE, sine, write


def test_a_measurement_carries_the_checksum_of_its_file(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", sine(3.0, -20.0, 997.0, channels=2))
    assert measure(path).sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def replaced(path: Path, other: Path) -> None:
    other.replace(path)


def written_over(path: Path, other: Path) -> None:
    path.write_bytes(other.read_bytes())


def taken_away(path: Path, other: Path) -> None:
    path.unlink()


@pytest.mark.parametrize("change", [replaced, written_over, taken_away])
def test_a_file_that_does_not_hold_still_is_refused(tmp_path: Path, change: Callable[[Path, Path], None]) -> None:
    path = write(tmp_path / "a.wav", sine(30.0, -20.0, 997.0, channels=2))
    other = write(tmp_path / "b.wav", sine(30.0, -30.0, 997.0, channels=2))

    def meanwhile(share: float) -> None:
        if other.exists():
            change(path, other)
            other.unlink(missing_ok=True)

    with pytest.raises(AudioError, match=r"a\.wav: changed while it was being measured"):
        measure(path, hops=RATE // 480, progress=meanwhile)


def test_a_file_that_is_only_touched_is_measured(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", sine(3.0, -20.0, 997.0, channels=2))
    found = measure(path, progress=lambda share: os.utime(path, ns=(1, 1)))
    assert found.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
