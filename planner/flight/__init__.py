"""Where and how the aircraft flies. Must not know the forecast or the safety rooms."""
