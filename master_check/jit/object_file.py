"""Object files: kept on disk from run to run, and put into memory by LLVM."""

import os
from collections.abc import Iterator
from contextlib import suppress
from functools import cache
from hashlib import blake2b
from importlib.util import cache_from_source
from pathlib import Path
from typing import Any, Final

import llvmlite
import llvmlite.binding as llvm

_DIGEST: Final = 16
"""Bytes in front of a kept object file by which a damaged one is told."""


def is_kept(source: Path, stem: str) -> bool:
    """Whether an object file whose name begins so is on disk, or none can be kept there."""
    if any(any(folder.glob(f"{stem}*.o")) for folder in _folders(source)):
        return True
    return not any(_can_write(folder) for folder in _folders(source))


def read(source: Path, name: str) -> bytes | None:
    """An object file from disk; None where there is none, or a damaged one."""
    for folder in _folders(source):
        with suppress(OSError):
            kept = (folder / f"{name}.o").read_bytes()
            code = kept[_DIGEST:]
            if kept[:_DIGEST] == blake2b(code, digest_size=_DIGEST).digest():
                return code
    return None


def keep(source: Path, name: str, code: bytes) -> None:
    """Write an object file where that can be: whole at once, as another process may be reading it."""
    for folder in _folders(source):
        written = folder / f"{name}.{os.getpid()}"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            written.write_bytes(blake2b(code, digest_size=_DIGEST).digest() + code)
            written.replace(folder / f"{name}.o")
            return
        except OSError:
            with suppress(OSError):
                written.unlink()


def load(name: str, code: bytes) -> int:
    """Put an object file into memory, for as long as the process lives; the address of the function of its name.

    Raises
    ------
    RuntimeError
        It is no object file of this machine, or holds no such function.
    """
    _engine().add_object_file(llvm.ObjectFileRef.from_data(code))
    _engine().finalize_object()
    address = int(_engine().get_function_address(name))
    if not address:
        raise RuntimeError(f"no function {name} in its object file")
    return address


@cache
def machine() -> tuple[str, str, str, str]:
    """What machine code depends on besides its source: versions, system, processor and what that can do."""
    features = llvm.get_host_cpu_features().flatten()
    return llvmlite.__version__, llvm.get_process_triple(), llvm.get_host_cpu_name(), features


def target() -> Any:
    """This machine, as LLVM's code generator wants to know it."""
    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    _, triple, cpu, features = machine()
    # What numba asks for too: code that is put anywhere in memory once, and stays there.
    reloc = "static" if triple.startswith(("x86", "i386", "i686")) else "default"
    return llvm.Target.from_triple(triple).create_target_machine(
        cpu=cpu, features=features, opt=3, reloc=reloc, codemodel="jitdefault", jit=True
    )


@cache
def _engine() -> Any:
    return llvm.create_mcjit_compiler(llvm.parse_assembly(""), target())


def _folders(source: Path) -> Iterator[Path]:
    """Where object files are kept: in the first that can be written, as Python and numba do with theirs."""
    if "NUMBA_CACHE_DIR" in os.environ:
        yield Path(os.environ["NUMBA_CACHE_DIR"])
        return
    yield Path(cache_from_source(source)).parent
    import platformdirs

    yield Path(platformdirs.user_cache_dir("sendoff", appauthor=False)) / "compiled"


def _can_write(folder: Path) -> bool:
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
    return folder.is_dir() and os.access(folder, os.W_OK)
