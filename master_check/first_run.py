"""The first run after an installation: compile the kernels on two cores.

Compiling keeps the interpreter locked, so it takes a process beside this one, not a thread. Without this, every kernel
is compiled when it is first needed, and the first run takes half as long again.
"""

import subprocess
import sys

import numpy as np

from master_check.audio import AudioFormat, blocks_of
from master_check.jit import is_compiled
from master_check.layouts import Layout
from master_check.measure import Meters
from master_check.meters.true_peak import TruePeakMeter
from master_check.meters.true_peak_kernels import scan

_TRUE_PEAK = """
import numpy
from master_check.meters.true_peak import true_peak
true_peak(numpy.ones((64, 1), numpy.float32))
"""


def needed() -> bool:
    """Whether nothing is compiled yet."""
    return not is_compiled(scan)


def compile_kernels() -> None:
    """Compile what nearly every file needs: the true-peak meter, half of it all, beside the rest.

    Raises
    ------
    OSError
        A second process cannot be had.
    """
    with subprocess.Popen(
        [sys.executable, "-P", "-c", _TRUE_PEAK], stdin=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ):
        wave = 0.1 * np.sin(np.arange(48_000, dtype=np.float32) + 1.0)
        meters = Meters(AudioFormat("", "", 48_000, Layout("stereo", ("L", "R")), 24))
        for block in blocks_of(np.stack([wave, wave], axis=1), 48_000):
            for meter in meters.all:
                if not isinstance(meter, TruePeakMeter):
                    meter.feed(block)
