"""Conformance suites that plug-in authors subclass."""
