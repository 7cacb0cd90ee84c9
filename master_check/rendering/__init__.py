"""Beds and objects on loudspeakers, as ITU-R BS.2127 (EBU Tech 3388) has it.

Held against the standard's reference implementation. Where the text leaves a choice, its choice is taken.
"""
