"""What a flight costs in money. Takes hours and counts; must not know how a flight was planned or what it brings."""
