"""The first run after an installation: compile the kernels on two cores.

Compiling keeps the interpreter locked, so it takes processes, not threads. Without them every kernel is compiled when
it is first needed, one after the other, and the first run takes twice as long.
"""

import gc
import os
import subprocess
import sys
from collections.abc import Iterable
from contextlib import ExitStack
from pathlib import Path
from typing import Final

import numpy as np

from master_check.jit import is_compiled
from master_check.measurement.all_meters import Meters
from master_check.meters import Meter
from master_check.meters.clipping import ClippingMeter
from master_check.meters.saturation import BANDS, half_cycles_of, spectra
from master_check.meters.true_peak import TruePeakMeter
from master_check.meters.true_peak_kernels import scan
from master_check.sound.blocks import PAST, Block, blocks_of, hop_edges
from master_check.sound.format import AudioFormat
from master_check.tables.layouts import Layout

RATE: Final = 48_000
STEREO: Final = AudioFormat("", "", RATE, 2, Layout("stereo", ("L", "R")), 24)


def needed() -> bool:
    """Whether nothing is compiled yet."""
    return not is_compiled(scan)


def compile_kernels() -> None:
    """Compile what nearly every file needs, and wait until it is done.

    Raises
    ------
    OSError
        Another process cannot be had.
    """
    # The whole program is optimised once, at the end (`jit/compiling.py`); what numba does before would be in vain.
    environment = os.environ | {"NUMBA_OPT": "0"}
    home = str(Path(__file__).parents[2])  # this very program, not another that may be installed too
    with ExitStack() as both:
        for share in ("first_share", "second_share"):
            code = f"import sys; sys.path.insert(0, {home!r})\nfrom master_check.measurement import first_run\n"
            code += f"first_run.{share}()"
            words = [sys.executable, "-P", "-c", code]
            null = subprocess.DEVNULL
            both.enter_context(subprocess.Popen(words, stdin=null, stdout=null, stderr=null, env=environment))


def first_share() -> None:
    """About half of the work, most of it the true-peak meter's; for a process that does nothing else."""
    gc.disable()  # looking through all that numba makes for what is no longer needed takes a seventh of the time
    _feed([TruePeakMeter(STEREO), ClippingMeter(STEREO)])


def second_share() -> None:
    """The other half."""
    gc.disable()
    for _ in blocks_of(np.zeros((RATE, 2), np.float32), RATE):
        pass
    _feed(meter for meter in Meters(STEREO).all if not isinstance(meter, TruePeakMeter | ClippingMeter))
    half_cycles_of(spectra(np.zeros((1, RATE), np.float32))[0], 1.0, RATE, BANDS)


def _feed(meters: Iterable[Meter]) -> None:
    """A second that no file could hold, so that every kernel is called: at full scale and silent at once."""
    buffer = np.ones((2, PAST + RATE), np.float32)
    edges = hop_edges(RATE, 0, 100)
    block = Block(buffer, RATE, 0, edges, np.ones((2, 100), np.float32), np.ones((2, 100), np.int32))
    for meter in meters:
        meter.feed(block)
