"""Kernels: machine code that is kept and found again; right, too, where it cannot be kept or cannot stand alone."""

import logging
import subprocess
import sys
from pathlib import Path
from types import FunctionType
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray

from master_check.jit import is_compiled, kernel

FACTOR = 2.0


def add_scaled(into: NDArray[np.float64], rows: NDArray[np.float32], offset: int, scale: np.float32) -> int:
    """Every kind of argument and of array, and a number that stands in the file."""
    for row in range(rows.shape[0]):
        for n in range(into.shape[0]):
            into[n] += FACTOR * scale * rows[row, n + offset]
    return int(rows.shape[0])


def largest(values: NDArray[np.float64]) -> float:
    """It allocates, so it needs numba when it runs."""
    found = np.zeros(1)
    for value in values:
        found[0] = max(found[0], value)
    return float(found[0])


ROWS = np.arange(20, dtype=np.float32).reshape(2, 10)


def added(function: Any) -> NDArray[np.float64]:
    into = np.ones(5)
    assert function(into, ROWS, 3, np.float32(0.5)) == 2
    return into


@pytest.fixture(autouse=True)
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of its own for each test's object files."""
    folder = tmp_path / "compiled"
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(folder))
    return folder


def test_a_kernel_does_what_its_python_does(kept: Path) -> None:
    run = kernel(add_scaled)
    assert not is_compiled(run)
    np.testing.assert_array_equal(added(run), added(add_scaled))
    assert is_compiled(run)
    assert len(list(kept.iterdir())) == 1


def test_what_is_kept_is_loaded_without_numba() -> None:
    expected = added(kernel(add_scaled))
    code = """
import sys
from tests.test_jit import add_scaled, added, kernel
print(*added(kernel(add_scaled)))
assert "numba" not in sys.modules
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    np.testing.assert_array_equal([float(word) for word in done.stdout.split()], expected)


def test_a_damaged_object_file_is_made_again(kept: Path) -> None:
    expected = added(kernel(add_scaled))
    (file,) = kept.iterdir()
    whole = file.read_bytes()
    for damaged in (b"", whole[:-1], whole[:500] + b"x" + whole[501:]):
        file.write_bytes(damaged)
        np.testing.assert_array_equal(added(kernel(add_scaled)), expected)
        assert file.read_bytes() != damaged
        assert is_compiled(kernel(add_scaled))


def test_another_constant_is_another_kernel(kept: Path) -> None:
    """Also one that comes from another file, so that nothing in the kernel's own has changed."""
    doubled = FunctionType(add_scaled.__code__, {**globals(), "FACTOR": 4.0})
    doubled.__annotations__ = add_scaled.__annotations__
    np.testing.assert_array_equal(added(kernel(doubled)) - 1.0, 2.0 * (added(kernel(add_scaled)) - 1.0))
    assert len(list(kept.iterdir())) == 2


def test_a_kernel_that_cannot_be_kept_is_compiled_each_time(kept: Path) -> None:
    kept.write_text("a file where the folder should be")
    run = kernel(add_scaled)
    np.testing.assert_array_equal(added(run), added(add_scaled))
    assert is_compiled(run)  # no first run to be quicker next time


def test_a_kernel_that_cannot_stand_alone_is_left_to_numba(kept: Path, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO, "master_check.jit"):
        run = kernel(largest)
        assert run(np.array([1.0, 3.0, 2.0])) == 3.0
    assert "largest is left to numba" in caplog.text
    assert run(np.array([5.0])) == 5.0


def test_a_numba_with_other_ways_runs_kernels_itself(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    import numba

    monkeypatch.delattr(numba, "cfunc")
    with caplog.at_level(logging.INFO, "master_check.jit"):
        np.testing.assert_array_equal(added(kernel(add_scaled)), added(add_scaled))
    assert "cfunc" in caplog.text


def test_arrays_that_machine_code_would_misread_are_refused() -> None:
    run = cast(Any, kernel(add_scaled))
    with pytest.raises(ValueError, match="contiguous"):
        run(np.ones(10)[::2], ROWS, 3, np.float32(0.5))
    with pytest.raises(TypeError, match="byte order"):
        run(np.ones(5), ROWS.astype(ROWS.dtype.newbyteorder()), 3, np.float32(0.5))
