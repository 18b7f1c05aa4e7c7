"""Cautions for eyes and airspace. Must not know the forecast, the planner or files."""
