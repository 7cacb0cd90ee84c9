"""What a file is, in words."""

from master_check.measurement.measurement import Measurement
from master_check.text import clock


def file_format(measurement: Measurement) -> list[str]:
    """File type, word length (or encoding), rate, layout and length."""
    form = measurement.format
    depth = f"{form.bit_depth} bit{' float' if form.floating else ''}" if form.bit_depth is not None else ""
    return [
        form.container,
        depth or form.encoding.replace("_", " ").lower(),
        f"{form.rate / 1000:g} kHz",
        str(measurement.values["layout"] or f"{form.channels} channels"),
        clock(float(measurement.values["duration_s"] or 0.0)),
    ]
