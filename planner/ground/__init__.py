"""The world under the flight: frames, height grids and rays. Must not know sensors, flights or files."""
