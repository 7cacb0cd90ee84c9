"""What the first run compiles is what later runs use: none is compiled twice."""

import os
import subprocess
import sys
from pathlib import Path

from tests.signals import programme, write


def compiled(cache: Path) -> dict[Path, int]:
    return {path: path.stat().st_mtime_ns for path in cache.rglob("*") if path.is_file()}


def test_the_first_run_compiles_all_that_a_stereo_file_needs(tmp_path: Path) -> None:
    frames = programme(5.0, 2, 44_100, seed=3)
    frames[1000:3000] = 0.0  # a gap and clipping, so that every kernel is called
    frames[9000:9100] = 1.0
    path = write(tmp_path / "a.wav", frames, 44_100, "PCM_24")
    cache = tmp_path / "cache"

    def python(*words: str) -> None:
        environment = os.environ | {"NUMBA_CACHE_DIR": str(cache)}
        subprocess.run([sys.executable, *words], env=environment, capture_output=True, check=True)

    first = "from master_check.measurement import first_run as f; "
    python("-c", first + "assert f.needed(); f.compile_kernels(); assert not f.needed()")
    found = compiled(cache)
    assert found
    python("-m", "master_check", "check", str(path))
    assert compiled(cache) == found
