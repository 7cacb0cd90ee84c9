"""Kernels where compiled code cannot be kept."""

import numba
import pytest

from master_check import jit


def double(x: float) -> float:
    return 2.0 * x


def test_a_kernel_that_cannot_be_cached_is_compiled_each_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """As where neither the installation nor the user's own folder can be written; numba refuses with the same error."""
    monkeypatch.setattr(numba.config, "CACHE_LOCATOR_CLASSES", "nowhere")
    with pytest.raises(RuntimeError):
        numba.njit(cache=True)(double)
    kernel = jit.kernel(double)
    assert kernel(2.5) == 5.0
    assert jit.is_compiled(kernel)  # no first run to be quicker next time
