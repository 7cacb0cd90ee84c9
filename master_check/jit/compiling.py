"""From a kernel to an object file, by numba: the one place that imports it, on the first run only."""

import re
from collections.abc import Callable
from functools import partial
from types import FunctionType
from typing import Any, Final

import llvmlite.binding as llvm
import numba
import numpy as np
from numba import types

from master_check.jit.object_file import target

Kinds = tuple[tuple[np.dtype[Any], int], ...]
"""Of the arrays among a kernel's arguments: the type of their numbers, their dimensions."""

# Sums may be reordered and multiply-adds fused, and no NaN is expected (the reader turns them away): that is what
# lets the compiler use vector registers.
FAST: Final = {"reassoc", "contract", "nsz", "arcp", "nnan"}

_OPTIONS: Final[dict[str, Any]] = {"error_model": "numpy", "fastmath": FAST}
_NUMBERS: Final[dict[Any, Any]] = {int: types.int64, float: types.float64, np.float32: types.float32, None: types.void}

# What calls a kernel from Python or C by numba's rules is left out, as neither does.
_part: Any = partial(numba.njit, no_cpython_wrapper=True, no_cfunc_wrapper=True, **_OPTIONS)


def object_code(function: FunctionType, kinds: Kinds, name: str) -> bytes:
    """An object file that holds a kernel as a C function, and needs nothing else.

    Parameters
    ----------
    function : function
        Takes numbers and arrays, by its annotations; allocates nothing and raises nothing.
    kinds : tuple of (dtype, dimensions)
        Of the arrays among its arguments.
    name : str
        Of the function in the object file. It takes every array as its address and its shape.

    Raises
    ------
    RuntimeError
        Something of numba's would have to be there when it runs.
    """
    entry = _entry(function, kinds)
    # numba leaves room for a kernel that raises, and for arrays that it has to free. With all functions put into one,
    # the compiler sees that neither happens, and drops what would do it.
    text = entry.inspect_llvm().replace("noinline", "alwaysinline")
    text = re.sub(r"^define linkonce_odr (.*){$", r"define internal \1alwaysinline {", text, flags=re.MULTILINE)
    module = llvm.parse_assembly(text)
    for own in module.functions:
        if own.name == entry.native_name:
            own.name = name
        elif not own.is_declaration:
            own.linkage = "internal"
    module.verify()  # LLVM may end the process over what it finds wrong only later
    machine = target()
    passes = llvm.create_pass_builder(machine, llvm.create_pipeline_tuning_options(speed_level=3))
    passes.getModulePassManager().run(module, passes)
    left = [*module.functions, *module.global_variables]
    missing = [own.name for own in left if own.is_declaration and not own.name.startswith("llvm.")]
    if missing:
        raise RuntimeError(f"{name} needs {', '.join(missing)}")
    return bytes(machine.emit_object(module))


def dispatcher(function: FunctionType) -> Callable[..., Any]:
    """A kernel that numba compiles and calls by its own rules."""
    found: Callable[..., Any]
    own = partial(numba.njit, nogil=True, no_cfunc_wrapper=True, **_OPTIONS)
    try:
        found = _compiled(function, partial(own, cache=True))
    except RuntimeError:  # neither beside the kernel's file nor in the user's cache folder may anything be written
        found = _compiled(function, own)
    return found


def _compiled(function: FunctionType, decorator: Any = _part) -> Any:
    """A function for numba to compile, and with it those of its own file that it calls."""
    names = dict(function.__globals__)
    for name, value in function.__globals__.items():
        if isinstance(value, FunctionType) and value.__module__ == function.__module__:
            names[name] = _part(FunctionType(value.__code__, names, name))
    return decorator(FunctionType(function.__code__, names, function.__name__))


def _entry(function: FunctionType, kinds: Kinds) -> Any:
    """numba's C callback: takes every array as its address and shape, and calls the kernel with the array again."""
    *annotations, result = function.__annotations__.values()
    arrays = iter(kinds)
    names: list[str] = []
    given: list[Any] = []
    passed: list[str] = []
    for n, annotation in enumerate(annotations):
        if annotation in _NUMBERS:
            names.append(f"x{n}")
            given.append(_NUMBERS[annotation])
            passed.append(f"x{n}")
        else:
            dtype, dimensions = next(arrays)
            shape = [f"x{n}_{d}" for d in range(dimensions)]
            names += [f"x{n}", *shape]
            address: Any = types.CPointer(numba.from_dtype(dtype))  # type: ignore[no-untyped-call]
            given += [address, *[types.int64] * dimensions]
            passed.append(f"carray(x{n}, ({', '.join(shape)},))")
    # numba asks for every argument by name, and how many there are depends on the kernel.
    call = f"lambda {', '.join(names)}: kernel({', '.join(passed)})"
    entry = eval(call, {"kernel": _compiled(function), "carray": numba.carray})  # type: ignore[attr-defined]
    return numba.cfunc(_NUMBERS[result](*given), **_OPTIONS)(entry)
