"""Tests of the Audio Definition Model."""
