"""Stems against a mix: whether they make it, and whether it has the balance of the rough mix."""
