"""Strategies, one a file, each behind the same generator protocol."""
