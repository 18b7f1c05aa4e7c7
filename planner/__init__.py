"""A survey planner for drone-mounted rangefinders."""
