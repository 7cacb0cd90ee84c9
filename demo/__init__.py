"""The demo EP: invented music with planted faults."""
