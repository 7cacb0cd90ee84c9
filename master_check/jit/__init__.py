"""Kernels: plain loops over arrays, run as machine code.

A kernel is a function in a file of its own. It takes numbers and C-contiguous arrays, returns a number or nothing, and
allocates nothing; its caller checks arguments and shapes arrays. `compiling.py` compiles it with numba, once for this
machine, and `object_file.py` keeps the result on disk. Later runs only load that, with LLVM alone: importing numba and
setting it up takes longer than measuring a song. Kernels run without the interpreter lock, so threads measure files on
all cores.
"""

import logging
from collections.abc import Callable
from functools import cached_property, update_wrapper
from hashlib import blake2b
from pathlib import Path
from threading import Lock
from types import FunctionType
from typing import Any, Final, TypeVar, cast

import numpy as np

from master_check.jit import object_file

try:
    # The class in C. Its front end has the same methods, but imports a parser of C that is not needed here.
    from _cffi_backend import FFI
except ImportError:
    from cffi import FFI

Function = TypeVar("Function", bound=Callable[..., Any])

Kind = tuple[np.dtype[Any], int]
"""What an array is to a kernel: the type of its numbers, and how many dimensions it has."""

_IN_C: Final[dict[Any, str]] = {int: "int64_t", float: "double", np.float32: "float", None: "void"}
"""Annotations of a kernel's numbers, and of what it returns, in C."""

_ffi: Final = FFI()
_loading: Final = Lock()


def kernel(function: Function) -> Function:
    """Have a function run as machine code."""
    return cast(Function, Kernel(cast(FunctionType, function)))


def is_compiled(kernel: Callable[..., object]) -> bool:
    """Whether a kernel's machine code is on disk, from an earlier run or another process, or cannot be kept there."""
    return cast(Kernel, kernel).is_compiled()


class Kernel:
    """A function that is called as machine code, of its own for the kinds of arrays that it is called with."""

    def __init__(self, function: FunctionType) -> None:
        update_wrapper(self, function)
        self.function = function
        self._entries: dict[tuple[Kind, ...], Callable[..., Any]] = {}
        self._by_numba: Callable[..., Any] | None = None

    def __call__(self, *arguments: Any) -> Any:
        if self._by_numba is not None:
            return self._by_numba(*arguments)
        flat: list[Any] = []
        kinds: list[Kind] = []
        for argument in arguments:
            if isinstance(argument, np.ndarray):
                flat.append(_ffi.from_buffer(argument))  # refuses what is not C-contiguous
                flat += argument.shape
                kinds.append((argument.dtype, argument.ndim))
            else:
                flat.append(argument)
        key = tuple(kinds)
        if key not in self._entries:
            self._load(key)
            return self(*arguments)
        return self._entries[key](*flat)

    def is_compiled(self) -> bool:
        return object_file.is_kept(self._source, self._stem)

    def _load(self, kinds: tuple[Kind, ...]) -> None:
        """Have machine code for arrays of these kinds, compiled if there is none yet."""
        if not all(dtype.isnative for dtype, _ in kinds):
            raise TypeError(f"{self.function.__qualname__} takes arrays in this machine's byte order only")
        with _loading:
            if kinds in self._entries or self._by_numba is not None:
                return
            try:
                self._entries[kinds] = self._entry(kinds)
            except Exception as reason:
                # A numba or LLVM that does something else than those known, or a folder that cannot be read. numba's
                # own way of compiling and calling is as right, and only slower to start.
                logging.getLogger(__name__).info("%s is left to numba: %r", self.function.__qualname__, reason)
                from master_check.jit.compiling import dispatcher

                self._by_numba = dispatcher(self.function)

    def _entry(self, kinds: tuple[Kind, ...]) -> Callable[..., Any]:
        name = self._stem + "-".join(f"{dtype.kind}{dtype.itemsize}x{dimensions}" for dtype, dimensions in kinds)
        code = object_file.read(self._source, name)
        if code is None:
            from master_check.jit.compiling import object_code

            code = object_code(self.function, kinds, name)
            object_file.keep(self._source, name, code)
        return cast(Callable[..., Any], _ffi.cast(self._signature(kinds), object_file.load(name, code)))

    def _signature(self, kinds: tuple[Kind, ...]) -> str:
        """The machine code's signature in C: every array is its address and its shape."""
        *arguments, result = self.function.__annotations__.values()
        arrays = iter(kinds)
        words = (_IN_C.get(a) or ", ".join(["void *", *["int64_t"] * next(arrays)[1]]) for a in arguments)
        return f"{_IN_C[result]} (*)({', '.join(words)})"

    @property
    def _source(self) -> Path:
        return Path(self.function.__code__.co_filename)

    @cached_property
    def _stem(self) -> str:
        """How the names of its object files begin: another one for other code, constants or machines."""
        names = self.function.__globals__.items()
        constants = {name: repr(x) for name, x in names if isinstance(x, int | float | np.number)}
        parts = (self._source.read_bytes(), sorted(constants.items()), object_file.machine())
        made_from = blake2b(repr(parts).encode(), digest_size=8).hexdigest()
        return f"{self._source.stem}.{self.function.__name__}-{made_from}-"
