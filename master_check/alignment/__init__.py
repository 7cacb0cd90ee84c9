"""Laying two signals over each other: the one aligner of the project."""
