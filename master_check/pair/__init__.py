"""A premaster and its master: aligned, compared, and what was done to the waveform."""
