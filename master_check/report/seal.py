"""The ring of fine lines at the head of a report, drawn from the checksums of its files."""

import hashlib
import math

import numpy as np


def seal(digest: bytes, word: str) -> str:
    """A ring of fine lines drawn from a checksum, as on a certificate, around the verdict.

    The same files give the same ring; 32 bytes decide its waves.

    Parameters
    ----------
    digest : bytes
        Of the files reported on; hashed again, so any length will do.
    word : str
        The verdict; printed inside, a word a line.
    """
    seed = hashlib.sha256(digest).digest()
    copies = 7
    rings = []
    for ring, (radius, swing) in enumerate(((41.0, 5.5), (33.0, 3.5))):
        a, b, c, d = seed[4 * ring : 4 * ring + 4]
        petals = 9 + a % 12 + 4 * ring
        slow = 2 + b % 5
        phase, depth = c / 256.0 * 2.0 * math.pi, 0.35 + d / 256.0 * 0.5
        turn = np.linspace(0.0, 2.0 * math.pi, 40 * petals // 3, endpoint=False)
        radii = radius + swing * np.sin(petals * turn) * (1.0 - depth * (0.5 + 0.5 * np.sin(slow * turn + phase)))
        points = " ".join(
            f"{50 + r * math.cos(t):.1f},{50 + r * math.sin(t):.1f}" for r, t in zip(radii, turn, strict=True)
        )
        step = 360.0 / petals / copies
        uses = "".join(f'<use href="#ring{ring}" transform="rotate({k * step:.2f} 50 50)"/>' for k in range(1, copies))
        rings.append(f'<polygon id="ring{ring}" points="{points}"/>{uses}')
    lines = word.split()
    top = 50.0 + 3.4 - 5.0 * (len(lines) - 1)
    text = "".join(f'<text x="50" y="{top + 10 * k:.1f}">{line}</text>' for k, line in enumerate(lines))
    return (
        '<svg class="seal" viewBox="0 0 100 100" aria-hidden="true" focusable="false">'
        f'<g fill="none" stroke="var(--mark)" stroke-width=".35">{"".join(rings)}</g>{text}</svg>'
    )
