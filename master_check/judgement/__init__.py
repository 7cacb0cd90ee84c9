"""Delivery profiles, and measurements held against them."""
