"""The first run after an installation: compile the kernels on two cores.

Compiling keeps the interpreter locked, so it takes a process beside this one, not a thread. Without this, every kernel
is compiled when it is first needed, and the first run takes half as long again.
"""

import subprocess
import sys
from collections.abc import Iterable
from typing import Final

import numpy as np

from master_check.jit import is_compiled
from master_check.measurement.one_pass import Meters
from master_check.meters import Meter
from master_check.meters.clipping import ClippingMeter
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
    """Compile what nearly every file needs.

    Raises
    ------
    OSError
        A second process cannot be had.
    """
    code = "from master_check.measurement.first_run import compile_beside; compile_beside()"
    with subprocess.Popen([sys.executable, "-P", "-c", code], stdin=subprocess.DEVNULL, stderr=subprocess.DEVNULL):
        for _ in blocks_of(np.zeros((RATE, 2), np.float32), RATE):
            pass
        _feed(meter for meter in Meters(STEREO).all if not isinstance(meter, TruePeakMeter | ClippingMeter))


def compile_beside() -> None:
    """The second process's share: about half of the work, most of it the true-peak meter's."""
    _feed([TruePeakMeter(STEREO), ClippingMeter(STEREO)])


def _feed(meters: Iterable[Meter]) -> None:
    """A second that no file could hold, so that every kernel is called: at full scale and silent at once."""
    buffer = np.ones((2, PAST + RATE), np.float32)
    edges = hop_edges(RATE, 0, 100)
    block = Block(buffer, RATE, 0, edges, np.ones((2, 100), np.float32), np.ones((2, 100), np.int32))
    for meter in meters:
        meter.feed(block)
