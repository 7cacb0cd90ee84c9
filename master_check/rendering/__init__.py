"""Beds and objects on loudspeakers, as ITU-R BS.2127 (EBU Tech 3388) has it.

Held against the standard's reference implementation (EBU Tech 3388); where the text leaves a choice, its choice is
taken. Numbers of sections are from memory.
"""
