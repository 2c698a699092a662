"""Where pyserial finds the URL scheme ``bench://``."""
