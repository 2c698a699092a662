"""The unattended service."""
