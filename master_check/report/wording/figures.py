"""Figures as sentences have them."""


def signed(value: float | None, unit: str = "", places: int = 1) -> str:
    """A difference with its sign and its unit; nothing has no sign, and what cannot be had is a dash."""
    if value is None:
        return "–"
    rounded = round(value, places) + 0.0  # no -0.0
    return f"{rounded:{'+' if rounded else ''}.{places}f} {unit}".rstrip()
