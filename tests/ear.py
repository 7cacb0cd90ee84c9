"""The standard's reference renderer, the package `ear` (BSD), in an environment of its own: the oracle for ADM.

It needs numpy 1 and an old setuptools, so that it cannot share an environment with the project. It is installed once,
into a folder for temporary files or where `SENDOFF_EAR` says, and asked in processes of its own.
"""

import json
import os
import subprocess
import sys
import tempfile
from functools import cache
from pathlib import Path
from typing import Any, Final

import pytest

PACKAGES: Final = ("ear==2.1.0", "numpy<2", "setuptools<80", "attrs<22")


@cache
def python() -> Path:
    """The interpreter that has it; the test skips where it cannot be installed."""
    folder = Path(os.environ.get("SENDOFF_EAR") or Path(tempfile.gettempdir()) / "earvenv")
    found = folder / "bin" / "python"
    try:
        if not found.exists():
            subprocess.run([sys.executable, "-m", "venv", folder], check=True, capture_output=True)
        if subprocess.run([found, "-c", "import ear"], capture_output=True).returncode:
            subprocess.run([found, "-m", "pip", "install", "-q", *PACKAGES], check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("the package ear cannot be installed")
    return found


def ask(script: str, *arguments: Any) -> Any:
    """What a script prints as JSON, run with the reference renderer at hand."""
    done = subprocess.run(
        [python(), "-W", "ignore", "-c", script, *map(str, arguments)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return json.loads(done.stdout)
