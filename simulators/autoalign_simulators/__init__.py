"""Simulated benches that hide a truth which the library does not know."""
