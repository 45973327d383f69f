"""Leafcall: an offline, hands-free bench assistant for file-fitting piston rings."""

__version__ = "0.1.0"

__all__ = ["__version__"]
