"""The one error of a catalogue, and the libraries it needs, which nothing else does."""

from importlib import import_module
from typing import Any, Final

INSTALL: Final = "pip install 'sendoff[cluster]'"


class CatalogueError(Exception):
    """A catalogue that cannot be made or read: what is wrong and what to do, in one line."""


def library(name: str) -> Any:
    """A module of the extra `cluster`.

    Raises
    ------
    CatalogueError
        It is not installed.
    """
    try:
        return import_module(name)
    except ImportError:
        raise CatalogueError(f"a catalogue needs {name.partition('.')[0]}: {INSTALL}") from None
