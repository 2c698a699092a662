"""Campaigns over simulated benches, and their statistics."""
