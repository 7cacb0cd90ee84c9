"""Renderings by the standard's reference renderer, the package `ear` 2.1.0, and how far ours are from them."""

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
import json, sys
import numpy as np
from ear.core import bs2051
from ear.cmdline.render_file import OfflineRenderDriver
from ear.fileio import openBw64Adm
for name, layouts in json.loads(sys.argv[1]).items():
    for layout in layouts:
        driver = OfflineRenderDriver(layout, None, 0.0, False, False)
        with openBw64Adm(name) as file:
            blocks = list(driver.render_input_file(file, bs2051.get_layout(layout)))
        np.save(f"{name}.{layout}.npy", np.concatenate(blocks))
print("null")
"""


def render(wanted: Mapping[Path, Sequence[str]]) -> None:
    """Have files rendered to layouts, all in one process."""
    import json

    ear.ask(_RENDER, json.dumps({str(path): list(layouts) for path, layouts in wanted.items()}))


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
