"""From pixels to numbers: background, moments, flags, planes, uncertainty."""
