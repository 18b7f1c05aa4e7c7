"""What comes back, cell by cell, and why not. Takes arrays and grids; must not know how a flight was planned."""
