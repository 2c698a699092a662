"""Picture files as frames: pixels as stored, and in words what was done to read them."""

from autoalign.pictures.pages import Channel, Page, read_pages
from autoalign.pictures.read import SUFFIXES, Picture, find_pictures, read_pictures

__all__ = [
    "SUFFIXES",
    "Channel",
    "Page",
    "Picture",
    "find_pictures",
    "read_pages",
    "read_pictures",
]
