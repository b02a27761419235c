"""Rounds: the week, changes by the office, the map, what is taken along."""
