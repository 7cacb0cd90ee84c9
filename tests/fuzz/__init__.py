"""Hostile input: mutated sound files, profiles and names, run through the command in processes of their own.

`mutations` makes the cases, every one from a seed and a number; `runner` is the process they run in; `harness` asks it
and says what is wrong with an answer; `test_quick` is the slice that runs with the tests; `python -m tests.fuzz.long
--minutes N` runs for as long as wanted, and keeps what went wrong.
"""
