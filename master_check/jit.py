"""The one place that knows numba: how every kernel of the project is compiled.

A kernel is a plain loop over arrays in a file of its own; its caller checks arguments and shapes arrays.
Compiled code is cached on disk, so only the first run after an installation compiles, and every kernel
releases the interpreter lock, so files are measured on all cores by threads.
"""

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, TypeVar, cast

import numba

Function = TypeVar("Function", bound=Callable[..., object])

# Sums may be reordered and multiply-adds fused, and no NaN is expected (the reader turns them away): that is what
# lets the compiler use vector registers.
FAST = {"reassoc", "contract", "nsz", "arcp", "nnan"}


# The wrapper is for calls from C. numba's type stubs do not know these options.
_njit: Any = partial(numba.njit, nogil=True, error_model="numpy", fastmath=FAST, no_cfunc_wrapper=True)


def kernel(function: Function) -> Function:
    """Compile `function` with numba, cached on disk and without the interpreter lock."""
    try:
        return cast(Function, _njit(cache=True)(function))
    except RuntimeError:  # neither beside this file nor in the user's cache folder may anything be written
        return cast(Function, _njit()(function))


def part(function: Function) -> Function:
    """Compile a part of the kernels in the same file, without what Python would need to call it."""
    return cast(Function, _njit(no_cpython_wrapper=True)(function))


def is_compiled(kernel: Callable[..., object]) -> bool:
    """Whether compiled code of a kernel is on disk, from an earlier run or another process, or cannot be."""
    folder, module = cast(Any, kernel).stats.cache_path, kernel.__module__.rpartition(".")[2]
    return folder is None or any(Path(folder).glob(f"{module}.{kernel.__name__}-*.nbi"))
