"""Pulses: their directions, their reach and where they land. Must not know flight lines or files."""
