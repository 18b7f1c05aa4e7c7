"""All reading and writing. Must not do any arithmetic of the trade."""
