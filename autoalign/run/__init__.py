"""Carrying a session out on a bench: moves, measurements, guard, record."""
