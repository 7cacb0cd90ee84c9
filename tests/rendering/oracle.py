"""Renderings by the standard's reference renderer, the package `ear` 2.1.0, and how far ours are from them."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from master_check.rendering.render import rendered
from master_check.sound.adm.items import rendering_items
from master_check.sound.adm.read import read_adm
from master_check.sound.file import AudioFile
from tests import ear

_RENDER = """
import copy, json, sys, time
import numpy as np
from ear.core import bs2051, Renderer
from ear.core.select_items import select_rendering_items
from ear.fileio import openBw64Adm
made, spent = {}, 0.0
for name, layouts in json.loads(sys.argv[1]).items():
    for layout in layouts:
        if layout not in made:  # takes longer than to render half a second
            made[layout] = Renderer(bs2051.get_layout(layout))
        renderer = copy.deepcopy(made[layout])
        begin = time.process_time()
        with openBw64Adm(name) as file:
            renderer.set_rendering_items(select_rendering_items(file.adm))
            blocks = [renderer.render(file.sampleRate, block) for block in file.iter_sample_blocks(8192)]
            blocks.append(renderer.get_tail(file.sampleRate, file.channels))
        spent += time.process_time() - begin
        np.save(f"{name}.{layout}.npy", np.concatenate(blocks))
print(spent)
"""


def render(wanted: Mapping[Path, Sequence[str]]) -> float:
    """Have files rendered to layouts, all in one process; how many seconds of a core that took without set-up."""
    return float(ear.ask(_RENDER, json.dumps({str(path): list(layouts) for path, layouts in wanted.items()})))


def theirs(path: Path, layout: str) -> NDArray[np.float64]:
    """A rendering that was asked for, (frames, loudspeakers)."""
    found: NDArray[np.float64] = np.load(f"{path}.{layout}.npy")
    return found


def ours(path: Path, layouts: Sequence[str], hops: int | None = None) -> dict[str, NDArray[np.float32]]:
    """The same by this project."""
    adm = read_adm(path)
    assert adm is not None
    with AudioFile(path) as file:
        pieces = list(rendered(rendering_items(adm), layouts, file.format.rate, file.blocks(hops)))
    return {layout: np.concatenate([piece[layout] for piece in pieces]) for layout in layouts}


def difference_dbfs(one: NDArray[Any], other: NDArray[Any]) -> float:
    """The largest difference of any output sample."""
    assert one.shape == other.shape
    return 20.0 * float(np.log10(np.abs(one - other).max() + 1e-30))
