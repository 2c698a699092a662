"""Campaigns over simulated benches and their statistics; speed and memory, side by side."""
