"""Hands-free service procedures: read aloud, spoken readings judged, everything on record; offline."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("handsfree")
except PackageNotFoundError:  # run from a checkout that is not installed
    __version__ = "0"
