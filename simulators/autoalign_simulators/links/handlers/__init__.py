"""Where pyserial looks for the URL scheme ``bench://``."""
